//! What a rebuild would render once a new cut is taken up, stage by stage.
//!
//! The real walk over the film as it would be tells it (`stale::look`), so that what is foretold is what a rebuild then does.
//! Knows states of frames before and after. Does not know cuts.

use std::collections::HashMap;
use std::sync::Arc;

use super::pace::{Pace, Paces};
use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::state::State;
use crate::graph::{ASSEMBLY, FILM, Node};
use crate::plan;
use crate::project::Status;

/// What becomes of one stage.
#[derive(Clone, Debug, PartialEq)]
pub struct Stage {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// Whether its frames are blocks of sound.
    pub is_heard: bool,
    /// Frames that a rebuild renders. Those that are not [`Stage::sure`] may come out as they were, and then stop the wave.
    pub frames: FrameSet,
    /// How many of them are rendered whatever comes out elsewhere.
    pub sure: usize,
    /// Frames that can be rendered once what they wait for is there: people's files, as a rule.
    pub later: FrameSet,
    /// Frames that come back from the store without rendering.
    pub back: FrameSet,
    /// How many of `frames` and `later` the film needs as it is cut now, too.
    pub due: usize,
    /// How long a frame takes, where that was measured.
    pub pace: Option<Pace>,
}

impl Stage {
    /// How many frames there are to render, now and later.
    pub fn count(&self) -> usize {
        self.frames.len() + self.later.len()
    }

    /// How many of them only the new cut asks for.
    pub fn more(&self) -> usize {
        self.count().saturating_sub(self.due)
    }

    /// Seconds of a machine for that many, where a frame's time is known.
    pub fn seconds(&self, frames: usize) -> Option<f64> {
        Some(self.pace?.seconds * frames as f64)
    }
}

/// What is to be done of a node.
#[derive(Default)]
struct Due {
    frames: FrameSet,
    sure: usize,
    later: FrameSet,
    back: FrameSet,
}

/// Every stage of which something is to be done, in the order of the graph. `lost` are film frames that cannot be made.
pub fn stages(before: &Status, after: &Status, lost: &FrameSet, paces: &Paces) -> Vec<Stage> {
    let nodes = &before.declared.graph.nodes;
    let were: HashMap<(&str, &str), usize> =
        nodes.iter().enumerate().map(|(id, node)| ((&*node.shot, &*node.stage), id)).collect();
    let mut stages = Vec::new();
    for (id, node) in after.declared.graph.nodes.iter().enumerate().filter(|(_, node)| !node.is_passed_on()) {
        let due = due(after, id, &|frame| is_film(node) && lost.contains(frame));
        if due.frames.is_empty() && due.later.is_empty() && due.back.is_empty() {
            continue;
        }
        let mut all = due.frames.clone();
        all.insert_all(&due.later);
        let already = were.get(&(&*node.shot, &*node.stage)).map_or(0, |&id| {
            let was = self::due(before, id, &|_| false);
            all.iter().filter(|&n| was.frames.contains(n) || was.later.contains(n)).count()
        });
        stages.push(Stage {
            shot: node.shot.clone(),
            stage: node.stage.clone(),
            is_heard: node.is_heard(),
            pace: paces.machine(&node.shot, &node.stage, node.kind()),
            frames: due.frames,
            sure: due.sure,
            later: due.later,
            back: due.back,
            due: already,
        });
    }
    stages
}

fn is_film(node: &Node) -> bool {
    &*node.shot == FILM && &*node.stage == ASSEMBLY
}

fn due(status: &Status, id: usize, is_lost: &dyn Fn(i64) -> bool) -> Due {
    let mut due = Due::default();
    for (frame, cell) in status.report.strips[id].unsettled().filter(|(frame, _)| !is_lost(*frame)) {
        match cell.state {
            State::Blocked => due.later.insert(frame),
            _ if !plan::is_work(cell, false) => {}
            _ if cell.restorable => due.back.insert(frame),
            _ => {
                // A key that is known was not made before; a frame that never was has nothing to be alike.
                due.sure += usize::from(cell.key != NONE || cell.state == State::Absent);
                due.frames.insert(frame);
            }
        }
    }
    due
}
