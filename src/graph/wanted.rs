//! Which frames of plates are needed: what every stage asks for, joined.
//!
//! Knows reach. Does not know what stages make of the frames.

use std::collections::BTreeMap;

use super::build::Builder;
use super::{NodeId, Work};
use crate::base::frames::FrameRange;
use crate::base::problem::Problem;

impl Builder<'_> {
    /// Gives plates the frames that somebody needs, stages without inputs also those, and sources the frames of their
    /// nodes.
    pub(super) fn want(&mut self) {
        let mut wanted: Vec<Option<FrameRange>> = vec![None; self.graph.nodes.len()];
        // A command that takes a whole shot takes no more of a stage than the shot.
        let nodes = &self.graph.nodes;
        let whole = |n: NodeId| match nodes[n].work {
            Work::Plate { .. } => self.available[n],
            _ => nodes[n].frames,
        };
        let mut beyond: BTreeMap<(NodeId, usize), (i64, FrameRange)> = BTreeMap::new();
        for (id, node) in nodes.iter().enumerate() {
            for frame in node.frames.iter() {
                node.each_reach(frame, &whole, &mut |input, range| {
                    let from = node.inputs[input].from;
                    if matches!(nodes[from].work, Work::Plate { .. }) && !self.available[from].covers(range) {
                        beyond.entry((id, input)).or_insert((frame, range));
                    }
                    let hull = wanted[from].get_or_insert(range);
                    *hull = FrameRange::new(hull.first.min(range.first), hull.last.max(range.last));
                });
            }
        }
        let short = beyond.into_iter().map(|((id, input), needs)| self.short(id, input, needs));
        let short: Vec<Problem> = short.collect();
        self.problems.extend(short);
        for (node, range) in self.graph.nodes.iter_mut().zip(wanted) {
            let Some(range) = range else { continue };
            match &node.work {
                Work::Plate { .. } => node.frames = range,
                Work::Operator { .. } if node.inputs.is_empty() && !node.frames.is_empty() => {
                    let own = node.frames;
                    node.frames = FrameRange::new(own.first.min(range.first), own.last.max(range.last));
                }
                _ => {}
            }
        }
        for node in &self.graph.nodes {
            if let Some(source) = node.source() {
                self.graph.sources[source].wanted.insert_range(node.frames);
            }
        }
    }

    /// The problem of a stage one of whose frames needs some that a plate has not: a still, which other stages may take.
    fn short(&self, id: NodeId, input: usize, (frame, range): (i64, FrameRange)) -> Problem {
        let node = &self.graph.nodes[id];
        let edge = &node.inputs[input];
        let (plate, has) = (&self.graph.nodes[edge.from], self.available[edge.from]);
        let place = format!("{}@{frame}", node.name());
        let message = format!("{place} needs {range} of {}, which has {has}", plate.name());
        let problem = Problem::error(node.span, message).related(plate.span, "the plate");
        problem
            .help("give the plate those frames, or let the stage show the one that it has at all of its own")
    }
}
