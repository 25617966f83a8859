//! Frames that are not there to be looked at, and how that is told.
//!
//! Knows places, reasons and ways out as words. Does not know how they were found.

use std::fmt;

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

impl std::error::Error for Lacking {}

impl fmt::Display for Lacking {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, Lack { place, why, way }) in self.0.iter().enumerate() {
            write!(f, "{}{place}: {why}; {way}", if i > 0 { "\n" } else { "" })?;
        }
        Ok(())
    }
}
