//! What is said of a fill that does not show the whole hole, or none of it.
//!
//! Knows words. Does not know how a hole is filled.

use super::Fill;
use super::seam::Role;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Span};
use crate::operators::OperatorError;

/// The problem, if any, that a clean plate has not a frame that is asked of it.
pub fn lacking(still: Option<i64>, frames: FrameRange, has: FrameRange, span: Span) -> Option<Problem> {
    let asked = |n: i64| still.unwrap_or(n);
    let missing = frames.iter().map(asked).find(|&n| !has.covers(FrameRange::one(n)))?;
    let problem = Problem::error(span, format!("the clean plate has no frame {missing}"));
    Some(problem.help(format!("it has {has}; clean_frame: {} shows one of them throughout", has.first)))
}

/// What is said of a hole that is not shown throughout by what it is to be filled from.
pub fn unseen(fill: Fill, roles: &[Role], seen: &[bool]) -> Option<String> {
    let shown = match fill {
        Fill::Clean => "the clean plate nowhere",
        Fill::Time => "no frame within reach",
        Fill::Around => return None,
    };
    let hole = || (0..roles.len()).filter(|&at| roles[at] == Role::Hole);
    let (all, unseen) = (hole().count(), hole().filter(|&at| !seen[at]).count());
    (unseen > 0).then(|| {
        format!("{shown} shows {unseen} of the hole's {all} pixels, which are filled in from around")
    })
}

/// The error of a hole for which there is nothing to fill it from; `matte` is that of a frame of this size.
pub fn bare(fill: Fill, matte: &[f32], (width, height): (usize, usize)) -> OperatorError {
    let hole = matte.iter().filter(|&&share| share > 0.0).count();
    let way_on = match fill {
        Fill::Around => "or fill it from a clean plate (fill: clean) or from other frames (fill: time)",
        Fill::Clean | Fill::Time => "or give it a clean plate or a reach that shows all of it",
    };
    OperatorError::WrongInput(format!(
        "nothing is left to fill the hole from: its matte covers {hole} of the frame's {} pixels, and no picture that is \
         neither covered nor held out borders on it; connect a matte of what must go alone, such as roto.NAME, {way_on}",
        width * height
    ))
}
