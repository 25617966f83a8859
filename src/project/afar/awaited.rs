//! Frames that a rebuild here leaves to a cluster.
//!
//! Knows what is out and what needs it. Renders nothing.

use std::collections::BTreeMap;

use super::Out;
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::graph::NodeId;
use crate::plan;
use crate::project::{Status, picks};

/// Frames that tasks elsewhere are making, and all that need those, by node; none where nothing is out.
pub fn awaited(status: &Status, out: &[Out]) -> Vec<FrameSet> {
    let graph = &status.declared.graph;
    if out.is_empty() {
        return Vec::new();
    }
    let mut waits: Vec<FrameSet> = Vec::with_capacity(graph.nodes.len());
    for (id, node) in graph.nodes.iter().enumerate() {
        let name = (node.shot.to_string(), node.stage.to_string());
        let own: Vec<&FrameSet> = out.iter().filter_map(|out| out.frames.get(&name)).collect();
        let mut set = FrameSet::new();
        for (frame, cell) in status.report.strips[id].unsettled() {
            // A plate that is only passed on costs little, and what lies in the store is put back.
            let is_made =
                !node.is_passed_on() && !cell.restorable && own.iter().any(|set| set.contains(frame));
            let mut waits_for = is_made;
            if !waits_for {
                graph.each_need(id, frame, &mut |edge, _, range| {
                    waits_for |=
                        !waits[edge.from].is_empty() && range.iter().any(|n| waits[edge.from].contains(n));
                });
            }
            if waits_for {
                set.insert(frame);
            }
        }
        waits.push(set);
    }
    waits
}

/// Those of them that are selected and that this run would have made.
pub fn awaited_of(
    status: &Status,
    selection: &Selection,
    again: bool,
    waits: Vec<FrameSet>,
) -> BTreeMap<NodeId, FrameSet> {
    let graph = &status.declared.graph;
    let picked = picks(graph, selection);
    let is_due = |id: NodeId, frame: i64| {
        let cell = status.report.strips[id].get(frame);
        picked(id, frame) && cell.is_some_and(|cell| plan::is_work(&cell, again))
    };
    let due =
        |(id, set): (NodeId, FrameSet)| (id, set.iter().filter(|n| is_due(id, *n)).collect::<FrameSet>());
    waits.into_iter().enumerate().map(due).filter(|(_, set)| !set.is_empty()).collect()
}
