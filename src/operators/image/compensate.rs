//! A frame between two others, made by moving both along the motion of what they show.
//!
//! Knows how pixels are mixed. Motion is found by `image::flow`, pixels are fetched by `image::cubic`.
//!
//! The frame is made in bands of rows, and of both pictures only the rows that a band needs are held as 32-bit floats.

use crate::base::level::{Level, kernel};
use crate::media::image::{Channel, Image, RGBA};
use crate::operators::colour::block::{BLOCK, append_half, from_half};
use crate::operators::colour::cdl::LUMA;
use crate::operators::image::cubic::{LANES, Slab, cubic, most_beyond};
use crate::operators::image::flow::Motion;
use crate::operators::image::flow::course::{Course, course};

/// Rows that are made at a time.
const BAND: usize = 32;

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
            let most = most_beyond(a, group);
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
