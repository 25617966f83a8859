//! How far decoded samples are from those that were coded.
//!
//! Knows numbers only. Does not know where they come from.

/// The ratio of a picture's peak to its error, over some frames.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratio {
    /// Of the worst frame, in dB; infinite when no bit differs.
    pub least: f64,
    /// The worst frame, counted from 0.
    pub worst: u64,
    /// Of all frames together, by the mean of their squared errors, in dB.
    pub mean: f64,
    sum: f64,
    frames: u64,
}

impl Default for Ratio {
    fn default() -> Self {
        Self { least: f64::INFINITY, worst: 0, mean: f64::INFINITY, sum: 0.0, frames: 0 }
    }
}

/// A mean squared error as a ratio in dB: 10 log10(peak² / error), the peak being the largest code.
fn ratio(error: f64, bits: u8) -> f64 {
    let peak = f64::from((1u32 << bits) - 1);
    if error > 0.0 { 10.0 * (peak * peak / error).log10() } else { f64::INFINITY }
}

impl Ratio {
    /// A frame with this mean squared error of codes.
    pub fn add(&mut self, error: f64, bits: u8) {
        let one = ratio(error, bits);
        if one < self.least {
            (self.least, self.worst) = (one, self.frames);
        }
        self.frames += 1;
        self.sum += error;
        self.mean = ratio(self.sum / self.frames as f64, bits);
    }
}

/// The sum of squared differences of codes of one byte, or of two with the lower first.
pub fn squares(a: &[u8], b: &[u8], bits: u8) -> f64 {
    let square = |a: u16, b: u16| u64::from(a.abs_diff(b)).pow(2);
    let word = |w: &[u8]| u16::from_le_bytes([w[0], w[1]]);
    let sum: u64 = match bits {
        ..=8 => a.iter().zip(b).map(|(&a, &b)| square(a.into(), b.into())).sum(),
        _ => a.chunks_exact(2).zip(b.chunks_exact(2)).map(|(a, b)| square(word(a), word(b))).sum(),
    };
    sum as f64
}

/// One channel of sound beside another, sample by sample.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Levels {
    source: f64,
    decoded: f64,
    residue: f64,
    count: u64,
}

/// Below this a channel counts as silent: -120 dB.
const FLOOR: f64 = 1e-6;

impl Levels {
    /// One more moment.
    pub fn add(&mut self, source: f32, decoded: f32) {
        let (source, decoded) = (f64::from(source), f64::from(decoded));
        self.source += source * source;
        self.decoded += decoded * decoded;
        self.residue += (source - decoded) * (source - decoded);
        self.count += 1;
    }

    /// Endless where a sample was not a number, which no floor may hide.
    fn level(&self, sum: f64) -> f64 {
        if !sum.is_finite() {
            return f64::INFINITY;
        }
        20.0 * (sum / self.count.max(1) as f64).sqrt().max(FLOOR).log10()
    }

    /// The level of the source, in dB below full scale.
    pub fn source(&self) -> f64 {
        self.level(self.source)
    }

    /// How much louder the decoded channel is, in dB.
    pub fn difference(&self) -> f64 {
        self.level(self.decoded) - self.level(self.source)
    }

    /// What is left when one is taken from the other, in dB below full scale.
    pub fn residue(&self) -> f64 {
        self.level(self.residue)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ratios_are_of_the_largest_code() {
        // An error of one code everywhere: 20 log10(255) = 48.13 dB and 20 log10(1023) = 60.20 dB.
        let mut eight = Ratio::default();
        eight.add(0.0, 8);
        assert_eq!((eight.least, eight.mean), (f64::INFINITY, f64::INFINITY));
        eight.add(squares(&[1, 2, 3], &[2, 1, 4], 8) / 3.0, 8);
        assert!((eight.least - 48.1308).abs() < 1e-4 && eight.worst == 1);
        assert!((eight.mean - 51.1411).abs() < 1e-4, "half the error is 3.01 dB more");
        let mut ten = Ratio::default();
        ten.add(squares(&[255, 0, 0, 1], &[0, 1, 1, 1], 10) / 2.0, 10);
        assert!((ten.least - 60.1975).abs() < 1e-4);
    }

    #[test]
    fn levels_are_in_decibels() {
        let mut levels = Levels::default();
        for n in 0..100 {
            let v = if n % 2 == 0 { 0.5 } else { -0.5 };
            levels.add(v, v / 2.0);
        }
        assert!((levels.difference() + 6.0206).abs() < 1e-4);
        assert!((levels.residue() + 12.0412).abs() < 1e-4);
        let silent = Levels::default();
        assert_eq!((silent.difference(), silent.residue()), (0.0, -120.0));
        assert!((levels.source() + 6.0206).abs() < 1e-4);
    }

    #[test]
    fn what_is_not_a_number_is_never_taken_for_silence() {
        for odd in [f32::NAN, f32::INFINITY] {
            let mut levels = Levels::default();
            levels.add(0.0, 0.0);
            levels.add(0.0, odd);
            assert_eq!((levels.difference(), levels.residue()), (f64::INFINITY, f64::INFINITY));
        }
    }
}
