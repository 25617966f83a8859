//! Why a run ended early, and why a frame of it failed, in words.
//!
//! Plain values. Does not know what the run did.

use std::path::PathBuf;

use crate::graph::NodeId;
use crate::store::StoreError;

/// Why a run ended before its work was done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ending {
    /// It was asked to stop.
    Asked,
    /// The disk is full, where this says.
    Full(String),
    /// Nothing more could be done, for this reason.
    Trouble(String),
}

impl std::fmt::Display for Ending {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Asked => f.write_str("it was asked to stop"),
            Self::Full(place) => write!(f, "the disk is full ({place})"),
            Self::Trouble(reason) => f.write_str(reason),
        }
    }
}

impl Ending {
    /// Where the disk is full, where that is why.
    pub fn full(&self) -> Option<String> {
        if let Self::Full(place) = self { Some(place.clone()) } else { None }
    }

    /// That of a run whose store refused something.
    pub fn of(error: &StoreError) -> Self {
        if error.is_full_disk() { Self::Full(error.to_string()) } else { Self::Trouble(error.to_string()) }
    }
}

/// One failed frame.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// The stage.
    pub node: NodeId,
    /// The frame.
    pub frame: i64,
    /// `SHOT/STAGE@FRAME`.
    pub place: String,
    /// Why.
    pub reason: String,
    /// A command's log.
    pub log: Option<PathBuf>,
}
