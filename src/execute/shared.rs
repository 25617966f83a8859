//! Frames that another member rendered: taken in place of being made, and those made here offered to the others.
//!
//! Knows which frames are worth asking for. What is taken is verified before it gets here.

use super::settle::{Due, Standing};
use super::{Engine, Ready, Stop};
use crate::events::How;
use crate::graph::{Node, NodeId, Work};
use crate::store::actions::Action;
use crate::store::shared::note::Kind;

/// Whether renders of a node are shared. Files of plates, clips and hands are with every member as they are, and cost no more to
/// decode than to ask for.
pub fn is_shared(node: &Node) -> bool {
    !matches!(node.work, Work::Plate { .. } | Work::Hand { .. } | Work::Clip { .. })
}

/// What lies in the shared store of a node's render.
pub fn kind(node: &Node) -> Kind {
    match (node.keep, node.is_heard()) {
        (false, _) => Kind::Passed,
        (true, true) => Kind::Sound,
        (true, false) => Kind::Picture,
    }
}

impl Engine<'_> {
    /// Begins to learn what the shared store has. Nobody waits for it: what it does not learn in time is asked for.
    pub(super) fn foresee_shared(&self) {
        // Of many at work at the same time each would ask for the whole list.
        if self.is_apart() {
            return;
        }
        let frames = self.plan.count;
        if let Some(shared) = self.options.shared.clone() {
            std::thread::spawn(move || shared.foresee(frames));
        }
    }

    /// Takes a frame that the local store has not from the shared one, where it is there.
    pub(super) fn take_shared(&self, id: NodeId, frame: i64, due: Due) -> Result<Standing, Stop> {
        let node = &self.graph.nodes[id];
        let shared = self.options.shared.as_ref().filter(|_| is_shared(node));
        let Some(shared) = shared else { return Ok(Standing::Due(due)) };
        let Some(taken) = shared.seek(&due.key, node.keep) else {
            shared.missed(&due.key, &node.shot, &node.stage, frame);
            // Who stopped the run while it was looked for does not want the frame rendered now.
            return if self.is_ending() { Err(Stop::Ending) } else { Ok(Standing::Due(due)) };
        };
        let ready = Ready { pixels: taken.pixels, key: due.key, cause: due.cause };
        let action =
            Action { key: due.key, pixels: taken.pixels, planes: taken.planes, made_of: due.made_of };
        self.actions.put(&action).map_err(|e| self.broken(&e))?;
        self.place(id, frame, &due.last, &ready).map_err(|e| self.broken(&e))?;
        self.announce(id, frame, How::Shared);
        Ok(Standing::Settled(ready))
    }

    /// Offers a render that tasks elsewhere made and that is in place now, unless it came from the shared store.
    pub(super) fn share_made_elsewhere(&self, id: NodeId, action: &Action, how: &How) {
        let is_expected = self.options.shared.as_ref().is_some_and(|shared| shared.is_expected(&action.key));
        if is_expected && *how != How::Shared {
            self.share(id, action);
        }
    }

    /// Offers a render that was just made to the others.
    pub(super) fn share(&self, id: NodeId, action: &Action) {
        let node = &self.graph.nodes[id];
        if let Some(shared) = self.options.shared.as_ref().filter(|_| is_shared(node)) {
            shared.offer(action, kind(node));
        }
    }
}
