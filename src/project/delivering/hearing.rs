//! Delivered sound, heard again: samples and what they measure.
//!
//! Knows files of sound and movies as they were delivered. Makes none.

use std::io::BufReader;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use super::paper::Paper;
use super::telling::{CAUTIONS, CHECKS};
use crate::deliver::encode::Tools;
use crate::media::sound::wave::at_24_bits;
use crate::media::sound::{self, Sound};
use crate::operators::sound::loudness;
use crate::programs::Runner;

/// How long a decoder may take for a piece.
const LIMIT: Duration = Duration::from_secs(120);
/// Bytes of a sample.
const SAMPLE: usize = 4;
/// Moments that are decoded at once.
const PART: usize = 1 << 16;

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

/// The sound of a movie as a player would have it.
///
/// # Errors
/// When it cannot be decoded.
pub fn decoded(
    path: &Path,
    channels: usize,
    rate: u32,
    tools: &Tools,
    runner: &Runner,
) -> Result<Sound, String> {
    let mut command = Command::new(&tools.ffmpeg);
    command.args([
        "-hide_banner",
        "-nostdin",
        "-nostats",
        "-loglevel",
        "error",
        "-protocol_whitelist",
        "file,pipe",
        "-i",
    ]);
    let mut input = std::ffi::OsString::from("file:");
    input.push(path);
    command.arg(input).args(["-map", "0:a:0", "-f", "f32le", "-c:a", "pcm_f32le", "pipe:1"]);
    command.stdin(Stdio::null()).stderr(Stdio::null());
    let mut stream = runner.stream(&mut command).map_err(|error| error.to_string())?;
    let mut out = Sound::silent(rate, channels, 0);
    let mut part = vec![0; PART * channels * SAMPLE];
    loop {
        let count =
            stream.fill(&mut part, LIMIT).map_err(|error| format!("its sound cannot be decoded: {error}"))?;
        for moment in part[..count].chunks_exact(channels * SAMPLE) {
            for (plane, bytes) in out.channels.iter_mut().zip(moment.chunks_exact(SAMPLE)) {
                plane.push(f32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]));
            }
        }
        if count < part.len() {
            return Ok(out);
        }
    }
}

/// Most by which loudness may be off what was asked for, in LU (EBU R 128, section h), and a true peak above it, in dB.
const OFF: (f64, f64) = (0.5, 0.3);

/// Tells what a sound measures, and where that is not what was `asked` for.
pub fn measured(sound: &Sound, asked: Option<(f64, f64)>, file: &str, paper: &mut Paper) {
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
    let Some((loudness, peak)) = asked else { return };
    if found.integrated.is_finite() && (found.integrated - loudness).abs() > OFF.0 {
        let says = format!("it measures {:.1} LUFS, and the mix was to have {loudness:.1}", found.integrated);
        paper.add(CAUTIONS, format!("{file}: loudness"), says);
    }
    if found.true_peak > peak + OFF.1 {
        let says = format!("it reaches {:.1} dBTP, and the mix was to stay below {peak:.1}", found.true_peak);
        paper.add(CAUTIONS, format!("{file}: true peak"), says);
    }
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
        for (asked, cautions) in
            [(None, 0), (Some((-23.0, -1.0)), 0), (Some((-24.0, -1.0)), 1), (Some((-24.0, -30.0)), 2)]
        {
            let mut paper = Paper::new("mix");
            measured(&sound, asked, "mix.wav", &mut paper);
            assert_eq!((paper.lines(CHECKS).len(), paper.lines(CAUTIONS).len()), (1, cautions), "{asked:?}");
        }
    }
}
