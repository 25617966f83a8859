//! What `clock` lists: clocks that run, time of today and of this week, and what a person should look at.

use std::time::Duration;

use super::clock::{forgotten, names};
use super::today::Now;
use super::{Answer, Exit, people};
use crate::base::selector::Selection;
use crate::crew::contest::Contest;
use crate::crew::naming::Names;
use crate::crew::overlaps::{Overlap, overlaps};
use crate::crew::times::{Clock, Times, Work};
use crate::ledger::crew::Crew;
use crate::ledger::row::{Entry, Round, What};
use crate::report::words;

/// The most rows of time that are listed.
const LISTED: usize = 20;

/// Prints it: of the frames selected, of one person or of all.
pub fn list(
    entries: &[Entry],
    now: &Now,
    (selection, person): (&Selection, Option<&str>),
    json: bool,
) -> Answer {
    let times = Times::of(entries);
    let is_meant = |entry: &Entry, whose: &str| {
        person.is_none_or(|person| person == whose) && people::is_on(&entry.row, selection)
    };
    let is_work = |work: &&Work<'_>| is_meant(work.entry, &work.worked.person);
    let is_meant_work = |entry: &Entry| match &entry.row.what {
        What::Crew(Crew::Worked(worked)) => is_meant(entry, &worked.person),
        _ => false,
    };
    let running: Vec<&Clock<'_>> =
        times.running.iter().filter(|clock| is_meant(clock.entry, clock.person)).collect();
    let works: Vec<&Work<'_>> = times.works.iter().filter(is_work).collect();
    let is_told = |one: &Overlap<'_>| is_meant(one.rows.0, one.person) || is_meant(one.rows.1, one.person);
    let overlaps: Vec<Overlap<'_>> = overlaps(&times, now.at).into_iter().filter(is_told).collect();
    let doubled: Vec<&Work<'_>> = times.doubled.iter().filter(is_work).collect();
    let monday = now.day().iso_week_date();
    let is_week = |day: jiff::civil::Date| {
        let week = day.iso_week_date();
        (week.year(), week.week()) == (monday.year(), monday.week())
    };
    let sum = |is_in: &dyn Fn(jiff::civil::Date) -> bool| -> Duration {
        let days = works.iter().flat_map(|work| work.days(&now.zone));
        days.filter(|(day, _)| is_in(*day)).fold(Duration::ZERO, |sum, (_, took)| sum.saturating_add(took))
    };
    let (today, week) = (sum(&|day| day == now.day()), sum(&is_week));
    let names = names(entries, None);
    let name_of_contest = |one: &Contest<'_>| {
        let named = times.work_of(one.of.id).map_or(one.of.id, |work| times.name_of(work));
        names.short(named)
    };
    if json {
        let running: Vec<_> =
            running.iter().map(|clock| clock_json(clock, now, &names.short(clock.entry.id))).collect();
        let rows: Vec<_> =
            works.iter().rev().map(|work| work_json(work, &names.short(times.name_of(work)))).collect();
        let overlaps: Vec<_> = overlaps.iter().map(overlap_json).collect();
        let doubled: Vec<_> =
            doubled.iter().map(|work| work_json(work, &names.short(work.entry.id))).collect();
        let contested: Vec<_> = (times.contested.iter().filter(|one| is_meant_work(one.of)))
            .map(|one| contest_json(one, &name_of_contest(one)))
            .collect();
        let all = serde_json::json!({ "format": "endboard clock 1", "running": running, "rows": rows, "overlaps": overlaps,
            "doubled": doubled, "contested": contested, "today_seconds": today.as_secs_f64(), "week_seconds": week.as_secs_f64() });
        say!("{all:#}");
        return Ok(Exit::Done);
    }
    match running.len() {
        0 => flow!("no clock runs"),
        _ => running.iter().for_each(|clock| flow!("{}", runs(clock, now, &names.short(clock.entry.id)))),
    }
    flow!("today {}, this week {}", words::time(today), words::time(week));
    let mut last: Vec<&Work<'_>> = works.iter().copied().filter(|work| !work.took.is_zero()).collect();
    last.sort_by_key(|work| std::cmp::Reverse((work.ended(), work.entry.id)));
    for work in last.iter().take(LISTED) {
        flow!("  {}", worked(work, now, &names.short(times.name_of(work))));
    }
    if last.len() > LISTED {
        flow!("  {} earlier; --json lists all", words::count((last.len() - LISTED) as u64, "row"));
    }
    overlaps.iter().for_each(|one| flow!("{}", overlap(one, &times, &names)));
    for work in doubled.iter().filter(|work| !work.took.is_zero()) {
        let why = match work.worked.ends {
            Some(_) => "another row ends the same clock",
            None => "another row has the same line of the packet's time sheet",
        };
        flow!(
            "not counted: {}, as {why}; if this one is right, correct the other",
            worked(work, now, &names.short(work.entry.id))
        );
    }
    for one in times.contested.iter().filter(|one| is_meant_work(one.of)) {
        flow!("{}", contest(one, &name_of_contest(one)));
    }
    let soon = now.at.saturating_add(Duration::from_secs(300)).unwrap_or(now.at);
    // Time of a day without a time stands at noon or later, which may be yet to come on a day that is not.
    let is_early = |work: &&&Work<'_>| match work.stretch() {
        Some(_) => work.ended() > soon,
        None => work.days(&now.zone).iter().any(|(day, _)| *day > now.day()),
    };
    let early = last.iter().filter(is_early);
    for work in early {
        let (name, person) = (names.short(times.name_of(work)), line(&work.worked.person, 30));
        flow!(
            "{name} of {person} ends at {}, which is yet to come: a machine's date was wrong",
            now.clock(work.ended())
        );
    }
    Ok(Exit::Done)
}

/// A text of a person, in one line.
fn line(text: &str, width: usize) -> String {
    words::fit(text, width, false)
}

fn runs(clock: &Clock<'_>, now: &Now, name: &str) -> String {
    let row = &clock.entry.row;
    let (person, stage) = (line(clock.person, 30), format!("{}/{}", row.shot, row.stage));
    let ran = clock.ran(now.at).map_or(String::new(), |ran| format!(", {}", words::time(ran)));
    let about = if clock.note.is_empty() { String::new() } else { format!(" ({})", line(clock.note, 60)) };
    let mut text =
        format!("{name}  {person} on {} since {}{ran}{about}", line(&stage, 60), now.clock(row.when));
    if let Some(why) = clock.forgotten(now.at, &now.zone) {
        text += &format!(
            "\n      {}, so most likely forgotten: say how long it took, `endboard clock stop {name} --took 1h30m`",
            forgotten(why)
        );
    }
    text
}

fn worked(work: &Work<'_>, now: &Now, name: &str) -> String {
    let row = &work.entry.row;
    let when = match work.stretch() {
        Some((began, _)) => now.clock(began),
        None => now.clock(row.when).split(' ').next().unwrap_or_default().to_string(),
    };
    let mut text = format!(
        "{name}  {when:<16}  {:>9}  {} on {}/{}",
        words::time(work.took),
        line(&work.worked.person, 30),
        line(&row.shot, 30),
        line(&row.stage, 30)
    );
    if work.corrected.is_some() {
        text += &format!(", corrected from {}", words::time(work.worked.took));
    }
    if !work.worked.note.is_empty() {
        text += &format!(" ({})", line(&work.worked.note, 60));
    }
    text
}

/// Two stretches of one person at once, and what that means.
pub(super) fn overlap(overlap: &Overlap<'_>, times: &Times<'_>, names: &Names) -> String {
    let named = |entry: &Entry| {
        let work = times.works.iter().find(|work| work.entry.id == entry.id);
        let name = names.short(work.map_or(entry.id, |work| times.name_of(work)));
        format!("{name} on {}", line(&format!("{}/{}", entry.row.shot, entry.row.stage), 60))
    };
    format!(
        "{} of {} is counted twice, as {} and {} were at once; `endboard clock correct NAME TIME` puts one right",
        words::time(overlap.both),
        line(overlap.person, 30),
        named(overlap.rows.0),
        named(overlap.rows.1),
    )
}

/// Two people's corrections of one row, and which one counts.
fn contest(one: &Contest<'_>, name: &str) -> String {
    let Some((before, took)) = one.before else { return String::new() };
    format!(
        "{name} was corrected to {} by {} and to {} by {}: the later counts; `endboard clock correct {name}` puts it right",
        words::time(took),
        line(&before.row.by, 30),
        words::time(one.took),
        line(&one.holds.row.by, 30)
    )
}

fn contest_json(one: &Contest<'_>, name: &str) -> serde_json::Value {
    let said = |entry: &Entry, took: Duration| serde_json::json!({ "row": entry.id.to_string(), "by": entry.row.by, "seconds": took.as_secs_f64() });
    serde_json::json!({ "name": name, "row": one.of.id.to_string(), "counts": said(one.holds, one.took),
        "before": one.before.map(|(entry, took)| said(entry, took)) })
}

/// The word for a round.
pub(super) fn round(round: Round) -> &'static str {
    match round {
        Round::First => "first pass",
        Round::Rework => "rework",
    }
}

fn clock_json(clock: &Clock<'_>, now: &Now, name: &str) -> serde_json::Value {
    let row = &clock.entry.row;
    serde_json::json!({ "name": name, "row": clock.entry.id.to_string(), "person": clock.person, "shot": row.shot,
        "stage": row.stage, "frames": row.frames.to_string(), "began": row.when.to_string(), "cause": clock.cause,
        "note": clock.note, "seconds": clock.ran(now.at).map(|ran| ran.as_secs_f64()),
        "forgotten": clock.forgotten(now.at, &now.zone).map(forgotten) })
}

fn work_json(work: &Work<'_>, name: &str) -> serde_json::Value {
    let row = &work.entry.row;
    serde_json::json!({ "name": name, "row": work.entry.id.to_string(), "person": work.worked.person, "shot": row.shot,
        "stage": row.stage, "frames": row.frames.to_string(), "began": work.worked.began.map(|began| began.to_string()),
        "when": row.when.to_string(), "seconds": work.took.as_secs_f64(), "corrected": work.corrected.is_some(),
        "seconds_first_said": work.worked.took.as_secs_f64(), "round": work.worked.round.map(round),
        "cause": work.worked.cause, "packet": work.worked.packet, "note": work.worked.note })
}

fn overlap_json(overlap: &Overlap<'_>) -> serde_json::Value {
    let (a, b) = overlap.rows;
    serde_json::json!({ "person": overlap.person, "rows": [a.id.to_string(), b.id.to_string()],
        "seconds": overlap.both.as_secs_f64() })
}
