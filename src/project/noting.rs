//! Notes: what people say of frames, put there and settled.
//!
//! Knows which frames are meant. Does not know how a note is worded on a terminal.

use jiff::Timestamp;

use super::of_cut::OfCut;
use super::rebuild::Writer;
use super::sheet::finished;
use super::{Declared, Project, ProjectError, naming};
use crate::base::frames::FrameSet;
use crate::graph::NodeId;
use crate::ledger::crew::Crew;
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, Row, What};

/// The stage and frames that a note is put on: of a shot without a stage what the film shows of it, and where no frames are named
/// those that it shows, or all with their `handles`.
///
/// # Errors
/// Words, when it is not one stage, or has no such frame.
pub fn place(declared: &Declared, text: &str, handles: bool) -> Result<(NodeId, FrameSet), String> {
    let usual = |ids: &[NodeId]| finished(&declared.graph).into_iter().find(|id| ids.contains(id));
    let (id, frames) = naming::one_stage(declared, text, usual)?;
    let is_whole = !handles && !text.contains('@');
    Ok((id, if is_whole { OfCut::new(declared).frames(id) } else { frames }))
}

impl Project {
    /// Writes a note down.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn note(
        &self,
        row: NoteOn<'_>,
        (person, words): (&str, &str),
        writer: &Writer,
    ) -> Result<RowId, ProjectError> {
        let NoteOn { film, shot, stage, frames } = row;
        let what = What::Crew(Crew::Note { note: words.into() });
        let (film, shot, stage, by) = (film.into(), shot.into(), stage.into(), person.into());
        self.put(&Row { when: Timestamp::now(), film, shot, stage, frames, by, what }, writer)
    }

    /// Settles a note.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn settle(
        &self,
        note: &Entry,
        (person, words): (&str, &str),
        writer: &Writer,
    ) -> Result<RowId, ProjectError> {
        let what = What::Crew(Crew::Resolve { of: note.id, note: words.into() });
        self.put(&Row { when: Timestamp::now(), by: person.into(), what, ..note.row.clone() }, writer)
    }
}

/// Where a note is put.
#[derive(Clone, Debug)]
pub struct NoteOn<'a> {
    /// The film.
    pub film: &'a str,
    /// The shot.
    pub shot: &'a str,
    /// The stage.
    pub stage: &'a str,
    /// The frames.
    pub frames: FrameSet,
}
