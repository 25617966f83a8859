//! Whether work on frames is their first pass or rework, from what was done with them before.
//!
//! Knows that frames are finished once when a person's files came in or a person approved them. Does not know why they are
//! worked on again.

use std::collections::HashMap;

use jiff::Timestamp;

use crate::base::frames::FrameSet;
use crate::ledger::crew::Crew;
use crate::ledger::row::{Entry, Outcome, Round, What};

/// Who did it, of the taking in of a person's files.
const HANDS: &str = "hands";

/// When frames were finished, each for the first time.
#[derive(Debug, Default)]
pub struct Finished<'a> {
    /// By shot, then stage: rows in order of id.
    stages: HashMap<&'a str, HashMap<&'a str, Vec<&'a Entry>>>,
}

impl<'a> Finished<'a> {
    /// What these rows finished, which are in order of id.
    pub fn of(entries: &'a [Entry]) -> Self {
        let mut finished = Self::default();
        for entry in entries {
            let is_finished = match &entry.row.what {
                What::Delivery { .. } | What::Crew(Crew::Takeback { .. } | Crew::Approval { .. }) => true,
                // A person's files were taken in.
                What::Render(render) => &*entry.row.by == HANDS && render.outcome == Outcome::Done,
                _ => false,
            };
            if is_finished {
                let stages = finished.stages.entry(&entry.row.shot).or_default();
                stages.entry(&entry.row.stage).or_default().push(entry);
            }
        }
        finished
    }

    /// Rework when at least half of the frames had been finished once before that time. Evenings before the first return are a
    /// first pass all of them, and a few frames that were tried out before do not make the rest rework.
    pub fn round(&self, shot: &str, stage: &str, frames: &FrameSet, at: Timestamp) -> Round {
        let rows = self.stages.get(shot).and_then(|stages| stages.get(stage)).map_or(&[][..], Vec::as_slice);
        let mut done = FrameSet::new();
        for entry in rows.iter().filter(|entry| entry.row.when < at) {
            done.insert_all(&entry.row.frames);
        }
        let both = frames.meet(&done).len();
        if both > 0 && 2 * both >= frames.len() { Round::Rework } else { Round::First }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::tests::{entry, worked};

    #[test]
    fn work_after_most_frames_came_in_is_rework() {
        let set = |text: &str| text.parse::<FrameSet>().unwrap();
        let mut early = entry(1, "2026-11-20T10:00:00Z", worked("ana", 60, None, None));
        early.row.what = What::Delivery { note: "".into() };
        early.row.frames = set("1009-1012");
        let again = entry(2, "2026-11-21T10:00:00Z", Crew::Approval { digests: Vec::new(), note: "".into() });
        // Work alone finishes nothing.
        let evening = entry(3, "2026-11-19T10:00:00Z", worked("ana", 60, None, None));
        let entries = [evening, early, again];
        let finished = Finished::of(&entries);
        let round =
            |frames: &str, at: &str| finished.round("br030", "blades", &set(frames), at.parse().unwrap());
        assert_eq!(round("1009-1018", "2026-11-20T09:00:00Z"), Round::First);
        // Four of ten, then four of eight, then all.
        assert_eq!(round("1009-1018", "2026-11-20T11:00:00Z"), Round::First);
        assert_eq!(round("1009-1016", "2026-11-20T11:00:00Z"), Round::Rework);
        assert_eq!(round("1009-1018", "2026-11-21T11:00:00Z"), Round::Rework);
        assert_eq!(round("1040", "2026-11-21T11:00:00Z"), Round::First);
        assert_eq!(finished.round("br040", "blades", &set("1"), Timestamp::MAX), Round::First);
    }
}
