//! Frames that are not there to be looked at, and how that is told.
//!
//! Knows places, reasons and ways out as words. Does not know how they were found.

use std::fmt;

use crate::graph::Node;

/// Frames that are not there to be looked at, each stage's together where one thing is the matter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lacking(pub Vec<Lack>);

/// Frames of one stage that are lacking for one reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lack {
    /// `SHOT/STAGE@FRAMES`.
    pub place: String,
    /// What is the matter.
    pub why: String,
    /// What to do about it.
    pub way: String,
}

impl Lacking {
    /// A frame that is kept from when its stage had no channel of this name.
    pub fn channel(node: &Node, frame: i64, name: &str) -> Self {
        let place = crate::stale::place(node, frame);
        let why = format!("it was made before the stage had a channel '{name}'");
        let way = format!("`endboard rebuild {place}` makes it anew, with --let-go where it is held");
        Self(vec![Lack { place, why, way }])
    }
}

impl std::error::Error for Lacking {}

impl fmt::Display for Lacking {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, Lack { place, why, way }) in self.0.iter().enumerate() {
            write!(f, "{}{place}: {why}; {way}", if i > 0 { "\n" } else { "" })?;
        }
        Ok(())
    }
}
