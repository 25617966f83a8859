//! Hours as a table with bars, for people.
//!
//! Knows the layout and the bars' signs. Does not know how the sums come about.

use jiff::tz::TimeZone;

use crate::report::hours::{Hours, Part, Tally};
use crate::report::lines::wrap;
use crate::report::words::{self, Look, left, right};

/// The signs that bars of machines' time are drawn with: first pass, rework, failed. Machines are lines and people's time is squares
/// (`hands_table`); but for failed, no sign means something else in `status`.
pub(super) fn signs(look: Look) -> [char; 3] {
    if look.ascii { ['-', ':', 'x'] } else { ['━', '═', '╳'] }
}

/// The whole report. Lines are at most `look.width` characters long, from a width of 40 on, and
/// end in line feeds. It reads without colour: bars differ by sign.
pub fn table(hours: &Hours, zone: &TimeZone, look: Look) -> String {
    let look = Look { width: look.width.max(40), ..look };
    let total = &hours.total;
    let mut out = head(hours, look);
    if total.rows == 0 {
        return out;
    }
    wrap(&mut out, &hours.final_sentence(), look.width);
    if let Some((first, last)) = hours.span {
        let [first, last] = [first, last].map(|at| words::clock(at, zone));
        wrap(&mut out, &format!("The ledger's rows are from {first} to {last}."), look.width);
    }
    let groups = [
        ("stage", &hours.stages),
        ("shot", &hours.shots),
        ("cause", &hours.causes),
        ("machine", &hours.machines),
    ];
    for (name, parts) in groups {
        group(&mut out, name, parts, total, look);
    }
    out + &legend(look)
}

/// All machine time, in two sentences.
pub fn head(hours: &Hours, look: Look) -> String {
    let mut out = String::new();
    let mut say = |text: &str| wrap(&mut out, text, look.width.max(40));
    if hours.total.rows == 0 {
        say("The ledger holds no renders yet.");
        return out;
    }
    let total = &hours.total;
    let mut head = format!(
        "Machine time {}, processor time {}: {} in {}",
        words::time(total.wall),
        words::time(total.cpu),
        words::count(total.frames, "frame"),
        words::count(total.rows, "ledger row"),
    );
    if let Some(peak) = total.peak_memory {
        head.push_str(&format!(", peak memory {}", words::bytes(peak)));
    }
    say(&format!("{head}."));
    let part = |time| format!("{} ({})", words::time(time), words::percent(words::share(time, total.wall)));
    let mut split = format!("First pass {}, rework {}", part(total.first_pass), part(total.rework));
    if !total.failed.is_zero() || total.failed_frames > 0 {
        let frames = words::count(total.failed_frames, "frame");
        split.push_str(&format!(", failed {} on {frames}", part(total.failed)));
    }
    say(&format!("{split}."));
    out
}

/// What each machine spent, with a heading, and what its signs mean.
pub fn machines(hours: &Hours, look: Look) -> String {
    let look = Look { width: look.width.max(40), ..look };
    let mut out = String::new();
    group(&mut out, "machine", &hours.machines, &hours.total, look);
    out + &legend(look)
}

/// What the signs mean.
fn legend(look: Look) -> String {
    let [first, rework, failed] = signs(look);
    format!("\n{first} first pass  {rework} rework  {failed} failed\n")
}

/// One list with its heading.
fn group(out: &mut String, name: &str, parts: &[Part], total: &Tally, look: Look) {
    let shown = if parts.len() > look.rows.max(1) { look.rows.max(1) } else { parts.len() };
    let mut lines: Vec<(String, Tally)> =
        parts[..shown].iter().map(|part| (part.name.to_string(), part.tally.clone())).collect();
    if shown < parts.len() {
        let mut rest = Tally::default();
        parts[shown..].iter().for_each(|part| rest.merge(&part.tally));
        lines.push((format!("{} more", parts.len() - shown), rest));
    }
    let longest = parts.iter().map(|part| part.tally.wall).max().unwrap_or_default();
    // Causes are sentences and may take more room than names.
    let most = if name == "cause" { look.width / 3 } else { look.width / 5 };
    let named = lines.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0).min(most.max(10));
    let columns = columns(&lines, total, look.width.saturating_sub(named + 4 + 8));
    let tail: usize = columns.iter().map(|column| column[0].chars().count() + 2).sum();
    let bar_width = look.width.saturating_sub(named + 4 + tail).min(60);
    out.push_str(&format!("\nBy {name}\n"));
    for (i, (name, tally)) in lines.iter().enumerate() {
        let name = left(&words::fit(name, named, look.ascii), named);
        let scale = if longest.is_zero() { 0.0 } else { tally.wall.as_secs_f64() / longest.as_secs_f64() };
        let bar = bar(tally, (scale.min(1.0) * bar_width as f64).round() as usize, look);
        let mut line = format!("  {name}  {}", left(&bar, bar_width));
        for column in &columns {
            line.push_str("  ");
            line.push_str(&column[i]);
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
}

/// The columns of figures that fit into `room`, the most telling first, each padded to one width.
fn columns(lines: &[(String, Tally)], total: &Tally, room: usize) -> Vec<Vec<String>> {
    let column = |cell: &dyn Fn(&Tally) -> String| -> Vec<String> {
        let cells: Vec<String> = lines.iter().map(|(_, tally)| cell(tally)).collect();
        let width = cells.iter().map(|cell| cell.chars().count()).max().unwrap_or(0);
        cells.iter().map(|cell| right(cell, width)).collect()
    };
    let all = [
        column(&|tally| words::time(tally.wall)),
        column(&|tally| words::percent(words::share(tally.wall, total.wall))),
        column(&|tally| words::count(tally.frames, "frame")),
        column(&|tally| format!("processor {}", words::time(tally.cpu))),
        column(&|tally| tally.peak_memory.map(words::bytes).unwrap_or_default()),
    ];
    let mut taken = 0;
    all.into_iter()
        .take_while(|column| {
            taken += column.first().map_or(0, |cell| cell.chars().count()) + 2;
            taken <= room
        })
        .collect()
}

/// A bar of `cells` signs in all, at least one when any time was spent, split as the time was.
fn bar(tally: &Tally, cells: usize, look: Look) -> String {
    let cells = if tally.wall.is_zero() { 0 } else { cells.max(1) };
    let mut out = String::new();
    let (mut spent, mut drawn) = (0.0, 0);
    for (sign, time) in signs(look).into_iter().zip([tally.first_pass, tally.rework, tally.failed]) {
        spent += words::share(time, tally.wall);
        let until = ((spent * cells as f64).round() as usize).min(cells);
        out.extend(std::iter::repeat_n(sign, until.saturating_sub(drawn)));
        drawn = until.max(drawn);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::row::Round;
    use crate::report::hours::tests::{row, rows};

    #[test]
    fn the_table() {
        let look = Look { width: 80, ascii: false, rows: 2 };
        let want = "\
Machine time 3 h 20 m, processor time 6 h 40 m: 40 frames in 5 ledger rows, peak
memory 3.9 GiB.
First pass 2 h 40 m (80 %), rework 30 m 00 s (15 %), failed 10 m 00 s (5 %) on
10 frames.
The final steps (colour, assembly) took 1 h 40 m, 50 % of all machine time.
The ledger's rows are from 2026-02-02 02:50 to 2026-02-02 03:46.
";
        let text = table(&Hours::of(&rows()), &TimeZone::UTC, look);
        assert!(text.starts_with(want), "{text}");
        let stages = text.split("\n\n").nth(1).unwrap();
        let want = "\
By stage
  blades  ━━━━━━━━════╳   1 h 40 m  50 %  20 frames  processor 3 h 20 m  3.5 GiB
  look    ━━━━━━━━━       1 h 07 m  33 %  10 frames  processor 2 h 13 m  3.9 GiB
  1 more  ━━━━           33 m 20 s  17 %  10 frames  processor 1 h 07 m  2.0 GiB";
        assert_eq!(stages, want);
        assert!(text.ends_with("\n━ first pass  ═ rework  ╳ failed\n"));
    }

    #[test]
    fn lines_keep_to_the_width_and_ascii_is_ascii() {
        let mut all = rows();
        all.push(row(
            "br050",
            "très-long-stage-name-indeed",
            "x",
            &"cause ".repeat(40),
            777,
            Round::First,
            true,
        ));
        all.push(row("\u{1b}[31m", "s", "x", "c", 0, Round::Rework, false));
        for width in [0, 40, 41, 55, 72, 80, 100, 200] {
            for ascii in [false, true] {
                let text = table(&Hours::of(&all), &TimeZone::UTC, Look { width, ascii, rows: 3 });
                assert!(text.lines().all(|line| line.chars().count() <= width.max(40)), "{width}\n{text}");
                assert!(text.is_ascii() || !ascii);
                assert!(!text.contains('\u{1b}'));
            }
        }
        assert_eq!(
            table(&Hours::default(), &TimeZone::UTC, Look::default()),
            "The ledger holds no renders yet.\n"
        );
    }

    #[test]
    fn bars_are_as_long_as_asked() {
        let tally = Hours::of(&rows()).stages[0].tally.clone();
        for cells in 1..50 {
            assert_eq!(bar(&tally, cells, Look::default()).chars().count(), cells);
        }
        assert_eq!(bar(&tally, 0, Look::default()).chars().count(), 1);
        assert_eq!(bar(&Tally::default(), 9, Look::default()), "");
    }
}
