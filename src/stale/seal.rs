//! The print of a node: one digest of everything that the states of all its frames rest on.
//!
//! Feeds what [`super::key`] would read frame by frame: what is steady once, what repeats as runs, inputs by their rows.
//! Two looks with one print find the same, so that a look that found all frames fresh need not be made twice.

use super::{Knowledge, SourceState, Strip};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::graph::{Graph, Node, NodeId};

/// The print of a node; none when an input is not fresh throughout or the node was never rendered.
pub(super) fn print(graph: &Graph, known: &dyn Knowledge, strips: &[Strip], id: NodeId) -> Option<Digest> {
    let node = &graph.nodes[id];
    let mut hasher = KeyHasher::new();
    hasher.text("print 1").digest(&node.identity).digest(&known.rows(id)?.digest());
    hasher.int(node.frames.first).int(node.frames.last).flag(node.keep);
    hasher.list(node.inputs.len());
    for edge in &node.inputs {
        if !strips[edge.from].is_fresh() {
            return None;
        }
        hasher.digest(&known.rows(edge.from)?.digest()).text(edge.channel.as_deref().unwrap_or(""));
    }
    if let Some(source) = node.source() {
        for frame in node.frames.iter() {
            match known.source(source, frame) {
                SourceState::Known(digest) => hasher.digest(&digest),
                SourceState::Missing | SourceState::Unfit => return None,
            };
        }
    }
    if let Some(hands) = known.hands(id) {
        hasher.text("hands").digest(&hands);
    }
    parameters(node, &mut hasher);
    reach(graph, id, &mut hasher);
    Some(hasher.finish())
}

fn parameters(node: &Node, hasher: &mut KeyHasher) {
    if node.is_steady() {
        hasher.digest(&node.parameters(node.frames.first));
        return;
    }
    let mut last = None;
    for frame in node.frames.iter() {
        let now = node.parameters(frame);
        if last != Some(now) {
            hasher.int(frame).digest(&now);
            last = Some(now);
        }
    }
}

/// The frames that each frame reaches, relative to its own number, wherever they change.
fn reach(graph: &Graph, id: NodeId, hasher: &mut KeyHasher) {
    let mut last: Vec<(usize, FrameRange)> = Vec::new();
    let mut now: Vec<(usize, FrameRange)> = Vec::new();
    for frame in graph.nodes[id].frames.iter() {
        now.clear();
        graph.each_need(id, frame, &mut |_, index, range| {
            now.push((index, FrameRange::new(range.first - frame, range.last - frame)));
        });
        if frame == graph.nodes[id].frames.first || now != last {
            hasher.int(frame).list(now.len());
            for (index, range) in &now {
                hasher.int(*index as i64).int(range.first).int(range.last);
            }
            std::mem::swap(&mut last, &mut now);
        }
    }
}
