//! What the film tells of where time goes: which stages are final steps, and what each stage that people work on rests on.
//!
//! Knows the graph. Does not know the ledger's rows.

use std::collections::HashMap;
use std::sync::Arc;

use super::Declared;
use crate::base::frames::FrameSet;
use crate::crew::waiting::Rests;
use crate::graph::{FILM, Graph, NodeId, Work};

/// Operators whose work is a shot's last polish.
const POLISH: [&str; 2] = ["grade", "match"];

/// What each stage is, by shot and stage: the operator that makes it, `mix` for all sound, or `last_by_hand` for hands at the end of
/// a shot's way: after a grade, or with nothing of the shot after them and something made before them.
pub fn kinds(declared: &Declared, last_by_hand: &str) -> HashMap<(Arc<str>, Arc<str>), Arc<str>> {
    let graph = &declared.graph;
    let last = last_hands(graph);
    let kind = |(id, node): (NodeId, &crate::graph::Node)| {
        let kind = match node.is_heard() {
            true => "mix",
            false if last[id] => last_by_hand,
            false => node.kind(),
        };
        ((node.shot.clone(), node.stage.clone()), kind.into())
    };
    graph.nodes.iter().enumerate().map(kind).collect()
}

/// Of each node, whether it is made by hand at the end of its shot's way.
fn last_hands(graph: &Graph) -> Vec<bool> {
    let mut polished = vec![false; graph.nodes.len()];
    let mut is_used = vec![false; graph.nodes.len()];
    // Inputs come before what needs them.
    for (id, node) in graph.nodes.iter().enumerate() {
        for edge in &node.inputs {
            let from = &graph.nodes[edge.from];
            polished[id] |= polished[edge.from] && from.shot == node.shot;
            is_used[edge.from] |= &*node.shot != FILM;
        }
        polished[id] |= POLISH.contains(&node.kind());
    }
    let is_last = |(id, node): (NodeId, &crate::graph::Node)| {
        let rests_on_made =
            || node.inputs.iter().any(|edge| !matches!(graph.nodes[edge.from].work, Work::Plate { .. }));
        matches!(node.work, Work::Hand { .. }) && (polished[id] || (!is_used[id] && rests_on_made()))
    };
    graph.nodes.iter().enumerate().map(is_last).collect()
}

/// What each stage that a shot has rests on, for how long it waited.
pub fn rests(declared: &Declared) -> Vec<Rests> {
    let nodes = &declared.graph.nodes;
    let stages = nodes.iter().filter(|node| &*node.shot != FILM && !node.inputs.is_empty());
    stages
        .map(|node| Rests {
            shot: node.shot.clone(),
            stage: node.stage.clone(),
            by_hand: matches!(node.work, Work::Hand { .. }),
            on: (node.inputs.iter().map(|edge| &nodes[edge.from]))
                .map(|from| (from.shot.clone(), from.stage.clone(), FrameSet::from(from.frames)))
                .collect(),
        })
        .collect()
}
