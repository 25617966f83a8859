//! A picture moved by whole pixels and parts of one.
//!
//! Knows Keys' cubic between pixels, and where a moved picture has nothing to show. Does not know why it is moved.
//!
//! Between pixels: cubic convolution with a = −1/2 (Keys, "Cubic Convolution Interpolation for Digital Image
//! Processing", IEEE Trans. ASSP 1981), across and down; its four weights add up to 1 and it passes through the pixels,
//! so whole pixels are copied. Past the edges the last pixel is repeated, for the outer weights only: a place is shown
//! where it falls between the centres of pixels that there are.

use super::field::{Pixel, planes};
use crate::media::image::Image;
use crate::operators::OperatorError;

/// A picture moved right and down.
pub struct Shifted<'a> {
    image: &'a Image,
    planes: [usize; 4],
    across: Step,
    down: Step,
    /// What must not be shown, by pixel of the picture as it lies unmoved; empty when all may be.
    barred: Vec<bool>,
}

/// Where a place of one axis is taken from: so many whole pixels further on, and the weights of four pixels from one
/// before that.
struct Step {
    whole: i64,
    weights: [f32; 4],
    is_whole: bool,
}

impl Step {
    fn new(by: f64) -> Self {
        let from = -by;
        let whole = from.floor();
        let f = from - whole;
        let weights = [
            ((-f + 2.0) * f - 1.0) * f / 2.0,
            ((3.0 * f - 5.0) * f * f + 2.0) / 2.0,
            ((-3.0 * f + 4.0) * f + 1.0) * f / 2.0,
            (f - 1.0) * f * f / 2.0,
        ];
        Self { whole: whole as i64, weights: weights.map(|w| w as f32), is_whole: f == 0.0 }
    }

    /// The pixels that place `at` rests on, with their weights, held inside `count`; none when it is not shown.
    fn taps(&self, at: usize, count: usize) -> Option<[(usize, f32); 4]> {
        let first = at as i64 + self.whole;
        let last = first + i64::from(!self.is_whole);
        if first < 0 || last >= count as i64 {
            return None;
        }
        let held = |i: i64| (first - 1 + i).clamp(0, count as i64 - 1) as usize;
        Some([0, 1, 2, 3].map(|i| (held(i), self.weights[i as usize])))
    }
}

impl<'a> Shifted<'a> {
    /// `image` moved right by `by[0]` and down by `by[1]` pixels. Pixels that are `barred` (all of the image, or an empty
    /// list) are not shown, nor what would be mixed with them.
    ///
    /// # Errors
    /// When the image lacks a channel.
    pub fn new(image: &'a Image, by: [f64; 2], barred: Vec<bool>) -> Result<Self, OperatorError> {
        let planes = planes(image)?;
        Ok(Self { image, planes, across: Step::new(by[0]), down: Step::new(by[1]), barred })
    }

    /// Row `y` from `x` on, and for each pixel whether there is anything to show.
    pub fn row(&self, x: usize, y: usize, out: &mut [Pixel], seen: &mut [bool]) {
        let (width, height) = (self.image.width() as usize, self.image.height() as usize);
        seen.fill(false);
        let Some(rows) = self.down.taps(y, height) else { return };
        let rows: Vec<(usize, f32)> = rows.into_iter().filter(|&(_, weight)| weight != 0.0).collect();
        for (i, (out, seen)) in out.iter_mut().zip(seen).enumerate() {
            let Some(columns) = self.across.taps(x + i, width) else { continue };
            let mut sum = [0.0f32; 4];
            let mut free = true;
            for &(row, down) in &rows {
                for &(column, across) in columns.iter().filter(|(_, weight)| *weight != 0.0) {
                    let at = row * width + column;
                    free &= self.barred.is_empty() || !self.barred[at];
                    for (sum, &plane) in sum.iter_mut().zip(&self.planes) {
                        let value = self.image.channels()[plane].samples[at].to_f32();
                        *sum += if value.is_finite() { value * (down * across) } else { 0.0 };
                    }
                }
            }
            sum[3] = sum[3].clamp(0.0, 1.0);
            (*out, *seen) = (sum, free);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::image::RGBA;

    fn ramp() -> Image {
        let mut image = Image::new(8, 6, &RGBA);
        for y in 0..6 {
            let row: Vec<f32> = (0..8).map(|x| (x * x) as f32 + 0.5 * y as f32).collect();
            image.write_row(0, y, &row);
            image.write_row(3, y, &[1.0; 8]);
        }
        image
    }

    fn row(shifted: &Shifted<'_>, y: usize) -> (Vec<Pixel>, Vec<bool>) {
        let (mut out, mut seen) = (vec![[0.0; 4]; 8], vec![false; 8]);
        shifted.row(0, y, &mut out, &mut seen);
        (out, seen)
    }

    #[test]
    fn whole_pixels_are_copied_and_what_leaves_the_frame_is_not_seen() {
        let image = ramp();
        let (out, seen) = row(&Shifted::new(&image, [3.0, -2.0], vec![]).unwrap(), 1);
        assert_eq!(seen, [false, false, false, true, true, true, true, true]);
        assert_eq!(out[5], [4.0 + 1.5, 0.0, 0.0, 1.0]);
        assert_eq!(row(&Shifted::new(&image, [3.0, -2.0], vec![]).unwrap(), 4).1, [false; 8]);
    }

    /// Cubic convolution gives a parabola back exactly, away from the edges.
    #[test]
    fn parts_of_a_pixel_follow_a_parabola() {
        let image = ramp();
        let (out, seen) = row(&Shifted::new(&image, [0.25, 0.5], vec![]).unwrap(), 3);
        assert_eq!(seen, [false, true, true, true, true, true, true, true]);
        for (x, out) in out.iter().enumerate().take(7).skip(2) {
            let at = x as f32 - 0.25;
            assert!((out[0] - (at * at + 1.25)).abs() < 1e-5, "{x}: {out:?}");
        }
    }

    #[test]
    fn nothing_is_mixed_with_what_is_barred() {
        let image = ramp();
        let mut barred = vec![false; 48];
        barred[3 * 8 + 4] = true;
        let (_, seen) = row(&Shifted::new(&image, [0.0, 0.0], barred.clone()).unwrap(), 3);
        assert_eq!(seen.iter().filter(|s| !**s).count(), 1);
        let (_, seen) = row(&Shifted::new(&image, [0.5, 0.0], barred).unwrap(), 3);
        assert_eq!(seen, [false, true, true, false, false, false, false, true]);
    }
}
