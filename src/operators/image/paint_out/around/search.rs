//! For every patch that touches the hole a patch outside that looks like it, and the votes of those patches.
//!
//! Knows one scene. Does not know what its guide shows, nor coarser or finer scenes beyond carrying matches over.

use super::scene::{REACH, Scene};
use crate::operators::image::paint_out::field::Pixel;
use crate::operators::image::paint_out::speck::scramble;

/// In place of a match: there is none.
pub const NONE: u32 = u32::MAX;
/// Passes over all patches at one turn.
const PASSES: usize = 3;

/// The patch found for each patch that touches the hole.
pub struct Match {
    /// Middle of the patch to copy, by the middle of the patch in want.
    pub best: Vec<u32>,
    /// How much they differ: the sum of squares over the pixels that count.
    pub cost: Vec<f32>,
}

/// How much the patch about `wanting` differs from the whole patch about `from`; stops when it exceeds `limit`.
fn difference(scene: &Scene, wanting: usize, from: usize, limit: f32) -> f32 {
    let width = scene.width;
    let (x, y) = (wanting % width, wanting / width);
    let (left, right) = (x.saturating_sub(REACH), (x + REACH).min(width - 1));
    let (top, end) = (y.saturating_sub(REACH), (y + REACH).min(scene.height() - 1));
    let mut sum = [0.0f32; 4];
    for row in top..=end {
        let start = row * width + left;
        let length = right + 1 - left;
        let other = from + start - wanting;
        let (a, b) = (&scene.guide[start..][..length], &scene.guide[other..][..length]);
        let counts = &scene.counts[start..][..length];
        for ((a, b), count) in a.iter().zip(b).zip(counts) {
            for (sum, (a, b)) in sum.iter_mut().zip(a.iter().zip(b)) {
                let d = a - b;
                *sum += count * d * d;
            }
        }
        if sum[0] + sum[1] + sum[2] + sum[3] > limit {
            return f32::INFINITY;
        }
    }
    sum[0] + sum[1] + sum[2] + sum[3]
}

/// Repeatable chance.
struct Dice(u64);

impl Dice {
    /// A whole number from `low` to `high`.
    fn between(&mut self, low: i64, high: i64) -> i64 {
        self.0 = scramble(self.0);
        low + (((self.0 >> 32) * (high - low + 1) as u64) >> 32) as i64
    }
}

impl Match {
    /// Any whole patch for each.
    pub fn anywhere(scene: &Scene, chance: u64) -> Self {
        let places: Vec<u32> = (0..scene.whole.len() as u32).filter(|&at| scene.whole[at as usize]).collect();
        let mut dice = Dice(chance);
        let mut new = Self::nothing(scene);
        for &at in &scene.wanting {
            new.best[at] = places[dice.between(0, places.len() as i64 - 1) as usize];
        }
        new
    }

    /// The matches carried over to the scene of twice the fineness; where that has no whole patch, any.
    pub fn finer(self, scene: &Scene, chance: u64) -> Self {
        let mut new = Self::anywhere(scene, chance);
        let half = scene.width.div_ceil(2);
        for &at in &scene.wanting {
            let (x, y) = (at % scene.width, at / scene.width);
            let from = self.best[y / 2 * half + x / 2];
            if from == NONE {
                continue;
            }
            let (fx, fy) = (from as usize % half * 2 + x % 2, from as usize / half * 2 + y % 2);
            if fx < scene.width && fy < scene.height() && scene.whole[fy * scene.width + fx] {
                new.best[at] = (fy * scene.width + fx) as u32;
            }
        }
        new
    }

    fn nothing(scene: &Scene) -> Self {
        let count = scene.guide.len();
        Self { best: vec![NONE; count], cost: vec![f32::INFINITY; count] }
    }

    /// Looks for better patches: those beside the matches of the patches beside, then by chance ever nearer to the match.
    pub fn improve(&mut self, scene: &Scene, chance: u64) {
        let width = scene.width;
        let mut dice = Dice(chance);
        for &at in &scene.wanting {
            self.cost[at] = difference(scene, at, self.best[at] as usize, f32::INFINITY);
        }
        for pass in 0..PASSES {
            let forward = pass % 2 == 0;
            for i in 0..scene.wanting.len() {
                let at = scene.wanting[if forward { i } else { scene.wanting.len() - 1 - i }];
                let x = at % width;
                let beside = if forward {
                    [(x > 0).then(|| at - 1), at.checked_sub(width)]
                } else {
                    [(x + 1 < width).then(|| at + 1), Some(at + width).filter(|&n| n < scene.guide.len())]
                };
                for near in beside.into_iter().flatten() {
                    if self.best[near] != NONE {
                        self.attempt(scene, at, self.best[near] as usize + at - near);
                    }
                }
                self.scatter(scene, at, &mut dice);
            }
        }
    }

    fn attempt(&mut self, scene: &Scene, at: usize, from: usize) {
        // A step off the end of a row lands where no patch is whole.
        if from < scene.whole.len() && scene.whole[from] && from as u32 != self.best[at] {
            let cost = difference(scene, at, from, self.cost[at]);
            if cost < self.cost[at] {
                (self.best[at], self.cost[at]) = (from as u32, cost);
            }
        }
    }

    fn scatter(&mut self, scene: &Scene, at: usize, dice: &mut Dice) {
        let (width, height) = (scene.width as i64, scene.height() as i64);
        let mut radius = width.max(height);
        while radius >= 1 {
            let best = i64::from(self.best[at]);
            let (x, y) = (best % width, best / width);
            let fx = dice.between((x - radius).max(0), (x + radius).min(width - 1));
            let fy = dice.between((y - radius).max(0), (y + radius).min(height - 1));
            self.attempt(scene, at, (fy * width + fx) as usize);
            radius /= 2;
        }
    }
}

/// Puts into each pixel of the hole what the patches over it say, the better ones louder.
pub fn vote(scene: &mut Scene, found: &Match) {
    let (width, height) = (scene.width, scene.height());
    let mut voices: Vec<(f32, usize)> = Vec::with_capacity((2 * REACH + 1).pow(2));
    let mut costs: Vec<f32> = Vec::with_capacity(voices.capacity());
    let mut new: Vec<(usize, Pixel)> = Vec::new();
    for at in (0..scene.hole.len()).filter(|&at| scene.hole[at]) {
        let (x, y) = (at % width, at / width);
        voices.clear();
        for py in y.saturating_sub(REACH)..(y + REACH + 1).min(height) {
            for px in x.saturating_sub(REACH)..(x + REACH + 1).min(width) {
                let patch = py * width + px;
                voices.push((found.cost[patch], found.best[patch] as usize + at - patch));
            }
        }
        costs.clear();
        costs.extend(voices.iter().map(|v| v.0));
        let third = costs.len() * 3 / 4;
        let scale = *costs.select_nth_unstable_by(third, f32::total_cmp).1;
        let (mut sum, mut total) = ([0.0f32; 4], 0.0f32);
        for &(cost, from) in &voices {
            let far = if scale > 0.0 && scale.is_finite() { cost / scale } else { 0.0 };
            let weight =
                if cost.is_finite() || !scale.is_finite() { 1.0 / (1.0 + far * far).powi(2) } else { 0.0 };
            (0..4).for_each(|c| sum[c] += weight * scene.guide[from][c]);
            total += weight;
        }
        new.push((at, sum.map(|s| s / total)));
    }
    for (at, pixel) in new {
        scene.guide[at] = pixel;
    }
}

/// Fills the hole from its edge inwards, one ring of pixels after another, each pixel from the patch that agrees best with what
/// is there by then. Tries every patch, so it is for small scenes.
pub fn peel(scene: &mut Scene) {
    let (width, height) = (scene.width, scene.height());
    let places: Vec<usize> = (0..scene.whole.len()).filter(|&at| scene.whole[at]).collect();
    let full = scene.counts.clone();
    for (count, hole) in scene.counts.iter_mut().zip(&scene.hole) {
        *count = if *hole { 0.0 } else { *count };
    }
    let mut open: Vec<usize> = (0..scene.hole.len()).filter(|&at| scene.hole[at]).collect();
    while !open.is_empty() {
        let touches = |at: &usize| {
            let (x, y) = (at % width, at / width);
            (y.saturating_sub(1)..(y + 2).min(height))
                .any(|y| (x.saturating_sub(1)..(x + 2).min(width)).any(|x| scene.counts[y * width + x] > 0.0))
        };
        let (mut ring, mut rest): (Vec<usize>, Vec<usize>) = open.iter().partition(|at| touches(at));
        if ring.is_empty() {
            // Cut off by pixels that do not count: nothing to agree with.
            ring = std::mem::take(&mut rest);
        }
        let filled: Vec<Pixel> = ring
            .iter()
            .map(|&at| {
                let (mut best, mut cost) = (places[0], f32::INFINITY);
                for &from in &places {
                    let here = difference(scene, at, from, cost);
                    if here < cost {
                        (best, cost) = (from, here);
                    }
                }
                scene.guide[best]
            })
            .collect();
        for (&at, pixel) in ring.iter().zip(filled) {
            scene.guide[at] = pixel;
            scene.counts[at] = 1.0;
        }
        open = rest;
    }
    scene.counts = full;
}
