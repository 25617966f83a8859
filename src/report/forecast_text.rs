//! A forecast as text: dates first, then what remains, what holds it up, what would help, what it does not know.
//!
//! Knows tables, lines and block characters. Does not know how a forecast is made, nor its sentences, nor how a terminal is coloured.

use std::time::Duration;

use super::forecast_words::{self, Told, unknowns, whose};
use super::words::{self, Look, count, fit, left, right};
use crate::forecast::outlook::{Outlook, Remaining};
use crate::forecast::rates::Whose;
use crate::forecast::work::{Basis, Stage, Work};

/// The most columns of the picture of ends.
const COLUMNS: usize = 60;

/// The whole text.
pub fn text(told: &Told<'_>, look: Look) -> String {
    let mut out = String::new();
    forecast_words::dates(told).iter().for_each(|line| wrap(&mut out, line, ["", ""], look));
    if told.is_done() {
        return out;
    }
    if let Some(outlook) = told.outlook {
        picture(&mut out, told, outlook, look);
    }
    remaining(&mut out, told, look);
    if let Some(outlook) = told.outlook {
        let held = forecast_words::holds(told, outlook);
        if !held.is_empty() {
            out.push_str("\nWhat holds it up\n");
            held.iter().for_each(|line| item(&mut out, line, look));
        }
        savings(&mut out, outlook, look);
        next(&mut out, told, outlook, look);
    }
    out.push_str("\nWhat this does not know\n");
    unknowns(told).iter().for_each(|line| item(&mut out, line, look));
    out
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
        let pieces = work.pieces.iter().filter(|piece| piece.stage == stage && piece.asked);
        let (shots, frames) = pieces.fold((0, 0), |(n, f), piece| (n + 1, f + piece.frames));
        Remaining { stage, shots, frames, hours: None, done: None }
    };
    (0..work.stages.len()).map(of).filter(|part| part.shots > 0).collect()
}

fn savings(out: &mut String, outlook: &Outlook, look: Look) {
    let Some(first) = outlook.savings.first() else { return };
    let runs = count(first.runs, "run");
    out.push_str(&format!("\nWhat would help (four in five, the same draws again, {runs})\n"));
    let shown: Vec<(String, String)> = forecast_words::savings(outlook)
        .into_iter()
        .take(look.rows)
        .map(|(what, saved)| (fit(&what, 50, look.ascii), saved))
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
        let steps = outlook.course.iter().filter(|step| {
            step.who == Some(at) && step.from.is_finite() && told.work.pieces[step.piece].asked
        });
        let told_so = |step: &crate::forecast::simulate::Step| {
            let piece = &told.work.pieces[step.piece];
            let from = if step.from < 1.0 {
                String::new()
            } else {
                format!(" from {}", told.short(step.from + 1e-6))
            };
            format!("{}/{}{from}", piece.shot, told.work.stages[piece.stage].name)
        };
        let pieces: Vec<String> = steps.take(3).map(told_so).collect();
        if is_person && !pieces.is_empty() {
            lines.push(format!("{}: {}", worker.name, pieces.join(", then ")));
        }
    }
    if !lines.is_empty() {
        out.push_str("\nNext, as things stand\n");
        lines.iter().take(2 * look.rows).for_each(|line| item(out, line, look));
    }
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
