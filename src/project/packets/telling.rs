//! The ledger's rows of files that come into use and of the hours of a time sheet.
//!
//! Knows what each row says, and which hours are a first pass and which rework. Writes nothing: the rows are written down with all
//! else that a takeback does.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::in_rows;
use super::sheet::{self, Due, Line};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::crew::packets::Packet;
use crate::crew::rounds::Finished;
use crate::crew::times;
use crate::ledger::crew::{Crew, Worked};
use crate::ledger::file::DIGESTS_A_ROW;
use crate::ledger::row::{Entry, Round, Row, What};

/// Who tells it, and when.
pub(super) struct Teller<'a> {
    /// The film.
    pub film: &'a str,
    /// Who takes back.
    pub by: &'a str,
    /// When.
    pub when: Timestamp,
    /// In that person's words.
    pub note: &'a str,
}

/// Files of one stage of one shot that come into use together.
pub(super) struct Part {
    /// The shot.
    pub shot: String,
    /// The stage.
    pub stage: String,
    /// Which return of the stage it is.
    pub version: u32,
    /// Frame, digest of its file's bytes, and the file's path in the project.
    pub files: Vec<(i64, Digest, String)>,
}

impl Teller<'_> {
    fn row(&self, shot: &str, stage: &str, frames: FrameSet, what: What) -> Row {
        let (film, by) = (self.film.into(), self.by.into());
        Row { when: self.when, film, shot: shot.into(), stage: stage.into(), frames, by, what }
    }

    /// Rows of files that came in a packet; of an earlier return that is chosen once more where there is none.
    pub fn files(&self, part: &Part, packet: Option<&Packet>) -> Vec<Row> {
        let frames: Vec<i64> = part.files.iter().map(|(frame, _, _)| *frame).collect();
        let mut rows = Vec::new();
        for (begin, set) in in_rows(&frames) {
            let of_row = &part.files[begin..(begin + DIGESTS_A_ROW).min(part.files.len())];
            let (version, note) = (part.version, self.note.into());
            let (crew, says) = match packet {
                None => (Crew::Choose { version, note }, format!("return {version} once more")),
                Some(packet) => {
                    let digests = of_row.iter().map(|(_, digest, _)| *digest).collect();
                    let (name, person) = (packet.name.clone(), packet.person.clone());
                    let says = format!("{name}, return {version}");
                    (Crew::Takeback { packet: name, person, version, digests, note }, says)
                }
            };
            rows.push(self.row(&part.shot, &part.stage, set.clone(), What::Crew(crew)));
            rows.push(self.row(&part.shot, &part.stage, set, What::Delivery { note: says.into() }));
        }
        rows
    }

    /// Rows of the hours of a packet's sheet. A correction is of now; work is of its day in `zone`.
    pub fn hours(&self, entries: &[Entry], packet: &Packet, due: &[Due], zone: &TimeZone) -> Vec<Row> {
        let finished = Finished::of(entries);
        let of_line = |due: &Due| {
            let (Due::New(line) | Due::Corrected(_, line)) = due;
            let part = packet.parts.iter().find(|part| *part.shot == *line.shot);
            let stage = part.map_or("", |part| &*part.stage);
            let frames: FrameSet = line.frames.parse().unwrap_or_default();
            if let Due::Corrected(of, _) = due {
                let correct = Crew::Correct { of: *of, took: sheet::took(line), note: sheet::note(line) };
                return self.row(&line.shot, stage, frames, What::Crew(correct));
            }
            let is_whole = part.is_some_and(|part| part.frames == frames);
            let (round, cause) = round(&finished, packet, (line, stage, &frames), is_whole, zone);
            let worked = Worked {
                person: packet.person.clone(),
                took: sheet::took(line),
                began: None,
                round: Some(round),
                cause: cause.into(),
                ends: None,
                packet: packet.name.clone(),
                note: sheet::note(line),
            };
            let row = self.row(&line.shot, stage, frames, What::Crew(Crew::Worked(worked)));
            Row { when: times::on(line.date, zone).unwrap_or(self.when), ..row }
        };
        due.iter().map(of_line).collect()
    }
}

/// Whether a line's hours are rework, and why: where its own frames were finished once before the packet went out, or before the
/// day of the line. A line of all frames of its shot, as one that names none, is not held against what came back since: it is as
/// likely of the rest.
fn round(
    finished: &Finished<'_>,
    packet: &Packet,
    (line, stage, frames): (&Line, &str, &FrameSet),
    is_whole: bool,
    zone: &TimeZone,
) -> (Round, &'static str) {
    if finished.round(&line.shot, stage, frames, packet.since) == Round::Rework {
        return (Round::Rework, "handed out again");
    }
    let morning = line.date.to_zoned(zone.clone()).map_or(packet.since, |day| day.timestamp());
    if is_whole || morning <= packet.since {
        return (Round::First, "");
    }
    (finished.round(&line.shot, stage, frames, morning), "")
}
