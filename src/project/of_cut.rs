//! Which frames of a stage the film shows: those of its cut, or without one those that its shots are declared with. Handles are none.
//!
//! Knows the cut, the shots and the stage that the film takes of each. Does not know what is rendered.

use std::collections::{BTreeMap, HashMap};

use super::Declared;
use super::sheet::finished;
use crate::base::frames::{FrameRange, FrameSet};
use crate::graph::{FILM, NodeId, Work};

/// What the film shows of its stages.
pub struct OfCut<'a> {
    declared: &'a Declared,
    /// The stage that the film takes of a shot.
    taken: HashMap<&'a str, NodeId>,
}

impl<'a> OfCut<'a> {
    /// Of this film.
    pub fn new(declared: &'a Declared) -> Self {
        let graph = &declared.graph;
        let taken = finished(graph).into_iter().map(|id| (&*graph.nodes[id].shot, id)).collect();
        Self { declared, taken }
    }

    /// The frames of a stage that the film shows, by way of the stages above it. All of a stage that is not a shot's, and of one that
    /// shares no number with what is shown.
    pub fn frames(&self, id: NodeId) -> FrameSet {
        let node = &self.declared.graph.nodes[id];
        let whole: FrameSet = node.frames.into();
        if *node.shot == *FILM {
            return whole;
        }
        let shown = self.of_shot(&node.shot);
        let through =
            self.taken.get(&*node.shot).map_or_else(FrameSet::new, |&last| self.down(last, id, &shown));
        let found = [through.meet(&whole), shown.meet(&whole)].into_iter().find(|frames| !frames.is_empty());
        found.unwrap_or(whole)
    }

    /// The frames of a shot; of one that the cut leaves out, those that it is declared with.
    fn of_shot(&self, shot: &str) -> FrameSet {
        let mut shown = FrameSet::new();
        for (_, run) in self.declared.edit.iter().flat_map(|edit| edit.uses(shot)) {
            // A run at twice the speed leaves every other frame out.
            (0..run.frames).for_each(|into| shown.insert_range(FrameRange::one(run.at(into))));
        }
        let declared = self.declared.film.as_ref().and_then(|film| film.shots.get(shot));
        match declared.filter(|_| shown.is_empty()) {
            Some(of) if !of.frames.value.is_empty() => of.frames.value.into(),
            _ => shown,
        }
    }

    /// The frames of a lower stage of the same shot that frames of a higher one show. Neighbours that a frame also needs are not
    /// shown by it; a stage that moves frames in time shows those that it takes.
    fn down(&self, from: NodeId, to: NodeId, frames: &FrameSet) -> FrameSet {
        let graph = &self.declared.graph;
        let shot = &graph.nodes[to].shot;
        let mut wanted = BTreeMap::from([(from, frames.clone())]);
        for at in (to + 1..=from).rev() {
            let Some(frames) = wanted.remove(&at) else { continue };
            let moves = matches!(&graph.nodes[at].work, Work::Operator { spec, .. } if spec.name == "retime");
            for n in frames.iter() {
                graph.each_need(at, n, &mut |edge, _, range| {
                    if edge.from < to || graph.nodes[edge.from].shot != *shot {
                        return;
                    }
                    let set = wanted.entry(edge.from).or_default();
                    match !moves && range.contains(n) {
                        true => set.insert(n),
                        false => set.insert_range(range),
                    }
                });
            }
        }
        wanted.remove(&to).unwrap_or_default()
    }
}
