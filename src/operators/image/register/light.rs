//! A picture as registration looks at it: the logarithm of its light at a size that is enough, and what of it is set.
//!
//! Knows sizes and masks. Does not know what is compared.
//!
//! A factor on light is a constant in its logarithm. Pictures with a side longer than 1024 pixels are halved until they
//! are not: half a million pixels fix a shift to a hundredth of a pixel.

use half::f16;
use half::slice::HalfFloatSliceExt;

use crate::base::level::Level as Vectors;
use crate::media::image::{Image, RGBA};
use crate::operators::colour::cdl::LUMA;
use crate::operators::image::flow::pyramid::{Level, levels};
use crate::operators::image::gaussian;
use crate::operators::image::grow::grown;

/// The longest side that is looked at.
const LONGEST: usize = 1024;
/// The shortest side of the smallest size.
const LEAST: usize = 24;
/// Light that is added before the logarithm, so that noise in the dark stays small.
const DARK: f32 = 0.01;
/// Brightest light that tells anything.
const BRIGHTEST: f32 = 64.0;
/// Standard deviation of the Gaussian over light, in pixels of the size looked at: slopes of noise mean nothing.
const SOFT: f64 = 0.8;
/// The least share of a frame that must be set, and how much its logarithm must vary at least: less is even light in half
/// floats. Common practice, no source.
const SEEN: f64 = 0.01;
const EVEN: f64 = 0.003;
/// How far from a matte the set begins, in pixels of the size looked at.
const AROUND: f64 = 5.0;

/// One frame's light, small enough for whole shots to be held.
pub struct Light {
    width: usize,
    height: usize,
    /// How often the picture was halved.
    halved: usize,
    samples: Vec<f16>,
    /// 1 where the set is seen.
    set: Vec<u8>,
}

/// A frame at all sizes.
pub struct Sizes {
    /// The largest first.
    pub levels: Vec<Level>,
    /// Where the set is seen, for each.
    pub sets: Vec<Vec<u8>>,
}

impl Light {
    /// Of a picture whose figures are covered by mattes of its own size.
    pub fn of(image: &Image, mattes: &[Vec<f32>]) -> Self {
        let (mut width, mut height) = (image.width() as usize, image.height() as usize);
        let shares = RGBA.into_iter().zip(LUMA.map(|share| share as f32));
        let mut light = vec![0.0f32; width * height];
        let mut row = vec![0.0f32; width];
        for (name, share) in shares {
            let Some(channel) = image.channel(name) else { continue };
            for (y, light) in light.chunks_exact_mut(width).enumerate() {
                image.read_row(channel, y as u32, &mut row);
                light.iter_mut().zip(&row).for_each(|(l, v)| *l += share * v);
            }
        }
        let mut covered: Vec<f32> = vec![0.0; light.len()];
        for matte in mattes {
            covered.iter_mut().zip(matte).for_each(|(c, m)| *c = c.max(*m));
        }
        // What is no number must not spread; it is not looked at.
        for (light, covered) in light.iter_mut().zip(&mut covered) {
            if !light.is_finite() {
                (*light, *covered) = (0.0, 1.0);
            }
            *light = light.clamp(0.0, BRIGHTEST);
        }
        let mut halved = 0;
        while width.max(height) > LONGEST {
            light = binned(&light, (width, height), |four| four.iter().sum::<f32>() / 4.0);
            covered = binned(&covered, (width, height), |four| four.into_iter().fold(0.0, f32::max));
            (width, height, halved) = (width.div_ceil(2), height.div_ceil(2), halved + 1);
        }
        light.iter_mut().for_each(|l| *l = (*l + DARK).ln());
        let light = gaussian::blur(&light, width, height, SOFT);
        let mut samples = vec![f16::ZERO; light.len()];
        samples.convert_from_f32_slice(&light);
        let set = grown(covered, width, AROUND).into_iter().map(|c| u8::from(c <= 0.0)).collect();
        Self { width, height, halved, samples, set }
    }

    /// Why nothing can be laid on it, or it on anything, when that is so.
    pub fn blind(&self) -> Option<&'static str> {
        let seen =
            self.samples.iter().zip(&self.set).filter(|(_, set)| **set > 0).map(|(light, _)| light.to_f64());
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for light in seen {
            n += 1.0;
            sum += light;
            squares += light * light;
        }
        if n < SEEN * self.samples.len() as f64 {
            return Some("its mattes cover all of the set, or nearly so");
        }
        let varies = (squares / n - (sum / n).powi(2)).max(0.0).sqrt();
        (varies < EVEN).then_some("it shows one even tone, without any detail of the set")
    }

    /// Width and height of what is looked at.
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// Pixels of the picture to one that is looked at.
    pub fn scale(&self) -> f64 {
        (1u32 << self.halved) as f64
    }

    /// All sizes from the one after `skip` halvings on.
    pub fn sizes(&self, skip: usize) -> Sizes {
        let mut light = vec![0.0; self.samples.len()];
        self.samples.convert_to_f32_slice(&mut light);
        let levels = levels(Vectors::best(), &light, self.width, self.height, skip, LEAST);
        let (mut size, mut set) = ((self.width, self.height), self.set.clone());
        let mut halve = |set: &mut Vec<u8>| {
            *set = binned(set, size, |four| four.into_iter().min().unwrap_or(0));
            size = (size.0.div_ceil(2), size.1.div_ceil(2));
        };
        (0..skip).for_each(|_| halve(&mut set));
        let mut sets = vec![set];
        while sets.len() < levels.len() {
            let mut next = sets[sets.len() - 1].clone();
            halve(&mut next);
            sets.push(next);
        }
        Sizes { levels, sets }
    }

    /// Half the size, 0 to 1, as motion is looked for on it.
    pub fn for_flow(&self) -> (Vec<f32>, usize, usize) {
        let sizes = self.sizes(1);
        let plane = &sizes.levels[0].light;
        let (low, high) = (DARK.ln(), 2.0f32.ln());
        let light = plane.inner().into_iter().map(|l| (l - low) / (high - low)).collect();
        (light, plane.width, plane.height)
    }
}

/// A plane of half the size, of four samples each; the last row and column count twice where a side is odd.
fn binned<T: Copy>(plane: &[T], (width, height): (usize, usize), one: impl Fn([T; 4]) -> T) -> Vec<T> {
    let mut out = Vec::with_capacity(width.div_ceil(2) * height.div_ceil(2));
    for y in (0..height).step_by(2) {
        let rows = [y, (y + 1).min(height - 1)].map(|y| &plane[y * width..][..width]);
        for x in (0..width).step_by(2) {
            let next = (x + 1).min(width - 1);
            out.push(one([rows[0][x], rows[0][next], rows[1][x], rows[1][next]]));
        }
    }
    out
}
