//! Why there is no movie, in words.
//!
//! Knows what programs say when they fail and what the system says. Runs nothing.

use std::io;
use std::path::{Path, PathBuf};

use crate::deliver::target::Preset;
use crate::deliver::verify::Report;
use crate::programs::{Ended, Past, tells_of_full_disk};

/// Why there is no movie. Nothing stands under its name then.
#[derive(Debug, thiserror::Error)]
pub enum MovieError {
    /// The target or the source cannot be delivered so.
    #[error("{}", .0.join("\n"))]
    Unfit(Vec<String>),
    /// The program is not there.
    #[error(
        "{0} is not installed or cannot be started: movies need the programs ffmpeg and ffprobe; frames need neither"
    )]
    NoProgram(String),
    /// The program cannot make this.
    #[error(
        "this ffmpeg has no coder {coders} for {preset}: install one that has, or deliver another preset"
    )]
    NoCoder {
        /// What was asked for.
        preset: Preset,
        /// Any of them would do.
        coders: String,
    },
    /// The program gave up.
    #[error("{program} failed{}: {said}", place(*frame, *frames))]
    Failed {
        /// Its name.
        program: String,
        /// Frames that it had been given or had given.
        frame: u64,
        /// All frames; none where it was not asked for frames.
        frames: u64,
        /// The end of what it said.
        said: String,
    },
    /// The disk is full.
    #[error("{}: no space is left: make room or deliver elsewhere", .0.display())]
    Full(PathBuf),
    /// The run was asked to end.
    #[error("the delivery was stopped")]
    Stopped,
    /// A frame could not be handed in.
    #[error("frame {frame} of {frames}: {why}")]
    Frame {
        /// Counted from 1.
        frame: u64,
        /// All frames.
        frames: u64,
        /// Why.
        why: String,
    },
    /// The disk refuses.
    #[error("{}: {error}", path.display())]
    Disk {
        /// What was read or written.
        path: PathBuf,
        /// What the system says.
        #[source]
        error: io::Error,
    },
    /// The movie is not what it should be.
    #[error("the movie was made, but is not as it should be, and was removed: {}", .0.faults.join("; "))]
    OutOfBounds(Box<Report>),
}

fn place(frame: u64, frames: u64) -> String {
    if frames == 0 { String::new() } else { format!(" at frame {frame} of {frames}") }
}

impl MovieError {
    pub(in crate::deliver) fn disk(path: &Path) -> impl Fn(io::Error) -> Self {
        let path = path.to_path_buf();
        move |error| match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::Full(path.clone()),
            _ => Self::Disk { path: path.clone(), error },
        }
    }
}

pub(in crate::deliver) fn unstarted(program: &Path, error: &io::Error) -> MovieError {
    match error.kind() {
        io::ErrorKind::Interrupted => MovieError::Stopped,
        _ => MovieError::NoProgram(program.display().to_string()),
    }
}

pub(super) fn failed(
    program: &Path,
    said: &str,
    ended: &Ended,
    frame: u64,
    frames: u64,
    folder: &Path,
) -> MovieError {
    if tells_of_full_disk(said) {
        return MovieError::Full(folder.to_path_buf());
    }
    let said = match (ended.past, last_words(said)) {
        (Some(Past::Print), _) => "it complained without end".into(),
        (_, None) => format!("it said nothing and ended with {}", ended.status),
        (_, Some(said)) => said,
    };
    MovieError::Failed { program: program.display().to_string(), frame, frames, said }
}

/// The last lines of what a program said; none when it said nothing.
pub(in crate::deliver) fn last_words(said: &str) -> Option<String> {
    let lines: Vec<&str> = said.lines().filter(|line| !line.trim().is_empty()).collect();
    (!lines.is_empty()).then(|| lines[lines.len().saturating_sub(5)..].join(" | "))
}
