//! What moves before the scenery, and what a rod looks like on it.
//!
//! Knows small planes of light, the camera's own motion and the scenery behind what moves. Does not know strokes.
//!
//! The scenery of a frame is the median of frames around it, laid on it by the camera's motion: that of a whole small
//! picture as an affine map, which holds for handheld and panning cameras and for slow zooms.

use crate::operators::shape::motion::{Matrix, STILL, carry, inverse, product};
use crate::operators::track::align::{Bend, Patch};
use crate::operators::track::picture::Picture;

use super::{Ends, Mark};

/// The longest side of the plane in which strokes are looked for, and of the one in which rods are settled.
const COARSE: usize = 512;
const FINE: usize = 1024;
/// Frames that make the scenery of a frame: near ones, for a camera that travels shifts near things against far ones.
const AROUND: [i64; 8] = [-7, -5, -3, -2, 2, 3, 5, 7];

/// A plane of light.
#[derive(Clone)]
pub struct Gray {
    /// Width in samples.
    pub width: usize,
    /// Height in samples.
    pub height: usize,
    /// Pixels of the frame to a sample.
    pub size: f64,
    /// Rows top down; NaN where something hides it.
    pub samples: Vec<f32>,
}

impl Gray {
    fn of(picture: &Picture, longest: usize) -> Self {
        let level = (0..picture.depth())
            .find(|&l| picture.level(l).width.max(picture.level(l).height) <= longest)
            .unwrap_or(picture.depth() - 1);
        let plane = picture.level(level);
        let size = f64::from(1u32 << level);
        Self { width: plane.width, height: plane.height, size, samples: plane.inner() }
    }

    /// Light at a place in pixels of the frame; nothing outside and where it is hidden.
    #[inline(always)]
    pub fn at(&self, [x, y]: [f64; 2]) -> Option<f32> {
        let (x, y) = (x / self.size - 0.5, y / self.size - 0.5);
        let (right, bottom) = (self.width as f64 - 0.5, self.height as f64 - 0.5);
        if !(x >= -0.5 && y >= -0.5 && x <= right && y <= bottom) {
            return None;
        }
        let (x, y) = (x.clamp(0.0, self.width as f64 - 1.0), y.clamp(0.0, self.height as f64 - 1.0));
        let (left, top) = (x as usize, y as usize);
        let (fx, fy) = ((x - left as f64) as f32, (y - top as f64) as f32);
        let (next, below) = ((left + 1).min(self.width - 1), (top + 1).min(self.height - 1));
        let row = |y: usize| {
            let row = &self.samples[y * self.width..][..self.width];
            row[left] + (row[next] - row[left]) * fx
        };
        let (a, b) = (row(top), row(below));
        Some(a + (b - a) * fy).filter(|light| !light.is_nan())
    }

    /// Light of the sample that a place lies in; nothing outside and where it is hidden.
    #[inline(always)]
    pub fn nearest(&self, [x, y]: [f64; 2]) -> Option<f32> {
        let (x, y) = (x / self.size, y / self.size);
        let inside = x >= 0.0 && y >= 0.0 && x < self.width as f64 && y < self.height as f64;
        let light = inside.then(|| self.samples[y as usize * self.width + x as usize]);
        light.filter(|light| !light.is_nan())
    }

    fn hide(&mut self, hidden: &dyn Fn([f64; 2]) -> bool) {
        for (i, sample) in self.samples.iter_mut().enumerate() {
            let [x, y] = [i % self.width, i / self.width].map(|at| (at as f64 + 0.5) * self.size);
            if hidden([x, y]) {
                *sample = f32::NAN;
            }
        }
    }

    /// The same plane with other samples.
    pub fn with(&self, samples: Vec<f32>) -> Self {
        Self { samples, ..*self }
    }

    /// Softened by 1 2 1 along both sides.
    pub fn soft(&self) -> Self {
        let (width, height) = (self.width, self.height);
        let three = |a: f32, b: f32, c: f32| 0.25 * (a + c) + 0.5 * b;
        let mut across = vec![0.0; width * height];
        for (row, out) in self.samples.chunks(width).zip(across.chunks_mut(width)) {
            for x in 0..width {
                out[x] = three(row[x.saturating_sub(1)], row[x], row[(x + 1).min(width - 1)]);
            }
        }
        let row = |y: usize| &across[y * width..][..width];
        let samples = (0..height).flat_map(|y| {
            let rows = [row(y.saturating_sub(1)), row(y), row((y + 1).min(height - 1))];
            (0..width).map(move |x| three(rows[0][x], rows[1][x], rows[2][x]))
        });
        self.with(samples.collect())
    }
}

/// A frame as rods are looked for on it.
struct Look {
    coarse: Gray,
    fine: Gray,
}

/// Frames of a range while they come in, in order.
#[derive(Default)]
pub struct Looks {
    all: Vec<Look>,
    camera: Vec<Matrix>,
    /// The last one at its small size, hidden places and all.
    before: Option<Picture>,
}

impl Looks {
    /// Keeps of the next frame what is needed of it. Places that are `hidden` are no part of any rod, nor of the scenery.
    pub fn see(&mut self, picture: &Picture, hidden: Option<&dyn Fn([f64; 2]) -> bool>) {
        let mut look = Look { coarse: Gray::of(picture, COARSE), fine: Gray::of(picture, FINE) };
        let now = Picture::new(&look.coarse.samples, look.coarse.width, look.coarse.height);
        if let Some(hidden) = hidden {
            look.coarse.hide(hidden);
            look.fine.hide(hidden);
        }
        let moved = match (&self.before, self.all.last()) {
            (Some(before), Some(last)) => camera_between((before, &last.coarse), (&now, &look.coarse)),
            _ => None,
        };
        let size = look.coarse.size;
        let scale = [[size, 0.0, 0.0], [0.0, size, 0.0], [0.0, 0.0, 1.0]];
        let back = [[1.0 / size, 0.0, 0.0], [0.0, 1.0 / size, 0.0], [0.0, 0.0, 1.0]];
        let moved = moved.map_or(STILL, |moved| product(&scale, &product(&moved, &back)));
        self.camera.push(product(&moved, self.camera.last().unwrap_or(&STILL)));
        self.before = Some(now);
        self.all.push(look);
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.all.len()
    }

    /// True before the first one.
    pub fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    /// Bytes that their light takes.
    pub fn bytes(&self) -> usize {
        let samples = |look: &Look| look.coarse.samples.len() + look.fine.samples.len();
        self.all.iter().map(samples).sum::<usize>() * size_of::<f32>()
    }

    /// The scenery, once all are there.
    pub fn scene(self) -> Scene {
        Scene { looks: self.all, camera: self.camera }
    }
}

/// All frames of a range.
pub struct Scene {
    looks: Vec<Look>,
    /// Where the camera's motion takes places of the first frame, in pixels.
    camera: Vec<Matrix>,
}

impl Scene {
    /// The diagonal of a frame, in pixels.
    pub fn diagonal(&self) -> f64 {
        self.looks.first().map_or(1.0, |look| {
            (look.coarse.width as f64 * look.coarse.size).hypot(look.coarse.height as f64 * look.coarse.size)
        })
    }

    /// Light of a frame at the size in which strokes are looked for, or rods settled.
    pub fn light(&self, at: usize, fine: bool) -> &Gray {
        let look = &self.looks[at];
        if fine { &look.fine } else { &look.coarse }
    }

    /// The number of a frame, if there is one.
    pub fn number(&self, at: i64) -> Option<usize> {
        usize::try_from(at).ok().filter(|&at| at < self.looks.len())
    }

    /// Where the camera's motion takes places of a frame on another one.
    pub fn between(&self, at: usize, other: usize) -> Matrix {
        let back = inverse(&self.camera[at]).unwrap_or(STILL);
        product(&self.camera[other], &back)
    }

    /// The scenery of a frame within a box of pixels, at the size in which rods are settled; samples outside it are NaN, as
    /// is what no other frames show.
    pub fn scenery(&self, at: usize, within: [f64; 4]) -> Gray {
        let own = self.light(at, true);
        let others: Vec<(&Gray, Matrix)> = AROUND
            .iter()
            .filter_map(|d| self.number(at as i64 + d))
            .map(|other| (self.light(other, true), self.between(at, other)))
            .collect();
        let mut out = own.with(vec![f32::NAN; own.samples.len()]);
        let mut seen: Vec<f32> = Vec::with_capacity(AROUND.len());
        let first = |v: f64| (v / own.size).floor().max(0.0) as usize;
        let (bottom, right) = (first(within[3]) + 1, first(within[2]) + 1);
        for y in first(within[1])..bottom.min(own.height) {
            for x in first(within[0])..right.min(own.width) {
                let place = [(x as f64 + 0.5) * own.size, (y as f64 + 0.5) * own.size];
                seen.clear();
                seen.extend(others.iter().filter_map(|(gray, map)| gray.at(carry(map, place)?)));
                if seen.len() >= 2 {
                    // The lower one of two middle ones: what moves is brighter than what is behind it.
                    let middle = (seen.len() - 1) / 2;
                    out.samples[y * own.width + x] = *seen.select_nth_unstable_by(middle, f32::total_cmp).1;
                }
            }
        }
        out
    }

    /// What a rod looks like on frames where its ends are known; nothing where it stands out on none of them.
    pub fn mark(&self, known: &[(usize, Ends)]) -> Option<Mark> {
        let mut all: Vec<Mark> = known.iter().filter_map(|(at, ends)| self.mark_on(*at, ends)).collect();
        // A rod that moved is faint and broad: of several, the one that stood stillest tells best.
        all.sort_by(|a, b| b.contrast.total_cmp(&a.contrast));
        all.into_iter().next()
    }

    fn mark_on(&self, at: usize, ends: &Ends) -> Option<Mark> {
        let light = self.light(at, true);
        let along = [ends[2] - ends[0], ends[3] - ends[1]];
        let length = along[0].hypot(along[1]);
        if length < 8.0 {
            return None;
        }
        let across = [-along[1] / length, along[0] / length];
        let reach = (length * 0.12).clamp(8.0, 24.0 * light.size);
        let steps = (reach / light.size * 2.0).ceil() as i32;
        // The mean cross-section, as a median along the rod so that lamps behind it do not count.
        let section: Vec<f32> = (-steps..=steps)
            .map(|k| {
                let off = f64::from(k) * light.size / 2.0;
                let mut all: Vec<f32> = (4..28)
                    .filter_map(|i| {
                        let s = f64::from(i) / 32.0;
                        let place = |o: f64| {
                            [ends[0] + along[0] * s + across[0] * o, ends[1] + along[1] * s + across[1] * o]
                        };
                        let beside = 0.5 * (light.at(place(-reach))? + light.at(place(reach))?);
                        Some(light.at(place(off))? - beside)
                    })
                    .collect();
                if all.is_empty() {
                    return 0.0;
                }
                let middle = all.len() / 2;
                *all.select_nth_unstable_by(middle, f32::total_cmp).1
            })
            .collect();
        let middle = steps as usize;
        let near = (steps as usize).min(6);
        let peak = section[middle - near..=middle + near]
            .iter()
            .copied()
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
        let wide = section.iter().filter(|v| **v * peak.signum() > 0.5 * peak.abs()).count();
        let width = (wide as f64 * light.size / 2.0).max(light.size);
        (peak.abs() > 0.01).then_some(Mark { sense: peak.signum(), contrast: peak.abs(), width })
    }
}

/// The camera's motion from one small picture to the next, in its samples; each with what is hidden of it.
fn camera_between((before, was): (&Picture, &Gray), (now, is): (&Picture, &Gray)) -> Option<Matrix> {
    let (width, height) = (before.size().0 as f64, before.size().1 as f64);
    let is_seen = |gray: &Gray, place: [f64; 2]| gray.nearest(place.map(|v| v * gray.size)).is_some();
    let hidden = |place: [f64; 2]| !is_seen(is, place);
    let mut map: Option<Matrix> = None;
    for level in (0..before.depth().min(3)).rev() {
        let middle = [width / 2.0, height / 2.0];
        let patch = Patch::new(before, level, middle, middle, 8_000, &|place| is_seen(was, place));
        let home = patch.home();
        let start = map.map_or(home, |map| product(&map, &home));
        let shifted = patch.fit(now, &start, Bend::Shift, level == 0, Some(&hidden))?;
        let bent = patch.fit(now, &shifted.map, Bend::Affine, true, Some(&hidden)).unwrap_or(shifted);
        map = Some(product(&bent.map, &inverse(&home)?));
    }
    map
}
