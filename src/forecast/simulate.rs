//! One run and many: who does what when, and when all is done.
//!
//! Knows a rule of priority and draws with a seed. Does not know dates.
//!
//! **Model.** People and machines do one task at a time, without breaking off, on the days that have hours for them. Whoever is
//! free takes, of the tasks that are ready and theirs to do, the one with the longest way still behind it, as expected before the
//! first run; ties go by order (parallel schedule generation with the longest-path rule: Kelley 1963, "The critical-path method:
//! resources planning and scheduling"; Kolisch 1996, "Serial and parallel resource-constrained project scheduling methods
//! revisited"). A task is left to somebody else who would be done with it sooner even after all that waits for the same hands, so
//! that one with an hour a week does not take the last great task. Which task held the end up is told by walking back from the last
//! to what each began after: a task that it needs, or the one before it on the same person (the chain of Goldratt 1997,
//! "Critical Chain"). Rules of this kind have anomalies: more hands or less work can make an end later by chance of who takes
//! what (Graham 1969, "Bounds on multiprocessing timing anomalies"), by no more than a part of one task usually.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use rayon::prelude::*;

use super::chance::mixed;
use super::plan::{NONE, Plan};
use super::work::Work;

/// Runs that one worker thread does in one go.
const CHUNK: u64 = 8;
/// Parts of a day in which time on the chain is added up, so that sums are the same in any order.
const PARTS: f64 = 1e6;
/// Somebody's hands in one run.
#[derive(Clone, Copy)]
struct Hand {
    /// The task under way.
    task: u32,
    /// When it is done, or since when there was none.
    free: f64,
    /// The task before.
    last: u32,
}

/// One run as it goes.
struct Run<'p, 'w> {
    plan: &'p Plan<'w>,
    hours: Vec<f64>,
    /// How many needs of each task are not done.
    open: Vec<u32>,
    /// Ranks of ready tasks by class.
    ready: Vec<BinaryHeap<Reverse<u32>>>,
    /// Their hours.
    waiting: Vec<f64>,
    hands: Vec<Hand>,
    /// When each task began and was done; infinite when it never was.
    began: Vec<f64>,
    done: Vec<f64>,
    /// When it was ready.
    since: Vec<f64>,
    /// The task that it began after.
    link: Vec<u32>,
    /// Who did it.
    by: Vec<u32>,
    /// Tasks to be ended at once.
    ended: Vec<u32>,
}

impl<'p, 'w> Run<'p, 'w> {
    fn new(plan: &'p Plan<'w>) -> Self {
        let n = plan.work.tasks.len();
        Self {
            plan,
            hours: Vec::with_capacity(n),
            open: vec![0; n],
            ready: plan.classes.iter().map(|_| BinaryHeap::new()).collect(),
            waiting: vec![0.0; plan.classes.len()],
            hands: Vec::new(),
            began: vec![0.0; n],
            done: vec![0.0; n],
            since: vec![0.0; n],
            link: vec![NONE; n],
            by: vec![NONE; n],
            ended: Vec::new(),
        }
    }

    /// Plays a run of which `hours` are drawn.
    fn play(&mut self) {
        let (work, idle) = (self.plan.work, Hand { task: NONE, free: 0.0, last: NONE });
        self.hands.clear();
        self.hands.resize(work.workers.len(), idle);
        self.ready.iter_mut().for_each(BinaryHeap::clear);
        self.waiting.fill(0.0);
        self.done.fill(f64::INFINITY);
        self.began.fill(f64::INFINITY);
        self.link.fill(NONE);
        self.by.fill(NONE);
        for (i, task) in work.tasks.iter().enumerate() {
            self.open[i] = task.needs.len() as u32;
        }
        for i in 0..work.tasks.len() {
            if work.tasks[i].needs.is_empty() {
                self.release(i as u32, 0.0, NONE);
            }
        }
        self.end_all(0.0);
        self.dispatch(0.0);
        loop {
            let busy = self.hands.iter().filter(|hand| hand.task != NONE);
            let now = busy.map(|hand| hand.free).fold(f64::INFINITY, f64::min);
            if now == f64::INFINITY {
                return;
            }
            for hand in &mut self.hands {
                if hand.task != NONE && hand.free == now {
                    self.ended.push(hand.task);
                    (hand.last, hand.task) = (hand.task, NONE);
                }
            }
            self.end_all(now);
            self.dispatch(now);
        }
    }

    /// A task's needs are done; `last` was the last of them.
    fn release(&mut self, task: u32, now: f64, last: u32) {
        let at = task as usize;
        (self.since[at], self.link[at]) = (now, last);
        match self.plan.class[at] {
            NONE => {
                self.began[at] = now;
                self.ended.push(task);
            }
            class => {
                self.ready[class as usize].push(Reverse(self.plan.rank[at]));
                self.waiting[class as usize] += self.hours[at];
            }
        }
    }

    /// Ends tasks, and releases what needs them.
    fn end_all(&mut self, now: f64) {
        while let Some(task) = self.ended.pop() {
            self.done[task as usize] = now;
            let (from, to) = (self.plan.starts[task as usize], self.plan.starts[task as usize + 1]);
            for i in from..to {
                let next = self.plan.after[i as usize];
                self.open[next as usize] -= 1;
                if self.open[next as usize] == 0 {
                    self.release(next, now, task);
                }
            }
        }
    }

    /// Gives tasks to whoever is free: again and again the first in order of priority that somebody takes.
    fn dispatch(&mut self, now: f64) {
        loop {
            let mut best: Option<(u32, f64, usize, usize)> = None;
            for (who, hand) in self.hands.iter().enumerate().filter(|(_, hand)| hand.task == NONE) {
                let _ = hand;
                for &class in &self.plan.classes_of[who] {
                    let Some(&Reverse(rank)) = self.ready[class].peek() else { continue };
                    if best.is_some_and(|(first, ..)| first < rank) {
                        continue;
                    }
                    let Some(done) = self.would_take(who, class, rank, now) else { continue };
                    if best.is_none_or(|(first, soonest, ..)| (rank, done) < (first, soonest)) {
                        best = Some((rank, done, who, class));
                    }
                }
            }
            let Some((rank, done, who, class)) = best else { return };
            self.take(who, class, self.plan.by_rank[rank as usize], now, done);
        }
    }

    /// When somebody would be done with the first ready task of a class; none when it is left to another.
    fn would_take(&self, who: usize, class: usize, rank: u32, now: f64) -> Option<f64> {
        let hours = self.hours[self.plan.by_rank[rank as usize] as usize];
        let workers = &self.plan.work.workers;
        let done = workers[who].calendar.finish(now, hours);
        if done == f64::INFINITY {
            return None;
        }
        let before = (self.waiting[class] - hours).max(0.0);
        let is_sooner = |&other: &usize| {
            let hand = &self.hands[other];
            let from = if hand.task == NONE { now } else { hand.free };
            // Nobody is done before the moment of being free.
            other != who && from < done && workers[other].calendar.finish(from, before + hours) < done
        };
        (!self.plan.classes[class].iter().any(is_sooner)).then_some(done)
    }

    fn take(&mut self, who: usize, class: usize, task: u32, now: f64, done: f64) {
        let at = task as usize;
        self.ready[class].pop();
        self.waiting[class] -= self.hours[at];
        let hand = &mut self.hands[who];
        // It waited for whoever does it, or for what it needs, whichever was later.
        if hand.last != NONE && hand.free > self.since[at] {
            self.link[at] = hand.last;
        }
        (hand.task, hand.free) = (task, done);
        (self.began[at], self.by[at]) = (now, who as u32);
    }

    /// The task that was done last, and when. Infinite when something never is.
    fn end(&self) -> (f64, Option<u32>) {
        let mut last = (0.0, None);
        for (i, &done) in self.done.iter().enumerate() {
            if done > last.0 || last.1.is_none() {
                last = (done, Some(i as u32));
            }
        }
        last
    }

    /// Calls `visit` with each task of the chain that held the end up, the last one first, and the days that it took of it.
    fn chain(&self, mut visit: impl FnMut(u32, f64)) {
        let (end, last) = self.end();
        let mut at = last.filter(|_| end.is_finite());
        while let Some(task) = at {
            let link = self.link[task as usize];
            let from = if link == NONE { 0.0 } else { self.done[link as usize] };
            visit(task, self.done[task as usize] - from);
            at = (link != NONE).then_some(link);
        }
    }
}

/// What many runs came to. Days count from the first one.
#[derive(Clone, Debug, PartialEq)]
pub struct Runs {
    /// When all was done, run by run; infinite where it never was.
    pub ends: Vec<f64>,
    /// Hours of each stage, run by run.
    pub hours: Vec<Vec<f64>>,
    /// When each stage was done, run by run.
    pub done: Vec<Vec<f64>>,
    /// In how many runs each task lay on the chain that held the end up.
    pub chained: Vec<u32>,
    /// Days of that chain by stage, over all runs.
    pub held: Vec<f64>,
}

/// Sums over some runs, in order.
struct Part {
    ends: Vec<f64>,
    hours: Vec<Vec<f64>>,
    done: Vec<Vec<f64>>,
    chained: Vec<u32>,
    held: Vec<u64>,
}

/// Plays `runs` runs that follow from `seed`. The same draws, whatever the thread count; a task's draws in a run depend on
/// its name alone, so that two works differ by what was changed and not by chance (common random numbers: Glasserman & Yao 1992,
/// "Some guidelines and guarantees for common random numbers").
pub fn runs(work: &Work, seed: u64, runs: u64) -> Runs {
    let plan = Plan::of(work);
    let starts: Vec<u64> = (0..runs).step_by(CHUNK as usize).collect();
    let parts: Vec<Part> = (starts.par_iter())
        .map_init(|| Run::new(&plan), |run, &from| part(run, seed, from..runs.min(from + CHUNK)))
        .collect();
    let (n, stages) = (work.tasks.len(), work.stages.len());
    let mut all = Runs {
        ends: Vec::with_capacity(runs as usize),
        hours: vec![Vec::with_capacity(runs as usize); stages],
        done: vec![Vec::with_capacity(runs as usize); stages],
        chained: vec![0; n],
        held: Vec::new(),
    };
    let mut held = vec![0u64; stages];
    for part in parts {
        all.ends.extend(part.ends);
        all.hours.iter_mut().zip(part.hours).for_each(|(to, from)| to.extend(from));
        all.done.iter_mut().zip(part.done).for_each(|(to, from)| to.extend(from));
        all.chained.iter_mut().zip(part.chained).for_each(|(to, from)| *to += from);
        held.iter_mut().zip(part.held).for_each(|(to, from)| *to += from);
    }
    all.held = held.into_iter().map(|parts| parts as f64 / PARTS).collect();
    all
}

fn part(run: &mut Run<'_, '_>, seed: u64, numbers: std::ops::Range<u64>) -> Part {
    let work = run.plan.work;
    let stages = work.stages.len();
    let mut out = Part {
        ends: Vec::new(),
        hours: vec![Vec::new(); stages],
        done: vec![Vec::new(); stages],
        chained: vec![0; work.tasks.len()],
        held: vec![0; stages],
    };
    for number in numbers {
        let mut hours = std::mem::take(&mut run.hours);
        work.durations(mixed(seed, number), &mut hours);
        run.hours = hours;
        run.play();
        out.ends.push(run.end().0);
        let (mut sums, mut lasts) = (vec![0.0; stages], vec![0.0f64; stages]);
        for (i, task) in work.tasks.iter().enumerate() {
            sums[task.stage] += run.hours[i];
            lasts[task.stage] = lasts[task.stage].max(run.done[i]);
        }
        sums.into_iter().zip(&mut out.hours).for_each(|(sum, to)| to.push(sum));
        lasts.into_iter().zip(&mut out.done).for_each(|(last, to)| to.push(last));
        run.chain(|task, days| {
            out.chained[task as usize] += 1;
            out.held[work.tasks[task as usize].stage] += (days * PARTS).round() as u64;
        });
    }
    out
}

/// A task in the course that is expected.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The task.
    pub task: usize,
    /// Who does it; none for what is not planned.
    pub who: Option<usize>,
    /// When it begins and is done, in days; infinite when it never does.
    pub from: f64,
    /// See `from`.
    pub to: f64,
}

/// The course when each task takes as long as `hours` says, in order of beginning.
pub fn course(work: &Work, hours: Vec<f64>) -> Vec<Step> {
    let plan = Plan::of(work);
    let mut run = Run::new(&plan);
    run.hours = hours;
    run.play();
    let step = |task: usize| Step {
        task,
        who: (run.by[task] != NONE).then_some(run.by[task] as usize),
        from: run.began[task],
        to: run.done[task],
    };
    let mut steps: Vec<Step> = (0..work.tasks.len()).map(step).collect();
    steps.sort_by(|a, b| a.from.total_cmp(&b.from).then(a.task.cmp(&b.task)));
    steps
}
