//! Many runs, and the one that is expected.
//!
//! Knows draws with a seed, and what is added up over runs. Does not know how a run goes, nor dates.

use std::ops::Range;

use rayon::prelude::*;

use super::chance::mixed;
use super::plan::Plan;
use super::run::{Run, State};
use super::work::{Draws, Work};

/// Runs that one thread plays in one go.
const CHUNK: u64 = 8;
/// Parts of a day in which time on the chain is added up, so that sums are the same in any order.
const PARTS: f64 = 1e6;

/// What many runs came to. Days count from the first one.
#[derive(Clone, Debug, PartialEq)]
pub struct Runs {
    /// When all was done, run by run; infinite where it never was.
    pub ends: Vec<f64>,
    /// Hours of each stage, run by run.
    pub hours: Vec<Vec<f64>>,
    /// When each stage was done, run by run.
    pub done: Vec<Vec<f64>>,
    /// In how many runs each piece lay on the chain that held the end up.
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

/// Numbers of so many runs, in the parts that one thread plays in one go.
fn chunks(runs: u64) -> Vec<Range<u64>> {
    (0..runs).step_by(CHUNK as usize).map(|from| from..runs.min(from + CHUNK)).collect()
}

/// Plays `runs` runs that follow from `seed`. The same draws, whatever the thread count; a piece's draws in a run depend on
/// its name alone, so that two works differ by what was changed and not by chance (common random numbers: Glasserman & Yao 1992,
/// "Some guidelines and guarantees for common random numbers").
pub fn runs(work: &Work, seed: u64, runs: u64) -> Runs {
    let plan = Plan::of(work);
    let of_thread = || (Run::new(&plan), Draws::default(), Vec::new());
    let parts: Vec<Part> = (chunks(runs).into_par_iter())
        .map_init(of_thread, |(run, draws, hours), numbers| part(run, (draws, hours), seed, numbers))
        .collect();
    let (n, stages) = (work.pieces.len(), work.stages.len());
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

fn part(
    run: &mut Run<'_, '_>,
    (draws, hours): (&mut Draws, &mut Vec<f64>),
    seed: u64,
    numbers: Range<u64>,
) -> Part {
    let work = run.plan.work;
    let stages = work.stages.len();
    let mut out = Part {
        ends: Vec::new(),
        hours: vec![Vec::new(); stages],
        done: vec![Vec::new(); stages],
        chained: vec![0; work.pieces.len()],
        held: vec![0; stages],
    };
    for number in numbers {
        work.draw(mixed(seed, number), draws);
        work.hours(draws, hours);
        run.play(hours);
        out.ends.push(run.end().0);
        let (mut sums, mut lasts) = (vec![0.0; stages], vec![0.0f64; stages]);
        for (piece, state) in work.pieces.iter().zip(&run.states).filter(|(piece, _)| piece.asked) {
            sums[piece.stage] += state.hours;
            lasts[piece.stage] = lasts[piece.stage].max(state.done());
        }
        sums.into_iter().zip(&mut out.hours).for_each(|(sum, to)| to.push(sum));
        lasts.into_iter().zip(&mut out.done).for_each(|(last, to)| to.push(last));
        run.chain(|piece, days| {
            out.chained[piece as usize] += 1;
            out.held[work.pieces[piece as usize].stage] += (days * PARTS).round() as u64;
        });
    }
    out
}

/// When all was done in each of `runs` runs, work by work. The works have the same pieces and stages and differ by changes of
/// them, so that one draw serves all.
pub fn ends(works: &[Work], seed: u64, runs: u64) -> Vec<Vec<f64>> {
    let plans: Vec<Plan<'_>> = works.par_iter().map(Plan::of).collect();
    let Some(first) = works.first() else { return Vec::new() };
    let drawn = |number| {
        let mut draws = Draws::default();
        first.draw(mixed(seed, number), &mut draws);
        draws
    };
    let of_chunk = |numbers: Range<u64>| -> Vec<Vec<f64>> {
        let draws: Vec<Draws> = numbers.map(drawn).collect();
        let mut hours = Vec::new();
        // A work after the other, so that what is known of one stays in the processor's cache for some runs.
        let of_plan = |plan: &Plan<'_>| {
            let mut run = Run::new(plan);
            let end = |draws| {
                plan.work.hours(draws, &mut hours);
                run.play(&hours);
                run.end().0
            };
            draws.iter().map(end).collect()
        };
        plans.iter().map(of_plan).collect()
    };
    let parts: Vec<Vec<Vec<f64>>> = chunks(runs).into_par_iter().map(of_chunk).collect();
    (0..works.len()).map(|at| parts.iter().flat_map(|part| part[at].iter().copied()).collect()).collect()
}

/// A piece in the course that is expected.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The piece.
    pub piece: usize,
    /// Who does it; none for what is not planned.
    pub who: Option<usize>,
    /// When it begins and is done, in days; infinite when it never does.
    pub from: f64,
    /// See `from`.
    pub to: f64,
}

/// The course when each piece takes as long as `hours` says, in order of beginning.
pub fn course(work: &Work, hours: &[f64]) -> Vec<Step> {
    let plan = Plan::of(work);
    let mut run = Run::new(&plan);
    run.taken = Some(Vec::new());
    run.play(hours);
    // What is not planned begins and is done as soon as what it needs is.
    let step = |(piece, state): (usize, &State)| {
        let from = if state.is_planned() { f64::INFINITY } else { state.done() };
        Step { piece, who: None, from, to: state.done() }
    };
    let mut steps: Vec<Step> = run.states.iter().enumerate().map(step).collect();
    for taken in run.taken.iter().flatten() {
        let step = &mut steps[taken.piece as usize];
        (step.who, step.from) = (Some(taken.who), taken.from);
    }
    steps.sort_by(|a, b| a.from.total_cmp(&b.from).then(a.piece.cmp(&b.piece)));
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::calendar::Calendar;
    use crate::forecast::chance::quantile;
    use crate::forecast::rates::Whose;
    use crate::forecast::work::{Basis, Counts, Pace, Piece, Stage, Worker, paths};

    /// Pieces of (stage, units, needs), of stages with as many of the workers as each says, all day and night.
    fn work(pieces: &[(usize, f64, Vec<u32>)], who: &[Vec<usize>], workers: usize, spread: f64) -> Work {
        let stage = |(at, who): (usize, &Vec<usize>)| Stage {
            name: format!("stage-{at}").into(),
            whose: Whose::Hands,
            pace: Some(Pace::Measured { middle: 0.0, unsure: spread, spread }),
            rework: (0.0, 0.0),
            who: who.clone(),
            seed: at as u64,
            basis: Basis::Guessed,
            counts: Counts::Frames,
        };
        let piece = |(at, (stage, units, needs)): (usize, &(usize, f64, Vec<u32>))| Piece {
            shot: format!("br{at:03}").into(),
            stage: *stage,
            frames: 1,
            units: *units,
            again: 0.0,
            begun: 0.0,
            needs: needs.clone(),
            seed: 1000 + at as u64,
            only: None,
            asked: true,
            is_approval: false,
        };
        let worker = |at| Worker { name: format!("worker {at}").into(), calendar: Calendar::even(168.0) };
        Work {
            pieces: pieces.iter().enumerate().map(piece).collect(),
            stages: who.iter().enumerate().map(stage).collect(),
            workers: (0..workers).map(worker).collect(),
        }
    }

    fn hours(work: &Work) -> Vec<f64> {
        work.pieces.iter().map(|piece| piece.units).collect()
    }

    fn whole(work: &Work) -> f64 {
        course(work, &hours(work)).iter().map(|step| step.to * 24.0).fold(0.0, f64::max)
    }

    /// Graham's example of 1969: nine pieces on three machines end at 12; with a fourth machine at 15. Priorities are his list, which
    /// the way behind each piece cannot give, so the anomaly is shown as the bound that he proves: never beyond 2 - 1/m times the
    /// best, whatever the list.
    #[test]
    fn grahams_nine_tasks_stay_within_his_bound() {
        let needs = |i: usize| match i {
            4..=7 => vec![3],
            8 => vec![0],
            _ => vec![],
        };
        let lasts = [3.0, 2.0, 2.0, 2.0, 4.0, 4.0, 4.0, 4.0, 9.0];
        let pieces: Vec<_> = (0..9).map(|i| (0, lasts[i], needs(i))).collect();
        let ends: Vec<f64> = (3..=4).map(|m| whole(&work(&pieces, &[(0..m).collect()], m, 0.0))).collect();
        assert_eq!(ends[0], 12.0);
        assert!(ends[1] >= 12.0 && ends[1] <= 12.0 * (2.0 - 1.0 / 4.0), "{ends:?}");
    }

    #[test]
    fn the_last_great_task_goes_to_whoever_is_done_sooner() {
        let mut work = work(&[(0, 20.0, vec![]), (0, 2.0, vec![])], &[vec![0, 1]], 2, 0.0);
        // One hour a week against ten a day.
        work.workers[0].calendar = Calendar::even(1.0);
        work.workers[1].calendar = Calendar::even(70.0);
        let steps = course(&work, &hours(&work));
        assert!(steps.iter().all(|step| step.who == Some(1)), "{steps:?}");
        // With much to do both work.
        let many: Vec<_> = (0..400).map(|_| (0, 2.0, vec![])).collect();
        let mut much = self::work(&many, &[vec![0, 1]], 2, 0.0);
        much.workers = work.workers.clone();
        assert!(course(&much, &hours(&much)).iter().any(|step| step.who == Some(0)));
    }

    #[test]
    fn nobody_to_do_it_and_nobody_with_hours() {
        let pieces = [(0, 3.0, vec![]), (1, 2.0, vec![0])];
        let unplanned = work(&pieces, &[vec![], vec![0]], 1, 0.0);
        assert_eq!(whole(&unplanned), 2.0);
        let mut never = work(&pieces, &[vec![0], vec![0]], 1, 0.0);
        never.workers[0].calendar = Calendar::even(0.0);
        assert_eq!(runs(&never, 1, 3).ends, [f64::INFINITY; 3]);
        assert!(runs(&never, 1, 3).chained.iter().all(|&n| n == 0));
    }

    fn shape() -> impl proptest::strategy::Strategy<Value = (Vec<(usize, f64, Vec<u32>)>, usize)> {
        use proptest::prelude::*;
        let piece =
            (0usize..3, 0.1f64..20.0, proptest::collection::vec(any::<proptest::sample::Index>(), 0..3));
        (proptest::collection::vec(piece, 1..25), 1usize..5).prop_map(|(pieces, workers)| {
            let numbered = pieces.into_iter().enumerate().map(|(i, (stage, units, needs))| {
                let mut needs: Vec<u32> =
                    if i == 0 { vec![] } else { needs.iter().map(|n| n.index(i) as u32).collect() };
                needs.sort_unstable();
                needs.dedup();
                (stage, units, needs)
            });
            (numbered.collect(), workers)
        })
    }

    /// The rule as it is told, step by step and with nothing remembered: when each piece is done, in days.
    fn plainly(work: &Work, hours: &[f64]) -> Vec<f64> {
        let (n, plan) = (work.pieces.len(), Plan::of(work));
        let (mut done, mut by) = (vec![f64::INFINITY; n], vec![None; n]);
        let mut now = 0.0;
        loop {
            loop {
                let is_done = |i: &u32| done[*i as usize] <= now;
                let is_ready = |i: usize| by[i].is_none() && work.pieces[i].needs.iter().all(is_done);
                let ready: Vec<usize> =
                    plan.by_rank.iter().map(|&i| i as usize).filter(|&i| is_ready(i)).collect();
                let of = |i: usize| &work.stages[work.pieces[i].stage].who;
                let busy =
                    |w: usize| (0..n).filter(|&i| by[i] == Some(w)).map(|i| done[i]).fold(now, f64::max);
                let ends = |w: usize, hours| work.workers[w].calendar.finish(busy(w), hours);
                let first_of = |i: usize| {
                    ready.iter().all(|&other| of(other) != of(i) || plan.rank[other] >= plan.rank[i])
                };
                let taker = |&i: &usize| {
                    let all: f64 =
                        ready.iter().filter(|&&other| of(other) == of(i)).map(|&other| hours[other]).sum();
                    let free = of(i).iter().copied().filter(|&w| busy(w) <= now);
                    let takes = |w: &usize| {
                        let own = ends(*w, hours[i]);
                        own.is_finite()
                            && !of(i).iter().any(|&other| other != *w && ends(other, all) < own - 1e-9)
                    };
                    let best =
                        free.filter(takes).min_by(|&a, &b| ends(a, hours[i]).total_cmp(&ends(b, hours[i])));
                    best.map(|w| (i, w))
                };
                let Some((i, w)) = ready.iter().filter(|&&i| first_of(i)).find_map(taker) else { break };
                (done[i], by[i]) = (ends(w, hours[i]), Some(w));
            }
            let next = done.iter().copied().filter(|&day| day > now).fold(f64::INFINITY, f64::min);
            if next == f64::INFINITY {
                return done;
            }
            now = next;
        }
    }

    #[test]
    fn one_draw_serves_several_works_and_threads() {
        let pieces: Vec<_> =
            (0..60u32).map(|i| ((i % 3) as usize, 5.0, if i < 3 { vec![] } else { vec![i - 3] })).collect();
        let one = work(&pieces, &[vec![0, 1], vec![1], vec![0, 2]], 3, 0.5);
        let mut other = one.clone();
        other.pieces[7].units = 0.0;
        let both = ends(&[one.clone(), other.clone()], 9, 50);
        assert_eq!(both[0], runs(&one, 9, 50).ends);
        assert_eq!(both[1], runs(&other, 9, 50).ends);
        let alone = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        assert_eq!(
            alone.install(|| (runs(&one, 9, 50), ends(&[one.clone(), other], 9, 50))),
            (runs(&one, 9, 50), both)
        );
    }

    #[test]
    fn what_is_asked_for_ends_while_the_rest_takes_peoples_time() {
        // Two chains on one pair of hands: the longer one goes first, and the asked piece waits for it.
        let mut work = work(&[(0, 24.0, vec![]), (0, 48.0, vec![0]), (0, 24.0, vec![])], &[vec![0]], 1, 0.0);
        assert_eq!(runs(&work, 1, 1).ends, [4.0]);
        let asked = |work: &mut Work, of: &[usize]| {
            work.pieces.iter_mut().enumerate().for_each(|(at, piece)| piece.asked = of.contains(&at));
            runs(work, 1, 1)
        };
        let first = asked(&mut work, &[0]);
        assert_eq!(
            (&first.ends[..], &first.hours[0][..], &first.done[0][..]),
            (&[1.0][..], &[24.0][..], &[1.0][..])
        );
        assert_eq!(asked(&mut work, &[2]).ends, [4.0]);
        assert_eq!(asked(&mut work, &[2]).chained, [1, 1, 1]);
        assert_eq!(work.needed(), [false, false, true]);
        asked(&mut work, &[1]);
        assert_eq!(work.needed(), [true, true, false]);
    }

    proptest::proptest! {
        /// However it is made quick, a run is what the rule says.
        #[test]
        fn runs_are_as_the_rule_has_it((pieces, workers) in shape(), weeks in proptest::collection::vec(1.0f64..80.0, 5)) {
            let all: Vec<usize> = (0..workers).collect();
            let who = [all.clone(), all[..workers.div_ceil(2)].to_vec(), all[workers / 2..].to_vec()];
            let mut work = work(&pieces, &who, workers, 0.3);
            work.workers.iter_mut().zip(weeks).for_each(|(worker, week)| worker.calendar = Calendar::even(week));
            let mut got = vec![0.0; pieces.len()];
            course(&work, &hours(&work)).iter().for_each(|step| got[step.piece] = step.to);
            let want = plainly(&work, &hours(&work));
            let is_near = |(a, b): (&f64, &f64)| a == b || (a - b).abs() < 1e-6;
            proptest::prop_assert!(got.iter().zip(&want).all(is_near), "{:?} {:?}", got, want);
        }

        /// No piece begins before what it needs, nobody does two at once, and the end lies within Graham's bound of the least that is
        /// possible: with one more worker or with less work, it is never later by more than that factor.
        #[test]
        fn courses_are_sound((pieces, workers) in shape()) {
            let all: Vec<usize> = (0..workers).collect();
            let work = work(&pieces, &[all.clone(), all.clone(), all], workers, 0.3);
            let steps = course(&work, &hours(&work));
            let mut of = vec![(0.0, 0.0, None); pieces.len()];
            steps.iter().for_each(|s| of[s.piece] = (s.from, s.to, s.who));
            for (i, piece) in pieces.iter().enumerate() {
                for &n in &piece.2 {
                    proptest::prop_assert!(of[n as usize].1 <= of[i].0);
                }
                for j in 0..i {
                    let apart = of[j].1 <= of[i].0 || of[i].1 <= of[j].0 || of[i].2 != of[j].2;
                    proptest::prop_assert!(apart);
                }
            }
            let lasts = hours(&work);
            let (heads, tails) = paths(&lasts, |i| &work.pieces[i].needs);
            let longest = heads.iter().zip(&tails).map(|(h, t)| h + t).fold(0.0, f64::max);
            let least = longest.max(lasts.iter().sum::<f64>() / workers as f64);
            let bound = 2.0 - 1.0 / workers as f64;
            proptest::prop_assert!(whole(&work) >= least - 1e-6);
            proptest::prop_assert!(whole(&work) <= least * bound + 1e-6);
            // One more worker, and half the work: within the bound of what was.
            let more: Vec<usize> = (0..workers + 1).collect();
            let wider = self::work(&pieces, &[more.clone(), more.clone(), more], workers + 1, 0.3);
            proptest::prop_assert!(whole(&wider) <= whole(&work) * 2.0 + 1e-6);
        }

        /// On one pair of hands there are no anomalies: less work is never later, at the same draws. Quantiles rise.
        #[test]
        fn less_work_is_never_later_for_one((pieces, _) in shape(), gone in proptest::prelude::any::<proptest::sample::Index>()) {
            let who = [vec![0], vec![0], vec![0]];
            let before = work(&pieces, &who, 1, 0.4);
            let mut after = before.clone();
            after.pieces[gone.index(pieces.len())].units = 0.0;
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
