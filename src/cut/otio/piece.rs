//! Stretches of a track: what each shows, how it begins, and what is left of it when it is cut shorter.
//!
//! Counts frames of the film from the beginning of what holds them. Does not know how a file says so.

use crate::base::problem::Span;
use crate::base::speed::Run;
use crate::cut::{Grade, Outgoing};

/// What a clip says of itself.
#[derive(Clone)]
pub struct Said {
    pub shot: String,
    pub shot_span: Span,
    pub reel: Option<String>,
    pub channels: Option<String>,
    pub grade: Option<Grade>,
    pub comments: Vec<String>,
    pub span: Span,
}

/// Frames of a shot.
#[derive(Clone)]
pub struct Shows {
    pub said: Said,
    pub run: Run,
}

/// What a stretch begins with: something else goes out over its first frames.
#[derive(Clone)]
pub struct Join {
    pub frames: i64,
    /// The pattern of a wipe.
    pub wipe: Option<u16>,
    /// What goes out; none for black.
    pub from: Option<Shows>,
    pub span: Span,
}

/// A stretch of a track. One that shows nothing is black where something goes out over it, and else lets through what lies
/// under it.
#[derive(Clone)]
pub struct Piece {
    pub at: i64,
    pub frames: i64,
    pub shows: Option<Shows>,
    pub join: Option<Join>,
}

impl Shows {
    /// As what goes out.
    pub fn outgoing(self) -> Outgoing {
        let Self { said, run } = self;
        Outgoing {
            shot: said.shot,
            shot_span: said.shot_span,
            source_first: run.first,
            speed: run.speed,
            played: run.played,
        }
    }
}

impl Piece {
    /// The frame past its last.
    pub fn end(&self) -> i64 {
        self.at + self.frames
    }

    /// True when it hides what lies under it.
    pub fn hides(&self) -> bool {
        self.shows.is_some() || self.join.is_some()
    }

    /// What is left of it from `first` up to `end`, which is not included.
    ///
    /// # Errors
    /// The place of its transition, when that would be cut through.
    pub fn within(&self, first: i64, end: i64) -> Result<Option<Self>, Span> {
        let (from, to) = (self.at.max(first), self.end().min(end));
        if to <= from {
            return Ok(None);
        }
        let skip = from - self.at;
        let mut left = Self { at: from, frames: to - from, ..self.clone() };
        if let Some(join) = &self.join {
            if skip >= join.frames {
                left.join = None;
            } else if skip > 0 || left.frames < join.frames {
                return Err(join.span);
            }
        }
        if let Some(shows) = &mut left.shows {
            let run = shows.run;
            shows.run = Run { first: run.at(skip), frames: left.frames, played: run.played + skip, ..run };
        }
        Ok(left.hides().then_some(left))
    }
}
