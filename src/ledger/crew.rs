//! What a ledger row says of people: their time, packets, approvals and notes.
//!
//! Knows these kinds of row and their fields. Does not know what several of them come to: `crew` does. Who wrote a row down
//! stands in it as in every row (`Row::by`); whose time or packet it is may be another person.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::base::digest::Digest;
use crate::ledger::id::RowId;
use crate::ledger::row::Round;

/// The kinds of row that people's work makes. Texts may be empty where nothing else is said.
#[derive(Clone, Debug, PartialEq)]
pub enum Crew {
    /// A person's clock runs from the row's own time on.
    Begin {
        /// Whose.
        person: Arc<str>,
        /// The change that made the work necessary.
        cause: Arc<str>,
        /// In the person's words.
        note: Arc<str>,
    },
    /// A person worked on the frames.
    Worked(Worked),
    /// Another row of [`Crew::Worked`] was wrong: so long it took. No time at all takes it away. Of several the last one holds.
    Correct {
        /// The row that was wrong.
        of: RowId,
        /// What is right.
        took: Duration,
        /// In the person's words.
        note: Arc<str>,
    },
    /// Frames were given to a person to work on.
    Handout(Handout),
    /// Files that a person made came back.
    Takeback {
        /// The packet's name.
        packet: Arc<str>,
        /// Who made them.
        person: Arc<str>,
        /// Which return of these frames of the stage it is, from 1.
        version: u32,
        /// Of the bytes of each file, one a frame in rising order.
        digests: Vec<Digest>,
        /// In the person's words.
        note: Arc<str>,
    },
    /// Nothing more is expected of a packet's frames.
    Close {
        /// The packet's name.
        packet: Arc<str>,
        /// In the person's words.
        note: Arc<str>,
    },
    /// Of several returns of these frames, this one is in use from now on.
    Choose {
        /// Which return.
        version: u32,
        /// In the person's words.
        note: Arc<str>,
    },
    /// A person approves the renders.
    Approval {
        /// Of the pixels of each render, one a frame in rising order.
        digests: Vec<Digest>,
        /// In the person's words.
        note: Arc<str>,
    },
    /// An approval of the frames is taken back.
    Withdrawal {
        /// In the person's words.
        note: Arc<str>,
    },
    /// A note on the frames: something is to be done or looked at.
    Note {
        /// In the person's words; never empty.
        note: Arc<str>,
    },
    /// What a note asked for is settled.
    Resolve {
        /// The note's row.
        of: RowId,
        /// In the person's words.
        note: Arc<str>,
    },
}

/// Time that a person spent.
#[derive(Clone, Debug, PartialEq)]
pub struct Worked {
    /// Whose.
    pub person: Arc<str>,
    /// How long. Kept to the microsecond.
    pub took: Duration,
    /// When it began, where that is known. The row's own time is when it ended, or the day that it is of.
    pub began: Option<Timestamp>,
    /// First pass or rework, where known.
    pub round: Option<Round>,
    /// The change that made it necessary.
    pub cause: Arc<str>,
    /// The row of [`Crew::Begin`] that it ends.
    pub ends: Option<RowId>,
    /// The packet whose time sheet says so.
    pub packet: Arc<str>,
    /// In the person's words.
    pub note: Arc<str>,
}

/// Frames of one stage of one shot in a packet.
#[derive(Clone, Debug, PartialEq)]
pub struct Handout {
    /// The packet's name, one and the same for all its rows.
    pub packet: Arc<str>,
    /// To whom.
    pub person: Arc<str>,
    /// The day by which it should be back.
    pub due: Option<Date>,
    /// Of what each frame rests on (all inputs of the stage at that frame), one a frame in rising order.
    pub digests: Vec<Digest>,
    /// The brief, in a sentence.
    pub note: Arc<str>,
}

impl Crew {
    /// The digests that it carries, which must be one a frame.
    pub fn digests(&self) -> Option<&[Digest]> {
        match self {
            Crew::Handout(Handout { digests, .. })
            | Crew::Takeback { digests, .. }
            | Crew::Approval { digests, .. } => Some(digests),
            _ => None,
        }
    }
}
