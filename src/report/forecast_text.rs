//! A forecast as text: dates first, then what remains, what holds it up, what would help, what it does not know.
//!
//! Knows tables, lines and block characters. Does not know how a forecast is made, nor its sentences, nor how a terminal is coloured.

use std::time::Duration;

use super::forecast_words::{self, NAMES, Told, counted, unknowns, whose};
use super::lines;
use super::words::{self, Look, count, left, right};
use crate::forecast::outlook::{Outlook, Remaining};
use crate::forecast::rates::Whose;
use crate::forecast::work::{Basis, Counts, Work};

/// The most columns of the picture of ends.
const COLUMNS: usize = 60;

/// The whole text.
pub fn text(told: &Told<'_>, look: Look) -> String {
    let mut out = String::new();
    forecast_words::dates(told).iter().for_each(|line| wrap(&mut out, line, ["", ""], look));
    if told.is_done() {
        forecast_words::idle(told).iter().for_each(|line| wrap(&mut out, line, ["", "  "], look));
        return out;
    }
    if let Some(outlook) = told.outlook {
        picture(&mut out, told, outlook, look);
    }
    remaining(&mut out, told, look);
    if let Some(outlook) = told.outlook {
        let held = forecast_words::holds(told, outlook);
        if !held.is_empty() {
            out.push_str("\nWhat delays it\n");
            held.iter().for_each(|line| item(&mut out, line, look));
        }
        savings(&mut out, told, outlook, look);
        next(&mut out, told, outlook, look);
    } else {
        let idle = forecast_words::idle(told);
        let title = if idle.is_empty() { "" } else { "\nWhat would help\n" };
        out.push_str(title);
        idle.iter().for_each(|line| item(&mut out, line, look));
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
    if start == end {
        out.push_str(&format!("  {start}\n"));
        return;
    }
    let gap = columns.saturating_sub(start.chars().count() + end.chars().count()).max(3);
    out.push_str(&format!("  {start}{}{end}\n", " ".repeat(gap)));
}

fn hours(hours: f64) -> String {
    words::time(Duration::from_secs_f64((hours * 3600.0).clamp(0.0, 1e9)))
}

fn sure(work: &Work, at: usize) -> String {
    let stage = &work.stages[at];
    let approvals = || work.pieces.iter().filter(|piece| piece.stage == at).map(|piece| piece.is_approval);
    match stage.basis {
        Basis::Unknown if approvals().any(|is| is) => {
            if approvals().all(|is| is) { "to be approved" } else { "to be made or approved" }.into()
        }
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
    let [half, four, _] = NAMES;
    let by = format!("by {four}");
    let mut rows = vec![["stage", "of", "frames", half, four, &by, "how sure"].map(String::from)];
    let most = 2 * look.rows;
    for part in all.iter().take(most) {
        let stage = &told.work.stages[part.stage];
        let (half, four) = part.hours.map_or(("?".into(), "?".into()), |h| (hours(h[0]), hours(h[1])));
        let done = part.done.map_or("?".into(), |done| told.short(done[1]));
        let name = stage.name.to_string();
        let frames = match stage.counts {
            Counts::Frames => part.frames.to_string(),
            Counts::Blocks => counted(stage, part.frames),
            // Frames and blocks are no number of either.
            Counts::Both => String::new(),
        };
        rows.push([name, whose(stage.whose).into(), frames, half, four, done, sure(told.work, part.stage)]);
    }
    out.push('\n');
    let title =
        format!("What remains: time to be spent ({}, {}), and the day of its end", NAMES[0], NAMES[1]);
    wrap(out, &title, ["", "  "], look);
    table(out, &rows, look);
    if all.len() > most {
        out.push_str(&format!("  and {}\n", count((all.len() - most) as u64, "more stage")));
    }
}

/// Rows in columns, the third to the fifth to the right. Where they are wider than the look, what the last column says goes on below
/// it, or where there is no room for that either, stands on lines of its own. Nothing is cut off.
fn table(out: &mut String, rows: &[[String; 7]], look: Look) {
    /// The least room for the last column beside the others.
    const LEAST: usize = 12;
    let width = |c: usize| rows.iter().map(|row| row[c].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..6).map(width).collect();
    let beside = 2 + widths.iter().map(|width| width + 2).sum::<usize>();
    let room = look.width.saturating_sub(beside);
    for row in rows {
        let cell = |(c, cell): (usize, &String)| match c {
            2..=4 => right(cell, widths[c]),
            _ => left(cell, widths[c]),
        };
        let line = row[..6].iter().enumerate().map(cell).collect::<Vec<_>>().join("  ");
        let line = format!("  {}", line.trim_end());
        match room {
            LEAST.. => {
                let first = format!("{}  ", left(&line, beside - 2));
                wrap(out, &row[6], [&first, &" ".repeat(beside)], look);
            }
            // A stage, and below it all that is said of it.
            _ if line.chars().count() > look.width => {
                item(out, &row[0], look);
                wrap(out, &row[1..].join(", "), ["    ", "    "], look);
            }
            _ => {
                out.push_str(&line);
                out.push('\n');
                wrap(out, &row[6], ["      ", "      "], look);
            }
        }
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

fn savings(out: &mut String, told: &Told<'_>, outlook: &Outlook, look: Look) {
    let Some(first) = outlook.savings.first() else { return };
    let runs = count(first.runs, "run");
    out.push('\n');
    wrap(out, &format!("What would help ({}, the same draws again, {runs})", NAMES[1]), ["", "  "], look);
    // What is asked for is told in full, however much it is.
    let most = if told.asked.is_empty() { look.rows } else { usize::MAX };
    let shown: Vec<(String, String)> = forecast_words::savings(outlook).into_iter().take(most).collect();
    let widest = |of: fn(&(String, String)) -> &String| shown.iter().map(|row| of(row).chars().count()).max();
    let widths = [widest(|row| &row.0), widest(|row| &row.1)].map(Option::unwrap_or_default);
    for (what, days) in &shown {
        match 4 + widths[0] + widths[1] <= look.width {
            true => out.push_str(&format!("  {}  {days}\n", left(what, widths[0]))),
            false => item(out, &format!("{what}: {days}"), look),
        }
    }
    forecast_words::idle(told).iter().for_each(|line| item(out, line, look));
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
    lines::fold(out, &words::plain(text, look.ascii), begins, look.width);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows() -> Vec<[String; 7]> {
        let row = |cells: [&str; 7]| cells.map(String::from);
        vec![
            row(["stage", "of", "frames", "half", "4 in 5", "done by", "how sure"]),
            row([
                "deliver.review",
                "machine",
                "467",
                "4 m 11 s",
                "12 m 50 s",
                "28 Nov 2026",
                "as its operator's",
            ]),
            row(["cleanup", "hands", "16", "3 h 50 m", "5 h 20 m", "5 Dec 2026", "hardly sure, 2 shots"]),
        ]
    }

    #[test]
    fn a_table_keeps_every_word_at_any_width() {
        for width in [40, 48, 60, 66, 72, 80, 100, 160] {
            let mut out = String::new();
            table(&mut out, &rows(), Look { width, ..Look::default() });
            assert!(
                out.lines().all(|line| line.chars().count() <= width && !line.ends_with(' ')),
                "{width}:\n{out}"
            );
            let said: Vec<&str> = out.split([' ', ',', '\n']).filter(|word| !word.is_empty()).collect();
            for word in rows().iter().flatten().flat_map(|cell| cell.split([' ', ','])) {
                assert!(word.is_empty() || said.contains(&word), "{width}: {word}:\n{out}");
            }
        }
        let mut out = String::new();
        table(&mut out, &rows(), Look { width: 80, ..Look::default() });
        let column = |line: &str, word: &str| line.find(word).map(|at| line[..at].chars().count());
        let lines: Vec<&str> = out.lines().collect();
        assert_eq!(column(lines[0], "how sure"), column(lines[1], "as its"), "{out}");
        assert_eq!(column(lines[1], "as its"), column(lines[2], "operator's"), "{out}");
    }
}
