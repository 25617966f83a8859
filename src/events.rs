//! What a run announces while it goes on.
//!
//! Joins the engine and whoever shows its progress. Knows neither.

use std::sync::Arc;

/// Something that happened.
#[derive(Clone, Debug)]
pub enum Event {
    /// Source files are being read: so many of so many.
    Reading(usize, usize),
    /// A rebuild begins, with so many frames to settle.
    Began(usize),
    /// Something that a person should know while it goes on.
    Told(String),
    /// A frame is settled.
    Frame {
        /// Shot.
        shot: Arc<str>,
        /// Stage.
        stage: Arc<str>,
        /// Frame.
        frame: i64,
        /// How.
        how: How,
    },
}

/// How a frame was settled.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum How {
    /// It was rendered.
    Rendered,
    /// It is the same as another frame that was rendered in this run, and cost nothing.
    Alike,
    /// A render of an earlier run was put back.
    Restored,
    /// Another member's render was taken from the shared store.
    Shared,
    /// It turned out to be fresh: what it needs came out with the same pixels.
    Same,
    /// It failed, with the reason.
    Failed(String),
    /// It could not be tried, because an input failed or is missing.
    Blocked,
}
