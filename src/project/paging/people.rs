//! What people noted, approved and have in hand, for the page.
//!
//! Knows how rows of people's work are told. What they come to, `crew` says.

use jiff::Zoned;

use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::crew::approvals::Standing;
use crate::crew::notes;
use crate::crew::packets;
use crate::crew::times::{Clock, Forgotten, Times};
use crate::ledger::row::Entry;
use crate::project::approving::Told;
use crate::project::{Project, Status};
use crate::report::page::values::{Approval, Note, Packet, Page};
use crate::report::words;

impl Project {
    /// Puts it into the page.
    pub(super) fn people(&self, page: &mut Page, status: &Status, selection: &Selection, now: &Zoned) {
        let entries = &status.ledger.0;
        let is_picked = |shot: &str, stage: &str| selection.matches(shot, stage).is_some();
        let noted = notes::notes(entries).into_iter();
        let noted = noted.filter(|noted| is_picked(&noted.entry.row.shot, &noted.entry.row.stage));
        page.notes = noted.map(|noted| note(&noted, now)).collect();
        let mut told = self.approvals(status, false);
        told.retain(|told| is_picked(&told.shot, &told.stage));
        page.approvals = approvals(&told, now);
        let open = status.packets.open().into_iter();
        let open = open.filter(|packet| packet.parts.iter().any(|part| is_picked(&part.shot, &part.stage)));
        page.packets = open.map(|packet| handed(packet, now)).collect();
        let clocks = Times::of(entries).running.into_iter();
        let clocks = clocks.filter(|clock| is_picked(&clock.entry.row.shot, &clock.entry.row.stage));
        page.next.extend(clocks.map(|clock| runs(&clock, now)));
    }
}

/// A clock that runs, and what is odd about it.
fn runs(clock: &Clock<'_>, now: &Zoned) -> String {
    let row = &clock.entry.row;
    let place = place(clock.entry, &row.frames);
    let odd = match clock.forgotten(now.timestamp(), now.time_zone()) {
        None => "",
        Some(Forgotten::Future) => ", which is yet to come: a machine's date was wrong",
        Some(Forgotten::Day | Forgotten::Night) => ", and was most likely forgotten",
    };
    format!("The clock of {} runs on {place} since {}{odd}.", clock.person, when(row.when, now))
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

/// Approvals, an entry a row, with the frames on which each still holds or does no longer; `told` has the parts of a row next to
/// each other.
fn approvals(told: &[Told], now: &Zoned) -> Vec<Approval> {
    let join = |parts: &[Told], is_wanted: &dyn Fn(Standing) -> bool| {
        let mut frames = FrameSet::new();
        for part in parts.iter().filter(|part| is_wanted(part.standing)) {
            part.frames.runs().iter().for_each(|run| frames.insert_range(*run));
        }
        if frames.is_empty() { String::new() } else { frames.to_string() }
    };
    let one = |parts: &[Told]| {
        let first = &parts[0];
        Approval {
            shot: first.shot.to_string(),
            place: format!("{}/{}@{}", first.shot, first.stage, join(parts, &|_| true)),
            by: first.by.to_string(),
            when: when(first.when, now),
            says: first.note.clone(),
            in_doubt: join(parts, &|standing| standing == Standing::InDoubt),
            lapsed: join(parts, &|standing| standing == Standing::Lapsed),
            lost: join(parts, &|standing| standing == Standing::Lost),
        }
    };
    told.chunk_by(|a, b| a.row == b.row).map(one).collect()
}

fn handed(packet: &packets::Packet, now: &Zoned) -> Packet {
    let (all, back) = packet.counts();
    let place = |part: &packets::Part| format!("{}/{}@{}", part.shot, part.stage, part.left());
    let came = match back {
        0 => words::count(all as u64, "frame"),
        n => format!("{n} of {all} frames came back"),
    };
    let brief = if packet.brief.is_empty() { String::new() } else { format!(": “{}”", packet.brief) };
    Packet {
        name: packet.name.to_string(),
        person: packet.person.to_string(),
        places: packet.parts.iter().filter(|part| !part.left().is_empty()).map(place).collect(),
        due: packet.due.map_or(String::new(), |day| day.strftime("%-d %B %Y").to_string()),
        late: packet.due.is_some_and(|day| day < now.date()),
        says: format!("{came}{brief}"),
    }
}
