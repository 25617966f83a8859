//! What holds for all runs of one work: priorities, what needs what, and who is for which pieces.
//!
//! Knows the longest way behind each piece, in days as expected. Does not know draws.

use super::work::{Work, paths};

/// No piece, or nobody.
pub(super) const NONE: u32 = u32::MAX;

/// What holds for all runs of one work.
pub(super) struct Plan<'a> {
    /// The work.
    pub work: &'a Work,
    /// Place of each piece in order of priority.
    pub rank: Vec<u32>,
    /// Pieces in order of priority.
    pub by_rank: Vec<u32>,
    /// For each piece where what needs it begins in `after`; one more than pieces.
    pub starts: Vec<u32>,
    /// Pieces that need it.
    pub after: Vec<u32>,
    /// Sets of workers that pieces are for.
    pub classes: Vec<Vec<usize>>,
    /// Each piece's class; none for what is not planned.
    pub class: Vec<u32>,
    /// The most hours that any day of anybody of each class has.
    pub peaks: Vec<f64>,
    /// Each worker's classes.
    pub classes_of: Vec<Vec<usize>>,
}

impl<'a> Plan<'a> {
    pub fn of(work: &'a Work) -> Self {
        let mut classes: Vec<Vec<usize>> = Vec::new();
        let mut class_of = |who: &[usize]| {
            let at = classes.iter().position(|c| c == who).unwrap_or_else(|| {
                classes.push(who.to_vec());
                classes.len() - 1
            });
            at as u32
        };
        let of_stage: Vec<u32> =
            work.stages.iter().map(|s| if s.is_planned() { class_of(&s.who) } else { NONE }).collect();
        let class: Vec<u32> = (work.pieces.iter())
            .map(|piece| match (of_stage[piece.stage], piece.only) {
                (NONE, _) => NONE,
                (_, Some(worker)) => class_of(&[worker]),
                (class, None) => class,
            })
            .collect();
        let (rank, by_rank) = ranks(work);
        let (starts, after) = turned(work);
        let classes_of = (0..work.workers.len())
            .map(|w| (0..classes.len()).filter(|&c| classes[c].contains(&w)).collect())
            .collect();
        let peak =
            |class: &Vec<usize>| class.iter().map(|&w| work.workers[w].calendar.peak()).fold(0.0, f64::max);
        let peaks = classes.iter().map(peak).collect();
        Self { work, rank, by_rank, starts, after, classes, class, peaks, classes_of }
    }
}

/// Priorities by the longest way behind each piece, in expected days, at the pace of all who could do it on average.
fn ranks(work: &Work) -> (Vec<u32>, Vec<u32>) {
    let day: Vec<f64> = (work.stages.iter())
        .map(|stage| {
            let sum: f64 = stage.who.iter().map(|&w| work.workers[w].calendar.week() / 7.0).sum();
            if sum > 0.0 { sum / stage.who.len() as f64 } else { 24.0 }
        })
        .collect();
    let hours = work.expected();
    let lasts: Vec<f64> =
        work.pieces.iter().zip(&hours).map(|(t, h)| h.unwrap_or(0.0) / day[t.stage]).collect();
    let (_, tails) = paths(&lasts, |i| &work.pieces[i].needs);
    let mut by_rank: Vec<u32> = (0..work.pieces.len() as u32).collect();
    by_rank.sort_by(|&a, &b| tails[b as usize].total_cmp(&tails[a as usize]).then(a.cmp(&b)));
    let mut rank = vec![0; by_rank.len()];
    by_rank.iter().enumerate().for_each(|(at, &piece)| rank[piece as usize] = at as u32);
    (rank, by_rank)
}

/// What needs each piece, as one list and where each piece's part begins.
fn turned(work: &Work) -> (Vec<u32>, Vec<u32>) {
    let mut starts = vec![0u32; work.pieces.len() + 1];
    for need in work.pieces.iter().flat_map(|piece| &piece.needs) {
        starts[*need as usize + 1] += 1;
    }
    for i in 1..starts.len() {
        starts[i] += starts[i - 1];
    }
    let mut next = starts.clone();
    let mut after = vec![0; starts[work.pieces.len()] as usize];
    for (i, piece) in work.pieces.iter().enumerate() {
        for &need in &piece.needs {
            after[next[need as usize] as usize] = i as u32;
            next[need as usize] += 1;
        }
    }
    (starts, after)
}
