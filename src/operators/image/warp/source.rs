//! What is carried: a picture's channels or a plane, row by row as 32-bit floats.
//!
//! Knows how rows are read and what is barred. Does not know where they go.

use half::slice::HalfFloatSliceExt;

use crate::media::image::Image;

/// A picture of `N` channels.
pub trait Source<const N: usize> {
    /// Columns and rows; at least one of each.
    fn size(&self) -> (usize, usize);

    /// Reads row `y` from column `x` on. What is no finite number is read as 0.
    fn read(&self, y: usize, x: usize, out: &mut [[f32; N]]);

    /// Whether a pixel must not be shown.
    fn bars(&self, _x: usize, _y: usize) -> bool {
        false
    }
}

/// Some channels of an image.
pub struct Picture<'a, const N: usize> {
    /// The image.
    pub image: &'a Image,
    /// Its channels.
    pub planes: [usize; N],
}

impl<const N: usize> Source<N> for Picture<'_, N> {
    fn size(&self) -> (usize, usize) {
        (self.image.width() as usize, self.image.height() as usize)
    }

    fn read(&self, y: usize, x: usize, out: &mut [[f32; N]]) {
        let mut row = vec![0.0f32; out.len()];
        for (c, &plane) in self.planes.iter().enumerate() {
            self.image.row(plane, y as u32)[x..x + out.len()].convert_to_f32_slice(&mut row);
            for (to, from) in out.iter_mut().zip(&row) {
                to[c] = finite(*from);
            }
        }
    }
}

/// A plane of 32-bit floats, rows top down.
pub struct Flat<'a> {
    /// The samples.
    pub samples: &'a [f32],
    /// Columns.
    pub width: usize,
}

impl Source<1> for Flat<'_> {
    fn size(&self) -> (usize, usize) {
        (self.width, self.samples.len() / self.width.max(1))
    }

    fn read(&self, y: usize, x: usize, out: &mut [[f32; 1]]) {
        let row = &self.samples[y * self.width + x..][..out.len()];
        out.iter_mut().zip(row).for_each(|(to, from)| *to = [finite(*from)]);
    }
}

fn finite(value: f32) -> f32 {
    if value.is_finite() { value } else { 0.0 }
}
