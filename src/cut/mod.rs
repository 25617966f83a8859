//! The cut: which frames of which shots the film shows, and when.
//!
//! Knows events in the order they play, how edit lists are read and what became of each use of a shot in another cut.
//! Does not know the declaration; whether a shot exists is for others to say.

mod channels;
pub mod compare;
mod draft;
pub mod edl;
pub mod finished;
mod follow;
pub mod otio;
mod piece;

use crate::base::frames::FrameRange;
use crate::base::problem::Span;
use crate::base::speed::{Run, Speed};

/// The film as edited: its picture, and what else the list says, kept for writing it back.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cut {
    /// The list's title, when it has one.
    pub title: Option<String>,
    /// Picture events in the order of the film; they do not overlap. Where none plays the list has an event of
    /// black, or a problem.
    pub events: Vec<CutEvent>,
    /// Dissolves and wipes in the order of the film; they do not overlap.
    pub dissolves: Vec<Dissolve>,
    /// Sound events in the order of the list. What is heard is laid by cues; these are kept.
    pub sounds: Vec<SoundEvent>,
    /// Comments that belong to no event of picture or sound, in the order of the list.
    pub notes: Vec<Note>,
    /// First and last frame of the film on the record side, black included; empty without events.
    pub record: Option<FrameRange>,
    /// The list says that it counts drop-frame.
    pub drops: bool,
}

/// One shot in the film.
#[derive(Clone, Debug, PartialEq)]
pub struct CutEvent {
    /// The event's number in the list.
    pub number: u32,
    /// The shot.
    pub shot: String,
    /// Where the list names the shot.
    pub shot_span: Span,
    /// The shot's own frame numbers that play, from the lowest to the highest, both ends included.
    pub source: FrameRange,
    /// How fast it plays: backwards from the highest to the lowest; a freeze has one frame.
    pub speed: Speed,
    /// The first frame of the film that shows it, counted from record label 00:00:00:00.
    pub record_first: i64,
    /// How many frames of the film it lasts.
    pub frames: i64,
    /// The reel as the list names it, when it has one.
    pub reel: Option<String>,
    /// The channels as the list names them, when it holds sound as well.
    pub channels: Option<String>,
    /// The first-pass grade that the list carries for it.
    pub grade: Option<Grade>,
    /// The list's other comments on it, without their star.
    pub comments: Vec<String>,
    /// The event's line.
    pub span: Span,
}

/// Over some frames of the film something goes out while the event that plays there, or black, comes in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Dissolve {
    /// Number of the event that comes in.
    pub number: u32,
    /// The pattern of a wipe, by its number in SMPTE ST 258; none for a dissolve.
    pub wipe: Option<u16>,
    /// The frames of the film, counted from record label 00:00:00:00.
    pub record: FrameRange,
    /// What goes out; none for black.
    pub from: Option<Outgoing>,
    /// Where the list says so.
    pub span: Span,
}

/// A shot that goes out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outgoing {
    /// The shot.
    pub shot: String,
    /// Where the list names it.
    pub shot_span: Span,
    /// Its frame in the first frame of the dissolve.
    pub source_first: i64,
    /// How fast it goes on.
    pub speed: Speed,
    /// Film frames for which it has been playing at that speed before.
    pub played: i64,
}

/// A sound event: what the list says, with nothing taken from it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SoundEvent {
    /// The event's number in the list.
    pub number: u32,
    /// The clip that it names, when it does.
    pub clip: Option<String>,
    /// The reel as the list names it, when it has one.
    pub reel: Option<String>,
    /// The channels as the list names them.
    pub channels: String,
    /// Length of the cross-fade that it begins with, in frames; none where it is cut in.
    pub fade: Option<i64>,
    /// First frame of the source and the frame past its last, which are the same of what only fades out.
    pub source: (i64, i64),
    /// How fast it plays.
    pub speed: Speed,
    /// First frame of the film that it is heard in and the frame past its last, counted from record label 00:00:00:00.
    pub record: (i64, i64),
    /// The list's comments on it, without their star.
    pub comments: Vec<String>,
    /// The event's line.
    pub span: Span,
}

/// A comment that belongs to no event of picture or sound.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// The first record frame of the black that it stands under; none at the head of the list.
    pub record: Option<i64>,
    /// The comment without its star.
    pub text: String,
    /// Where it stands.
    pub span: Span,
}

/// A first-pass grade as edit lists carry it: ASC CDL, per channel R G B.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grade {
    /// Multiplies.
    pub slope: [f64; 3],
    /// Adds.
    pub offset: [f64; 3],
    /// Raises.
    pub power: [f64; 3],
    /// Mixes with luma.
    pub saturation: f64,
    /// Where the list says so.
    pub span: Span,
}

impl CutEvent {
    /// The frames of the film that show it.
    pub fn record(&self) -> FrameRange {
        FrameRange::new(self.record_first, self.record_first + self.frames - 1)
    }

    /// Which of its frames plays when.
    pub fn run(&self) -> Run {
        let first = if self.speed.is_backwards() { self.source.last } else { self.source.first };
        Run { first, frames: self.frames, speed: self.speed, played: 0 }
    }
}

impl Outgoing {
    /// Which of its frames plays when, over so many frames of the film.
    pub fn run(&self, frames: i64) -> Run {
        Run { first: self.source_first, frames, speed: self.speed, played: self.played }
    }
}

impl Grade {
    /// A grade that changes nothing.
    pub fn none(span: Span) -> Self {
        Self { slope: [1.0; 3], offset: [0.0; 3], power: [1.0; 3], saturation: 1.0, span }
    }
}
