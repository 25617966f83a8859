//! One run: who does what when.
//!
//! Knows a rule of priority, and how long each piece takes in this run. Does not know draws, nor what many runs come to.
//!
//! **Model.** People and machines do one piece of work at a time, without breaking off, on the days that have hours for them.
//! Whoever is free takes, of the pieces that are ready and theirs to do, the one with the longest way still behind it, as expected
//! before the first run; ties go by order (parallel schedule generation with the longest-path rule: Kelley 1963, "The critical-path
//! method: resources planning and scheduling"; Kolisch 1996, "Serial and parallel resource-constrained project scheduling methods
//! revisited"). A piece is left to somebody else who would be done with it sooner even after all that waits for the same hands, so
//! that one with an hour a week does not take the last great piece. Which piece held the end up is told by walking back from the
//! last to what each began after: a piece that it needs, or the one before it on the same person (the chain of Goldratt 1997,
//! "Critical Chain"). Rules of this kind have anomalies: more hands or less work can make an end later by chance of who takes
//! what (Graham 1969, "Bounds on multiprocessing timing anomalies"), by no more than a part of one piece usually.
//!
//! **Cost.** A run of a feature film is tens of thousands of pieces, and a forecast some thousand runs, so that a piece may take no
//! more than some ten nanoseconds. What a run knows of a piece therefore lies together in memory, and ready pieces are
//! bits by rank, of which the first is found in three steps, whatever waits.

use super::plan::{NONE, Plan};

/// What a run knows of a piece: half a line of the processor's cache.
#[derive(Clone, Copy)]
pub(super) struct State {
    /// Hours that it takes; 0 where it is not planned.
    pub hours: f64,
    /// When it was ready, and once it is done, when that was.
    time: f64,
    /// The piece that it began after.
    link: u32,
    /// How many of its needs are not done; [`DONE`] once it is done itself.
    open: u32,
    /// Its class.
    class: u32,
    /// Its rank.
    rank: u32,
}

/// In the place of open needs: the piece is done.
const DONE: u32 = u32::MAX;

impl State {
    /// When it was done; infinite when it never was.
    pub fn done(&self) -> f64 {
        if self.open == DONE { self.time } else { f64::INFINITY }
    }

    /// Whether anybody is for it.
    pub fn is_planned(&self) -> bool {
        self.class != NONE
    }
}

/// Ready pieces of one class, by rank: a bit each, and a bit for every 64 of them of which there are any.
struct Ready {
    bits: Vec<u64>,
    any: Vec<u64>,
    /// The first; none when there is none.
    first: u32,
    /// Hours of all.
    hours: f64,
}

impl Ready {
    fn new(pieces: usize) -> Self {
        let words = pieces.div_ceil(64);
        Self { bits: vec![0; words], any: vec![0; words.div_ceil(64)], first: NONE, hours: 0.0 }
    }

    fn clear(&mut self) {
        self.bits.fill(0);
        self.any.fill(0);
        (self.first, self.hours) = (NONE, 0.0);
    }

    fn put(&mut self, rank: u32, hours: f64) {
        let word = rank as usize / 64;
        self.bits[word] |= 1 << (rank % 64);
        self.any[word / 64] |= 1 << (word % 64);
        self.first = self.first.min(rank);
        self.hours += hours;
    }

    /// Takes the first away, which takes `hours`.
    fn pop(&mut self, hours: f64) {
        self.hours -= hours;
        let word = self.first as usize / 64;
        self.bits[word] &= self.bits[word] - 1;
        if self.bits[word] != 0 {
            self.first = word as u32 * 64 + self.bits[word].trailing_zeros();
            return;
        }
        self.any[word / 64] &= !(1 << (word % 64));
        let next = (word / 64..self.any.len()).find(|&at| self.any[at] != 0);
        self.first = next.map_or(NONE, |at| {
            let word = at as u32 * 64 + self.any[at].trailing_zeros();
            word * 64 + self.bits[word as usize].trailing_zeros()
        });
    }
}

/// Somebody's hands in one run.
#[derive(Clone, Copy)]
struct Hand {
    /// The piece under way.
    piece: u32,
    /// When it is done, or since when there was none.
    free: f64,
    /// The piece before.
    last: u32,
}

/// The bits of a time without end.
const NEVER: u64 = f64::INFINITY.to_bits();

const IDLE: Hand = Hand { piece: NONE, free: 0.0, last: NONE };

/// One run as it goes.
pub(super) struct Run<'p, 'w> {
    pub plan: &'p Plan<'w>,
    /// By piece.
    pub states: Vec<State>,
    /// By class.
    ready: Vec<Ready>,
    /// How many of each class have nothing to do.
    idle: Vec<u32>,
    /// Classes of which a piece is ready and somebody has nothing to do, a bit each.
    open: Vec<u64>,
    hands: Vec<Hand>,
    /// When each is done with what is under way, as bits, which rise as times do and are compared sooner; [`NEVER`] for those who
    /// have nothing.
    until: Vec<u64>,
    /// Pieces to be ended at once.
    ended: Vec<u32>,
    /// Who took which piece when, if that is asked for.
    pub taken: Option<Vec<Taken>>,
}

/// A piece that somebody took up.
pub(super) struct Taken {
    pub piece: u32,
    pub who: usize,
    pub from: f64,
}

impl<'p, 'w> Run<'p, 'w> {
    pub fn new(plan: &'p Plan<'w>) -> Self {
        let pieces = plan.work.pieces.len();
        let state = |at: usize| State {
            hours: 0.0,
            time: 0.0,
            link: NONE,
            open: 0,
            class: plan.class[at],
            rank: plan.rank[at],
        };
        Self {
            plan,
            states: (0..pieces).map(state).collect(),
            ready: plan.classes.iter().map(|_| Ready::new(pieces)).collect(),
            idle: vec![0; plan.classes.len()],
            open: vec![0; plan.classes.len().div_ceil(64)],
            hands: Vec::new(),
            until: Vec::new(),
            ended: Vec::new(),
            taken: None,
        }
    }

    /// Plays a run in which each piece takes as long as `hours` says.
    pub fn play(&mut self, hours: &[f64]) {
        self.begin(hours);
        let mut now = 0.0;
        loop {
            self.end_all(now);
            self.dispatch(now);
            let next = self.until.iter().fold(NEVER, |next, &until| next.min(until));
            if next == NEVER {
                return;
            }
            for who in 0..self.until.len() {
                if self.until[who] == next {
                    self.lay_down(who);
                }
            }
            now = f64::from_bits(next);
        }
    }

    fn begin(&mut self, hours: &[f64]) {
        let (work, workers) = (self.plan.work, self.plan.work.workers.len());
        self.hands.clear();
        self.hands.resize(workers, IDLE);
        self.until.clear();
        self.until.resize(workers, NEVER);
        self.ready.iter_mut().for_each(Ready::clear);
        self.open.fill(0);
        self.idle.iter_mut().zip(&self.plan.classes).for_each(|(idle, class)| *idle = class.len() as u32);
        for ((state, &hours), piece) in self.states.iter_mut().zip(hours).zip(&work.pieces) {
            (state.hours, state.open, state.link) = (hours, piece.needs.len() as u32, NONE);
        }
        for (at, _) in work.pieces.iter().enumerate().filter(|(_, piece)| piece.needs.is_empty()) {
            self.release(at as u32, 0.0, NONE);
        }
    }

    /// A piece's needs are done; `last` was the last of them.
    fn release(&mut self, piece: u32, now: f64, last: u32) {
        let state = &mut self.states[piece as usize];
        (state.time, state.link) = (now, last);
        match state.class {
            NONE => self.ended.push(piece),
            class => {
                self.ready[class as usize].put(state.rank, state.hours);
                self.open_or_not(class as usize);
            }
        }
    }

    /// Notes whether a piece of a class is ready and somebody of it has nothing to do.
    fn open_or_not(&mut self, class: usize) {
        let is_open = self.idle[class] > 0 && self.ready[class].first != NONE;
        let word = &mut self.open[class / 64];
        *word = (*word & !(1 << (class % 64))) | (u64::from(is_open) << (class % 64));
    }

    /// Ends pieces, and releases what needs them.
    fn end_all(&mut self, now: f64) {
        while let Some(piece) = self.ended.pop() {
            let state = &mut self.states[piece as usize];
            (state.time, state.open) = (now, DONE);
            let plan = self.plan;
            let after = plan.starts[piece as usize] as usize..plan.starts[piece as usize + 1] as usize;
            for &next in &plan.after[after] {
                let open = &mut self.states[next as usize].open;
                *open -= 1;
                if *open == 0 {
                    self.release(next, now, piece);
                }
            }
        }
    }

    /// Gives pieces to whoever is free: again and again the first in order of priority that somebody takes.
    fn dispatch(&mut self, now: f64) {
        while let Some((class, who, done)) = self.next(now) {
            self.take(who, class, now, done);
        }
    }

    /// The class of the first ready piece that somebody free takes, who does, and when it will be done: of several the one who is
    /// done first.
    fn next(&self, now: f64) -> Option<(usize, usize, f64)> {
        let mut from = 0;
        loop {
            let mut first = (NONE, 0);
            for (at, &word) in self.open.iter().enumerate() {
                let mut word = word;
                while word != 0 {
                    let class = at * 64 + word.trailing_zeros() as usize;
                    word &= word - 1;
                    let rank = self.ready[class].first;
                    if from <= rank && rank < first.0 {
                        first = (rank, class);
                    }
                }
            }
            let (rank, class) = first;
            if rank == NONE {
                return None;
            }
            let hours = self.states[self.plan.by_rank[rank as usize] as usize].hours;
            let mut soonest: Option<(usize, f64)> = None;
            for &who in self.plan.classes[class].iter().filter(|&&who| self.hands[who].piece == NONE) {
                if let Some(done) = self.would_take(who, class, hours, now)
                    && soonest.is_none_or(|(_, first)| done < first)
                {
                    soonest = Some((who, done));
                }
            }
            if let Some((who, done)) = soonest {
                return Some((class, who, done));
            }
            // Nobody free takes that one: whoever is better at it is busy.
            from = rank + 1;
        }
    }

    /// When somebody would be done with the first ready piece of a class, of so many hours; none when it is left to another.
    fn would_take(&self, who: usize, class: usize, hours: f64, now: f64) -> Option<f64> {
        let workers = &self.plan.work.workers;
        let done = workers[who].calendar.finish(now, hours);
        if done == f64::INFINITY {
            return None;
        }
        let all = (self.ready[class].hours - hours).max(0.0) + hours;
        // Seldom is anybody quick enough to be asked one by one, and of these anybody near enough to be asked for the day.
        if now + all / self.plan.peaks[class] >= done {
            return Some(done);
        }
        let is_sooner = |&other: &usize| {
            let hand = &self.hands[other];
            let from = if hand.piece == NONE { now } else { hand.free };
            let is_near = from + workers[other].calendar.least(all) < done;
            other != who && is_near && workers[other].calendar.finish(from, all) < done
        };
        (!self.plan.classes[class].iter().any(is_sooner)).then_some(done)
    }

    fn take(&mut self, who: usize, class: usize, now: f64, done: f64) {
        let piece = self.plan.by_rank[self.ready[class].first as usize];
        let state = &mut self.states[piece as usize];
        self.ready[class].pop(state.hours);
        let hand = &mut self.hands[who];
        // It waited for whoever does it, or for what it needs, whichever was later.
        if hand.last != NONE && hand.free > state.time {
            state.link = hand.last;
        }
        (hand.piece, hand.free, self.until[who]) = (piece, done, done.to_bits());
        if let Some(taken) = &mut self.taken {
            taken.push(Taken { piece, who, from: now });
        }
        for &class in &self.plan.classes_of[who] {
            self.idle[class] -= 1;
            self.open_or_not(class);
        }
    }

    /// Somebody is done with what was under way.
    fn lay_down(&mut self, who: usize) {
        let hand = &mut self.hands[who];
        self.ended.push(hand.piece);
        (hand.last, hand.piece, self.until[who]) = (hand.piece, NONE, NEVER);
        for &class in &self.plan.classes_of[who] {
            self.idle[class] += 1;
            self.open_or_not(class);
        }
    }

    /// Of the pieces that are asked for the one that was done last, and when. Infinite when something never is.
    pub fn end(&self) -> (f64, Option<u32>) {
        let mut last = (0.0, None);
        for (i, (state, piece)) in self.states.iter().zip(&self.plan.work.pieces).enumerate() {
            let done = state.done();
            if piece.asked && (done > last.0 || last.1.is_none()) {
                last = (done, Some(i as u32));
            }
        }
        last
    }

    /// Calls `visit` with each piece of the chain that held the end up, the last one first, and the days that it took of it.
    pub fn chain(&self, mut visit: impl FnMut(u32, f64)) {
        let (end, last) = self.end();
        let mut at = last.filter(|_| end.is_finite());
        while let Some(piece) = at {
            let state = &self.states[piece as usize];
            let link = state.link;
            let from = if link == NONE { 0.0 } else { self.states[link as usize].time };
            visit(piece, state.time - from);
            at = (link != NONE).then_some(link);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    proptest::proptest! {
        /// As a set that is kept in order.
        #[test]
        fn the_first_of_what_is_ready_is_the_first(
            ranks in proptest::collection::vec(0u32..20_000, 1..300), pops in proptest::collection::vec(0usize..4, 300)
        ) {
            let (mut ready, mut set) = (Ready::new(20_000), BTreeSet::new());
            for (rank, pops) in ranks.into_iter().zip(pops) {
                if set.insert(rank) {
                    ready.put(rank, 1.0);
                }
                for _ in 0..pops {
                    if set.pop_first().is_some() {
                        ready.pop(1.0);
                    }
                }
                proptest::prop_assert_eq!(ready.first, set.first().copied().unwrap_or(NONE));
                proptest::prop_assert_eq!(ready.hours, set.len() as f64);
            }
        }
    }
}
