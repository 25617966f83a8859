//! Where the hours went, as the page's charts: people's time and machines' side by side.
//!
//! Knows which rows make which bars. Does not know how they are drawn.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use jiff::Zoned;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::crew::rounds::Finished;
use crate::crew::times::{Times, Work};
use crate::ledger::row::{Entry, Outcome, Render, Round, What};
use crate::report::hands::{self, Asked, Sides};
use crate::report::hands_words;
use crate::report::hours::Hours;
use crate::report::page::values::{Bar, Chart, Kind, Spent};
use crate::report::words;

/// A stretch of time, by whom and of what.
struct Stretch<'a> {
    entry: &'a Entry,
    /// The person; none of a machine.
    person: Option<&'a str>,
    cause: Arc<str>,
    kind: Kind,
    /// What of it falls on which day.
    days: Vec<(Date, Duration)>,
}

/// All charts of a ledger's rows; weeks are those of ISO 8601 in the zone of `now`. `kind` tells what a stage is, as `Sides` asks it.
pub fn of(entries: &[Entry], kind: &dyn Fn(&str, &str) -> Arc<str>, now: &Zoned) -> Spent {
    let stretches = stretches(entries, now.time_zone());
    let hours = Hours::of(entries.iter().map(|entry| &entry.row));
    let sum = |people: bool| {
        let own = stretches.iter().filter(|one| one.kind.is_people() == people);
        own.flat_map(|one| &one.days).fold(Duration::ZERO, |sum, (_, time)| sum.saturating_add(*time))
    };
    let mut says = Vec::new();
    if !sum(true).is_zero() {
        says.push(format!("Hands worked {}, machines {}.", words::time(sum(true)), words::time(sum(false))));
    }
    if hours.total.rows > 0 {
        says.push(hours.final_sentence());
    }
    // With people the final steps are theirs too, in the words of `hours`.
    if !sum(true).is_zero() {
        let zone = now.time_zone();
        let asked = Asked { zone, from: None, until: None, picks: &|_, _| true, kind };
        says.truncate(1);
        says.extend(hands_words::finals(&Sides::of(entries, &Times::of(entries), &asked)));
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
        chart("By week", "week", &|_, day| Some(hands::week(day))),
        longest_first(chart("By person", "person", &|one, _| one.person.map(str::to_string))),
        longest_first(chart("By shot", "shot", &|one, _| Some(one.entry.row.shot.to_string()))),
        longest_first(chart("By cause", "cause", &|one, _| Some(one.cause.to_string()))),
    ];
    Spent { says, charts: charts.into_iter().filter(|chart| !chart.bars.is_empty()).collect() }
}

fn stretches<'a>(entries: &'a [Entry], zone: &TimeZone) -> Vec<Stretch<'a>> {
    let (times, finished) = (Times::of(entries), Finished::of(entries));
    let hand = |work: &Work<'a>| {
        let round = hands::round(work, &finished);
        let kind = match round {
            Round::First => Kind::PeopleFirst,
            Round::Rework => Kind::PeopleRework,
        };
        let (person, cause) = (Some(&*work.worked.person), hands::cause_of(&work.worked.cause, round));
        Stretch { entry: work.entry, person, cause, kind, days: work.days(zone) }
    };
    let machine = |entry: &'a Entry| {
        let What::Render(render) = &entry.row.what else { return None };
        let day = entry.row.when.to_zoned(zone.clone()).date();
        let days = vec![(day, render.wall)];
        Some(Stretch { entry, person: None, cause: render.cause.clone(), kind: kind(render), days })
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
        let kind = |_: &str, _: &str| Arc::from(hands::BY_HAND);
        let spent = of(&entries, &kind, &now);
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
        assert_eq!(week("2026-W47"), Duration::from_secs(3600));
        assert_eq!(week("2026-W48"), Duration::from_secs(90 * 60));
        assert_eq!(spent.says[0], "Hands worked 2 h 30 m, machines 3 h 20 m.");
        // Final steps are people's too, as `hours` counts them.
        assert!(spent.says[1].contains("took 2 h 30 m of hands"), "{}", spent.says[1]);
        let cause = |name: &str| spent.charts[4].bars.iter().any(|bar| bar.name == name);
        assert!(cause(hands::UNSAID[0]) && !cause(""));
    }

    use crate::ledger::id::RowId;
}
