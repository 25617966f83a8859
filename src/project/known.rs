//! What staleness asks, answered from the store, the ledger and the disk.

use std::collections::HashSet;
use std::path::Path;

use rayon::prelude::*;

use crate::base::digest::Digest;
use crate::base::made::{MadeOf, Row};
use crate::graph::{Graph, NodeId};
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
    in_place: Vec<HashSet<i64>>,
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
                    listed(&folder.join("renders").join(&*node.shot).join(&*node.stage), &node.shot)
                }
                _ => HashSet::new(),
            })
            .collect();
        Self { graph, seen, state, tables, actions, objects, holds, in_place }
    }
}

/// Frame numbers of `SHOT.FRAME.exr` in a folder.
fn listed(folder: &Path, shot: &str) -> HashSet<i64> {
    let Ok(entries) = std::fs::read_dir(folder) else { return HashSet::new() };
    let frame = |name: &str| name.strip_prefix(shot)?.strip_prefix('.')?.strip_suffix(".exr")?.parse().ok();
    entries.filter_map(|entry| frame(entry.ok()?.file_name().to_str()?)).collect()
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
        self.in_place[node].contains(&frame)
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
