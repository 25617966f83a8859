//! The cut: which frames of which shots the film shows, and when.
//!
//! Knows events in the order they play and how edit lists are read. Does not know the declaration;
//! whether a shot exists is for others to say.

mod channels;
pub mod edl;
mod follow;
mod piece;

use crate::base::frames::FrameRange;
use crate::base::problem::Span;

/// The film as edited: picture only, cuts and dissolves.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cut {
    /// The list's title, when it has one.
    pub title: Option<String>,
    /// Picture events in the order of the film; they do not overlap. Where none plays the list has an event of
    /// black, or a problem.
    pub events: Vec<CutEvent>,
    /// Dissolves in the order of the film; they do not overlap.
    pub dissolves: Vec<Dissolve>,
    /// First and last frame of the film on the record side, black included; empty without events.
    pub record: Option<FrameRange>,
    /// The list says that it counts drop-frame.
    pub drops: bool,
}

/// One shot in the film.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CutEvent {
    /// The event's number in the list.
    pub number: u32,
    /// The shot.
    pub shot: String,
    /// Where the list names the shot.
    pub shot_span: Span,
    /// The shot's own frame numbers that play, both ends included.
    pub source: FrameRange,
    /// The frame of the film that shows the first of them, counted from record label 00:00:00:00.
    pub record_first: i64,
    /// The event's line.
    pub span: Span,
}

/// Over some frames of the film something goes out while the event that plays there, or black, comes in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Dissolve {
    /// Number of the event that comes in.
    pub number: u32,
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
}

impl CutEvent {
    /// The frames of the film that show it.
    pub fn record(&self) -> FrameRange {
        FrameRange::new(self.record_first, self.record_first + self.source.len() as i64 - 1)
    }
}
