//! Times of what the film shows as times of a stage above it: every change of speed between the two moves them.
//!
//! Knows the ways between stages of a shot. What a change of speed does to a time its stage tells.

use super::{Graph, NodeId, Work};
use crate::operators::Prepared;

/// The changes of speed between what is shown and a stage above it.
#[derive(Clone, Default)]
pub struct Speeds<'g> {
    /// That nearest to what is shown first.
    changes: Vec<&'g dyn Prepared>,
}

impl Speeds<'_> {
    /// Whether both have the same times.
    pub fn is_none(&self) -> bool {
        self.changes.is_empty()
    }

    /// The time in the stage, in frames, that is shown at a time.
    pub fn time(&self, shown: f64) -> f64 {
        self.changes.iter().fold(shown, |time, change| change.source_time(time).unwrap_or(time))
    }

    /// The times from `first` on and before `end` at which a time of the stage is come to, in their order: none when it is not
    /// shown, several where the picture runs back.
    pub fn shown(&self, time: f64, first: f64, end: f64) -> Vec<f64> {
        /// Steps of a frame between which the picture is taken not to turn back.
        const STEPS: f64 = 16.0;
        let off = |shown: f64| self.time(shown) - time;
        let steps = ((end - first).max(0.0) * STEPS).round() as u64;
        let mut found = Vec::new();
        if off(first) == 0.0 && first < end {
            found.push(first);
        }
        for step in 0..steps {
            let [mut from, mut to] = [step, step + 1].map(|step| first + step as f64 / STEPS);
            let (a, b) = (off(from), off(to));
            if a == 0.0 || (a < 0.0) == (b < 0.0) && b != 0.0 {
                continue;
            }
            while to - from > 1e-9 {
                let middle = from + (to - from) / 2.0;
                if (off(middle) < 0.0) == (a < 0.0) && off(middle) != 0.0 {
                    from = middle
                } else {
                    to = middle
                }
            }
            if to < end {
                found.push(to);
            }
        }
        found
    }
}

/// How a stage's picture came to another.
#[derive(Clone, PartialEq)]
enum Way {
    /// Through these changes of speed, the last one first.
    Through(Vec<NodeId>),
    /// By ways of different speeds, which meet in this stage.
    Met(NodeId),
}

impl Graph {
    /// The changes of speed between a stage `shown` and one above it; none when nothing of that is in it.
    ///
    /// # Errors
    /// The name of the stage in which its pictures of different speeds meet.
    pub fn speeds(&self, shown: NodeId, stage: NodeId) -> Result<Speeds<'_>, String> {
        let mut ways: Vec<Option<Way>> = vec![None; (shown + 1).saturating_sub(stage).max(1)];
        ways[0] = Some(Way::Through(Vec::new()));
        for next in stage + 1..=shown {
            let node = &self.nodes[next];
            let above = node.inputs.iter().filter(|edge| edge.from >= stage && edge.from < next);
            let mut way: Option<Way> = None;
            for one in above.filter_map(|edge| ways[edge.from - stage].clone()) {
                way = Some(match way {
                    Some(other) if other != one => Way::Met(next),
                    _ => one,
                });
            }
            if let (Some(Way::Through(changes)), Some(_)) = (&mut way, self.change(next)) {
                changes.insert(0, next);
            }
            ways[next - stage] = way;
        }
        match ways.pop().flatten() {
            Some(Way::Met(id)) => Err(self.nodes[id].name()),
            Some(Way::Through(changes)) => {
                Ok(Speeds { changes: changes.into_iter().filter_map(|id| self.change(id)).collect() })
            }
            None => Ok(Speeds::default()),
        }
    }

    /// What a node does to times, when it is a change of speed.
    fn change(&self, id: NodeId) -> Option<&dyn Prepared> {
        match &self.nodes[id].work {
            Work::Operator { prepared, .. } => prepared.source_time(0.0).map(|_| &**prepared),
            _ => None,
        }
    }
}
