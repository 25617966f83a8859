//! Logarithm, exponential and power that give the same bits on every machine of one platform.
//!
//! Knows polynomials. Does not know what is raised to a power. The system's own functions choose
//! their code by processor and round differently from one to the next, so none is called here.
//! The 32-bit forms have no branches and no table, so loops over them become vector code.
//!
//! The method is the usual one of tables of functions (common practice): a number
//! is 2^k·m with m between √½ and √2, and log2(m) is a polynomial in m − 1; 2^z is 2^n times a
//! polynomial in z − n, n being the nearest whole number. Coefficients were fitted for least
//! greatest error (1.2e-9 and 1.9e-9) by reweighted least squares.

use std::f64::consts::{LN_2, SQRT_2};

/// (log2(1 + t)/t − 1) for t from √½ − 1 to √2 − 1; error times t at most 1.2e-9 before rounding.
const LOG: [f32; 10] = [
    0.442_695_05,
    -0.721_347_15,
    0.480_898_14,
    -0.360_708_8,
    0.288_579_17,
    -0.239_392_9,
    0.204_289_4,
    -0.192_352_98,
    0.188_390_5,
    -0.109_751_21,
];
/// (2^r − 1)/r for r from −½ to ½; error times r at most 1.9e-9 before rounding.
const EXP: [f32; 6] =
    [std::f32::consts::LN_2, 0.240_226_5, 0.055_503_28, 0.009_618_004, 0.001_340_027, 0.000_154_763_01];
/// Bits of √½ as a 32-bit float.
const ROOT_HALF: u32 = 0x3f35_04f3;
/// Adding this to a number below 2^22 leaves its nearest whole number in the low bits.
const ROUND: f32 = 12_582_912.0;
/// Keeps the upper 12 bits of a significand, so that a product of two such is exact.
const UPPER: u32 = 0xffff_f000;

#[inline(always)]
fn upper(x: f32) -> f32 {
    f32::from_bits(x.to_bits() & UPPER)
}

/// `x` as 2^k·(1 + t). For positive normal `x`; nonsense, but no trap, for others.
#[inline(always)]
fn parts(x: f32) -> (f32, f32) {
    let shifted = x.to_bits().wrapping_sub(ROOT_HALF);
    let k = (shifted as i32) >> 23;
    let m = f32::from_bits((shifted & 0x007f_ffff).wrapping_add(ROOT_HALF));
    (k as f32, m - 1.0)
}

/// log2(1 + t) − t.
#[inline(always)]
fn log_rest(t: f32) -> f32 {
    let mut q = LOG[9];
    let mut i = 9;
    while i > 0 {
        i -= 1;
        q = q * t + LOG[i];
    }
    q * t
}

/// Two to the power `n + r`, `n` whole from −126 to 127 and given with [`ROUND`] added, `r` within ±½.
#[inline(always)]
fn exp_parts(rounded: f32, r: f32) -> f32 {
    let n = rounded.to_bits().wrapping_sub(ROUND.to_bits());
    let mut p = EXP[5];
    let mut i = 5;
    while i > 0 {
        i -= 1;
        p = p * r + EXP[i];
    }
    let scale = f32::from_bits(n.wrapping_add(127) << 23);
    (p * r + 1.0) * scale
}

#[inline(always)]
fn within(x: f32, low: f32, high: f32) -> f32 {
    let x = if x < high { x } else { high };
    if x > low { x } else { low }
}

/// An exponent made ready: itself, its upper half and the rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exponent {
    whole: f32,
    upper: f32,
    lower: f32,
}

impl Exponent {
    /// Makes an exponent ready.
    pub fn new(y: f32) -> Self {
        Self { whole: y, upper: upper(y), lower: y - upper(y) }
    }
}

/// `x` to the power `y`, for `x` > 0 and `y` > 0. Below the smallest normal number, at zero, for negative
/// `x` and for what is not a number the answer is 0; results are held below 2^127.5. Relative error below 2e-7
/// against the exact power for `y` up to 3, and growing with `y` above.
#[inline(always)]
pub fn pow(x: f32, y: Exponent) -> f32 {
    let (k, t) = parts(x);
    let t_upper = upper(t);
    // The exponent k + t + rest times y, kept as two exact products and a small remainder, since a rounding
    // error here is multiplied by the size of the exponent.
    let whole = y.upper * k;
    let first = y.upper * t_upper;
    let small = y.lower * (k + t_upper) + y.whole * ((t - t_upper) + log_rest(t));
    let z = within(whole + (first + small), -126.0, 127.0);
    let rounded = z + ROUND;
    let n = rounded - ROUND;
    let r = within((whole - n) + first + small, -0.5, 0.5);
    let power = exp_parts(rounded, r);
    if x >= f32::MIN_POSITIVE { power } else { 0.0 }
}

/// log2 of `x`, for `x` > 0; of what is smaller than the smallest normal number, −126. Absolute error below 2e-7
/// near 1 and one unit in the last place elsewhere.
#[inline(always)]
pub fn log2(x: f32) -> f32 {
    let x = if x > f32::MIN_POSITIVE { x } else { f32::MIN_POSITIVE };
    let (k, t) = parts(x);
    k + (t + log_rest(t))
}

/// Two to the power `z`, with `z` held from −126 to 127. Relative error below 2e-7.
#[inline(always)]
pub fn exp2(z: f32) -> f32 {
    let z = within(z, -126.0, 127.0);
    let rounded = z + ROUND;
    exp_parts(rounded, z - (rounded - ROUND))
}

/// log2 in double precision, for positive normal `x`; relative error about 1e-15.
pub fn log2_exact(x: f64) -> f64 {
    let bits = x.to_bits();
    let mut k = ((bits >> 52) as i64) - 1023;
    let mut m = f64::from_bits((bits & ((1 << 52) - 1)) | (1023 << 52));
    if m > SQRT_2 {
        m *= 0.5;
        k += 1;
    }
    // ln(m) = 2·(s + s³/3 + s⁵/5 + …) with s = (m − 1)/(m + 1); |s| < 0.172, so 12 terms reach 1e-19.
    let s = (m - 1.0) / (m + 1.0);
    let square = s * s;
    let series = (0..12).rev().fold(0.0, |sum, i| sum * square + 1.0 / f64::from(2 * i + 1));
    k as f64 + 2.0 * s * series / LN_2
}

/// Two to the power `z` in double precision, with `z` held within ±1000; relative error about 1e-15.
pub fn exp2_exact(z: f64) -> f64 {
    let z = z.clamp(-1000.0, 1000.0);
    let n = z.round();
    let r = (z - n) * LN_2;
    let series = (1..=17).rev().fold(1.0, |sum, i| 1.0 + sum * r / f64::from(i));
    series * f64::from_bits(((n as i64 + 1023) as u64) << 52)
}

/// `x` to the power `y` in double precision; 0 where `x` is not a positive normal number.
pub fn pow_exact(x: f64, y: f64) -> f64 {
    if x >= f64::MIN_POSITIVE && x.is_finite() { exp2_exact(log2_exact(x) * y) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers spread over all half floats and between them.
    fn spread() -> impl Iterator<Item = f32> {
        (0..400_000u32).map(|i| f32::from_bits(0x3300_0000 + i * 487 + (i % 31)))
    }

    #[test]
    fn power_is_within_its_bound() {
        for y in [0.1f32, 0.45, 0.5, 0.8, 0.95, 1.0, 1.05, 1.3, 1.8, 2.0, 2.2, 2.4, 3.0] {
            let ready = Exponent::new(y);
            let mut worst = 0.0f64;
            for x in spread() {
                let exact = f64::from(x).powf(f64::from(y));
                worst = worst.max((f64::from(pow(x, ready)) - exact).abs() / exact);
            }
            assert!(worst < 2e-7, "x^{y}: {worst:e}");
        }
    }

    #[test]
    fn power_of_edges() {
        let y = Exponent::new(0.45);
        for x in [0.0, -0.0, -1.0, f32::NAN, f32::NEG_INFINITY, 1e-40] {
            assert_eq!(pow(x, y), 0.0, "{x}");
        }
        assert_eq!(pow(1.0, y), 1.0);
        assert!(pow(f32::MAX, Exponent::new(900.0)).is_finite());
        assert!(pow(f32::INFINITY, y) > 1e10);
        assert_eq!(pow(0.5, Exponent::new(9e30)), pow(0.25, Exponent::new(9e30)));
    }

    #[test]
    fn logarithm_and_exponential_are_within_their_bounds() {
        for x in spread() {
            let exact = f64::from(x).log2();
            let error = (f64::from(log2(x)) - exact).abs();
            assert!(error < 2e-7 + exact.abs() * 1.2e-7, "log2 {x}: {error:e}");
        }
        for i in -200_000..200_000 {
            let z = i as f32 * 0.0006;
            let exact = f64::from(z).exp2();
            let error = (f64::from(exp2(z)) - exact).abs() / exact;
            assert!(error < 2e-7, "exp2 {z}: {error:e}");
        }
    }

    #[test]
    fn double_forms_are_exact_to_the_last_bits() {
        for x in spread().step_by(7) {
            let x = f64::from(x);
            for y in [0.1593017578125, 0.45, 2.4, 78.84375 / 12.0] {
                let system = x.powf(y);
                assert!((pow_exact(x, y) - system).abs() <= system * 2e-14, "{x}^{y}");
            }
        }
        assert_eq!(exp2_exact(10.0), 1024.0);
        assert_eq!(log2_exact(8.0), 3.0);
    }
}
