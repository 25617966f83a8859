//! A forecast as text: dates first, then what remains, what holds it up, what would help, what it does not know.
//!
//! Knows sentences, dates and block characters. Does not know how a forecast is made, nor how a terminal is coloured.

use std::sync::Arc;
use std::time::Duration;

use jiff::civil::Date;

use super::words::{self, Look, count, fit, left, percent, right};
use crate::forecast::outlook::{Change, Outlook, Remaining, Saving};
use crate::forecast::rates::Whose;
use crate::forecast::work::{Basis, Stage, Work};

/// What is told, as plain values.
pub struct Told<'a> {
    /// The film's name.
    pub film: &'a str,
    /// What remains.
    pub work: &'a Work,
    /// What the runs say; none where nothing can be planned.
    pub outlook: Option<&'a Outlook>,
    /// The day from which days count.
    pub from: Date,
    /// The day by which it should be done.
    pub due: Option<Date>,
    /// Whether the declaration names people.
    pub has_crew: bool,
    /// Whether it names machines.
    pub has_machines: bool,
    /// Packets out with people who are not of the crew: person and place.
    pub strangers: &'a [(Arc<str>, String)],
}

/// The most columns of the picture of ends.
const COLUMNS: usize = 60;

impl Told<'_> {
    /// The date of a day; none when that day never comes.
    pub fn date(&self, day: f64) -> Option<Date> {
        if !day.is_finite() {
            return None;
        }
        // What ends as a day ends is done on that day.
        let whole = (day - 1e-9).floor().max(0.0);
        self.from.checked_add(jiff::Span::new().days(whole as i64)).ok()
    }

    fn day(&self, day: f64) -> String {
        self.date(day).map_or("never".into(), |date| date.strftime("%a %-d %B %Y").to_string())
    }

    fn short(&self, day: f64) -> String {
        self.date(day).map_or("never".into(), |date| date.strftime("%-d %b %Y").to_string())
    }
}

/// The whole text.
pub fn text(told: &Told<'_>, look: Look) -> String {
    let mut out = String::new();
    if told.work.tasks.is_empty() {
        wrap(
            &mut out,
            &format!("{}: everything is fresh; nothing remains to be done.", told.film),
            ["", ""],
            look,
        );
        return out;
    }
    match told.outlook {
        Some(outlook) => dates(&mut out, told, outlook, look),
        None => {
            let why = "nothing that remains has both a known pace and somebody who does it";
            wrap(&mut out, &format!("{}: no date can be told: {why}.", told.film), ["", ""], look);
        }
    }
    remaining(&mut out, told, look);
    if let Some(outlook) = told.outlook {
        holds(&mut out, told, outlook, look);
        savings(&mut out, outlook, look);
        next(&mut out, told, outlook, look);
    }
    out.push_str("\nWhat this does not know\n");
    unknowns(told).iter().for_each(|line| item(&mut out, line, look));
    out
}

fn dates(out: &mut String, told: &Told<'_>, outlook: &Outlook, look: Look) {
    let [half, four, most] = outlook.days().map(|day| told.day(day));
    let is_partial = told.work.stages.iter().any(|stage| !stage.is_planned());
    let but = if is_partial { ", not counting what is unknown (see below)" } else { "" };
    let sentence = match half.as_str() {
        "never" => {
            let why = "the crew's hours run out before the work does, in half of all runs or more";
            format!("{}: no date can be told: {why}.", told.film)
        }
        _ => format!(
            "{}: with half a chance by {half}, four in five by {four}, nineteen in twenty by {most}{but}.",
            told.film
        ),
    };
    wrap(out, &sentence, ["", ""], look);
    if let Some(due) = told.due {
        let days = told.from.until(due).map_or(-1, |span| span.get_days());
        let share = if days < 0 { 0.0 } else { outlook.share_by(f64::from(days)) };
        let day = due.strftime("%a %-d %B %Y");
        wrap(out, &format!("Due by {day}: {} of all runs end by then.", percent(share)), ["", ""], look);
    }
    picture(out, told, outlook, look);
}

/// Ends as columns over days; the last of a hundred runs are left out, which may lie far off.
fn picture(out: &mut String, told: &Told<'_>, outlook: &Outlook, look: Look) {
    let ends: Vec<f64> = outlook.ends.iter().copied().filter(|end| end.is_finite()).collect();
    let (Some(&first), true) = (ends.first(), ends.len() > 1) else { return };
    let last = ends[((ends.len() - 1) as f64 * 0.99) as usize];
    let from = first.floor();
    let to = last.ceil().max(from + 1.0);
    let room = COLUMNS.min(look.width.saturating_sub(4)).max(1);
    let step = ((to - from) / room as f64).ceil().max(1.0);
    let columns = ((to - from) / step).ceil() as usize;
    let mut counts = vec![0usize; columns];
    for end in ends.iter().filter(|&&end| end <= to) {
        counts[(((end - from) / step) as usize).min(columns - 1)] += 1;
    }
    let most = counts.iter().copied().max().unwrap_or(1).max(1);
    let signs: Vec<char> = if look.ascii { "._-=+*#%" } else { "▁▂▃▄▅▆▇█" }.chars().collect();
    let sign = |&n: &usize| if n == 0 { ' ' } else { signs[(n * signs.len()).div_ceil(most) - 1] };
    let row: String = counts.iter().map(sign).collect();
    let each = if step <= 1.0 { "a day".to_string() } else { format!("{step} days") };
    let runs = count(outlook.ends.len() as u64, "run");
    out.push_str(&format!("\nWhen it ends, in {runs}; each column is {each}\n  {}\n", row.trim_end()));
    let (start, end) = (told.short(from + 0.5), told.short(from + step * columns as f64 - 0.5));
    let gap = columns.saturating_sub(start.chars().count() + end.chars().count()).max(3);
    out.push_str(&format!("  {start}{}{end}\n", " ".repeat(gap)));
}

/// Whose time a stage takes, in a word.
pub fn whose(whose: Whose) -> &'static str {
    match whose {
        Whose::Hands => "hands",
        Whose::Machine => "machine",
    }
}

fn named(stage: &Stage) -> String {
    format!("{} ({})", stage.name, whose(stage.whose))
}

fn hours(hours: f64) -> String {
    words::time(Duration::from_secs_f64((hours * 3600.0).clamp(0.0, 1e9)))
}

fn sure(stage: &Stage) -> String {
    match stage.basis {
        _ if stage.who.is_empty() => "nobody does it".into(),
        Basis::Measured(shots, sure) => format!("{sure}, {}", count(shots as u64, "shot")),
        Basis::Alike => "as its operator's".into(),
        Basis::Guessed => "guessed".into(),
        Basis::Unknown => "never measured".into(),
    }
}

fn remaining(out: &mut String, told: &Told<'_>, look: Look) {
    let mut all: Vec<Remaining> = match told.outlook {
        Some(outlook) => outlook.remaining.clone(),
        None => unplanned(told.work),
    };
    all.sort_by_key(|part| told.work.stages[part.stage].whose);
    let mut rows = vec![["stage", "of", "frames", "half", "4 in 5", "done by", "how sure"].map(String::from)];
    let most = 2 * look.rows;
    for part in all.iter().take(most) {
        let stage = &told.work.stages[part.stage];
        let (half, four) = part.hours.map_or(("?".into(), "?".into()), |h| (hours(h[0]), hours(h[1])));
        let done = part.done.map_or("?".into(), |done| told.short(done[1]));
        let name = fit(&stage.name, 14, look.ascii);
        rows.push([name, whose(stage.whose).into(), part.frames.to_string(), half, four, done, sure(stage)]);
    }
    out.push_str("\nWhat remains (time with half a chance and four in five; done by, four in five)\n");
    let width = |c: usize| rows.iter().map(|row| row[c].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..7).map(width).collect();
    for row in &rows {
        let cell = |(c, cell): (usize, &String)| match c {
            2..=4 => right(cell, widths[c]),
            _ => left(cell, widths[c]),
        };
        let line = row.iter().enumerate().map(cell).collect::<Vec<_>>().join("  ");
        out.push_str(&fit(format!("  {line}").trim_end(), look.width, look.ascii));
        out.push('\n');
    }
    if all.len() > most {
        out.push_str(&format!("  and {}\n", count((all.len() - most) as u64, "more stage")));
    }
}

/// What remains where nothing can be planned.
fn unplanned(work: &Work) -> Vec<Remaining> {
    let of = |stage: usize| {
        let tasks = work.tasks.iter().filter(|task| task.stage == stage);
        let (shots, frames) = tasks.fold((0, 0), |(n, f), task| (n + 1, f + task.frames));
        Remaining { stage, shots, frames, hours: None, done: None }
    };
    (0..work.stages.len()).map(of).collect()
}

fn holds(out: &mut String, told: &Told<'_>, outlook: &Outlook, look: Look) {
    if outlook.holds.is_empty() {
        return;
    }
    out.push_str("\nWhat holds it up\n");
    let stages = outlook.holds.iter().take(4);
    let stages = stages.map(|&(at, share)| format!("{} {}", named(&told.work.stages[at]), percent(share)));
    item(out, &format!("of the time to the end: {}", stages.collect::<Vec<_>>().join(", ")), look);
    let tasks = outlook.chain.iter().take(6).map(|&(at, share)| {
        let task = &told.work.tasks[at];
        format!("{}/{} {}", task.shot, named(&told.work.stages[task.stage]), percent(share))
    });
    let tasks = tasks.collect::<Vec<_>>().join(", ");
    item(out, &format!("in so many runs on the way that ends last: {tasks}"), look);
}

/// A change in words.
pub fn change(change: &Change) -> String {
    match change {
        Change::Without(shot) => format!("without {shot}"),
        Change::More(stage) => format!("one more person for {stage}"),
        Change::Faster(stage, times) if *times == 2.0 => format!("{stage} twice as fast"),
        Change::Faster(stage, times) => format!("{stage} {times} times as fast"),
    }
}

fn saved(days: f64) -> String {
    match days.round() {
        d if d.is_nan() || d == f64::NEG_INFINITY => "no end any more".into(),
        f64::INFINITY => "an end at all".into(),
        0.0 => "no day".into(),
        d if d < 0.0 => format!("{} later", count(-d as u64, "day")),
        d => format!("{} sooner", count(d as u64, "day")),
    }
}

fn savings(out: &mut String, outlook: &Outlook, look: Look) {
    let Some(first) = outlook.savings.first() else { return };
    let runs = count(first.runs, "run");
    out.push_str(&format!("\nWhat would help (four in five, the same draws again, {runs})\n"));
    let what = |saving: &Saving| saving.changes.iter().map(change).collect::<Vec<_>>().join(", ");
    let shown: Vec<(String, String)> = outlook
        .savings
        .iter()
        .take(look.rows)
        .map(|s| (fit(&what(s), 50, look.ascii), saved(s.days)))
        .collect();
    let width = shown.iter().map(|(what, _)| what.chars().count()).max().unwrap_or(0);
    for (what, days) in shown {
        out.push_str(&fit(&format!("  {}  {days}", left(&what, width)), look.width, look.ascii));
        out.push('\n');
    }
}

/// What each person is expected to do next.
fn next(out: &mut String, told: &Told<'_>, outlook: &Outlook, look: Look) {
    let mut lines = Vec::new();
    for (at, worker) in told.work.workers.iter().enumerate() {
        let is_person = told.work.stages.iter().any(|s| s.whose == Whose::Hands && s.who.contains(&at));
        let steps = outlook.course.iter().filter(|step| step.who == Some(at) && step.from.is_finite());
        let told_so = |step: &crate::forecast::simulate::Step| {
            let task = &told.work.tasks[step.task];
            let from = if step.from < 1.0 {
                String::new()
            } else {
                format!(" from {}", told.short(step.from + 1e-6))
            };
            format!("{}/{}{from}", task.shot, told.work.stages[task.stage].name)
        };
        let tasks: Vec<String> = steps.take(3).map(told_so).collect();
        if is_person && !tasks.is_empty() {
            lines.push(format!("{}: {}", worker.name, tasks.join(", then ")));
        }
    }
    if !lines.is_empty() {
        out.push_str("\nNext, as things stand\n");
        lines.iter().take(2 * look.rows).for_each(|line| item(out, line, look));
    }
}

/// What a forecast cannot see, in plain words.
pub fn unknowns(told: &Told<'_>) -> Vec<String> {
    let mut all = Vec::new();
    for (at, stage) in told.work.stages.iter().enumerate().filter(|(_, stage)| !stage.is_planned()) {
        let tasks = told.work.tasks.iter().filter(|task| task.stage == at);
        let (shots, frames) = tasks.fold((0, 0), |(n, f), task| (n + 1, f + task.frames));
        let what = format!("{} of {}, {}", count(frames, "frame"), count(shots, "shot"), named(stage));
        let why = match (stage.pace.is_none(), stage.whose) {
            (true, Whose::Hands) => "never measured, and `crew: estimates:` does not say what they take",
            (true, Whose::Machine) => "never measured",
            (false, _) if told.has_crew => "known, but nobody in `crew:` does it",
            (false, _) => "known, but nobody's hours are: there is no `crew: people:`",
        };
        all.push(format!("{what}: {why}. The dates leave them out."));
    }
    for (person, place) in told.strangers {
        all.push(format!(
            "{place} is out with {person}, of whom `crew:` does not tell; it counts as anybody's."
        ));
    }
    if !told.has_machines && told.work.stages.iter().any(|stage| stage.whose == Whose::Machine) {
        let one = "one machine counts that renders one frame at a time, day and night";
        all.push(format!("How long machines render: without `crew: machines:`, {one}."));
    }
    all.push(
        "Changes to come: rework counts as far as it has followed first passes up to now; a new cut, a reshoot \
         or a change of mind does not."
            .into(),
    );
    all.push("Who is faster: people count as equally fast. Fresh frames count as done, whoever has looked at them.".into());
    all
}

fn item(out: &mut String, text: &str, look: Look) {
    wrap(out, text, ["  ", "    "], look);
}

/// Words in lines, which begin with `begins`: the first, and the others.
fn wrap(out: &mut String, text: &str, begins: [&str; 2], look: Look) {
    let mut line = begins[0].to_string();
    let mut is_empty = true;
    for word in text.split_whitespace() {
        let word = fit(word, look.width.saturating_sub(begins[1].len()), look.ascii);
        if !is_empty && line.chars().count() + 1 + word.chars().count() > look.width {
            out.push_str(&line);
            out.push('\n');
            line = begins[1].to_string();
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(&word);
        is_empty = false;
    }
    out.push_str(&line);
    out.push('\n');
}
