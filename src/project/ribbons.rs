//! The states of the film's frames as the strips that reports draw.
//!
//! Knows which stages are told of and which of their frames are kept. Does not know how a strip is drawn.

use super::Status;
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::state::{FrameState, State};
use crate::graph::{Graph, NodeId, Work};
use crate::report::states::Strip;
use crate::stale::{Reason, Report};

/// True of a stage that is told of although nobody names it: plates that are only passed on are not, unless something is wrong
/// with them.
pub fn is_told(status: &Status, id: NodeId) -> bool {
    let mut unsettled = status.report.strips[id].unsettled();
    !status.declared.graph.nodes[id].is_passed_on()
        || unsettled.any(|(_, cell)| {
            matches!(cell.state, State::Failed | State::Blocked) || cell.reason == Reason::FileMissing
        })
}

/// Frames that a person is to make or to look at again, as `SHOT/STAGE@FRAMES`, of those that `wanted` takes.
pub fn by_hand(status: &Status, wanted: &dyn Fn(NodeId, i64) -> bool) -> Vec<String> {
    let graph = &status.declared.graph;
    let hands = graph.nodes.iter().enumerate().filter(|(_, node)| matches!(node.work, Work::Hand { .. }));
    hands
        .filter_map(|(id, node)| {
            let waits = |reason| matches!(reason, Reason::Redo | Reason::FileMissing);
            let unsettled = status.report.strips[id].unsettled();
            let set: FrameSet =
                unsettled.filter(|(n, c)| waits(c.reason) && wanted(id, *n)).map(|(n, _)| n).collect();
            (!set.is_empty()).then(|| format!("{}@{set}", node.name()))
        })
        .collect()
}

/// Strips of a report as its printer takes them: of each node the frames that `wanted` gives, those that are fresh
/// and `kept` marked.
pub fn strips(
    graph: &Graph,
    report: &Report,
    wanted: &dyn Fn(NodeId) -> FrameSet,
    kept: &dyn Fn(NodeId) -> FrameSet,
) -> Vec<Strip> {
    let mut out = Vec::new();
    for (id, node) in graph.nodes.iter().enumerate() {
        let (frames, kept) = (wanted(id), kept(id));
        if frames.is_empty() {
            continue;
        }
        let mut runs = Vec::new();
        for (range, state, held) in report.strips[id].runs() {
            let plain = FrameState { state, held };
            for part in frames.runs().iter().map(|run| run.meet(range)).filter(|part| !part.is_empty()) {
                match state {
                    State::Fresh if !kept.is_empty() => marked(&mut runs, part, &kept),
                    _ => runs.push((part, plain)),
                }
            }
        }
        out.push(Strip { shot: node.shot.to_string(), stage: node.stage.to_string(), runs });
    }
    out
}

/// A run of fresh frames, those that are kept apart from the others.
fn marked(runs: &mut Vec<(FrameRange, FrameState)>, range: FrameRange, kept: &FrameSet) {
    for frame in range.iter() {
        let state = if kept.contains(frame) { FrameState::FRESH_HELD } else { State::Fresh.into() };
        match runs.last_mut() {
            Some((run, of)) if *of == state && run.last + 1 == frame => run.last = frame,
            _ => runs.push((FrameRange::one(frame), state)),
        }
    }
}
