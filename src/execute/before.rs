//! Renders that others made of a stage as it was: put in place where nothing newer is.
//!
//! Knows that a rebuild here would have left them in place before the change, so that what made the next ones necessary is said alike
//! wherever frames were made. Makes nothing.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use super::{Engine, Progress, Ready};
use crate::base::digest::Digest;
use crate::base::made::{NONE, Row};
use crate::base::state::State as FrameState;
use crate::graph::NodeId;
use crate::store::StoreError;

/// What others made of frames, by shot and stage, whether it is of what the film is now or not.
#[derive(Debug, Default)]
pub struct Was {
    /// The keys and pixels that they came to.
    pub rows: HashMap<(Arc<str>, Arc<str>), HashMap<i64, Row>>,
    /// Keys of renders that the film did not have before, and that are newer than what it has.
    pub new: HashSet<Digest>,
}

impl Engine<'_> {
    /// What others made of a frame.
    pub(super) fn was(&self, id: NodeId, frame: i64) -> Option<&Row> {
        let node = &self.graph.nodes[id];
        self.options.was.rows.get(&(node.shot.clone(), node.stage.clone()))?.get(&frame)
    }

    /// What a frame was last made of, for saying what changed: by others, where the film has that now for the first time and its key
    /// is another one.
    pub(super) fn last_of_all(&self, id: NodeId, frame: i64, key: &Digest, last: Row) -> Row {
        let others =
            self.was(id, frame).filter(|row| row.key != *key && self.options.was.new.contains(&row.key));
        others.copied().unwrap_or(last)
    }

    /// Puts such renders in place, also where the run was ended: no later run does. Of a frame that is out, what a person made before goes
    /// on being used, as where it had been made here.
    pub(super) fn place_as_was(&self) {
        let was = &self.options.was;
        for ((shot, stage), rows) in was.rows.iter().filter(|_| !self.is_apart()) {
            let Some(id) = self.graph.find(shot, stage).filter(|id| !self.graph.nodes[*id].is_passed_on())
            else {
                continue;
            };
            for (&frame, row) in rows.iter().filter(|(_, row)| was.new.contains(&row.key)) {
                if let Err(error) = self.place_one_as_was(id, frame, row) {
                    // It is put in its place by nobody else, and costs no more than a word of why the next was made.
                    tracing::warn!(%error, "a render of before could not be put in place");
                    return;
                }
            }
        }
    }

    fn place_one_as_was(&self, id: NodeId, frame: i64, row: &Row) -> Result<(), StoreError> {
        let node = &self.graph.nodes[id];
        let is_done = matches!(
            self.cells.lock().expect("no worker panics with it").get(&(id, frame)),
            Some(Progress::Done(_))
        );
        let is_due = self.report.strips[id]
            .get(frame)
            .is_some_and(|cell| cell.state != FrameState::Fresh && !cell.is_in_use() && !cell.restorable);
        let last = self.last(id, frame);
        if is_done || !is_due || last.key == row.key {
            return Ok(());
        }
        let Some(action) = self.actions.get(&row.key) else { return Ok(()) };
        if node.keep && !self.objects.has(&action.pixels) {
            return Ok(());
        }
        let ready = Ready { pixels: action.pixels, key: row.key, cause: "".into() };
        self.place(id, frame, &last, &ready)?;
        if last.failed != NONE {
            // That it failed since stands.
            let row = Row { key: row.key, pixels: action.pixels, failed: last.failed };
            self.state.lock().expect("no worker panics with it").set(&node.shot, &node.stage, frame, row)?;
        }
        Ok(())
    }
}
