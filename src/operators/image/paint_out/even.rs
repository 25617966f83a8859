//! Grain evened out of a clean plate that stands still, so that no frozen grain lies under the moving one.
//!
//! Knows pixels and how strong their grain is. Does not know which plates stand still.
//!
//! The sigma filter (Lee, "Digital Image Smoothing and the Sigma Filter", Computer Vision, Graphics, and Image Processing
//! 1983): a pixel becomes the mean of those around it that differ from it by no more than grain would, so edges stay.

use super::field::Pixel;
use super::grain::Grain;

/// How far around a pixel is looked, in pixels.
const REACH: usize = 3;

/// `pixels`, rows of `width`, evened where they are `wanted`. Pixels count that are `seen` and differ by no more than `times` the
/// deviation that two pixels of one light have, all channels taken together.
pub fn evened(
    pixels: &[Pixel],
    width: usize,
    grain: &Grain,
    times: f32,
    wanted: impl Fn(usize) -> bool,
    seen: &[bool],
) -> Vec<Pixel> {
    let height = pixels.len() / width;
    let mut out = pixels.to_vec();
    for at in (0..pixels.len()).filter(|&at| wanted(at) && seen[at]) {
        let (x, y) = (at % width, at / width);
        let here = pixels[at];
        // Two pixels of one light differ by twice the variance of one. Where there is no grain, only equals count.
        let scale: [f32; 3] = std::array::from_fn(|c| 1.0 / (2.0 * grain.variance(c, here[c])).max(1e-12));
        let (mut sum, mut count) = ([0.0f32; 4], 0.0f32);
        for y in y.saturating_sub(REACH)..(y + REACH + 1).min(height) {
            let row = y * width + x.saturating_sub(REACH)..y * width + (x + REACH + 1).min(width);
            for (there, seen) in pixels[row.clone()].iter().zip(&seen[row]) {
                let off: f32 = (0..3).map(|c| (there[c] - here[c]).powi(2) * scale[c]).sum();
                if *seen && off <= 3.0 * times * times {
                    (0..4).for_each(|c| sum[c] += there[c]);
                    count += 1.0;
                }
            }
        }
        out[at] = sum.map(|s| s / count);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grain_goes_and_an_edge_stays() {
        let (width, height) = (120, 100);
        let light = |i: usize| if i % width < 60 { 0.2f32 } else { 0.3 };
        let speck = |i: usize| {
            let sum: usize = (0..4).map(|k| (i * 4 + k).wrapping_mul(2_654_435_761) >> 8 & 0xffff).sum();
            (sum as f32 / 65535.0 - 2.0) * 1.732 * 0.005
        };
        let pixels: Vec<Pixel> =
            (0..width * height).map(|i| [0, 1, 2, 3].map(|c| light(i) + speck(i * 4 + c))).collect();
        let grain = Grain::measure(&pixels, width, |_| true, |_| true).unwrap();
        let got = evened(&pixels, width, &grain, 2.0, |_| true, &vec![true; pixels.len()]);
        let deviation = |of: &[Pixel], from: usize, to: usize| {
            let columns = || (0..of.len()).filter(|i| (from..to).contains(&(i % width)));
            let square: f32 = columns().map(|i| (of[i][1] - light(i)).powi(2)).sum();
            (square / columns().count() as f32).sqrt()
        };
        assert!(deviation(&got, 0, 120) < 0.3 * deviation(&pixels, 0, 120));
        // The edge is twenty deviations high: it must be as sharp as before.
        assert!(deviation(&got, 58, 62) < 0.4 * deviation(&pixels, 58, 62));
    }

    #[test]
    fn without_grain_nothing_changes() {
        let pixels: Vec<Pixel> = (0..400).map(|i| [i as f32 / 400.0; 4]).collect();
        let got = evened(&pixels, 20, &Grain::default(), 2.0, |_| true, &vec![true; 400]);
        assert!(got.iter().zip(&pixels).all(|(a, b)| (a[0] - b[0]).abs() < 1e-6));
    }
}
