//! What a person writes down at the page: approvals, notes, clocks, as rows of the ledger.
//!
//! Knows which words make which row, and refuses what names no frame of the film. Whether somebody may write at all is for
//! `serve` to say.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use serde::Deserialize;

use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::state::State;
use crate::crew::notes;
use crate::crew::times::Times;
use crate::graph::NodeId;
use crate::ledger::crew::{Crew, Worked};
use crate::ledger::file::Ledger;
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, Row, What};
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError, Status};
use crate::report::words;

/// The longest name of a person and the longest text, in characters.
const NAME: usize = 100;
/// See [`NAME`].
const TEXT: usize = 2000;
/// Frames that one approval holds: a row of the ledger has a limit, and each frame's digest stands in it.
const FRAMES: usize = 8192;
/// The longest stretch of time that one row may add.
const LONGEST: Duration = Duration::from_secs(24 * 3600);

/// What is to be written down, as the page sends it.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Said {
    /// `approve`, `note`, `resolve`, `begin`, `stop` or `worked`.
    pub does: String,
    /// The shot.
    pub shot: String,
    /// The stage.
    pub stage: String,
    /// Its frames; all when empty.
    pub frames: String,
    /// Whose it is; the writer's when empty.
    pub person: String,
    /// In words.
    pub says: String,
    /// How long, such as `1h30m`.
    pub took: String,
    /// The id of a note.
    pub note: String,
}

/// Why nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum Refused {
    /// It cannot be meant; in words.
    #[error("{0}")]
    Words(String),
    /// The film or the ledger.
    #[error(transparent)]
    Project(#[from] ProjectError),
}

fn refused<T>(words: impl Into<String>) -> Result<T, Refused> {
    Err(Refused::Words(words.into()))
}

/// A time as people write it: `90m`, `1h30m`, `1.5h`, `1h`.
pub fn took(text: &str) -> Option<Duration> {
    let (mut seconds, mut number) = (0.0, String::new());
    for c in text.trim().chars().filter(|c| !c.is_whitespace()) {
        match c {
            '0'..='9' | '.' => number.push(c),
            'h' | 'm' => {
                let amount: f64 = std::mem::take(&mut number).parse().ok()?;
                seconds += amount * if c == 'h' { 3600.0 } else { 60.0 };
            }
            _ => return None,
        }
    }
    let time = Duration::try_from_secs_f64(f64::round(seconds)).ok()?;
    (number.is_empty() && !time.is_zero() && time <= LONGEST).then_some(time)
}

impl Project {
    /// Writes down what a person says, and gives it back in a sentence.
    ///
    /// # Errors
    /// It names nothing of the film, or the ledger cannot be written.
    pub fn write_down(&self, said: &Said, now: Timestamp, writer: &Writer) -> Result<String, Refused> {
        let long = |text: &str, most: usize| text.chars().count() > most;
        let odd = |text: &str| text.chars().any(char::is_control);
        if long(&said.person, NAME) || long(&said.says, TEXT) || odd(&said.person) || odd(&said.says) {
            return refused(format!(
                "at most {NAME} letters of a name and {TEXT} of words, on one line each"
            ));
        }
        let person: Arc<str> = match said.person.trim() {
            "" => writer.name.as_str().into(),
            name => name.into(),
        };
        let status = self.status(false, &|_, _| {})?;
        if said.does == "resolve" {
            return self.settle_note(&status, said, person, now, writer);
        }
        let place = place(&status, said)?;
        let words: Arc<str> = said.says.trim().into();
        match &*said.does {
            "approve" => self.approve_place(&status, &place, person, words, now, writer),
            "note" if words.is_empty() => refused("a note needs words"),
            "note" => {
                self.append(&place.row(now, person, Crew::Note { note: words }), writer)?;
                Ok(format!("Noted on {}.", place.name()))
            }
            "begin" => {
                let clock = Crew::Begin { person: person.clone(), cause: "".into(), note: words };
                self.append(&place.row(now, writer.name.as_str().into(), clock), writer)?;
                Ok(format!("The clock of {person} runs on {}.", place.name()))
            }
            "stop" => self.stop_running(&status, &person, words, now, writer),
            "worked" => self.add_worked(&place, said, person, now, writer),
            other => refused(format!("'{other}' is nothing that can be written down")),
        }
    }

    fn append(&self, row: &Row, writer: &Writer) -> Result<RowId, Refused> {
        let ledger = Ledger::open(&self.folder.join("ledger"), &writer.name);
        Ok(ledger.and_then(|mut ledger| ledger.append(row)).map_err(ProjectError::from)?)
    }

    /// Approves what is fresh of a place; what is not is said.
    fn approve_place(
        &self,
        status: &Status,
        place: &Place,
        person: Arc<str>,
        note: Arc<str>,
        now: Timestamp,
        writer: &Writer,
    ) -> Result<String, Refused> {
        let strip = &status.report.strips[place.id];
        let pixels = |n: i64| {
            let cell = strip.get(n).filter(|cell| cell.state == State::Fresh && cell.pixels != NONE)?;
            Some((n, cell.pixels))
        };
        let fresh: Vec<_> = place.frames.iter().filter_map(pixels).collect();
        if fresh.is_empty() {
            return refused(format!(
                "nothing of {} is fresh: a rebuild makes what can be approved",
                place.name()
            ));
        }
        for part in fresh.chunks(FRAMES) {
            let crew = Crew::Approval {
                digests: part.iter().map(|(_, pixels)| *pixels).collect(),
                note: note.clone(),
            };
            let row = Row {
                frames: part.iter().map(|(n, _)| *n).collect(),
                ..place.row(now, person.clone(), crew)
            };
            self.append(&row, writer)?;
        }
        let left = place.frames.len() - fresh.len();
        let besides = match left {
            0 => String::new(),
            n => format!("; {} not fresh and not approved", words::count(n as u64, "frame")),
        };
        let frames: FrameSet = fresh.iter().map(|(n, _)| *n).collect();
        Ok(format!("{person} approves {}/{}@{frames}{besides}.", place.shot, place.stage))
    }

    fn settle_note(
        &self,
        status: &Status,
        said: &Said,
        person: Arc<str>,
        now: Timestamp,
        writer: &Writer,
    ) -> Result<String, Refused> {
        let id: Option<RowId> = said.note.parse().ok();
        let all = notes::notes(&status.ledger.0);
        let Some(noted) = all.iter().find(|noted| Some(noted.entry.id) == id) else {
            return refused("there is no such note");
        };
        if noted.settled.is_some() {
            return refused("that note is settled already");
        }
        let what = What::Crew(Crew::Resolve { of: noted.entry.id, note: said.says.trim().into() });
        self.append(&Row { when: now, by: person, what, ..noted.entry.row.clone() }, writer)?;
        Ok("The note is settled.".into())
    }

    /// Stops the one clock of a person that runs.
    fn stop_running(
        &self,
        status: &Status,
        person: &Arc<str>,
        note: Arc<str>,
        now: Timestamp,
        writer: &Writer,
    ) -> Result<String, Refused> {
        let times = Times::of(&status.ledger.0);
        let running: Vec<_> = times.running_of(person).collect();
        let [clock] = running.as_slice() else {
            return refused(match running.len() {
                0 => format!("no clock of {person} runs"),
                n => format!("{n} clocks of {person} run; stop each with `endboard clock`"),
            });
        };
        let entry: &Entry = clock.entry;
        let took = Duration::try_from(now.duration_since(entry.row.when)).unwrap_or_default();
        let worked = Worked {
            person: person.clone(),
            took,
            began: Some(entry.row.when),
            round: None,
            cause: clock.cause.clone(),
            ends: Some(entry.id),
            packet: "".into(),
            note: if note.is_empty() { clock.note.clone() } else { note },
        };
        let what = What::Crew(Crew::Worked(worked));
        let row = Row { when: now, by: writer.name.as_str().into(), what, ..entry.row.clone() };
        self.append(&row, writer)?;
        Ok(format!("{person} worked {} on {}/{}.", words::time(took), entry.row.shot, entry.row.stage))
    }

    fn add_worked(
        &self,
        place: &Place,
        said: &Said,
        person: Arc<str>,
        now: Timestamp,
        writer: &Writer,
    ) -> Result<String, Refused> {
        let Some(took) = took(&said.took) else {
            return refused("a time is written such as 45m, 1h30m or 1.5h, a day at most");
        };
        let (cause, packet, note) = ("".into(), "".into(), said.says.trim().into());
        let worked = Worked {
            person: person.clone(),
            took,
            began: None,
            round: None,
            cause,
            ends: None,
            packet,
            note,
        };
        let by = writer.name.as_str().into();
        self.append(&place.row(now, by, Crew::Worked(worked)), writer)?;
        Ok(format!("{person} worked {} on {}.", words::time(took), place.name()))
    }
}

/// Frames of a stage that something is said of.
struct Place {
    id: NodeId,
    film: Arc<str>,
    shot: Arc<str>,
    stage: Arc<str>,
    frames: FrameSet,
}

impl Place {
    fn name(&self) -> String {
        format!("{}/{}@{}", self.shot, self.stage, self.frames)
    }

    fn row(&self, when: Timestamp, by: Arc<str>, crew: Crew) -> Row {
        let (film, shot, stage) = (self.film.clone(), self.shot.clone(), self.stage.clone());
        Row { when, film, shot, stage, frames: self.frames.clone(), by, what: What::Crew(crew) }
    }
}

/// The stage and frames that are named, all of them of the film.
fn place(status: &Status, said: &Said) -> Result<Place, Refused> {
    let graph = &status.declared.graph;
    let Some(id) = graph.find(&said.shot, &said.stage) else {
        return refused(format!(
            "the film has no stage {}/{}",
            words::fit(&said.shot, 40, false),
            words::fit(&said.stage, 40, false)
        ));
    };
    let node = &graph.nodes[id];
    let mut frames = FrameSet::new();
    if said.frames.trim().is_empty() {
        if !node.frames.is_empty() {
            frames.insert_range(node.frames);
        }
    } else {
        let Ok(asked) = said.frames.trim().parse::<FrameSet>() else {
            return refused("frames are written such as 1012 or 1012-1019");
        };
        // A huge range is refused before anybody goes through it.
        if asked.runs().iter().any(|run| !node.frames.covers(*run)) {
            return refused(format!("{} has the frames {}", node.name(), node.frames));
        }
        frames = asked;
    }
    if frames.is_empty() {
        return refused(format!("{} has no frames", node.name()));
    }
    let (shot, stage) = (node.shot.clone(), node.stage.clone());
    Ok(Place { id, film: graph.film.as_str().into(), shot, stage, frames })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_people_write_them() {
        let minutes = |text| took(text).map(|time| time.as_secs() / 60);
        for (text, want) in [("90m", 90), ("1h30m", 90), ("1.5h", 90), (" 1 h 5 m ", 65), ("24h", 1440)] {
            assert_eq!(minutes(text), Some(want), "{text}");
        }
        for text in ["", "h", "90", "1h30", "-1h", "0m", "25h", "1d", "1e9h", "nan", "1..5h", "..m"] {
            assert_eq!(took(text), None, "{text}");
        }
    }
}
