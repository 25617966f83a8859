//! A picture laid where it belongs, and what of it may be seen.
//!
//! Knows which pixels must not be shown. Carrying a picture is `warp`'s part. Does not know why it is moved.
//!
//! A place is shown where it falls between the centres of pixels that there are.

use super::field::{Area, Pixel};
use crate::media::image::Image;
use crate::operators::OperatorError;
use crate::operators::image::picture::planes;
use crate::operators::image::warp::{Map, Part, Picture, Source};
use crate::operators::shape::Matrix;

/// A picture carried by a matrix.
pub struct Laid<'a> {
    barred: Barred<'a>,
    /// None when the matrix flattens the picture, of which nothing is seen then.
    map: Option<Map>,
}

struct Barred<'a> {
    picture: Picture<'a, 4>,
    /// What must not be shown, by pixel of the picture as it lies unmoved; empty when all may be.
    barred: Vec<bool>,
}

impl Source<4> for Barred<'_> {
    fn size(&self) -> (usize, usize) {
        self.picture.size()
    }

    fn read(&self, y: usize, x: usize, out: &mut [Pixel]) {
        self.picture.read(y, x, out);
    }

    fn bars(&self, x: usize, y: usize) -> bool {
        !self.barred.is_empty() && self.barred[y * self.picture.image.width() as usize + x]
    }
}

impl<'a> Laid<'a> {
    /// `image` carried by `matrix`. Pixels that are `barred` (all of the image, or an empty list) are not shown, nor what
    /// would be mixed with them.
    ///
    /// # Errors
    /// When the image lacks a channel.
    pub fn new(image: &'a Image, matrix: &Matrix, barred: Vec<bool>) -> Result<Self, OperatorError> {
        let picture = Picture { image, planes: planes(image)? };
        Ok(Self { barred: Barred { picture, barred }, map: Map::new(matrix, 0.5) })
    }

    /// The pixels of an area that are wanted (by their number in it), and whether there is anything to show.
    pub fn fill(&self, area: Area, wanted: &dyn Fn(usize) -> bool, out: &mut [Pixel], seen: &mut [bool]) {
        seen.fill(false);
        let Some(map) = &self.map else { return };
        let part = Part { x: area.x, y: area.y, width: area.width, height: area.height };
        map.fill(&self.barred, part, &|x, y| wanted(y * area.width + x), out, seen);
        // The kernel overshoots, and a share may not.
        out.iter_mut()
            .zip(seen.iter())
            .filter(|(_, seen)| **seen)
            .for_each(|(p, _)| p[3] = p[3].clamp(0.0, 1.0));
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

    fn moved(by: [f64; 2], barred: Vec<bool>, y: usize) -> (Vec<Pixel>, Vec<bool>) {
        let image = ramp();
        let matrix = [[1.0, 0.0, by[0]], [0.0, 1.0, by[1]], [0.0, 0.0, 1.0]];
        let (mut out, mut seen) = (vec![[0.0; 4]; 8], vec![true; 8]);
        let area = Area { x: 0, y, width: 8, height: 1 };
        Laid::new(&image, &matrix, barred).unwrap().fill(area, &|_| true, &mut out, &mut seen);
        (out, seen)
    }

    #[test]
    fn whole_pixels_are_copied_and_what_leaves_the_frame_is_not_seen() {
        let (out, seen) = moved([3.0, -2.0], vec![], 1);
        assert_eq!(seen, [false, false, false, true, true, true, true, true]);
        assert_eq!(out[5], [4.0 + 1.5, 0.0, 0.0, 1.0]);
        assert_eq!(moved([3.0, -2.0], vec![], 4).1, [false; 8]);
        assert_eq!(moved([0.25, 0.5], vec![], 3).1, [false, true, true, true, true, true, true, true]);
    }

    #[test]
    fn nothing_is_mixed_with_what_is_barred() {
        let mut barred = vec![false; 48];
        barred[3 * 8 + 4] = true;
        assert_eq!(moved([0.0, 0.0], barred.clone(), 3).1.iter().filter(|s| !**s).count(), 1);
        // A kernel of six pixels from two before a place to three after it.
        assert_eq!(
            moved([0.5, 0.0], barred.clone(), 3).1,
            [false, true, false, false, false, false, false, false]
        );
        assert!(moved([0.5, 0.0], barred, 2).1[4]);
    }
}
