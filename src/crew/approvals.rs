//! Which renders people approve, from the rows that approve and those that take it back.
//!
//! Knows who approved which pixels of which frame, and what holds of that when frames look as they do now. Does not know how
//! they look: callers say so.

use std::collections::{BTreeMap, HashMap};

use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::ledger::crew::Crew;
use crate::ledger::row::{Entry, What};

/// An approval, as far as it was not taken back.
#[derive(Clone, Debug)]
pub struct Approved<'a> {
    /// Its row. `Row::by` is the person who approves.
    pub entry: &'a Entry,
    /// Its frames that nobody took back and the same person did not approve anew.
    pub frames: FrameSet,
    /// Its frames that nobody took back.
    kept: FrameSet,
}

impl Approved<'_> {
    /// The pixels that were approved at a frame.
    pub fn digest(&self, frame: i64) -> Option<Digest> {
        let What::Crew(Crew::Approval { digests, .. }) = &self.entry.row.what else { return None };
        let mut before = 0;
        for run in self.entry.row.frames.runs() {
            if run.contains(frame) {
                return digests.get(before + (frame - run.first) as usize).copied();
            }
            before += run.len();
        }
        None
    }

    /// What the person said.
    pub fn words(&self) -> &str {
        words(self.entry)
    }
}

fn words(entry: &Entry) -> &str {
    match &entry.row.what {
        What::Crew(Crew::Approval { note, .. }) => note,
        _ => "",
    }
}

/// How a frame looks now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Present {
    /// Its render matches the declaration, and has these pixels.
    Fresh(Digest),
    /// There is a render with these pixels, of something that the declaration no longer says.
    Last(Digest),
    /// The film has the frame, and no render of it.
    Absent,
    /// The film has no such frame.
    Gone,
}

/// What an approval is worth now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// The frame shows the pixels that were approved.
    InForce,
    /// The frame is stale, whatever it shows: a rebuild decides. It may have been approved as it will be, by somebody who rendered it.
    InDoubt,
    /// The frame shows other pixels.
    Lapsed,
    /// There is no render, or no such frame any more.
    Lost,
}

/// Frames of one approval that stand alike.
#[derive(Clone, Debug)]
pub struct Part<'a> {
    /// The approval.
    pub entry: &'a Entry,
    /// What it is worth.
    pub standing: Standing,
    /// On these frames.
    pub frames: FrameSet,
}

impl<'a> Part<'a> {
    /// What the person said.
    pub fn words(&self) -> &'a str {
        words(self.entry)
    }
}

/// All approvals that were not taken back.
#[derive(Debug, Default)]
pub struct Approvals<'a> {
    /// By shot, then stage, in order of rows.
    stages: HashMap<&'a str, HashMap<&'a str, Vec<Approved<'a>>>>,
}

impl<'a> Approvals<'a> {
    /// The approvals after these rows, which are in order of id. Whoever takes back an approval takes back everyone's of these
    /// frames; a person's later approval takes the place of the same person's earlier one.
    pub fn after(entries: &'a [Entry]) -> Self {
        let mut approvals = Self::default();
        for entry in entries {
            let row = &entry.row;
            let is_given = match &row.what {
                // A row without digests pins nothing.
                What::Crew(Crew::Approval { digests, .. }) if digests.is_empty() => continue,
                What::Crew(Crew::Approval { .. }) => true,
                What::Crew(Crew::Withdrawal { .. }) => false,
                _ => continue,
            };
            let all = approvals.stages.entry(&row.shot).or_default().entry(&row.stage).or_default();
            for earlier in all.iter_mut() {
                if !is_given {
                    earlier.kept = earlier.kept.without(&row.frames);
                    earlier.frames = earlier.frames.without(&row.frames);
                } else if earlier.entry.row.by == row.by {
                    earlier.frames = earlier.frames.without(&row.frames);
                }
            }
            all.retain(|earlier| !earlier.kept.is_empty());
            if is_given {
                all.push(Approved { entry, frames: row.frames.clone(), kept: row.frames.clone() });
            }
        }
        approvals
    }

    /// The approvals of a stage, in order of rows.
    pub fn of(&self, shot: &str, stage: &str) -> &[Approved<'a>] {
        self.stages.get(shot).and_then(|stages| stages.get(stage)).map_or(&[], Vec::as_slice)
    }

    /// Shots and stages that have approvals, in order of name.
    pub fn stages(&self) -> impl Iterator<Item = (&'a str, &'a str)> {
        let all: BTreeMap<(&str, &str), ()> = (self.stages.iter())
            .flat_map(|(shot, stages)| {
                stages.iter().filter(|(_, all)| !all.is_empty()).map(|(stage, _)| ((*shot, *stage), ()))
            })
            .collect();
        all.into_keys()
    }

    /// What the approvals of a stage are worth when its frames look as `present` says: parts in order of rows, of each first what
    /// holds. A frame that some approval holds for is left out of the parts that no longer hold, as it was approved as it is.
    pub fn parts(&self, shot: &str, stage: &str, present: &dyn Fn(i64) -> Present) -> Vec<Part<'a>> {
        let all = self.of(shot, stage);
        let mut best: HashMap<i64, Standing> = HashMap::new();
        let mut judged: Vec<(usize, i64, Standing)> = Vec::new();
        for (at, approved) in all.iter().enumerate() {
            for frame in approved.frames.iter() {
                let standing = judge(approved.digest(frame), present(frame));
                best.entry(frame).and_modify(|b| *b = (*b).min(standing)).or_insert(standing);
                judged.push((at, frame, standing));
            }
        }
        let mut parts: BTreeMap<(usize, Standing), FrameSet> = BTreeMap::new();
        for (at, frame, standing) in judged {
            if standing <= Standing::InDoubt || best.get(&frame) == Some(&standing) {
                parts.entry((at, standing)).or_default().insert(frame);
            }
        }
        let part = |((at, standing), frames): ((usize, Standing), FrameSet)| Part {
            entry: all[at].entry,
            standing,
            frames,
        };
        parts.into_iter().map(part).collect()
    }

    /// The pixels of everything that was approved and not taken back, also of what lapsed: going back to it must stay possible.
    pub fn digests(&self) -> impl Iterator<Item = Digest> + '_ {
        let all = self.stages.values().flat_map(HashMap::values).flatten();
        all.flat_map(|approved| approved.kept.iter().filter_map(|frame| approved.digest(frame)))
    }
}

/// What an approval of these pixels is worth when the frame looks so.
fn judge(approved: Option<Digest>, present: Present) -> Standing {
    match present {
        Present::Fresh(pixels) if Some(pixels) == approved => Standing::InForce,
        Present::Fresh(_) => Standing::Lapsed,
        Present::Last(_) => Standing::InDoubt,
        Present::Absent | Present::Gone => Standing::Lost,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::tests::entry;

    const WHEN: &str = "2026-11-20T10:00:00Z";

    fn pixels(n: i64) -> Digest {
        Digest::of(&n.to_be_bytes())
    }

    /// A person's approval of frames that look like their numbers, `off` aside.
    fn approval(n: u128, by: &str, frames: &str, off: i64) -> Entry {
        let frames: FrameSet = frames.parse().unwrap();
        let digests = frames.iter().map(|frame| pixels(frame + off)).collect();
        let mut made = entry(n, WHEN, Crew::Approval { digests, note: "good".into() });
        (made.row.by, made.row.frames) = (by.into(), frames);
        made
    }

    fn withdrawal(n: u128, by: &str, frames: &str) -> Entry {
        let mut made = entry(n, WHEN, Crew::Withdrawal { note: "".into() });
        (made.row.by, made.row.frames) = (by.into(), frames.parse().unwrap());
        made
    }

    fn parts(entries: &[Entry], present: &dyn Fn(i64) -> Present) -> Vec<(u128, Standing, String)> {
        let parts = Approvals::after(entries).parts("br030", "blades", present);
        parts.into_iter().map(|part| (part.entry.id.0, part.standing, part.frames.to_string())).collect()
    }

    #[test]
    fn an_approval_holds_for_the_pixels_it_names_and_lapses_frame_by_frame() {
        let entries = [approval(1, "ana", "1009-1018", 0)];
        let present = |frame: i64| match frame {
            ..=1011 => Present::Fresh(pixels(frame)),
            1012 => Present::Fresh(pixels(7)),
            1013 => Present::Last(pixels(frame)),
            1014 => Present::Last(pixels(8)),
            1015 => Present::Absent,
            1018 => Present::Gone,
            _ => Present::Fresh(pixels(frame)),
        };
        use Standing::{InDoubt, InForce, Lapsed, Lost};
        let want = [
            (1, InForce, "1009-1011,1016-1017".to_string()),
            (1, InDoubt, "1013-1014".into()),
            (1, Lapsed, "1012".into()),
            (1, Lost, "1015,1018".into()),
        ];
        assert_eq!(parts(&entries, &present), want);
    }

    #[test]
    fn what_someone_approved_as_it_is_has_not_lapsed() {
        let present = |frame: i64| Present::Fresh(pixels(frame));
        let entries = [
            approval(1, "ana", "1009-1018", 500),
            approval(2, "tomas", "1012-1013", 0),
            // Of ana's own later approval the earlier one tells nothing more.
            approval(3, "ana", "1018", 0),
        ];
        let want = [
            (1, Standing::Lapsed, "1009-1011,1014-1017".to_string()),
            (2, Standing::InForce, "1012-1013".into()),
            (3, Standing::InForce, "1018".into()),
        ];
        assert_eq!(parts(&entries, &present), want);
        // Two people who approve the same pixels both stand there.
        let both = [approval(1, "ana", "1009", 0), approval(2, "tomas", "1009", 0)];
        assert_eq!(parts(&both, &present).len(), 2);
    }

    #[test]
    fn taking_back_ends_everyones_and_lets_go_of_the_pixels() {
        let entries = [
            approval(1, "ana", "1009-1012", 0),
            approval(2, "tomas", "1011-1014", 0),
            approval(3, "ana", "1009", 500),
            withdrawal(4, "tomas", "1011-1012,1020"),
        ];
        let approvals = Approvals::after(&entries);
        let mut kept: Vec<Digest> = approvals.digests().collect();
        let mut want: Vec<Digest> = [1009, 1010, 1013, 1014, 1509].map(pixels).to_vec();
        kept.sort_unstable();
        want.sort_unstable();
        // What ana approved of 1009 before she approved it anew is still kept.
        assert_eq!(kept, want);
        assert_eq!(approvals.of("br030", "blades")[0].frames.to_string(), "1010");
        assert_eq!(approvals.of("br030", "blades")[0].words(), "good");
        assert_eq!(approvals.stages().collect::<Vec<_>>(), [("br030", "blades")]);
        let all = [approval(1, "ana", "1009-1012", 0), withdrawal(2, "ana", "1000-2000")];
        assert_eq!(Approvals::after(&all).stages().count(), 0);
        assert_eq!(Approvals::after(&all).digests().count(), 0);
        // An approval after that stands.
        let again = [withdrawal(1, "ana", "1009"), approval(2, "ana", "1009", 0)];
        assert_eq!(Approvals::after(&again).digests().count(), 1);
    }

    #[test]
    fn a_row_that_pins_nothing_approves_nothing() {
        let mut empty = approval(1, "ana", "1009", 0);
        empty.row.what = What::Crew(Crew::Approval { digests: Vec::new(), note: "".into() });
        assert_eq!(Approvals::after(&[empty]).stages().count(), 0);
        assert!(Approvals::default().of("br030", "blades").is_empty());
    }
}
