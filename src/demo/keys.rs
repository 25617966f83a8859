//! Keyframes as a careful person would set them: few, and where a holdout comes and goes.
//!
//! Knows how few keys keep corners within a pixel or so of where they are. Does not know the text of shapes files.

use super::outline::{Figure, Part, Spot, Stand};
use crate::base::frames::FrameRange;

/// Furthest that a corner of a holdout may lie from a straight move between keys, in pixels.
pub const HOLDOUT_SLACK: f32 = 1.3;

/// A keyed outline: a name, and corners at frames.
pub struct Keyed {
    /// What it is of.
    pub name: String,
    /// Corners by frame.
    pub keys: Vec<(i64, Vec<Spot>)>,
}

/// A holdout that is there while its part stands before a pole, and has no area otherwise.
pub fn holdout(frames: FrameRange, figures: &[Figure], name: &str, part: &Part) -> Option<Keyed> {
    let stands: Vec<Stand> = figures.iter().map(|figure| figure.stands(part)).collect();
    let outline = |i: usize| figures[i].held::<10>(part).to_vec();
    let mut keys: Vec<(i64, Vec<Spot>)> = vec![];
    for (first, last) in runs(&stands) {
        let outlines: Vec<Vec<Spot>> = (first..=last).map(outline).collect();
        let start = frames.first + first as i64;
        if first > 0 && keys.last().is_none_or(|(frame, _)| *frame < start - 1) {
            keys.push((start - 1, collapsed(&outlines[0])));
        }
        keys.extend(thinned(start, &outlines, HOLDOUT_SLACK, f32::INFINITY));
        if last + 1 < figures.len() {
            keys.push((frames.first + last as i64 + 1, collapsed(&outlines[last - first])));
        }
    }
    (!keys.is_empty()).then(|| Keyed { name: name.into(), keys })
}

/// The frames, by index, on which a part is held out: those on which it stands before a pole, and one to either side where it
/// lies over none, so that it is whole while the shutter is open. Runs that nearly meet are one where nothing speaks against it:
/// a collapse between them would only cost keys.
fn runs(stands: &[Stand]) -> Vec<(usize, usize)> {
    let mut runs: Vec<(usize, usize)> = vec![];
    for i in (0..stands.len()).filter(|&i| stands[i] == Stand::Before) {
        let free = |i: usize| stands.get(i) == Some(&Stand::Aside);
        let first = if i > 0 && free(i - 1) { i - 1 } else { i };
        let last = if free(i + 1) { i + 1 } else { i };
        match runs.last_mut() {
            Some(run) if first <= run.1 + 3 && !stands[run.1..first.max(run.1)].contains(&Stand::Behind) => {
                run.1 = last;
            }
            _ => runs.push((first, last)),
        }
    }
    runs
}

/// The outline drawn together into its middle: an outline of no area.
fn collapsed(outline: &[Spot]) -> Vec<Spot> {
    let count = outline.len() as f32;
    let sum = outline.iter().fold((0.0, 0.0), |sum, p| (sum.0 + p.0, sum.1 + p.1));
    vec![(sum.0 / count, sum.1 / count); outline.len()]
}

/// The fewest keys, found from the first frame on, between which straight moves keep every
/// corner within `slack` of where it is on every frame, and within `bend` a frame before and after.
pub fn thinned(first: i64, frames: &[Vec<Spot>], slack: f32, bend: f32) -> Vec<(i64, Vec<Spot>)> {
    let mut kept = vec![0];
    while let Some(&from) = kept.last()
        && from + 1 < frames.len()
    {
        let mut to = from + 1;
        while to + 1 < frames.len() && straight(frames, from, to + 1, slack, bend) {
            to += 1;
        }
        kept.push(to);
    }
    kept.into_iter().map(|i| (first + i as i64, frames[i].clone())).collect()
}

/// Whether every corner stays within `slack` of the straight move between two frames, and within `bend` of its going on
/// to the frames beside them.
fn straight(frames: &[Vec<Spot>], from: usize, to: usize, slack: f32, bend: f32) -> bool {
    let looked_at = from.saturating_sub(1)..(to + 2).min(frames.len());
    looked_at.filter(|&i| i != from && i != to).all(|i| {
        let slack = if (from..to).contains(&i) { slack } else { bend };
        let u = (i as f32 - from as f32) / (to - from) as f32;
        frames[i].iter().zip(frames[from].iter().zip(&frames[to])).all(|(p, (a, b))| {
            let (dx, dy) = (a.0 + (b.0 - a.0) * u - p.0, a.1 + (b.1 - a.1) * u - p.1);
            dx * dx + dy * dy <= slack * slack
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_few_on_a_straight_move_and_close_on_a_bent_one() {
        let line: Vec<Vec<Spot>> = (0..20).map(|i| vec![(i as f32 * 3.0, 5.0)]).collect();
        assert_eq!(thinned(1001, &line, 0.5, 3.0).len(), 2);
        let bent: Vec<Vec<Spot>> = (0..20).map(|i| vec![((i * i) as f32 * 0.5, 5.0)]).collect();
        let keys = thinned(1001, &bent, 0.5, f32::INFINITY);
        assert!(keys.len() > 4 && keys.len() < 20);
        assert_eq!((keys[0].0, keys[keys.len() - 1].0), (1001, 1020));
    }
}
