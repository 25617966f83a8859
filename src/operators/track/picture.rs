//! A frame as trackers look at it: one plane of light, evenly to the eye, at falling sizes.
//!
//! Knows the encoding, the sizes and how light is read between samples. Does not know what is followed.
//!
//! Places are those of shapes files: the sample in column `i` covers `i` to `i + 1`, so that its middle lies at `i + 0.5`.

use crate::media::image::Image;
use crate::operators::WorkingSpace;
use crate::operators::colour::cdl::LUMA;
use crate::operators::image::flow::pyramid::{PAD, Plane};

/// Sizes of one picture, at most.
const LEVELS: usize = 7;
/// The least side of the smallest size, in samples.
const LEAST: usize = 24;
/// Slope of the encoding near black, against its run towards the highlights. With 16 a stop counts nearly the same from
/// a twentieth of white on, so that neither a lamp nor the noise of the shadows rules.
const STEEP: f32 = 16.0;

/// A frame at falling sizes, the whole one first.
pub struct Picture {
    levels: Vec<Plane>,
}

impl Picture {
    /// From `width * height` samples of light as [`encoded`].
    ///
    /// # Panics
    /// When there are no samples, or their number is another one.
    pub fn new(light: &[f32], width: usize, height: usize) -> Self {
        assert!(!light.is_empty() && light.len() == width * height, "samples of {width}x{height}");
        let vectors = crate::base::level::Level::best();
        let mut levels = vec![Plane::new(light, width, height)];
        while levels.len() < LEVELS
            && levels[levels.len() - 1].width.min(levels[levels.len() - 1].height) >= 2 * LEAST
        {
            let half = levels[levels.len() - 1].half(vectors);
            levels.push(half);
        }
        Self { levels }
    }

    /// From a picture of the working space, or from its first plane where it has no R, G and B.
    pub fn of(image: &Image, space: WorkingSpace) -> Self {
        Self::new(&encoded(image, space), image.width() as usize, image.height() as usize)
    }

    /// How many sizes there are.
    pub fn depth(&self) -> usize {
        self.levels.len()
    }

    /// Its size after so many halvings.
    pub fn level(&self, level: usize) -> &Plane {
        &self.levels[level]
    }

    /// Width and height in pixels.
    pub fn size(&self) -> (usize, usize) {
        (self.levels[0].width, self.levels[0].height)
    }

    /// Whether a place lies on the picture.
    pub fn holds(&self, [x, y]: [f64; 2]) -> bool {
        let (width, height) = self.size();
        x >= 0.0 && y >= 0.0 && x <= width as f64 && y <= height as f64
    }
}

/// Light of a picture as the eye counts it: 0 for black, 1 for white, and above 1 for what is brighter.
///
/// ln(1 + 16 Y) / ln 17 of the luminance Y, whose weights are the rows of the RGB to XYZ matrices of ITU-R BT.709-6 and of
/// Academy S-2014-004 (AP1). The curve is common practice, no source.
pub fn encoded(image: &Image, space: WorkingSpace) -> Vec<f32> {
    let weights: [f32; 3] = match space {
        WorkingSpace::LinearRec709 => LUMA.map(|weight| weight as f32),
        WorkingSpace::AcesCg => [0.272_229, 0.674_082, 0.053_689],
    };
    let planes = ["R", "G", "B"].map(|name| image.channel(name));
    let mut out = match planes {
        [Some(r), Some(g), Some(b)] => {
            let mut sum = vec![0.0; image.width() as usize * image.height() as usize];
            for (channel, weight) in [r, g, b].into_iter().zip(weights) {
                sum.iter_mut().zip(image.plane_f32(channel)).for_each(|(s, v)| *s += weight * v);
            }
            sum
        }
        _ => image.plane_f32(0),
    };
    for light in &mut out {
        // NaN loses the comparison.
        let sound = if *light > 0.0 { light.min(65_504.0) } else { 0.0 };
        *light = (STEEP * sound).ln_1p() / (1.0 + STEEP).ln();
    }
    out
}

/// Light between samples by Catmull and Rom's cubic; `x` and `y` count samples, the first one's middle being 0. Nothing
/// beyond the plane's border.
#[inline(always)]
pub fn cubic(plane: &Plane, x: f64, y: f64) -> Option<f32> {
    let (left, top) = (x.floor(), y.floor());
    let edge = PAD as f64 - 2.0;
    let inside = left >= -edge && top >= -edge && left < plane.width as f64 + edge - 1.0;
    if !(inside && top < plane.height as f64 + edge - 1.0) {
        return None;
    }
    let weights = |t: f32| {
        let (a, b) = (t * t, t * t * t);
        [
            0.5 * (2.0 * a - t - b),
            0.5 * (3.0 * b - 5.0 * a + 2.0),
            0.5 * (4.0 * a + t - 3.0 * b),
            0.5 * (b - a),
        ]
    };
    let (across, down) = (weights((x - left) as f32), weights((y - top) as f32));
    let first = plane.index(left as isize - 1, top as isize - 1);
    let mut sum = 0.0;
    for (row, weight) in down.into_iter().enumerate() {
        let at = first + row * plane.stride;
        let s = &plane.samples[at..at + 4];
        sum += weight * ((s[0] * across[0] + s[1] * across[1]) + (s[2] * across[2] + s[3] * across[3]));
    }
    Some(sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn light_is_even_to_the_eye_and_sound() {
        let mut image = Image::new(4, 1, &["R", "G", "B", "A"]);
        (0..3).for_each(|c| image.write_row(c, 0, &[0.0, 1.0, f32::NAN, f32::INFINITY]));
        let light = encoded(&image, WorkingSpace::AcesCg);
        assert_eq!(light[0], 0.0);
        assert!((light[1] - 1.0).abs() < 1e-4 && light[2] == 0.0 && light[3].is_finite() && light[3] < 6.0);
    }

    #[test]
    fn cubics_keep_parabolas() {
        let light: Vec<f32> =
            (0..40 * 30).map(|i| ((i % 40) * (i % 40)) as f32 * 0.01 + (i / 40) as f32).collect();
        let picture = Picture::new(&light, 40, 30);
        let got = cubic(picture.level(0), 11.3, 7.25).unwrap();
        assert!((got - (0.01 * 11.3f32 * 11.3 + 7.25)).abs() < 1e-3, "{got}");
        assert!(
            cubic(picture.level(0), -40.0, 3.0).is_none() && cubic(picture.level(0), 3.0, f64::NAN).is_none()
        );
        assert_eq!(picture.depth(), 1);
    }
}
