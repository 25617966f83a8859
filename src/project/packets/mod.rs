//! Packets of hand stages: handed out to a person, taken back, told of while they are away.
//!
//! Knows which frames of which stages are meant and where files of people lie: each that came back is kept in `returns/` under the
//! digest of its bytes, and the one in use is copied to where the stage wants it. Does not know how any of it is worded on a
//! terminal.

pub mod brief;
mod cells;
mod choosing;
mod contents;
pub mod handing;
mod inputs;
pub mod judging;
pub mod placing;
pub mod sheet;
pub mod taken;
pub mod taking;
mod telling;

use jiff::Timestamp;
use jiff::civil::Date;

use super::frames::LookError;
use super::rebuild::Writer;
use super::{Project, ProjectError, Status};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::crew::packets::{Packet, Part};
use crate::declare::film::{Delivers, FilePattern, Media};
use crate::graph::{Node, NodeId, Work};
use crate::ledger::crew::Crew;
use crate::ledger::file::{DIGESTS_A_ROW, Ledger};
use crate::ledger::row::{Row, What};

/// The folder of every file that came back, below the film's folder.
pub const RETURNS: &str = "returns";
/// The folder that packets are written into, when no other is said.
pub const PACKETS: &str = "packets";

/// A hand stage of one shot.
#[derive(Clone, Copy)]
pub(super) struct Hand<'a> {
    /// The node.
    pub id: NodeId,
    /// The node itself.
    pub node: &'a Node,
    /// Where its files lie.
    pub files: &'a FilePattern,
    /// What they hold.
    pub delivers: &'a Delivers,
}

impl Hand<'_> {
    /// The name of a frame's file, without its folder.
    pub fn name(&self, frame: i64) -> String {
        let mut name = String::new();
        self.files.name(frame, &mut name);
        name
    }
}

/// The hand stage of a node, when it is one.
pub(super) fn hand(status: &Status, id: NodeId) -> Option<Hand<'_>> {
    let graph = &status.declared.graph;
    let node = &graph.nodes[id];
    let Work::Hand { source, delivers, .. } = &node.work else { return None };
    let Media::Files(files) = &graph.sources[*source].media else { return None };
    Some(Hand { id, node, files: &files.value, delivers })
}

/// What a person is to know of an open packet.
#[derive(Clone, Debug, PartialEq)]
pub struct Outstanding {
    /// The packet.
    pub packet: Packet,
    /// How many days it is until it is due; less than 0 when it is overdue.
    pub days_left: Option<i64>,
    /// Its parts of stages that the film has no more: `SHOT/STAGE`.
    pub gone: Vec<String>,
}

impl Project {
    /// Open packets that hold any of what is selected: the first due first, those without a day last.
    pub fn outstanding(&self, status: &Status, selection: &Selection, today: Date) -> Vec<Outstanding> {
        let graph = &status.declared.graph;
        let told = |packet: &Packet| {
            let is_gone = |(shot, stage): (&str, &str)| {
                graph.find(shot, stage).is_none_or(|id| hand(status, id).is_none())
            };
            let places = packet.parts.iter().map(|part| (&*part.shot, &*part.stage));
            let gone = places.filter(|&place| is_gone(place)).map(|(shot, stage)| format!("{shot}/{stage}"));
            Outstanding {
                packet: packet.clone(),
                days_left: packet.due.and_then(|due| days(today, due)),
                gone: gone.collect(),
            }
        };
        let is_selected = |part: &Part| {
            let chosen = selection.matches(&part.shot, &part.stage);
            chosen.is_some_and(|chosen| part.frames.iter().any(|n| chosen.contains(n)))
        };
        let open = status.packets.open().into_iter();
        open.filter(|packet| packet.parts.iter().any(is_selected)).map(told).collect()
    }

    /// Says that nothing more is expected of a packet; gives it with what a person should know besides.
    ///
    /// # Errors
    /// There is no such packet, or nothing of it is expected anyhow.
    pub fn close_packet(
        &self,
        name: &str,
        note: &str,
        writer: &Writer,
        now: Timestamp,
    ) -> Result<(Packet, Vec<String>), LookError> {
        let _lock = self.lock(writer)?;
        let remarks = self.finish_taking(writer)?;
        let (entries, _) = self.ledger();
        let packets = crate::crew::packets::Packets::after(&entries);
        let packet = packets.named(name).ok_or_else(|| LookError::Words(unknown(&packets, name)))?;
        if !packet.is_open() {
            let why = if packet.closed.is_some() { "it was closed before" } else { "all of it is back" };
            return Err(LookError::Words(format!("{name} is not open: {why}")));
        }
        let film = entries.last().map_or_else(|| "".into(), |entry| entry.row.film.clone());
        let mut ledger =
            Ledger::open(&self.folder.join("ledger"), &writer.name).map_err(ProjectError::from)?;
        for part in &packet.parts {
            let crew = Crew::Close { packet: packet.name.clone(), note: note.into() };
            let (shot, stage, frames) = (part.shot.clone(), part.stage.clone(), part.frames.clone());
            let by = writer.name.as_str().into();
            let row = Row { when: now, film: film.clone(), shot, stage, frames, by, what: What::Crew(crew) };
            ledger.append(&row).map_err(ProjectError::from)?;
        }
        Ok((packet.clone(), remarks))
    }
}

/// What is said of a packet that nobody handed out.
pub(super) fn unknown(packets: &crate::crew::packets::Packets, name: &str) -> String {
    let names = packets.all().iter().map(|packet| &*packet.name);
    let way = match crate::base::problem::nearest(name, names) {
        Some(near) => format!("did you mean {near}?"),
        None => "`endboard outstanding` lists those that are open".into(),
    };
    format!("no packet '{}' was handed out; {way}", name.escape_debug())
}

/// Days from one day to another.
fn days(from: Date, to: Date) -> Option<i64> {
    from.until(to).ok().map(|span| i64::from(span.get_days()))
}

/// Frames in parts that a row of the ledger can hold.
fn in_rows(frames: &[i64]) -> impl Iterator<Item = (usize, FrameSet)> + '_ {
    frames
        .chunks(DIGESTS_A_ROW)
        .enumerate()
        .map(|(at, part)| (at * DIGESTS_A_ROW, part.iter().copied().collect()))
}
