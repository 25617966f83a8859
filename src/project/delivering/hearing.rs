//! Delivered sound, heard again: samples and what they measure.
//!
//! Knows files of sound as they were delivered. Makes none.

use std::io::BufReader;
use std::path::Path;

use super::paper::Paper;
use super::targets::Asked;
use super::telling::{CAUTIONS, CHECKS};
use crate::media::sound::wave::at_24_bits;
use crate::media::sound::{self, Sound};
use crate::operators::sound::loudness;

/// The samples of a file as written, which are those of `source` at 24 bits.
///
/// # Errors
/// When they are not, or it cannot be read.
pub fn as_written(path: &Path, source: &Sound) -> Result<Sound, String> {
    let said = |why: String| format!("{}: {why}", path.display());
    let file = std::fs::File::open(path).map_err(|error| said(error.to_string()))?;
    let delivered = sound::read(BufReader::new(file)).map_err(|error| said(error.to_string()))?;
    let is_same = (delivered.rate, delivered.len()) == (source.rate, source.len())
        && delivered.channels.len() == source.channels.len()
        && delivered
            .channels
            .iter()
            .flatten()
            .zip(source.channels.iter().flatten())
            .all(|(a, b)| *a == at_24_bits(*b));
    if is_same { Ok(delivered) } else { Err(said("its samples are not those of the film".into())) }
}

/// Most by which a true peak may lie above what was asked for, in dB: what a coder adds (common practice, no source).
const OVER: f64 = 0.3;

/// Tells what a sound measures, and a caution where its peak is beyond what was `asked` for. Gives what is wrong with its loudness,
/// as EBU R 128 has it.
pub fn measured(sound: &Sound, asked: Option<Asked>, file: &str, paper: &mut Paper) -> Option<String> {
    let found = loudness::measure(sound);
    let number = |value: f64, unit: &str| {
        if value.is_finite() { format!("{value:.1} {unit}") } else { format!("none ({unit})") }
    };
    let says = format!(
        "integrated {}, range {}, loudest 400 ms {}, loudest 3 s {}, true peak {}",
        number(found.integrated, "LUFS"),
        number(found.range, "LU"),
        number(found.momentary, "LUFS"),
        number(found.short_term, "LUFS"),
        number(found.true_peak, "dBTP")
    );
    paper.add(CHECKS, format!("{file}: loudness (BS.1770-4)"), says);
    let Asked { loudness, true_peak, off } = asked?;
    if found.true_peak > true_peak + OVER {
        let says =
            format!("it reaches {:.1} dBTP, and the mix was to stay below {true_peak:.1}", found.true_peak);
        paper.add(CAUTIONS, format!("{file}: true peak"), says);
    }
    let is_off = found.integrated.is_finite() && (found.integrated - loudness).abs() > off;
    is_off.then(|| {
        format!(
            "{file} measures {:.1} LUFS, and the mix was to have {loudness:.1}, at most {off:.1} LU off (EBU R 128)",
            found.integrated
        )
    })
}

/// A part of a sound.
pub fn part(sound: &Sound, of: std::ops::Range<usize>) -> Sound {
    let within = of.start.min(sound.len())..of.end.min(sound.len());
    let channels = sound.channels.iter().map(|plane| plane[within.clone()].to_vec()).collect();
    Sound { rate: sound.rate, channels }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sound_that_is_not_as_loud_as_asked_is_told_of() {
        // A tone of 1 kHz in both channels at -23 dBFS measures -23 LUFS (EBU Tech 3341, signal 1).
        let tone = |i: i32| (f64::from(i) * std::f64::consts::TAU * 1000.0 / 48_000.0).sin();
        let plane: Vec<f32> = (0..96_000).map(|i| (10f64.powf(-23.0 / 20.0) * tone(i)) as f32).collect();
        let sound = Sound { rate: 48_000, channels: vec![plane.clone(), plane] };
        let asked = |loudness, true_peak| Some(Asked { loudness, true_peak, off: 0.5 });
        for (asked, cautions, is_off) in [
            (None, 0, false),
            (asked(-23.0, -1.0), 0, false),
            (asked(-23.4, -1.0), 0, false),
            (asked(-24.0, -1.0), 0, true),
            (asked(-24.0, -30.0), 1, true),
        ] {
            let mut paper = Paper::new("mix");
            let said = measured(&sound, asked, "mix.wav", &mut paper);
            let counts = (paper.lines(CHECKS).len(), paper.lines(CAUTIONS).len(), said.is_some());
            assert_eq!(counts, (1, cautions, is_off), "{asked:?}");
        }
        assert_eq!(part(&sound, 95_000..99_000).len(), 1000);
    }
}
