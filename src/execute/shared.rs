//! Frames that another member rendered: taken in place of being made, and those made here offered to the others.
//!
//! Knows which frames are worth asking for, and how far ahead. What is taken is verified before it gets here.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use super::columns::Columns;
use super::settle::{Due, Standing};
use super::{Engine, Ready, Stop};
use crate::events::How;
use crate::graph::{Node, NodeId, Work};
use crate::store::actions::Action;
use crate::store::shared::ahead::{Bounds, Wanted};
use crate::store::shared::note::{Kind, MOST};

/// Requests at once, and those of one of many machines at work at the same time; never fewer than its workers.
const REQUESTS: (usize, usize) = (32, 4);
/// Bytes that are fetched ahead take an eighth of what pictures may take in memory, and no more than this where workers have one each.
const BYTES: u64 = 512 << 20;
/// Frames whose keys a worker gathers before it waits for any of them.
pub(super) const GATHERED: usize = 64;

impl Stop {
    /// That these are awaited, where there are any.
    pub(super) fn unless_nothing(awaited: Vec<Wanted>) -> Result<(), Stop> {
        if awaited.is_empty() { Ok(()) } else { Err(Stop::Awaits(awaited)) }
    }
}

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
    /// How far the shared store is asked ahead of workers.
    fn bounds(&self) -> Bounds {
        let jobs = self.options.jobs.max(1);
        let requests = if self.is_apart() { REQUESTS.1 } else { REQUESTS.0.max(2 * jobs) };
        let (width, height) = self.graph.frame_size;
        // Four channels of half floats that do not pack at all.
        let usual = u64::from(width) * u64::from(height) * 8;
        let memory = self.options.memory as u64;
        Bounds {
            requests: requests.max(jobs),
            // One for each worker there is room for, unless that is half of what pictures may take.
            bytes: (memory / 8).min(BYTES).max((jobs as u64 * (usual + MOST)).min(memory / 2)),
            usual,
            // As many columns as memory holds a picture of each, beside those in hand (see `cache::of_use`).
            unknown: 4 * jobs,
        }
    }

    /// Begins to learn what the shared store has. Nobody waits for it: what it does not learn in time is asked for.
    pub(super) fn foresee_shared(&self) {
        // Who takes in what was made elsewhere asks for nothing.
        if self.elsewhere().is_some() {
            return;
        }
        if let Some(shared) = &self.options.shared {
            let changed = Arc::clone(&self.changed);
            shared.go_ahead(self.bounds(), move || changed.notify_all());
        }
        // Of many at work at the same time each would ask for the whole list.
        if self.is_apart() {
            return;
        }
        let frames = self.plan.count;
        if let Some(shared) = self.options.shared.clone() {
            // Where there is no thread to be had, each is asked for.
            let _ = std::thread::Builder::new().spawn(move || shared.foresee(frames));
        }
    }

    /// Says that a frame is to be taken up again once what the shared store has of it is here, where that is worth waiting for.
    pub(super) fn await_shared(&self, id: NodeId, due: &Due) -> Result<(), Stop> {
        let node = &self.graph.nodes[id];
        let shared = self.options.shared.as_ref().filter(|_| is_shared(node));
        let is_awaited = shared.is_some_and(|shared| shared.is_awaited(&due.key));
        Stop::unless_nothing(
            is_awaited.then_some(Wanted { key: due.key, is_kept: node.keep }).into_iter().collect(),
        )
    }

    /// Asks for what a column waits for, which is then no worker's. Some of it may have come and been taken while the rest of the
    /// column was looked at: that is not asked for again, and the column goes on at once.
    pub(super) fn park(&self, queue: &Mutex<Columns>, column: usize, wanted: &[Wanted]) {
        // What would be taken up, and nothing else: a column that waits for nothing must find something to do.
        let is_here = |one: &&Wanted| {
            self.actions.get(&one.key).is_some_and(|action| !one.is_kept || self.has_file(&action))
        };
        let lacking: Vec<Wanted> = wanted.iter().filter(|one| !is_here(one)).copied().collect();
        let mut queue = queue.lock().expect("no worker panics with it");
        let Some(shared) = &self.options.shared else { return queue.put_off(column) };
        shared.want(column, &lacking);
        queue.park(column, wanted.iter().map(|one| one.key), |key| shared.is_pending(key));
    }

    /// Lets columns go on for which something came. Says whether others may be begun: memory holds no pictures of many that wait, which
    /// would be read once more where nothing comes for them.
    pub(super) fn come_back(&self, queue: &mut Columns, busy: &AtomicUsize) -> bool {
        let Some(shared) = self.options.shared.as_ref().filter(|_| queue.parked() > 0) else { return true };
        queue.come(shared.arrived());
        let may_begin = shared.may_begin(queue.parked());
        // What came and was wanted by nobody must not keep away what is.
        let is_idle = queue.ready(may_begin) == 0 && queue.parked() > 0 && busy.load(Ordering::SeqCst) == 0;
        if is_idle && shared.let_go_when_idle() {
            queue.unpark();
        }
        may_begin
    }

    /// Takes a frame that the local store has not from the shared one, where it is there.
    pub(super) fn take_shared(&self, id: NodeId, frame: i64, due: Due) -> Result<Standing, Stop> {
        let node = &self.graph.nodes[id];
        let shared = self.options.shared.as_ref().filter(|_| is_shared(node));
        let Some(shared) = shared else { return Ok(Standing::Due(due)) };
        let Some(taken) = shared.seek(&due.key, node.keep) else {
            shared.missed(&due.key, &node.shot, &node.stage, frame);
            // Whatever the reason: looked for once more, it would be waited for once more.
            shared.note_lack(due.key);
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

#[cfg(test)]
mod tests;
