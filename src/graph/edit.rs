//! The cut as the graph takes it: which frames of which shots the film shows, by film frames from 1.
//!
//! Knows places for problems. Does not know how a cut is written down, nor the shots.

use crate::base::frames::FrameRange;
use crate::base::problem::Span;
use crate::declare::film::At;

/// One event of the cut: frames of a shot at a film frame counted from 1.
#[derive(Clone, Debug)]
pub struct Event {
    /// Shot name and where the cut names it.
    pub shot: At<String>,
    /// Frames of the shot.
    pub source: FrameRange,
    /// First film frame, counted from 1.
    pub at: i64,
}

/// Film frames over which something goes out while what plays there, or black, comes in.
#[derive(Clone, Debug)]
pub struct Dissolve {
    /// Number of the event that comes in.
    pub number: u32,
    /// Film frames, counted from 1.
    pub frames: FrameRange,
    /// The shot that goes out and its frame in the first of them; none for black.
    pub from: Option<(At<String>, i64)>,
    /// Where the cut says so.
    pub span: Span,
}

/// The cut: what the film shows, and for how long.
#[derive(Clone, Debug, Default)]
pub struct Edit {
    /// Events; where none plays, the film is black.
    pub events: Vec<Event>,
    /// Dissolves in the order of the film.
    pub dissolves: Vec<Dissolve>,
    /// Count of the timecode of the film's first frame, and whether it counts drop-frame; none when the cut does not say.
    pub starts: Option<(i64, bool)>,
    /// Length of the film in frames, black included.
    pub frames: i64,
}
