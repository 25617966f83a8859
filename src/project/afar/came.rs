//! What came of the frames of a run on Slurm, once what its tasks left is in place: which were there before, which failed, which are of
//! what their stage was.
//!
//! Knows what tasks said of frames and what the film's own keys made of that. Asks Slurm nothing.

use std::collections::{BTreeMap, HashMap};

use super::gathering::Gathered;
use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::state::State;
use crate::execute::slurm::record::PartOf;
use crate::execute::{Failure, Outcome};
use crate::graph::NodeId;
use crate::project::past::Past;
use crate::project::rebuild::Rebuilt;
use crate::project::trouble::{Failed, gather};
use crate::project::{Project, Status};
use crate::report::words;

/// Frames by shot and stage.
pub(super) type Frames = HashMap<(String, String), FrameSet>;

/// Counts the frames of a run that are fresh without having been put in place by this rebuild.
pub(super) fn placed_before(rebuilt: &mut Rebuilt, parts: &[PartOf]) {
    let (status, plan) = (&rebuilt.status, &rebuilt.plan);
    let graph = &status.declared.graph;
    let mut placed = 0;
    for ((shot, stage), frames) in parts.iter().flat_map(PartOf::frames) {
        let Some(id) = graph.find(shot, stage).filter(|id| !graph.nodes[*id].is_passed_on()) else {
            continue;
        };
        let is_placed = |n: &i64| {
            let is_planned = plan.frames.get(&id).is_some_and(|set| set.contains(*n));
            !is_planned && status.report.strips[id].get(*n).is_some_and(|cell| cell.state == State::Fresh)
        };
        placed += frames.iter().filter(is_placed).count();
    }
    if let Some(afar) = &mut rebuilt.afar {
        afar.placed = placed;
    }
}

/// Finds which frames that tasks made are not of what the film is now: they are told by stage. A render that is damaged or not to be had
/// is another matter, and told as that.
pub(super) fn of_before(rebuilt: &mut Rebuilt, made: &Frames) {
    let graph = &rebuilt.status.declared.graph;
    let mut of: BTreeMap<NodeId, FrameSet> = BTreeMap::new();
    for &(id, frame) in rebuilt.outcome.left.difference(&rebuilt.outcome.spoilt) {
        let node = &graph.nodes[id];
        let set = made.get(&(node.shot.to_string(), node.stage.to_string()));
        if set.is_some_and(|set| set.contains(frame)) {
            of.entry(id).or_default().insert(frame);
        }
    }
    let Some(afar) = &mut rebuilt.afar else { return };
    afar.of_before = of.values().map(FrameSet::len).sum();
    let words = |(id, frames): (NodeId, FrameSet)| {
        let name = graph.nodes[id].name();
        let (count, were) =
            (words::count(frames.len() as u64, "frame"), if frames.len() == 1 { "was" } else { "were" });
        format!(
            "{name}@{frames}: {count} {were} made of what {name} was; it, or what it needs, changed since"
        )
    };
    afar.changed = of.into_iter().map(words).collect();
}

impl Project {
    /// Frames that failed in the run that was gathered are failures of this one. Gives those that failed as what their stage was, and that
    /// nobody tried since it changed.
    pub(in crate::project) fn failed_elsewhere(
        &self,
        status: &Status,
        outcome: &mut Outcome,
        gathered: &Gathered,
    ) -> Vec<Failed> {
        let graph = &status.declared.graph;
        let past = Past::new(&self.folder, graph, &[]);
        let reason_of = |id: NodeId, frame: i64| {
            let node = &graph.nodes[id];
            gathered.failed.get(&(node.shot.to_string(), node.stage.to_string(), frame))
        };
        // Calls print into the film's folder wherever they run.
        let log = |id: NodeId, frame: i64| past.latest_log(&graph.nodes[id], frame);
        let failure = |id: NodeId, frame: i64, reason: &str| {
            let place = crate::stale::place(&graph.nodes[id], frame);
            Failure { node: id, frame, place, reason: reason.into(), log: log(id, frame) }
        };
        let mut then = Vec::new();
        for (id, frame) in std::mem::take(&mut outcome.failed_before) {
            match reason_of(id, frame) {
                None => drop(outcome.failed_before.insert((id, frame))),
                Some((reason, _)) => outcome.failures.push(failure(id, frame, reason)),
            }
        }
        for (id, frame) in std::mem::take(&mut outcome.left) {
            match reason_of(id, frame) {
                // By something that no key explains, so that nothing need have changed.
                Some((reason, key)) if *key == NONE => outcome.failures.push(failure(id, frame, reason)),
                Some((reason, _)) => {
                    let log = log(id, frame).map(|path| path.display().to_string());
                    then.push((id, frame, reason.clone(), log));
                    outcome.left.insert((id, frame));
                }
                None => drop(outcome.left.insert((id, frame))),
            }
        }
        outcome.failures.sort_by_key(|failure| (failure.node, failure.frame));
        gather(then)
    }
}
