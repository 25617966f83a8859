//! Levels and gamut: codes of narrow range, and what of a picture lies outside EBU R 103.
//!
//! Knows codes and R'G'B'. Does not know what is done about what it finds. Y' is a mean of R', G' and B' with weights that
//! sum to one, so that a picture whose R', G' and B' lie within limits has its Y' within the same limits.

use half::slice::HalfFloatSliceExt;

use crate::base::level::{Level, kernel};
use crate::media::image::Image;

use super::finding::PixelBox;
use super::rules::{Rules, Signal};
use super::sight::{Row, colours};

/// Weights of red and blue in luma.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weights {
    /// Of red.
    pub red: f64,
    /// Of blue.
    pub blue: f64,
}

impl Weights {
    /// Of Rec. ITU-R BT.709.
    pub const BT709: Self = Self { red: 0.2126, blue: 0.0722 };
    /// Of Rec. ITU-R BT.601.
    pub const BT601: Self = Self { red: 0.299, blue: 0.114 };
    /// Of Rec. ITU-R BT.2020, non-constant luminance.
    pub const BT2020: Self = Self { red: 0.2627, blue: 0.0593 };
}

/// How many codes of 8 bits one of them is.
fn step(bits: u32) -> f64 {
    f64::from(1u32 << (bits - 8))
}

/// The narrow-range code of R', G', B' or Y' (black 0, white 1), not rounded: 219 v + 16 of 8 bits (BT.709).
pub fn code_of(value: f64, bits: u32) -> f64 {
    (219.0 * value + 16.0) * step(bits)
}

/// Undoes [`code_of`].
pub fn value_of(code: f64, bits: u32) -> f64 {
    (code / step(bits) - 16.0) / 219.0
}

/// R', G', B' as narrow-range codes, not rounded, of Y', C'B, C'R in narrow-range codes of as many bits.
pub fn rgb_of_ycbcr([y, cb, cr]: [f64; 3], bits: u32, weights: Weights) -> [f64; 3] {
    let y = value_of(y, bits);
    let chroma = |code: f64| (code / step(bits) - 128.0) / 224.0;
    let r = y + 2.0 * (1.0 - weights.red) * chroma(cr);
    let b = y + 2.0 * (1.0 - weights.blue) * chroma(cb);
    let g = (y - weights.red * r - weights.blue * b) / (1.0 - weights.red - weights.blue);
    [r, g, b].map(|v| code_of(v, bits))
}

/// Y', C'B, C'R as narrow-range codes, not rounded, of R', G', B' from 0 to 1.
pub fn ycbcr_of_rgb([r, g, b]: [f64; 3], bits: u32, weights: Weights) -> [f64; 3] {
    let y = weights.red * r + (1.0 - weights.red - weights.blue) * g + weights.blue * b;
    let chroma =
        |colour: f64, weight: f64| (224.0 * (colour - y) / (2.0 * (1.0 - weight)) + 128.0) * step(bits);
    [code_of(y, bits), chroma(b, weights.blue), chroma(r, weights.red)]
}

/// What of a frame lies outside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outside {
    /// Pixels with a component outside.
    pub pixels: u64,
    /// Where.
    pub place: PixelBox,
    /// The least and largest component, filtered, in codes of 10 bits, of the rows that hold them.
    pub low: f32,
    /// The largest.
    pub high: f32,
}

/// Looks for components outside the limits, where `rows` say that there can be any: a mean never lies beyond all of its parts.
pub fn outside(image: &Image, rules: &Rules, rows: &[Row]) -> Option<Outside> {
    if rules.signal == Signal::Linear {
        return None;
    }
    // A picture leaves the house in whole codes: what rounds to the limit is within it.
    let limits = [rules.level_low() - 0.5, rules.level_high() + 0.5].map(|code| value_of(code, 10) as f32);
    let near = |y: usize| &rows[y.saturating_sub(1)..(y + 2).min(rows.len())];
    let mut found: Option<Outside> = None;
    let mut lines = Lines::new(image, rules);
    for y in 0..rows.len() {
        if near(y).iter().any(|row| row.bottom < limits[0] || row.top > limits[1]) {
            lines.judge(y, limits, &mut found);
        }
    }
    found
}

kernel! {
    /// A row's mean with those above and below, by 1, 2 and 1.
    fn across(rows: [&[f32]; 3], out: &mut [f32]) {
        let n = out.len();
        let [above, here, below] = rows.map(|row| &row[..n]);
        for x in 0..n {
            out[x] = 0.25 * above[x] + 0.5 * here[x] + 0.25 * below[x];
        }
    }
}

kernel! {
    /// Takes each sample's mean with those beside it, which count for `side` each, into the least and the largest. `row` has one
    /// sample more on either side.
    fn reach(row: &[f32], side: f32, low: &mut [f32], high: &mut [f32]) {
        let n = low.len();
        let (left, middle, right) = (&row[..n], &row[1..=n], &row[2..n + 2]);
        let high = &mut high[..n];
        let own = 1.0 - 2.0 * side;
        for x in 0..n {
            let v = side * left[x] + own * middle[x] + side * right[x];
            low[x] = if v < low[x] { v } else { low[x] };
            high[x] = if v > high[x] { v } else { high[x] };
        }
    }
}

/// Rows as R'G'B', each read once as long as they are asked for in order.
struct Lines<'a> {
    level: Level,
    image: &'a Image,
    rules: &'a Rules,
    rows: [(Option<usize>, [Vec<f32>; 3]); 3],
}

impl<'a> Lines<'a> {
    fn new(image: &'a Image, rules: &'a Rules) -> Self {
        Self { level: Level::best(), image, rules, rows: Default::default() }
    }

    /// Row `y`, held to the frame.
    fn fill(&mut self, y: usize) {
        let slot = &mut self.rows[y % 3];
        if slot.0 == Some(y) {
            return;
        }
        slot.0 = Some(y);
        let (scale, add) = self.rules.signal.to_unit();
        for (plane, channel) in slot.1.iter_mut().zip(colours(self.image)) {
            plane.resize(self.image.width() as usize, 0.0);
            self.image.row(channel, y as u32).convert_to_f32_slice(plane);
            for v in plane.iter_mut() {
                // What is not a number is another finding.
                *v = if v.is_finite() { *v * scale + add } else { 0.0 };
            }
        }
    }

    fn judge(&mut self, y: usize, limits: [f32; 2], found: &mut Option<Outside>) {
        let last = self.image.height() as usize - 1;
        let near = [y.saturating_sub(1), y, (y + 1).min(last)];
        for y in near {
            self.fill(y);
        }
        let width = self.image.width() as usize;
        // The row's mean with those above and below, its ends once more on either side.
        let mut down = vec![0f32; width + 2];
        let (mut low, mut high) = (vec![f32::MAX; width], vec![f32::MIN; width]);
        for channel in 0..3 {
            let [above, here, below] = near.map(|y| &self.rows[y % 3].1[channel][..width]);
            let middle = &mut down[1..=width];
            if self.rules.filter {
                across(self.level, [above, here, below], middle);
            } else {
                middle.copy_from_slice(here);
            }
            (down[0], down[width + 1]) = (down[1], down[width]);
            let side = if self.rules.filter { 0.25 } else { 0.0 };
            reach(self.level, &down, side, &mut low, &mut high);
        }
        let is_out = |x: usize| low[x] < limits[0] || high[x] > limits[1];
        let (Some(first), Some(last)) = ((0..width).find(|&x| is_out(x)), (0..width).rfind(|&x| is_out(x)))
        else {
            return;
        };
        let code = |v: f32| code_of(v.into(), 10) as f32;
        let low_code = code(low.iter().copied().fold(f32::MAX, f32::min));
        let high_code = code(high.iter().copied().fold(f32::MIN, f32::max));
        let place = PixelBox::new(first as u32, y as u32, (last - first) as u32 + 1, 1);
        let so_far = found.get_or_insert(Outside { pixels: 0, place, low: low_code, high: high_code });
        so_far.pixels += (first..=last).map(|x| u64::from(is_out(x))).sum::<u64>();
        so_far.place = so_far.place.hull(place);
        so_far.low = so_far.low.min(low_code);
        so_far.high = so_far.high.max(high_code);
    }
}
