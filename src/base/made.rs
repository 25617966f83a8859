//! What a render was made of, and what is remembered of each frame.
//!
//! Plain values that staleness reads and the store keeps. Knows neither of them.

use crate::base::digest::Digest;

/// The digest that stands for none.
pub const NONE: Digest = Digest([0; 32]);

/// What went into a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MadeOf {
    /// Of the operator or command.
    pub identity: Digest,
    /// Of the parameters as evaluated at the frame; of a plate or hand stage, the source file's digest too.
    pub parameters: Digest,
    /// Of the list of named settings.
    pub ingredients: Digest,
    /// Digests of the input frames, in the order of the key.
    pub inputs: Vec<Digest>,
}

/// What is remembered of one frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Row {
    /// Key of the last render; [`NONE`] when there was none.
    pub key: Digest,
    /// Its pixels; [`NONE`] when there was none.
    pub pixels: Digest,
    /// Key of an attempt that failed since; [`NONE`] when none did.
    pub failed: Digest,
}

impl Row {
    /// Nothing known.
    pub const EMPTY: Row = Row { key: NONE, pixels: NONE, failed: NONE };
}

/// The rows of one stage of one shot, wherever they lie.
pub trait Rows: Send + Sync {
    /// What is remembered of a frame; [`Row::EMPTY`] when nothing is.
    fn row(&self, frame: i64) -> Row;
    /// Digest of all rows.
    fn digest(&self) -> Digest;
}
