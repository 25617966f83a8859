//! What is wrong with sources, in words.
//!
//! Knows what was seen of them, and looks once more at a file to say why it cannot be read.

use std::collections::HashMap;
use std::path::Path;

use super::{Seen, WHOLE, path};
use crate::base::frames::FrameSet;
use crate::base::problem::Problem;
use crate::declare::film::Media;
use crate::graph::Source;
use crate::media::sound;
use crate::media::{self, Format};
use crate::stale::SourceState;

/// Why a file cannot be read as a picture or a movie, for people.
pub fn unreadable(path: &Path, media: &Media) -> String {
    if let Media::Movie { .. } = media {
        let opened = std::fs::File::open(path);
        return opened.map_or_else(|e| e.to_string(), |_| "it could not be read before; look again".into());
    }
    if let Media::Sound(_) = media {
        let opened = std::fs::File::open(path).map_err(|e| e.to_string());
        // All of it is read for the reason: its head may be sound and its end not there.
        let read = opened.and_then(|file| sound::read(file).map_err(|e| e.to_string()));
        return read.map_or_else(|why| why, |_| "it could not be read before; look again".into());
    }
    let Some(format) = Format::of_path(&path.to_string_lossy()) else {
        return "its name ends like no picture's: EXR, PNG, TIFF, JPEG and DPX are read".into();
    };
    let read = || {
        use std::io::Read;
        let mut bytes = Vec::new();
        std::fs::File::open(path)?.take(WHOLE + 1).read_to_end(&mut bytes)?;
        Ok::<_, std::io::Error>(bytes)
    };
    match read() {
        Ok(bytes) if bytes.len() as u64 > WHOLE => format!("it is larger than {} GiB", WHOLE >> 30),
        Err(error) => error.to_string(),
        Ok(bytes) if bytes.is_empty() => "the file is empty".into(),
        Ok(bytes) => match media::probe(format, &bytes) {
            Err(error) => error.to_string(),
            // It became whole while nobody looked.
            Ok(_) => "it could not be read before; look again".into(),
        },
    }
}

/// So many files are read once more to say what is the matter with each.
pub const READ: usize = 24;

/// These frames' files and why they cannot be read, those together of which one thing is said.
fn why_unreadable(project: &Path, source: &Source, frames: &FrameSet) -> String {
    let mut all: Vec<(String, String, FrameSet)> = Vec::new();
    for frame in frames.iter().take(READ) {
        let file = path(project, source, frame);
        let why = unreadable(&file, &source.media);
        match all.iter_mut().find(|(_, of, _)| *of == why) {
            Some((.., like)) if matches!(source.media, Media::Files(_)) => like.insert(frame),
            Some(_) => {}
            None => {
                let name = file.strip_prefix(project).unwrap_or(&file).display().to_string();
                all.push((name, why, FrameSet::new()));
            }
        }
    }
    let one = |(name, why, like): &(String, String, FrameSet)| {
        let like = if like.is_empty() { String::new() } else { format!(" (the like of {})", these(like)) };
        format!("{name}: {why}{like}")
    };
    let told: Vec<String> = all.iter().map(one).collect();
    let rest = if frames.len() > READ { "; the others were not looked at" } else { "" };
    format!("{}{rest}", told.join("; "))
}

/// What stands where a file should, when it is there and is none.
pub fn instead(project: &Path, source: &Source, frame: i64) -> Option<&'static str> {
    let kind = std::fs::metadata(path(project, source, frame)).ok()?.file_type();
    match (kind.is_dir(), kind.is_file()) {
        (true, _) => Some("a folder"),
        (_, true) => None,
        _ => Some("a pipe or a device"),
    }
}

/// The problem of frames in the place of whose files something else stands.
fn no_files(source: &Source, what: &str, stands: &str, frames: &FrameSet) -> Problem {
    let first = frames.iter().next().map_or(String::new(), |frame| source.file(frame));
    if let Media::Sound(path) = &source.media {
        let message = format!("{what} {}: {stands} stands there, and no sound file", path.value);
        return Problem::error(source.span, message).help("put one there, or name another under `clip:`");
    }
    let message = format!("{what} {}: {stands} stands in the place of {}", source.name, these(frames));
    Problem::error(source.span, message)
        .help(format!("a picture file belongs there, the first one at {first}"))
}

/// Problems of sources in words, frames gathered into runs: what is missing, unfit or of another size.
pub fn of(project: &Path, sources: &[Source], seen: &[Seen], frame_size: (u32, u32)) -> Vec<Problem> {
    let mut problems = Vec::new();
    for (source, seen) in sources.iter().zip(seen) {
        let mut missing = FrameSet::new();
        let mut unfit: HashMap<(u32, u32), FrameSet> = HashMap::new();
        for (frame, sight) in seen.iter() {
            match sight.state {
                SourceState::Known(_) => {}
                SourceState::Missing if source.by_hand => {}
                SourceState::Missing => missing.insert(frame),
                SourceState::Unfit => unfit.entry(sight.size).or_default().insert(frame),
            }
        }
        let what = match &source.media {
            Media::Sound(_) => "clip",
            _ if source.by_hand => "hand stage",
            _ => "plate",
        };
        for stands in ["a folder", "a pipe or a device"] {
            let of: FrameSet =
                missing.iter().filter(|frame| instead(project, source, *frame) == Some(stands)).collect();
            if !of.is_empty() {
                problems.push(no_files(source, what, stands, &of));
                missing = missing.iter().filter(|frame| !of.contains(*frame)).collect();
            }
        }
        if !missing.is_empty() {
            problems.push(absent(source, what, &missing));
        }
        let mut unfit: Vec<_> = unfit.into_iter().collect();
        unfit.sort_by_key(|(size, _)| *size);
        for ((width, height), frames) in unfit {
            let problem = if width == 0 {
                let (which, as_what) = match (&source.media, frames.len()) {
                    (Media::Movie { .. }, _) => ("its file".to_string(), "a movie"),
                    (Media::Sound(_), _) => ("its file".to_string(), "sound"),
                    (Media::Files(_), 1) => (these(&frames), "a picture"),
                    (Media::Files(_), _) => (these(&frames), "pictures"),
                };
                let message = format!("{what} {}: {which} cannot be read as {as_what}", source.name);
                Problem::error(source.span, message).help(why_unreadable(project, source, &frames))
            } else {
                let is = if frames.len() == 1 { "is" } else { "are" };
                let message = format!("{what} {}: {} {is} {width}x{height}", source.name, these(&frames));
                Problem::error(source.span, message)
                    .help(format!("the film's frame_size is {}x{}", frame_size.0, frame_size.1))
            };
            problems.push(problem);
        }
    }
    problems
}

/// `frame 1007`, `frames 1007-1009`.
fn these(frames: &FrameSet) -> String {
    if frames.len() == 1 { format!("frame {frames}") } else { format!("frames {frames}") }
}

/// The problem of frames whose files are not there, or of a movie that is not.
fn absent(source: &Source, what: &str, missing: &FrameSet) -> Problem {
    match &source.media {
        Media::Sound(path) => {
            let message = format!("{what} {}: there is no sound file {}", source.name, path.value);
            Problem::error(source.span, message).help("put it there, or name another under `clip:`")
        }
        Media::Movie { path, .. } => {
            let message = format!("{what} {}: there is no movie file {}", source.name, path.value);
            Problem::error(source.span, message).help(format!("needed: {}", these(&source.wanted)))
        }
        Media::Files(at) => {
            let is = if missing.len() == 1 { "is" } else { "are" };
            let message = format!("{what} {}: {} {is} missing", source.name, these(missing));
            let first = missing.iter().next().map_or(String::new(), |frame| at.value.path(frame));
            let wanted = &source.wanted;
            Problem::error(source.span, message)
                .help(format!("needed: {}; the first missing one is looked for at {first}", these(wanted)))
        }
    }
}
