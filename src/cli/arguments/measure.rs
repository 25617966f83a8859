//! Options of the commands that measure pictures and write files that a person goes on from.
//!
//! Knows their words. Does not know what they do.

use std::path::PathBuf;

use clap::Args;

use crate::cli::amounts;

/// Options of `track`.
#[derive(Debug, Args)]
pub struct Track {
    /// A shot, or one stage of it, and frames: br030, br030/cleanup, br030/plate@1012-1019. The plate and all of its frames
    /// when not given
    #[arg(value_name = "SHOT")]
    pub shot: String,
    /// A place to follow and a frame on which it is known, in pixels from the top left corner; or the name of one whose keys
    /// the file holds. Once for each key
    #[arg(long, value_name = "NAME=X,Y@FRAME")]
    pub point: Vec<String>,
    /// A flat patch to follow: its corners on a frame, top left, top right, bottom right, bottom left
    #[arg(long, value_name = "NAME=X,Y,X,Y,X,Y,X,Y@FRAME")]
    pub plane: Vec<String>,
    /// A rod to find: its base and tip on a frame. Two frames or more, one near either end, find it best. All frames are
    /// kept at a small size while it is looked for, 2.6 MB each at 1920x1080; more than 1 GiB of them is refused
    #[arg(long, value_name = "NAME=X,Y,X,Y@FRAME")]
    pub blade: Vec<String>,
    /// The shapes file that keys are read from and written to, in the film's folder; its tracks/SHOT.yaml when not given. Keys without 'sure' were set by
    /// hand and stay; all things in it are followed when none is named
    #[arg(long, value_name = "FILE")]
    pub file: Option<PathBuf>,
    /// A matte, STAGE.CHANNEL, of what passes in front and is not to be followed; all is followed when not given
    #[arg(long, value_name = "STAGE.CHANNEL")]
    pub holdout: Option<String>,
    /// How sure a frame must be, from 0 to 1, to have a key
    #[arg(long, value_name = "SHARE", default_value = "0.35", value_parser = amounts::share, allow_negative_numbers = true)]
    pub sure: f64,
    /// Follow and report, and write nothing
    #[arg(long)]
    pub plan: bool,
}

/// Options of `register`.
#[derive(Debug, Args)]
pub struct Register {
    /// The shot, or SHOT/STAGE where it has several stages that join takes
    #[arg(value_name = "SHOT")]
    pub place: String,
    /// Furthest that a take may be ahead or behind, in frames
    #[arg(long, value_name = "FRAMES", default_value = "12", value_parser = clap::value_parser!(i64).range(0..=240), allow_negative_numbers = true)]
    pub within: i64,
    /// Look for turns and changes of size as well as shifts
    #[arg(long)]
    pub turns: bool,
    /// Measure anew though a person wrote or changed the register file, which is kept as FILE.N beside it
    #[arg(long)]
    pub replace: bool,
    /// Tell frames on which more than this is left, in pixels
    #[arg(long, value_name = "PX", default_value = "0.5", value_parser = amounts::pixels, allow_negative_numbers = true)]
    pub over: f64,
}

/// Options of `match`.
#[derive(Debug, Args)]
pub struct Match {
    /// The shot, SHOT or SHOT/STAGE@FRAMES; what its grade is given when no stage is said. Writes grades/SHOT.cc
    #[arg(value_name = "SHOT")]
    pub shot: String,
    /// The shot to bring it to, written alike
    #[arg(long, value_name = "SHOT")]
    pub reference: String,
    /// Compare only what a matte of both shots shows, such as roto.actors; the whole picture when not given
    #[arg(long, value_name = "STAGE.CHANNEL")]
    pub matte: Option<String>,
    /// The space that the grade is made for, such as acescct; the shot's own grade_in when not given
    #[arg(long, value_name = "SPACE")]
    pub space: Option<String>,
    /// Replace a file that a person wrote or changed, and keep it under another name
    #[arg(long)]
    pub replace: bool,
}
