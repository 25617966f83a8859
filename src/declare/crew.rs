//! `crew:` and `due:` as written → who has how many hours for what, how long machines render, what people guess.
//!
//! Knows stages' names, weeks and dates. Does not know what was measured, nor today's date.

use std::collections::BTreeSet;

use indexmap::IndexMap;
use jiff::civil::Date;

use crate::base::problem::{Problem, Span};
use crate::base::selector::Glob;
use crate::base::value::{Fields, Map, Node, Value};
use crate::declare::film::At;
use crate::declare::found::{Found, shortened};

/// Hours that a week has.
pub const WEEK: f64 = 168.0;
/// The most hours that a guess may say.
pub const GUESS_LIMIT: f64 = 100_000.0;
/// Most frames side by side on one machine.
pub const SIDE_LIMIT: i64 = 1024;
/// Days of the week as they are written.
pub const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
/// How stages begin that the film makes by itself and whose names follow from other parts of the declaration.
const BEGINS: [&str; 4] = ["bus.", "stem.", "clip.", "deliver."];

/// Who works on the film, and with what.
#[derive(Clone, Debug)]
pub struct Crew {
    /// Where it is declared.
    pub span: Span,
    /// People by name.
    pub people: IndexMap<String, Person>,
    /// Machines by name; none means one that renders day and night.
    pub machines: IndexMap<String, Machine>,
    /// Guesses by stage, for hands.
    pub estimates: IndexMap<String, Estimate>,
    /// Stages that count as done only when a person approved them.
    pub approved: Vec<At<Glob>>,
}

/// One person's weeks.
#[derive(Clone, Debug, PartialEq)]
pub struct Person {
    /// Where it is declared.
    pub span: Span,
    /// Hours a week.
    pub hours: f64,
    /// On which days of the week, Monday first; the hours are spread evenly over them.
    pub days: [bool; 7],
    /// Stages, by pattern of names.
    pub does: Vec<At<Glob>>,
    /// Days off, first and last included.
    pub off: Vec<(Date, Date)>,
    /// The first day.
    pub from: Option<Date>,
    /// The last day.
    pub until: Option<Date>,
}

impl Person {
    /// Hours on a day.
    pub fn hours_on(&self, day: Date) -> f64 {
        let works = self.days[day.weekday().to_monday_zero_offset() as usize]
            && self.from.is_none_or(|from| from <= day)
            && self.until.is_none_or(|until| day <= until)
            && !self.off.iter().any(|(first, last)| (*first..=*last).contains(&day));
        let days = self.days.iter().filter(|works| **works).count();
        if works { self.hours / days as f64 } else { 0.0 }
    }
}

/// One machine's weeks.
#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    /// Hours a week in which it renders.
    pub hours: f64,
    /// Frames that it renders side by side.
    pub side_by_side: u32,
}

/// What somebody guesses that a stage takes of a person's hours.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// Where it stands.
    pub span: Span,
    /// Hours: one guess, or the least, the likeliest and the most.
    pub hours: Guess,
    /// True for each shot, false for each frame.
    pub of_shot: bool,
}

/// One guess or three, in hours.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Guess {
    /// As likely more as less.
    Middle(f64),
    /// The least, the likeliest and the most.
    Three([f64; 3]),
}

/// Reads `due:`.
pub fn due(value: &Value, found: &mut Found) -> Option<At<Date>> {
    found.keep("due", date(value)).map(|day| At { value: day, span: value.span })
}

/// Reads `crew:`. `stages` are the names of all stages of the film.
pub fn read(value: &Value, stages: &BTreeSet<&str>, found: &mut Found) -> Option<Crew> {
    let mut fields = found.keep("", Fields::of(value, "crew"))?;
    let (people, machines) = (fields.get("people"), fields.get("machines"));
    let (estimates, approved) = (fields.get("estimates"), fields.get("approved"));
    found.extend("", fields.finish());
    let mut crew = Crew {
        span: value.span,
        people: IndexMap::new(),
        machines: IndexMap::new(),
        estimates: IndexMap::new(),
        approved: approved.map_or_else(Vec::new, |list| globs(list, "crew: approved", stages, found)),
    };
    for (name, value) in entries(people, "a map of people by name", found) {
        if let Some(person) = person(name, value, stages, found) {
            crew.people.insert(name.to_string(), person);
        }
    }
    for (name, value) in entries(machines, "a map of machines by name", found) {
        if let Some(machine) = machine(name, value, found) {
            crew.machines.insert(name.to_string(), machine);
        }
    }
    for (name, value) in entries(estimates, "a map of stages and what each takes", found) {
        let Some(estimate) = estimate(name, value, found) else { continue };
        if is_known(name, stages) {
            crew.estimates.insert(name.to_string(), estimate);
        } else {
            let problem =
                Problem::error(value.span, format!("no shot has a stage '{}'", shortened(name, 40)));
            let problem = found.suggest(problem, name, stages.iter().copied(), "name a stage of the film");
            found.push("crew: estimates", problem);
        }
    }
    Some(crew)
}

/// The entries of a map whose names are words for people; wrong ones are told.
fn entries<'v>(value: Option<&'v Value>, what: &str, found: &mut Found) -> Vec<(&'v str, &'v Value)> {
    let Some(value) = value else { return Vec::new() };
    let Node::Map(Map { entries }) = &value.node else {
        found.push("crew", value.wrong(what));
        return Vec::new();
    };
    let mut sound = Vec::new();
    for (key, value) in entries {
        let name = key.text.as_str();
        if name.trim().is_empty() || name.chars().count() > 64 || name.chars().any(char::is_control) {
            let message = format!("'{}' is not a name", shortened(name, 40));
            let problem = Problem::error(key.span, message).help("1 to 64 characters on one line");
            found.push("crew", problem);
        } else {
            sound.push((name, value));
        }
    }
    sound
}

fn person(name: &str, value: &Value, stages: &BTreeSet<&str>, found: &mut Found) -> Option<Person> {
    let what = format!("crew: {name}");
    let mut fields = found.keep("", Fields::of(value, what.as_str()))?;
    let hours = fields.need("hours");
    let (does, days, off) = (fields.need("does"), fields.get("days"), fields.get("off"));
    let (from, until) = (fields.get("from"), fields.get("until"));
    found.extend("", fields.finish());
    let hours = hours.and_then(|value| found.keep(&what, week(value)).map(|hours| (hours, value.span)));
    let does = does.map(|list| globs(list, &what, stages, found));
    let days = days.map_or(Some([true; 7]), |list| found.keep(&what, weekdays(list)));
    let off = off.map_or_else(Vec::new, |list| spans(list, &what, found));
    let [from, until] = [from, until]
        .map(|day| day.and_then(|value| found.keep(&what, date(value)).map(|d| (d, value.span))));
    if let (Some((from, _)), Some((until, span))) = (from, until)
        && until < from
    {
        found.push(&what, Problem::error(span, format!("until {until} comes before from {from}")));
    }
    let (from, until) = (from.map(|(day, _)| day), until.map(|(day, _)| day));
    if let (Some((hours, span)), Some(days)) = (hours, &days) {
        let count = days.iter().filter(|&&works| works).count();
        if hours > 24.0 * count as f64 {
            let problem =
                Problem::error(span, format!("{hours} hours do not go into {count} of a week's days"));
            found.push(&what, problem.help(format!("at most {}, or name more `days`", 24 * count)));
        }
    }
    Some(Person { span: value.span, hours: hours?.0, days: days?, does: does?, off, from, until })
}

fn machine(name: &str, value: &Value, found: &mut Found) -> Option<Machine> {
    let what = format!("crew: machine {name}");
    let mut fields = found.keep("", Fields::of(value, what.as_str()))?;
    let (hours, side) = (fields.get("hours"), fields.get("side_by_side"));
    found.extend("", fields.finish());
    let hours = hours.map_or(Some(WEEK), |value| found.keep(&what, week(value)));
    let side = side.map_or(Some(1), |value| found.keep(&what, side_by_side(value)));
    Some(Machine { hours: hours?, side_by_side: side? })
}

fn side_by_side(value: &Value) -> Result<u32, Problem> {
    match value.int()? {
        n if (1..=SIDE_LIMIT).contains(&n) => Ok(n as u32),
        n => Err(Problem::error(value.span, format!("{n} frames cannot be rendered side by side"))
            .help(format!("from 1 to {SIDE_LIMIT}"))),
    }
}

fn estimate(name: &str, value: &Value, found: &mut Found) -> Option<Estimate> {
    let what = format!("crew: estimates: {name}");
    let mut fields = found.keep("", Fields::of(value, what.as_str()))?;
    let (hours, minutes, each) = (fields.get("hours"), fields.get("minutes"), fields.get("each"));
    found.extend("", fields.finish());
    let guess = match (hours, minutes) {
        (Some(value), None) => found.keep(&what, guess(value, 1.0)),
        (None, Some(value)) => found.keep(&what, guess(value, 1.0 / 60.0)),
        _ => {
            let problem = Problem::error(value.span, "an estimate says either hours or minutes");
            found.push(
                &what,
                problem.help("such as { hours: 2, each: shot } or { minutes: [5, 8, 20], each: frame }"),
            );
            None
        }
    };
    let of_shot = match each.map(|value| (value, value.text())) {
        None => Some(true),
        Some((_, Ok("shot"))) => Some(true),
        Some((_, Ok("frame"))) => Some(false),
        Some((value, _)) => {
            found.push(&what, value.wrong("shot or frame"));
            None
        }
    };
    Some(Estimate { span: value.span, hours: guess?, of_shot: of_shot? })
}

/// One number or three of them that do not fall, in units of `unit` hours.
fn guess(value: &Value, unit: f64) -> Result<Guess, Problem> {
    let limits = |hours: f64| hours > 0.0 && hours <= GUESS_LIMIT;
    if let Node::List(_) = &value.node {
        let three = value
            .numbers::<3>()
            .map_err(|problem| problem.help("the least, the likeliest and the most, such as [2, 4, 9]"))?;
        let hours = three.map(|n| n * unit);
        if hours[0] >= 0.0 && hours[0] <= hours[1] && hours[1] <= hours[2] && limits(hours[2]) {
            return Ok(Guess::Three(hours));
        }
        return Err(Problem::error(value.span, "these are not a least, a likeliest and a most")
            .help("three numbers that do not fall, such as [2, 4, 9]"));
    }
    match value.number()? * unit {
        hours if limits(hours) => Ok(Guess::Middle(hours)),
        hours if hours > GUESS_LIMIT => {
            Err(Problem::error(value.span, "a guess is too long")
                .help(format!("at most {GUESS_LIMIT} hours")))
        }
        _ => Err(Problem::error(value.span, "a guess is more than nothing")
            .help(format!("more than 0, at most {GUESS_LIMIT} hours"))),
    }
}

/// Hours a week.
fn week(value: &Value) -> Result<f64, Problem> {
    match value.number()? {
        hours if (0.0..=WEEK).contains(&hours) => Ok(hours),
        hours => Err(Problem::error(value.span, format!("a week does not have {hours} hours"))
            .help(format!("hours a week, from 0 to {WEEK}"))),
    }
}

fn weekdays(value: &Value) -> Result<[bool; 7], Problem> {
    let list = value.list().map_err(|_| value.wrong("a list of days, such as [sat, sun]"))?;
    let mut days = [false; 7];
    for item in list {
        let text = item.text()?;
        let at = DAYS.iter().position(|day| *day == text);
        let at = at.ok_or_else(|| item.wrong("a day").help(format!("one of: {}", DAYS.join(", "))))?;
        days[at] = true;
    }
    if list.is_empty() {
        return Err(
            Problem::error(value.span, "no day is left to work on").help("leave `days` out for all seven")
        );
    }
    Ok(days)
}

fn date(value: &Value) -> Result<Date, Problem> {
    let text = value.text().map_err(|_| value.wrong("a date"))?;
    day(text).ok_or_else(|| value.wrong("a date").help("written YEAR-MONTH-DAY, such as 2027-03-01"))
}

/// A calendar day as ISO 8601 writes it.
fn day(text: &str) -> Option<Date> {
    let is_day = text.len() == 10 && text.bytes().all(|b| b.is_ascii_digit() || b == b'-');
    if is_day { text.parse().ok() } else { None }
}

/// Days off: single ones, or FIRST/LAST as ISO 8601 writes stretches of time.
fn spans(value: &Value, what: &str, found: &mut Found) -> Vec<(Date, Date)> {
    let list = found.keep(what, value.list()).unwrap_or_default();
    let read = |item: &Value| {
        let wrong = || {
            item.wrong("a day or days off")
                .help("written 2026-12-24, or 2026-12-24/2027-01-02 with both ends")
        };
        let text = item.text().map_err(|_| wrong())?;
        let (first, last) = text.split_once('/').unwrap_or((text, text));
        let (first, last) = day(first).zip(day(last)).ok_or_else(wrong)?;
        if last < first {
            return Err(Problem::error(item.span, "the last day comes before the first"));
        }
        Ok((first, last))
    };
    list.iter().filter_map(|item| found.keep(what, read(item))).collect()
}

/// Patterns of stages' names, each of which must fit one.
fn globs(value: &Value, what: &str, stages: &BTreeSet<&str>, found: &mut Found) -> Vec<At<Glob>> {
    let list = found.keep(what, value.list()).unwrap_or_default();
    let mut out = Vec::new();
    for item in list {
        let Some(text) = found.keep(what, item.text()) else { continue };
        let glob = Glob::parse(text).map_err(|why| Problem::error(item.span, why.to_string()));
        let Some(glob) = found.keep(what, glob) else { continue };
        if stages.iter().any(|stage| glob.matches(stage)) || is_known(text, stages) {
            out.push(At { value: glob, span: item.span });
            continue;
        }
        let problem = Problem::error(item.span, format!("'{}' is no stage of the film", shortened(text, 40)));
        let otherwise = "name a stage, or a pattern such as 'roto*'";
        let problem = found.suggest(problem, text, stages.iter().copied(), otherwise);
        found.push(what, problem);
    }
    out
}

fn is_known(stage: &str, stages: &BTreeSet<&str>) -> bool {
    stages.contains(stage) || BEGINS.iter().any(|begins| stage.starts_with(begins))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::problem::Sources;
    use crate::base::yaml;

    fn crew(text: &str) -> (Option<Crew>, Vec<String>) {
        let mut sources = Sources::new();
        let id = sources.add("endboard.yaml", text);
        let (value, problems) = yaml::parse(id, text);
        assert!(problems.is_empty(), "{problems:?}");
        let mut found = Found::default();
        let stages = BTreeSet::from(["roto", "cleanup", "colour", "mix"]);
        let crew = read(&value.unwrap(), &stages, &mut found);
        let line = |p: &Problem| sources.position(p.span.unwrap()).0;
        (crew, found.finish().iter().map(|p| format!("{} {}", line(p), p.message)).collect())
    }

    #[test]
    fn weeks_are_read() {
        let (crew, problems) = crew(
            "people:
  ana: { hours: 6, does: [roto, 'c*'], days: [sat, sun], off: [2026-12-26/2027-01-02, 2027-02-06], until: 2027-03-01 }
machines:
  shed: { hours: 60, side_by_side: 2 }
estimates:
  mix: { hours: [2, 4, 9] }
  roto: { minutes: 12, each: frame }
approved: [colour]
",
        );
        assert_eq!(problems, Vec::<String>::new());
        let crew = crew.unwrap();
        let ana = &crew.people["ana"];
        let on = |day: &str| ana.hours_on(day.parse().unwrap());
        assert_eq!((on("2026-12-19"), on("2026-12-18"), on("2026-12-26")), (3.0, 0.0, 0.0));
        assert_eq!((on("2027-02-06"), on("2027-02-07"), on("2027-03-06")), (0.0, 3.0, 0.0));
        assert!(ana.does[1].value.matches("cleanup"));
        assert_eq!(crew.machines["shed"], Machine { hours: 60.0, side_by_side: 2 });
        assert_eq!(crew.estimates["mix"].hours, Guess::Three([2.0, 4.0, 9.0]));
        assert_eq!(crew.estimates["roto"].hours, Guess::Middle(0.2));
        assert!(!crew.estimates["roto"].of_shot && crew.approved[0].value.matches("colour"));
    }

    #[test]
    fn every_slip_is_told_at_its_line() {
        let (_, problems) = crew(
            "people:
  ana: { hours: 200, does: [roto] }
  ines: { hours: 4, does: [rotto] }
  joren: { hours: 4, does: [roto], days: [saturday] }
  tomas: { hours: 4, does: [roto], off: [24.12.2026], from: 2027-01-02, until: 2026-01-01 }
  keeper: { does: [roto], hour: 3 }
machines: { shed: { side_by_side: 0 } }
estimates:
  colours: { hours: 2 }
  mix: { hours: [4, 2, 9] }
  roto: { hours: 1, minutes: 2 }
approved: colour
",
        );
        let lines: Vec<&str> = problems.iter().map(|p| p.split(' ').next().unwrap()).collect();
        assert_eq!(lines, ["2", "3", "4", "5", "5", "6", "6", "7", "9", "10", "11", "12"], "{problems:#?}");
    }
}
