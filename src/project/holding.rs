//! Holding renders and letting go of them: what a person keeps as it is.
//!
//! Knows which renders can be kept and what the ledger is told. Does not know what a hold means for a frame's state.

use std::sync::Arc;

use super::past::kept;
use super::rebuild::Writer;
use super::{Project, ProjectError, Status, picks, wanted};
use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::selector::Selection;
use crate::graph::{Node, NodeId};
use crate::ledger::file::{DIGESTS_A_ROW, Ledger};
use crate::ledger::holds::Holds;
use crate::ledger::id::RowId;
use crate::ledger::row::{Row, What};

/// What holding came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Held {
    /// Frames whose renders are kept.
    pub frames: usize,
    /// How many of them are fresh now.
    pub fresh: usize,
}

/// Renders of one stage that one hold keeps.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    /// The stage.
    pub node: NodeId,
    /// Its frames.
    pub frames: FrameSet,
    /// Those of them that are fresh now.
    pub fresh: FrameSet,
    /// By whom, since when and why.
    pub words: String,
}

impl Project {
    /// Keeps the renders that are there, of what is selected. Stages that keep no renders on disk are left out.
    pub fn hold(&self, selection: &Selection, note: &str, writer: &Writer) -> Result<Held, ProjectError> {
        let _lock = self.lock(writer)?;
        let status = self.status(false, &|_, _| {})?;
        let mut ledger = Ledger::open(&self.folder.join("ledger"), &writer.name)?;
        let graph = &status.declared.graph;
        let mut held = Held::default();
        for (id, chosen) in wanted(graph, selection).into_iter().enumerate() {
            let node = &graph.nodes[id];
            let Some(chosen) = chosen.filter(|_| node.keep) else { continue };
            let Some(table) = status.state.table(&node.shot, &node.stage) else { continue };
            let frames: Vec<i64> = (node.frames.iter())
                .filter(|&n| chosen.contains(n) && table.get(n).is_some_and(|row| row.key != NONE))
                .collect();
            held.frames += frames.len();
            held.fresh += frames.iter().filter(|&&n| status.report.strips[id].is_fresh_at(n)).count();
            // A row of the ledger has a limit, and each frame's digest stands in it.
            for part in frames.chunks(DIGESTS_A_ROW) {
                let digests = part.iter().filter_map(|&n| table.get(n)).map(|row| row.pixels).collect();
                let what = What::Hold { digests, note: note.into() };
                ledger.append(&row(&graph.film, node, part.iter().copied().collect(), writer, what))?;
            }
        }
        Ok(held)
    }

    /// Lets go of what is kept among the selected. Gives how many frames that is.
    pub fn let_go(&self, selection: &Selection, note: &str, writer: &Writer) -> Result<usize, ProjectError> {
        let _lock = self.lock(writer)?;
        let status = self.status(false, &|_, _| {})?;
        let mut ledger = Ledger::open(&self.folder.join("ledger"), &writer.name)?;
        let graph = &status.declared.graph;
        let is_picked = picks(graph, selection);
        let mut count = 0;
        for kept in self.kept(&status) {
            let frames: FrameSet = kept.frames.iter().filter(|&n| is_picked(kept.node, n)).collect();
            if !frames.is_empty() {
                count += frames.len();
                let what = What::Release { note: note.into() };
                ledger.append(&row(&graph.film, &graph.nodes[kept.node], frames, writer, what))?;
            }
        }
        Ok(count)
    }

    /// What is kept: renders that are still the ones that a person asked to keep.
    pub fn kept(&self, status: &Status) -> Vec<Kept> {
        let graph = &status.declared.graph;
        let holds = Holds::after(&status.ledger.0);
        let mut all: Vec<Kept> = Vec::new();
        for (id, node) in graph.nodes.iter().enumerate() {
            let held = holds.frames(&node.shot, &node.stage);
            if held.is_empty() {
                continue;
            }
            let Some(table) = status.state.table(&node.shot, &node.stage) else { continue };
            let mut of: Option<RowId> = None;
            for frame in held.iter().filter(|&n| node.frames.contains(n)) {
                let pixels = table.get(frame).map(|row| row.pixels);
                let Some(entry) = holds.holding(&node.shot, &node.stage, frame) else { continue };
                if pixels.is_none() || holds.digest(&node.shot, &node.stage, frame) != pixels {
                    continue;
                }
                if of != Some(entry.id) {
                    of = Some(entry.id);
                    let (frames, fresh) = (FrameSet::new(), FrameSet::new());
                    all.push(Kept { node: id, frames, fresh, words: kept(entry) });
                }
                let Some(last) = all.last_mut() else { continue };
                last.frames.insert(frame);
                if status.report.strips[id].is_fresh_at(frame) {
                    last.fresh.insert(frame);
                }
            }
        }
        all
    }
}

fn row(film: &str, node: &Node, frames: FrameSet, writer: &Writer, what: What) -> Row {
    let by: Arc<str> = writer.name.as_str().into();
    let (shot, stage) = (node.shot.clone(), node.stage.clone());
    Row { when: jiff::Timestamp::now(), film: film.into(), shot, stage, frames, by, what }
}
