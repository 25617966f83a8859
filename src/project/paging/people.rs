//! What people noted, approved and have in hand, for the page.
//!
//! Knows how rows of people's work are told. What they come to, `crew` says.

use std::collections::BTreeMap;

use jiff::Zoned;

use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::state::State;
use crate::crew::approvals::{Approvals, Present, Standing};
use crate::crew::packets::{self, Packets};
use crate::crew::{notes, times};
use crate::graph::NodeId;
use crate::ledger::crew::Crew;
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, What};
use crate::project::Status;
use crate::report::page::values::{Approval, Note, Packet, Page};
use crate::report::words;

/// Puts it into the page.
pub fn into(page: &mut Page, status: &Status, now: &Zoned) {
    let entries = &status.ledger.0;
    page.notes = notes::notes(entries).iter().map(|noted| note(noted, now)).collect();
    page.approvals = approvals(status, now);
    let packets = Packets::after(entries);
    page.packets = packets.open().into_iter().map(|packet| handed(packet, now)).collect();
    let running = times::Times::of(entries).running;
    let said = running.iter().map(|clock| {
        let since = clock.entry.row.when;
        format!(
            "The clock of {} runs on {} since {}.",
            clock.person,
            place(clock.entry, &clock.entry.row.frames),
            when(since, now)
        )
    });
    page.next.extend(said);
}

/// When something was, for whoever reads the page now.
fn when(at: jiff::Timestamp, now: &Zoned) -> String {
    at.to_zoned(now.time_zone().clone()).strftime("%-d %b %Y, %H:%M").to_string()
}

fn place(entry: &Entry, frames: &FrameSet) -> String {
    format!("{}/{}@{frames}", entry.row.shot, entry.row.stage)
}

fn note(noted: &notes::Noted<'_>, now: &Zoned) -> Note {
    let row = &noted.entry.row;
    let settled = |(by, words): (&Entry, &std::sync::Arc<str>)| {
        let said = if words.is_empty() { String::new() } else { format!(": {words}") };
        format!("by {}, {}{said}", by.row.by, when(by.row.when, now))
    };
    Note {
        id: noted.entry.id.to_string(),
        shot: row.shot.to_string(),
        place: place(noted.entry, &row.frames),
        by: row.by.to_string(),
        when: when(row.when, now),
        says: noted.words.to_string(),
        resolved: noted.settled.map(settled),
    }
}

/// How a frame of a stage looks now.
fn present(status: &Status, node: Option<NodeId>, frame: i64) -> Present {
    let cell = node.and_then(|id| Some((id, status.report.strips[id].get(frame)?)));
    let Some((id, cell)) = cell else { return Present::Gone };
    if cell.state == State::Fresh && cell.pixels != NONE {
        return Present::Fresh(cell.pixels);
    }
    let node = &status.declared.graph.nodes[id];
    let last = status.state.table(&node.shot, &node.stage).and_then(|table| table.get(frame));
    match last.map(|row| row.pixels).filter(|pixels| *pixels != NONE) {
        Some(pixels) => Present::Last(pixels),
        None => Present::Absent,
    }
}

/// Approvals, an entry a row, with the frames on which each still holds or does no longer.
fn approvals(status: &Status, now: &Zoned) -> Vec<Approval> {
    let approvals = Approvals::after(&status.ledger.0);
    let mut all = Vec::new();
    for (shot, stage) in approvals.stages() {
        let id = status.declared.graph.find(shot, stage);
        let mut rows: BTreeMap<RowId, (&Entry, [FrameSet; 3])> = BTreeMap::new();
        for part in approvals.parts(shot, stage, &|frame| present(status, id, frame)) {
            let at = match part.standing {
                Standing::InForce => 0,
                Standing::InDoubt => 1,
                Standing::Lapsed | Standing::Lost => 2,
            };
            let (_, frames) = rows.entry(part.entry.id).or_insert_with(|| (part.entry, Default::default()));
            part.frames.runs().iter().for_each(|run| frames[at].insert_range(*run));
        }
        all.extend(rows.into_values().map(|(entry, frames)| approval(entry, &frames, now)));
    }
    all
}

fn approval(entry: &Entry, frames: &[FrameSet; 3], now: &Zoned) -> Approval {
    let mut whole = FrameSet::new();
    frames.iter().flat_map(FrameSet::runs).for_each(|run| whole.insert_range(*run));
    let told = |set: &FrameSet| if set.is_empty() { String::new() } else { set.to_string() };
    let says = match &entry.row.what {
        What::Crew(Crew::Approval { note, .. }) => note.to_string(),
        _ => String::new(),
    };
    Approval {
        shot: entry.row.shot.to_string(),
        place: place(entry, &whole),
        by: entry.row.by.to_string(),
        when: when(entry.row.when, now),
        says,
        in_doubt: told(&frames[1]),
        lapsed: told(&frames[2]),
    }
}

fn handed(packet: &packets::Packet, now: &Zoned) -> Packet {
    let (all, back) = packet.counts();
    let place = |part: &packets::Part| format!("{}/{}@{}", part.shot, part.stage, part.left());
    let came = match back {
        0 => words::count(all as u64, "frame"),
        n => format!("{n} of {all} frames came back"),
    };
    let brief = if packet.brief.is_empty() { String::new() } else { format!("; {}", packet.brief) };
    Packet {
        name: packet.name.to_string(),
        person: packet.person.to_string(),
        places: packet.parts.iter().filter(|part| !part.left().is_empty()).map(place).collect(),
        due: packet.due.map_or(String::new(), |day| day.strftime("%-d %B %Y").to_string()),
        late: packet.due.is_some_and(|day| day < now.date()),
        says: format!("{came}{brief}"),
    }
}
