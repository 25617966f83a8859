//! Frames that repeat the one before: pictures that are frozen, and repeats inside motion.
//!
//! Knows how each frame differs from the one before it. Does not know pixels.

use crate::base::frames::FrameRange;

use super::cells::{Cells, Step};
use super::finding::{Finding, Kind, Weight};
use super::rules::Rules;

/// The longest row of repeats that is told as a repeat inside motion; a longer one is a picture held for a while.
const SHORT: usize = 4;
/// How far the movement before and after may differ for repeats to lie inside one motion.
const ALIKE: f64 = 6.0;
/// How much smaller than the movement around it a repeat's own step must be.
const SMALLER: f64 = 0.25;
/// Repeats at even distances from which they are told as one.
const CADENCE: usize = 4;

/// How a frame differs from the one before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// No pixel differs.
    None,
    /// So much.
    Some(Step),
}

impl Change {
    /// The change of mean colours.
    pub fn means(&self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Some(step) => step.means,
        }
    }

    /// The change over the whole frame.
    pub fn all(&self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Some(step) => step.all,
        }
    }
}

/// A row of repeats under way.
struct Row {
    frames: FrameRange,
    exact: bool,
    largest: f64,
    /// The movement before it.
    before: Option<f64>,
    /// The frame that is repeated: slow fades must not pass for a frozen picture.
    first: (Cells, Vec<[f32; 3]>),
}

/// Follows repeats.
#[derive(Default)]
pub struct Repeats {
    open: Option<Row>,
    before: Option<f64>,
    /// Repeats inside motion, not grouped yet.
    short: Vec<Finding>,
}

impl Repeats {
    /// Takes in how `frame` differs from the one before, whose cells are `last`; `here` are its own.
    pub fn take(
        &mut self,
        frame: i64,
        change: Change,
        last: (&Cells, &[[f32; 3]]),
        here: (&Cells, &[[f32; 3]]),
        rules: &Rules,
        found: &mut Vec<Finding>,
    ) {
        let near = |step: &Step| step.all <= rules.alike() && step.worst <= rules.alike_place();
        let is_repeat = match (&change, &self.open) {
            (Change::None, _) => true,
            (Change::Some(step), None) => near(step),
            (Change::Some(step), Some(row)) => {
                near(step) && near(&row.first.0.step(&row.first.1, here.0, here.1))
            }
        };
        let all = change.all();
        if !is_repeat {
            self.close(Some(all), rules, found);
            self.before = Some(all);
            return;
        }
        let before = self.before;
        let row = self.open.get_or_insert_with(|| Row {
            frames: FrameRange::one(frame),
            exact: true,
            largest: 0.0,
            before,
            first: (last.0.clone(), last.1.to_vec()),
        });
        row.frames.last = frame;
        row.exact &= change == Change::None;
        row.largest = row.largest.max(all);
    }

    /// What follows does not go on from here.
    pub fn part(&mut self, rules: &Rules, found: &mut Vec<Finding>) {
        self.close(None, rules, found);
        self.before = None;
    }

    /// The film is over.
    pub fn end(mut self, rules: &Rules, found: &mut Vec<Finding>) {
        self.part(rules, found);
        found.extend(grouped(self.short));
    }

    fn close(&mut self, after: Option<f64>, rules: &Rules, found: &mut Vec<Finding>) {
        let Some(row) = self.open.take() else { return };
        let count = row.frames.len();
        let held = FrameRange::new(row.frames.first - 1, row.frames.last);
        if rules.stills.iter().any(|still| still.covers(held)) {
            return;
        }
        if held.len() as f64 >= rules.frozen() {
            let weight = if row.exact { Weight::Suspect } else { Weight::Hint };
            found.push(finding(Kind::Frozen { exact: row.exact }, weight, held, held.len(), rules.frozen()));
            return;
        }
        let (Some(before), Some(after)) = (row.before, after) else { return };
        let (least, most) = (before.min(after), before.max(after));
        let inside = least >= rules.moving() && most <= ALIKE * least && row.largest <= SMALLER * least;
        if inside && count <= SHORT {
            let kind = Kind::Repeat { exact: row.exact };
            self.short.push(finding(kind, Weight::Suspect, row.frames, count, 0.0));
        }
    }
}

fn finding(kind: Kind, weight: Weight, frames: FrameRange, amount: usize, limit: f64) -> Finding {
    Finding {
        kind,
        weight,
        frames,
        amount: amount as f64,
        unit: "frames",
        limit,
        place: None,
        shows: frames.first,
    }
}

/// Puts repeats at even distances together.
fn grouped(short: Vec<Finding>) -> Vec<Finding> {
    let mut out = Vec::new();
    let mut at = 0;
    while at < short.len() {
        let every = short.get(at + 1).map_or(0, |next| next.frames.first - short[at].frames.first);
        let follows = |pair: &[Finding]| pair[1].frames.first - pair[0].frames.first == every;
        let count = 1 + short[at..].windows(2).take_while(|pair| follows(pair)).count();
        if count >= CADENCE {
            let frames = short[at].frames.hull(short[at + count - 1].frames);
            out.push(finding(Kind::Cadence { every }, Weight::Suspect, frames, count, 0.0));
            at += count;
        } else {
            out.push(short[at].clone());
            at += 1;
        }
    }
    out
}
