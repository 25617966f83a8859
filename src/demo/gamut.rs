//! Colours of ACEScct brought within what Rec.709 shows.
//!
//! Knows the curve and the primaries as published, with powers and logarithms of its own, the same to the last bit
//! everywhere. Does not know the look.

/// Linear AP1 to linear Rec.709, white to white by Bradford's cones (Academy S-2014-004, ITU-R BT.709-6, Lam 1985).
const TO_709: [[f64; 3]; 3] = [
    [1.705_050_99, -0.621_792_12, -0.083_258_87],
    [-0.130_256_42, 1.140_804_74, -0.010_548_32],
    [-0.024_003_36, -0.128_968_98, 1.152_972_33],
];
/// Its inverse.
const FROM_709: [[f64; 3]; 3] = [
    [0.613_097_4, 0.339_523_15, 0.047_379_45],
    [0.070_193_72, 0.916_353_88, 0.013_452_4],
    [0.020_615_59, 0.109_569_77, 0.869_814_63],
];
/// Shares of luminance (ITU-R BT.709-6).
const LUMINANCE: [f64; 3] = [0.2126, 0.7152, 0.0722];
/// How far a colour may lie from grey and stay as it is: its least channel is this share of its light below it.
const FREE: f64 = 0.9;
/// What richer colours come near and never reach; 1 is the edge of what Rec.709 shows. What is left is more than straight
/// lines between the samples of a look are off.
const MOST: f64 = 0.97;

/// A colour of ACEScct as it is, or, where Rec.709 has none so rich, drawn towards the grey of its own light. What has no
/// light, or less, has no colour: it is that grey.
pub fn shown(colour: [f32; 3]) -> [f32; 3] {
    let rgb = apply(&TO_709, colour.map(|v| light(f64::from(v))));
    let own = rgb.iter().zip(LUMINANCE).map(|(v, share)| v * share).sum::<f64>();
    let least = rgb[0].min(rgb[1]).min(rgb[2]);
    if own <= 0.0 {
        return apply(&FROM_709, [own; 3]).map(|v| code(v) as f32);
    }
    let rich = (own - least) / own;
    if rich <= FREE {
        return colour;
    }
    // As x / (1 + x), which begins as steep as it goes on.
    let beyond = (rich - FREE) / (MOST - FREE);
    let share = (FREE + (MOST - FREE) * beyond / (1.0 + beyond)) / rich;
    let drawn = rgb.map(|v| own + (v - own) * share);
    apply(&FROM_709, drawn).map(|v| code(v) as f32)
}

fn apply(matrix: &[[f64; 3]; 3], [r, g, b]: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row[0] * r + row[1] * g + row[2] * b)
}

/// Linear light of a code of ACEScct (Academy S-2016-001).
fn light(code: f64) -> f64 {
    if code <= 0.155_251_141_552_511 {
        (code - 0.072_905_534_195_835_5) / 10.540_237_741_654_5
    } else {
        power_of_two(code * 17.52 - 9.72)
    }
}

/// Undoes [`light`].
fn code(light: f64) -> f64 {
    if light <= 0.007_812_5 {
        light * 10.540_237_741_654_5 + 0.072_905_534_195_835_5
    } else {
        (logarithm_of_two(light) + 9.72) / 17.52
    }
}

/// 2 to a power, for powers from -1000 to 1000.
fn power_of_two(power: f64) -> f64 {
    // Whole powers go into the exponent's bits; the series takes what is left, at most a half.
    let whole = (power + 0.5).floor();
    let r = (power - whole) * std::f64::consts::LN_2;
    let series = (1..=14).rev().fold(1.0, |sum, n| 1.0 + sum * r / f64::from(n));
    f64::from_bits(((whole as i64 + 1023) as u64) << 52) * series
}

/// The logarithm to the base 2 of a number above 0 that is not very small.
fn logarithm_of_two(number: f64) -> f64 {
    let bits = number.to_bits();
    let whole = (bits >> 52) as i64 - 1023;
    let m = f64::from_bits((bits & ((1 << 52) - 1)) | (1023 << 52));
    // ln m = 2 artanh((m − 1) / (m + 1)), of an argument of at most a third.
    let t = (m - 1.0) / (m + 1.0);
    let series = (0..16).rev().fold(0.0, |sum, n| sum * t * t + 1.0 / f64::from(2 * n + 1));
    whole as f64 + 2.0 * t * series / std::f64::consts::LN_2
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn powers_and_logarithms_are_the_true_ones() {
        for i in -400..=400 {
            let power = f64::from(i) * 0.04 + 0.013;
            let truth = power.exp2();
            assert!((power_of_two(power) - truth).abs() < truth * 1e-13, "2 to the {power}");
            assert!((logarithm_of_two(truth) - power).abs() < 1e-13, "of 2 to the {power}");
        }
    }

    #[test]
    fn what_rec_709_shows_well_stays_and_the_rest_comes_within() {
        let of = |rgb: [f64; 3]| apply(&FROM_709, rgb).map(|v| code(v) as f32);
        let back = |c: [f32; 3]| apply(&TO_709, c.map(|v| light(f64::from(v))));
        for rgb in [[0.18; 3], [0.5, 0.2, 0.05], [0.002, 0.001, 0.0005], [9.0, 3.0, 1.2]] {
            assert_eq!(shown(of(rgb)), of(rgb), "{rgb:?}");
        }
        for rgb in [[9.0, 2.7, -0.1], [-0.013, 0.43, 0.32], [0.006, 0.002, -0.0003], [1.0, 0.0, -0.05]] {
            let (own, out) = (rgb, back(shown(of(rgb))));
            let light = |rgb: [f64; 3]| rgb.iter().zip(LUMINANCE).map(|(v, s)| v * s).sum::<f64>();
            assert!(out.iter().all(|v| *v > 0.02 * light(out)), "{out:?}");
            assert!((light(out) / light(own) - 1.0).abs() < 1e-4, "as bright as before: {out:?}");
        }
        let under = back(shown(of([-0.001, -0.001, 0.004])));
        let grey = -0.001 * (LUMINANCE[0] + LUMINANCE[1]) + 0.004 * LUMINANCE[2];
        assert!(under.iter().all(|v| (v - grey).abs() < 1e-6), "less than black has no colour: {under:?}");
    }
}
