//! Chance: numbers that look random and follow from a seed, and the curves that they are drawn from.
//!
//! Knows the normal curve both ways, the lognormal, the beta curve of three-point estimates, and quantiles of a sample. Does
//! not know what is drawn. All of it is arithmetic that comes out the same on every thread.

use std::f64::consts::PI;

/// Furthest from the middle that a draw of the normal curve is told apart: beyond lies less than one in 10^15.
pub const FURTHEST: f64 = 8.0;

/// Two numbers and a third that looks as if it had nothing to do with them: SplitMix64 (Steele, Lea & Flood 2014, "Fast
/// splittable pseudorandom number generators"), its mixing step used as a hash, so that the draw of one piece of work in one run
/// is the same whatever else is drawn. That is what makes two forecasts comparable draw by draw.
pub fn mixed(a: u64, b: u64) -> u64 {
    let mut z = a.wrapping_add(b.wrapping_mul(0x9e37_79b9_7f4a_7c15)).wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A number for a text, the same everywhere: FNV-1a, 64 bits (Fowler, Noll & Vo).
pub fn of_text(text: &str) -> u64 {
    text.bytes()
        .fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}

/// A draw of the standard normal curve from 64 random bits, by its inverse.
pub fn normal(bits: u64) -> f64 {
    // The middle of one of 2^52 equal parts: never 0 and never 1.
    quantile_of_normal(((bits >> 12) as f64 + 0.5) / 4_503_599_627_370_496.0)
}

/// Where the standard normal curve has the share `p` (0 to 1) below: Wichura 1988, "Algorithm AS 241: The percentage points of
/// the normal distribution", Applied Statistics 37, routine PPND16; to about 1 part in 10^16.
pub fn quantile_of_normal(p: f64) -> f64 {
    let q = p - 0.5;
    if q.abs() <= 0.425 {
        let r = 0.180_625 - q * q;
        return q * ratio(&NEAR, r);
    }
    let tail = if q < 0.0 { p } else { 1.0 - p };
    if tail <= 0.0 {
        return if q < 0.0 { f64::NEG_INFINITY } else { f64::INFINITY };
    }
    let r = (-tail.ln()).sqrt();
    let far = if r <= 5.0 { ratio(&FAR, r - 1.6) } else { ratio(&FURTHER, r - 5.0) };
    if q < 0.0 { -far } else { far }
}

/// Coefficients of a quotient of two polynomials, the constant first.
type Ratio = ([f64; 8], [f64; 8]);

fn ratio((above, below): &Ratio, x: f64) -> f64 {
    let at = |c: &[f64; 8]| c.iter().rev().fold(0.0, |sum, c| sum * x + c);
    at(above) / at(below)
}

const NEAR: Ratio = (
    [
        3.387_132_872_796_366_5,
        133.141_667_891_784_38,
        1_971.590_950_306_551_3,
        13_731.693_765_509_46,
        45_921.953_931_549_87,
        67_265.770_927_008_7,
        33_430.575_583_588_13,
        2_509.080_928_730_122_7,
    ],
    [
        1.0,
        42.313_330_701_600_91,
        687.187_007_492_057_9,
        5_394.196_021_424_751,
        21_213.794_301_586_597,
        39_307.895_800_092_71,
        28_729.085_735_721_943,
        5_226.495_278_852_854,
    ],
);
const FAR: Ratio = (
    [
        1.423_437_110_749_683_5,
        4.630_337_846_156_546,
        5.769_497_221_460_691,
        3.647_848_324_763_204_5,
        1.270_458_252_452_368_4,
        0.241_780_725_177_450_6,
        0.022_723_844_989_269_184,
        7.745_450_142_783_414e-4,
    ],
    [
        1.0,
        2.053_191_626_637_759,
        1.676_384_830_183_803_8,
        0.689_767_334_985_1,
        0.148_103_976_427_480_08,
        0.015_198_666_563_616_457,
        5.475_938_084_995_345e-4,
        1.050_750_071_644_416_9e-9,
    ],
);
const FURTHER: Ratio = (
    [
        6.657_904_643_501_103,
        5.463_784_911_164_114,
        1.784_826_539_917_291_3,
        0.296_560_571_828_504_9,
        0.026_532_189_526_576_124,
        0.001_242_660_947_388_078_4,
        2.711_555_568_743_487_6e-5,
        2.010_334_399_292_288_1e-7,
    ],
    [
        1.0,
        0.599_832_206_555_888,
        0.136_929_880_922_735_8,
        0.014_875_361_290_850_615,
        7.868_691_311_456_133e-4,
        1.846_318_317_510_054_7e-5,
        1.421_511_758_316_446e-7,
        2.044_263_103_389_939_8e-15,
    ],
);

/// The share of the standard normal curve below `x`: the series of Marsaglia 2004, "Evaluating the normal distribution",
/// Journal of Statistical Software 11(4).
pub fn share_of_normal(x: f64) -> f64 {
    if x.abs() >= FURTHEST {
        return if x < 0.0 { 0.0 } else { 1.0 };
    }
    let (mut sum, mut term, mut last, mut i) = (x, x, 0.0, 1.0);
    while sum != last {
        last = sum;
        i += 2.0;
        term *= x * x / i;
        sum += term;
    }
    0.5 + sum * (-0.5 * x * x - 0.5 * (2.0 * PI).ln()).exp()
}

/// A three-point estimate: the least, the likeliest and the most that something may take, in any one unit. Its curve is the
/// beta curve of Malcolm, Roseboom, Clark & Fazar 1959, "Application of a technique for research and development program
/// evaluation", Operations Research 7, with the weight of 4 on the likeliest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Three {
    /// Never less.
    pub least: f64,
    /// The top of the curve.
    pub likely: f64,
    /// Never more.
    pub most: f64,
}

impl Three {
    /// The mean, `(least + 4 likely + most) / 6`.
    pub fn mean(&self) -> f64 {
        (self.least + 4.0 * self.likely + self.most) / 6.0
    }

    /// The beta curve's two shapes.
    pub fn shapes(&self) -> (f64, f64) {
        let wide = self.most - self.least;
        (1.0 + 4.0 * (self.likely - self.least) / wide, 1.0 + 4.0 * (self.most - self.likely) / wide)
    }

    /// Where the curve has the share `p` below.
    pub fn quantile(&self, p: f64) -> f64 {
        if self.most <= self.least {
            return self.likely;
        }
        let (a, b) = self.shapes();
        self.least + (self.most - self.least) * quantile_of_beta(a, b, p)
    }
}

/// Where the beta curve of shapes `a` and `b` has the share `p` below, by halving.
fn quantile_of_beta(a: f64, b: f64, p: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    while high - low > 1e-14 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if share_of_beta(a, b, middle) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// The regularised incomplete beta function by its continued fraction (NIST Digital Library of Mathematical Functions,
/// 8.17.22), evaluated as Lentz 1976 does.
fn share_of_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 || x >= 1.0 {
        return x.clamp(0.0, 1.0);
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - share_of_beta(b, a, 1.0 - x);
    }
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (-x).ln_1p()).exp() / a;
    let tiny = 1e-300;
    let (mut f, mut c, mut d) = (1.0, 1.0, 0.0);
    for i in 0..400 {
        let m = f64::from(i / 2);
        let step = match i {
            0 => 1.0,
            i if i % 2 == 0 => m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m)),
            _ => -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0)),
        };
        d = 1.0 / nonzero(1.0 + step * d, tiny);
        c = nonzero(1.0 + step / c, tiny);
        f *= c * d;
        if (c * d - 1.0).abs() < 1e-16 {
            break;
        }
    }
    front * (f - 1.0)
}

fn nonzero(x: f64, tiny: f64) -> f64 {
    if x.abs() < tiny { tiny } else { x }
}

/// The logarithm of the gamma function for `x` of at least 0.5: Lanczos 1964 with g = 7 and nine terms.
fn ln_gamma(x: f64) -> f64 {
    const TERMS: [f64; 9] = [
        0.999_999_999_999_809_9,
        676.520_368_121_885_1,
        -1_259.139_216_722_402_8,
        771.323_428_777_653_1,
        -176.615_029_162_140_6,
        12.507_343_278_686_905,
        -0.138_571_095_265_720_12,
        9.984_369_578_019_572e-6,
        1.505_632_735_149_311_6e-7,
    ];
    let x = x - 1.0;
    let t = x + 7.5;
    let sum = TERMS.iter().enumerate().skip(1).fold(TERMS[0], |sum, (i, c)| sum + c / (x + i as f64));
    0.5 * (2.0 * PI).ln() + (x + 0.5) * t.ln() - t + sum.ln()
}

/// The value below which the share `p` of a sample lies, which must be sorted and not empty: between two of them by proportion,
/// which is definition 7 of Hyndman & Fan 1996, "Sample quantiles in statistical packages". An infinite value counts as later
/// than all others and is never mixed with them.
pub fn quantile(sorted: &[f64], p: f64) -> f64 {
    let at = p.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
    let (low, part) = (at.floor() as usize, at.fract());
    let high = (low + 1).min(sorted.len() - 1);
    match sorted[high] - sorted[low] {
        step if part > 0.0 && step > 0.0 => sorted[low] + part * step,
        _ => sorted[low],
    }
}

/// The middle of a sample, and the middle distance from it, of values that need not be sorted; nothing of none.
pub fn middle(values: &[f64]) -> Option<(f64, f64)> {
    let sorted = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values
    };
    if values.is_empty() {
        return None;
    }
    let median = quantile(&sorted(values.to_vec()), 0.5);
    Some((median, quantile(&sorted(values.iter().map(|v| (v - median).abs()).collect()), 0.5)))
}

/// How many times the middle deviation a normal curve's standard deviation is: 1 / (√2 erf⁻¹(½)).
pub const DEVIATIONS: f64 = 1.482_602_218_505_602;

/// How wide four in five of the normal curve are on either side of its middle.
pub const FOUR_IN_FIVE: f64 = 1.281_551_565_544_600_4;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_normal_curve_there_and_back() {
        for i in 1..1000 {
            let p = f64::from(i) / 1000.0;
            assert!((share_of_normal(quantile_of_normal(p)) - p).abs() < 1e-14, "{p}");
        }
        assert_eq!(quantile_of_normal(0.5), 0.0);
        assert!((quantile_of_normal(0.9) - FOUR_IN_FIVE).abs() < 1e-15);
        assert!((1.0 / quantile_of_normal(0.75) - DEVIATIONS).abs() < 1e-14);
        assert_eq!((share_of_normal(-9.0), share_of_normal(9.0)), (0.0, 1.0));
        assert_eq!((quantile_of_normal(0.0), quantile_of_normal(1.0)), (f64::NEG_INFINITY, f64::INFINITY));
        assert!(normal(0) > -8.3 && normal(u64::MAX) < 8.3);
    }

    #[test]
    fn draws_have_the_curve_they_are_drawn_from() {
        let draws: Vec<f64> = (0..100_000).map(|i| normal(mixed(7, i))).collect();
        let mean = draws.iter().sum::<f64>() / 1e5;
        let variance = draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / 1e5;
        assert!(mean.abs() < 0.015 && (variance - 1.0).abs() < 0.02, "{mean} {variance}");
        let next_to_each_other = draws.windows(2).map(|d| d[0] * d[1]).sum::<f64>() / 1e5;
        assert!(next_to_each_other.abs() < 0.015);
        assert_ne!(mixed(1, 2), mixed(2, 1));
        assert_eq!(of_text("a"), 0xaf63_dc4c_8601_ec8c);
    }

    #[test]
    fn a_sample_has_quantiles() {
        let sorted = [1.0, 2.0, 4.0, f64::INFINITY];
        assert_eq!(quantile(&sorted, 0.0), 1.0);
        assert_eq!(quantile(&sorted, 0.5), 3.0);
        assert_eq!(quantile(&sorted, 1.0), f64::INFINITY);
        assert_eq!(quantile(&sorted, 0.9), f64::INFINITY);
        assert_eq!(quantile(&[5.0], 0.8), 5.0);
        assert_eq!(middle(&[3.0, 1.0, 2.0]), Some((2.0, 1.0)));
        assert_eq!(middle(&[]), None);
    }

    #[test]
    fn a_point_estimate_is_a_point() {
        let three = Three { least: 2.0, likely: 2.0, most: 2.0 };
        assert_eq!((three.mean(), three.quantile(0.9)), (2.0, 2.0));
        let wide = Three { least: 0.0, likely: 0.0, most: 6.0 };
        assert_eq!(wide.mean(), 1.0);
        assert!(wide.quantile(0.0) < 1e-9 && wide.quantile(1.0) > 5.9);
    }
}
