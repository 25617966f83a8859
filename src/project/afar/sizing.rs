//! How long parts of a run on a cluster are to be: by what frames took before, and by what the cluster takes.
//!
//! Knows the ledger's rows of renders and the declaration's limits. Cuts nothing itself.

use std::collections::{BTreeMap, HashMap};

use crate::base::frames::FrameSet;
use crate::declare::slurm::Slurm;
use crate::execute::slurm::Bounds;
use crate::graph::{Graph, NodeId};
use crate::ledger::row::{Entry, Outcome, What};
use crate::plan::parts::{self, Parts, Sizes};

/// What a task's start may be of its work: one part in so many.
const SHARE: f64 = 20.0;
/// Work of a part where starts are short, in seconds of one processor.
const SHORT: f64 = 60.0;
/// Most parts in an array, so that what depends on it does not wait for long, and shots come to their end one after the other.
const ARRAY: usize = 250;
/// The share of what the controller knows at one time that a run may take.
const ROOM: f64 = 0.9;
/// How much longer parts get where there would be too many.
const LONGER: f64 = 1.25;
/// Seconds of a frame that was never rendered.
const UNKNOWN: f64 = 1.0;
/// The share of the time limit that a part is planned to need.
const SPARE_TIME: f64 = 0.5;

/// Seconds that a frame of each node takes by the ledger: of its shot and stage, else of the stage in other shots.
pub(super) fn costs(graph: &Graph, rows: &[Entry]) -> Vec<f64> {
    type Sum = (f64, f64);
    let mut own: HashMap<(&str, &str), Sum> = HashMap::new();
    let mut like: HashMap<&str, Sum> = HashMap::new();
    for row in rows.iter().map(|entry| &entry.row) {
        let What::Render(render) = &row.what else { continue };
        if render.outcome != Outcome::Done {
            continue;
        }
        // Several processors at one frame are not several frames at a time.
        let (seconds, frames) = (render.wall.max(render.cpu).as_secs_f64(), row.frames.len() as f64);
        for sum in [own.entry((&row.shot, &row.stage)).or_default(), like.entry(&row.stage).or_default()] {
            *sum = (sum.0 + seconds, sum.1 + frames);
        }
    }
    let known = |node: &crate::graph::Node| {
        let sum = own.get(&(&*node.shot, &*node.stage)).or_else(|| like.get(&*node.stage))?;
        Some((sum.0 / sum.1.max(1.0)).max(1e-4))
    };
    graph.nodes.iter().map(|node| known(node).unwrap_or(UNKNOWN)).collect()
}

/// Parts `due` for a cluster, so that there are not more than it takes; `cost` is what a frame of a node takes, in seconds of one
/// processor, and `startup` what a task needs before its first frame.
pub fn within(
    graph: &Graph,
    due: &BTreeMap<NodeId, FrameSet>,
    cost: &dyn Fn(NodeId) -> f64,
    slurm: &Slurm,
    bounds: Bounds,
    startup: f64,
) -> Parts {
    let total = due.iter().map(|(id, frames)| cost(*id) * frames.len() as f64).sum();
    let mut sizes = sizes(slurm, bounds, startup, total);
    loop {
        let parts = parts::split(graph, due, cost, &sizes);
        let is_most = limit(slurm).is_some_and(|limit| sizes.seconds >= limit) || sizes.seconds >= total;
        if is_most || parts.parts.len() as f64 <= bounds.jobs as f64 * ROOM {
            return parts;
        }
        sizes.seconds = limit(slurm).map_or(f64::MAX, |limit| limit).min(sizes.seconds * LONGER);
        sizes.least *= LONGER;
    }
}

/// Work of a part at most, by the time limit, in seconds of one processor.
fn limit(slurm: &Slurm) -> Option<f64> {
    slurm.time.map(|time| time.as_secs_f64() * SPARE_TIME * f64::from(slurm.processors.unwrap_or(1)))
}

/// How large parts are to be, for work of `total` seconds.
fn sizes(slurm: &Slurm, bounds: Bounds, startup: f64, total: f64) -> Sizes {
    let processors = f64::from(slurm.processors.unwrap_or(1));
    // Half of what the controller knows at one time, so that others have room.
    let fewest = total / (bounds.jobs as f64 / 2.0).max(1.0);
    let least = (startup * SHARE * processors).max(SHORT).min(limit(slurm).unwrap_or(f64::MAX));
    let seconds = least.max(fewest).min(limit(slurm).unwrap_or(f64::MAX));
    let frames = slurm.frames.map_or(usize::MAX, |frames| frames as usize);
    Sizes { seconds, least, frames, array: ARRAY.min(bounds.array.saturating_sub(1)).max(1) }
}
