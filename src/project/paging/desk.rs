//! What a person writes down at the page: approvals, notes, clocks, as rows of the ledger.
//!
//! Knows which words make which row, and refuses what names no frame of the film. Whether somebody may write at all is for
//! `serve` to say.

use std::time::Duration;

use jiff::Timestamp;
use serde::Deserialize;

use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::state::State;
use crate::crew::notes;
use crate::crew::times::Times;
use crate::graph::NodeId;
use crate::ledger::id::RowId;
use crate::project::approving::{Asked, NoteOn};
use crate::project::clocking::{self, Place};
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError, Status};
use crate::report::words;

/// The longest name of a person and the longest text, in characters.
const NAME: usize = 100;
/// See [`NAME`].
const TEXT: usize = 2000;
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
        let person = match said.person.trim() {
            "" => &writer.name,
            name => name,
        };
        let status = self.status(false, &|_, _| {})?;
        if said.does == "resolve" {
            return self.settle_note(&status, said, person, writer);
        }
        let (id, on) = place(&status, said)?;
        let (name, words) = (on.name(), said.says.trim());
        match &*said.does {
            "approve" => self.approve_place(&status, id, &on, (person, words), writer),
            "note" if words.is_empty() => refused("a note needs words"),
            "note" => {
                let on =
                    NoteOn { film: &on.film, shot: &on.shot, stage: &on.stage, frames: on.frames.clone() };
                self.note(on, (person, words), writer)?;
                Ok(format!("Noted on {name}."))
            }
            "begin" => {
                self.start_clock(&on, &timed(person, words), now, writer)?;
                Ok(format!("The clock of {person} runs on {name}."))
            }
            "stop" => self.stop_running(&status, person, words, now, writer),
            "worked" => {
                let Some(took) = took(&said.took) else {
                    return refused("a time is written such as 45m, 1h30m or 1.5h, a day at most");
                };
                self.add_time(&on, took, (now, None), &timed(person, words), writer)?;
                Ok(format!("{person} worked {} on {name}.", words::time(took)))
            }
            other => refused(format!("'{other}' is nothing that can be written down")),
        }
    }

    /// Approves what is fresh of a place; what is not is said.
    fn approve_place(
        &self,
        status: &Status,
        id: NodeId,
        on: &Place,
        (person, note): (&str, &str),
        writer: &Writer,
    ) -> Result<String, Refused> {
        let strip = &status.report.strips[id];
        let is_fresh =
            |n: &i64| strip.get(*n).is_some_and(|cell| cell.state == State::Fresh && cell.pixels != NONE);
        let fresh: FrameSet = on.frames.iter().filter(is_fresh).collect();
        if fresh.is_empty() {
            return refused(format!(
                "nothing of {} is fresh: a rebuild makes what can be approved",
                on.name()
            ));
        }
        let besides = match on.frames.len() - fresh.len() {
            0 => String::new(),
            n => format!("; {} not fresh and not approved", words::count(n as u64, "frame")),
        };
        let told = format!("{person} approves {}/{}@{fresh}{besides}.", on.shot, on.stage);
        self.approve(status, &[Asked { node: id, fresh, not: Vec::new() }], (person, note), writer)?;
        Ok(told)
    }

    fn settle_note(
        &self,
        status: &Status,
        said: &Said,
        person: &str,
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
        self.settle(noted.entry, (person, said.says.trim()), writer)?;
        Ok("The note is settled.".into())
    }

    /// Stops the one clock of a person that runs.
    fn stop_running(
        &self,
        status: &Status,
        person: &str,
        note: &str,
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
        let began = &clock.entry.row;
        let took = Duration::try_from(now.duration_since(began.when)).unwrap_or_default();
        self.stop_clock(clock, took, &timed(person, note), now, writer)?;
        Ok(format!("{person} worked {} on {}/{}.", words::time(took), began.shot, began.stage))
    }
}

/// What a person says of time at the page, where neither cause nor round is asked.
fn timed(person: &str, note: &str) -> clocking::Said {
    clocking::Said { person: person.into(), cause: None, round: None, note: note.into() }
}

/// The stage and frames that are named, all of them of the film.
fn place(status: &Status, said: &Said) -> Result<(NodeId, Place), Refused> {
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
    Ok((id, Place { film: graph.film.as_str().into(), shot, stage, frames, cause: None, unknown: None }))
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
