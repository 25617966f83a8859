//! What a ledger row says.
//!
//! Knows the kinds of row and their fields. Does not know how a row is written down.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;

use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::ledger::crew::Crew;
use crate::ledger::id::RowId;

/// Who did it, of the decoding of plates that are only passed on: it takes time, and leaves no renders.
pub const PASSED_ON: &str = "passed-on plate";

/// One row: something happened to some frames of one stage of one shot.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// When it ended, UTC. Kept to the millisecond.
    pub when: Timestamp,
    /// The film.
    pub film: Arc<str>,
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// The frames; at least one.
    pub frames: FrameSet,
    /// Who did it: of a render, the operator or the command; else the person.
    pub by: Arc<str>,
    /// What happened.
    pub what: What,
}

/// The kinds of row.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// The frames were rendered, or the attempt failed.
    Render(Render),
    /// A person keeps renders although they are stale.
    Hold {
        /// Digests of the renders kept, one a frame in rising order; empty when not known.
        digests: Vec<Digest>,
        /// Why, in the person's words; may be empty.
        note: Arc<str>,
    },
    /// A hold ends.
    Release {
        /// Why, in the person's words; may be empty.
        note: Arc<str>,
    },
    /// A person put the files of a hand stage in place.
    Delivery {
        /// In the person's words; may be empty.
        note: Arc<str>,
    },
    /// Something of people's work.
    Crew(Crew),
}

/// What a render cost and how it ended.
#[derive(Clone, Debug, PartialEq)]
pub struct Render {
    /// The change that made it necessary, in words, such as `roto/br030.yaml changed`.
    pub cause: Arc<str>,
    /// Whether these frames were rendered before.
    pub round: Round,
    /// Time on the clock, for all frames of the row together. Kept to the microsecond.
    pub wall: Duration,
    /// Processor time, over all threads and child processes. Kept to the microsecond.
    pub cpu: Duration,
    /// Peak memory in bytes, where known.
    pub peak_memory: Option<u64>,
    /// The machine's name.
    pub machine: Arc<str>,
    /// How it ended.
    pub outcome: Outcome,
}

/// First pass or rework.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Round {
    /// Precondition: no render of these frames of this stage had succeeded before.
    First,
    /// Precondition: an earlier render of these frames of this stage had succeeded.
    Rework,
}

/// How a render ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// All frames of the row were rendered.
    Done,
    /// None of the frames of the row was rendered, for this short reason.
    Failed(Arc<str>),
}

/// A row as read, with the id that orders it and the writer whose file it stands in.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its id.
    pub id: RowId,
    /// The file's name without its ending. Of copies of one row, the shortest name, and of those the first in order.
    pub writer: Arc<str>,
    /// What it says.
    pub row: Row,
}
