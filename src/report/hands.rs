//! People's and machines' time side by side, added up from ledger rows.
//!
//! Knows sums by stage, shot, person, week and cause over a span of days. Does not know how they are shown: see `hands_table` for
//! people, `hours_forms` for programs.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::crew::rounds::Finished;
use crate::crew::times::{Times, Work};
use crate::ledger::row::Outcome;
use crate::ledger::row::{Entry, PASSED_ON, Round, What};
use crate::report::hours::{STEPS, Tally, step_of};

/// What a cause is called that nobody said, of a first pass and of rework.
pub const UNSAID: [&str; 2] = ["first pass", "cause not said"];

/// Time of people.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Spent {
    /// Pieces of work: a row counts once for each day that it is of.
    pub rows: u64,
    /// On frames for the first time.
    pub first_pass: Duration,
    /// On frames that were finished before.
    pub rework: Duration,
}

impl Spent {
    /// All of it.
    pub fn all(&self) -> Duration {
        self.first_pass.saturating_add(self.rework)
    }

    fn add(&mut self, round: Round, took: Duration) {
        self.rows += 1;
        let sum = if round == Round::First { &mut self.first_pass } else { &mut self.rework };
        *sum = sum.saturating_add(took);
    }

    /// Adds another in.
    pub fn merge(&mut self, other: &Spent) {
        self.rows += other.rows;
        self.first_pass = self.first_pass.saturating_add(other.first_pass);
        self.rework = self.rework.saturating_add(other.rework);
    }
}

/// One name: what people and what machines spent on it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Side {
    /// The stage, shot, person, week or cause.
    pub name: Arc<str>,
    /// People.
    pub hands: Spent,
    /// Machines.
    pub machines: Tally,
}

impl Side {
    /// Both together.
    pub fn all(&self) -> Duration {
        self.hands.all().saturating_add(self.machines.wall)
    }
}

/// All sums. Lists hold what took people longest first, then machines; weeks go by time.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sides {
    /// Everything.
    pub total: Side,
    /// The final steps that anything was spent on, in the order in which a film goes through them.
    pub finals: Vec<Side>,
    /// By stage.
    pub stages: Vec<Side>,
    /// By shot.
    pub shots: Vec<Side>,
    /// By person; machines have no part in it.
    pub people: Vec<Side>,
    /// By week of ISO 8601, such as `2026-W48`.
    pub weeks: Vec<Side>,
    /// By the change that made it necessary.
    pub causes: Vec<Side>,
}

/// What is to be counted.
pub struct Asked<'a> {
    /// Where days begin at midnight.
    pub zone: &'a TimeZone,
    /// The first day, when not all.
    pub from: Option<Date>,
    /// The day after the last one, when not all.
    pub until: Option<Date>,
    /// Which shots and stages.
    pub picks: &'a dyn Fn(&str, &str) -> bool,
    /// What a stage is: the operator that makes it, or [`BY_HAND`] of hands at the end of a shot. Empty where the film does not know.
    pub kind: &'a dyn Fn(&str, &str) -> Arc<str>,
}

/// The kind of a stage that people make at the end of a shot's way.
pub const BY_HAND: &str = "last by hand";

impl Asked<'_> {
    /// Whether a day is counted.
    pub fn has(&self, day: Date) -> bool {
        self.from.is_none_or(|from| from <= day) && self.until.is_none_or(|until| day < until)
    }
}

/// A week of ISO 8601 as it is written there: year and number.
pub fn week(day: Date) -> String {
    let week = day.iso_week_date();
    format!("{:04}-W{:02}", week.year(), week.week())
}

/// The round of a piece of work: as its row says, or as what was done before makes it.
pub fn round(work: &Work<'_>, finished: &Finished<'_>) -> Round {
    let row = &work.entry.row;
    let began = work.worked.began.unwrap_or(row.when);
    work.worked.round.unwrap_or_else(|| finished.round(&row.shot, &row.stage, &row.frames, began))
}

/// What a cause is called.
pub fn cause_of(cause: &Arc<str>, round: Round) -> Arc<str> {
    match (cause.is_empty(), round) {
        (false, _) => cause.clone(),
        (true, Round::First) => UNSAID[0].into(),
        (true, Round::Rework) => UNSAID[1].into(),
    }
}

/// Sums by name while they grow.
type Sums = HashMap<Arc<str>, Side>;

fn at<'m>(sums: &'m mut Sums, name: &Arc<str>) -> &'m mut Side {
    if !sums.contains_key(name) {
        sums.insert(name.clone(), Side { name: name.clone(), ..Side::default() });
    }
    sums.get_mut(name).expect("it was just put there")
}

impl Sides {
    /// Adds up these rows, which are in order of id, and the time that they come to.
    pub fn of(entries: &[Entry], times: &Times<'_>, asked: &Asked<'_>) -> Self {
        let mut sides = Self::default();
        let mut finals: [Side; STEPS.len()] = Default::default();
        let [mut stages, mut shots, mut people, mut causes] = <[Sums; 4]>::default();
        let mut weeks: HashMap<(i16, i8), (Date, Side)> = HashMap::new();
        let mut final_of = |kind: &str, add: &mut dyn FnMut(&mut Side)| {
            if let Some(step) = step_of(kind) {
                add(&mut finals[step]);
            }
        };
        let finished = Finished::of(entries);
        for work in times.counted() {
            let row = &work.entry.row;
            if !(asked.picks)(&row.shot, &row.stage) {
                continue;
            }
            let round = round(work, &finished);
            let cause = cause_of(&work.worked.cause, round);
            for (day, took) in work.days(asked.zone).into_iter().filter(|(day, _)| asked.has(*day)) {
                let mut add = |side: &mut Side| side.hands.add(round, took);
                add(&mut sides.total);
                final_of(&(asked.kind)(&row.shot, &row.stage), &mut add);
                add(at(&mut stages, &row.stage));
                add(at(&mut shots, &row.shot));
                add(at(&mut people, &work.worked.person));
                add(at(&mut causes, &cause));
                add(week_of(&mut weeks, day));
            }
        }
        for row in entries.iter().map(|entry| &entry.row) {
            let What::Render(render) = &row.what else { continue };
            let day = asked.zone.to_datetime(row.when).date();
            if !asked.has(day) || !(asked.picks)(&row.shot, &row.stage) {
                continue;
            }
            let is_counted = &*row.by != PASSED_ON || render.outcome != Outcome::Done;
            let frames = if is_counted { row.frames.len() as u64 } else { 0 };
            let mut add = |side: &mut Side| side.machines.add(frames, render);
            add(&mut sides.total);
            final_of(&row.by, &mut add);
            add(at(&mut stages, &row.stage));
            add(at(&mut shots, &row.shot));
            add(at(&mut causes, &render.cause));
            add(week_of(&mut weeks, day));
        }
        sides.finals = STEPS
            .iter()
            .zip(finals)
            .filter(|(_, side)| side.hands.rows > 0 || side.machines.rows > 0)
            .map(|(name, side)| Side { name: (*name).into(), ..side })
            .collect();
        [sides.stages, sides.shots, sides.people, sides.causes] = [stages, shots, people, causes].map(sorted);
        let mut weeks: Vec<(Date, Side)> = weeks.into_values().collect();
        weeks.sort_by_key(|(day, _)| *day);
        sides.weeks = weeks.into_iter().map(|(day, side)| Side { name: week(day).into(), ..side }).collect();
        sides
    }

    /// All of the final steps together.
    pub fn all_finals(&self) -> Side {
        let mut all = Side::default();
        for side in &self.finals {
            all.hands.merge(&side.hands);
            all.machines.merge(&side.machines);
        }
        all
    }
}

/// The sums of a day's week, with a day of it.
fn week_of(weeks: &mut HashMap<(i16, i8), (Date, Side)>, day: Date) -> &mut Side {
    let week = day.iso_week_date();
    &mut weeks.entry((week.year(), week.week())).or_insert_with(|| (day, Side::default())).1
}

fn sorted(sums: Sums) -> Vec<Side> {
    let mut sides: Vec<Side> = sums.into_values().collect();
    sides.sort_unstable_by(|a, b| {
        let times = |side: &Side| (side.hands.all(), side.machines.wall);
        times(b).cmp(&times(a)).then_with(|| a.name.cmp(&b.name))
    });
    sides
}

#[cfg(test)]
pub mod tests {
    use super::*;
    use crate::ledger::crew::{Crew, Worked};
    use crate::ledger::id::RowId;
    use crate::ledger::row::Row;
    use crate::report::hours::tests::row as render;

    /// An entry of a person's time, begun and ended then.
    pub fn worked(
        n: u128,
        person: &str,
        place: (&str, &str),
        began: &str,
        minutes: u64,
        cause: &str,
    ) -> Entry {
        let began = began.parse().unwrap();
        let took = Duration::from_secs(60 * minutes);
        let worked = Worked {
            person: person.into(),
            took,
            began: Some(began),
            round: (!cause.is_empty()).then_some(Round::Rework),
            cause: cause.into(),
            ends: None,
            packet: "".into(),
            note: "".into(),
        };
        let row = Row {
            when: began + took,
            film: "The Brine Lamp".into(),
            shot: place.0.into(),
            stage: place.1.into(),
            frames: "1009-1018".parse().unwrap(),
            by: person.into(),
            what: What::Crew(Crew::Worked(worked)),
        };
        Entry { id: RowId(n), writer: person.into(), row }
    }

    /// Rows of two people and a machine around the end of a year.
    pub fn entries() -> Vec<Entry> {
        let machine = |n: u128, shot: &str, stage: &str, by: &str, when: &str, seconds: u64| {
            let mut row = render(shot, stage, by, "keeper moved", seconds, Round::First, true);
            row.when = when.parse().unwrap();
            Entry { id: RowId(n), writer: "shed".into(), row }
        };
        vec![
            // Sunday night into Monday: two weeks of ISO 8601.
            worked(1, "ana", ("br030", "paint"), "2026-12-27T22:30:00Z", 180, ""),
            worked(2, "tomas", ("br030", "look"), "2026-12-31T10:00:00Z", 600, "keeper moved"),
            worked(3, "tomas", ("br040", "look"), "2027-01-03T10:00:00Z", 60, ""),
            worked(4, "ana", ("br040", "roto"), "2027-01-04T10:00:00Z", 30, ""),
            machine(5, "br030", "look", "grade", "2026-12-30T10:00:00Z", 1800),
            machine(6, "br030", "blades", "blades", "2027-01-04T10:00:00Z", 3600),
        ]
    }

    /// All of it, in a zone.
    pub fn all<'a>(zone: &'a TimeZone, from: Option<Date>, until: Option<Date>) -> Asked<'a> {
        let kind = &|_: &str, stage: &str| match stage {
            "look" => "grade".into(),
            "paint" => BY_HAND.into(),
            _ => "".into(),
        };
        Asked { zone, from, until, picks: &|_, _| true, kind }
    }

    fn told(sides: &[Side]) -> Vec<(String, u64, u64, u64)> {
        let minutes = |time: Duration| time.as_secs() / 60;
        sides
            .iter()
            .map(|s| {
                (
                    s.name.to_string(),
                    minutes(s.hands.first_pass),
                    minutes(s.hands.rework),
                    minutes(s.machines.wall),
                )
            })
            .collect()
    }

    fn line(name: &str, first: u64, rework: u64, machines: u64) -> (String, u64, u64, u64) {
        (name.into(), first, rework, machines)
    }

    #[test]
    fn people_and_machines_stand_side_by_side() {
        let entries = entries();
        let times = Times::of(&entries);
        let zone = TimeZone::UTC;
        let sides = Sides::of(&entries, &times, &all(&zone, None, None));
        assert_eq!(sides.total.hands.all(), Duration::from_secs(870 * 60));
        assert_eq!(
            told(&sides.stages),
            [
                line("look", 60, 600, 30),
                line("paint", 180, 0, 0),
                line("roto", 30, 0, 0),
                line("blades", 0, 0, 60),
            ]
        );
        assert_eq!(told(&sides.shots), [line("br030", 180, 600, 90), line("br040", 90, 0, 0)]);
        assert_eq!(told(&sides.people), [line("tomas", 60, 600, 0), line("ana", 210, 0, 0)]);
        assert_eq!(told(&sides.causes), [line("keeper moved", 0, 600, 90), line("first pass", 270, 0, 0)]);
        // Weeks of ISO 8601: 2026 has 53, and 3 January 2027 is a Sunday of the last one.
        assert_eq!(
            told(&sides.weeks),
            [line("2026-W52", 90, 0, 0), line("2026-W53", 150, 600, 30), line("2027-W01", 30, 0, 60),]
        );
        assert_eq!(told(&sides.finals), [line("colour", 60, 600, 30), line("last by hand", 180, 0, 0)]);
        assert_eq!(sides.all_finals().all(), Duration::from_secs(870 * 60));
        let list = |sides: &[Side]| sides.iter().map(Side::all).sum::<Duration>();
        for sides_of in [&sides.stages, &sides.shots, &sides.weeks, &sides.causes] {
            assert_eq!(list(sides_of), sides.total.all());
        }
    }

    #[test]
    fn days_are_those_of_the_zone_and_of_the_span() {
        let entries = entries();
        let times = Times::of(&entries);
        let day = |text: &str| Some(text.parse().unwrap());
        let utc = TimeZone::UTC;
        let sides = Sides::of(&entries, &times, &all(&utc, day("2026-12-28"), day("2027-01-04")));
        assert_eq!(told(&sides.weeks), [line("2026-W53", 150, 600, 30)]);
        // Three hours ahead of UTC the whole night is of Monday.
        let east = TimeZone::get("Africa/Nairobi").unwrap();
        let sides = Sides::of(&entries, &times, &all(&east, None, None));
        assert_eq!(told(&sides.weeks)[0], line("2026-W53", 240, 600, 30));
    }

    /// Examples of ISO 8601 weeks at the turn of a year: by the rule of ISO 8601-1:2019, 3.1.1.23, week 1 is the one with the
    /// year's first Thursday.
    #[test]
    fn weeks_at_the_turn_of_a_year() {
        for (day, want) in [
            ("2005-01-01", "2004-W53"),
            ("2005-12-31", "2005-W52"),
            ("2007-01-01", "2007-W01"),
            ("2008-12-29", "2009-W01"),
            ("2010-01-03", "2009-W53"),
            ("2020-12-31", "2020-W53"),
            ("2021-01-04", "2021-W01"),
            ("2024-12-30", "2025-W01"),
        ] {
            assert_eq!(week(day.parse().unwrap()), want, "{day}");
        }
    }

    #[test]
    fn an_empty_ledger_has_no_sums() {
        let zone = TimeZone::UTC;
        assert_eq!(Sides::of(&[], &Times::of(&[]), &all(&zone, None, None)), Sides::default());
    }
}
