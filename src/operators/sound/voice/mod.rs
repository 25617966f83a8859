//! Sounds that are made: the hum of a lit rod that follows its movement, the swing of a fast pass, the clash of two rods.
//!
//! Knows how a voice is written. Each is a plain function of time, so that any part of it can be had by itself.

mod clash;
mod hum;
pub mod motion;
mod swing;

use std::sync::Arc;

use self::motion::Motion;
use super::cue::Voice;
use crate::base::problem::{Problem, Problems};
use crate::operators::{Kind, Reader, Setup, Spec, param};

/// What a voice takes: one of `hum`, `swing` and `clash`, and what shapes it.
pub static SPEC: Spec = Spec {
    name: "voice",
    version: 1,
    summary: "A sound that is made: `hum`, `swing` or `clash`.",
    ports: &[],
    params: &[
        param(
            "hum",
            Kind::Text,
            "",
            "",
            "A rod that hums, SHOT/STAGE.ROD; the cue hangs on a frame of that shot",
        ),
        param("swing", Kind::Number { min: 0.0, max: 1.0 }, "", "", "A fast pass, and how fast"),
        param("clash", Kind::Number { min: 0.0, max: 1.0 }, "", "", "Two rods that meet, and how hard"),
        param(
            "pitch",
            Kind::Number { min: 20.0, max: 4000.0 },
            "Hz",
            "",
            "Of a hum at rest (92), of a swing at its fastest (420), of the lowest tone of a clash (640)",
        ),
        param(
            "length",
            Kind::Number { min: 0.02, max: 30.0 },
            "s",
            "",
            "Of a swing (0.35) or a clash (1.2); a hum lasts as long as its shot is shown",
        ),
        param(
            "bend",
            Kind::Number { min: -24.0, max: 24.0 },
            "semitones",
            "3",
            "How much a hum rises at full speed",
        ),
        param(
            "rise",
            Kind::Number { min: 0.0, max: 40.0 },
            "dB",
            "9",
            "How much louder a hum is at full speed than at rest",
        ),
        param(
            "full",
            Kind::Number { min: 0.1, max: 50.0 },
            "heights/s",
            "4",
            "Full speed of a rod's tip, in heights of the frame in a second",
        ),
        param(
            "width",
            Kind::Number { min: 0.0, max: 1.0 },
            "",
            "0.8",
            "How far to the sides a hum goes with its rod",
        ),
        param(
            "pan",
            Kind::Numbers(2),
            "",
            "[0, 0]",
            "Where a swing begins and ends, left (-1) to right (1); a clash stays at the first",
        ),
        param(
            "seed",
            Kind::Whole { min: 0, max: 1_000_000 },
            "",
            "1",
            "Picks its chance; the same seed gives the same on every machine",
        ),
    ],
    source: "Tones of a struck rod: ratios of a free bar's bending modes (N. H. Fletcher and T. D. Rossing, The Physics of Musical Instruments, 2nd ed., 1998, sec. 2.15); the rest is our own",
};

/// The rod that a voice names, if it hums: `SHOT/STAGE.ROD`.
pub fn rod<'s>(setup: &'s Setup<'_>) -> Option<&'s str> {
    setup.settings.get("hum").and_then(|value| value.text().ok())
}

/// Reads a voice for a film of so many channels. `motion` is that of the rod it hums with, from the cue's beginning on, when it names one that is there.
///
/// # Errors
/// Every problem of its settings.
pub fn read(
    setup: &Setup<'_>,
    sampling: u32,
    channels: usize,
    motion: Option<Motion>,
) -> Result<(Arc<dyn Voice>, Problems), Problems> {
    let mut reader = Reader::new(&SPEC, setup);
    let kinds: Vec<&str> =
        ["hum", "swing", "clash"].into_iter().filter(|kind| reader.value(kind).is_some()).collect();
    let [kind] = kinds[..] else {
        let problem = Problem::error(setup.span, "a voice is one of hum, swing and clash");
        reader.problems.push(problem.help("such as voice: { swing: 0.8 }"));
        return Err(reader.problems);
    };
    if channels == 1 {
        for name in ["width", "pan"] {
            reader.caution(
                name,
                format!("'{name}' changes nothing: the film's sound is mono"),
                "leave it out",
            );
        }
    }
    if kind != "hum" {
        for name in ["bend", "rise", "full", "width"] {
            reader.caution(name, format!("'{name}' changes nothing: it is of a hum"), "leave it out");
        }
    }
    let pitch = |reader: &mut Reader<'_>, usual: f64| {
        if reader.value("pitch").is_some() { reader.number("pitch") } else { usual }
    };
    let seed = reader.whole("seed") as u64;
    let pan = reader.numbers::<2>("pan", [0.0, 0.0]).map(|place| place.clamp(-1.0, 1.0));
    let length = |reader: &mut Reader<'_>, usual: f64| {
        let seconds = if reader.value("length").is_some() { reader.number("length") } else { usual };
        (seconds * f64::from(sampling)).round() as i64
    };
    let voice: Arc<dyn Voice> = match kind {
        "hum" => {
            for name in ["length", "pan"] {
                reader.wrong(name, format!("a hum has no '{name}'"), "its rod's movement gives it");
            }
            let shape = hum::Shape {
                pitch: pitch(&mut reader, 92.0),
                bend: reader.number("bend"),
                rise: reader.number("rise"),
                full: reader.number("full"),
                width: reader.number("width"),
                seed,
            };
            Arc::new(hum::Hum::new(motion.unwrap_or_default(), shape, sampling))
        }
        "swing" => {
            let strength = reader.number("swing");
            let length = length(&mut reader, 0.35);
            Arc::new(swing::Swing { strength, length, pitch: pitch(&mut reader, 420.0), pan, seed, sampling })
        }
        _ => {
            let strength = reader.number("clash");
            let length = length(&mut reader, 1.2);
            let pitch = pitch(&mut reader, 640.0);
            Arc::new(clash::Clash::new(strength, length, pitch, pan[0], seed, sampling))
        }
    };
    reader.done(voice)
}

/// A number from -1 to 1 by chance, the same for the same seed and place (SplitMix64, Steele, Lea and Flood 2014).
fn chance(seed: u64, place: i64) -> f64 {
    let mut z = (place as u64)
        .wrapping_mul(0x9e37_79b9_7f4a_7c15)
        .wrapping_add(seed.wrapping_mul(0xd1b5_4a32_d192_ed03));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^= z >> 31;
    (z >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// Noise of a band of about `hertz`, by chance at even moments with smooth ways between them.
fn noise(seed: u64, seconds: f64, hertz: f64) -> f64 {
    let at = seconds * 2.0 * hertz;
    let (whole, share) = (at.floor(), at - at.floor());
    let [a, b, c, d] = [-1, 0, 1, 2].map(|k| chance(seed, whole as i64 + k));
    // Catmull and Rom's cubic, so that it has no corners.
    b + 0.5 * share * (c - a + share * (2.0 * a - 5.0 * b + 4.0 * c - d + share * (3.0 * (b - c) + d - a)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::digest::KeyHasher;

    fn voices() -> Vec<Arc<dyn Voice>> {
        let motion = Motion::of(
            24.0,
            540.0,
            960.0,
            (0..=48).map(|i| {
                let x = 300.0 + 200.0 * (f64::from(i) * 0.3).sin();
                Some(([480.0, 400.0, x, 150.0], 1.0))
            }),
        );
        let shape = hum::Shape { pitch: 92.0, bend: 3.0, rise: 9.0, full: 4.0, width: 0.8, seed: 1 };
        vec![
            Arc::new(hum::Hum::new(motion, shape, 48_000)),
            Arc::new(swing::Swing {
                strength: 0.7,
                length: 16_800,
                pitch: 420.0,
                pan: [-0.5, 0.5],
                seed: 3,
                sampling: 48_000,
            }),
            Arc::new(clash::Clash::new(0.8, 40_000, 640.0, 0.2, 5, 48_000)),
        ]
    }

    #[test]
    fn any_part_is_that_of_the_whole() {
        for voice in voices() {
            let whole = voice.play(0..voice.length());
            assert_eq!(whole.len(), voice.channels());
            for from in [0, 777, 9_000] {
                let part = voice.play(from..from + 1000);
                for (part, whole) in part.iter().zip(&whole) {
                    assert_eq!(part[..], whole[from as usize..from as usize + 1000]);
                }
            }
        }
    }

    #[test]
    fn voices_are_heard_and_do_not_click_or_overload() {
        for voice in voices() {
            for plane in voice.play(0..voice.length()) {
                let top = plane.iter().fold(0f32, |top, v| top.max(v.abs()));
                assert!((0.02..1.0).contains(&top), "{top}");
                assert!(plane.iter().all(|v| v.is_finite()));
                assert!(
                    plane[0].abs() < 0.05 && plane[plane.len() - 1].abs() < 0.01,
                    "it begins and ends in silence"
                );
            }
        }
    }

    #[test]
    fn what_it_feeds_tells_where_it_differs() {
        let fed = |voice: &Arc<dyn Voice>, from: i64| {
            let mut key = KeyHasher::new();
            voice.feed(&(from..from + 2000), &mut key);
            key.finish()
        };
        for voice in voices() {
            assert_eq!(fed(&voice, 0), fed(&voice, 0));
            assert_ne!(fed(&voice, 0), fed(&voice, 2000));
        }
    }
}
