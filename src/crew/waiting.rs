//! How long stages waited for a person, and how long packets were out.
//!
//! Knows when the last of a stage's inputs was there for the first time, and who touched the stage first. Does not know the film:
//! callers say what each stage rests on.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;

use crate::base::frames::FrameSet;
use crate::ledger::crew::Crew;
use crate::ledger::row::{Entry, Outcome, What};

/// A stage and what it rests on.
#[derive(Clone, Debug)]
pub struct Rests {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// True when a person makes its files, so that it waits for one until somebody touches it.
    pub by_hand: bool,
    /// Its inputs: shot, stage and all frames of each.
    pub on: Vec<(Arc<str>, Arc<str>, FrameSet)>,
}

/// How long a stage waited.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Waited {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// When all frames of all of its inputs had been there once.
    pub ready: Timestamp,
    /// When a person first touched it, and who; none while nobody has.
    pub touched: Option<(Timestamp, Arc<str>)>,
    /// From the one to the other, or until now.
    pub time: Duration,
}

/// A packet that went out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Packet {
    /// Its name.
    pub name: Arc<str>,
    /// Who has or had it.
    pub person: Arc<str>,
    /// When it went out.
    pub out: Timestamp,
    /// When all of its frames had come back or it was closed; none while it is out.
    pub back: Option<Timestamp>,
    /// From the one to the other, or until now.
    pub time: Duration,
}

type Stage<'a> = (&'a str, &'a str);

/// How long the stages waited between being ready and being touched, the longest first. Stages that were touched before they were
/// ready are left out, and those of whose inputs the ledger does not tell when they were there.
pub fn waited(stages: &[Rests], entries: &[Entry], now: Timestamp) -> Vec<Waited> {
    let there = first_there(stages, entries);
    let touched = first_touched(entries);
    let mut all = Vec::new();
    for of in stages {
        let times: Option<Vec<Timestamp>> =
            of.on.iter().map(|(shot, stage, _)| there.get(&(&**shot, &**stage)).copied()).collect();
        let Some(ready) = times.and_then(|times| times.into_iter().max()) else { continue };
        let touch = touched.get(&(&*of.shot, &*of.stage)).cloned();
        if touch.is_none() && !of.by_hand {
            continue;
        }
        let until = touch.as_ref().map_or(now, |(at, _)| *at);
        let Some(time) = Duration::try_from(until.duration_since(ready)).ok().filter(|time| !time.is_zero())
        else {
            continue;
        };
        all.push(Waited { shot: of.shot.clone(), stage: of.stage.clone(), ready, touched: touch, time });
    }
    all.sort_by(|a, b| b.time.cmp(&a.time).then_with(|| (&a.shot, &a.stage).cmp(&(&b.shot, &b.stage))));
    all
}

/// When all frames of each input had been there once.
fn first_there<'a>(stages: &'a [Rests], entries: &'a [Entry]) -> HashMap<Stage<'a>, Timestamp> {
    let mut lacking: HashMap<Stage<'_>, FrameSet> = HashMap::new();
    for (shot, stage, frames) in stages.iter().flat_map(|of| &of.on) {
        lacking.entry((&**shot, &**stage)).or_insert_with(|| frames.clone());
    }
    let mut there = HashMap::new();
    for entry in entries {
        let row = &entry.row;
        let is_made = match &row.what {
            What::Render(render) => render.outcome == Outcome::Done,
            What::Delivery { .. } | What::Crew(Crew::Takeback { .. }) => true,
            _ => false,
        };
        if !is_made {
            continue;
        }
        let Some(rest) = lacking.get_mut(&(&*row.shot, &*row.stage)).filter(|rest| !rest.is_empty()) else {
            continue;
        };
        *rest = rest.without(&row.frames);
        if rest.is_empty() {
            there.insert((&*row.shot, &*row.stage), row.when);
        }
    }
    there
}

/// When a person first touched each stage: began to work on it, or was handed it.
fn first_touched(entries: &[Entry]) -> HashMap<Stage<'_>, (Timestamp, Arc<str>)> {
    let mut first: HashMap<Stage<'_>, (Timestamp, Arc<str>)> = HashMap::new();
    for entry in entries {
        let row = &entry.row;
        let (at, person) = match &row.what {
            What::Crew(Crew::Begin { person, .. }) => (row.when, person),
            What::Crew(Crew::Worked(worked)) => (worked.began.unwrap_or(row.when), &worked.person),
            What::Crew(Crew::Handout(handout)) => (row.when, &handout.person),
            _ => continue,
        };
        let earliest = first.entry((&*row.shot, &*row.stage)).or_insert_with(|| (at, person.clone()));
        if at < earliest.0 {
            *earliest = (at, person.clone());
        }
    }
    first
}

/// All packets, those that are out first, then by how long they were.
pub fn packets(entries: &[Entry], now: Timestamp) -> Vec<Packet> {
    struct Open<'a> {
        person: &'a Arc<str>,
        out: Timestamp,
        rest: HashMap<Stage<'a>, FrameSet>,
        back: Option<Timestamp>,
    }
    let mut all: BTreeMap<&Arc<str>, Open<'_>> = BTreeMap::new();
    for entry in entries {
        let row = &entry.row;
        let stage = (&*row.shot, &*row.stage);
        match &row.what {
            What::Crew(Crew::Handout(handout)) => {
                let open =
                    || Open { person: &handout.person, out: row.when, rest: HashMap::new(), back: None };
                let packet = all.entry(&handout.packet).or_insert_with(open);
                packet.back = None;
                let rest = packet.rest.entry(stage).or_default();
                rest.insert_all(&row.frames);
            }
            What::Crew(Crew::Takeback { packet, .. } | Crew::Close { packet, .. }) => {
                let Some(packet) = all.get_mut(packet) else { continue };
                if let Some(rest) = packet.rest.get_mut(&stage) {
                    *rest = rest.without(&row.frames);
                }
                if packet.rest.values().all(FrameSet::is_empty) {
                    packet.back.get_or_insert(row.when);
                }
            }
            _ => {}
        }
    }
    let packet = |(name, open): (&Arc<str>, Open<'_>)| Packet {
        name: name.clone(),
        person: open.person.clone(),
        out: open.out,
        back: open.back,
        time: Duration::try_from(open.back.unwrap_or(now).duration_since(open.out)).unwrap_or_default(),
    };
    let mut packets: Vec<Packet> = all.into_iter().map(packet).collect();
    packets.sort_by(|a, b| (a.back.is_some(), b.time, &a.name).cmp(&(b.back.is_some(), a.time, &b.name)));
    packets
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::tests::{begin, entry, worked};
    use crate::ledger::crew::Handout;
    use crate::ledger::row::{Render, Round};

    fn at(hour: u32) -> String {
        format!("2026-11-20T{hour:02}:00:00Z")
    }

    fn of(mut made: Entry, stage: &str, frames: &str) -> Entry {
        (made.row.stage, made.row.frames) = (stage.into(), frames.parse().unwrap());
        made
    }

    fn render(n: u128, hour: u32, stage: &str, frames: &str, done: bool) -> Entry {
        let mut made = of(entry(n, &at(hour), begin("x")), stage, frames);
        made.row.what = What::Render(Render {
            cause: "".into(),
            round: Round::First,
            wall: Duration::ZERO,
            cpu: Duration::ZERO,
            peak_memory: None,
            machine: "shed".into(),
            outcome: if done { Outcome::Done } else { Outcome::Failed("no".into()) },
        });
        made
    }

    fn rests(stage: &str, by_hand: bool, on: &[(&str, &str)]) -> Rests {
        let on = on
            .iter()
            .map(|(stage, frames)| ("br030".into(), (*stage).into(), frames.parse().unwrap()))
            .collect();
        Rests { shot: "br030".into(), stage: stage.into(), by_hand, on }
    }

    #[test]
    fn a_stage_waits_from_its_last_input_until_the_first_hand() {
        let entries = [
            render(1, 8, "cleanup", "1001-1004", true),
            render(2, 9, "cleanup", "1005-1008", false),
            // All of it is there now; that it is rendered again later changes nothing.
            render(3, 10, "cleanup", "1005-1010", true),
            render(4, 11, "roto", "1001-1008", true),
            render(5, 20, "cleanup", "1001-1008", true),
            of(entry(6, &at(15), begin("ana")), "paint", "1001"),
            // Written down later, but begun before.
            of(entry(7, &at(18), worked("tomas", 60, Some(&at(14)), None)), "paint", "1001"),
            of(entry(8, &at(9), begin("ana")), "early", "1001"),
        ];
        let stages = [
            rests("paint", true, &[("cleanup", "1001-1008"), ("roto", "1001-1008")]),
            rests("idle", true, &[("cleanup", "1001-1008")]),
            // Touched before it was ready; made by an operator and untouched; an input that never was there; no inputs.
            rests("early", true, &[("cleanup", "1001-1008")]),
            rests("blades", false, &[("cleanup", "1001-1008")]),
            rests("lost", true, &[("cleanup", "1001-1008"), ("none", "1")]),
            rests("free", true, &[]),
        ];
        let hours = |waited: Waited| {
            let by = waited.touched.map(|(_, person)| person.to_string());
            (waited.stage.to_string(), waited.time.as_secs() / 3600, by)
        };
        let all: Vec<_> = waited(&stages, &entries, at(23).parse().unwrap()).into_iter().map(hours).collect();
        assert_eq!(all, [("idle".into(), 13, None), ("paint".into(), 3, Some("tomas".into()))]);
    }

    #[test]
    fn packets_are_out_until_all_of_them_is_back() {
        let handout = |n: u128, hour: u32, packet: &str, frames: &str| {
            let what = Crew::Handout(Handout {
                packet: packet.into(),
                person: "ines".into(),
                due: None,
                digests: Vec::new(),
                note: "".into(),
            });
            of(entry(n, &at(hour), what), "roto", frames)
        };
        let back = |n: u128, hour: u32, packet: &str, frames: &str| {
            let what = Crew::Takeback {
                packet: packet.into(),
                person: "ines".into(),
                version: 1,
                digests: Vec::new(),
                note: "".into(),
            };
            of(entry(n, &at(hour), what), "roto", frames)
        };
        let close = of(entry(6, &at(12), Crew::Close { packet: "c".into(), note: "".into() }), "roto", "1-4");
        let entries = [
            handout(1, 8, "a", "1-4"),
            handout(2, 8, "b", "1-4"),
            handout(3, 9, "c", "1-4"),
            back(4, 10, "a", "1-2"),
            back(5, 11, "a", "3-4"),
            close,
            back(7, 13, "b", "1-3"),
            back(8, 13, "unknown", "1"),
        ];
        let all: Vec<(String, bool, u64)> = packets(&entries, at(20).parse().unwrap())
            .into_iter()
            .map(|packet| (packet.name.to_string(), packet.back.is_some(), packet.time.as_secs() / 3600))
            .collect();
        assert_eq!(all, [("b".into(), false, 12), ("a".into(), true, 3), ("c".into(), true, 3)]);
    }
}
