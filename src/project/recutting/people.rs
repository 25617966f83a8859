//! What a new cut asks of people: hand stages to be touched, packets that are out, approvals that lapse, holds that stand in the way.
//!
//! Knows states of frames before and after, and the ledger's rows. Does not know cuts, but for which frames they show.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use jiff::Timestamp;

use super::pace::{Pace, Paces};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::crew::approvals::Approvals;
use crate::crew::packets::Packets;
use crate::graph::{NodeId, Work};
use crate::ledger::crew::Crew;
use crate::ledger::row::{Entry, Row, What};
use crate::project::holding::Kept;
use crate::project::{Project, Status};
use crate::stale::Reason;

/// Who had something last.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Last {
    /// The person.
    pub person: Arc<str>,
    /// When.
    pub when: Timestamp,
    /// Whether that was of these very frames; else it was of others of the stage.
    pub same: bool,
}

/// Frames of a hand stage that a person must make, or look at again.
#[derive(Clone, Debug, PartialEq)]
pub struct Hand {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// Frames to be made.
    pub new: FrameSet,
    /// Frames that were made from something else.
    pub again: FrameSet,
    /// Who had them last.
    pub last: Option<Last>,
    /// How long a frame takes, where that was measured.
    pub pace: Option<Pace>,
}

impl Hand {
    /// How many frames.
    pub fn count(&self) -> usize {
        self.new.len() + self.again.len()
    }

    /// Seconds of a person, where a frame's time is known.
    pub fn seconds(&self) -> Option<f64> {
        Some(self.pace?.seconds * self.count() as f64)
    }
}

/// Frames in a packet that is out, and that the new cut does not show.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Out {
    /// The packet.
    pub packet: Arc<str>,
    /// Who has it.
    pub person: Arc<str>,
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// The frames.
    pub frames: FrameSet,
}

/// An approval that lapses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lapse {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// Frames that will not show what was approved.
    pub changed: FrameSet,
    /// Frames that the film will not have.
    pub gone: FrameSet,
    /// Who approved.
    pub by: Arc<str>,
    /// When.
    pub when: Timestamp,
}

/// Renders that a person holds, of frames that will be something else.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Held {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// Frames that keep their render, though the cut wants another.
    pub stale: FrameSet,
    /// Frames that the film will not have.
    pub gone: FrameSet,
    /// By whom, since when and why.
    pub words: String,
}

/// Hand stages to be touched that are not to be touched as the film is cut now.
pub fn hands(before: &Status, after: &Status, paces: &Paces) -> Vec<Hand> {
    let waits = |status: &Status, id: NodeId, reason: Reason| -> FrameSet {
        let frames = status.report.strips[id].unsettled().filter(|(_, cell)| cell.reason == reason);
        frames.map(|(frame, _)| frame).collect()
    };
    let mut hands = Vec::new();
    for (id, node) in after.declared.graph.nodes.iter().enumerate() {
        if !matches!(node.work, Work::Hand { .. }) {
            continue;
        }
        let was = before.declared.graph.find(&node.shot, &node.stage);
        let more = |reason: Reason| {
            let was = was.map_or_else(FrameSet::new, |id| waits(before, id, reason));
            waits(after, id, reason).without(&was)
        };
        let (new, again) = (more(Reason::FileMissing), more(Reason::Redo));
        if new.is_empty() && again.is_empty() {
            continue;
        }
        let mut all = new.clone();
        all.insert_all(&again);
        let last = last(&before.ledger.0, &node.shot, &node.stage, &all);
        let pace = paces.hands(&node.shot, &node.stage);
        hands.push(Hand { shot: node.shot.clone(), stage: node.stage.clone(), new, again, last, pace });
    }
    hands
}

/// Whose hands a row tells of.
fn person(row: &Row) -> Option<&Arc<str>> {
    match &row.what {
        What::Crew(Crew::Handout(handout)) => Some(&handout.person),
        What::Crew(Crew::Takeback { person, .. }) => Some(person),
        What::Crew(Crew::Worked(worked)) => Some(&worked.person),
        What::Delivery { .. } => Some(&row.by),
        _ => None,
    }
}

/// Who had any of these frames last, or else any of the stage's. Whoever let a rebuild take files in is named only where no row
/// of people's work says more: it takes in what others sent.
fn last(entries: &[Entry], shot: &str, stage: &str, frames: &FrameSet) -> Option<Last> {
    let of_stage = |row: &&Row| &*row.shot == shot && &*row.stage == stage;
    let found = |same: bool, taken_in: bool| {
        let rows = entries.iter().rev().map(|entry| &entry.row).filter(of_stage);
        rows.filter(|row| matches!(row.what, What::Delivery { .. }) == taken_in)
            .filter(|row| !same || !row.frames.meet(frames).is_empty())
            .find_map(|row| Some(Last { person: person(row)?.clone(), when: row.when, same }))
    };
    found(true, false)
        .or_else(|| found(true, true))
        .or_else(|| found(false, false))
        .or_else(|| found(false, true))
}

/// Frames of packets that are out, of those that are no longer shown: `gone` by shot in small letters.
pub fn out(packets: &Packets, gone: &BTreeMap<String, FrameSet>) -> Vec<Out> {
    let mut outs = Vec::new();
    for packet in packets.open() {
        for part in &packet.parts {
            let Some(gone) = gone.get(&part.shot.to_ascii_lowercase()) else { continue };
            let frames = part.left().meet(gone);
            if !frames.is_empty() {
                let (packet, person) = (packet.name.clone(), packet.person.clone());
                outs.push(Out { packet, person, shot: part.shot.clone(), stage: part.stage.clone(), frames });
            }
        }
    }
    outs
}

/// The pixels that a frame of a stage shows, as far as that is known; nothing where the film has no such frame.
fn shows(status: &Status, id: Option<NodeId>, frame: i64) -> Option<Option<Digest>> {
    let cell = status.report.strips[id?].get(frame)?;
    Some((cell.pixels != NONE).then_some(cell.pixels))
}

/// Approvals that are in force now and will not be.
pub fn lapses(before: &Status, after: &Status) -> Vec<Lapse> {
    let approvals = Approvals::after(&before.ledger.0);
    let mut lapses = Vec::new();
    for (shot, stage) in approvals.stages() {
        let (was, is) = (before.declared.graph.find(shot, stage), after.declared.graph.find(shot, stage));
        for approved in approvals.of(shot, stage) {
            let (mut changed, mut gone) = (FrameSet::new(), FrameSet::new());
            for frame in approved.frames.iter() {
                let pixels = approved.digest(frame);
                if pixels.is_none() || shows(before, was, frame) != Some(pixels) {
                    continue;
                }
                match shows(after, is, frame) {
                    Some(now) if now == pixels => {}
                    Some(_) => changed.insert(frame),
                    None => gone.insert(frame),
                }
            }
            if !changed.is_empty() || !gone.is_empty() {
                let row = &approved.entry.row;
                let (shot, stage, by) = (row.shot.clone(), row.stage.clone(), row.by.clone());
                lapses.push(Lapse { shot, stage, changed, gone, by, when: row.when });
            }
        }
    }
    lapses
}

/// Holds that stand in the way of what the new cut shows.
pub fn held(project: &Project, before: &Status, after: &Status) -> Vec<Held> {
    let holds = |status: &Status| -> HashMap<(Arc<str>, Arc<str>), FrameSet> {
        let mut fresh: HashMap<(Arc<str>, Arc<str>), FrameSet> = HashMap::new();
        for kept in project.kept(status) {
            let node = &status.declared.graph.nodes[kept.node];
            let frames = fresh.entry((node.shot.clone(), node.stage.clone())).or_default();
            frames.insert_all(&kept.fresh);
        }
        fresh
    };
    let will = holds(after);
    let of = |kept: Kept| {
        let node = &before.declared.graph.nodes[kept.node];
        let (shot, stage) = (node.shot.clone(), node.stage.clone());
        let stays = will.get(&(shot.clone(), stage.clone())).cloned().unwrap_or_default();
        let other = kept.fresh.without(&stays);
        let has = after.declared.graph.find(&shot, &stage).map(|id| after.declared.graph.nodes[id].frames);
        let stale = has.map_or_else(FrameSet::new, |has| other.meet(&has.into()));
        let gone = other.without(&stale);
        (!other.is_empty()).then_some(Held { shot, stage, stale, gone, words: kept.words })
    };
    project.kept(before).into_iter().filter_map(of).collect()
}
