//! A part of a frame as 32-bit pixels, and the part that a hole needs.
//!
//! Knows areas, reading and writing. Does not know what is filled, nor how.

use crate::media::image::Image;
use crate::operators::OperatorError;
use crate::operators::colour::block::HALF_MAX;
use crate::operators::image::picture::planes;

/// Red, green, blue, alpha: scene-linear, premultiplied.
pub type Pixel = [f32; 4];

/// Part of a frame, in pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Area {
    /// Left edge.
    pub x: usize,
    /// Top edge.
    pub y: usize,
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
}

impl Area {
    /// The smallest area that holds every sample above 0 of a plane of `width` across, if there is one.
    pub fn of(plane: &[f32], width: usize) -> Option<Self> {
        let rows = || plane.chunks_exact(width);
        let marked = |row: &[f32]| row.iter().any(|&m| m > 0.0);
        let y = rows().position(marked)?;
        let end = rows().rposition(marked)? + 1;
        let x = rows().filter_map(|row| row.iter().position(|&m| m > 0.0)).min()?;
        let right = rows().filter_map(|row| row.iter().rposition(|&m| m > 0.0)).max()? + 1;
        Some(Self { x, y, width: right - x, height: end - y })
    }

    /// The area with `by` pixels more on every side, as far as the frame goes.
    pub fn widened(self, by: usize, (width, height): (usize, usize)) -> Self {
        let (x, y) = (self.x.saturating_sub(by), self.y.saturating_sub(by));
        let right = (self.x + self.width).saturating_add(by).min(width);
        let end = (self.y + self.height).saturating_add(by).min(height);
        Self { x, y, width: right - x, height: end - y }
    }

    /// Whether a pixel lies in the area.
    pub fn contains(&self, x: usize, y: usize) -> bool {
        (self.x..self.x + self.width).contains(&x) && (self.y..self.y + self.height).contains(&y)
    }

    /// Number of pixels.
    pub fn count(&self) -> usize {
        self.width * self.height
    }

    /// The samples of a plane of `width` across that lie in the area.
    pub fn cut(&self, plane: &[f32], width: usize) -> Vec<f32> {
        (self.y..self.y + self.height)
            .flat_map(|y| &plane[y * width + self.x..][..self.width])
            .copied()
            .collect()
    }
}

/// The pixels of an area. What is no finite number counts as 0.
///
/// # Errors
/// When the image lacks a channel.
pub fn read(image: &Image, area: Area) -> Result<Vec<Pixel>, OperatorError> {
    let planes = planes(image)?;
    let mut out = vec![[0.0; 4]; area.count()];
    for (y, row) in out.chunks_exact_mut(area.width).enumerate() {
        for (c, &plane) in planes.iter().enumerate() {
            let samples = &image.row(plane, (area.y + y) as u32)[area.x..][..area.width];
            for (pixel, sample) in row.iter_mut().zip(samples) {
                let value = sample.to_f32();
                pixel[c] = if value.is_finite() { value } else { 0.0 };
            }
        }
    }
    Ok(out)
}

/// Puts the pixels whose share in `matte` is above 0 into an image of R, G, B, A; all others keep their bits.
pub fn write(image: &mut Image, area: Area, pixels: &[Pixel], matte: &[f32]) {
    let width = image.width() as usize;
    for c in 0..4 {
        let samples = image.samples_mut(c);
        for (at, (pixel, &share)) in pixels.iter().zip(matte).enumerate() {
            if share > 0.0 {
                let (x, y) = (area.x + at % area.width, area.y + at / area.width);
                let value = if pixel[c].is_nan() { 0.0 } else { pixel[c].clamp(-HALF_MAX, HALF_MAX) };
                samples[y * width + x] = half::f16::from_f32(value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn areas_hold_what_is_marked_and_stay_in_the_frame() {
        let mut plane = vec![0.0; 10 * 6];
        assert_eq!(Area::of(&plane, 10), None);
        plane[2 * 10 + 7] = 0.25;
        plane[4 * 10 + 3] = 1.0;
        let area = Area::of(&plane, 10).unwrap();
        assert_eq!(area, Area { x: 3, y: 2, width: 5, height: 3 });
        assert_eq!(area.widened(2, (10, 6)), Area { x: 1, y: 0, width: 9, height: 6 });
        assert_eq!(area.cut(&plane, 10)[4], 0.25);
    }
}
