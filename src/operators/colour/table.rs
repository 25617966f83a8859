//! Look-up tables made ready: one-dimensional curves and three-dimensional lattices.
//!
//! Knows interpolation. Does not know the files that tables come from.

use half::f16;

use super::block::{BLOCK, HALF_MAX};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::level::{Level, kernel};

/// The input range of one channel, spread over `0..=last`.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Axis {
    min: f32,
    scale: f32,
    last: f32,
}

impl Axis {
    fn new(min: f64, max: f64, size: usize) -> Self {
        let last = (size - 1) as f64;
        Self { min: min as f32, scale: (last / (max - min)) as f32, last: last as f32 }
    }

    /// Position of a value: the entry below it and the fraction from there. What lies outside is held to the range
    /// and what is not a number counts as its start; the last entry is reached as the fraction 1 of the one before.
    #[inline(always)]
    fn position(self, value: f32) -> (u32, f32) {
        let x = (value - self.min) * self.scale;
        let x = if x > 0.0 { x } else { 0.0 };
        let x = if x < self.last { x } else { self.last };
        let below = self.last - 1.0;
        let held = if x < below { x } else { below };
        // SAFETY: `held` lies from 0 to 65534, so its whole part fits.
        let entry = unsafe { held.to_int_unchecked::<i32>() };
        (entry as u32, x - entry as f32)
    }
}

/// Where the entries of a curve lie.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Places {
    /// Evenly over a range.
    Even([Axis; 3]),
    /// One at each half float, by its bits.
    Halves,
}

/// A curve for each channel, with straight lines between entries.
#[derive(Clone, Debug, PartialEq)]
pub struct Curves {
    places: Places,
    entries: [Vec<f32>; 3],
    digest: Digest,
}

/// Entries of a curve over half floats.
pub const HALVES: usize = 65_536;

impl Curves {
    /// Curves over the input range `domain` (least and greatest of each channel) from at least two entries.
    ///
    /// # Panics
    /// When there are fewer than two entries or more than 65,536.
    pub fn new(domain: [[f64; 2]; 3], rows: &[[f32; 3]]) -> Self {
        assert!((2..=65_536).contains(&rows.len()), "a curve has 2 to 65536 entries");
        Self {
            places: Places::Even(domain.map(|[min, max]| Axis::new(min, max, rows.len()))),
            entries: std::array::from_fn(|c| rows.iter().map(|row| row[c]).collect()),
            digest: digest_of("curves", domain, rows),
        }
    }

    /// Curves with an entry for each half float, in the order of their bits read as whole numbers.
    ///
    /// # Panics
    /// When there are not 65,536 entries.
    pub fn over_halves(rows: &[[f32; 3]]) -> Self {
        assert!(rows.len() == HALVES, "half floats have 65536 values");
        Self {
            places: Places::Halves,
            entries: std::array::from_fn(|c| rows.iter().map(|row| row[c]).collect()),
            digest: digest_of("curves over halves", [[0.0; 2]; 3], rows),
        }
    }

    /// Digest of the entries and the range.
    pub fn digest(&self) -> Digest {
        self.digest
    }

    /// Puts the curves' values in place of red, green and blue.
    pub fn apply(&self, planes: [&mut [f32]; 3]) {
        for (c, (plane, entries)) in planes.into_iter().zip(&self.entries).enumerate() {
            match self.places {
                Places::Even(axes) => {
                    for value in plane {
                        let (entry, fraction) = axes[c].position(*value);
                        let (low, high) = (entries[entry as usize], entries[entry as usize + 1]);
                        *value = low + fraction * (high - low);
                    }
                }
                Places::Halves => plane.iter_mut().for_each(|value| *value = over_halves(entries, *value)),
            }
        }
    }
}

/// The value of a curve over half floats, straight between the two that lie around `value`. What is larger than the
/// largest half float counts as that, and what is not a number as 0.
fn over_halves(entries: &[f32], value: f32) -> f32 {
    let value = if value.is_nan() { 0.0 } else { value.clamp(-HALF_MAX, HALF_MAX) };
    let nearest = f16::from_f32(value);
    // The half float at or next to it towards 0, and the one beyond: bits grow with the magnitude.
    let inner = if nearest.to_f32().abs() > value.abs() { nearest.to_bits() - 1 } else { nearest.to_bits() };
    let near = f16::from_bits(inner);
    let low = entries[usize::from(inner)];
    let rest = value.abs() - near.to_f32().abs();
    if rest == 0.0 {
        return low;
    }
    let gap = f16::from_bits(inner + 1).to_f32().abs() - near.to_f32().abs();
    low + rest / gap * (entries[usize::from(inner) + 1] - low)
}

/// How a colour is weighed between entries of a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Between {
    /// From four corners of its cell.
    #[default]
    Tetrahedral,
    /// From all eight, one axis after the other.
    Trilinear,
}

/// A three-dimensional table. With tetrahedral interpolation a cell is cut into six tetrahedra along its diagonal from
/// black to white, and a colour is weighed from the four corners of the one that holds it (Kasson, Plouffe and Nin,
/// 1993), so that neutral input depends on the table's neutral axis alone. The tests of `cube` hold it against
/// `tests/checks/cube.json`.
#[derive(Clone, Debug, PartialEq)]
pub struct Lattice {
    between: Between,
    size: u32,
    axes: [Axis; 3],
    /// Red fastest, then green, then blue; the fourth number is padding, so that an entry is one vector.
    entries: Vec<[f32; 4]>,
    digest: Digest,
}

impl Lattice {
    /// A table of `size`³ entries, red fastest, over the input range `domain`.
    ///
    /// # Panics
    /// When `size` is not from 2 to 256 or the number of entries is not `size`³.
    pub fn new(domain: [[f64; 2]; 3], size: usize, rows: &[[f32; 3]]) -> Self {
        assert!((2..=256).contains(&size) && rows.len() == size * size * size, "a table has size³ entries");
        Self {
            between: Between::Tetrahedral,
            size: size as u32,
            axes: domain.map(|[min, max]| Axis::new(min, max, size)),
            entries: rows.iter().map(|&[r, g, b]| [r, g, b, 0.0]).collect(),
            digest: digest_of("lattice", domain, rows),
        }
    }

    /// The same table with another way between its entries.
    pub fn weighed(mut self, between: Between) -> Self {
        let mut key = KeyHasher::new();
        key.digest(&self.digest).int(between as i64);
        self.digest = if between == self.between { self.digest } else { key.finish() };
        self.between = between;
        self
    }

    /// Digest of the entries and the range.
    pub fn digest(&self) -> Digest {
        self.digest
    }

    /// Puts the table's values in place of red, green and blue.
    pub fn apply(&self, level: Level, [r, g, b]: [&mut [f32]; 3]) {
        if self.between == Between::Trilinear {
            return along_axes(level, self.axes, &self.entries, self.size, r, g, b);
        }
        let mut cells = Cells::new();
        for ((r, g), b) in r.chunks_mut(BLOCK).zip(g.chunks_mut(BLOCK)).zip(b.chunks_mut(BLOCK)) {
            locate(level, self.axes, self.size, [&*r, &*g, &*b], &mut cells);
            weigh(level, &self.entries, self.size, &cells, r, g, b);
        }
    }
}

fn digest_of(kind: &str, domain: [[f64; 2]; 3], rows: &[[f32; 3]]) -> Digest {
    let mut key = KeyHasher::new();
    key.text(kind).list(rows.len());
    for value in domain.as_flattened() {
        key.real(*value);
    }
    // Zero has one sign here as in every key.
    let bytes: Vec<u8> = rows.as_flattened().iter().flat_map(|v| (v + 0.0).to_le_bytes()).collect();
    key.bytes(&bytes);
    key.finish()
}

/// For each sample of a block: the entry at its cell's black corner, the two corners between, and the fractions in
/// falling order.
struct Cells {
    corner: [u32; BLOCK],
    second: [u32; BLOCK],
    third: [u32; BLOCK],
    high: [f32; BLOCK],
    middle: [f32; BLOCK],
    low: [f32; BLOCK],
}

impl Cells {
    fn new() -> Self {
        Self {
            corner: [0; BLOCK],
            second: [0; BLOCK],
            third: [0; BLOCK],
            high: [0.0; BLOCK],
            middle: [0.0; BLOCK],
            low: [0.0; BLOCK],
        }
    }
}

#[inline(always)]
fn max(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

#[inline(always)]
fn min(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

kernel! {
    fn locate(axes: [Axis; 3], size: u32, colour: [&[f32]; 3], cells: &mut Cells) {
        let [r, g, b] = colour;
        let n = r.len().min(g.len()).min(b.len()).min(BLOCK);
        let (r, g, b) = (&r[..n], &g[..n], &b[..n]);
        let (corner, second, third) =
            (&mut cells.corner[..n], &mut cells.second[..n], &mut cells.third[..n]);
        let (high, middle, low) = (&mut cells.high[..n], &mut cells.middle[..n], &mut cells.low[..n]);
        let (green, blue) = (size, size * size);
        for i in 0..n {
            let (ri, rf) = axes[0].position(r[i]);
            let (gi, gf) = axes[1].position(g[i]);
            let (bi, bf) = axes[2].position(b[i]);
            let start = ri + gi * green + bi * blue;
            // Of the axes with the greatest and the least fraction; where fractions are equal either gives the same
            // colour, since the weight between the two corners is nothing.
            let first_step = if rf >= gf && rf >= bf { 1 } else if gf >= bf { green } else { blue };
            let last_step = if bf <= gf && bf <= rf { blue } else if gf <= rf { green } else { 1 };
            corner[i] = start;
            second[i] = start + first_step;
            third[i] = start + (1 + green + blue) - last_step;
            high[i] = max(max(rf, gf), bf);
            low[i] = min(min(rf, gf), bf);
            middle[i] = max(min(rf, gf), min(max(rf, gf), bf));
        }
    }
}

kernel! {
    fn weigh(entries: &[[f32; 4]], size: u32, cells: &Cells, r: &mut [f32], g: &mut [f32], b: &mut [f32]) {
        let across = (1 + size + size * size) as usize;
        let n = r.len().min(g.len()).min(b.len()).min(BLOCK);
        let (r, g, b) = (&mut r[..n], &mut g[..n], &mut b[..n]);
        for i in 0..n {
            let corner = cells.corner[i] as usize;
            let (black, white) = (entries[corner], entries[corner + across]);
            let (second, third) = (entries[cells.second[i] as usize], entries[cells.third[i] as usize]);
            let (high, middle, low) = (cells.high[i], cells.middle[i], cells.low[i]);
            let mut out = [0.0f32; 4];
            for c in 0..4 {
                out[c] = black[c] * (1.0 - high)
                    + second[c] * (high - middle)
                    + third[c] * (middle - low)
                    + white[c] * low;
            }
            r[i] = out[0];
            g[i] = out[1];
            b[i] = out[2];
        }
    }
}

kernel! {
    fn along_axes(axes: [Axis; 3], entries: &[[f32; 4]], size: u32, r: &mut [f32], g: &mut [f32], b: &mut [f32]) {
        let (green, blue) = (size as usize, (size * size) as usize);
        for ((r, g), b) in r.iter_mut().zip(g).zip(b) {
            let (ri, rf) = axes[0].position(*r);
            let (gi, gf) = axes[1].position(*g);
            let (bi, bf) = axes[2].position(*b);
            let start = ri as usize + gi as usize * green + bi as usize * blue;
            let mut out = [0.0f32; 4];
            for (c, out) in out.iter_mut().enumerate() {
                let at = |i: usize| entries[start + i][c];
                let between = |low: f32, high: f32, f: f32| low + f * (high - low);
                let front = between(between(at(0), at(1), rf), between(at(green), at(green + 1), rf), gf);
                let back = between(
                    between(at(blue), at(blue + 1), rf),
                    between(at(blue + green), at(blue + green + 1), rf),
                    gf,
                );
                *out = between(front, back, bf);
            }
            *r = out[0];
            *g = out[1];
            *b = out[2];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const UNIT: [[f64; 2]; 3] = [[0.0, 1.0]; 3];

    fn twisted(size: usize) -> Lattice {
        let rows: Vec<[f32; 3]> = (0..size * size * size)
            .map(|i| {
                let [r, g, b] = [i % size, i / size % size, i / size / size].map(|v| v as f32 / size as f32);
                [r * r + 0.1 * b, g * (1.0 - 0.3 * r), (b + r * g).sqrt()]
            })
            .collect();
        Lattice::new(UNIT, size, &rows)
    }

    #[test]
    fn every_level_and_length_gives_the_same_bits() {
        let table = twisted(7);
        let n = 3 * BLOCK + 17;
        let at = |k: usize| (0..n).map(|i| ((i * k) % 1009) as f32 / 900.0 - 0.05).collect::<Vec<f32>>();
        let run = |level: Level| {
            let mut planes = [at(7), at(13), at(29)];
            let [r, g, b] = &mut planes;
            table.apply(level, [r, g, b]);
            planes.map(|p| p.into_iter().map(f32::to_bits).collect::<Vec<_>>())
        };
        let plain = run(Level::PLAIN);
        for level in Level::all_here() {
            assert_eq!(run(level), plain, "{level:?}");
        }
        let mut one = [vec![at(7)[600]], vec![at(13)[600]], vec![at(29)[600]]];
        let [r, g, b] = &mut one;
        table.apply(Level::PLAIN, [r, g, b]);
        assert_eq!(one.map(|p| p[0].to_bits()), [0, 1, 2].map(|c| plain[c][600]));
    }

    #[test]
    fn what_is_no_number_or_outside_is_held() {
        let table = twisted(5);
        let colour = |v: f32| {
            let mut planes = [[v], [v], [v]];
            let [r, g, b] = &mut planes;
            table.apply(Level::best(), [r, g, b]);
            planes.map(|p| p[0])
        };
        assert_eq!(colour(f32::NAN), colour(0.0));
        assert_eq!(colour(f32::INFINITY), colour(1.0));
        assert_eq!(colour(f32::NEG_INFINITY), colour(0.0));
        assert_eq!(colour(-3.0), colour(0.0));
    }

    #[test]
    fn corners_are_met_exactly() {
        let table = twisted(9);
        for i in 0..9usize {
            let v = i as f32 / 8.0;
            let mut planes = [[v], [v], [1.0]];
            let [r, g, b] = &mut planes;
            table.apply(Level::best(), [r, g, b]);
            let want = table.entries[i + 9 * i + 81 * 8];
            for c in 0..3 {
                assert!((planes[c][0] - want[c]).abs() < 1e-6);
            }
        }
    }
}
