//! Blocks of planar samples on their way from half floats to 32 bits and back.
//!
//! Knows premultiplication and how values are held to what a half float can carry. Does not know
//! what is done to the colour in between.

use half::f16;
use half::slice::HalfFloatSliceExt;

use crate::base::level::{Level, kernel};

/// Samples that are worked on at a time, so that everything a kernel touches stays in the nearest cache.
pub const BLOCK: usize = 512;

/// The largest number that a half float holds.
pub const HALF_MAX: f32 = 65_504.0;

/// The least number that rounding to half floats does not bring to the largest of them.
const BEYOND: f32 = 65_520.0;

/// Puts `samples` at the end of `plane` as half floats, rounded to nearest, ties to even. What is not a number becomes
/// 0 and what is too large the largest half float: such samples would spread through every blur, and their
/// bits differ from processor to processor. Overwrites `samples`. Gives how many finite ones were too large.
pub fn append_half(level: Level, samples: &mut [f32], plane: &mut Vec<f16>) -> usize {
    let beyond = samples.iter().filter(|v| is_beyond(**v)).count();
    settle(level, samples);
    let mut half = [f16::ZERO; BLOCK];
    for part in samples.chunks(BLOCK) {
        let half = &mut half[..part.len()];
        half.convert_from_f32_slice(part);
        plane.extend_from_slice(half);
    }
    beyond
}

/// True of a finite number that is larger than half floats can be, whatever its sign.
pub fn is_beyond(value: f32) -> bool {
    (BEYOND..=f32::MAX).contains(&value.abs())
}

/// What is said of a picture in which so many values are larger than half floats can be.
pub fn told_beyond(count: usize) -> Option<String> {
    let values = match count {
        0 => return None,
        1 => "1 value".to_string(),
        n => format!("{n} values"),
    };
    Some(format!(
        "comes to {values} beyond {HALF_MAX}, the largest that a render holds, and shows that instead; if they matter, make it \
         darker before"
    ))
}

/// Reads half floats as 32-bit ones; both hold the same number.
pub fn from_half(half: &[f16], samples: &mut [f32]) {
    half.convert_to_f32_slice(samples);
}

/// True when every sample is one, as the alpha of an opaque picture.
pub fn all_one(alpha: &[f32]) -> bool {
    alpha.iter().all(|&a| a == 1.0)
}

kernel! {
    fn settle(samples: &mut [f32]) {
        for v in samples {
            let high = if *v < HALF_MAX { *v } else { HALF_MAX };
            let held = if high > -HALF_MAX { high } else { -HALF_MAX };
            *v = if v.is_nan() { 0.0 } else { held };
        }
    }
}

kernel! {
    /// Multiplies colour by alpha.
    pub fn premultiply(colour: &mut [f32], alpha: &[f32]) {
        for (v, a) in colour.iter_mut().zip(alpha) {
            *v *= *a;
        }
    }
}

kernel! {
    /// Divides colour by alpha where there is any, and leaves it where there is none.
    pub fn unpremultiply(colour: &mut [f32], alpha: &[f32]) {
        for (v, a) in colour.iter_mut().zip(alpha) {
            *v = if *a > 0.0 { *v / *a } else { *v };
        }
    }
}

kernel! {
    /// Undoes [`unpremultiply`].
    pub fn repremultiply(colour: &mut [f32], alpha: &[f32]) {
        for (v, a) in colour.iter_mut().zip(alpha) {
            *v = if *a > 0.0 { *v * *a } else { *v };
        }
    }
}

kernel! {
    /// After a change of colour that made `black` of nothing: where alpha is not above 0 that much is taken away, so that
    /// light which covers nothing keeps no more than its own change.
    pub fn take_black(colour: &mut [f32], alpha: &[f32], black: &[f32]) {
        for ((v, a), black) in colour.iter_mut().zip(alpha).zip(black) {
            *v = if *a > 0.0 { *v } else { *v - *black };
        }
    }
}

/// True when some sample lets all light through.
pub fn any_clear(alpha: &[f32]) -> bool {
    !alpha.iter().all(|&a| a > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_are_held_to_what_half_floats_carry() {
        let mut samples = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 65_600.0, 0.1, -2.0];
        let mut plane = Vec::new();
        assert_eq!(append_half(Level::best(), &mut samples, &mut plane), 1);
        let want = [0.0, 65_504.0, -65_504.0, 65_504.0, 0.099975586, -2.0].map(f16::from_f32);
        assert_eq!(plane, want);
    }

    #[test]
    fn only_what_rounding_does_not_bring_back_counts_as_beyond() {
        let all = [65_504.0, 65_519.0, 65_520.0, -7e4, f32::MAX, f32::INFINITY, f32::NAN];
        assert_eq!(all.map(is_beyond), [false, false, true, true, true, false, false]);
        assert_eq!(told_beyond(0), None);
        assert!(told_beyond(1).unwrap().contains("1 value beyond 65504"));
        assert!(told_beyond(2).unwrap().contains("2 values beyond 65504"));
    }

    #[test]
    fn division_by_alpha_is_undone() {
        let alpha = [1.0, 0.5, 0.0];
        let mut colour = [0.25, 0.25, 0.25];
        unpremultiply(Level::best(), &mut colour, &alpha);
        assert_eq!(colour, [0.25, 0.5, 0.25]);
        repremultiply(Level::best(), &mut colour, &alpha);
        take_black(Level::best(), &mut colour, &alpha, &[0.5, 0.5, 0.125]);
        assert_eq!(colour, [0.25, 0.25, 0.125]);
    }
}
