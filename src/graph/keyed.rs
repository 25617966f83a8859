//! Files whose keys in time say nothing about the frames that are made.
//!
//! Knows where keys lie, as operators tell it. Does not know what they say.

use super::Work;
use super::build::Builder;
use crate::base::problem::Problem;

impl Builder<'_> {
    /// Warns of files whose keys all lie before or all after the frames of the stage that reads them. It is known only now
    /// which frames a stage without inputs is asked for.
    pub(super) fn keyed(&mut self) {
        for node in &self.graph.nodes {
            let Work::Operator { prepared, .. } = &node.work else { continue };
            for (span, keys) in prepared.keyed() {
                if node.frames.is_empty() || !node.frames.meet(keys).is_empty() || keys.len() < 2 {
                    continue;
                }
                let message = format!(
                    "all keys of this file lie outside of the frames {} that are made: they are on {keys}",
                    node.frames
                );
                let problem = Problem::error(span, message).warning();
                self.told.push(&node.name(), problem.help("keys are on the shot's own frames; between and beyond them values stay, so that nothing moves here"));
            }
        }
    }
}
