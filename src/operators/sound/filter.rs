//! Filters of second order: high and low pass, shelves and bells.
//!
//! Knows one filter's numbers and its memory. R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Note, 2021), direct form I
//! transposed, in 64 bits.

use std::f64::consts::TAU;

/// What a filter lets through.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// What is above its frequency.
    HighPass,
    /// What is below its frequency.
    LowPass,
    /// All, and what is below its frequency so many decibels louder.
    LowShelf(f64),
    /// All, and what is above its frequency so many decibels louder.
    HighShelf(f64),
    /// All, and what is around its frequency so many decibels louder.
    Bell(f64),
}

/// A filter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Filter {
    forward: [f64; 3],
    back: [f64; 2],
}

/// What a filter remembers of one channel.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Memory([f64; 2]);

impl Filter {
    /// A filter at `hertz` of a sound of `rate` samples a second. `q` is its sharpness: 0.7071 is the flattest pass and the
    /// steepest shelf without a bump; a bell is `hertz / q` wide between the frequencies of half its decibels.
    ///
    /// The frequency is held below half the rate, where nothing is.
    pub fn new(kind: Kind, hertz: f64, q: f64, rate: u32) -> Self {
        let turn = TAU * hertz.clamp(1.0, 0.499 * f64::from(rate)) / f64::from(rate);
        let (sin, cos) = turn.sin_cos();
        let alpha = sin / (2.0 * q.max(1e-3));
        let gain = |decibels: f64| 10f64.powf(decibels / 40.0);
        let (b, a) = match kind {
            Kind::LowPass => {
                let side = (1.0 - cos) / 2.0;
                ([side, 2.0 * side, side], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
            }
            Kind::HighPass => {
                let side = (1.0 + cos) / 2.0;
                ([side, -2.0 * side, side], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
            }
            Kind::Bell(decibels) => {
                let g = gain(decibels);
                (
                    [1.0 + alpha * g, -2.0 * cos, 1.0 - alpha * g],
                    [1.0 + alpha / g, -2.0 * cos, 1.0 - alpha / g],
                )
            }
            // The high shelf is the low one with the sign of the cosine changed.
            Kind::LowShelf(decibels) => shelf(gain(decibels), cos, alpha, 1.0),
            Kind::HighShelf(decibels) => shelf(gain(decibels), -cos, alpha, -1.0),
        };
        Self { forward: b.map(|v| v / a[0]), back: [a[1] / a[0], a[2] / a[0]] }
    }

    /// Filters samples in place, going on from `memory`.
    pub fn run(&self, samples: &mut [f32], memory: &mut Memory) {
        let ([b0, b1, b2], [a1, a2]) = (self.forward, self.back);
        let [mut s1, mut s2] = memory.0;
        for v in samples {
            let x = f64::from(*v);
            let y = b0 * x + s1;
            s1 = b1 * x - a1 * y + s2;
            s2 = b2 * x - a2 * y;
            *v = y as f32;
        }
        // What has died away must not go on in numbers too small for the processor to be quick with.
        memory.0 = [s1, s2].map(|s| if s.abs() < 1e-30 { 0.0 } else { s });
    }

    /// Samples after which what a filter remembers has died away to a millionth of its size: 120 dB down. Started that much
    /// earlier, it gives the same sound as if it had run from the beginning.
    pub fn settles(&self) -> usize {
        let [a1, a2] = self.back;
        let inside = a1 * a1 - 4.0 * a2;
        let radius = if inside < 0.0 { a2.sqrt() } else { (a1.abs() + inside.sqrt()) / 2.0 };
        // Two poles at one place die away a little later than each.
        (1.25 * (1e-6f64).ln() / radius.clamp(1e-9, 1.0 - 1e-9).ln()).ceil() as usize
    }

    /// Its gain at a frequency, as a factor.
    pub fn gain(&self, hertz: f64, rate: u32) -> f64 {
        let w = TAU * hertz / f64::from(rate);
        let at = |c: [f64; 3]| {
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = c[1] * w.sin() + c[2] * (2.0 * w).sin();
            re.hypot(im)
        };
        at(self.forward) / at([1.0, self.back[0], self.back[1]])
    }
}

/// The low shelf, or the high one when `cos` and `side` have the other sign.
fn shelf(g: f64, cos: f64, alpha: f64, side: f64) -> ([f64; 3], [f64; 3]) {
    let root = 2.0 * g.sqrt() * alpha;
    let b = [
        g * ((g + 1.0) - (g - 1.0) * cos + root),
        side * 2.0 * g * ((g - 1.0) - (g + 1.0) * cos),
        g * ((g + 1.0) - (g - 1.0) * cos - root),
    ];
    let a = [
        (g + 1.0) + (g - 1.0) * cos + root,
        side * -2.0 * ((g - 1.0) + (g + 1.0) * cos),
        (g + 1.0) + (g - 1.0) * cos - root,
    ];
    (b, a)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    fn decibels(filter: &Filter, hertz: f64) -> f64 {
        20.0 * filter.gain(hertz, RATE).log10()
    }

    /// Where the kinds are defined to be: half power at the corner of a pass, all of the decibels inside of a shelf and half
    /// of them at its frequency, all of a bell's at its middle.
    #[test]
    fn gains_are_those_of_their_definition() {
        let q = std::f64::consts::FRAC_1_SQRT_2;
        for hertz in [40.0, 440.0, 8000.0] {
            for kind in [Kind::LowPass, Kind::HighPass] {
                assert!((decibels(&Filter::new(kind, hertz, q, RATE), hertz) + 3.0103).abs() < 1e-3);
            }
            let low = Filter::new(Kind::LowShelf(6.0), hertz, q, RATE);
            assert!((decibels(&low, 0.001) - 6.0).abs() < 1e-6 && (decibels(&low, hertz) - 3.0).abs() < 1e-6);
            let high = Filter::new(Kind::HighShelf(-9.0), hertz, q, RATE);
            assert!(
                (decibels(&high, 23_999.99) + 9.0).abs() < 1e-4
                    && (decibels(&high, hertz) + 4.5).abs() < 1e-6
            );
            let bell = Filter::new(Kind::Bell(-12.0), hertz, 2.0, RATE);
            assert!((decibels(&bell, hertz) + 12.0).abs() < 1e-9 && decibels(&bell, 0.001).abs() < 1e-6);
        }
    }

    /// The high pass of BS.1770's second stage, whose numbers are in tests/checks (38.1355 Hz, Q 0.500327).
    #[test]
    fn runs_as_its_gain_says() {
        let filter = Filter::new(Kind::HighPass, 120.0, 0.8, RATE);
        for hertz in [60.0, 120.0, 1000.0] {
            let mut samples: Vec<f32> =
                (0..96_000).map(|i| (TAU * hertz * f64::from(i) / f64::from(RATE)).sin() as f32).collect();
            filter.run(&mut samples, &mut Memory::default());
            let power: f64 = samples[48_000..].iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / 48_000.0;
            assert!(((2.0 * power).sqrt() - filter.gain(hertz, RATE)).abs() < 1e-5, "{hertz}");
        }
    }

    #[test]
    fn started_early_enough_it_sounds_as_from_the_beginning() {
        for kind in [Kind::HighPass, Kind::LowPass, Kind::LowShelf(9.0), Kind::Bell(6.0)] {
            for (hertz, q) in [(30.0, 0.7), (30.0, 0.5), (2000.0, 8.0)] {
                let filter = Filter::new(kind, hertz, q, RATE);
                let noise: Vec<f32> = (0..120_000u32)
                    .map(|i| (i.wrapping_mul(2_654_435_761) >> 8) as f32 / 8_388_608.0 - 1.0)
                    .collect();
                let mut whole = noise.clone();
                filter.run(&mut whole, &mut Memory::default());
                let start = 100_000 - filter.settles();
                let mut part = noise[start..].to_vec();
                filter.run(&mut part, &mut Memory::default());
                let worst = whole[100_000..]
                    .iter()
                    .zip(&part[100_000 - start..])
                    .fold(0f32, |m, (a, b)| m.max((a - b).abs()));
                assert!(worst < 4e-6, "{kind:?} {hertz} {q}: {worst}, {}", filter.settles());
            }
        }
    }
}
