//! Which renders people hold, from the hold and release rows.
//!
//! Knows that a later row wins frame by frame. Does not know whether a held render is stale.

use std::collections::{BTreeMap, HashMap};

use crate::base::digest::Digest;
use crate::base::frames::{FrameRange, FrameSet};
use crate::ledger::row::{Entry, What};

/// The holds in force.
#[derive(Debug, Default)]
pub struct Holds<'a> {
    /// By shot, then stage: runs by their first frame, with their last frame and the row.
    stages: HashMap<&'a str, HashMap<&'a str, Runs<'a>>>,
}

type Runs<'a> = BTreeMap<i64, (i64, &'a Entry)>;

impl<'a> Holds<'a> {
    /// The holds in force after these rows, which are in order of id.
    pub fn after(entries: &'a [Entry]) -> Self {
        let mut holds = Self::default();
        for entry in entries {
            let row = &entry.row;
            let held = match row.what {
                What::Hold { .. } => true,
                What::Release { .. } => false,
                _ => continue,
            };
            let runs = holds.stages.entry(&row.shot).or_default().entry(&row.stage).or_default();
            for &range in row.frames.runs() {
                cut_out(runs, range);
                if held {
                    runs.insert(range.first, (range.last, entry));
                }
            }
        }
        holds
    }

    /// The row that holds a frame.
    pub fn holding(&self, shot: &str, stage: &str, frame: i64) -> Option<&'a Entry> {
        let runs = self.stages.get(shot)?.get(stage)?;
        let (_, &(last, entry)) = runs.range(..=frame).next_back()?;
        (frame <= last).then_some(entry)
    }

    /// The digest of the render that is held, when the row names it.
    pub fn digest(&self, shot: &str, stage: &str, frame: i64) -> Option<Digest> {
        let row = &self.holding(shot, stage, frame)?.row;
        let What::Hold { digests, .. } = &row.what else { return None };
        let mut before = 0;
        for run in row.frames.runs() {
            if run.contains(frame) {
                return digests.get(before + (frame - run.first) as usize).copied();
            }
            before += run.len();
        }
        None
    }

    /// The digests of all renders that are held, of whatever shots and stages.
    pub fn digests(&self) -> impl Iterator<Item = Digest> + '_ {
        let stages =
            self.stages.iter().flat_map(|(shot, stages)| stages.keys().map(move |stage| (*shot, *stage)));
        stages.flat_map(move |(shot, stage)| {
            let frames = self.frames(shot, stage);
            let frames: Vec<i64> = frames.iter().collect();
            frames.into_iter().filter_map(move |frame| self.digest(shot, stage, frame))
        })
    }

    /// All frames held of a stage.
    pub fn frames(&self, shot: &str, stage: &str) -> FrameSet {
        let mut set = FrameSet::new();
        for (&first, &(last, _)) in
            self.stages.get(shot).and_then(|shot| shot.get(stage)).into_iter().flatten()
        {
            set.insert_range(FrameRange::new(first, last));
        }
        set
    }
}

/// Takes a range of frames out of the runs, keeping what stands out on either side.
fn cut_out(runs: &mut Runs<'_>, range: FrameRange) {
    while let Some((&first, &(last, entry))) = runs.range(..=range.last).next_back() {
        if last < range.first {
            break;
        }
        runs.remove(&first);
        if last > range.last {
            runs.insert(range.last + 1, (last, entry));
        }
        if first < range.first {
            runs.insert(first, (range.first - 1, entry));
            break;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::ledger::id::RowId;
    use crate::ledger::row::Row;

    fn entry(n: u128, frames: &str, what: What) -> Entry {
        let row = Row {
            when: "2026-02-03T20:15:00Z".parse().unwrap(),
            film: "The Brine Lamp".into(),
            shot: "br030".into(),
            stage: "blades".into(),
            frames: frames.parse().unwrap(),
            by: "ana".into(),
            what,
        };
        Entry { id: RowId(n), writer: "ana".into(), row }
    }

    fn hold(digests: Vec<Digest>) -> What {
        What::Hold { digests, note: "".into() }
    }

    #[test]
    fn the_later_row_wins_frame_by_frame() {
        let digests = vec![Digest::of(b"a"), Digest::of(b"b"), Digest::of(b"c")];
        let note: Arc<str> = "".into();
        let entries = [
            entry(1, "1009-1030", hold(Vec::new())),
            entry(2, "1012-1014,1040", What::Release { note }),
            entry(3, "1013,1020-1021", hold(digests.clone())),
        ];
        let holds = Holds::after(&entries);
        assert_eq!(holds.frames("br030", "blades").to_string(), "1009-1011,1013,1015-1030");
        assert_eq!(holds.frames("br030", "colour"), FrameSet::new());
        assert_eq!(holds.holding("br030", "blades", 1025).unwrap().id, RowId(1));
        assert_eq!(holds.holding("br030", "blades", 1014), None);
        assert_eq!(holds.digest("br030", "blades", 1021), Some(digests[2]));
        assert_eq!(holds.digest("br030", "blades", 1025), None);
        // Of the older row that names no digests there are none.
        let held: Vec<Digest> = holds.digests().collect();
        assert_eq!(held, digests);
        let all = [
            entry(1, "1009-1030,1050", hold(Vec::new())),
            entry(2, "1000-2000", What::Release { note: "".into() }),
        ];
        assert!(Holds::after(&all).frames("br030", "blades").is_empty());
    }
}
