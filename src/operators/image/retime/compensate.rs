//! A frame between two others, made by moving both along the motion of what they show.
//!
//! Knows how pixels are fetched and mixed. Motion is found by `image::flow`.
//!
//! Pixels are fetched with the cubic convolution of Keys (1981, a = −1/2), held to the least and largest of the samples
//! that it weighs and, of colour, very little beyond, so that bright edges throw no dark seams. The frame is made in bands of rows, and of both pictures only
//! the rows that a band needs are held as 32-bit floats.

use half::f16;

use crate::base::level::{Level, kernel};
use crate::media::image::{Channel, Image, RGBA};
use crate::operators::colour::block::{BLOCK, append_half, from_half};
use crate::operators::colour::cdl::LUMA;
use crate::operators::image::flow::Motion;
use crate::operators::image::flow::course::{Course, course};

/// Rows that are made at a time.
const BAND: usize = 32;
/// How far colour may lie beyond the samples that it was weighed from, as a share of their range and at most.
const BEYOND: f32 = 0.125;
pub const BEYOND_MOST: f32 = 0.03;
/// Channels that are fetched together.
pub const LANES: usize = 4;

/// Light as it lies evenly to the eye, near enough for motion to be looked for in dark and bright parts alike.
pub fn seen(image: &Image) -> Vec<f32> {
    let level = Level::best();
    let luma = [0, 1, 2].map(|c| Some((image.channel(RGBA[c])?, LUMA[c] as f32)));
    let shares: Vec<(usize, f32)> = match luma {
        [Some(r), Some(g), Some(b)] => vec![r, g, b],
        _ => {
            let count = image.channels().len();
            (0..count).map(|i| (i, 1.0 / count as f32)).collect()
        }
    };
    let mut out = vec![0.0; image.width() as usize * image.height() as usize];
    let mut block = [0.0f32; BLOCK];
    for (at, out) in out.chunks_mut(BLOCK).enumerate() {
        for &(channel, share) in &shares {
            let block = &mut block[..out.len()];
            from_half(&image.channels()[channel].samples[at * BLOCK..][..out.len()], block);
            add(level, out, block, share);
        }
        even(level, out);
    }
    out
}

kernel! {
    fn add(sum: &mut [f32], samples: &[f32], share: f32) {
        for (sum, v) in sum.iter_mut().zip(samples) {
            *sum += *v * share;
        }
    }
}

kernel! {
    /// The square root, begun a little above nothing so that noise in the dark is not made large.
    fn even(samples: &mut [f32]) {
        for v in samples {
            let light = if *v > 0.0 { *v } else { 0.0 };
            *v = (light.min(64.0) + 0.004).sqrt();
        }
    }
}

/// The frame at share `time` of the way from `a` to `b`, which have the same size and channels.
pub fn compensate(a: &Image, b: &Image, motion: &Motion, time: f32) -> Image {
    let level = Level::best();
    let (width, height) = (a.width() as usize, a.height() as usize);
    let course = course(motion, time);
    let mut channels: Vec<Channel> = a
        .channels()
        .iter()
        .map(|c| Channel { name: c.name.clone(), samples: Vec::with_capacity(width * height) })
        .collect();
    let mut slabs = [Slab::default(), Slab::default()];
    let mut pulls = Vec::new();
    let mut out = vec![[0.0f32; LANES]; BAND * width];
    let mut plane = vec![0.0f32; BAND * width];
    for first in (0..height).step_by(BAND) {
        let rows = first..(first + BAND).min(height);
        pull(&course, motion.halved, time, rows.clone(), (width, height), &mut pulls);
        for group in (0..channels.len()).step_by(LANES) {
            for (side, (slab, image)) in slabs.iter_mut().zip([a, b]).enumerate() {
                slab.load(image, group, pulls.iter().map(|p| p.places[side][1]));
            }
            let out = &mut out[..rows.len() * width];
            let most = std::array::from_fn(|lane| match a.channels().get(group + lane).map(|c| &*c.name) {
                Some("R" | "G" | "B") => BEYOND_MOST,
                _ => 0.0,
            });
            fetch(level, &slabs, &pulls, (width, height), most, out);
            for (lane, channel) in channels[group..].iter_mut().take(LANES).enumerate() {
                let plane = &mut plane[..out.len()];
                plane.iter_mut().zip(&*out).for_each(|(to, from)| *to = from[lane]);
                append_half(level, plane, &mut channel.samples);
            }
        }
    }
    Image::from_channels(a.width(), a.height(), channels)
}

/// Where a pixel is fetched from.
struct Pull {
    /// Its places in both pictures.
    places: [[f32; 2]; 2],
    /// The share of the second.
    share: f32,
}

/// The pulls of some rows.
fn pull(
    course: &Course,
    halved: usize,
    time: f32,
    rows: std::ops::Range<usize>,
    (width, height): (usize, usize),
    pulls: &mut Vec<Pull>,
) {
    let scale = (1usize << halved) as f32;
    let (columns, lines) = (course.way.width, course.way.height);
    pulls.clear();
    for y in rows {
        let gy = ((y as f32 + 0.5) / scale - 0.5).max(0.0).min((lines - 1) as f32);
        for x in 0..width {
            let gx = ((x as f32 + 0.5) / scale - 0.5).max(0.0).min((columns - 1) as f32);
            let (u, v, share) = along(course, gx, gy);
            let (u, v) = (u * scale, v * scale);
            let here = [x as f32, y as f32];
            let a = [here[0] - time * u, here[1] - time * v];
            let b = [here[0] + (1.0 - time) * u, here[1] + (1.0 - time) * v];
            let inside = [a, b].map(|p| inside(p, width, height));
            let share = match inside[0] * (1.0 - share) + inside[1] * share {
                0.0 => share,
                all => inside[1] * share / all,
            };
            pulls.push(Pull { places: [a, b], share });
        }
    }
}

/// 1 in the frame, falling to 0 over its outermost pixel, so that what comes in at an edge comes softly.
fn inside([x, y]: [f32; 2], width: usize, height: usize) -> f32 {
    let near = |v: f32, side: usize| v.min((side - 1) as f32 - v).clamp(0.0, 1.0);
    near(x, width) * near(y, height)
}

/// Motion and share between the points of the grid: between them where they move alike, else that of the nearest.
fn along(course: &Course, x: f32, y: f32) -> (f32, f32, f32) {
    let (width, height) = (course.way.width, course.way.height);
    let (ix, iy) = (x as usize, y as usize);
    let (fx, fy) = (x - ix as f32, y - iy as f32);
    let (right, below) = ((ix + 1).min(width - 1), (iy + 1).min(height - 1));
    let at = [iy * width + ix, iy * width + right, below * width + ix, below * width + right];
    let u = at.map(|i| course.way.across[i]);
    let v = at.map(|i| course.way.down[i]);
    let s = at.map(|i| course.share[i]);
    let spread = |p: [f32; 4]| p[0].max(p[1]).max(p[2].max(p[3])) - p[0].min(p[1]).min(p[2].min(p[3]));
    if spread(u).max(spread(v)) > 1.0 {
        let nearest = usize::from(fx >= 0.5) + 2 * usize::from(fy >= 0.5);
        return (u[nearest], v[nearest], s[nearest]);
    }
    let mix = |p: [f32; 4]| {
        let (a, b) = (p[0] + (p[1] - p[0]) * fx, p[2] + (p[3] - p[2]) * fx);
        a + (b - a) * fy
    };
    (mix(u), mix(v), mix(s))
}

/// Some rows of up to four channels, sample by sample.
#[derive(Default)]
pub struct Slab {
    /// The first row that is held.
    first: usize,
    /// All that is held, row by row.
    pub samples: Vec<[f32; LANES]>,
    row: Vec<f32>,
}

impl Slab {
    /// Loads the rows that places with these heights need.
    pub fn load(&mut self, image: &Image, group: usize, heights: impl Iterator<Item = f32>) {
        let (width, height) = (image.width() as usize, image.height() as usize);
        let (low, high) = heights.fold((f32::MAX, f32::MIN), |(low, high), y| (low.min(y), high.max(y)));
        let row = |y: f32| y.max(0.0).min((height - 1) as f32) as usize;
        self.first = row(low - 1.0);
        let last = (row(high) + 2).min(height - 1);
        self.samples.clear();
        self.samples.resize((last + 1 - self.first) * width, [0.0; LANES]);
        self.row.resize(width, 0.0);
        for (lane, channel) in image.channels()[group..].iter().take(LANES).enumerate() {
            for (y, out) in (self.first..=last).zip(self.samples.chunks_exact_mut(width)) {
                let samples: &[f16] = &channel.samples[y * width..][..width];
                from_half(samples, &mut self.row);
                out.iter_mut().zip(&self.row).for_each(|(out, v)| out[lane] = *v);
            }
        }
    }
}

/// Weights of four samples for a place that lies `f` after the second.
#[inline(always)]
pub fn weights(f: f32) -> [f32; 4] {
    let (g, ff) = (1.0 - f, f * f);
    [-0.5 * f * g * g, 1.0 + ff * (1.5 * f - 2.5), f * (0.5 + f * (2.0 - 1.5 * f)), -0.5 * ff * g]
}

/// The samples of a slab of a picture of this size at a place, with `most` beyond their range.
#[inline(always)]
pub fn cubic(
    slab: &Slab,
    (width, height): (usize, usize),
    most: [f32; LANES],
    [x, y]: [f32; 2],
) -> [f32; LANES] {
    let x = x.max(0.0).min((width - 1) as f32);
    let y = y.max(0.0).min((height - 1) as f32);
    let (ix, iy) = (x as usize, y as usize);
    let (wx, wy) = (weights(x - ix as f32), weights(y - iy as f32));
    let columns = [ix.saturating_sub(1), ix, (ix + 1).min(width - 1), (ix + 2).min(width - 1)];
    let lines =
        [iy.saturating_sub(1).max(slab.first), iy, (iy + 1).min(height - 1), (iy + 2).min(height - 1)];
    let (mut sum, mut low, mut high) = ([0.0f32; LANES], [f32::MAX; LANES], [f32::MIN; LANES]);
    for j in 0..4 {
        let row = &slab.samples[(lines[j] - slab.first) * width..][..width];
        let mut line = [0.0f32; LANES];
        for i in 0..4 {
            let s = row[columns[i]];
            for k in 0..LANES {
                line[k] += wx[i] * s[k];
                low[k] = if s[k] < low[k] { s[k] } else { low[k] };
                high[k] = if s[k] > high[k] { s[k] } else { high[k] };
            }
        }
        for k in 0..LANES {
            sum[k] += wy[j] * line[k];
        }
    }
    for k in 0..LANES {
        let share = (high[k] - low[k]) * BEYOND;
        let beyond = if share < most[k] { share } else { most[k] };
        let (low, high) = (low[k] - beyond, high[k] + beyond);
        sum[k] = if sum[k] < low { low } else { sum[k] };
        sum[k] = if sum[k] > high { high } else { sum[k] };
    }
    sum
}

kernel! {
    fn fetch(
        slabs: &[Slab; 2],
        pulls: &[Pull],
        size: (usize, usize),
        most: [f32; LANES],
        out: &mut [[f32; LANES]],
    ) {
        for (out, pull) in out.iter_mut().zip(pulls) {
            *out = if pull.share <= 0.0 {
                cubic(&slabs[0], size, most, pull.places[0])
            } else if pull.share >= 1.0 {
                cubic(&slabs[1], size, most, pull.places[1])
            } else {
                let a = cubic(&slabs[0], size, most, pull.places[0]);
                let b = cubic(&slabs[1], size, most, pull.places[1]);
                let mut mixed = a;
                for k in 0..LANES {
                    mixed[k] = a[k] + (b[k] - a[k]) * pull.share;
                }
                mixed
            };
        }
    }
}
