//! What many runs say: dates, what holds the end up, and what a change would save.
//!
//! Knows work, runs and changes of them. Does not know the calendar's dates: days count from the first one.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::calendar::Calendar;
use super::chance::quantile;
use super::rates::Whose;
use super::simulate::{self, Runs, Step};
use super::work::{Work, Worker};

/// The shares of runs that are told: as likely as not, four in five, nineteen in twenty.
pub const SHARES: [f64; 3] = [0.5, 0.8, 0.95];
/// Pieces times runs that one change may cost, so that a large film's changes are told from fewer runs.
const COST: u64 = 2_000_000;
/// Fewest and most runs of a change.
const CHANGE_RUNS: (u64, u64) = (40, 400);
/// How many changes of each kind are tried when none is asked for.
const TRIED: usize = 3;

/// Something that could be otherwise.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// A shot is left out of the film.
    Without(Arc<str>),
    /// One more person for a stage, with the middle one of the crew's weekly hours.
    More(Arc<str>),
    /// A stage goes so many times as fast.
    Faster(Arc<str>, f64),
}

/// What is asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Ask {
    /// How many runs.
    pub runs: u64,
    /// What all draws follow from.
    pub seed: u64,
    /// Changes to try; the likeliest ones when none.
    pub changes: Vec<Change>,
}

impl Default for Ask {
    /// What is asked when nothing is said.
    fn default() -> Self {
        Self { runs: 1000, seed: 1, changes: Vec::new() }
    }
}

/// What remains of one stage, and when it is done.
#[derive(Clone, Debug, PartialEq)]
pub struct Remaining {
    /// Index of the stage in the work.
    pub stage: usize,
    /// In how many shots.
    pub shots: usize,
    /// How many frames.
    pub frames: u64,
    /// Hours by [`SHARES`]; none where nothing tells.
    pub hours: Option<[f64; 3]>,
    /// The day on which it is done, by [`SHARES`].
    pub done: Option<[f64; 3]>,
}

/// What a change would save.
#[derive(Clone, Debug, PartialEq)]
pub struct Saving {
    /// The changes, together.
    pub changes: Vec<Change>,
    /// Days that the end of four runs in five comes sooner; less than 0 when later.
    pub days: f64,
    /// From how many runs.
    pub runs: u64,
}

/// All that the runs say.
#[derive(Clone, Debug)]
pub struct Outlook {
    /// Ends of all runs, sorted.
    pub ends: Vec<f64>,
    /// What remains, in order of stages.
    pub remaining: Vec<Remaining>,
    /// Stages by the share of the time to the end that they take on the chain, the largest first.
    pub holds: Vec<(usize, f64)>,
    /// Pieces by the share of runs in which they lie on the chain, the largest first.
    pub chain: Vec<(usize, f64)>,
    /// What changes would save, the most first.
    pub savings: Vec<Saving>,
    /// The expected course.
    pub course: Vec<Step>,
}

impl Outlook {
    /// What `ask` comes to for `work`.
    pub fn of(work: &Work, ask: &Ask) -> Self {
        let runs = simulate::runs(work, ask.seed, ask.runs);
        let mut ends = runs.ends.clone();
        ends.sort_by(f64::total_cmp);
        let whole: f64 = runs.held.iter().sum();
        let mut holds: Vec<(usize, f64)> =
            runs.held.iter().enumerate().filter(|(_, h)| **h > 0.0).map(|(s, h)| (s, h / whole)).collect();
        holds.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        let mut chain: Vec<(usize, f64)> = (runs.chained.iter().enumerate())
            .filter(|&(piece, &n)| n > 0 && work.stages[work.pieces[piece].stage].is_planned())
            .map(|(piece, &n)| (piece, f64::from(n) / ask.runs as f64))
            .collect();
        chain.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        let hours = work.expected().into_iter().enumerate().map(|(i, hours)| {
            let is_planned = work.stages[work.pieces[i].stage].is_planned();
            hours.filter(|_| is_planned).unwrap_or(0.0)
        });
        Self {
            remaining: remaining(work, &runs),
            savings: savings(work, ask, &runs, &holds, &chain),
            course: simulate::course(work, &hours.collect::<Vec<f64>>()),
            ends,
            holds,
            chain,
        }
    }

    /// The days by which it is done, by [`SHARES`].
    pub fn days(&self) -> [f64; 3] {
        SHARES.map(|share| quantile(&self.ends, share))
    }

    /// The share of runs that were done before the end of `day`.
    pub fn share_by(&self, day: f64) -> f64 {
        self.ends.partition_point(|&end| end <= day + 1.0) as f64 / self.ends.len() as f64
    }
}

fn remaining(work: &Work, runs: &Runs) -> Vec<Remaining> {
    let shares = |values: &[f64]| {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        SHARES.map(|share| quantile(&sorted, share))
    };
    let mut sums: BTreeMap<usize, (usize, u64)> = BTreeMap::new();
    for piece in work.pieces.iter().filter(|piece| piece.asked) {
        let sum = sums.entry(piece.stage).or_default();
        *sum = (sum.0 + 1, sum.1 + piece.frames);
    }
    let of = |(stage, (shots, frames)): (usize, (usize, u64))| {
        let is_planned = work.stages[stage].is_planned();
        let hours = is_planned.then(|| shares(&runs.hours[stage]));
        Remaining { stage, shots, frames, hours, done: is_planned.then(|| shares(&runs.done[stage])) }
    };
    sums.into_iter().map(of).collect()
}

/// What was asked for, each by itself and all together; or else, of what holds the film up most, one more person for each stage of
/// hands, stages twice as fast and shots left out.
fn savings(
    work: &Work,
    ask: &Ask,
    base: &Runs,
    holds: &[(usize, f64)],
    chain: &[(usize, f64)],
) -> Vec<Saving> {
    let mut lists: Vec<Vec<Change>> = ask.changes.iter().map(|change| vec![change.clone()]).collect();
    let is_asked = !lists.is_empty();
    match lists.len() {
        0 => lists = likely(work, holds, chain),
        1 => {}
        _ => lists.push(ask.changes.clone()),
    }
    // What is asked for is played as often as the rest.
    let few = (COST / work.pieces.len().max(1) as u64).clamp(CHANGE_RUNS.0, CHANGE_RUNS.1);
    let runs = if is_asked { ask.runs } else { few.min(ask.runs) };
    let four_in_five = |ends: &[f64]| {
        let mut sorted = ends.to_vec();
        sorted.sort_by(f64::total_cmp);
        quantile(&sorted, 0.8)
    };
    let before = four_in_five(&base.ends[..runs as usize]);
    let works: Vec<Work> = lists.iter().map(|changes| changes.iter().fold(work.clone(), changed)).collect();
    let saving = |(changes, ends): (Vec<Change>, Vec<f64>)| {
        let after = four_in_five(&ends);
        let days = if before == after { 0.0 } else { before - after };
        Saving { changes, days, runs }
    };
    let ends = simulate::ends(&works, ask.seed, runs);
    let mut all: Vec<Saving> = lists.into_iter().zip(ends).map(saving).collect();
    if !is_asked {
        all.sort_by(|a, b| b.days.total_cmp(&a.days));
    }
    all
}

fn likely(work: &Work, holds: &[(usize, f64)], chain: &[(usize, f64)]) -> Vec<Vec<Change>> {
    let of = |whose| {
        let stages = holds.iter().map(|&(stage, _)| &work.stages[stage]);
        stages.filter(move |stage| stage.whose == whose && stage.is_planned()).map(|stage| stage.name.clone())
    };
    let more = of(Whose::Hands).take(TRIED).map(Change::More);
    let stages = of(Whose::Hands).take(TRIED).chain(of(Whose::Machine).take(1));
    let mut faster: Vec<Change> = Vec::new();
    for change in stages.map(|stage| Change::Faster(stage, 2.0)) {
        if !faster.contains(&change) {
            faster.push(change);
        }
    }
    // Without the one shot that is asked for there is nothing to ask.
    let asked: BTreeSet<&str> = work.pieces.iter().filter(|p| p.asked).map(|p| &*p.shot).collect();
    let is_all = |shot: &str| asked.len() == 1 && asked.contains(shot);
    let mut shots: Vec<Arc<str>> = Vec::new();
    for shot in chain.iter().map(|&(piece, _)| &work.pieces[piece].shot).filter(|shot| &***shot != FILM) {
        if shots.len() < TRIED && !shots.contains(shot) && !is_all(shot) {
            shots.push(shot.clone());
        }
    }
    more.chain(faster).chain(shots.into_iter().map(Change::Without)).map(|change| vec![change]).collect()
}

/// The name under which the film's own stages stand, which cannot be left out.
pub const FILM: &str = "film";

/// The work with a change. Draws stay with the names of pieces.
pub fn changed(mut work: Work, change: &Change) -> Work {
    match change {
        Change::Without(shot) => {
            for piece in work.pieces.iter_mut().filter(|piece| piece.shot == *shot) {
                (piece.units, piece.again, piece.frames) = (0.0, 0.0, 0);
            }
        }
        Change::Faster(name, times) => {
            for stage in work.stages.iter_mut().filter(|stage| stage.name == *name) {
                stage.pace = stage.pace.as_ref().map(|pace| pace.faster(*times));
            }
        }
        Change::More(name) => {
            let new = work.workers.len();
            let calendar = Calendar::even(usual_week(&work));
            let mut is_wanted = false;
            let hands = work.stages.iter_mut().filter(|s| s.name == *name && s.whose == Whose::Hands);
            for stage in hands {
                stage.who.push(new);
                is_wanted = true;
            }
            if is_wanted {
                work.workers.push(Worker { name: "one more".into(), calendar });
            }
        }
    }
    work
}

/// The middle one of the weekly hours of people who have any.
pub fn usual_week(work: &Work) -> f64 {
    let mut people: Vec<usize> =
        work.stages.iter().filter(|s| s.whose == Whose::Hands).flat_map(|s| s.who.iter().copied()).collect();
    people.sort_unstable();
    people.dedup();
    let mut weeks: Vec<f64> = people.iter().map(|&w| work.workers[w].calendar.week()).collect();
    weeks.retain(|&week| week > 0.0);
    weeks.sort_by(f64::total_cmp);
    if weeks.is_empty() { 0.0 } else { quantile(&weeks, 0.5) }
}
