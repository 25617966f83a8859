//! A movie decoded again and held against what it was made of.
//!
//! Knows how it is decoded and what is compared. Does not know how it was made.

mod decoder;
pub mod measure;
pub mod moments;
pub mod probe;

use std::path::Path;

use super::encode::{self, MovieError, Source, Step, Tools, arguments};
use super::levels::{Coding, Sampling};
use super::target::{Kind, Preset, Target};
use crate::base::layout::Layout;
use crate::media::movie::Version;
use crate::media::sound::Sound;
use crate::media::sound::wave::at_24_bits;
use crate::programs::Runner;
use decoder::Decoder;
use measure::{Levels, Ratio, squares};
use probe::Described;

/// Moments of sound that are compared at once.
const PART: usize = 1 << 16;
/// How far what a lossy sound coder adds lies below its source at least, in dB. Another sound that is as loud leaves 3 dB more than
/// the source; a film's mix, coded with the bits that are asked for here, left 40 dB less (measured; the limit is our own).
const KEPT: f64 = 6.0;
/// What it may add to a channel that is nearly silent, in dB below full scale (common practice, no source).
const QUIET: f64 = -60.0;
/// Samples that a lossy sound coder may add at the end: two of its blocks.
const BLOCKS: u64 = 2048;

/// What was found in a movie.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// What the file says of itself.
    pub described: Described,
    /// Frames that came out.
    pub frames: u64,
    /// Of Y'; of movies in R'G'B' the same as `all`.
    pub luma: Ratio,
    /// Of all samples of the picture.
    pub all: Ratio,
    /// The sound, when there is any.
    pub sound: Option<SoundReport>,
    /// All that is not as the target says; empty when the movie may go out.
    pub faults: Vec<String>,
}

/// What was found in a movie's sound.
#[derive(Clone, Debug, PartialEq)]
pub struct SoundReport {
    /// Samples of each channel that came out.
    pub samples: u64,
    /// The level of each channel of the source, in dB below full scale.
    pub levels: Vec<f64>,
    /// How much louder each channel is than its source, in dB.
    pub differences: Vec<f64>,
    /// What each channel has more or less than its source, in dB below full scale.
    pub residues: Vec<f64>,
    /// Whether every sample is that of the source at 24 bits.
    pub is_exact: bool,
}

/// Decodes the movie at `path` and holds it against its source. What differs stands in the report's faults.
///
/// # Errors
/// When it cannot be decoded, or a frame of the source cannot be had.
pub fn movie(
    path: &Path,
    target: &Target,
    source: &mut Source<'_>,
    tools: &Tools,
    runner: &Runner,
    tell: &mut dyn FnMut(Step),
) -> Result<Report, MovieError> {
    let Kind::Movie { preset, .. } = target.kind else {
        return Err(MovieError::Unfit(vec!["frames are no movie".into()]));
    };
    let text =
        path.to_str().ok_or_else(|| MovieError::Unfit(vec![format!("{}: no UTF-8 text", path.display())]))?;
    let unread = |why: String| MovieError::Unfit(vec![format!("{}: {why}", path.display())]);
    let described =
        probe::parse(&encode::ask(&tools.ffprobe, &probe::arguments(text), runner)?).map_err(unread)?;
    let coding = Coding::of(preset, target.colour);
    let mut faults = description(&described, target, &coding);
    let mut report = Report {
        described,
        frames: 0,
        luma: Ratio::default(),
        all: Ratio::default(),
        sound: None,
        faults: Vec::new(),
    };
    // Of another size or form no frame could be told from the next.
    if report.described.size == target.size
        && report.described.pixels.as_deref() == Some(arguments::pixels(&coding))
    {
        let complaint = pictures(&mut report, text, &coding, target, source, tools, runner, tell)?;
        faults.extend(complaint.map(complained));
        picture_faults(&report, target, source.frames, &mut faults);
    }
    if let (Some(sound), Some(said), Some(spec)) = (source.sound, &report.described.sound, target.sound)
        && said.channels == spec.layout.channels()
        && said.channels == sound.channels.len()
    {
        let (found, complaint) = sounds(text, sound, preset, tools, runner)?;
        faults.extend(complaint.map(complained));
        sound_faults(&found, sound, preset, target, &mut faults);
        report.sound = Some(found);
    }
    report.faults = faults;
    Ok(report)
}

/// A file that its own decoder finds something wrong with is not handed out, whatever came of it.
fn complained(said: String) -> String {
    format!("decoded again, it is not sound: {said}")
}

/// What a file says of itself against what it should.
fn description(said: &Described, target: &Target, coding: &Coding) -> Vec<String> {
    let mut faults = Vec::new();
    let mut check = |what: &str, is: String, should: String| {
        if is != should {
            faults.push(format!("{what} is {is}, not {should}"));
        }
    };
    let or_none = |text: &Option<String>| text.clone().unwrap_or_else(|| "not told".into());
    check(
        "the size",
        format!("{} x {}", said.size.0, said.size.1),
        format!("{} x {}", target.size.0, target.size.1),
    );
    let rate = said.rate.map_or("not told".into(), |(frames, seconds)| format!("{frames}/{seconds}"));
    check("the rate", rate, format!("{}/{}", target.rate.frames, target.rate.seconds));
    check("the form of samples", or_none(&said.pixels), arguments::pixels(coding).into());
    let names = ["the primaries", "the transfer", "the matrix", "the range"];
    for ((name, is), should) in names.iter().zip(&said.colour).zip(arguments::colour(target.colour, coding)) {
        check(name, or_none(is), should.into());
    }
    if let Some(label) = &target.timecode {
        check("the timecode", or_none(&said.timecode), label.clone());
    }
    match (&said.sound, target.sound) {
        (None, None) => {}
        (Some(said), Some(spec)) => {
            check("the sound's rate", said.rate.to_string(), spec.rate.to_string());
            // The program has two names for six channels, with surround at the back or at the sides; WAV's are either.
            let layout = or_none(&said.layout);
            let own = spec.layout.name();
            let is_own = spec.layout == Layout::FiveOne && layout == format!("{own}(side)");
            check("the channels", if is_own { own.into() } else { layout }, own.into());
        }
        (is, _) => check("sound", is.is_some().to_string(), target.sound.is_some().to_string()),
    }
    faults
}

fn words(list: &[&str]) -> Vec<String> {
    list.iter().map(|word| (*word).to_string()).collect()
}

#[expect(clippy::too_many_arguments, reason = "all of them are other things, and it is called once")]
fn pictures(
    report: &mut Report,
    text: &str,
    coding: &Coding,
    target: &Target,
    source: &mut Source<'_>,
    tools: &Tools,
    runner: &Runner,
    tell: &mut dyn FnMut(Step),
) -> Result<Option<String>, MovieError> {
    let version = Version::parse(&encode::ask(&tools.ffmpeg, &words(&["-version"]), runner)?);
    let form = arguments::pixels(coding);
    let out = [
        "-map",
        "0:v:0",
        "-f",
        "rawvideo",
        "-pix_fmt",
        form,
        version.every_frame_once(),
        "passthrough",
        "pipe:1",
    ];
    let mut decoder = Decoder::start(text, &out, tools, runner)?;
    let planes = coding.planes(target.size);
    let (wide, samples) = (if coding.bits > 8 { 2 } else { 1 }, planes.iter().sum::<usize>());
    let mut decoded = vec![0; coding.bytes(target.size)];
    loop {
        let count = decoder.fill(&mut decoded, (report.frames, source.frames))?;
        if count < decoded.len() {
            let complaint = decoder.end((report.frames, source.frames))?;
            let torn = (count > 0).then(|| format!("its picture ends within frame {}", report.frames + 1));
            return Ok(torn.or(complaint));
        }
        if report.frames < source.frames {
            let codes = encode::coded(coding, target, source, report.frames)?;
            let first = squares(&decoded[..planes[0] * wide], &codes[..planes[0] * wide], coding.bits);
            let rest = squares(&decoded[planes[0] * wide..], &codes[planes[0] * wide..], coding.bits);
            let all = (first + rest) / samples as f64;
            let luma = if coding.sampling == Sampling::Rgb { all } else { first / planes[0] as f64 };
            report.luma.add(luma, coding.bits);
            report.all.add(all, coding.bits);
        }
        report.frames += 1;
        tell(Step::Checked(report.frames));
    }
}

fn picture_faults(report: &Report, target: &Target, frames: u64, faults: &mut Vec<String>) {
    if report.frames != frames {
        faults.push(format!("{} frames came out of {frames}", report.frames));
    }
    let limits = target.limits;
    for (what, ratio, limit) in [("Y'", report.luma, limits.luma), ("the picture", report.all, limits.all)] {
        if ratio.least < limit {
            faults.push(format!(
                "frame {} keeps {what} to {:.2} dB only, where {limit:.2} dB are asked for",
                ratio.worst + 1,
                ratio.least
            ));
        }
    }
}

fn sounds(
    text: &str,
    sound: &Sound,
    preset: Preset,
    tools: &Tools,
    runner: &Runner,
) -> Result<(SoundReport, Option<String>), MovieError> {
    let channels = sound.channels.len();
    let mut levels = vec![Levels::default(); channels];
    let (mut samples, mut is_exact) = (0usize, preset.keeps_samples());
    let complaint = moments::each_moment(text, channels, tools, runner, &mut |moment| {
        for (c, &decoded) in moment.iter().enumerate() {
            if let Some(&source) = sound.channels[c].get(samples) {
                levels[c].add(source, decoded);
                is_exact &= at_24_bits(source) == decoded;
            }
        }
        samples += 1;
        true
    })?;
    is_exact &= samples == sound.len();
    let of = |value: fn(&Levels) -> f64| levels.iter().map(value).collect::<Vec<f64>>();
    let (levels, differences) = (of(Levels::source), of(Levels::difference));
    let report =
        SoundReport { samples: samples as u64, levels, differences, residues: of(Levels::residue), is_exact };
    Ok((report, complaint))
}

fn sound_faults(
    found: &SoundReport,
    sound: &Sound,
    preset: Preset,
    target: &Target,
    faults: &mut Vec<String>,
) {
    let needs = sound.len() as u64;
    let most = if preset.keeps_samples() { needs } else { needs + BLOCKS };
    if found.samples < needs || found.samples > most {
        faults.push(format!("{} samples came out of {needs}", found.samples));
    }
    let limit = target.limits.sound_level;
    if limit == 0.0 {
        if !found.is_exact {
            faults.push("the sound's samples are not those of its source".into());
        }
        return;
    }
    for (channel, ((&difference, &residue), &level)) in
        found.differences.iter().zip(&found.residues).zip(&found.levels).enumerate()
    {
        // What is not a number is within nothing.
        if difference.is_nan() || difference.abs() > limit {
            faults.push(format!(
                "channel {} is {difference:+.2} dB from its source, where {limit:.2} dB are allowed",
                channel + 1
            ));
        }
        let most = (level - KEPT).max(QUIET);
        if residue.is_nan() || residue > most {
            faults.push(format!(
                "channel {} differs from its source by {residue:.1} dB, where {most:.1} dB are allowed: it is another sound, or comes \
                 at another time",
                channel + 1
            ));
        }
    }
}
