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

/// Puts `samples` at the end of `plane` as half floats, rounded to nearest, ties to even. What is not a number becomes
/// 0 and what is too large the largest half float: such samples would spread through every blur, and their
/// bits differ from processor to processor. Overwrites `samples`.
pub fn append_half(level: Level, samples: &mut [f32], plane: &mut Vec<f16>) {
    settle(level, samples);
    let mut half = [f16::ZERO; BLOCK];
    for part in samples.chunks(BLOCK) {
        let half = &mut half[..part.len()];
        half.convert_from_f32_slice(part);
        plane.extend_from_slice(half);
    }
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
        append_half(Level::best(), &mut samples, &mut plane);
        let want = [0.0, 65_504.0, -65_504.0, 65_504.0, 0.099975586, -2.0].map(f16::from_f32);
        assert_eq!(plane, want);
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
