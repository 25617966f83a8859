//! What staleness asks, answered from the store, the ledger and the disk.

use std::path::Path;

use rayon::prelude::*;

use crate::base::digest::Digest;
use crate::base::made::{MadeOf, Row};
use crate::graph::{Graph, Node, NodeId};
use crate::ledger::holds::Holds;
use crate::observe::Seen;
use crate::stale::explain::Memory;
use crate::stale::{Knowledge, SourceState};
use crate::store::actions::Actions;
use crate::store::objects::Objects;
use crate::store::state::{State, Table};

/// All that is known.
pub struct Known<'a> {
    graph: &'a Graph,
    seen: &'a [Seen],
    state: &'a State,
    tables: Vec<Option<&'a Table>>,
    actions: &'a Actions,
    objects: &'a Objects,
    holds: &'a Holds<'a>,
    /// Of every node, whether each of its frames, from the first on, has its file.
    in_place: Vec<Vec<bool>>,
}

impl<'a> Known<'a> {
    /// Gathers it; looks at the renders tree once, folder by folder.
    pub fn new(
        folder: &Path,
        graph: &'a Graph,
        seen: &'a [Seen],
        state: &'a State,
        actions: &'a Actions,
        objects: &'a Objects,
        holds: &'a Holds<'a>,
    ) -> Self {
        let tables: Vec<_> = graph.nodes.iter().map(|n| state.table(&n.shot, &n.stage)).collect();
        let in_place = graph
            .nodes
            .par_iter()
            .zip(&tables)
            .map(|(node, table)| match table {
                Some(_) if node.keep => {
                    listed(&folder.join("renders").join(&*node.shot).join(&*node.stage), node)
                }
                _ => Vec::new(),
            })
            .collect();
        Self { graph, seen, state, tables, actions, objects, holds, in_place }
    }
}

/// Which of a node's frames have their `SHOT.FRAME.exr` in a folder.
fn listed(folder: &Path, node: &Node) -> Vec<bool> {
    let mut there = vec![false; node.frames.len()];
    let Ok(entries) = std::fs::read_dir(folder) else { return there };
    let frame = |name: &str| -> Option<i64> {
        name.strip_prefix(&*node.shot)?.strip_prefix('.')?.strip_suffix(".exr")?.parse().ok()
    };
    for entry in entries.flatten() {
        let at = entry.file_name().to_str().and_then(frame).and_then(|n| place_of(node, n));
        if let Some(place) = at.and_then(|at| there.get_mut(at)) {
            *place = true;
        }
    }
    there
}

/// Where a frame lies among a node's.
fn place_of(node: &Node, frame: i64) -> Option<usize> {
    usize::try_from(frame.checked_sub(node.frames.first)?).ok()
}

impl Knowledge for Known<'_> {
    fn source(&self, source: usize, frame: i64) -> SourceState {
        self.seen[source].get(frame).map_or(SourceState::Missing, |sight| sight.state)
    }

    fn last(&self, node: NodeId, frame: i64) -> Row {
        self.tables[node].and_then(|t| t.get(frame)).copied().unwrap_or(Row::EMPTY)
    }

    fn made(&self, node: NodeId, key: &Digest) -> Option<Digest> {
        let pixels = self.actions.get(key)?.pixels;
        (!self.graph.nodes[node].keep || self.objects.has(&pixels)).then_some(pixels)
    }

    fn plane(&self, key: &Digest, channel: &str) -> Option<Digest> {
        self.actions.get(key)?.planes.iter().find(|(name, _)| &**name == channel).map(|(_, digest)| *digest)
    }

    fn parameters(&self, key: &Digest) -> Option<Digest> {
        Some(self.actions.get(key)?.made_of.parameters)
    }

    fn held(&self, node: NodeId, frame: i64) -> bool {
        let n = &self.graph.nodes[node];
        self.holds.holding(&n.shot, &n.stage, frame).is_some()
    }

    fn in_place(&self, node: NodeId, frame: i64) -> bool {
        let at = place_of(&self.graph.nodes[node], frame);
        at.and_then(|at| self.in_place[node].get(at)).is_some_and(|&there| there)
    }
}

impl Memory for Known<'_> {
    fn made_of(&self, key: &Digest) -> Option<MadeOf> {
        self.actions.get(key).map(|action| action.made_of)
    }

    fn ingredients(&self, digest: &Digest) -> Option<Vec<(String, Digest, Option<String>)>> {
        self.state.ingredients(digest).map(<[_]>::to_vec)
    }
}
