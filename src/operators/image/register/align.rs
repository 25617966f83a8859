//! How one frame of a take lies against a frame of the clean plate, found from the set alone.
//!
//! Knows two frames. Does not know time, but takes a motion along which the take may lie as one more unknown.
//!
//! From coarse to fine, by Gauss and Newton with the slopes of the clean plate (Baker & Matthews, "Lucas-Kanade 20 Years
//! On: A Unifying Framework", IJCV 2004), pixels weighted by how well they agree (Geman & McClure's function, scaled by
//! the median of differences), with a factor on light and one on contrast as further unknowns.

use super::light::Sizes;
use super::steps::{Along, resized};
use crate::base::linear::solved;
use crate::operators::image::cubic::weights;
use crate::operators::image::flow::pyramid::{Level, PAD};

/// What is looked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Model {
    /// Whether the take may be turned and of another size.
    pub turns: bool,
}

/// Unknowns: pixels right and down, turn in radians, growth, steps along the motion, contrast, light.
const COUNT: usize = 7;
const RIGHT: usize = 0;
const DOWN: usize = 1;
const TURN: usize = 2;
const GROWTH: usize = 3;
/// The unknown that says how far along the motion the take lies.
pub const ALONG: usize = 4;
const CONTRAST: usize = 5;
const LIGHT: usize = 6;

/// Rounds at each size.
const ROUNDS: usize = 12;
/// A step shorter than this ends the search at the largest size, in pixels; at smaller ones a longer one does, as what is left
/// is found at the next.
const SMALL: f64 = 2e-4;
const SMALL_BEFORE: f64 = 5e-3;
/// Differences beyond so many medians hardly count.
const FAR: f32 = 3.0;
/// The least scale of differences.
const LEAST_SCALE: f32 = 1e-4;

/// How a take lies.
#[derive(Clone, Debug)]
pub struct Fit {
    /// The unknowns, in pixels of the size looked at.
    pub found: [f64; COUNT],
    /// What is known of right, down, turn, growth and along together: the inverse of their covariance, once light and
    /// contrast are known as well as they can be.
    pub information: [[f64; 5]; 5],
    /// Share of the frame that was looked at.
    pub share: f64,
    /// How far the frames are off as a whole, in pixels of the size looked at: differences over slopes, noise included.
    pub off: f64,
}

impl Fit {
    /// How the take differs in contrast and light.
    pub fn lit(&self) -> [f64; 2] {
        [self.found[CONTRAST], self.found[LIGHT]]
    }
}

/// How the take lies from `start` on; none where the set shows too little.
pub fn fit(
    clean: &Sizes,
    take: &Sizes,
    model: Model,
    along: Option<&Along>,
    start: [f64; COUNT],
) -> Option<Fit> {
    let count = clean.levels.len().min(take.levels.len());
    let mut found = start;
    let at_level = (1u32 << (count - 1)) as f64;
    found[RIGHT] /= at_level;
    found[DOWN] /= at_level;
    let mut last = None;
    for at in (0..count).rev() {
        let fine = at + 2 >= count && count > 1;
        let mut open = [true; COUNT];
        open[TURN] = model.turns && !fine;
        open[GROWTH] = open[TURN];
        open[ALONG] = along.is_some() && !fine;
        let steps =
            along.map(|along| resized(along, (clean.levels[at].light.width, clean.levels[at].light.height)));
        let pair = Pair {
            clean: &clean.levels[at],
            take: &take.levels[at],
            set: &take.sets[at],
            base: &clean.sets[at],
        };
        let mut scale = None;
        for _ in 0..ROUNDS {
            let sums = pair.sums(&found, &open, steps.as_ref(), scale)?;
            scale = Some(sums.scale);
            let step = sums.step(&open)?;
            (0..COUNT).for_each(|i| found[i] += step[i]);
            let moved =
                step[RIGHT].hypot(step[DOWN]) + pair.reach() * (step[TURN].abs() + step[GROWTH].abs());
            last = Some(sums);
            if moved + step[ALONG].abs() < if at == 0 { SMALL } else { SMALL_BEFORE } {
                break;
            }
        }
        if at > 0 {
            found[RIGHT] *= 2.0;
            found[DOWN] *= 2.0;
        }
    }
    let sums = last?;
    found.iter().all(|v| v.is_finite()).then(|| Fit {
        information: sums.information(),
        share: sums.share,
        off: (sums.variance / sums.slopes.max(1e-12)).sqrt(),
        found,
    })
}

/// Rounds for light and contrast alone, which begin near the end.
const LIT: usize = 3;

/// Contrast and light of a take that lies as `found` says, from those it has on; they are put into it.
pub fn relit(pair: &Pair<'_>, found: &mut [f64; COUNT]) -> Option<()> {
    let open = std::array::from_fn(|i| i == CONTRAST || i == LIGHT);
    let mut scale = None;
    for _ in 0..LIT {
        let sums = pair.sums(found, &open, None, scale)?;
        scale = Some(sums.scale);
        let step = sums.step(&open)?;
        [CONTRAST, LIGHT].into_iter().for_each(|i| found[i] += step[i]);
        if step[CONTRAST].abs() + step[LIGHT].abs() < 1e-4 {
            break;
        }
    }
    Some(())
}

/// Two frames at one size.
pub struct Pair<'a> {
    clean: &'a Level,
    take: &'a Level,
    /// Where the take shows the set.
    set: &'a [u8],
    /// Where the clean plate does.
    base: &'a [u8],
}

/// Sums over all pixels at one round.
struct Sums {
    matrix: [[f64; COUNT]; COUNT],
    right: [f64; COUNT],
    scale: f32,
    /// Variance of the differences.
    variance: f64,
    /// Mean square of the slopes.
    slopes: f64,
    share: f64,
}

/// Unknowns and the difference, in one go.
const LANES: usize = COUNT + 1;

/// Sums over one row, in single precision, so that a frame's are exact enough and fast: of each unknown's slope with those
/// of all, and with the difference.
#[derive(Default)]
struct Row([[f32; LANES]; COUNT]);

impl Row {
    /// Adds them to a frame's and begins anew.
    fn flush(&mut self, matrix: &mut [[f64; COUNT]; COUNT], right: &mut [f64; COUNT]) {
        for (i, sums) in self.0.iter().enumerate() {
            (0..=i).for_each(|j| matrix[i][j] += f64::from(sums[j]));
            right[i] -= f64::from(sums[COUNT]);
        }
        *self = Self::default();
    }
}

/// One pixel's difference, its place, and how strongly it counts.
struct Difference {
    x: usize,
    y: usize,
    slopes: [f32; 2],
    light: f32,
    difference: f32,
}

impl<'a> Pair<'a> {
    /// The largest size of two frames.
    pub fn largest(clean: &'a Sizes, take: &'a Sizes) -> Self {
        Self { clean: &clean.levels[0], take: &take.levels[0], set: &take.sets[0], base: &clean.sets[0] }
    }

    /// Half of the longer side: how far a turn moves what is furthest out.
    fn reach(&self) -> f64 {
        self.clean.light.width.max(self.clean.light.height) as f64 / 2.0
    }

    /// Calls `visit` with every pixel of the set that both frames show.
    fn each(&self, found: &[f64; COUNT], steps: Option<&[Vec<f32>; 2]>, mut visit: impl FnMut(&Difference)) {
        let (width, height) = (self.clean.light.width, self.clean.light.height);
        let middle = [(width as f32 - 1.0) / 2.0, (height as f32 - 1.0) / 2.0];
        let p = found.map(|v| v as f32);
        let edge = 2;
        for y in edge..height.saturating_sub(edge) {
            for x in edge..width.saturating_sub(edge) {
                let at = y * width + x;
                let (u, v) = (x as f32 - middle[0], y as f32 - middle[1]);
                let mut to = [
                    x as f32 + p[RIGHT] + p[GROWTH] * u - p[TURN] * v,
                    y as f32 + p[DOWN] + p[GROWTH] * v + p[TURN] * u,
                ];
                if let Some(steps) = steps {
                    to[0] += p[ALONG] * steps[0][at];
                    to[1] += p[ALONG] * steps[1][at];
                }
                let inside = |v: f32, side: usize| v >= 2.0 && v < side as f32 - 3.0;
                if self.base[at] == 0 || !inside(to[0], width) || !inside(to[1], height) {
                    continue;
                }
                if self.set[(to[1] + 0.5) as usize * width + (to[0] + 0.5) as usize] == 0 {
                    continue;
                }
                let index = self.clean.light.index(x as isize, y as isize);
                let light = self.clean.light.samples[index];
                let shown = fetched(self.take, to);
                visit(&Difference {
                    x,
                    y,
                    slopes: [self.clean.across.samples[index], self.clean.down.samples[index]],
                    light,
                    difference: shown - light * (1.0 + p[CONTRAST]) - p[LIGHT],
                });
            }
        }
    }

    /// Sums for one step; the scale of differences is measured when it is not known.
    fn sums(
        &self,
        found: &[f64; COUNT],
        open: &[bool; COUNT],
        steps: Option<&[Vec<f32>; 2]>,
        scale: Option<f32>,
    ) -> Option<Sums> {
        let (width, height) = (self.clean.light.width, self.clean.light.height);
        let middle = [(width as f32 - 1.0) / 2.0, (height as f32 - 1.0) / 2.0];
        let mut all = Vec::with_capacity(width * height);
        self.each(found, steps, |d| all.push((d.y * width + d.x, d.slopes, d.light, d.difference)));
        if all.len() < 200 {
            return None;
        }
        // Rounds after the first hold the scale's floor, so that they settle.
        let mut away: Vec<f32> = all.iter().step_by(5).map(|d| d.3.abs()).collect();
        let half = away.len() / 2;
        let median = *away.select_nth_unstable_by(half, f32::total_cmp).1;
        let measured = (median * 1.4826 * FAR).max(LEAST_SCALE);
        let scale = scale.map_or(measured, |scale| scale.min(measured));
        let mut matrix = [[0.0f64; COUNT]; COUNT];
        let mut right = [0.0f64; COUNT];
        let (mut weights, mut squares) = (0.0f64, 0.0f64);
        let mut row = Row::default();
        let mut last_y = usize::MAX;
        for (at, [gx, gy], light, difference) in &all {
            let (x, y) = (at % width, at / width);
            if y != last_y {
                row.flush(&mut matrix, &mut right);
                last_y = y;
            }
            let q = difference / scale;
            let weight = 1.0 / ((1.0 + q * q) * (1.0 + q * q));
            let (u, v) = (x as f32 - middle[0], y as f32 - middle[1]);
            let along = steps.map_or(0.0, |steps| gx * steps[0][*at] + gy * steps[1][*at]);
            let j = [*gx, *gy, gy * u - gx * v, gx * u + gy * v, along, -light, -1.0, *difference];
            for (sums, own) in row.0.iter_mut().zip(j) {
                let w = weight * own;
                sums.iter_mut().zip(j).for_each(|(sum, other)| *sum += w * other);
            }
            weights += f64::from(weight);
            squares += f64::from(weight * difference * difference);
        }
        row.flush(&mut matrix, &mut right);
        let slopes = [matrix[0][0], matrix[1][1]];
        let whole = |i: usize, j: usize| match (open[i] && open[j], i == j) {
            (true, _) => matrix[i.max(j)][i.min(j)],
            (false, true) => 1.0,
            (false, false) => 0.0,
        };
        let matrix = std::array::from_fn(|i| std::array::from_fn(|j| whole(i, j)));
        let right = std::array::from_fn(|i| if open[i] { right[i] } else { 0.0 });
        let share = all.len() as f64 / (width * height) as f64;
        let weights = weights.max(1e-9);
        let (variance, slopes) = (squares / weights, (slopes[0] + slopes[1]) / weights);
        Some(Sums { matrix, right, scale, variance, slopes, share })
    }

    /// What is left between the frames, in pixels, over tiles of the frame that show enough.
    pub fn left(&self, found: &[f64; COUNT]) -> Vec<f64> {
        let (width, height) = (self.clean.light.width, self.clean.light.height);
        let tile = (width / TILES).max(8);
        let across = width.div_ceil(tile);
        let mut all: Vec<(usize, f32, f32, f32)> = Vec::with_capacity(width * height);
        self.each(found, None, |d| {
            all.push((d.y / tile * across + d.x / tile, d.slopes[0], d.slopes[1], d.difference));
        });
        if all.is_empty() {
            return Vec::new();
        }
        let mut away: Vec<f32> = all.iter().step_by(5).map(|d| d.3.abs()).collect();
        let half = away.len() / 2;
        let scale = (*away.select_nth_unstable_by(half, f32::total_cmp).1 * 1.4826 * FAR).max(LEAST_SCALE);
        let mut sums = vec![[0.0f64; 7]; across * height.div_ceil(tile)];
        for (tile, gx, gy, e) in all {
            let q = e / scale;
            let w = 1.0 / ((1.0 + q * q) * (1.0 + q * q));
            let s = &mut sums[tile];
            let terms = [w * gx * gx, w * gx * gy, w * gy * gy, w * gx * e, w * gy * e, w * e * e, w];
            s.iter_mut().zip(terms).for_each(|(s, t)| *s += f64::from(t));
        }
        let one = |s: &[f64; 7]| {
            let whole = s[0] * s[2] - s[1] * s[1];
            let trace = s[0] + s[2];
            let least = trace / 2.0 - ((trace / 2.0).powi(2) - whole).max(0.0).sqrt();
            // Light differs by blurred noise, so that about one pixel in ten tells something of its own.
            let noise = NEIGHBOURS * s[5] / s[6].max(1e-9);
            if least <= 0.0 || (noise / least).sqrt() > SURE {
                return None;
            }
            let (dx, dy) = ((s[2] * s[3] - s[1] * s[4]) / whole, (s[0] * s[4] - s[1] * s[3]) / whole);
            Some(dx.hypot(dy))
        };
        sums.iter().filter_map(one).collect()
    }
}

/// Tiles across a frame in which what is left is measured.
const TILES: usize = 12;
/// A tile counts when its own noise is less than this, in pixels.
const SURE: f64 = 0.05;
/// How many neighbouring pixels tell the same, as light was softened and halved.
const NEIGHBOURS: f64 = 10.0;

impl Sums {
    fn step(&self, open: &[bool; COUNT]) -> Option<[f64; COUNT]> {
        let mut matrix = self.matrix;
        // A set without slopes one way must not break the other way.
        (0..COUNT).filter(|i| open[*i]).for_each(|i| matrix[i][i] *= 1.0 + 1e-9);
        solved(matrix, self.right)
    }

    fn information(&self) -> [[f64; 5]; 5] {
        // Schur complement over contrast and light.
        let m = &self.matrix;
        let (a, b, d) = (m[CONTRAST][CONTRAST], m[CONTRAST][LIGHT], m[LIGHT][LIGHT]);
        let whole = (a * d - b * b).max(1e-30);
        let per = 1.0 / (NEIGHBOURS * self.variance.max(1e-12));
        std::array::from_fn(|i| {
            std::array::from_fn(|j| {
                let (p, q) = ([m[i][CONTRAST], m[i][LIGHT]], [m[j][CONTRAST], m[j][LIGHT]]);
                let known = (p[0] * (d * q[0] - b * q[1]) + p[1] * (a * q[1] - b * q[0])) / whole;
                (m[i][j] - known) * per
            })
        })
    }
}

/// A level's light between its pixels: Keys' cubic.
#[inline(always)]
fn fetched(level: &Level, [x, y]: [f32; 2]) -> f32 {
    let plane = &level.light;
    let (ix, iy) = (x as usize, y as usize);
    let (wx, wy) = (weights(x - ix as f32), weights(y - iy as f32));
    let first = (iy + PAD - 1) * plane.stride + ix + PAD - 1;
    let mut sum = 0.0;
    for (j, wy) in wy.iter().enumerate() {
        let s = &plane.samples[first + j * plane.stride..][..4];
        sum += wy * (wx[0] * s[0] + wx[1] * s[1] + wx[2] * s[2] + wx[3] * s[3]);
    }
    sum
}
