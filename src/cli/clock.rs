//! `clock`: a person's time on a shot and stage.

use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::{Date, Time};

use super::arguments::crew::{Clock as Options, ClockVerb, Spent};
use super::arguments::{self, Arguments};
use super::today::{Now, moment, past};
use super::{Answer, Exit, Failure, clocks, people, rebuild};
use crate::crew::naming::Names;
use crate::crew::overlaps::overlaps;
use crate::crew::times::{self, Clock, Forgotten, Times};
use crate::ledger::crew::{Crew, Worked};
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, Round, What};
use crate::project::Project;
use crate::project::clocking::which::one_of;
use crate::project::clocking::{self, NoClock, NoPlace, Place, Said, Written};
use crate::report::words;

/// The most that one day has of time.
const DAY: Duration = Duration::from_secs(24 * 3600);

/// Does what the verb says; without one, lists.
pub fn run(project: &Project, arguments: &Arguments, options: &Options) -> Answer {
    let now = Now::here();
    let (entries, problems) = project.ledger();
    people::tell_ledger(&problems);
    let whole = Whole { project, entries: &entries, now: &now, json: arguments.json };
    match &options.verb {
        None => {
            verb_first(&options.selectors, options.person.as_deref())?;
            whole.list(&options.selectors, options.person.as_deref())
        }
        Some(ClockVerb::List { selectors, person }) => whole.list(selectors, person.as_deref()),
        Some(ClockVerb::Start { place, spent }) => whole.start(place, spent),
        Some(ClockVerb::Stop { name, took, spent }) => whole.stop(name.as_deref(), *took, spent),
        Some(ClockVerb::Add { place, took, day, began, spent }) => {
            whole.add(place, *took, (*day, *began), spent)
        }
        Some(ClockVerb::Correct { name, took, note }) => whole.correct(name, *took, note),
    }
}

/// Refuses a person before what is to be done, where `stop` would be taken for a shot.
fn verb_first(selectors: &[String], person: Option<&str>) -> Result<(), Failure> {
    let verb =
        selectors.first().filter(|word| ["start", "stop", "add", "correct", "list"].contains(&word.as_str()));
    match verb.zip(person) {
        Some((verb, person)) => people::usage(format!(
            "--person stands behind what is to be done: `endboard clock {verb} --person {person}`"
        )),
        None => Ok(()),
    }
}

impl From<NoPlace> for Failure {
    fn from(none: NoPlace) -> Self {
        match none {
            NoPlace::Project(error) => Failure::Project(error),
            NoPlace::Words(words) => Failure::Usage(words),
        }
    }
}

/// A refusal with a way on.
fn refused(none: NoClock, way: &str) -> Failure {
    match none {
        NoClock::Project(error) => Failure::Project(error),
        words => Failure::Usage(format!("{words}; {way}")),
    }
}

struct Whole<'a> {
    project: &'a Project,
    entries: &'a [Entry],
    now: &'a Now,
    json: bool,
}

impl Whole<'_> {
    fn said(&self, spent: &Spent) -> Said {
        let person = people::who(spent.person.as_deref());
        if spent.person.is_some() {
            people::tell_if_new(&person, known(self.entries));
        }
        let round = match (spent.rework, spent.first_pass) {
            (true, _) => Some(Round::Rework),
            (_, true) => Some(Round::First),
            _ => None,
        };
        Said { person, cause: spent.cause.clone(), round, note: spent.note.clone() }
    }

    fn list(&self, selectors: &[String], person: Option<&str>) -> Answer {
        let selection = arguments::selection(selectors, None)?;
        people::known(self.project, self.entries, &selection)?;
        clocks::list(self.entries, self.now, (&selection, person), self.json)
    }

    fn start(&self, place: &str, spent: &Spent) -> Answer {
        let said = self.said(spent);
        let place = self.project.clock_place(place)?;
        let writer = rebuild::writer();
        let begun = self.project.start_clock(&place, &said, self.entries, &self.now.zoned(), &writer);
        let id = begun.map_err(|none| refused(none, "`endboard clock stop` ends it"))?;
        let name = self.name_of(id);
        if self.json {
            self.answer("started", &name, id, &said.person, &place, None);
            return Ok(Exit::Done);
        }
        flow!("{name}: the clock of {} runs on {}{}", said.person, place.name(), because(&place, &said));
        for clock in Times::of(self.entries).running_of(&said.person) {
            let (beside, name) = (clocking::beside(clock, &self.now.zone), self.name_of(clock.entry.id));
            flow!("{beside}. `endboard clock stop {name}` stops that one");
        }
        Ok(Exit::Done)
    }

    fn stop(&self, name: Option<&str>, took: Option<Duration>, spent: &Spent) -> Answer {
        let said = self.said(spent);
        let times = Times::of(self.entries);
        let clock = *self.clock(&times, name, &said.person)?;
        let row = &clock.entry.row;
        let at = Place {
            film: row.film.clone(),
            shot: row.shot.clone(),
            stage: row.stage.clone(),
            frames: row.frames.clone(),
            cause: None,
            unknown: None,
        };
        let writer = rebuild::writer();
        let stopped = self.project.stop_clock(&clock, took, &said, self.entries, &self.now.zoned(), &writer);
        let written = stopped.map_err(|none| {
            let named = self.name_of(clock.entry.id);
            let way = match &none {
                NoClock::Longer { place, .. } => {
                    format!("`endboard clock add {place} TIME` writes down what was before it")
                }
                _ => format!("say how long it took, such as `endboard clock stop {named} --took 1h30m`"),
            };
            refused(none, &way)
        })?;
        // A clock keeps its name when it stops.
        self.told(("stopped", clock.entry.id), clock.person, &at, written)
    }

    /// The clock that is meant: the one named, or the person's only one.
    fn clock<'t, 'e>(
        &self,
        times: &'t Times<'e>,
        name: Option<&str>,
        person: &str,
    ) -> Result<&'t Clock<'e>, Failure> {
        let one = |clock: &Clock<'_>| format!("{} ({})", self.name_of(clock.entry.id), clock.place());
        // A place has a stroke in it, a row's name has none.
        let place = match name {
            Some(name) if !name.contains('/') => return self.named(times, name),
            Some(name) => name.split_once('/').unwrap_or_default(),
            None => ("", ""),
        };
        one_of(times, person, place).map_err(|none| {
            let others: Vec<String> = match none.running.is_empty() {
                true => times.running.iter().map(one).collect(),
                false => Vec::new(),
            };
            let hint = match others.is_empty() {
                true => String::new(),
                false => format!("; those of others: {}", others.join(", ")),
            };
            Failure::Usage(format!("{}{hint}", none.words(one)))
        })
    }

    /// The clock whose row has a name.
    fn named<'t, 'e>(&self, times: &'t Times<'e>, name: &str) -> Result<&'t Clock<'e>, Failure> {
        let rows = Names::of(times.running.iter().map(|clock| clock.entry.id));
        let id = rows
            .find(name)
            .map_err(|none| Failure::Usage(format!("{none}; `endboard clock` names the clocks that run")))?;
        Ok(times.running.iter().find(|clock| clock.entry.id == id).expect("a name of one of them"))
    }

    fn add(
        &self,
        place: &str,
        took: Duration,
        (day, began): (Option<Date>, Option<Time>),
        spent: &Spent,
    ) -> Answer {
        if took > DAY {
            return people::usage(format!(
                "{} on one day: a day has 24 hours; add each day's time by itself, with --day",
                words::time(took)
            ));
        }
        let said = self.said(spent);
        let today = self.now.day();
        let day = past(day.unwrap_or(today), today, "--day").map_err(Failure::Usage)?;
        let when = self.when(day, took, began)?;
        let place = self.project.clock_place(place)?;
        let added = self.project.add_time(&place, took, when, &said, self.entries, &rebuild::writer());
        let written = added.map_err(|none| refused(none, "`endboard clock correct` takes time away"))?;
        if !self.json
            && let Some(cause) = because(&place, &said).strip_prefix(", as ")
        {
            flow!("cause: {cause}");
        }
        self.told(("added", written.id), &said.person, &place, written)
    }

    /// When time of a day ended, and when it began where that was said.
    fn when(
        &self,
        day: Date,
        took: Duration,
        from: Option<Time>,
    ) -> Result<(Timestamp, Option<Timestamp>), Failure> {
        let Some(from) = from else {
            if day == self.now.day() {
                return Ok((self.now.at, None));
            }
            let when = times::on(day, &self.now.zone);
            return Ok((
                when.ok_or_else(|| Failure::Usage(format!("{day} lies beyond all calendars")))?,
                None,
            ));
        };
        let (began, read) = moment(day, from, &self.now.zone).map_err(Failure::Usage)?;
        read.iter().for_each(|words| tell!("{words}"));
        let end = began.checked_add(took).map_err(|e| Failure::Usage(e.to_string()))?;
        if end > self.now.at {
            return people::usage(format!(
                "{} from {} ends at {}, which is yet to come",
                words::time(took),
                self.now.clock(began),
                self.now.clock(end)
            ));
        }
        Ok((end, Some(began)))
    }

    fn correct(&self, name: &str, took: Duration, note: &str) -> Answer {
        let times = Times::of(self.entries);
        let id = names(self.entries, None).find(name);
        let id = id.map_err(|none| {
            Failure::Usage(format!("{none}; `endboard clock list` names the rows of time"))
        })?;
        if times.running.iter().any(|clock| clock.entry.id == id) {
            return people::usage(format!(
                "{name} is a clock that runs: `endboard clock stop {name} --took {}`",
                short(took)
            ));
        }
        let Some(work) = times.work_of(id) else {
            return people::usage(format!(
                "{name} is no time that counts; `endboard clock list` names the rows of time"
            ));
        };
        let new = self.project.correct_time(work, took, note, self.now.at, &rebuild::writer())?;
        let row = &work.entry.row;
        let (place, before) = (format!("{}/{}", row.shot, row.stage), words::time(work.took));
        if self.json {
            let all = serde_json::json!({ "format": "endboard clock 1", "did": "corrected", "row": new.to_string(),
                "of": work.entry.id.to_string(), "person": work.worked.person, "place": place,
                "seconds_before": work.took.as_secs_f64(), "seconds": took.as_secs_f64() });
            say!("{all:#}");
            return Ok(Exit::Done);
        }
        match took.is_zero() {
            true => flow!("{place}: {before} of {} taken away", work.worked.person),
            false => flow!("{place}: {} of {}, and not {before}", words::time(took), work.worked.person),
        }
        Ok(Exit::Done)
    }

    /// Says what was written, and whether the same minutes now count twice.
    fn told(&self, (did, named): (&str, RowId), person: &str, place: &Place, written: Written) -> Answer {
        let Written { id, took, round } = written;
        let name = self.name_of(named);
        if self.json {
            self.answer(did, &name, id, person, place, Some((took, round)));
            return Ok(Exit::Done);
        }
        flow!("{name}: {} of {person} on {}, {}", words::time(took), place.name(), clocks::round(round));
        let (entries, _) = self.project.ledger();
        let (times, names) = (Times::of(&entries), names(&entries, None));
        for overlap in overlaps(&times, self.now.at).iter().filter(|o| o.rows.0.id == id || o.rows.1.id == id)
        {
            flow!("{}", clocks::overlap(overlap, &times, &names));
        }
        Ok(Exit::Done)
    }

    fn answer(
        &self,
        did: &str,
        name: &str,
        id: RowId,
        person: &str,
        place: &Place,
        spent: Option<(Duration, Round)>,
    ) {
        let all = serde_json::json!({ "format": "endboard clock 1", "did": did, "name": name, "row": id.to_string(),
            "person": person, "shot": place.shot, "stage": place.stage, "frames": place.frames.to_string(),
            "cause": place.cause, "seconds": spent.map(|(took, _)| took.as_secs_f64()),
            "round": spent.map(|(_, round)| clocks::round(round)) });
        say!("{all:#}");
    }

    /// The name of a row among all that `clock` names, this one included.
    fn name_of(&self, id: RowId) -> String {
        names(self.entries, Some(id)).short(id)
    }
}

/// Names of all rows of time.
pub(super) fn names(entries: &[Entry], one_more: Option<RowId>) -> Names {
    let is_time = |e: &&Entry| matches!(e.row.what, What::Crew(Crew::Begin { .. } | Crew::Worked(_)));
    Names::of(entries.iter().filter(is_time).map(|entry| entry.id).chain(one_more))
}

/// People that the ledger knows.
pub(super) fn known(entries: &[Entry]) -> impl Iterator<Item = &str> {
    entries.iter().filter_map(|entry| match &entry.row.what {
        What::Crew(Crew::Begin { person, .. } | Crew::Worked(Worked { person, .. })) => Some(&**person),
        What::Crew(Crew::Takeback { person, .. }) => Some(&**person),
        What::Crew(Crew::Handout(handout)) => Some(&*handout.person),
        What::Crew(Crew::Approval { .. } | Crew::Note { .. }) => Some(&*entry.row.by),
        _ => None,
    })
}

/// Why work is needed, as a part of a sentence.
fn because(place: &Place, said: &Said) -> String {
    match (&said.cause, &place.cause, &place.unknown) {
        (Some(cause), _, _) => format!(", as {cause}"),
        (None, Some(cause), _) => format!(", as {cause}"),
        (None, None, Some(unknown)) => format!("; its cause could not be looked up: {unknown}"),
        (None, None, None) => String::new(),
    }
}

/// A time as it may be typed.
fn short(time: Duration) -> String {
    let minutes = time.as_secs().div_ceil(60);
    format!("{}h{:02}m", minutes / 60, minutes % 60)
}

/// Why a clock is taken for forgotten, in words.
pub(super) fn forgotten(why: Forgotten) -> &'static str {
    match why {
        Forgotten::Day => "longer than a working day",
        Forgotten::Night => "across a night",
        Forgotten::Future => "from a time that is yet to come: a machine's date was wrong",
    }
}
