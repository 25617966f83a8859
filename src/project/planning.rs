//! What a rebuild would do of what is selected.
//!
//! Knows what is left to a cluster, and what one who gathers puts in place besides. Renders nothing.

use super::afar::{Out, awaited};
use super::{Project, Status};
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::selector::{Chosen, Selection};
use crate::execute::{Options, Way};
use crate::graph::{Graph, NodeId};
use crate::plan::{self, Plan};

impl Project {
    /// What a rebuild would do, without doing it. What a cluster is making, as `out` says, is left to it.
    pub fn plan(&self, status: &Status, selection: &Selection, again: bool, out: &[Out]) -> Plan {
        let graph = &status.declared.graph;
        let (picked, waits) = (picks(graph, selection), awaited(status, out));
        plan::plan(graph, &status.report, again, &|id, frame| picked(id, frame) && !is_in(&waits, id, frame))
    }

    /// The work of a selection and, for whoever puts in place what others made, of all that they made.
    pub(super) fn plan_with_made(
        &self,
        status: &Status,
        selection: &Selection,
        options: &Options,
        waits: &[FrameSet],
    ) -> Plan {
        let graph = &status.declared.graph;
        let picked = picks(graph, selection);
        let made = |id: usize, frame: i64| {
            let node = &graph.nodes[id];
            let Way::Gathers(elsewhere) = &options.way else { return false };
            let told = elsewhere.told.get(&(node.shot.clone(), node.stage.clone()));
            told.is_some_and(|frames| frames.contains(frame))
        };
        plan::plan(graph, &status.report, options.again, &|id, frame| {
            (picked(id, frame) || made(id, frame)) && !is_in(waits, id, frame)
        })
    }
}

/// Whether a frame of a node is in these sets, of which there are none where nothing is.
fn is_in(sets: &[FrameSet], id: NodeId, frame: i64) -> bool {
    sets.get(id).is_some_and(|set| set.contains(frame))
}

/// Whether a selection takes a frame of a node.
pub fn picks(graph: &Graph, selection: &Selection) -> impl Fn(NodeId, i64) -> bool {
    let chosen = wanted(graph, selection);
    move |id, frame| chosen[id].as_ref().is_some_and(|chosen| chosen.contains(frame))
}

/// Frames that a selection takes of each node.
pub fn wanted(graph: &Graph, selection: &Selection) -> Vec<Option<Chosen>> {
    graph.nodes.iter().map(|node| selection.chosen(|selector| graph.meant(node, selector))).collect()
}

/// All frames of a node that a selection takes.
pub fn chosen(chosen: Option<&Chosen>, whole: FrameRange) -> FrameSet {
    chosen.map(|c| c.within(whole)).unwrap_or_default()
}
