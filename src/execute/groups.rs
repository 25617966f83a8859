//! Commands that make several frames in one call: a run of stale frames, or a whole shot.
//!
//! Knows how the frames of one call are settled together, and that pools have only so many places and the
//! machine only so much memory.

use std::collections::HashSet;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::make::{Cost, thread_cpu};
use super::settle::{Due, Standing};
use super::{Engine, Progress, Ready, Stop};
use crate::base::frames::FrameRange;
use crate::declare::film::Each;
use crate::events::How;
use crate::graph::{CommandWork, NodeId, Work};

/// Calls that are under way.
#[derive(Default)]
pub(super) struct Groups {
    running: Mutex<HashSet<(NodeId, i64)>>,
}

/// What work under way leaves to other work: places in pools, and memory for programs that say how much they use.
pub(super) struct Room {
    places: Vec<u32>,
    /// Bytes that calls under way said they use.
    memory: u64,
    budget: u64,
}

impl Room {
    /// All places, and `budget` bytes for programs.
    pub(super) fn new(places: Vec<u32>, budget: u64) -> Self {
        Self { places, memory: 0, budget }
    }

    /// Takes all of it or nothing. What alone is more than the whole budget runs while no other work that says
    /// how much it uses does, as it could not run at all otherwise.
    fn take(&mut self, wanted: &[(usize, u32)], memory: u64) -> bool {
        let is_over = memory > 0 && self.memory > 0 && memory > self.budget.saturating_sub(self.memory);
        if is_over || wanted.iter().any(|&(pool, n)| self.places[pool] < n) {
            return false;
        }
        wanted.iter().for_each(|&(pool, n)| self.places[pool] -= n);
        self.memory += memory;
        true
    }

    fn give_back(&mut self, taken: &[(usize, u32)], memory: u64) {
        taken.iter().for_each(|&(pool, n)| self.places[pool] += n);
        self.memory -= memory;
    }
}

/// Places and memory taken; given back when dropped.
pub(super) struct Places<'e> {
    engine: &'e Engine<'e>,
    taken: &'e [(usize, u32)],
    memory: u64,
}

impl Drop for Places<'_> {
    fn drop(&mut self) {
        self.engine.room.lock().expect("no worker panics with it").give_back(self.taken, self.memory);
        self.engine.changed.notify_all();
    }
}

impl Engine<'_> {
    /// Takes a node's places in its pools and the memory that its command says it uses, all or none.
    pub(super) fn take_places(&self, id: NodeId) -> Result<Places<'_>, Stop> {
        let node = &self.graph.nodes[id];
        let memory = match &node.work {
            Work::Command(work) => work.command.memory.unwrap_or(0),
            _ => 0,
        };
        if !self.room.lock().expect("no worker panics with it").take(&node.pools, memory) {
            return Err(Stop::Later);
        }
        Ok(Places { engine: self, taken: &node.pools, memory })
    }

    /// Settles the whole call that makes `frame`.
    pub(super) fn settle_group(&self, id: NodeId, frame: i64) -> Result<Ready, Stop> {
        let node = &self.graph.nodes[id];
        let Work::Command(work) = &node.work else { return Err(Stop::Failed) };
        let range = match work.command.each {
            Each::Shot => node.frames,
            _ => self
                .plan
                .frames
                .get(&id)
                .and_then(|s| s.runs().iter().find(|r| r.contains(frame)).copied())
                .unwrap_or(FrameRange::one(frame)),
        };
        if !self.groups.running.lock().expect("no worker panics with it").insert((id, range.first)) {
            return Err(Stop::Later);
        }
        let result = self.settle_range(id, work, range, frame);
        self.groups.running.lock().expect("no worker panics with it").remove(&(id, range.first));
        result
    }

    fn settle_range(
        &self,
        id: NodeId,
        work: &CommandWork,
        range: FrameRange,
        frame: i64,
    ) -> Result<Ready, Stop> {
        // Every frame's inputs first; a frame whose inputs fail is left out of a run, and fails a whole shot.
        let mut due: Vec<(i64, Due)> = Vec::new();
        for n in range.iter() {
            if n != frame && self.is_settled(id, n) {
                continue;
            }
            match self.stand(id, n) {
                Ok(Standing::Settled(ready)) => self.settle_as(id, n, Progress::Done(ready)),
                Ok(Standing::Due(d)) => due.push((n, d)),
                Err(Stop::Failed) => self.settle_as(id, n, Progress::Failed),
                Err(stop) => return Err(stop),
            }
        }
        let mut runs: Vec<Vec<(i64, Due)>> = Vec::new();
        for (n, d) in due {
            match runs.last_mut() {
                Some(run)
                    if work.command.each == Each::Shot
                        || run.last().is_some_and(|(last, _)| last + 1 == n) =>
                {
                    run.push((n, d))
                }
                _ => runs.push(vec![(n, d)]),
            }
        }
        if !runs.is_empty() {
            let _places = self.take_places(id)?;
            for run in runs {
                self.call_run(id, work, range, run)?;
            }
        }
        match self.cells.lock().expect("no worker panics with it").get(&(id, frame)) {
            Some(Progress::Done(ready)) => Ok(ready.clone()),
            _ => Err(Stop::Failed),
        }
    }

    fn is_settled(&self, id: NodeId, frame: i64) -> bool {
        matches!(
            self.cells.lock().expect("no worker panics with it").get(&(id, frame)),
            Some(Progress::Done(_) | Progress::Failed)
        )
    }

    fn settle_as(&self, id: NodeId, frame: i64, progress: Progress) {
        self.cells.lock().expect("no worker panics with it").insert((id, frame), progress);
    }

    fn call_run(
        &self,
        id: NodeId,
        work: &CommandWork,
        whole: FrameRange,
        run: Vec<(i64, Due)>,
    ) -> Result<(), Stop> {
        let node = &self.graph.nodes[id];
        let frames = match work.command.each {
            Each::Shot => whole,
            _ => FrameRange::new(run[0].0, run[run.len() - 1].0),
        };
        let (began, cpu) = (Instant::now(), thread_cpu());
        let mut cost = Cost::default();
        let called = self.call(id, work, frames, &mut cost);
        // The frames that were wanted bear the call's cost in equal parts.
        let share = |total: Duration| total / run.len().max(1) as u32;
        let processor = thread_cpu().saturating_sub(cpu) + cost.children;
        let spent = (share(began.elapsed()), share(processor), cost.peak);
        match called {
            Ok(images) => {
                let mut images: std::collections::HashMap<i64, _> = frames.iter().zip(images).collect();
                for (n, due) in run.into_iter() {
                    let Some(image) = images.remove(&n) else { continue };
                    let (cause, first) = (due.cause.clone(), due.first);
                    let ready = self.record(id, n, due, Arc::new(image))?;
                    self.tally.rendered(node, n, cause, first, spent);
                    self.settle_as(id, n, Progress::Done(ready));
                    self.announce(id, n, How::Rendered);
                }
            }
            Err(_) if self.is_ending() => return Err(Stop::Ending),
            Err(trouble) => {
                for (n, due) in run {
                    let (cause, first) = (due.cause.clone(), due.first);
                    self.tally.failed(node, n, cause, first, spent, &trouble.reason);
                    self.settle_as(id, n, Progress::Failed);
                    self.fail(id, n, due.key, trouble.reason.clone(), trouble.log.clone());
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn room_is_taken_whole_or_not_at_all() {
        let mut room = Room::new(vec![2, 1], 100);
        assert!(room.take(&[(0, 1), (1, 1)], 60));
        assert!(!room.take(&[(0, 1), (1, 1)], 0), "the second pool is empty");
        assert!(!room.take(&[(0, 1)], 41), "60 and 41 are more than 100");
        assert!(room.take(&[(0, 1)], 40));
        assert!(!room.take(&[(0, 1)], 0), "the first pool is empty, refusals took nothing of it");
        assert!(room.take(&[], 0), "work that says no memory is not held up");
        room.give_back(&[(0, 1), (1, 1)], 60);
        assert!(!room.take(&[], 101), "more than the budget waits for the others");
        room.give_back(&[(0, 1)], 40);
        assert!(room.take(&[(0, 2), (1, 1)], 101), "and runs alone");
        assert!(!room.take(&[], 1));
        assert!(room.take(&[], 0));
        room.give_back(&[(0, 2), (1, 1)], 101);
        assert_eq!((room.places.as_slice(), room.memory), (&[2, 1][..], 0));
    }
}
