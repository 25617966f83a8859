//! People's clocks: started, stopped, added to and corrected, each by a row of its own.
//!
//! Knows which frames, round and cause a person's time is of when the person does not say, and which clocks are neither started nor
//! stopped. Does not know the time of day: callers pass it in.

pub mod which;

use std::sync::Arc;
use std::time::Duration;

use jiff::tz::TimeZone;
use jiff::{Timestamp, Zoned};

use super::naming;
use super::rebuild::Writer;
use super::{Project, ProjectError, Status};
use crate::base::frames::FrameSet;
use crate::base::state::State;
use crate::crew::rounds::Finished;
use crate::crew::times::{Clock, Times, Work};
use crate::graph::NodeId;
use crate::ledger::crew::{Crew, Worked};
use crate::ledger::file::Ledger;
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, Round, Row, What};
use crate::report::words;
use crate::stale::Reason;

/// The longest cause in the ledger that is taken from what `why` says, in characters.
const CAUSE: usize = 160;
/// What a time that a person says may be off by.
const MINUTE: Duration = Duration::from_secs(60);

/// What a person says of time.
#[derive(Clone, Debug)]
pub struct Said {
    /// Whose time.
    pub person: String,
    /// What made it necessary, when said.
    pub cause: Option<String>,
    /// First pass or rework, when said.
    pub round: Option<Round>,
    /// In the person's words.
    pub note: String,
}

/// A stage's frames that time is of, and what follows from how they stand.
#[derive(Clone, Debug)]
pub struct Place {
    /// The film.
    pub film: Arc<str>,
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// The frames.
    pub frames: FrameSet,
    /// Why a person must touch them, when that is known.
    pub cause: Option<Arc<str>>,
    /// What stood in the way of knowing it.
    pub unknown: Option<String>,
}

impl Place {
    /// `SHOT/STAGE@FRAMES`.
    pub fn name(&self) -> String {
        format!("{}/{}@{}", self.shot, self.stage, self.frames)
    }
}

/// Why no place was found.
#[derive(Debug, thiserror::Error)]
pub enum NoPlace {
    /// The film.
    #[error(transparent)]
    Project(#[from] ProjectError),
    /// What was written means nothing, or too much.
    #[error("{0}")]
    Words(String),
}

/// Why a clock neither starts nor stops, or no time is added. What may be done about it, whoever asked says in the words of the
/// place where it was asked.
#[derive(Debug, thiserror::Error)]
pub enum NoClock {
    /// The ledger.
    #[error(transparent)]
    Project(#[from] ProjectError),
    /// It runs already.
    #[error("the clock of {person} already runs on {place}, since {since}")]
    Runs {
        /// Whose.
        person: String,
        /// `SHOT/STAGE`.
        place: String,
        /// Day and time.
        since: String,
    },
    /// It began later than now.
    #[error(
        "the clock on {place} began at {since}, which is yet to come: this machine's date, or that of the one it was started on, is \
         wrong"
    )]
    Future {
        /// `SHOT/STAGE`.
        place: String,
        /// Day and time.
        since: String,
    },
    /// It ran for longer than anybody works.
    #[error("the clock on {place} has run since {since}, {ran}, and was most likely forgotten")]
    Forgotten {
        /// `SHOT/STAGE`.
        place: String,
        /// Day and time.
        since: String,
        /// For how long.
        ran: String,
    },
    /// It cannot have taken longer than since it began.
    #[error("the clock on {place} has run since {since}, {ran}, so that this cannot have taken {took}")]
    Longer {
        /// `SHOT/STAGE`.
        place: String,
        /// Day and time.
        since: String,
        /// For how long.
        ran: String,
        /// What was said.
        took: String,
    },
    /// No time was to be added.
    #[error("no time at all cannot be added")]
    Nothing,
}

/// Time that was written down.
#[derive(Clone, Copy, Debug)]
pub struct Written {
    /// Its row.
    pub id: RowId,
    /// How long it took.
    pub took: Duration,
    /// First pass or rework.
    pub round: Round,
}

impl Project {
    /// The one stage that a text names. Of a stage that waits for a person, the frames that do, when none are named. A declaration
    /// that has errors elsewhere stands in nobody's way: the time was spent all the same.
    ///
    /// # Errors
    /// When it is not one stage of this film, or has no frames.
    pub fn clock_place(&self, text: &str) -> Result<Place, NoPlace> {
        let declared = self.read();
        if declared.film.is_none() {
            return Err(ProjectError::Unsound(Box::new(declared)).into());
        }
        let (id, frames) = match naming::one_stage(&declared, text, |_| None) {
            Ok(found) => found,
            // What is not there may be what the errors are about.
            Err(_) if !declared.is_sound() => return Err(ProjectError::Unsound(Box::new(declared)).into()),
            Err(words) => return Err(NoPlace::Words(words)),
        };
        let (node, film) = (&declared.graph.nodes[id], declared.graph.film.as_str().into());
        let (shot, stage) = (node.shot.clone(), node.stage.clone());
        let mut place = Place { film, shot, stage, frames, cause: None, unknown: None };
        if !declared.is_sound() {
            place.unknown = Some("the declaration has errors".into());
            return Ok(place);
        }
        let whole = FrameSet::from(node.frames) == place.frames && !text.contains('@');
        match self.status(false, &|_, _| {}) {
            Ok(status) => self.learn(&status, &mut place, whole),
            Err(error) => place.unknown = Some(error.to_string()),
        }
        Ok(place)
    }

    /// What a person is to touch of a stage, and why.
    pub(super) fn learn(&self, status: &Status, place: &mut Place, whole: bool) {
        let Some(id) = status.declared.graph.find(&place.shot, &place.stage) else { return };
        let strip = &status.report.strips[id];
        let cell = |frame: i64| strip.get(frame).map(|cell| (cell.state, cell.reason));
        let redo: FrameSet =
            place.frames.iter().filter(|&n| cell(n).is_some_and(|(_, why)| why == Reason::Redo)).collect();
        if whole && !redo.is_empty() {
            place.frames = redo.clone();
        }
        let stale = || place.frames.iter().find(|&n| cell(n).is_some_and(|(state, _)| state == State::Stale));
        let first = redo.iter().next().or_else(stale);
        place.cause = first.and_then(|frame| self.cause_of(status, id, frame));
    }

    /// What made a frame stale, in the words that the ledger has for it where what it rests on was rendered since.
    pub fn cause_of(&self, status: &Status, id: NodeId, frame: i64) -> Option<Arc<str>> {
        self.explain(status, |explainer| {
            let steps = explainer.chain(id, frame);
            let last = steps.last()?;
            let (stage, at) = last.place.rsplit_once('@')?;
            let (shot, stage) = stage.split_once('/')?;
            let node = status.declared.graph.find(shot, stage)?;
            let rendered =
                (last.state.state == State::Fresh).then(|| explainer.memory.cause(node, at.parse().ok()?));
            rendered.flatten().or_else(|| Some(last.says.chars().take(CAUSE).collect::<String>().into()))
        })
    }

    /// Starts a person's clock; `entries` are the ledger's.
    ///
    /// # Errors
    /// When it runs on that stage already and was not forgotten, or the ledger cannot be written.
    pub fn start_clock(
        &self,
        place: &Place,
        said: &Said,
        entries: &[Entry],
        now: &Zoned,
        writer: &Writer,
    ) -> Result<RowId, NoClock> {
        let times = Times::of(entries);
        let (at, zone) = (now.timestamp(), now.time_zone());
        let is_again = |clock: &&Clock<'_>| clock.is_on(&place.shot, &place.stage);
        let mut again = times.running_of(&said.person).filter(is_again);
        if let Some(clock) = again.find(|clock| clock.forgotten(at, zone).is_none()) {
            return Err(NoClock::Runs {
                person: said.person.clone(),
                place: clock.place(),
                since: words::clock(clock.entry.row.when, zone),
            });
        }
        let cause = cause(place, said);
        let what =
            Crew::Begin { person: said.person.as_str().into(), cause, note: said.note.as_str().into() };
        Ok(self.put(&row(place, at, writer, what), writer)?)
    }

    /// Stops a clock: the time until now, or so long as it took where that is said.
    ///
    /// # Errors
    /// When it was most likely forgotten or began later than now and nobody says how long it took, when it has not run for so long, or
    /// the ledger cannot be written.
    pub fn stop_clock(
        &self,
        clock: &Clock<'_>,
        took: Option<Duration>,
        said: &Said,
        entries: &[Entry],
        now: &Zoned,
        writer: &Writer,
    ) -> Result<Written, NoClock> {
        let (began, at, zone) = (&clock.entry.row, now.timestamp(), now.time_zone());
        let took = match took {
            Some(took) => possible(clock, took, at, zone)?,
            None => ran(clock, at, zone)?,
        };
        let round = round_of(said, (&*began.shot, &*began.stage, &began.frames), entries, began.when);
        // When what it took was said, it may be long past.
        let when = began.when.checked_add(took).map_or(at, |end| end.min(at));
        let worked = Worked {
            person: clock.person.clone(),
            took,
            // A beginning that is yet to come is none: the time would stand on a day that is yet to come.
            began: clock.ran(at).map(|_| began.when),
            round: Some(round),
            cause: said.cause.as_ref().map_or_else(|| clock.cause.clone(), |cause| cause.as_str().into()),
            ends: Some(clock.entry.id),
            packet: "".into(),
            note: if said.note.is_empty() { clock.note.clone() } else { said.note.as_str().into() },
        };
        let by: Arc<str> = writer.name.as_str().into();
        let row = Row { when, by, what: What::Crew(Crew::Worked(worked)), ..began.clone() };
        Ok(Written { id: self.put(&row, writer)?, took, round })
    }

    /// Writes down time that no clock counted: on a day, or from a time on; `entries` are the ledger's.
    ///
    /// # Errors
    /// When it is no time at all, or the ledger cannot be written.
    pub fn add_time(
        &self,
        place: &Place,
        took: Duration,
        (when, began): (Timestamp, Option<Timestamp>),
        said: &Said,
        entries: &[Entry],
        writer: &Writer,
    ) -> Result<Written, NoClock> {
        if took.is_zero() {
            return Err(NoClock::Nothing);
        }
        let round =
            round_of(said, (&*place.shot, &*place.stage, &place.frames), entries, began.unwrap_or(when));
        let worked = Worked {
            person: said.person.as_str().into(),
            took,
            began,
            round: Some(round),
            cause: cause(place, said),
            ends: None,
            packet: "".into(),
            note: said.note.as_str().into(),
        };
        Ok(Written { id: self.put(&row(place, when, writer, Crew::Worked(worked)), writer)?, took, round })
    }

    /// Corrects how long something took.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn correct_time(
        &self,
        work: &Work<'_>,
        took: Duration,
        note: &str,
        now: Timestamp,
        writer: &Writer,
    ) -> Result<RowId, ProjectError> {
        let what = What::Crew(Crew::Correct { of: work.entry.id, took, note: note.into() });
        let row = Row { when: now, by: writer.name.as_str().into(), what, ..work.entry.row.clone() };
        self.put(&row, writer)
    }

    /// Appends one row to a writer's ledger.
    pub(super) fn put(&self, row: &Row, writer: &Writer) -> Result<RowId, ProjectError> {
        Ok(Ledger::open(&self.folder.join("ledger"), &writer.name)?.append(row)?)
    }
}

/// How long a clock has run, where that can be taken for what the work took.
fn ran(clock: &Clock<'_>, at: Timestamp, zone: &TimeZone) -> Result<Duration, NoClock> {
    let (place, since) = (clock.place(), words::clock(clock.entry.row.when, zone));
    match (clock.ran(at), clock.forgotten(at, zone)) {
        (None, _) => Err(NoClock::Future { place, since }),
        (Some(ran), Some(_)) => Err(NoClock::Forgotten { place, since, ran: words::time(ran) }),
        (Some(ran), None) => Ok(ran),
    }
}

/// How long it took as a person says, where the clock has run for so long. People round to a minute.
fn possible(clock: &Clock<'_>, took: Duration, at: Timestamp, zone: &TimeZone) -> Result<Duration, NoClock> {
    let Some(ran) = clock.ran(at).filter(|ran| took > *ran + MINUTE) else { return Ok(took) };
    let (place, since) = (clock.place(), words::clock(clock.entry.row.when, zone));
    Err(NoClock::Longer { place, since, ran: words::time(ran), took: words::time(took) })
}

/// What two clocks of one person at once mean, of the one that ran before.
pub fn beside(clock: &Clock<'_>, zone: &TimeZone) -> String {
    format!(
        "it runs beside the one on {} since {}: until one of them stops, the same minutes count for both",
        clock.place(),
        words::clock(clock.entry.row.when, zone)
    )
}

/// The round of a person's time, as said or as what was done before makes it.
fn round_of(
    said: &Said,
    (shot, stage, frames): (&str, &str, &FrameSet),
    entries: &[Entry],
    at: Timestamp,
) -> Round {
    said.round.unwrap_or_else(|| Finished::of(entries).round(shot, stage, frames, at))
}

fn cause(place: &Place, said: &Said) -> Arc<str> {
    match (&said.cause, &place.cause) {
        (Some(said), _) => said.as_str().into(),
        (None, Some(known)) => known.clone(),
        (None, None) => "".into(),
    }
}

fn row(place: &Place, when: Timestamp, writer: &Writer, what: Crew) -> Row {
    let Place { film, shot, stage, frames, .. } = place.clone();
    Row { when, film, shot, stage, frames, by: writer.name.as_str().into(), what: What::Crew(what) }
}
