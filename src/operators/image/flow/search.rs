//! Where patches of one picture lie in another: the dense inverse search of Kroeger, Timofte, Dai and Van Gool (2016).
//!
//! Knows patches, their descent and how they make a dense flow. Does not know levels.

use super::Flow;
use super::pyramid::{Level, PAD, Plane};
use crate::base::level::{Level as Vectors, kernel};

/// Side of a patch.
pub const PATCH: usize = 8;
/// Steps from a patch to the next one.
const STRIDE: usize = 4;
/// The most steps of one descent.
const STEPS: usize = 8;
/// Mean square, of 255, that a patch may differ by before it is looked for far away.
const LOST: f32 = 120.0;
/// How far, in pixels of a level, and in which steps.
const FAR: isize = 16;
const FAR_STEP: usize = 2;
/// What is found there must differ by no more than this share.
const BETTER: f32 = 0.3;
const COUNT: f32 = (PATCH * PATCH) as f32;

/// A patch: where it lies and what its slopes say.
struct Patch {
    x: usize,
    y: usize,
    /// The inverse of its matrix of squared slopes: xx, xy, yy.
    inverse: [f32; 3],
    /// Sums of its slopes.
    slopes: [f32; 2],
}

/// Sums over a patch of what differs: itself, its square, and times the slopes.
#[derive(Clone, Copy)]
struct Difference {
    sum: f32,
    square: f32,
    across: f32,
    down: f32,
}

impl Difference {
    /// What differs when the mean is left out, as light that changes everywhere is no motion.
    #[inline(always)]
    fn cost(&self) -> f32 {
        self.square - self.sum * self.sum / COUNT
    }
}

/// The patches of a picture: so many in a row, and all.
struct Grid {
    columns: usize,
    patches: Vec<Patch>,
}

/// Finds for every pixel of `from` where it lies in `to`, beginning at `start`.
/// Patches that fit nowhere near are looked for further away when `is_far`, as thin things that move more than their own
/// width are not to be seen on small levels.
pub fn search(vectors: Vectors, from: &Level, to: &Plane, start: &Flow, is_far: bool) -> Flow {
    let (width, height) = (from.light.width, from.light.height);
    let places = |side: usize| {
        let last = side - PATCH;
        let mut all: Vec<usize> = (0..=last).step_by(STRIDE).collect();
        if all.last() != Some(&last) {
            all.push(last);
        }
        all
    };
    let (columns, rows) = (places(width), places(height));
    let mut grid = Grid { columns: columns.len(), patches: Vec::with_capacity(columns.len() * rows.len()) };
    for &y in &rows {
        grid.patches.extend(columns.iter().map(|&x| Patch { x, y, inverse: [0.0; 3], slopes: [0.0; 2] }));
    }
    weigh(vectors, from, &mut grid.patches);
    let mut moves: Vec<[f32; 2]> = grid
        .patches
        .iter()
        .map(|p| {
            let at = (p.y + PATCH / 2) * width + p.x + PATCH / 2;
            [start.across[at], start.down[at]]
        })
        .collect();
    for is_back in [false, true] {
        pass(vectors, from, to, &grid, is_back, &mut moves);
        if is_far && !is_back {
            look_far(vectors, from, to, &grid, &mut moves);
        }
    }
    let mut flow = Flow::still(width, height);
    let mut weights = vec![0.0; width * height];
    spread(vectors, from, to, &grid, &moves, &mut flow, &mut weights);
    for ((u, v), w) in flow.across.iter_mut().zip(&mut flow.down).zip(&weights) {
        *u /= w;
        *v /= w;
    }
    flow
}

#[inline(always)]
fn eight(samples: &[f32], at: usize) -> &[f32; PATCH] {
    samples[at..at + PATCH].try_into().expect("eight samples")
}

/// The sum of eight in an order of its own, the same on every processor.
#[inline(always)]
fn total(s: [f32; PATCH]) -> f32 {
    ((s[0] + s[4]) + (s[2] + s[6])) + ((s[1] + s[5]) + (s[3] + s[7]))
}

kernel! {
    fn weigh(from: &Level, patches: &mut [Patch]) {
        for patch in patches {
            let first = from.light.index(patch.x as isize, patch.y as isize);
            let mut sums = [[0.0f32; PATCH]; 5];
            for row in 0..PATCH {
                let at = first + row * from.light.stride;
                let (gx, gy) = (eight(&from.across.samples, at), eight(&from.down.samples, at));
                for i in 0..PATCH {
                    sums[0][i] += gx[i] * gx[i];
                    sums[1][i] += gx[i] * gy[i];
                    sums[2][i] += gy[i] * gy[i];
                    sums[3][i] += gx[i];
                    sums[4][i] += gy[i];
                }
            }
            let [xx, xy, yy, x, y] = sums.map(total);
            // What has no slopes stays where it is put: the little that is added keeps the matrix from being flat.
            let (xx, yy) = (xx - x * x / COUNT + 1.0, yy - y * y / COUNT + 1.0);
            let xy = xy - x * y / COUNT;
            let scale = 1.0 / (xx * yy - xy * xy).max(1e-3);
            patch.inverse = [yy * scale, -xy * scale, xx * scale];
            patch.slopes = [x, y];
        }
    }
}

/// The four samples' weights and the first one's place for a patch whose corner is at `x`, `y`.
#[inline(always)]
fn place(to: &Plane, x: f32, y: f32) -> (usize, [f32; 4]) {
    // A patch lies at most its own side outside, where the border still reaches.
    let low = -(PATCH as f32);
    let x = x.max(low).min(to.width as f32);
    let y = y.max(low).min(to.height as f32);
    // Counted from the border's corner nothing is below 0, so that cutting off is rounding down.
    let (px, py) = (x + PAD as f32, y + PAD as f32);
    let (ix, iy) = (px as usize, py as usize);
    let (fx, fy) = (px - ix as f32, py - iy as f32);
    (iy * to.stride + ix, [(1.0 - fx) * (1.0 - fy), fx * (1.0 - fy), (1.0 - fx) * fy, fx * fy])
}

#[inline(always)]
fn compare(from: &Level, to: &Plane, patch: &Patch, by: [f32; 2]) -> Difference {
    let first = from.light.index(patch.x as isize, patch.y as isize);
    let (there, w) = place(to, patch.x as f32 + by[0], patch.y as f32 + by[1]);
    let mut sums = [[0.0f32; PATCH]; 4];
    for row in 0..PATCH {
        let at = first + row * from.light.stride;
        let (a, gx, gy) =
            (eight(&from.light.samples, at), eight(&from.across.samples, at), eight(&from.down.samples, at));
        let (up, below) = (there + row * to.stride, there + (row + 1) * to.stride);
        let (p, q) = (eight(&to.samples, up), eight(&to.samples, up + 1));
        let (r, s) = (eight(&to.samples, below), eight(&to.samples, below + 1));
        for i in 0..PATCH {
            let d = (w[0] * p[i] + w[1] * q[i]) + (w[2] * r[i] + w[3] * s[i]) - a[i];
            sums[0][i] += d;
            sums[1][i] += d * d;
            sums[2][i] += d * gx[i];
            sums[3][i] += d * gy[i];
        }
    }
    let [sum, square, across, down] = sums.map(total);
    Difference { sum, square, across, down }
}

/// Goes downhill from `start`, as long as that makes less differ.
#[inline(always)]
fn descend(from: &Level, to: &Plane, patch: &Patch, start: [f32; 2], found: Difference) -> [f32; 2] {
    let (mut best, mut found) = (start, found);
    for _ in 0..STEPS {
        let gx = found.across - found.sum * patch.slopes[0] / COUNT;
        let gy = found.down - found.sum * patch.slopes[1] / COUNT;
        let [xx, xy, yy] = patch.inverse;
        let step = [xx * gx + xy * gy, xy * gx + yy * gy];
        let next = [best[0] - step[0], best[1] - step[1]];
        let away = [next[0] - start[0], next[1] - start[1]];
        if away[0] * away[0] + away[1] * away[1] > (PATCH * PATCH) as f32 {
            return start;
        }
        let other = compare(from, to, patch, next);
        if other.cost() >= found.cost() {
            break;
        }
        (best, found) = (next, other);
        if step[0] * step[0] + step[1] * step[1] < 1e-4 {
            break;
        }
    }
    best
}

kernel! {
    fn pass(from: &Level, to: &Plane, grid: &Grid, is_back: bool, moves: &mut [[f32; 2]]) {
        let (count, columns) = (grid.patches.len(), grid.columns);
        for step in 0..count {
            let i = if is_back { count - 1 - step } else { step };
            let patch = &grid.patches[i];
            let beside = if is_back { (i + 1) % columns != 0 } else { i % columns != 0 };
            let above = if is_back { i + columns < count } else { i >= columns };
            let mut start = moves[i];
            let mut found = compare(from, to, patch, start);
            for (has, by) in [(beside, 1), (above, columns)] {
                if has {
                    let other = moves[if is_back { i + by } else { i - by }];
                    let difference = compare(from, to, patch, other);
                    if difference.cost() < found.cost() {
                        (start, found) = (other, difference);
                    }
                }
            }
            moves[i] = descend(from, to, patch, start, found);
        }
    }
}

kernel! {
    fn look_far(from: &Level, to: &Plane, grid: &Grid, moves: &mut [[f32; 2]]) {
        for (patch, by) in grid.patches.iter().zip(moves) {
            let found = compare(from, to, patch, *by);
            if found.cost() < LOST * COUNT {
                continue;
            }
            let (mut best, mut least) = (*by, found);
            for y in (-FAR..=FAR).step_by(FAR_STEP) {
                for x in (-FAR..=FAR).step_by(FAR_STEP) {
                    let place = [by[0].round() + x as f32, by[1].round() + y as f32];
                    let other = compare(from, to, patch, place);
                    if other.cost() < least.cost() {
                        (best, least) = (place, other);
                    }
                }
            }
            let best = descend(from, to, patch, best, least);
            if compare(from, to, patch, best).cost() < BETTER * found.cost() {
                *by = best;
            }
        }
    }
}

kernel! {
    /// Gives every pixel the mean of the moves of patches over it, each by how well it fits there.
    fn spread(
        from: &Level,
        to: &Plane,
        grid: &Grid,
        moves: &[[f32; 2]],
        flow: &mut Flow,
        weights: &mut [f32],
    ) {
        let width = from.light.width;
        for (patch, &by) in grid.patches.iter().zip(moves) {
            let mean = compare(from, to, patch, by).sum / COUNT;
            let first = from.light.index(patch.x as isize, patch.y as isize);
            let (there, w) = place(to, patch.x as f32 + by[0], patch.y as f32 + by[1]);
            for row in 0..PATCH {
                let a = eight(&from.light.samples, first + row * from.light.stride);
                let (up, below) = (there + row * to.stride, there + (row + 1) * to.stride);
                let (p, q) = (eight(&to.samples, up), eight(&to.samples, up + 1));
                let (r, s) = (eight(&to.samples, below), eight(&to.samples, below + 1));
                let at = (patch.y + row) * width + patch.x;
                let u: &mut [f32; PATCH] = (&mut flow.across[at..at + PATCH]).try_into().expect("eight");
                let v: &mut [f32; PATCH] = (&mut flow.down[at..at + PATCH]).try_into().expect("eight");
                let sums: &mut [f32; PATCH] = (&mut weights[at..at + PATCH]).try_into().expect("eight");
                for i in 0..PATCH {
                    let d = (w[0] * p[i] + w[1] * q[i]) + (w[2] * r[i] + w[3] * s[i]) - a[i] - mean;
                    let weight = 1.0 / d.abs().max(1.0);
                    u[i] += by[0] * weight;
                    v[i] += by[1] * weight;
                    sums[i] += weight;
                }
            }
        }
    }
}
