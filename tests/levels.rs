//! Levels and gamut against published codes: narrow range by Rec. ITU-R BT.709, limits by EBU R 103.
//!
//! Expected values and their tolerance are in tests/checks/levels.json. Codes of bars are exact after rounding half up; where the
//! file gives codes that are not whole, they are rounded to two digits.

use endboard::inspect::levels::{Weights, code_of, rgb_of_ycbcr, value_of, ycbcr_of_rgb};
use endboard::inspect::look::look;
use endboard::inspect::rules::{Rules, Signal};
use endboard::media::image::{Image, RGBA};
use serde_json::Value;

fn checks() -> Value {
    serde_json::from_str(include_str!("checks/levels.json")).unwrap()
}

fn three(value: &Value) -> [f64; 3] {
    [0, 1, 2].map(|i| value[i].as_f64().unwrap())
}

/// A picture of one colour, its alpha one.
fn flat(rgb: [f64; 3]) -> Image {
    let mut image = Image::new(32, 18, &RGBA);
    for (channel, v) in rgb.into_iter().chain([1.0]).enumerate() {
        for y in 0..18 {
            image.write_row(channel, y, &[v as f32; 32]);
        }
    }
    image
}

#[test]
fn codes_of_luma() {
    for case in checks()["level_codes"].as_array().unwrap() {
        let value = case["level_percent"].as_f64().unwrap() / 100.0;
        for (bits, name) in [(8, "y8"), (10, "y10")] {
            let code = (code_of(value, bits) + 0.5).floor();
            // The file's tolerance: another rounding may be one code off.
            assert!((code - case[name].as_f64().unwrap()).abs() <= 1.0, "{case}: {code}");
            assert!((value_of(code_of(value, bits), bits) - value).abs() < 1e-12);
        }
    }
}

#[test]
fn codes_of_bars() {
    for (set, bars) in checks()["bars"].as_object().unwrap() {
        for bar in bars.as_array().unwrap() {
            let rgb = three(&bar["rgb"]);
            for (name, bits, weights) in [
                ("bt709_10bit", 10, Weights::BT709),
                ("bt709_8bit", 8, Weights::BT709),
                ("bt601_10bit", 10, Weights::BT601),
                ("bt601_8bit", 8, Weights::BT601),
            ] {
                let exact = ycbcr_of_rgb(rgb, bits, weights);
                let codes = exact.map(|code| (code + 0.5).floor());
                assert_eq!(codes, three(&bar[name]), "{set} {} {name}", bar["bar"]);
                // And back, exactly.
                let back = rgb_of_ycbcr(exact, bits, weights).map(|code| value_of(code, bits));
                assert!((0..3).all(|c| (back[c] - rgb[c]).abs() < 1e-12), "{back:?}");
            }
            let narrow = rgb.map(|v| (code_of(v, 10) + 0.5).floor());
            assert_eq!(narrow, three(&bar["rgb_narrow_10bit"]));
        }
    }
}

#[test]
fn gamut_cases_come_out_as_published() {
    for case in checks()["gamut_cases"].as_array().unwrap() {
        let codes = rgb_of_ycbcr(three(&case["ycbcr10"]), 10, Weights::BT709);
        let want = three(&case["rgb_code10"]);
        assert!((0..3).all(|c| (codes[c] - want[c]).abs() <= 0.006), "{case}: {codes:?}");
        let legal = codes.iter().all(|&code| (63.5..940.5).contains(&code));
        assert_eq!(Some(legal), case["rgb_in_64_940"].as_bool(), "{case}");
        let ok = case["r103_ok"].as_bool().unwrap();
        // The same picture as codes and as a signal from 0 to 1, with and without the low-pass.
        let unit = codes.map(|code| value_of(code, 10));
        let eight = codes.map(|code| code / 4.0);
        for (image, signal) in [
            (flat(codes), Signal::Narrow { bits: 10 }),
            (flat(eight), Signal::Narrow { bits: 8 }),
            (flat(unit), Signal::Display),
            (flat(unit), Signal::Srgb),
        ] {
            for filter in [true, false] {
                let rules = Rules { signal, filter, ..Rules::default() };
                let outside = look(&image, &rules).levels;
                assert_eq!(outside.is_none(), ok, "{case} {signal:?} {filter}: {outside:?}");
                if let Some(outside) = outside {
                    assert_eq!(outside.pixels, 32 * 18);
                    let most = want.iter().fold(f64::MIN, |a, &b| a.max(b));
                    // Half floats hold a signal from 0 to 1 to half a code of 10 bits, codes above 1024 to one.
                    assert!((f64::from(outside.high) - most).abs() <= 1.0, "{case}: {outside:?}");
                }
            }
        }
    }
}

#[test]
fn limits_are_those_of_r103() {
    let checks = checks();
    let limits = &checks["ebu_r103"]["v2_v3"]["10bit"];
    let rules = Rules::default();
    assert_eq!(rules.level_low(), limits[0].as_f64().unwrap());
    assert_eq!(rules.level_high(), limits[1].as_f64().unwrap());
    for (code, ok) in [(20.0, true), (19.0, false), (984.0, true), (985.0, false)] {
        let rules = Rules { signal: Signal::Narrow { bits: 10 }, ..Rules::default() };
        assert_eq!(look(&flat([code; 3]), &rules).levels.is_none(), ok, "{code}");
    }
}

#[test]
fn a_low_pass_lets_single_pixels_pass_that_stand_out_a_little() {
    let rules = Rules::default();
    let mut image = flat([0.9; 3]);
    image.samples_mut(0)[32 * 9 + 16] = half::f16::from_f32(1.2);
    assert_eq!(look(&image, &rules).levels, None);
    let unfiltered = Rules { filter: false, ..rules };
    assert_eq!(look(&image, &unfiltered).levels.map(|outside| outside.pixels), Some(1));
}
