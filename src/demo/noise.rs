//! Chance without chance: hashed numbers and tiles of fractal noise.
//!
//! Knows integers mixed into even bits and values smoothed between lattice points. Does not know
//! what is drawn with them.

use std::sync::OnceLock;

use super::math::{floor, fraction, mix};

/// Mixes 32 bits so that every one depends on every other.
pub const fn scramble(mut x: u32) -> u32 {
    x ^= x >> 16;
    x = x.wrapping_mul(0x7FEB_352D);
    x ^= x >> 15;
    x = x.wrapping_mul(0x846C_A68B);
    x ^ (x >> 16)
}

/// A number of 0 to 1 that belongs to three whole numbers.
pub fn chance(a: i32, b: i32, c: u32) -> f32 {
    let h = scramble(a as u32 ^ scramble(b as u32 ^ scramble(c)));
    (h >> 8) as f32 / 16_777_216.0
}

/// A smooth wander between -1 and 1 with about one turn for each unit of `t`.
pub fn wander(t: f32, seed: u32) -> f32 {
    let cell = floor(t);
    let u = t - cell as f32;
    let u = u * u * (3.0 - 2.0 * u);
    mix(chance(cell, 0, seed), chance(cell + 1, 0, seed), u) * 2.0 - 1.0
}

/// Side of the tiles, in samples.
const SIDE: usize = 256;

/// A square of noise that repeats seamlessly, with halved copies for seeing it from afar.
pub struct Tile {
    levels: Vec<Vec<f32>>,
}

impl Tile {
    /// A tile of `octaves` of value noise from a lattice of `cells` a side (a power of two).
    fn fractal(cells: usize, octaves: u32, seed: u32) -> Self {
        let mut base = vec![0.0; SIDE * SIDE];
        let (mut cells, mut strength, mut total) = (cells, 1.0, 0.0);
        for octave in 0..octaves {
            let scale = cells as f32 / SIDE as f32;
            for (i, value) in base.iter_mut().enumerate() {
                let (x, y) = ((i % SIDE) as f32 * scale, (i / SIDE) as f32 * scale);
                *value += strength * lattice(x, y, cells, seed.wrapping_add(octave));
            }
            total += strength;
            strength *= 0.55;
            cells = (cells * 2).min(SIDE);
        }
        base.iter_mut().for_each(|value| *value /= total);
        let mut levels = vec![base];
        while levels.last().is_some_and(|level| level.len() > 1) {
            levels.push(halved(&levels[levels.len() - 1]));
        }
        Self { levels }
    }

    /// The value at (u, v), of which 1 is the tile's side; `step` is how far apart in the same
    /// measure neighbouring pixels look.
    pub fn at(&self, u: f32, v: f32, step: f32) -> f32 {
        // The level on which pixels are about a sample apart: the exponent of the step, rounded.
        let wide = (step * (SIDE as f32 * std::f32::consts::SQRT_2)).to_bits() >> 23;
        let level = (wide.saturating_sub(127) as usize).min(self.levels.len() - 1);
        sample(&self.levels[level], SIDE >> level, u, v)
    }
}

impl Tile {
    /// The finest value at (u, v), and its slope along each, per tile's side.
    pub fn slope(&self, u: f32, v: f32) -> (f32, f32, f32) {
        let (x, y) = (fraction(u) * SIDE as f32, fraction(v) * SIDE as f32);
        let (xi, yi) = (x as usize, y as usize);
        let (fx, fy) = (x - xi as f32, y - yi as f32);
        let mask = SIDE - 1;
        let at = |x: usize, y: usize| self.levels[0][(y & mask) * SIDE + (x & mask)];
        let (a, b, c, d) = (at(xi, yi), at(xi + 1, yi), at(xi, yi + 1), at(xi + 1, yi + 1));
        let (top, bottom) = (mix(a, b, fx), mix(c, d, fx));
        (mix(top, bottom, fy), mix(b - a, d - c, fy) * SIDE as f32, (bottom - top) * SIDE as f32)
    }
}

/// Bilinear sample of one level.
fn sample(level: &[f32], side: usize, u: f32, v: f32) -> f32 {
    let (x, y) = (u * side as f32, v * side as f32);
    let (xi, yi) = (floor(x), floor(y));
    let (fx, fy) = (x - xi as f32, y - yi as f32);
    let (xi, yi) = (xi as usize, yi as usize);
    let mask = side - 1;
    let (x0, x1, y0, y1) =
        (xi & mask, xi.wrapping_add(1) & mask, (yi & mask) * side, (yi.wrapping_add(1) & mask) * side);
    let top = mix(level[y0 + x0], level[y0 + x1], fx);
    mix(top, mix(level[y1 + x0], level[y1 + x1], fx), fy)
}

/// Value noise on a lattice that repeats every `cells`.
fn lattice(x: f32, y: f32, cells: usize, seed: u32) -> f32 {
    let (xi, yi) = (x as usize, y as usize);
    let smooth = |u: f32| u * u * (3.0 - 2.0 * u);
    let (fx, fy) = (smooth(x - xi as f32), smooth(y - yi as f32));
    let at = |x: usize, y: usize| chance((x % cells) as i32, (y % cells) as i32, seed);
    let top = mix(at(xi, yi), at(xi + 1, yi), fx);
    mix(top, mix(at(xi, yi + 1), at(xi + 1, yi + 1), fx), fy)
}

/// A level of half the side, each sample the mean of four.
fn halved(level: &[f32]) -> Vec<f32> {
    let side = (1..=SIDE).find(|s| s * s == level.len()).unwrap_or(1);
    let half = side / 2;
    (0..half * half)
        .map(|i| {
            let at = (i / half) * 2 * side + (i % half) * 2;
            (level[at] + level[at + 1] + level[at + side] + level[at + side + 1]) * 0.25
        })
        .collect()
}

/// Soft clouds: four lattice cells a side.
pub fn clouds() -> &'static Tile {
    static TILE: OnceLock<Tile> = OnceLock::new();
    TILE.get_or_init(|| Tile::fractal(4, 6, 0x5A17))
}

/// Smooth folds: eight lattice cells a side, hardly broken.
pub fn folds() -> &'static Tile {
    static TILE: OnceLock<Tile> = OnceLock::new();
    TILE.get_or_init(|| Tile::fractal(8, 2, 0x7E11))
}

/// Fine grit: sixty-four cells a side.
pub fn grit() -> &'static Tile {
    static TILE: OnceLock<Tile> = OnceLock::new();
    TILE.get_or_init(|| Tile::fractal(64, 3, 0x0B71))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_repeat_and_flatten_with_distance() {
        let tile = clouds();
        assert_eq!(tile.at(0.25, 0.75, 0.0), tile.at(3.25, -1.25, 0.0));
        let spread = |step: f32| {
            let values: Vec<f32> = (0..64).map(|i| tile.at(i as f32 / 64.0, 0.3, step)).collect();
            values.iter().cloned().fold(0.0, f32::max) - values.iter().cloned().fold(1.0, f32::min)
        };
        assert!(spread(1.0) < 0.5 * spread(0.0));
    }

    #[test]
    fn wandering_is_smooth_and_bounded() {
        for i in 0..500 {
            let t = i as f32 * 0.05 - 10.0;
            assert!(wander(t, 7).abs() <= 1.0);
            assert!((wander(t + 0.01, 7) - wander(t, 7)).abs() < 0.05);
        }
    }
}
