//! The cut as the graph takes it: which frames of which shots the film shows, by film frames from 1.
//!
//! Knows places for problems. Does not know how a cut is written down, nor the shots.

use crate::base::frames::FrameRange;
use crate::base::problem::Span;
use crate::base::speed::Run;
use crate::declare::film::At;

/// One event of the cut: frames of a shot, at a speed, from a film frame counted from 1.
#[derive(Clone, Debug)]
pub struct Event {
    /// Shot name and where the cut names it.
    pub shot: At<String>,
    /// Frames of the shot, and how they play.
    pub run: Run,
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
    /// The pattern of a wipe, by its number in SMPTE ST 258; none for a dissolve.
    pub wipe: Option<u16>,
    /// The shot that goes out and how it plays over them; none for black.
    pub from: Option<(At<String>, Run)>,
    /// Where the cut says so.
    pub span: Span,
}

/// The cut: what the film shows, and for how long.
#[derive(Clone, Debug, Default)]
pub struct Edit {
    /// Events; where none plays, the film is black.
    pub events: Vec<Event>,
    /// Dissolves and wipes in the order of the film.
    pub dissolves: Vec<Dissolve>,
    /// Count of the timecode of the film's first frame, and whether it counts drop-frame; none when the cut does not say.
    pub starts: Option<(i64, bool)>,
    /// Length of the film in frames, black included.
    pub frames: i64,
}

impl Edit {
    /// How a shot plays each time that the film shows it, with the film frame that each begins at, in the order of the film;
    /// what goes out in a dissolve goes on for as long as it is seen.
    pub fn uses(&self, shot: &str) -> Vec<(i64, Run)> {
        let is_of = |at: &At<String>| at.value.eq_ignore_ascii_case(shot);
        let events = self.events.iter().filter(|event| is_of(&event.shot));
        let mut shown: Vec<(i64, Run)> = events.map(|event| (event.at, event.run)).collect();
        for dissolve in &self.dissolves {
            let Some((_, goes)) = dissolve.from.as_ref().filter(|(of, _)| is_of(of)) else { continue };
            match shown.iter_mut().find(|(at, run)| {
                at + run.frames == dissolve.frames.first
                    && run.speed == goes.speed
                    && run.at(run.frames) == goes.first
            }) {
                Some((_, run)) => run.frames += goes.frames,
                None => shown.push((dissolve.frames.first, *goes)),
            }
        }
        shown.sort_by_key(|(at, _)| *at);
        shown
    }
}
