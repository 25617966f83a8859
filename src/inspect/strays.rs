//! A frame that breaks the movement around it: one from another moment of the same shot.
//!
//! Knows by how much frames differ from those one and two before. Does not know what they show.

use std::collections::VecDeque;

use crate::base::frames::FrameRange;

use super::finding::{Finding, Kind, Weight};
use super::rules::Rules;

/// How much less the frames on either side must differ from each other than from the one between them. Where something
/// moves on, they differ more.
const CLOSER: f64 = 0.6;

/// The least step of the cells' mean colours that can break a movement, white at 1.
const LEAST: f64 = 0.002;

/// How a frame differs from those before it.
struct Steps {
    frame: i64,
    /// From the one before.
    one: f64,
    /// From the one before that.
    two: Option<f64>,
}

/// Follows movement.
#[derive(Default)]
pub struct Strays {
    /// Up to four frames: the one before the judged one, that one, and two after it.
    past: VecDeque<Steps>,
}

impl Strays {
    /// Takes in by how much `frame` differs from the one before and, if there is one, from the one before that.
    pub fn take(&mut self, frame: i64, one: f64, two: Option<f64>, rules: &Rules, found: &mut Vec<Finding>) {
        if two.is_none() {
            self.past.clear();
        }
        self.past.push_back(Steps { frame, one, two });
        if self.past.len() == 3 && self.past[0].two.is_none() {
            // The second frame of a shot has none before it whose step could be compared.
            self.judge(None, 0, rules, found);
        }
        if self.past.len() == 4 {
            self.judge(Some(0), 1, rules, found);
            self.past.pop_front();
        }
    }

    /// What follows does not go on from here.
    pub fn end(&mut self, rules: &Rules, found: &mut Vec<Finding>) {
        if self.past.len() == 3 {
            self.judge(Some(0), 1, rules, found);
        }
        self.past.clear();
    }

    /// Judges the frame at place `at` by the steps into it and out of it, and by those before and after them.
    fn judge(&self, before: Option<usize>, at: usize, rules: &Rules, found: &mut Vec<Finding>) {
        let (here, next) = (&self.past[at], &self.past[at + 1]);
        let least = here.one.min(next.one);
        // Both sides must be calm: where flicker sets in, one of them is.
        let around = before.into_iter().chain([at + 2]).filter_map(|i| self.past.get(i));
        let usual = around.map(|steps| steps.one).fold(0.0, f64::max).max(LEAST / rules.stray());
        let comes_back = next.two.is_some_and(|two| two <= CLOSER * least);
        if least < LEAST || !comes_back || least < rules.stray() * usual {
            return;
        }
        found.push(Finding {
            kind: Kind::Stray,
            weight: Weight::Suspect,
            frames: FrameRange::one(here.frame),
            amount: least / usual,
            unit: "times the movement beside it",
            limit: rules.stray(),
            place: None,
            shows: here.frame,
        });
    }
}
