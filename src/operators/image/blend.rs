//! Source frames mixed in linear light: which ones, how much of each, and the mixing.
//!
//! Knows shutters and weights. Does not know how a place in the source is found.

use crate::base::level::{Level, kernel};
use crate::media::image::Image;
use crate::operators::colour::block::{BLOCK, append_half, from_half};

/// Source frames from `first` on with the weight of each; the first and the last weigh something.
#[derive(Clone, Debug, PartialEq)]
pub struct Mixture {
    /// The first source frame.
    pub first: i64,
    /// Weights, whose sum is 1.
    pub weights: Vec<f64>,
}

impl Mixture {
    /// One frame as it is.
    pub fn one(frame: i64) -> Self {
        Self { first: frame, weights: vec![1.0] }
    }

    /// The mean of the source over `width` frames around `place`, as if the source moved in a straight line from each
    /// frame to the next; no width takes the source at that place.
    pub fn around(place: f64, width: f64) -> Self {
        if width <= 0.0 {
            let (first, share) = (place.floor(), place - place.floor());
            return Self::trimmed(first as i64, vec![1.0 - share, share]);
        }
        let (low, high) = (place - width / 2.0, place + width / 2.0);
        let (first, last) = (low.floor() as i64, high.ceil() as i64);
        let weight = |frame: i64| (gathered(high - frame as f64) - gathered(low - frame as f64)) / width;
        Self::trimmed(first, (first..=last).map(weight).collect())
    }

    /// Without frames that weigh nothing: reading them would change nothing. What is less than 2⁻²⁴ is a rounding error of
    /// the weights themselves.
    fn trimmed(mut first: i64, mut weights: Vec<f64>) -> Self {
        const NOTHING: f64 = 1.0 / (1u64 << 24) as f64;
        while weights.last().is_some_and(|w| *w < NOTHING) {
            weights.pop();
        }
        while weights.first().is_some_and(|w| *w < NOTHING) {
            weights.remove(0);
            first += 1;
        }
        if let [only] = &mut weights[..] {
            *only = 1.0;
        }
        Self { first, weights }
    }

    /// The last source frame.
    pub fn last(&self) -> i64 {
        self.first.saturating_add_unsigned(self.weights.len() as u64 - 1)
    }
}

/// The area of the tent 1 − |x| left of `x`.
fn gathered(x: f64) -> f64 {
    let x = x.clamp(-1.0, 1.0);
    0.5 + x - 0.5 * x * x.abs()
}

/// The sum of frames times weights. All have the same size and channels.
pub fn mix(frames: &[(&Image, f32)]) -> Image {
    let level = Level::best();
    let (mut sum, mut one) = ([0.0f32; BLOCK], [0.0f32; BLOCK]);
    let first = frames[0].0;
    let planes = first.channels().iter().enumerate().map(|(at, channel)| {
        let mut out = channel.clone();
        out.samples.clear();
        for start in (0..channel.samples.len()).step_by(BLOCK) {
            let end = (start + BLOCK).min(channel.samples.len());
            let (sum, one) = (&mut sum[..end - start], &mut one[..end - start]);
            sum.fill(0.0);
            for (image, weight) in frames {
                from_half(&image.channels()[at].samples[start..end], one);
                add(level, sum, one, *weight);
            }
            append_half(level, sum, &mut out.samples);
        }
        out
    });
    let planes = planes.collect();
    Image::from_channels(first.width(), first.height(), planes)
}

kernel! {
    fn add(sum: &mut [f32], samples: &[f32], weight: f32) {
        for (sum, v) in sum.iter_mut().zip(samples) {
            *sum += *v * weight;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_are_those_of_the_area_under_the_tent() {
        assert_eq!(Mixture::around(7.0, 0.0), Mixture::one(7));
        assert_eq!(Mixture::around(-1.25, 0.0), Mixture { first: -2, weights: vec![0.25, 0.75] });
        // Two frames around 10: 9 to 11, of which the tents of 9, 10 and 11 hold a quarter, a half and a quarter.
        assert_eq!(Mixture::around(10.0, 2.0), Mixture { first: 9, weights: vec![0.25, 0.5, 0.25] });
        for (place, width) in [(3.3, 0.7), (-8.01, 1.9), (5.5, 24.0), (100.0, 1e-7)] {
            let mixture = Mixture::around(place, width);
            let sum: f64 = mixture.weights.iter().sum();
            let mean: f64 = (mixture.first..).zip(&mixture.weights).map(|(n, w)| n as f64 * w).sum();
            assert!((sum - 1.0).abs() < 1e-6 && (mean - place).abs() < 1e-5, "{place} {width}: {mixture:?}");
        }
    }
}
