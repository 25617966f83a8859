//! Which shots of the cut are finished, and what keeps the others from it.
//!
//! A shot is finished when every frame of it that the film shows is fresh, held by nobody and lies where the cut points at.
//! Whether people approved it is told beside that. Knows states of frames, approvals and files. Writes nothing.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::base::frames::FrameSet;
use crate::crew::approvals::Approvals;
use crate::cut::Cut;
use crate::execute::settle::render_path;
use crate::graph::{Graph, NodeId};
use crate::project::approving::{Asked, left};
use crate::project::sheet::finished;
use crate::project::{Project, Status};

/// What is said of frames whose render is fresh and whose file is gone from the film's folder.
const NO_FILE: &str = "without their file";

/// How far a shot is, as the film shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shot {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage that the film takes of it.
    pub stage: Arc<str>,
    /// Its frames that the film shows.
    pub shown: FrameSet,
    /// Those that are not finished, by what they are.
    pub not: Vec<(&'static str, FrameSet)>,
    /// Those that no approval holds for.
    pub unapproved: FrameSet,
    /// The stage keeps no renders, so that no file stands for it.
    pub passes: bool,
}

impl Shot {
    /// Whether nothing is left to do to it.
    pub fn is_finished(&self) -> bool {
        self.not.is_empty() && !self.passes
    }

    /// Whether every frame is approved.
    pub fn is_approved(&self) -> bool {
        self.unapproved.is_empty()
    }
}

/// The nodes that the film takes of its shots, by the shots' names in small letters.
pub fn taken(graph: &Graph) -> BTreeMap<String, NodeId> {
    finished(graph).into_iter().map(|id| (graph.nodes[id].shot.to_ascii_lowercase(), id)).collect()
}

impl Project {
    /// The shots that a cut shows, in its order.
    pub(super) fn shots_done(&self, status: &Status, cut: &Cut) -> Vec<Shot> {
        let by_name = taken(&status.declared.graph);
        let going = cut.dissolves.iter().filter_map(|dissolve| {
            let from = dissolve.from.as_ref()?;
            Some((from.shot.as_str(), from.run(dissolve.record.len() as i64).shows()))
        });
        let (mut order, mut shown) = (Vec::new(), BTreeMap::<NodeId, FrameSet>::new());
        for (shot, frames) in cut.events.iter().map(|event| (event.shot.as_str(), event.source)).chain(going)
        {
            let Some(&id) = by_name.get(&shot.to_ascii_lowercase()) else { continue };
            if !shown.contains_key(&id) {
                order.push(id);
            }
            shown.entry(id).or_default().insert_range(frames);
        }
        let approvals = Approvals::after(&status.ledger.0);
        let mut all: Vec<Shot> = Vec::with_capacity(order.len());
        for &id in &order {
            all.push(self.shot_done(status, &approvals, id, shown[&id].clone()));
        }
        // A fresh render that is held would stay whatever changes: it is no finished one either.
        for kept in self.kept(status) {
            let Some(at) = order.iter().position(|&id| id == kept.node) else { continue };
            let held = kept.fresh.meet(&all[at].shown);
            if !held.is_empty() {
                all[at].not.push(("fresh, held", held));
            }
        }
        all
    }

    fn shot_done(&self, status: &Status, approvals: &Approvals<'_>, id: NodeId, shown: FrameSet) -> Shot {
        let node = &status.declared.graph.nodes[id];
        let Asked { fresh, mut not, .. } = Asked::of(status, id, &shown);
        let is_there = |frame: &i64| self.folder.join(render_path(&node.shot, &node.stage, *frame)).exists();
        let without: FrameSet = fresh.iter().filter(|frame| node.keep && !is_there(frame)).collect();
        if !without.is_empty() {
            not.push((NO_FILE, without));
        }
        let unapproved = left(status, approvals, id, shown.clone());
        let (shot, stage) = (node.shot.clone(), node.stage.clone());
        Shot { shot, stage, shown, not, unapproved, passes: !node.keep }
    }
}
