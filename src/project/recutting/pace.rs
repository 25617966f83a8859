//! How long a frame of a stage takes, as the ledger has measured it.
//!
//! The middle of what rows say (the median, each row weighed by its frames), so that one bad evening does not count for much: of
//! the shot's own stage, else of that stage in all shots, else of all stages of the same operator. Knows rows. Guesses nothing:
//! what was never measured has no pace.

use std::collections::HashMap;
use std::sync::Arc;

use crate::crew::times::Times;
use crate::ledger::row::{Entry, Outcome, PASSED_ON, What};

/// Seconds a frame, and how many frames that rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace {
    /// Seconds a frame.
    pub seconds: f64,
    /// Frames that were measured.
    pub frames: usize,
}

/// Where something was measured.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
enum Of {
    /// A stage of a shot.
    Place(Arc<str>, Arc<str>),
    /// A stage of all shots.
    Stage(Arc<str>),
    /// An operator.
    Kind(Arc<str>),
}

/// Seconds a frame and frames, row by row.
type Rows = HashMap<Of, Vec<(f64, usize)>>;

/// All that was measured.
#[derive(Debug, Default)]
pub struct Paces {
    machines: Rows,
    hands: Rows,
}

impl Paces {
    /// As these rows have it.
    pub fn of(entries: &[Entry]) -> Self {
        let mut paces = Self::default();
        for row in entries.iter().map(|entry| &entry.row) {
            let What::Render(render) = &row.what else { continue };
            if render.outcome != Outcome::Done || row.frames.is_empty() || &*row.by == PASSED_ON {
                continue;
            }
            let one = (render.wall.as_secs_f64() / row.frames.len() as f64, row.frames.len());
            let place = Of::Place(row.shot.clone(), row.stage.clone());
            for of in [place, Of::Stage(row.stage.clone()), Of::Kind(row.by.clone())] {
                paces.machines.entry(of).or_default().push(one);
            }
        }
        // Time of one person on the same frames adds up: a frame is done when all of it is spent.
        let mut sums: HashMap<(Arc<str>, Arc<str>), (f64, crate::base::frames::FrameSet)> = HashMap::new();
        let times = Times::of(entries);
        for work in times.counted() {
            let row = &work.entry.row;
            let (seconds, frames) = sums.entry((row.shot.clone(), row.stage.clone())).or_default();
            *seconds += work.took.as_secs_f64();
            row.frames.runs().iter().for_each(|&run| frames.insert_range(run));
        }
        for ((shot, stage), (seconds, frames)) in sums {
            let one = (seconds / frames.len().max(1) as f64, frames.len());
            for of in [Of::Place(shot, stage.clone()), Of::Stage(stage)] {
                paces.hands.entry(of).or_default().push(one);
            }
        }
        paces
    }

    /// Of a machine at a stage that `kind` makes.
    pub fn machine(&self, shot: &str, stage: &str, kind: &str) -> Option<Pace> {
        let of = [Of::Place(shot.into(), stage.into()), Of::Stage(stage.into()), Of::Kind(kind.into())];
        // What one command takes says nothing of another.
        let known = if kind == "command" { &of[..2] } else { &of[..] };
        known.iter().find_map(|of| middle(self.machines.get(of)?))
    }

    /// Of people at a stage that is made by hand.
    pub fn hands(&self, shot: &str, stage: &str) -> Option<Pace> {
        let of = [Of::Place(shot.into(), stage.into()), Of::Stage(stage.into())];
        of.iter().find_map(|of| middle(self.hands.get(of)?))
    }
}

/// The median, each row weighed by its frames.
fn middle(rows: &[(f64, usize)]) -> Option<Pace> {
    let mut rows = rows.to_vec();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let frames_of_all: usize = rows.iter().map(|(_, frames)| frames).sum();
    let mut before = 0;
    let at = rows.iter().find(|(_, frames)| {
        before += frames;
        2 * before >= frames_of_all
    });
    at.map(|&(seconds, _)| Pace { seconds, frames: frames_of_all })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_bad_evening_does_not_count_for_much() {
        let pace = middle(&[(2.0, 10), (900.0, 3), (1.0, 8), (2.5, 4)]).unwrap();
        assert_eq!((pace.seconds, pace.frames), (2.0, 25));
        assert!(middle(&[]).is_none());
        assert_eq!(middle(&[(7.0, 1)]).unwrap().seconds, 7.0);
    }
}
