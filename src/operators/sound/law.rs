//! Levels, fades and panning: how much of a sound is heard, and where.
//!
//! Knows gains only. Does not know samples.

use std::f64::consts::FRAC_PI_2;

/// The factor of a level in decibels; that of minus infinity is 0.
pub fn factor(decibels: f64) -> f64 {
    10f64.powf(decibels / 20.0)
}

/// The level of a factor in decibels; that of 0 is minus infinity.
pub fn decibels(factor: f64) -> f64 {
    20.0 * factor.abs().log10()
}

/// Samples between which levels and places are worked out; between them they go in straight lines.
pub const GRID: i64 = 64;

/// The level `n` samples after a point of the grid with level `a`, of which the next has `b`.
pub fn ramp(a: f32, b: f32, n: i64) -> f32 {
    a + n as f32 / GRID as f32 * (b - a)
}

/// How a fade runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fade {
    /// By even steps of the factor: two fades of one sound across each other keep its level.
    Linear,
    /// By a quarter of a sine: two fades of unlike sounds across each other keep their power.
    EqualPower,
}

impl Fade {
    /// The factor of a fade in after `share` of its length, 0 to 1; a fade out is the same from its end.
    pub fn at(self, share: f64) -> f64 {
        let share = share.clamp(0.0, 1.0);
        match self {
            Self::Linear => share,
            Self::EqualPower => (share * FRAC_PI_2).sin(),
        }
    }
}

/// Factors for left and right of a mono sound that stands at `place`, -1 (left) to 1 (right), by the law of equal power: the
/// middle is 3 dB down in each, and left² + right² is 1 everywhere (sine and cosine law; common practice, no source).
pub fn pan(place: f64) -> [f64; 2] {
    let angle = (place.clamp(-1.0, 1.0) + 1.0) / 2.0 * FRAC_PI_2;
    [angle.cos(), angle.sin()]
}

/// Factors for left and right of a stereo sound moved to `place`, -1 to 1: the side that it leaves is taken down by equal
/// power, the other stays as it is, so that the middle changes nothing.
pub fn balance(place: f64) -> [f64; 2] {
    let side = |share: f64| (share.clamp(0.0, 1.0) * FRAC_PI_2).cos();
    [side(place), side(-place)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crossing_fades_keep_level_or_power() {
        for i in 0..=20 {
            let share = f64::from(i) / 20.0;
            assert!((Fade::Linear.at(share) + Fade::Linear.at(1.0 - share) - 1.0).abs() < 1e-12);
            let [a, b] = [share, 1.0 - share].map(|s| Fade::EqualPower.at(s).powi(2));
            assert!((a + b - 1.0).abs() < 1e-12);
        }
        assert_eq!((Fade::EqualPower.at(-1.0), Fade::Linear.at(2.0)), (0.0, 1.0));
    }

    #[test]
    fn panning_keeps_power_and_the_middle_is_three_decibels_down() {
        for i in -10..=10 {
            let [l, r] = pan(f64::from(i) / 10.0);
            assert!((l * l + r * r - 1.0).abs() < 1e-12);
        }
        assert!(pan(0.0).iter().all(|v| (decibels(*v) + 3.0103).abs() < 1e-4));
        assert!((pan(-1.0)[0] - 1.0).abs() < 1e-12 && pan(-1.0)[1].abs() < 1e-12);
        assert_eq!(balance(0.0), [1.0, 1.0]);
        assert!(balance(1.0)[0].abs() < 1e-12 && balance(1.0)[1] == 1.0);
    }

    #[test]
    fn decibels_there_and_back() {
        for level in [-60.0, -6.0, 0.0, 12.0] {
            assert!((decibels(factor(level)) - level).abs() < 1e-12);
        }
        assert_eq!(factor(f64::NEG_INFINITY), 0.0);
        assert!((factor(-6.0) - 0.501_187).abs() < 1e-6);
    }
}
