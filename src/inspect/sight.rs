//! One pass over a frame's pixels, tile by tile: counts, extremes, cells, border lines and a fingerprint.
//!
//! Knows pixels and what a signal's numbers stand for. Does not judge what it counts.
//!
//! The same frame gives the same values at any level of vector instructions: sums run down columns and are then added from
//! left to right, whatever the width of a vector.

use half::f16;
use half::slice::HalfFloatSliceExt;

use crate::base::level::{Level, kernel};
use crate::media::image::Image;

use super::cells::{Cells, Grid};
use super::edges::Borders;
use super::rules::{Rules, Signal};

/// Columns that are worked on at a time, so that what is summed stays in the nearest cache.
const TILE: usize = 512;
/// How far the row of signs is moved, at most, from row to row.
const SHIFTS: usize = 64;

/// What was counted in a row.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Row {
    /// Pixels with a value above the limit, below it, and not finite.
    pub over: u32,
    /// Below it.
    pub under: u32,
    /// Not finite.
    pub broken: u32,
    /// Pixels that are not black.
    pub lit: u32,
    /// Largest and least finite value, from black at 0 to white at 1.
    pub top: f32,
    /// The least.
    pub bottom: f32,
}

/// A frame as the pass leaves it.
pub struct Sight {
    /// Rows from the top.
    pub rows: Vec<Row>,
    /// Pixels that are not black, by column.
    pub columns: Vec<u32>,
    /// Light and detail.
    pub cells: Cells,
    /// Luma along the borders.
    pub borders: Borders,
    /// Of the bits of all colours; frames that are equal have the same.
    pub print: u64,
}

/// Positions of red, green and blue; a picture without them is taken as grey.
pub fn colours(image: &Image) -> [usize; 3] {
    ["R", "G", "B"].map(|name| image.channel(name).unwrap_or(0))
}

/// What does not change from tile to tile.
struct Pass<'a> {
    image: &'a Image,
    planes: [usize; 3],
    rules: &'a Rules,
    level: Level,
    signs: Vec<f32>,
}

/// Sums of a tile, by column.
struct Tile {
    colour: [[f32; TILE]; 3],
    luma: [f32; TILE],
    light: [[f32; TILE]; 3],
    detail: [f32; TILE],
    hash: [u32; TILE],
}

/// Looks at every pixel of `image` once.
pub fn see(image: &Image, rules: &Rules, level: Level) -> Sight {
    let (width, height) = (image.width() as usize, image.height() as usize);
    let grid = Grid::of(image.width(), image.height());
    let pass = Pass { image, planes: colours(image), rules, level, signs: signs(width + SHIFTS) };
    let mut sight = Sight {
        rows: vec![Row { top: f32::MIN, bottom: f32::MAX, ..Row::default() }; height],
        columns: vec![0; width],
        cells: Cells {
            grid,
            light: Vec::with_capacity(grid.count()),
            detail: Vec::with_capacity(grid.count()),
        },
        borders: Borders::new(image.width(), image.height(), rules.picture),
        print: 0x9e37_79b9_7f4a_7c15,
    };
    let side = grid.side as usize;
    let step = (TILE / side).max(1) * side;
    let mut tile = Tile {
        colour: [[0.0; TILE]; 3],
        luma: [0.0; TILE],
        light: [[0.0; TILE]; 3],
        detail: [0.0; TILE],
        hash: [0; TILE],
    };
    for top in (0..height).step_by(side) {
        let rows = top..(top + side).min(height);
        for left in (0..width).step_by(step) {
            let columns = left..(left + step).min(width);
            pass.tile(&mut tile, rows.clone(), columns.clone(), &mut sight);
            gather(&tile, side, rows.len(), columns.len(), &mut sight);
        }
    }
    sight
}

impl Pass<'_> {
    fn tile(
        &self,
        tile: &mut Tile,
        rows: std::ops::Range<usize>,
        columns: std::ops::Range<usize>,
        sight: &mut Sight,
    ) {
        let n = columns.len();
        tile.light = [[0.0; TILE]; 3];
        tile.detail = [0.0; TILE];
        tile.hash = [0x517c_c1b7; TILE];
        let (scale, add) = self.rules.signal.to_unit();
        let white = self.rules.white() as f32;
        let limits = [-self.rules.below() as f32, white + self.rules.above() as f32];
        let black = self.rules.black() as f32;
        for y in rows {
            let bits = self.planes.map(|plane| {
                let samples: &[u16] = self.image.row(plane, y as u32)[columns.clone()].reinterpret_cast();
                samples
            });
            let [r, g, b] = &mut tile.colour;
            let (r, g, b) = (&mut r[..n], &mut g[..n], &mut b[..n]);
            let row = &mut sight.rows[y];
            settle(
                self.level,
                bits,
                (&mut *r, &mut *g, &mut *b),
                &mut tile.hash[..n],
                [scale, add, white],
                limits,
                row,
            );
            for (light, colour) in tile.light.iter_mut().zip([&*r, &*g, &*b]) {
                let light = &mut light[..n];
                match self.rules.signal {
                    Signal::Display | Signal::Narrow { .. } => add_display(self.level, colour, light),
                    Signal::Srgb => add_srgb(self.level, colour, light),
                    Signal::Linear => add_linear(self.level, colour, light),
                }
            }
            if self.rules.signal == Signal::Linear {
                root(self.level, r, g, b);
            }
            let (shift, flip) = turn(y);
            let signs = (&self.signs[columns.start + shift..][..n], flip);
            let (luma, detail) = (&mut tile.luma[..n], &mut tile.detail[..n]);
            let lit = &mut sight.columns[columns.clone()];
            add_luma(self.level, (r, g, b), luma, signs, detail, lit, black, &mut row.lit);
            sight.borders.take(y, columns.start, luma);
        }
    }
}

/// Puts the sums of a tile's columns together into cells, from left to right.
fn gather(tile: &Tile, side: usize, rows: usize, columns: usize, sight: &mut Sight) {
    for from in (0..columns).step_by(side) {
        let part = from..(from + side).min(columns);
        let pixels = (part.len() * rows) as f32;
        let mean = |plane: &[f32; TILE]| plane[part.clone()].iter().sum::<f32>() / pixels;
        sight.cells.light.push([0, 1, 2].map(|c| mean(&tile.light[c])));
        sight.cells.detail.push(tile.detail[part.clone()].iter().sum::<f32>() / pixels.sqrt());
    }
    for hash in &tile.hash[..columns] {
        sight.print = (sight.print ^ u64::from(*hash)).wrapping_mul(0xff51_afd7_ed55_8ccd).rotate_left(29);
    }
}

/// Ones and minus ones that look random.
fn signs(count: usize) -> Vec<f32> {
    let mut seed = 0x2545_f491_4f6c_dd1du64;
    let next = |_| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        if seed >> 63 == 0 { 1.0 } else { -1.0 }
    };
    (0..count).map(next).collect()
}

/// How far a row's signs are moved, and the sign of the whole row.
fn turn(y: usize) -> (usize, f32) {
    let hash = (y as u32 + 1).wrapping_mul(0x9e37_79b1);
    let hash = (hash ^ (hash >> 15)).wrapping_mul(0x85eb_ca77);
    ((hash >> 8) as usize % SHIFTS, if hash >> 31 == 0 { 1.0 } else { -1.0 })
}

/// The order of floats as that of whole numbers, since only of those is the largest found by vectors. Undoes itself.
#[inline(always)]
fn ordered(bits: i32) -> i32 {
    bits ^ (((bits >> 31) as u32) >> 1) as i32
}

/// The number that the bits of a half float stand for; those that are not finite give 65536 and more.
#[inline(always)]
fn number(bits: u32) -> f32 {
    // The exponent's bias is 112 more in 32 bits; the product is exact, also of the smallest numbers.
    let size = f32::from_bits((bits & 0x7fff) << 13) * f32::from_bits(0x7780_0000);
    f32::from_bits(size.to_bits() | (bits & 0x8000) << 16)
}

kernel! {
    /// Counts what lies outside, takes the fingerprint of the bits, and gives the colour from black at 0 to the target's white
    /// at 1. `unit` holds factor, summand and white.
    #[allow(clippy::too_many_arguments, reason = "one pass over what lies in the nearest cache")]
    fn settle(
        bits: [&[u16]; 3],
        colour: (&mut [f32], &mut [f32], &mut [f32]),
        hash: &mut [u32],
        unit: [f32; 3],
        limits: [f32; 2],
        out: &mut Row,
    ) {
        let n = hash.len();
        let (r, g, b) = (&mut colour.0[..n], &mut colour.1[..n], &mut colour.2[..n]);
        let [br, bg, bb] = bits.map(|plane| &plane[..n]);
        let ([scale, add, white], [low, high]) = (unit, limits);
        let shown = 1.0 / white;
        let (mut over, mut under, mut broken) = (0u32, 0u32, 0u32);
        let (mut top, mut bottom) = (ordered(out.top.to_bits() as i32), ordered(out.bottom.to_bits() as i32));
        for i in 0..n {
            let (hr, hg, hb) = (u32::from(br[i]), u32::from(bg[i]), u32::from(bb[i]));
            let mixed = (hash[i] ^ hr ^ (hg << 16)).wrapping_mul(0x9e37_79b1);
            let mixed = (mixed ^ (mixed >> 15) ^ hb).wrapping_mul(0x85eb_ca77);
            hash[i] = mixed ^ (mixed >> 13);
            let bad = (hr & 0x7fff).max(hg & 0x7fff).max(hb & 0x7fff) >= 0x7c00;
            let keep = if bad { 0.0 } else { 1.0 };
            let vr = (number(hr) * scale + add) * keep;
            let vg = (number(hg) * scale + add) * keep;
            let vb = (number(hb) * scale + add) * keep;
            let most = vr.max(vg).max(vb);
            let least = vr.min(vg).min(vb);
            broken += u32::from(bad);
            over += u32::from(most > high);
            under += u32::from(least < low);
            top = top.max(ordered(most.to_bits() as i32));
            bottom = bottom.min(ordered(least.to_bits() as i32));
            r[i] = vr.max(0.0).min(white) * shown;
            g[i] = vg.max(0.0).min(white) * shown;
            b[i] = vb.max(0.0).min(white) * shown;
        }
        out.over += over;
        out.under += under;
        out.broken += broken;
        out.top = f32::from_bits(ordered(top) as u32);
        out.bottom = f32::from_bits(ordered(bottom) as u32);
    }
}

kernel! {
    /// Adds the light of a display of BT.1886: the power of 2.4, by a polynomial that is off by at most 6e-5 of white.
    fn add_display(signal: &[f32], light: &mut [f32]) {
        for (v, light) in signal.iter().zip(light) {
            let v = *v;
            let q = 0.235_266_25 + v * (1.939_085_6 + v * (-3.146_468_4
                + v * (3.797_811 + v * (-2.494_533_4 + v * 0.668_898_5))));
            *light += v * v * q;
        }
    }
}

kernel! {
    /// Adds the light of IEC 61966-2-1: its power by a polynomial that is off by at most 2.2e-5 of white.
    fn add_srgb(signal: &[f32], light: &mut [f32]) {
        for (v, light) in signal.iter().zip(light) {
            let v = *v;
            let power = 0.001_010_485_8 + v * (0.030_155_607 + v * (0.538_852_6
                + v * (0.611_400_6 + v * (-0.241_181_64 + v * 0.059_783_354))));
            *light += if v <= 0.04045 { v * (1.0 / 12.92) } else { power };
        }
    }
}

kernel! {
    fn add_linear(signal: &[f32], light: &mut [f32]) {
        for (v, light) in signal.iter().zip(light) {
            *light += *v;
        }
    }
}

kernel! {
    fn root(r: &mut [f32], g: &mut [f32], b: &mut [f32]) {
        let n = r.len();
        let (g, b) = (&mut g[..n], &mut b[..n]);
        for i in 0..n {
            r[i] = r[i].sqrt();
            g[i] = g[i].sqrt();
            b[i] = b[i].sqrt();
        }
    }
}

kernel! {
    /// Luma by BT.709, its sum with signs by column, and how many pixels are not black.
    #[allow(clippy::too_many_arguments, reason = "one pass over what lies in the nearest cache")]
    fn add_luma(
        colour: (&[f32], &[f32], &[f32]),
        luma: &mut [f32],
        signs: (&[f32], f32),
        detail: &mut [f32],
        columns: &mut [u32],
        black: f32,
        lit: &mut u32,
    ) {
        let n = luma.len();
        let (r, g, b) = (&colour.0[..n], &colour.1[..n], &colour.2[..n]);
        let (flip, signs) = (signs.1, &signs.0[..n]);
        let (detail, columns) = (&mut detail[..n], &mut columns[..n]);
        let mut count = 0u32;
        for i in 0..n {
            let y = 0.2126 * r[i] + 0.7152 * g[i] + 0.0722 * b[i];
            luma[i] = y;
            detail[i] += flip * signs[i] * y;
            let is_lit = u32::from(y > black);
            columns[i] += is_lit;
            count += is_lit;
        }
        *lit += count;
    }
}

kernel! {
    /// Ors together in what bits samples differ from `want`.
    fn unlike(samples: &[u16], want: u16, out: &mut u16) {
        let mut bits = 0;
        for sample in samples {
            bits |= sample ^ want;
        }
        *out |= bits;
    }
}

/// True when every sample is one.
pub fn is_opaque(level: Level, samples: &[f16]) -> bool {
    let mut bits = 0;
    unlike(level, samples.reinterpret_cast(), f16::ONE.to_bits(), &mut bits);
    bits == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_half_float_is_read_as_it_is() {
        for bits in 0..=u16::MAX {
            let half = f16::from_bits(bits);
            let ours = number(bits.into());
            if half.is_finite() {
                assert_eq!(ours.to_bits(), half.to_f32().to_bits(), "{bits:04x}");
            } else {
                assert!(ours.abs() >= 65_536.0);
            }
        }
    }

    fn light(kernel: fn(Level, &[f32], &mut [f32]), v: f32) -> f32 {
        let mut out = [0.0];
        kernel(Level::best(), &[v], &mut out);
        out[0]
    }

    #[test]
    fn polynomials_keep_to_their_stated_error() {
        for i in 0..=100_000 {
            let v = i as f32 / 100_000.0;
            let exact = f64::from(v).powf(2.4);
            assert!((f64::from(light(add_display, v)) - exact).abs() < 6e-5, "{v}");
            let v64 = f64::from(v);
            let exact = if v <= 0.04045 { v64 / 12.92 } else { ((v64 + 0.055) / 1.055).powf(2.4) };
            assert!((f64::from(light(add_srgb, v)) - exact).abs() < 2.2e-5, "{v}");
        }
    }

    #[test]
    fn levels_of_instructions_change_nothing() {
        let image = crate::inspect::trial::noisy(131, 77, 5);
        for signal in [Signal::Display, Signal::Srgb, Signal::Linear, Signal::Narrow { bits: 10 }] {
            let rules = Rules { signal, ..Rules::default() };
            let plain = see(&image, &rules, Level::PLAIN);
            for level in Level::all_here() {
                let seen = see(&image, &rules, level);
                assert_eq!(
                    (seen.print, &seen.rows, &seen.columns),
                    (plain.print, &plain.rows, &plain.columns)
                );
                assert_eq!((&seen.cells, &seen.borders), (&plain.cells, &plain.borders), "{signal:?}");
            }
        }
    }

    #[test]
    fn any_bit_of_any_pixel_shows_in_the_print() {
        let image = crate::inspect::trial::noisy(64, 48, 9);
        let rules = Rules::default();
        let print = |image: &Image| see(image, &rules, Level::best()).print;
        let first = print(&image);
        for (channel, at, bit) in [(0, 0, 0), (1, 64 * 48 - 1, 0), (2, 1000, 9), (0, 77, 15), (1, 78, 15)] {
            let mut other = image.clone();
            let sample = &mut other.samples_mut(channel)[at];
            *sample = f16::from_bits(sample.to_bits() ^ (1 << bit));
            assert_ne!(print(&other), first, "{channel} {at} {bit}");
        }
        assert_eq!(print(&image.clone()), first);
    }

    #[test]
    fn detail_measures_the_change_of_pixels() {
        let rules = Rules::default();
        let cells = |seed| see(&crate::inspect::trial::grain(640, 360, seed), &rules, Level::best()).cells;
        let (a, b) = (cells(1), cells(2));
        let step = a.step(&a.tones(), &b, &b.tones());
        // Grain of a standard deviation of 0.02 in both.
        assert!((step.all - 0.02 * 2f64.sqrt()).abs() < 0.002, "{step:?}");
    }
}
