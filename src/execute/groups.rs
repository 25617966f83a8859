//! Commands that make several frames in one call: a run of stale frames, or a whole shot.
//!
//! Knows how the frames of one call are settled together.

use std::collections::{HashMap, HashSet};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use super::make::{RestsOn, Trouble, thread_cpu};
use super::settle::{Due, Standing, unbroken};
use super::shared::GATHERED;
use super::way::Lacks;
use super::{Engine, Progress, Ready, Stop};
use crate::base::frames::FrameRange;
use crate::declare::film::Each;
use crate::events::How;
use crate::graph::{CommandWork, NodeId, Work};
use crate::media::image::Image;
use crate::media::render::Render;
use crate::programs::Cost;

/// Calls that are under way.
#[derive(Default)]
pub(super) struct Groups {
    running: Mutex<HashSet<(NodeId, i64)>>,
}

/// A call that this worker has taken up; given back when dropped.
struct Taken<'e> {
    groups: &'e Groups,
    call: (NodeId, i64),
}

impl Drop for Taken<'_> {
    fn drop(&mut self) {
        self.groups.running.lock().expect("no worker panics with it").remove(&self.call);
    }
}

impl Groups {
    fn take(&self, call: (NodeId, i64)) -> Option<Taken<'_>> {
        let is_new = self.running.lock().expect("no worker panics with it").insert(call);
        is_new.then(|| Taken { groups: self, call })
    }
}

impl Engine<'_> {
    /// Settles the whole call that makes `frame`.
    pub(super) fn settle_group(&self, id: NodeId, frame: i64) -> Result<Ready, Stop> {
        let node = &self.graph.nodes[id];
        let Work::Command(work) = &node.work else { return Err(Stop::Failed) };
        let range = match work.command.each {
            Each::Shot => node.frames,
            _ => self
                .plan
                .runs
                .get(&id)
                .and_then(|s| s.runs().iter().find(|r| r.contains(frame)).copied())
                .unwrap_or(FrameRange::one(frame)),
        };
        let Some(_taken) = self.groups.take((id, range.first)) else { return Err(Stop::Later) };
        // Whoever had the call before may have settled this frame between the look at it and now.
        match self.settled(id, frame) {
            Some(settled) => settled,
            None => self.settle_range(id, work, range, frame),
        }
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
        let mut awaited = Vec::new();
        for n in range.iter() {
            if awaited.len() >= GATHERED {
                break;
            }
            // Fresh and held frames stay as they are, though the call makes them too.
            if self.settled(id, n).is_some() || self.settled_before(id, n).is_some() {
                continue;
            }
            let stands = self.stand(id, n).and_then(|standing| match standing {
                Standing::Due(d) => self.await_shared(id, &d).and_then(|()| self.take_shared(id, n, d)),
                settled => Ok(settled),
            });
            match stands {
                Ok(Standing::Settled(ready)) => self.settle_as(id, n, Progress::Done(ready)),
                Ok(Standing::Due(d)) if self.elsewhere().is_some() => {
                    self.leave(id, n, &Lacks::Render(&d));
                    self.settle_as(id, n, Progress::Failed);
                }
                Ok(Standing::Due(d)) => due.push((n, d)),
                Err(Stop::Failed) => self.settle_as(id, n, Progress::Failed),
                Err(Stop::Awaits(wanted)) => awaited.extend(wanted),
                Err(stop) => return Err(stop),
            }
        }
        Stop::unless_nothing(awaited)?;
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
            let _promised = self.promise(id)?;
            for run in runs {
                self.call_run(id, work, range, run)?;
            }
        }
        self.settled(id, frame).unwrap_or(Err(Stop::Failed))
    }

    /// What came of a frame in this run, when something has.
    fn settled(&self, id: NodeId, frame: i64) -> Option<Result<Ready, Stop>> {
        match self.cells.lock().expect("no worker panics with it").get(&(id, frame)) {
            Some(Progress::Done(ready)) => Some(Ok(ready.clone())),
            Some(Progress::Failed) => Some(Err(Stop::Failed)),
            Some(Progress::Running) | None => None,
        }
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
        let wanted: Vec<i64> = run.iter().map(|(n, _)| *n).collect();
        // Pixels go to the store as they are decoded, one frame at a time; only when all are sound are they named.
        let mut made = HashMap::new();
        let mut take = |n, image: Image| {
            let digest = self.take_in(id, Render::from(image)).map_err(|_| Trouble::stopped())?;
            made.insert(n, digest);
            Ok(())
        };
        let called = unbroken(|| self.call(id, work, frames, &wanted, &mut cost, &mut take))
            .unwrap_or_else(|words| Err(self.broke(id, &words).into()));
        // The frames that were wanted bear the call's cost in equal parts.
        let share = |total: Duration| total / run.len().max(1) as u32;
        let processor = thread_cpu().saturating_sub(cpu) + cost.children;
        let spent = (share(began.elapsed()), share(processor), cost.peak);
        match called {
            Ok(()) => {
                for (n, due) in run {
                    let Some(digest) = made.remove(&n) else { continue };
                    let (cause, first) = (due.cause.clone(), due.first);
                    let ready = self.record(id, n, due, digest)?;
                    self.tally.rendered(node, n, cause, first, spent);
                    self.settle_as(id, n, Progress::Done(ready));
                    self.announce(id, n, How::Rendered);
                }
            }
            Err(trouble) if trouble.rests_on == RestsOn::End => return Err(Stop::Ending),
            Err(trouble) => {
                for (n, due) in run {
                    let (cause, first) = (due.cause.clone(), due.first);
                    self.tally.failed(node, n, cause, first, spent, &trouble.reason);
                    self.settle_as(id, n, Progress::Failed);
                    let key = trouble.failed(due.key);
                    self.fail(id, n, key, trouble.reason.clone(), trouble.log.clone());
                }
            }
        }
        Ok(())
    }
}
