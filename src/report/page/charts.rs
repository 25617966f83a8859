//! Charts: time as bars, and days as a distribution, each with a table that says the same.
//!
//! Knows how bars are placed. Lengths go by shares and ems, so that a chart fits any width and any size of letters.

use std::time::Duration;

use maud::{Markup, html};

use crate::report::page::ribbons::percent;
use crate::report::page::values::{Bar, Chart, Distribution, Kind};
use crate::report::words;

/// Letters of a bar's name that have room above it on a phone.
const NAME: usize = 26;
/// Bars drawn of one chart; its table holds them all.
const DRAWN: usize = 14;

/// Kinds of time that some bar has any of.
fn kinds(chart: &Chart) -> Vec<Kind> {
    let has = |kind: &Kind| {
        chart.bars.iter().any(|bar| bar.parts.iter().any(|(own, time)| own == kind && !time.is_zero()))
    };
    Kind::ALL.into_iter().filter(has).collect()
}

fn of_kind(bar: &Bar, kind: Kind) -> Duration {
    let own = bar.parts.iter().filter(|(own, _)| *own == kind);
    own.fold(Duration::ZERO, |sum, (_, time)| sum.saturating_add(*time))
}

/// The sides that a chart's bars have: people, machines, or both.
fn sides(kinds: &[Kind]) -> Vec<bool> {
    [true, false].into_iter().filter(|&people| kinds.iter().any(|kind| kind.is_people() == people)).collect()
}

fn em(value: f64) -> String {
    format!("{value:.2}em")
}

/// A chart. People's time and machines' stand in rows of their own under one name, on one scale each, since one hour of a person's
/// is not one of a machine's.
pub fn bars(chart: &Chart, id: &str) -> Markup {
    let kinds = kinds(chart);
    let sides = sides(&kinds);
    let longest: Vec<Duration> = sides
        .iter()
        .map(|&people| chart.bars.iter().map(|bar| bar.of(people)).max().unwrap_or_default())
        .collect();
    let drawn = chart.bars.len().min(DRAWN);
    let row = 1.9 + sides.len() as f64 * 1.15;
    html! {
        @if !kinds.is_empty() {
            figure class="chart" {
                figcaption { h3 id={ (id) "-t" } { (chart.title) } }
                (legend(&kinds))
                svg class="bars" height=(em(drawn as f64 * row)) role="img" aria-labelledby={ (id) "-t " (id) "-d" } {
                    desc id={ (id) "-d" } { (described(chart, &kinds)) }
                    @for (n, bar) in chart.bars[..drawn].iter().enumerate() {
                        @let top = n as f64 * row;
                        text x="0" y=(em(top + 1.05)) { (words::fit(&bar.name, NAME, false)) }
                        text class="amount" x="100%" y=(em(top + 1.05)) text-anchor="end" { (amounts(bar, &sides)) }
                        @for (side, (&people, &longest)) in sides.iter().zip(&longest).enumerate() {
                            (parts(bar, people, longest, top + 1.45 + side as f64 * 1.15, &kinds))
                        }
                    }
                }
                @if chart.bars.len() > drawn {
                    p class="more" { "and " (chart.bars.len() - drawn) " more in the table" }
                }
                (table(chart, &kinds))
            }
        }
    }
}

fn amounts(bar: &Bar, sides: &[bool]) -> String {
    let all: Vec<String> = sides.iter().map(|&people| words::time(bar.of(people))).collect();
    all.join(" · ")
}

/// Parts of one side of a bar, one after the other.
fn parts(bar: &Bar, people: bool, longest: Duration, top: f64, kinds: &[Kind]) -> Markup {
    let mut begins = 0.0;
    let mut placed = Vec::new();
    for &kind in kinds.iter().filter(|kind| kind.is_people() == people) {
        let share = words::share(of_kind(bar, kind), longest);
        if share > 0.0 {
            placed.push((kind, begins, share));
            begins += share;
        }
    }
    html! {
        rect class="trough" x="0" y=(em(top)) width="100%" height=".9em" {}
        @for (kind, begins, share) in placed {
            rect class={ "f-" (kind.texture()) } x=(percent(begins)) y=(em(top)) width=(percent(share)) height=".9em" {
                title { (bar.name) ", " (kind.words()) ": " (words::time(of_kind(bar, kind))) }
            }
        }
    }
}

fn legend(kinds: &[Kind]) -> Markup {
    html! {
        ul class="legend" {
            @for kind in kinds {
                li {
                    svg width="28" height="14" aria-hidden="true" focusable="false" {
                        rect class={ "f-" (kind.texture()) } width="28" height="14" {}
                    }
                    " " (kind.words())
                }
            }
        }
    }
}

/// The longest bar in words, for those who do not see the chart.
fn described(chart: &Chart, kinds: &[Kind]) -> String {
    let all = |bar: &Bar| bar.of(true).saturating_add(bar.of(false));
    let Some(most) = chart.bars.iter().max_by_key(|bar| all(bar)) else { return String::new() };
    let kinds: Vec<&str> = kinds.iter().map(|kind| kind.words()).collect();
    format!(
        "{} of {}. The longest is {} with {}. The table below holds all numbers.",
        words::count(chart.bars.len() as u64, "bar"),
        kinds.join("; "),
        most.name,
        words::time(all(most))
    )
}

/// The same as a table.
fn table(chart: &Chart, kinds: &[Kind]) -> Markup {
    html! {
        details class="table" {
            summary { "As a table" }
            div class="wide" tabindex="0" role="region" aria-label={ (chart.title) ", as a table" } {
                table {
                    thead { tr { th scope="col" { (chart.of) } @for kind in kinds { th scope="col" { (kind.words()) } } } }
                    tbody {
                        @for bar in &chart.bars {
                            tr {
                                th scope="row" { (bar.name) }
                                @for &kind in kinds { td { (words::time(of_kind(bar, kind))) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Bars of a distribution at most; more days are drawn as neighbours in one bar.
const COLUMNS: usize = 60;

/// When the film will be done.
pub fn distribution(of: &Distribution) -> Markup {
    let runs: u64 = of.days.iter().map(|(_, runs)| runs).sum();
    let columns = columns(of);
    let most = columns.iter().copied().max().unwrap_or(1).max(1);
    let lasts = columns.len().max(1) as f64;
    let days = |day: jiff::civil::Date| of.days.first().map_or(0, |(first, _)| (day - *first).get_days());
    let each = each(of);
    html! {
        figure class="chart" {
            figcaption class="says" { (told_bars(runs, each)) }
            svg class="curve" height="13em" role="img" aria-labelledby="forecast-t forecast-d" {
                desc id="forecast-d" { (runs) " simulated runs by the day on which they end. " (quantiles(of)) }
                @for (n, &count) in columns.iter().enumerate().filter(|(_, count)| **count > 0) {
                    @let high = 8.0 * count as f64 / most as f64;
                    rect class="run" x=(percent(n as f64 / lasts)) width=(percent(0.94 / lasts)) y=(em(11.0 - high)) height=(em(high)) {}
                }
                @for (n, (name, day)) in of.quantiles.iter().enumerate() {
                    @let at = ((f64::from(days(*day)) + 0.5) / each).min(lasts) / lasts;
                    @let (anchor, label) = if at > 0.6 { ("end", at - 0.008) } else { ("start", at + 0.008) };
                    rect class="mark" x=(percent(at)) y=(em(n as f64 * 1.2)) width="2" height=(em(11.0 - n as f64 * 1.2)) {}
                    text x=(percent(label.max(0.0))) y=(em(n as f64 * 1.2 + 0.9)) text-anchor=(anchor) { (name) }
                }
                @if let (Some((first, _)), Some((last, _))) = (of.days.first(), of.days.last()) {
                    text x="0" y="12.4em" { (full(*first)) }
                    @if first != last { text x="100%" y="12.4em" text-anchor="end" { (full(*last)) } }
                }
            }
            details class="table" {
                summary { "As a table" }
                div class="wide" tabindex="0" role="region" aria-label="Forecast, as a table" {
                    table {
                        thead { tr { th scope="col" { "done by" } th scope="col" { "share of runs" } } }
                        tbody { @for (day, share) in done_by(of, runs) { tr { th scope="row" { (day) } td { (share) } } } }
                    }
                }
            }
        }
    }
}

/// A day as the forecast's sentences write it.
fn full(day: jiff::civil::Date) -> String {
    day.strftime("%a %-d %B %Y").to_string()
}

/// What the bars are.
fn told_bars(runs: u64, each: f64) -> String {
    let when = if each > 1.0 { format!("within {each} days") } else { "on one day".to_string() };
    format!("Each bar: how many of {runs} simulated runs end {when}.")
}

fn span(of: &Distribution) -> f64 {
    match (of.days.first(), of.days.last()) {
        (Some((first, _)), Some((last, _))) => f64::from((*last - *first).get_days()) + 1.0,
        _ => 1.0,
    }
}

/// Days that one column stands for.
fn each(of: &Distribution) -> f64 {
    (span(of) / COLUMNS as f64).ceil().max(1.0)
}

fn columns(of: &Distribution) -> Vec<u64> {
    let each = each(of);
    let mut columns = vec![0; (span(of) / each).ceil() as usize];
    for (day, runs) in &of.days {
        let day = f64::from((*day - of.days[0].0).get_days());
        columns[(day / each) as usize] += runs;
    }
    columns
}

/// Its quantiles in words.
pub fn quantiles(of: &Distribution) -> String {
    let all: Vec<String> = of.quantiles.iter().map(|(name, day)| format!("{name}: {}", full(*day))).collect();
    format!("{}.", all.join(", "))
}

/// By which day which share of the runs had ended, at no more than twenty days.
fn done_by(of: &Distribution, runs: u64) -> Vec<(String, String)> {
    let step = of.days.len().div_ceil(20).max(1);
    let mut sum = 0;
    let mut out = Vec::new();
    for (n, (day, more)) in of.days.iter().enumerate() {
        sum += more;
        if (n + 1) % step == 0 || n + 1 == of.days.len() {
            out.push((full(*day), words::percent(sum as f64 / runs.max(1) as f64)));
        }
    }
    out
}
