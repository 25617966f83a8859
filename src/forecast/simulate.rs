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
            for who in (0..self.hands.len()).filter(|&who| self.hands[who].task == NONE) {
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
            // Seldom is anybody near enough to be asked for the day.
            let is_near = from + workers[other].calendar.least(before + hours) < done;
            other != who && is_near && workers[other].calendar.finish(from, before + hours) < done
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::calendar::Calendar;
    use crate::forecast::chance::quantile;
    use crate::forecast::rates::Whose;
    use crate::forecast::work::{Basis, Pace, Stage, Task, Worker, paths};

    /// Tasks of (stage, units, needs), of stages with as many of the workers as each says, all day and night.
    fn work(tasks: &[(usize, f64, Vec<u32>)], who: &[Vec<usize>], workers: usize, spread: f64) -> Work {
        let stage = |(at, who): (usize, &Vec<usize>)| Stage {
            name: format!("stage-{at}").into(),
            whose: Whose::Hands,
            pace: Some(Pace::Measured { middle: 0.0, unsure: spread, spread }),
            rework: (0.0, 0.0),
            who: who.clone(),
            seed: at as u64,
            basis: Basis::Guessed,
        };
        let task = |(at, (stage, units, needs)): (usize, &(usize, f64, Vec<u32>))| Task {
            shot: format!("br{at:03}").into(),
            stage: *stage,
            frames: 1,
            units: *units,
            again: 0.0,
            begun: 0.0,
            needs: needs.clone(),
            seed: 1000 + at as u64,
            only: None,
        };
        let worker = |at| Worker { name: format!("worker {at}").into(), calendar: Calendar::even(168.0) };
        Work {
            tasks: tasks.iter().enumerate().map(task).collect(),
            stages: who.iter().enumerate().map(stage).collect(),
            workers: (0..workers).map(worker).collect(),
        }
    }

    fn hours(work: &Work) -> Vec<f64> {
        work.tasks.iter().map(|task| task.units).collect()
    }

    fn whole(work: &Work) -> f64 {
        course(work, hours(work)).iter().map(|step| step.to * 24.0).fold(0.0, f64::max)
    }

    /// Graham's example of 1969: nine tasks on three machines end at 12; with a fourth machine at 15. Priorities are his list, which
    /// the way behind each task cannot give, so the anomaly is shown as the bound that he proves: never beyond 2 - 1/m times the
    /// best, whatever the list.
    #[test]
    fn grahams_nine_tasks_stay_within_his_bound() {
        let needs = |i: usize| match i {
            4..=7 => vec![3],
            8 => vec![0],
            _ => vec![],
        };
        let lasts = [3.0, 2.0, 2.0, 2.0, 4.0, 4.0, 4.0, 4.0, 9.0];
        let tasks: Vec<_> = (0..9).map(|i| (0, lasts[i], needs(i))).collect();
        let ends: Vec<f64> = (3..=4).map(|m| whole(&work(&tasks, &[(0..m).collect()], m, 0.0))).collect();
        assert_eq!(ends[0], 12.0);
        assert!(ends[1] >= 12.0 && ends[1] <= 12.0 * (2.0 - 1.0 / 4.0), "{ends:?}");
    }

    #[test]
    fn the_last_great_task_goes_to_whoever_is_done_sooner() {
        let mut work = work(&[(0, 20.0, vec![]), (0, 2.0, vec![])], &[vec![0, 1]], 2, 0.0);
        // One hour a week against ten a day.
        work.workers[0].calendar = Calendar::even(1.0);
        work.workers[1].calendar = Calendar::even(70.0);
        let steps = course(&work, hours(&work));
        assert!(steps.iter().all(|step| step.who == Some(1)), "{steps:?}");
        // With much to do both work.
        let many: Vec<_> = (0..400).map(|_| (0, 2.0, vec![])).collect();
        let mut much = self::work(&many, &[vec![0, 1]], 2, 0.0);
        much.workers = work.workers.clone();
        assert!(course(&much, hours(&much)).iter().any(|step| step.who == Some(0)));
    }

    #[test]
    fn nobody_to_do_it_and_nobody_with_hours() {
        let tasks = [(0, 3.0, vec![]), (1, 2.0, vec![0])];
        let unplanned = work(&tasks, &[vec![], vec![0]], 1, 0.0);
        assert_eq!(whole(&unplanned), 2.0);
        let mut never = work(&tasks, &[vec![0], vec![0]], 1, 0.0);
        never.workers[0].calendar = Calendar::even(0.0);
        assert_eq!(runs(&never, 1, 3).ends, [f64::INFINITY; 3]);
        assert!(runs(&never, 1, 3).chained.iter().all(|&n| n == 0));
    }

    fn shape() -> impl proptest::strategy::Strategy<Value = (Vec<(usize, f64, Vec<u32>)>, usize)> {
        use proptest::prelude::*;
        let task =
            (0usize..3, 0.1f64..20.0, proptest::collection::vec(any::<proptest::sample::Index>(), 0..3));
        (proptest::collection::vec(task, 1..25), 1usize..5).prop_map(|(tasks, workers)| {
            let numbered = tasks.into_iter().enumerate().map(|(i, (stage, units, needs))| {
                let mut needs: Vec<u32> =
                    if i == 0 { vec![] } else { needs.iter().map(|n| n.index(i) as u32).collect() };
                needs.sort_unstable();
                needs.dedup();
                (stage, units, needs)
            });
            (numbered.collect(), workers)
        })
    }

    proptest::proptest! {
        /// No task begins before what it needs, nobody does two at once, and the end lies within Graham's bound of the least that is
        /// possible: with one more worker or with less work, it is never later by more than that factor.
        #[test]
        fn courses_are_sound((tasks, workers) in shape()) {
            let all: Vec<usize> = (0..workers).collect();
            let work = work(&tasks, &[all.clone(), all.clone(), all], workers, 0.3);
            let steps = course(&work, hours(&work));
            let mut of = vec![(0.0, 0.0, None); tasks.len()];
            steps.iter().for_each(|s| of[s.task] = (s.from, s.to, s.who));
            for (i, task) in tasks.iter().enumerate() {
                for &n in &task.2 {
                    proptest::prop_assert!(of[n as usize].1 <= of[i].0);
                }
                for j in 0..i {
                    let apart = of[j].1 <= of[i].0 || of[i].1 <= of[j].0 || of[i].2 != of[j].2;
                    proptest::prop_assert!(apart);
                }
            }
            let lasts = hours(&work);
            let (heads, tails) = paths(&lasts, |i| &work.tasks[i].needs);
            let longest = heads.iter().zip(&tails).map(|(h, t)| h + t).fold(0.0, f64::max);
            let least = longest.max(lasts.iter().sum::<f64>() / workers as f64);
            let bound = 2.0 - 1.0 / workers as f64;
            proptest::prop_assert!(whole(&work) >= least - 1e-6);
            proptest::prop_assert!(whole(&work) <= least * bound + 1e-6);
            // One more worker, and half the work: within the bound of what was.
            let more: Vec<usize> = (0..workers + 1).collect();
            let wider = self::work(&tasks, &[more.clone(), more.clone(), more], workers + 1, 0.3);
            proptest::prop_assert!(whole(&wider) <= whole(&work) * 2.0 + 1e-6);
        }

        /// On one pair of hands there are no anomalies: less work is never later, at the same draws. Quantiles rise.
        #[test]
        fn less_work_is_never_later_for_one((tasks, _) in shape(), gone in proptest::prelude::any::<proptest::sample::Index>()) {
            let who = [vec![0], vec![0], vec![0]];
            let before = work(&tasks, &who, 1, 0.4);
            let mut after = before.clone();
            after.tasks[gone.index(tasks.len())].units = 0.0;
            let (a, b) = (runs(&before, 5, 40), runs(&after, 5, 40));
            proptest::prop_assert!(a.ends.iter().zip(&b.ends).all(|(a, b)| *b <= a + 1e-9));
            let mut ends = a.ends.clone();
            ends.sort_by(f64::total_cmp);
            let [half, four, most] = [0.5, 0.8, 0.95].map(|p| quantile(&ends, p));
            proptest::prop_assert!(half <= four && four <= most);
            // The chain is as long as the whole.
            let chain: f64 = a.held.iter().sum();
            proptest::prop_assert!((chain - a.ends.iter().sum::<f64>()).abs() < 1e-3);
        }
    }
}
