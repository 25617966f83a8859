//! Black frames and how long they last.
//!
//! Knows the share of black and the mean light of frames. Does not know why a film is black there.

use crate::base::frames::FrameRange;

use super::finding::{Finding, Kind, Weight};
use super::look::Look;
use super::rules::Rules;

/// Mean light (white at 1) of a neighbour below which black may be the end of a fade; it is about a tenth of the signal.
const DIM: f64 = 0.005;

/// Follows black.
#[derive(Default)]
pub struct Black {
    /// The frames so far, and the light of the frame before them.
    open: Option<(FrameRange, Option<f64>)>,
    before: Option<f64>,
}

/// True when a frame counts as black.
pub fn is_black(look: &Look, rules: &Rules) -> bool {
    look.black >= rules.black_share()
}

impl Black {
    /// Takes in the next frame; `follows` is false after missing ones.
    pub fn take(
        &mut self,
        frame: i64,
        look: &Look,
        follows: bool,
        (rules, film): (&Rules, FrameRange),
        found: &mut Vec<Finding>,
    ) {
        if !follows {
            self.close(None, rules, film, found);
            self.before = None;
        }
        let mean = look.cells.mean();
        if !is_black(look, rules) {
            self.close(Some(mean), rules, film, found);
            self.before = Some(mean);
            return;
        }
        match &mut self.open {
            Some((frames, _)) => frames.last = frame,
            None => self.open = Some((FrameRange::one(frame), self.before)),
        }
    }

    /// The film is over.
    pub fn end(&mut self, rules: &Rules, film: FrameRange, found: &mut Vec<Finding>) {
        self.close(None, rules, film, found);
    }

    fn close(&mut self, after: Option<f64>, rules: &Rules, film: FrameRange, found: &mut Vec<Finding>) {
        let Some((frames, before)) = self.open.take() else { return };
        if rules.blacks.iter().any(|meant| meant.covers(frames)) {
            return;
        }
        let lit = |mean: Option<f64>| mean.is_some_and(|mean| mean > DIM);
        let weight = match () {
            // Head and tail are black as a rule.
            () if frames.first <= film.first || frames.last >= film.last => Weight::Hint,
            () if !lit(before) || !lit(after) => Weight::Hint,
            () if frames.len() as f64 <= rules.black_brief() => Weight::Fault,
            () => Weight::Suspect,
        };
        found.push(Finding {
            kind: Kind::Black,
            weight,
            frames,
            amount: frames.len() as f64,
            unit: "frames",
            limit: rules.black_brief(),
            place: None,
            shows: frames.first,
        });
    }
}
