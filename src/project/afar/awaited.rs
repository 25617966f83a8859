//! Frames that a rebuild here leaves to a cluster.
//!
//! Knows what is out and what needs it, and in which pools both take places. Renders nothing.

use std::collections::{BTreeMap, BTreeSet};

use super::Out;
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::events::Event;
use crate::graph::{Graph, NodeId};
use crate::plan::{self, Plan};
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

/// Tells of pools in which frames of a plan take places here while tasks of runs that are out take places there: neither sees the
/// other's.
pub fn tell_shared_pools(graph: &Graph, plan: &Plan, out: &[Out], events: &(dyn Fn(Event) + Sync)) {
    let of = |ids: &mut dyn Iterator<Item = NodeId>| -> BTreeSet<usize> {
        ids.flat_map(|id| &graph.nodes[id].pools).map(|(pool, _)| *pool).collect()
    };
    let here = of(&mut plan.frames.keys().copied());
    let stages = out.iter().flat_map(|out| out.frames.keys());
    let there = of(&mut stages.filter_map(|(shot, stage)| graph.find(shot, stage)));
    let name = |pool: &usize| {
        let (name, places) = &graph.pools[*pool];
        format!("'{name}' ({places})")
    };
    let names: Vec<String> = here.intersection(&there).map(name).collect();
    let (pool, them) = if names.len() == 1 { ("pool", "its") } else { ("pools", "their") };
    if !names.is_empty() {
        events(Event::Told(format!(
            "{pool} {}: taken up here and by a run on Slurm at once, and neither sees the other's places, so that up to twice {them} \
             number may be in use; where that must not be, leave these stages to the run, by selectors",
            names.join(", ")
        )));
    }
}
