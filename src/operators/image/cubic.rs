//! Pixels between pixels, by the cubic convolution of Keys (1981, a = −1/2).
//!
//! Knows the weights, and rows of up to four channels as 32-bit floats. Does not know why a pixel lies between others.
//!
//! What comes out is held to the least and largest of the samples that were weighed and, of colour, very little beyond, so
//! that bright edges throw no dark seams, and never further below black than a sample was: there is no light below it.

use half::f16;

use crate::media::image::Image;
use crate::operators::colour::block::from_half;

/// How far colour may lie beyond the samples that it was weighed from, as a share of their range and at most.
const BEYOND: f32 = 0.125;
const BEYOND_MOST: f32 = 0.03;
/// Channels that are fetched together.
pub const LANES: usize = 4;

/// How far each of the channels from `group` on may lie beyond its samples at most.
pub fn most_beyond(image: &Image, group: usize) -> [f32; LANES] {
    std::array::from_fn(|lane| match image.channels().get(group + lane).map(|c| &*c.name) {
        Some("R" | "G" | "B") => BEYOND_MOST,
        _ => 0.0,
    })
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
        let black = if low[k] < 0.0 { low[k] } else { 0.0 };
        let (low, high) = (low[k] - beyond, high[k] + beyond);
        let low = if low < black { black } else { low };
        sum[k] = if sum[k] < low { low } else { sum[k] };
        sum[k] = if sum[k] > high { high } else { sum[k] };
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::image::RGBA;

    /// What lies a third of a pixel before the edge between a row's bright and dark pixels.
    fn beside_an_edge(dark: f32) -> [f32; LANES] {
        let mut image = Image::new(8, 4, &RGBA);
        for channel in 0..4 {
            for y in 0..4 {
                image.write_row(channel, y, &[1.0, 1.0, 1.0, dark, dark, dark, dark, dark]);
            }
        }
        let mut slab = Slab::default();
        slab.load(&image, 0, [1.0].into_iter());
        cubic(&slab, (8, 4), most_beyond(&image, 0), [3.35, 1.0])
    }

    #[test]
    fn an_edge_throws_no_light_below_black() {
        assert_eq!(beside_an_edge(0.0), [0.0; 4]);
        // Above black it may, very little; alpha never.
        let [r, .., a] = beside_an_edge(0.25);
        assert!((0.25 - BEYOND_MOST - 1e-6..0.25 - 0.001).contains(&r) && a == 0.25, "{r} {a}");
        // What was below black already is not taken further down.
        let [r, ..] = beside_an_edge(-0.25);
        assert_eq!(r, -0.25);
    }
}
