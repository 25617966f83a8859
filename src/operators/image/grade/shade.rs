//! The vignette: light that changes towards the rim of the frame.
//!
//! Knows its form and its light. Does not know which settings gave them.
//!
//! The change in stops is `stops` times 6t⁵ − 15t⁴ + 10t³ (Perlin, Improving Noise, SIGGRAPH 2002: at rest at both ends to the
//! second derivative, so that no ring shows where it begins), t running from 0 to 1 over `softness` from `radius`
//! outwards. Distances are in halves of the frame's diagonal, so that a grade looks alike at every size.

use crate::base::digest::KeyHasher;
use crate::base::level::{Level, kernel};
use crate::operators::colour::block::{BLOCK, premultiply};
use crate::operators::colour::power;

/// A vignette over a frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shade {
    /// Change in full effect, in stops.
    stops: f32,
    /// Where a distance begins to count.
    radius: f32,
    /// 1 over the way to full effect.
    rise: f32,
    /// Place of the first sample's middle from the vignette's own, and the step from one sample to the next.
    from: [f32; 2],
    step: [f32; 2],
    width: usize,
}

impl Shade {
    /// A vignette over a frame of `size`; none when it changes nothing. `centre` is in widths and heights of the frame,
    /// `aspect` the form's width over its height.
    pub fn new(
        stops: f64,
        centre: [f64; 2],
        radius: f64,
        softness: f64,
        aspect: f64,
        (width, height): (u32, u32),
    ) -> Option<Self> {
        let (w, h) = (f64::from(width), f64::from(height));
        let unit = 2.0 / (w * w + h * h).sqrt();
        let stretch = aspect.sqrt();
        let step = [unit / stretch, unit * stretch];
        let from = [(0.5 - centre[0] * w) * step[0], (0.5 - centre[1] * h) * step[1]];
        (stops != 0.0).then_some(Self {
            stops: stops as f32,
            radius: radius as f32,
            rise: (1.0 / softness.max(1e-6)) as f32,
            from: from.map(|v| v as f32),
            step: step.map(|v| v as f32),
            width: width as usize,
        })
    }

    /// Feeds every number that may change a pixel into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        let [x, y] = self.from;
        let [dx, dy] = self.step;
        for number in [self.stops, self.radius, self.rise, x, y, dx, dy] {
            key.real(number.into());
        }
    }

    /// Changes the light of samples that begin at sample `start` of the frame. `gains` is overwritten.
    pub fn apply(&self, level: Level, planes: [&mut [f32]; 3], start: usize, gains: &mut [f32; BLOCK]) {
        let samples = planes[0].len();
        let mut done = 0;
        while done < samples {
            let (x, y) = ((start + done) % self.width, (start + done) / self.width);
            let end = samples.min(done + self.width - x);
            let down = self.from[1] + y as f32 * self.step[1];
            across(level, &mut gains[done..end], *self, x as f32, down * down);
            done = end;
        }
        planes.into_iter().for_each(|plane| premultiply(level, plane, &gains[..samples]));
    }
}

kernel! {
    /// The factor of light of samples of one row, from column `x` on; `down` is the square of the row's distance.
    fn across(gains: &mut [f32], shade: Shade, x: f32, down: f32) {
        for (i, gain) in gains.iter_mut().enumerate() {
            let along = shade.from[0] + (x + i as f32) * shade.step[0];
            let t = ((along * along + down).sqrt() - shade.radius) * shade.rise;
            let t = if t < 1.0 { t } else { 1.0 };
            let t = if t > 0.0 { t } else { 0.0 };
            let share = t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
            *gain = power::exp2(shade.stops * share);
        }
    }
}
