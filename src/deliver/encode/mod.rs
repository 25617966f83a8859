//! Movies made by `ffmpeg` of frames and sound that are handed in, under a name of their own until they are whole and checked.
//!
//! Knows how the program is fed; what it says when it fails is `failure`'s. Does not know what is shown: frames come display-coded, as
//! R'G'B' from 0 to 1, in the target's colour.

pub mod arguments;
mod failure;

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use tempfile::NamedTempFile;

use super::levels::Coding;
use super::target::{Kind, Preset, SoundSpec, Target};
use super::verify::{self, Report};
use super::whole;
use crate::media::image::Raster;
use crate::media::sound::Sound;
use crate::media::sound::wave::{self, Bext, Depth};
use crate::programs::{Ended, Limits, Printed, Runner, tells_of_full_disk};
pub use failure::MovieError;
use failure::failed;
pub(super) use failure::{last_words, unstarted};

/// Bytes of a program's complaints that are kept.
pub(super) const COMPLAINT: u64 = 1 << 16;
/// How long a program may take to answer what it is.
pub(super) const ANSWER: Duration = Duration::from_secs(60);

/// The programs, by name or path.
#[derive(Clone, Debug)]
pub struct Tools {
    /// Codes and decodes.
    pub ffmpeg: PathBuf,
    /// Tells what a file holds.
    pub ffprobe: PathBuf,
}

impl Default for Tools {
    /// Those that the system finds by name.
    fn default() -> Self {
        Self { ffmpeg: "ffmpeg".into(), ffprobe: "ffprobe".into() }
    }
}

/// Frames and sound.
pub struct Source<'s> {
    /// How many frames.
    pub frames: u64,
    /// A frame, counted from 0; asked for in order, and again from 0 when the movie is checked. An error ends the delivery.
    pub picture: &'s mut dyn FnMut(u64) -> Result<Raster, String>,
    /// As long as the frames, to less than one frame.
    pub sound: Option<&'s Sound>,
}

/// What is being done, for whoever waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// So many frames were handed to the coder.
    Coded(u64),
    /// So many frames were decoded and compared.
    Checked(u64),
}

/// What the coding program says that it is, in a line.
///
/// # Errors
/// When it cannot be started.
pub fn version(tools: &Tools, runner: &Runner) -> Result<String, MovieError> {
    let said = ask(&tools.ffmpeg, &["-version".into()], runner)?;
    Ok(said.lines().next().unwrap_or_default().to_string())
}

/// Makes a movie, decodes it again, holds it against its source, and only then gives it its name `NAME.ENDING` in `folder`.
///
/// # Errors
/// When anything goes wrong or the movie is out of the target's limits; nothing stands under the name then. A file that stands
/// there already is an error and is kept.
pub fn make(
    target: &Target,
    source: &mut Source<'_>,
    folder: &Path,
    tools: &Tools,
    runner: &Runner,
    tell: &mut dyn FnMut(Step),
) -> Result<(PathBuf, Report), MovieError> {
    let Kind::Movie { preset, .. } = target.kind else {
        return Err(MovieError::Unfit(vec!["frames are no movie".into()]));
    };
    let path = folder.join(format!("{}.{}", target.name, preset.ending()));
    if path.symlink_metadata().is_ok() {
        return Err(MovieError::disk(&path)(io::ErrorKind::AlreadyExists.into()));
    }
    let movie = encode(target, source, folder, tools, runner, tell)?;
    let report = verify::movie(movie.path(), target, source, tools, runner, tell)?;
    if !report.faults.is_empty() {
        return Err(MovieError::OutOfBounds(Box::new(report)));
    }
    whole::named(movie, &path, false).map_err(MovieError::disk(&path))?;
    Ok((path, report))
}

/// Makes a movie under a name of its own, which is removed when what is given back is dropped.
///
/// # Errors
/// As [`make`], but for what only a check tells.
pub fn encode(
    target: &Target,
    source: &mut Source<'_>,
    folder: &Path,
    tools: &Tools,
    runner: &Runner,
    tell: &mut dyn FnMut(Step),
) -> Result<NamedTempFile, MovieError> {
    let (preset, quality) = fit(target, source)?;
    let coder = coder(preset, target, tools, runner)?;
    let refused = MovieError::disk(folder);
    let sound = source.sound.map(|sound| write_sound(sound, preset, folder)).transpose().map_err(&refused)?;
    let movie = whole::beside(folder, whole::UNDER_WAY.1).map_err(&refused)?;
    let text = |path: &Path| path.to_str().map(str::to_string);
    let (to, from) = (text(movie.path()), sound.as_ref().map(|file| text(file.path())));
    let no_text =
        || MovieError::Unfit(vec![format!("{}: a folder's path must be UTF-8 text", folder.display())]);
    let (to, from) = (to.ok_or_else(no_text)?, from.map(|path| path.ok_or_else(no_text)).transpose()?);
    let complaint = Printed::new().map_err(&refused)?;
    let mut command = Command::new(&tools.ffmpeg);
    command.args(arguments::encode(target, preset, quality, coder, from.as_deref(), &to));
    command.stdout(Stdio::null()).stderr(complaint.end().map_err(&refused)?);
    let (ended, sent) =
        feed(command, &complaint, &Coding::of(preset, target.colour), target, source, runner, tell);
    let said = String::from_utf8_lossy(&complaint.bytes(COMPLAINT).unwrap_or_default()).into_owned();
    let ended = ended.map_err(|error| unstarted(&tools.ffmpeg, &error))?;
    let frame = match sent {
        Err(error @ (MovieError::Frame { .. } | MovieError::Stopped)) => return Err(error),
        Err(_) => None,
        Ok(count) => Some(count),
    };
    if runner.halt.is_hurried() {
        return Err(MovieError::Stopped);
    }
    // It may find no room for the last of a movie, say so, and end well all the same.
    if ended.status.success()
        && ended.past.is_none()
        && frame == Some(source.frames)
        && !tells_of_full_disk(&said)
    {
        return Ok(movie);
    }
    Err(failed(&tools.ffmpeg, &said, &ended, frame.unwrap_or(0), source.frames, folder))
}

/// Whether target and source go together.
fn fit(target: &Target, source: &Source<'_>) -> Result<(Preset, Option<u8>), MovieError> {
    let mut problems = target.problems();
    let Kind::Movie { preset, quality } = target.kind else {
        problems.push("frames are no movie".into());
        return Err(MovieError::Unfit(problems));
    };
    if source.frames == 0 {
        problems.push("a movie has at least one frame".into());
    }
    match (target.sound, source.sound) {
        (None, None) => {}
        (Some(spec), Some(sound)) => sound_fits(spec, sound, target, source.frames, &mut problems),
        (Some(_), None) => problems.push("the delivery has sound, but none is there".into()),
        (None, Some(_)) => problems.push("there is sound, but the delivery has none".into()),
    }
    if problems.is_empty() { Ok((preset, quality)) } else { Err(MovieError::Unfit(problems)) }
}

/// Whether sound is what a target says, and as long as the picture.
pub(super) fn sound_fits(
    spec: SoundSpec,
    sound: &Sound,
    target: &Target,
    frames: u64,
    out: &mut Vec<String>,
) {
    if sound.rate != spec.rate || sound.channels.len() != spec.layout.channels() {
        out.push(format!(
            "the sound has {} channels at {} Hz, but the delivery {} at {} Hz",
            sound.channels.len(),
            sound.rate,
            spec.layout.channels(),
            spec.rate
        ));
    }
    let (has, needs) = (sound.len() as u64, target.samples(frames, sound.rate));
    if has.abs_diff(needs) >= target.samples(1, sound.rate) {
        out.push(format!(
            "the sound lasts {has} samples, but the picture of {frames} frames {needs}: make them one length"
        ));
    }
}

/// Runs a program while frames go into it. Gives how it ended, and how many frames went in or why no more did.
fn feed(
    mut command: Command,
    complaint: &Printed,
    coding: &Coding,
    target: &Target,
    source: &mut Source<'_>,
    runner: &Runner,
    tell: &mut dyn FnMut(Step),
) -> (io::Result<Ended>, Result<u64, MovieError>) {
    let (reads, writes) = match io::pipe() {
        Ok(ends) => ends,
        Err(error) => return (Err(error), Ok(0)),
    };
    command.stdin(reads);
    let limits = Limits { time: None, print: Some((complaint.file(), COMPLAINT)) };
    std::thread::scope(|scope| {
        // The command holds this process's copy of the reading end. It goes with the program, so that writing then ends.
        let program = scope.spawn(move || {
            let ended = runner.run(&mut command, &limits);
            drop(command);
            ended
        });
        let sent = send(writes, coding, target, source, runner, tell);
        (program.join().expect("waiting does not panic"), sent)
    })
}

/// Hands frames over, one after another, and closes the pipe.
fn send(
    mut to: io::PipeWriter,
    coding: &Coding,
    target: &Target,
    source: &mut Source<'_>,
    runner: &Runner,
    tell: &mut dyn FnMut(Step),
) -> Result<u64, MovieError> {
    let frames = source.frames;
    for index in 0..frames {
        if runner.halt.is_asked() {
            return Err(MovieError::Stopped);
        }
        let codes = coded(coding, target, source, index)?;
        // The program has ended; it says why.
        if to.write_all(&codes).is_err() {
            return Ok(index);
        }
        tell(Step::Coded(index + 1));
    }
    Ok(frames)
}

/// A frame as the coder takes it.
pub(super) fn coded(
    coding: &Coding,
    target: &Target,
    source: &mut Source<'_>,
    index: u64,
) -> Result<Vec<u8>, MovieError> {
    let code = |picture: Raster| {
        if (picture.width, picture.height) != target.size {
            let (w, h) = target.size;
            return Err(format!("it is {} x {}, but the delivery {w} x {h}", picture.width, picture.height));
        }
        coding.code(&picture)
    };
    let codes = (source.picture)(index).and_then(code);
    codes.map_err(|why| MovieError::Frame { frame: index + 1, frames: source.frames, why })
}

fn write_sound(sound: &Sound, preset: Preset, folder: &Path) -> io::Result<NamedTempFile> {
    let mut file = whole::beside(folder, ".wav")?;
    let depth = if preset.keeps_samples() { Depth::Bits24 } else { Depth::Float };
    let written = wave::write(file.as_file_mut(), sound, depth, &Bext::default());
    written.map_err(|error| io::Error::other(error.to_string()))?;
    Ok(file)
}

/// The best coder that the program has.
fn coder(
    preset: Preset,
    target: &Target,
    tools: &Tools,
    runner: &Runner,
) -> Result<&'static str, MovieError> {
    let answer = ask(&tools.ffmpeg, &["-hide_banner".into(), "-encoders".into()], runner)?;
    let has = |name: &str| answer.lines().any(|line| line.split_whitespace().nth(1) == Some(name));
    let coders = arguments::coders(preset);
    let sound = arguments::sound_coder(preset);
    let found = coders.iter().copied().find(|coder| has(coder));
    match found {
        Some(coder) if target.sound.is_none() || has(sound) => Ok(coder),
        Some(_) => Err(MovieError::NoCoder { preset, coders: sound.into() }),
        None => Err(MovieError::NoCoder { preset, coders: coders.join(" or ") }),
    }
}

/// What a program answers.
pub(super) fn ask(program: &Path, arguments: &[String], runner: &Runner) -> Result<String, MovieError> {
    let run = || {
        let (answer, complaint) = (Printed::new()?, Printed::new()?);
        let mut command = Command::new(program);
        command.args(arguments).stdin(Stdio::null()).stdout(answer.end()?).stderr(complaint.end()?);
        let limits = Limits { time: Some(ANSWER), print: Some((answer.file(), 1 << 24)) };
        let ended = runner.run(&mut command, &limits)?;
        Ok((ended, answer.bytes(1 << 24)?, complaint.bytes(COMPLAINT)?))
    };
    let (ended, answer, complaint): (Ended, _, _) = run().map_err(|error| unstarted(program, &error))?;
    if runner.halt.is_hurried() {
        return Err(MovieError::Stopped);
    }
    if ended.status.success() && ended.past.is_none() {
        return Ok(String::from_utf8_lossy(&answer).into_owned());
    }
    Err(failed(program, &String::from_utf8_lossy(&complaint), &ended, 0, 0, Path::new("")))
}
