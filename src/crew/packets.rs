//! Packets: who has which frames, what came back, which return is in use, and what each returned file was made for.
//!
//! Knows handouts, returns, choices and closings in the order of their rows. A frame is out as long as a packet that is not
//! closed holds it and no file of it came back. Rows of shots and stages that the film has no more are kept like any other:
//! whoever asks knows which those are. Does not know files nor the time of day.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::ledger::crew::{Crew, Handout};
use crate::ledger::row::{Entry, Row, What};

/// Work that was handed to one person under one name.
#[derive(Clone, Debug, PartialEq)]
pub struct Packet {
    /// Its name.
    pub name: Arc<str>,
    /// Who has it.
    pub person: Arc<str>,
    /// Who handed it out.
    pub by: Arc<str>,
    /// When it was handed out.
    pub since: Timestamp,
    /// The day by which it should be back.
    pub due: Option<Date>,
    /// The brief, in a sentence.
    pub brief: Arc<str>,
    /// What is in it, a stage of a shot each, in the order of handing out.
    pub parts: Vec<Part>,
    /// Who closed it, when, and in which words. Rows of handing out under the same name open it again.
    pub closed: Option<Closed>,
}

/// The frames of one stage of one shot in a packet.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Part {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// The frames to be made.
    pub frames: FrameSet,
    /// Those of which a file came back since they were handed out last.
    pub back: FrameSet,
    /// What each frame rested on when it was handed out.
    pub rests_on: BTreeMap<i64, Digest>,
}

/// The end of a packet of which not all came back, or more than that is said.
#[derive(Clone, Debug, PartialEq)]
pub struct Closed {
    /// By whom.
    pub by: Arc<str>,
    /// When.
    pub when: Timestamp,
    /// In the person's words.
    pub note: Arc<str>,
}

/// Files of one stage that came back together.
#[derive(Clone, Debug, PartialEq)]
pub struct Return {
    /// Its number among the returns of the stage, from 1.
    pub version: u32,
    /// The packet's name.
    pub packet: Arc<str>,
    /// Who made them.
    pub person: Arc<str>,
    /// When they came back.
    pub when: Timestamp,
    /// Of the bytes of each frame's file.
    pub files: BTreeMap<i64, Digest>,
    /// In the person's words.
    pub note: Arc<str>,
    /// What each frame rested on when it was handed out; none where no handout says so.
    pub made_for: BTreeMap<i64, Digest>,
}

/// What came back of one stage of one shot.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Returns {
    /// All returns, in order.
    pub all: Vec<Return>,
    /// By frame, the place in `all` of the return that is in use.
    current: BTreeMap<i64, usize>,
    /// By frame, the packets that hold it and want it back; places in [`Packets::all`].
    out: BTreeMap<i64, Vec<usize>>,
}

/// All packets.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Packets {
    all: Vec<Packet>,
    /// By shot, then stage.
    stages: HashMap<Arc<str>, HashMap<Arc<str>, Returns>>,
}

impl Part {
    /// The frames that are still to come back.
    pub fn left(&self) -> FrameSet {
        self.frames.iter().filter(|&n| !self.back.contains(n)).collect()
    }
}

impl Packet {
    /// True while frames of it are still to come back and nobody closed it.
    pub fn is_open(&self) -> bool {
        self.closed.is_none() && self.parts.iter().any(|part| part.back.len() < part.frames.len())
    }

    /// How many frames are in it, and how many of them came back.
    pub fn counts(&self) -> (usize, usize) {
        let sum = |of: fn(&Part) -> usize| self.parts.iter().map(of).sum();
        (sum(|part| part.frames.len()), sum(|part| part.back.len()))
    }

    /// Its frames of one stage.
    pub fn part(&self, shot: &str, stage: &str) -> Option<&Part> {
        self.parts.iter().find(|part| &*part.shot == shot && &*part.stage == stage)
    }

    fn part_mut(&mut self, row: &Row) -> &mut Part {
        let at = self.parts.iter().position(|part| part.shot == row.shot && part.stage == row.stage);
        let at = at.unwrap_or_else(|| {
            let (shot, stage) = (row.shot.clone(), row.stage.clone());
            self.parts.push(Part { shot, stage, ..Part::default() });
            self.parts.len() - 1
        });
        &mut self.parts[at]
    }
}

impl Returns {
    /// The return that is in use at a frame.
    pub fn current(&self, frame: i64) -> Option<&Return> {
        self.current.get(&frame).map(|&at| &self.all[at])
    }

    /// Of these frames those that show the last return that any of them shows, and that return.
    pub fn last_in_use(&self, frames: &FrameSet) -> (Option<&Return>, FrameSet) {
        let place = |n: i64| self.current.get(&n).copied();
        let Some(last) = frames.iter().filter_map(place).max() else { return (None, FrameSet::new()) };
        (self.all.get(last), frames.iter().filter(|&n| place(n) == Some(last)).collect())
    }

    /// The return whose file a frame had before the one that is in use.
    pub fn before(&self, frame: i64) -> Option<&Return> {
        let &at = self.current.get(&frame)?;
        self.all[..at].iter().rev().find(|of| of.files.contains_key(&frame))
    }

    /// True when a packet holds a frame and wants it back.
    pub fn is_out(&self, frame: i64) -> bool {
        self.out.get(&frame).is_some_and(|packets| !packets.is_empty())
    }

    /// The number that the next return gets.
    pub fn next_version(&self) -> u32 {
        self.all.iter().map(|of| of.version).max().unwrap_or(0).saturating_add(1)
    }

    /// What a frame's file of these bytes was made for: what the frame rested on when it was handed out. Of several returns of
    /// the same bytes the last one counts, since whoever sent it has seen the later inputs. None of a file that came in another
    /// way.
    pub fn made_for(&self, frame: i64, file: &Digest) -> Option<Digest> {
        let of = self.all.iter().rev().find(|of| of.files.get(&frame) == Some(file))?;
        of.made_for.get(&frame).copied()
    }

    /// The frames that are out.
    pub fn frames_out(&self) -> impl Iterator<Item = i64> {
        self.out.iter().filter(|(_, packets)| !packets.is_empty()).map(|(&frame, _)| frame)
    }

    /// Of each returned file its frame, the digest of its bytes and of what it was made for, in the order of returns.
    pub fn all_made_for(&self) -> impl Iterator<Item = (i64, Digest, Digest)> {
        let of_return = |of: &Return| {
            of.made_for.iter().filter_map(|(&n, then)| Some((n, *of.files.get(&n)?, *then))).collect()
        };
        self.all.iter().flat_map(move |of| -> Vec<(i64, Digest, Digest)> { of_return(of) })
    }
}

impl Packets {
    /// The packets after these rows, which are in order of id.
    pub fn after(entries: &[Entry]) -> Self {
        let mut packets = Self::default();
        for entry in entries {
            let row = &entry.row;
            match &row.what {
                What::Crew(Crew::Handout(handout)) => packets.hand_out(row, handout),
                What::Crew(Crew::Takeback { packet, person, version, digests, note }) => {
                    packets.take_back(row, packet, person, *version, digests, note);
                }
                What::Crew(Crew::Close { packet, note }) => packets.close(row, packet, note),
                What::Crew(Crew::Choose { version, .. }) => packets.choose(row, *version),
                _ => {}
            }
        }
        packets
    }

    /// Every packet, in the order of handing out.
    pub fn all(&self) -> &[Packet] {
        &self.all
    }

    /// The packet of a name.
    pub fn named(&self, name: &str) -> Option<&Packet> {
        self.all.iter().find(|packet| &*packet.name == name)
    }

    /// Those that are open: the first due first, and those without a day last, the oldest first.
    pub fn open(&self) -> Vec<&Packet> {
        let mut open: Vec<&Packet> = self.all.iter().filter(|packet| packet.is_open()).collect();
        open.sort_by_key(|packet| (packet.due.is_none(), packet.due, packet.since));
        open
    }

    /// What came back of a stage.
    pub fn returns(&self, shot: &str, stage: &str) -> Option<&Returns> {
        self.stages.get(shot)?.get(stage)
    }

    /// The open packets that hold a frame of which no file came back in them.
    pub fn out(&self, shot: &str, stage: &str, frame: i64) -> impl Iterator<Item = &Packet> {
        let of = self.returns(shot, stage).and_then(|returns| returns.out.get(&frame));
        of.into_iter().flatten().map(|&at| &self.all[at])
    }

    /// The last packet that held a frame, open or not: who knows the work.
    pub fn last_with(&self, shot: &str, stage: &str, frame: i64) -> Option<&Packet> {
        let has = |packet: &&Packet| packet.part(shot, stage).is_some_and(|part| part.frames.contains(frame));
        self.all.iter().rev().find(has)
    }

    fn stage(&mut self, row: &Row) -> &mut Returns {
        self.stages.entry(row.shot.clone()).or_default().entry(row.stage.clone()).or_default()
    }

    fn place(&self, name: &str) -> Option<usize> {
        self.all.iter().position(|packet| &*packet.name == name)
    }

    fn hand_out(&mut self, row: &Row, handout: &Handout) {
        let at = self.place(&handout.packet).unwrap_or_else(|| {
            self.all.push(Packet {
                name: handout.packet.clone(),
                person: handout.person.clone(),
                by: row.by.clone(),
                since: row.when,
                due: None,
                brief: handout.note.clone(),
                parts: Vec::new(),
                closed: None,
            });
            self.all.len() - 1
        });
        let packet = &mut self.all[at];
        packet.due = handout.due.or(packet.due);
        packet.closed = None;
        let part = packet.part_mut(row);
        // What came back before is wanted once more.
        part.back = part.back.without(&row.frames);
        for (place, frame) in row.frames.iter().enumerate() {
            part.frames.insert(frame);
            if let Some(digest) = handout.digests.get(place) {
                part.rests_on.insert(frame, *digest);
            }
        }
        let stage = self.stage(row);
        for frame in row.frames.iter() {
            let out = stage.out.entry(frame).or_default();
            if !out.contains(&at) {
                out.push(at);
            }
        }
    }

    fn take_back(
        &mut self,
        row: &Row,
        name: &Arc<str>,
        person: &Arc<str>,
        version: u32,
        digests: &[Digest],
        note: &Arc<str>,
    ) {
        let at = self.place(name);
        let mut made_for = BTreeMap::new();
        if let Some(part) = at.and_then(|at| {
            let parts = &mut self.all[at].parts;
            parts.iter_mut().find(|part| part.shot == row.shot && part.stage == row.stage)
        }) {
            row.frames.iter().filter(|&n| part.frames.contains(n)).for_each(|n| part.back.insert(n));
            made_for.extend(row.frames.iter().filter_map(|n| Some((n, *part.rests_on.get(&n)?))));
        }
        let stage = self.stage(row);
        let is_part = |of: &Return| of.version == version && of.packet == *name;
        // A return of very many frames stands in several rows.
        let place = stage.all.iter().position(is_part).unwrap_or_else(|| {
            stage.all.push(Return {
                version,
                packet: name.clone(),
                person: person.clone(),
                when: row.when,
                files: BTreeMap::new(),
                note: note.clone(),
                made_for: BTreeMap::new(),
            });
            stage.all.len() - 1
        });
        stage.all[place].files.extend(row.frames.iter().zip(digests.iter().copied()));
        stage.all[place].made_for.extend(made_for);
        for frame in row.frames.iter() {
            stage.current.insert(frame, place);
            if let Some(out) = stage.out.get_mut(&frame) {
                out.retain(|&of| Some(of) != at);
            }
        }
    }

    fn close(&mut self, row: &Row, name: &str, note: &Arc<str>) {
        let Some(at) = self.place(name) else { return };
        self.all[at].closed = Some(Closed { by: row.by.clone(), when: row.when, note: note.clone() });
        for stage in self.stages.values_mut().flat_map(HashMap::values_mut) {
            stage.out.values_mut().for_each(|out| out.retain(|&of| of != at));
        }
    }

    fn choose(&mut self, row: &Row, version: u32) {
        let stage = self.stage(row);
        for frame in row.frames.iter() {
            let has = |of: &Return| of.version == version && of.files.contains_key(&frame);
            // Of two that merged ledgers gave one number, the later one.
            if let Some(place) = stage.all.iter().rposition(has) {
                stage.current.insert(frame, place);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::id::RowId;

    fn entry(n: u128, frames: &str, what: Crew) -> Entry {
        let row = Row {
            when: Timestamp::from_second(1_770_000_000 + n as i64 * 3600).unwrap(),
            film: "The Brine Lamp".into(),
            shot: "br050".into(),
            stage: "cleanup".into(),
            frames: frames.parse().unwrap(),
            by: "keeper".into(),
            what: What::Crew(what),
        };
        Entry { id: RowId(n), writer: "keeper".into(), row }
    }

    fn out(packet: &str, person: &str, due: Option<&str>, rests_on: &[&str]) -> Crew {
        let digests = rests_on.iter().map(|text| Digest::of(text.as_bytes())).collect();
        let due = due.map(|day| day.parse().unwrap());
        let (packet, person) = (packet.into(), person.into());
        Crew::Handout(Handout { packet, person, due, digests, note: "paint the raker out".into() })
    }

    fn back(packet: &str, person: &str, version: u32, files: &[&str]) -> Crew {
        let digests = files.iter().map(|text| Digest::of(text.as_bytes())).collect();
        Crew::Takeback { packet: packet.into(), person: person.into(), version, digests, note: "".into() }
    }

    fn who(packets: &Packets, frame: i64) -> Vec<String> {
        packets.out("br050", "cleanup", frame).map(|packet| packet.name.to_string()).collect()
    }

    #[test]
    fn a_frame_is_out_until_it_is_back_or_its_packet_closed() {
        let mut rows = vec![
            entry(1, "1001-1003", out("ana-1", "ana", Some("2026-12-05"), &["a", "b", "c"])),
            entry(2, "1003-1004", out("ines-1", "ines", None, &["c", "d"])),
            entry(3, "1005", out("joren-1", "joren", Some("2026-11-30"), &["e"])),
            entry(4, "1001,1003", back("ana-1", "ana", 1, &["one", "three"])),
        ];
        let packets = Packets::after(&rows);
        assert_eq!(
            packets.open().iter().map(|p| &*p.name).collect::<Vec<_>>(),
            ["joren-1", "ana-1", "ines-1"]
        );
        let ana = packets.named("ana-1").unwrap();
        assert_eq!((ana.counts(), ana.parts[0].left().to_string()), ((3, 2), "1002".to_string()));
        // What ana sent back, ines still has.
        assert_eq!(
            [1001, 1002, 1003, 1004].map(|n| who(&packets, n)),
            [vec![], vec!["ana-1".to_string()], vec!["ines-1".to_string()], vec!["ines-1".to_string()],]
        );
        rows.push(entry(5, "1002", back("ana-1", "ana", 2, &["two"])));
        rows.push(entry(6, "1003-1004", Crew::Close { packet: "ines-1".into(), note: "no time".into() }));
        let packets = Packets::after(&rows);
        assert!(!packets.named("ana-1").unwrap().is_open());
        assert_eq!(&*packets.named("ines-1").unwrap().closed.as_ref().unwrap().note, "no time");
        assert_eq!((1001..=1005).map(|n| who(&packets, n).len()).collect::<Vec<_>>(), [0, 0, 0, 0, 1]);
        assert_eq!(&*packets.last_with("br050", "cleanup", 1003).unwrap().person, "ines");
        assert_eq!(packets.last_with("br050", "cleanup", 1009), None);
    }

    #[test]
    fn the_last_return_is_in_use_unless_another_is_chosen() {
        let rows = [
            entry(1, "1001-1002", out("ana-1", "ana", None, &["a", "b"])),
            entry(2, "1001-1002", back("ana-1", "ana", 1, &["one", "two"])),
            entry(3, "1001-1002", back("ana-1", "ana", 2, &["one", "better"])),
            entry(4, "1002", Crew::Choose { version: 1, note: "".into() }),
            // Of a version that there is not, nothing is taken.
            entry(5, "1001", Crew::Choose { version: 7, note: "".into() }),
        ];
        let packets = Packets::after(&rows);
        let returns = packets.returns("br050", "cleanup").unwrap();
        assert_eq!(returns.next_version(), 3);
        let current = |frame| returns.current(frame).map(|of| of.version);
        assert_eq!([current(1001), current(1002), current(1003)], [Some(2), Some(1), None]);
        // What shows the last return is what goes back, each frame to what it had before.
        let (last, frames) = returns.last_in_use(&"1001-1003".parse().unwrap());
        assert_eq!((last.map(|of| of.version), frames.to_string()), (Some(2), "1001".to_string()));
        let before = |frame| returns.before(frame).map(|of| of.version);
        assert_eq!([before(1001), before(1002), before(1003)], [Some(1), None, None]);
    }

    #[test]
    fn a_file_is_made_for_what_was_handed_out_last_before_it_came() {
        let digest = |text: &str| Digest::of(text.as_bytes());
        let rows = [
            entry(1, "1001", out("ana-1", "ana", None, &["plate one"])),
            entry(2, "1001", back("ana-1", "ana", 1, &["file"])),
            entry(3, "1001", out("ana-2", "ana", None, &["plate two"])),
        ];
        let made_for = |rows: &[Entry], file: &str| {
            Packets::after(rows).returns("br050", "cleanup").unwrap().made_for(1001, &digest(file))
        };
        assert_eq!(made_for(&rows, "file"), Some(digest("plate one")));
        assert_eq!(made_for(&rows, "another way"), None);
        // The same bytes once more, sent by somebody who has seen the new plate.
        let mut rows = rows.to_vec();
        rows.push(entry(4, "1001", back("ana-2", "ana", 2, &["file"])));
        assert_eq!(made_for(&rows, "file"), Some(digest("plate two")));
    }

    #[test]
    fn rows_of_packets_that_nobody_handed_out_are_borne() {
        let rows = [
            entry(1, "1001", back("lost", "ana", 1, &["file"])),
            entry(2, "1001", Crew::Close { packet: "lost".into(), note: "".into() }),
        ];
        let packets = Packets::after(&rows);
        assert!(packets.all().is_empty());
        let returns = packets.returns("br050", "cleanup").unwrap();
        assert_eq!(returns.current(1001).map(|of| of.version), Some(1));
        assert_eq!(returns.made_for(1001, &Digest::of(b"file")), None);
    }

    #[test]
    fn frames_that_go_out_again_under_the_same_name_are_to_come_back_again() {
        let mut rows = vec![
            entry(1, "1001-1002", out("ana-1", "ana", None, &["a", "b"])),
            entry(2, "1001-1002", back("ana-1", "ana", 1, &["one", "two"])),
            entry(3, "1002", out("ana-1", "ana", None, &["b, later"])),
        ];
        let packets = Packets::after(&rows);
        let ana = packets.named("ana-1").unwrap();
        assert!(ana.is_open());
        assert_eq!((ana.counts(), ana.parts[0].left().to_string()), ((2, 1), "1002".to_string()));
        assert_eq!((who(&packets, 1001).len(), who(&packets, 1002).len()), (0, 1));
        rows.push(entry(4, "1002", back("ana-1", "ana", 2, &["better"])));
        assert!(!Packets::after(&rows).named("ana-1").unwrap().is_open());
    }

    #[test]
    fn more_frames_under_the_same_name_open_a_packet_again() {
        let rows = [
            entry(1, "1001", out("ana-1", "ana", Some("2026-12-05"), &["a"])),
            entry(2, "1001", Crew::Close { packet: "ana-1".into(), note: "".into() }),
            entry(3, "1002", out("ana-1", "ana", None, &["b"])),
        ];
        let packets = Packets::after(&rows);
        let ana = packets.named("ana-1").unwrap();
        assert!(ana.is_open() && ana.due == Some("2026-12-05".parse().unwrap()));
        // What was closed before is not out again, what was handed out since is.
        assert_eq!((who(&packets, 1001).len(), who(&packets, 1002).len()), (0, 1));
    }
}
