//! Loudness and true peak of made-up sound, beside what `ffmpeg`'s `ebur128` filter and pyloudnorm measure in the same file.
//!
//! Both are other implementations of Rec. ITU-R BS.1770: integrated within 0.1 LU (EBU Tech 3341's tolerance of a meter), range within
//! 1 LU (EBU Tech 3342), true peak within 0.4 dB (Tech 3341: +0.2 and -0.4 of the truth). `ffmpeg` writes one place after the point,
//! half of which is added. Passes without checking where they are not there.

#[path = "outside/mod.rs"]
mod outside;

use std::path::Path;
use std::process::Command;

use endboard::media::sound::{Sound, wave};
use endboard::operators::sound::loudness::measure;

const RATE: u32 = 48_000;
/// What `ffmpeg` leaves out of a number.
const ROUNDED: f64 = 0.05;

/// Swells of noise over a tone, quieter and louder every few seconds, and a click now and then; another one in each channel.
fn rustle(channels: usize) -> Sound {
    let mut sound = Sound::silent(RATE, channels, 60 * RATE as usize);
    for (c, plane) in sound.channels.iter_mut().enumerate() {
        // The constants of Knuth's MMIX generator.
        let mut dice = 77 + c as u64;
        let mut chance = || {
            dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (dice >> 40) as f64 / f64::from(1 << 23) - 1.0
        };
        for (n, v) in plane.iter_mut().enumerate() {
            let seconds = n as f64 / f64::from(RATE);
            // Of a length that falls in with no step at which a meter looks: those of the range differ from one to another.
            let level = [0.05, 0.2, 0.07, 0.3, 0.09, 0.12][(seconds / 4.7) as usize % 6];
            let tone = (std::f64::consts::TAU * (220.0 + 90.0 * c as f64) * seconds).sin();
            let click = if n % 50_021 < 3 { 0.8 } else { 0.0 };
            *v = (level * (0.6 * tone + 0.4 * chance()) + click) as f32;
        }
    }
    sound
}

/// Integrated, range and true peak as `ffmpeg` prints them at its end; nothing where it is not there.
fn by_ffmpeg(path: &Path) -> Option<[f64; 3]> {
    let mut command = Command::new("ffmpeg");
    command.args(["-nostdin", "-nostats", "-hide_banner", "-i"]).arg(path);
    command.args(["-filter_complex", "ebur128=peak=true", "-f", "null", "-"]);
    let Ok(output) = command.output() else {
        eprintln!("there is no ffmpeg: nothing compared");
        return None;
    };
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let sum = said.rsplit_once("Summary:").unwrap_or_else(|| panic!("{said}")).1;
    let number = |word: &str| -> f64 {
        let line = sum.lines().find(|line| line.trim().starts_with(word)).unwrap_or_else(|| panic!("{sum}"));
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    };
    Some(["I:", "LRA:", "Peak:"].map(number))
}

#[test]
fn others_measure_the_same() {
    let folder = tempfile::tempdir().unwrap();
    for channels in [1, 2, 6] {
        let sound = rustle(channels);
        let path = folder.path().join(format!("{channels}.wav"));
        std::fs::write(&path, wave::plain(&sound).unwrap()).unwrap();
        let ours = measure(&sound);
        assert!(ours.range > 5.0 && ours.integrated < -10.0, "the signal moves: {ours:?}");
        if let Some([integrated, range, peak]) = by_ffmpeg(&path) {
            let off = [ours.integrated - integrated, ours.range - range, ours.true_peak - peak];
            for (off, most) in off.iter().zip([0.1, 1.0, 0.4]) {
                assert!(
                    off.abs() <= most + ROUNDED,
                    "{channels} channels: {ours:?}, not {integrated} {range} {peak}"
                );
            }
        }
        // Of six channels pyloudnorm would weigh the low frequencies, which BS.1770 leaves out.
        if channels < 6
            && let Some(out) =
                outside::outside("loudness_check.py", &["measure", path.to_str().unwrap()], b"")
        {
            let integrated: f64 = String::from_utf8(out).unwrap().trim().parse().unwrap();
            assert!(
                (ours.integrated - integrated).abs() <= 0.1,
                "{channels} channels: {ours:?}, not {integrated}"
            );
        }
    }
}
