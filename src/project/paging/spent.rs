//! Where the hours went, as the page's charts: people's time and machines' side by side.
//!
//! Knows which rows make which bars. Does not know how they are drawn.

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::Zoned;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::crew::rounds::Finished;
use crate::crew::times::{Times, Work};
use crate::ledger::row::{Entry, Outcome, Render, Round, What};
use crate::report::hours::Hours;
use crate::report::page::values::{Bar, Chart, Kind, Spent};
use crate::report::words;

/// A stretch of time, by whom and of what.
struct Stretch<'a> {
    entry: &'a Entry,
    /// The person; none of a machine.
    person: Option<&'a str>,
    cause: &'a str,
    kind: Kind,
    /// What of it falls on which day.
    days: Vec<(Date, Duration)>,
}

/// All charts of a ledger's rows; weeks begin on Monday (ISO 8601) in the zone of `now`.
pub fn of(entries: &[Entry], now: &Zoned) -> Spent {
    let stretches = stretches(entries, now.time_zone());
    let hours = Hours::of(entries.iter().map(|entry| &entry.row));
    let sum = |people: bool| {
        let own = stretches.iter().filter(|one| one.kind.is_people() == people);
        own.flat_map(|one| &one.days).fold(Duration::ZERO, |sum, (_, time)| sum.saturating_add(*time))
    };
    let mut says = Vec::new();
    if !sum(true).is_zero() {
        says.push(format!("People worked {}, machines {}.", words::time(sum(true)), words::time(sum(false))));
    }
    if hours.total.rows > 0 {
        says.push(hours.final_sentence());
    }
    let chart = |title: &str, of: &str, name: &dyn Fn(&Stretch<'_>, Date) -> Option<String>| Chart {
        title: title.into(),
        of: of.into(),
        bars: bars(&stretches, name),
    };
    let longest_first = |mut chart: Chart| {
        chart.bars.sort_by_key(|bar| std::cmp::Reverse((bar.of(true), bar.of(false))));
        chart
    };
    let charts = vec![
        longest_first(chart("By stage", "stage", &|one, _| Some(one.entry.row.stage.to_string()))),
        chart("By week", "week from", &|_, day| Some(week_of(day).to_string())),
        longest_first(chart("By person", "person", &|one, _| one.person.map(str::to_string))),
        longest_first(chart("By shot", "shot", &|one, _| Some(one.entry.row.shot.to_string()))),
        longest_first(chart("By cause", "cause", &|one, _| Some(named(one.cause)))),
    ];
    Spent { says, charts: charts.into_iter().filter(|chart| !chart.bars.is_empty()).collect() }
}

fn named(cause: &str) -> String {
    if cause.is_empty() { "no cause given".into() } else { cause.into() }
}

/// The Monday of a day's week.
fn week_of(day: Date) -> Date {
    let back = i64::from(day.weekday().to_monday_zero_offset());
    day.checked_sub(jiff::Span::new().days(back)).unwrap_or(day)
}

fn stretches<'a>(entries: &'a [Entry], zone: &TimeZone) -> Vec<Stretch<'a>> {
    let (times, finished) = (Times::of(entries), Finished::of(entries));
    let hand = |work: &Work<'a>| {
        let row = &work.entry.row;
        let round = work
            .worked
            .round
            .unwrap_or_else(|| finished.round(&row.shot, &row.stage, &row.frames, work.ended()));
        let kind = match round {
            Round::First => Kind::PeopleFirst,
            Round::Rework => Kind::PeopleRework,
        };
        let (person, cause) = (Some(&*work.worked.person), &*work.worked.cause);
        Stretch { entry: work.entry, person, cause, kind, days: work.days(zone) }
    };
    let machine = |entry: &'a Entry| {
        let What::Render(render) = &entry.row.what else { return None };
        let day = entry.row.when.to_zoned(zone.clone()).date();
        let days = vec![(day, render.wall)];
        Some(Stretch { entry, person: None, cause: &render.cause, kind: kind(render), days })
    };
    let hands = times.counted().map(hand);
    let mut all: Vec<Stretch<'a>> = hands.collect();
    all.extend(entries.iter().filter_map(machine));
    all
}

fn kind(render: &Render) -> Kind {
    match (&render.outcome, render.round) {
        (Outcome::Failed(_), _) => Kind::MachineFailed,
        (Outcome::Done, Round::First) => Kind::MachineFirst,
        (Outcome::Done, Round::Rework) => Kind::MachineRework,
    }
}

/// Bars by name, in order of name.
fn bars(stretches: &[Stretch<'_>], name: &dyn Fn(&Stretch<'_>, Date) -> Option<String>) -> Vec<Bar> {
    let mut sums: BTreeMap<String, [Duration; Kind::ALL.len()]> = BTreeMap::new();
    for one in stretches {
        for &(day, time) in &one.days {
            let Some(name) = name(one, day) else { continue };
            let sum = &mut sums.entry(name).or_default()[one.kind as usize];
            *sum = sum.saturating_add(time);
        }
    }
    let bar = |(name, sums): (String, [Duration; Kind::ALL.len()])| Bar {
        name,
        parts: Kind::ALL.into_iter().zip(sums).filter(|(_, time)| !time.is_zero()).collect(),
    };
    sums.into_iter().map(bar).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::tests::{entry, worked};
    use crate::report::hours::tests::rows;

    /// An evening over midnight on Sunday falls into two weeks; sums of every chart are the same.
    #[test]
    fn weeks_persons_and_stages_add_up() {
        let late = entry(1, "2026-11-22T23:00:00Z", worked("ana", 120, Some("2026-11-22T23:00:00Z"), None));
        let other = entry(2, "2026-11-24T20:00:00Z", worked("tomas", 30, None, None));
        let mut entries = vec![late, other];
        for (n, row) in rows().into_iter().enumerate() {
            let mut more = entries[0].clone();
            (more.id, more.row) = (RowId(100 + n as u128), row);
            entries.push(more);
        }
        let now: Zoned = "2026-11-25T12:00:00+00:00[UTC]".parse().unwrap();
        let spent = of(&entries, &now);
        let titles: Vec<&str> = spent.charts.iter().map(|chart| &*chart.title).collect();
        assert_eq!(titles, ["By stage", "By week", "By person", "By shot", "By cause"]);
        let people = |chart: &Chart| chart.bars.iter().map(|bar| bar.of(true)).sum::<Duration>();
        let machines = |chart: &Chart| chart.bars.iter().map(|bar| bar.of(false)).sum::<Duration>();
        for chart in &spent.charts {
            assert_eq!(people(chart), Duration::from_secs(150 * 60), "{}", chart.title);
            assert!(chart.title == "By person" || machines(chart) == Duration::from_secs(12_000));
        }
        let weeks = &spent.charts[1].bars;
        let week = |name: &str| weeks.iter().find(|bar| bar.name == name).unwrap().of(true);
        assert_eq!(week("2026-11-16"), Duration::from_secs(3600));
        assert_eq!(week("2026-11-23"), Duration::from_secs(90 * 60));
        assert_eq!(spent.says[0], "People worked 2 h 30 m, machines 3 h 20 m.");
    }

    use crate::ledger::id::RowId;
}
