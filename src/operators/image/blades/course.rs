//! A stage's rod as clashes look at it: when it moves or changes, and where its lit part is.
//!
//! Knows which changes can bring two rods together. Does not know what a clash is.

use super::clash::Course;
use super::lighting::Lit;
use crate::base::curve::Ease;
use crate::base::frames::FrameRange;
use crate::operators::shape::Pace;

/// A rod as far as meeting others goes.
pub fn course(lit: &Lit, frames: FrameRange) -> Course<'_> {
    let keys = &lit.rod.keys;
    let mut moves = [keys[0].0, keys[keys.len() - 1].0];
    if lit.rod.pace == Pace::Eased(Ease::Hold) {
        // A rod that jumps passes nothing in between, but its light may grow.
        moves[1] = moves[0];
    }
    if let Some(changes) = lit.look.changes() {
        moves = [moves[0].min(changes.first), moves[1].max(changes.last)];
    }
    if lit.rod.motion.is_some() {
        // What it follows may move at any time.
        moves = [i64::MIN / 2, i64::MAX / 2];
    }
    let far = |frame: i64| frame.clamp(frames.first - REACH, frames.last + REACH);
    let at = move |time: f64| {
        let shine = lit.look.at((time + 0.5).floor() as i64);
        let length = lit.look.length(time, (time + 0.5).floor() as i64);
        let [a, b, c, d] = lit.rod.at(time);
        (shine.light > 0.0 && length > 0.0).then_some([a, b, c, d, shine.width / 2.0, length])
    };
    Course { name: &lit.rod.name, moves: moves.map(far), at: Box::new(at) }
}

/// Frames before and after those that a stage is asked for in which clashes are looked for, so that keys far away cost
/// nothing. The longest burst lives 200.
const REACH: i64 = 240;
