//! Colour mathematics of the picture operators: curves, primaries, grades and tables.
//!
//! Knows formulas and blocks of planar 32-bit samples. Does not know stages, frames or files on disk;
//! the readers of grades and tables are handed bytes.

pub mod block;
pub mod cdl;
pub mod cdl_xml;
pub mod chain;
pub mod clf;
pub mod cube;
pub mod display;
pub mod encoding;
pub mod look;
pub mod matching;
pub mod power;
pub mod primaries;
mod step;
pub mod table;
pub mod transfer;
pub mod white;
pub mod xml;

use crate::base::conflict;
use crate::base::problem::{Problem, Span};
use crate::operators::Attachment;

/// What is wrong with a file in which a merge conflict was left.
pub fn conflict_in(file: &Attachment) -> Option<Problem> {
    let at = conflict::left_in(&file.bytes)?;
    Some(problem_in(file, at.start, at.end, conflict::LEFT).help(conflict::HELP))
}

/// A problem at bytes `start..end` of an attached file; of a file that is no text, one that names its path.
pub fn problem_in(file: &Attachment, start: usize, end: usize, message: impl Into<String>) -> Problem {
    match file.source {
        Some(source) => Problem::error(Span::new(source, start, end), message),
        None => Problem::bare(format!("{}: {}", file.path, message.into())),
    }
}
