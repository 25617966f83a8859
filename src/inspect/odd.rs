//! A single frame unlike both its neighbours, which resemble each other: a wrong or stale frame between right ones.
//!
//! Knows the mean colours of cells of three frames. Does not know what the frames show.

use crate::base::frames::FrameRange;

use super::cells::{Grid, apart, hull};
use super::finding::{Finding, Kind, Weight};
use super::rules::Rules;

/// How much of a change may be left by the next frame for a place to have come back, and the share of the changed places
/// that must have come back: where something moves by, places stay changed.
const STANDS_OUT: (f32, f64) = (0.5, 0.7);
/// The same for the frames beside it: flicker in a shot that moves comes back less well, and must not pass for a single frame.
const FLICKERS: (f32, f64) = (0.9, 0.3);

/// Follows frames that stand out.
#[derive(Default)]
pub struct Odd {
    /// The last finding, and the frame it is about, until it is seen whether the next frame stands out as well.
    waiting: Option<Finding>,
    /// Whether the frame judged last may be part of flicker.
    before: bool,
}

impl Odd {
    /// Judges `frame`, the middle of three that follow each other.
    pub fn take(
        &mut self,
        frame: i64,
        grid: &Grid,
        tones: [&[[f32; 3]]; 3],
        rules: &Rules,
        found: &mut Vec<Finding>,
    ) {
        let seen = judge(frame, grid, tones, rules, STANDS_OUT);
        // Of frames that stand out in turns none is odd: that is flicker, and judged as such.
        let flickers = judge(frame, grid, tones, rules, FLICKERS).is_some();
        let waiting = self.waiting.take();
        if !flickers {
            found.extend(waiting);
        }
        self.waiting = seen.filter(|_| !self.before);
        self.before = flickers;
    }

    /// What follows does not go on from here.
    pub fn end(&mut self, found: &mut Vec<Finding>) {
        found.extend(self.waiting.take());
        self.before = false;
    }
}

fn judge(
    frame: i64,
    grid: &Grid,
    [before, here, after]: [&[[f32; 3]]; 3],
    rules: &Rules,
    (left, returned): (f32, f64),
) -> Option<Finding> {
    let limit = rules.odd_change() as f32;
    let mut changed = 0usize;
    let mut back = Vec::new();
    for i in 0..here.len() {
        let (there, away) = (apart(before[i], here[i]), apart(here[i], after[i]));
        changed += usize::from(there.max(away) >= limit);
        if there.min(away) >= limit && apart(before[i], after[i]) <= left * there.min(away) {
            back.push(i);
        }
    }
    let share = back.len() as f64 / here.len() as f64;
    if share < rules.odd_share() || (back.len() as f64) < returned * changed as f64 {
        return None;
    }
    let place = hull(grid.cells.0, back.into_iter()).map(|cells| grid.pixels(cells));
    Some(Finding {
        kind: Kind::Odd,
        weight: Weight::Suspect,
        frames: FrameRange::one(frame),
        amount: share,
        unit: "of the frame",
        limit: rules.odd_share(),
        place,
        shows: frame,
    })
}
