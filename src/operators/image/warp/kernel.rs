//! Weights of the pixels around a place: Lanczos-3, narrow or stretched.
//!
//! Knows the kernel and its table. Does not know pictures.

use std::f64::consts::PI;
use std::sync::LazyLock;

/// Pixels under a kernel that is not stretched.
pub const TAPS: usize = 6;
/// Pixels on either side of a place that the kernel reaches.
const RADIUS: f64 = 3.0;
/// Phases of a pixel in the table; between them weights go straight, which is off by less than 2e-6.
const PHASES: usize = 1024;
/// Steps a pixel in the table of the stretched kernel.
const STEPS: usize = 1024;

/// The weights at each phase, adding up to 1.
static NARROW: LazyLock<Vec<[f32; TAPS]>> = LazyLock::new(|| {
    let at = |phase: usize| {
        let f = phase as f64 / PHASES as f64;
        let weights: [f64; TAPS] = std::array::from_fn(|k| lanczos(k as f64 - 2.0 - f));
        let sum: f64 = weights.iter().sum();
        weights.map(|w| (w / sum) as f32)
    };
    (0..=PHASES).map(at).collect()
});

/// The kernel from its middle to its end.
static WIDE: LazyLock<Vec<f32>> = LazyLock::new(|| {
    let at = |step: usize| lanczos(step as f64 / STEPS as f64) as f32;
    (0..=3 * STEPS).map(at).chain([0.0, 0.0]).collect()
});

/// `sinc(x) sinc(x / 3)` within 3 of the middle; exactly 0 at all whole numbers but 0.
fn lanczos(x: f64) -> f64 {
    if x == 0.0 {
        return 1.0;
    }
    if x.abs() >= RADIUS || x == x.round() {
        return 0.0;
    }
    let turn = PI * x;
    RADIUS * turn.sin() * (turn / RADIUS).sin() / (turn * turn)
}

/// The weights of a row of pixels.
#[derive(Default)]
pub struct Weights {
    /// Number of the first pixel.
    pub first: i64,
    short: [f32; TAPS],
    long: Vec<f32>,
}

impl Weights {
    /// First and last pixel under the kernel at a place, which is counted from the first pixel's centre.
    pub fn span(at: f64, stretch: f64) -> [i64; 2] {
        let whole = at.floor() as i64;
        if stretch <= 1.0 {
            return [whole - 2, whole + 3];
        }
        let reach = RADIUS * stretch;
        [(at - reach).ceil() as i64, (at + reach).floor() as i64]
    }

    /// Sets them for a place.
    pub fn set(&mut self, at: f64, stretch: f64) {
        let [first, last] = Self::span(at, stretch);
        self.first = first;
        self.long.clear();
        if stretch <= 1.0 {
            let phase = (at - at.floor()) * PHASES as f64;
            let before = phase as usize;
            let share = (phase - before as f64) as f32;
            let (a, b) = (&NARROW[before], &NARROW[(before + 1).min(PHASES)]);
            self.short = std::array::from_fn(|k| a[k] + (b[k] - a[k]) * share);
            return;
        }
        let mut sum = 0.0;
        for pixel in first..=last {
            let step = ((pixel as f64 - at).abs() / stretch * STEPS as f64).min((3 * STEPS) as f64);
            let before = step as usize;
            let weight = WIDE[before] + (WIDE[before + 1] - WIDE[before]) * (step - before as f64) as f32;
            self.long.push(weight);
            sum += weight;
        }
        self.long.iter_mut().for_each(|weight| *weight /= sum);
    }

    /// The weights, when they are of a kernel that is not stretched.
    pub fn short(&self) -> Option<&[f32; TAPS]> {
        self.long.is_empty().then_some(&self.short)
    }

    /// The weights.
    pub fn all(&self) -> &[f32] {
        if self.long.is_empty() { &self.short } else { &self.long }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_place_on_a_pixel_takes_that_pixel_alone() {
        let mut weights = Weights::default();
        weights.set(7.0, 1.0);
        assert_eq!((weights.first, weights.all()), (5, &[0.0, 0.0, 1.0, 0.0, 0.0, 0.0][..]));
    }

    proptest! {
        #[test]
        fn weights_are_the_kernels_and_add_up(at in -9.0f64..9.0, stretch in 1.0f64..9.0, narrow: bool) {
            let stretch = if narrow { 1.0 } else { stretch };
            let mut weights = Weights::default();
            weights.set(at, stretch);
            prop_assert!((weights.all().iter().sum::<f32>() - 1.0).abs() < 2e-6);
            let true_ones: Vec<f64> =
                (0..weights.all().len()).map(|k| lanczos(((weights.first + k as i64) as f64 - at) / stretch)).collect();
            let sum: f64 = true_ones.iter().sum();
            for (got, wanted) in weights.all().iter().zip(true_ones) {
                prop_assert!((f64::from(*got) - wanted / sum).abs() < 3e-6, "{got} {}", wanted / sum);
            }
        }
    }
}
