//! People's and machines' time as a table with bars, for people.
//!
//! Knows the layout and the bars' signs. Does not know how the sums come about.

use std::time::Duration;

use crate::report::hands::{Side, Sides};
use crate::report::hours_table;
use crate::report::lines::wrap;
use crate::report::words::{self, Look, left, right, time};

/// The signs of bars: hands' first pass, hands' rework, machines. None of them means something else in `status`.
fn signs(look: Look) -> [char; 3] {
    let [machines, ..] = hours_table::signs(look);
    if look.ascii { ['*', 'o', machines] } else { ['■', '□', machines] }
}

/// Sentences, each on lines of its own.
pub fn paragraphs(lines: &[String], look: Look) -> String {
    let mut out = String::new();
    for line in lines {
        let line = words::fit(line, line.chars().count(), look.ascii);
        // What stands under a sentence is set in.
        let inner = line.trim_start();
        let indent = if inner.len() < line.len() { "  " } else { "" };
        out.push_str(indent);
        wrap(&mut out, inner, look.width.max(40) - indent.len());
    }
    out
}

/// The groups: by stage, shot, person, week and cause. Lines are at most `look.width` characters long, from a width of 40 on. It
/// reads without colour: bars differ by sign.
pub fn table(sides: &Sides, look: Look) -> String {
    let look = Look { width: look.width.max(40), ..look };
    let mut out = String::new();
    for (name, list) in [
        ("stage", &sides.stages),
        ("shot", &sides.shots),
        ("person", &sides.people),
        ("week", &sides.weeks),
        ("cause", &sides.causes),
    ] {
        if !list.is_empty() {
            group(&mut out, name, list, look);
        }
    }
    let [first, rework, machines] = signs(look);
    out.push('\n');
    let told = [
        format!("{first} hands, first pass"),
        format!("{rework} hands, rework"),
        format!("{machines} machines"),
    ];
    let one: usize = told.iter().map(|part| part.chars().count() + 2).sum();
    out.push_str(&told.join(if one <= look.width + 2 { "  " } else { "\n" }));
    out.push('\n');
    out
}

/// The rows that are shown: the first ones, or the last weeks, and the rest in one.
fn shown(name: &str, list: &[Side], rows: usize) -> Vec<Side> {
    let rows = rows.max(1).min(list.len());
    let (rest, kept) = match name {
        "week" => list.split_at(list.len() - rows),
        _ => (&list[rows..], &list[..rows]),
    };
    let mut more = Side { name: format!("{} more", rest.len()).into(), ..Side::default() };
    for side in rest {
        more.hands.merge(&side.hands);
        more.machines.merge(&side.machines);
    }
    let mut shown = kept.to_vec();
    if !rest.is_empty() {
        let at = if name == "week" { 0 } else { shown.len() };
        shown.insert(at, more);
    }
    shown
}

fn group(out: &mut String, name: &str, list: &[Side], look: Look) {
    let lines = shown(name, list, look.rows);
    let most = if name == "cause" { look.width / 3 } else { look.width / 4 };
    let named = lines
        .iter()
        .map(|side| side.name.chars().count())
        .max()
        .unwrap_or(0)
        .clamp(name.len() + 1, most.max(10));
    let cell = |time_of: Duration| if time_of.is_zero() { "-".to_string() } else { time(time_of) };
    let column = |title: &str, of: &dyn Fn(&Side) -> Duration| -> Vec<String> {
        let cells: Vec<String> =
            std::iter::once(title.to_string()).chain(lines.iter().map(|side| cell(of(side)))).collect();
        let width = cells.iter().map(|cell| cell.chars().count()).max().unwrap_or(0);
        cells.iter().map(|cell| right(cell, width)).collect()
    };
    let mut columns = vec![column("hands", &|side| side.hands.all())];
    if name != "person" {
        columns.push(column("machines", &|side| side.machines.wall));
    }
    columns.push(column("rework", &|side| side.hands.rework));
    let room = look.width.saturating_sub(named + 4);
    let tail =
        |columns: &[Vec<String>]| columns.iter().map(|column| column[0].chars().count() + 2).sum::<usize>();
    while columns.len() > 1 && tail(&columns) > room {
        columns.pop();
    }
    let bar_width = room.saturating_sub(tail(&columns)).min(40);
    let longest = lines.iter().map(Side::all).max().unwrap_or_default();
    let heading = left(&format!("By {name}"), named + 2);
    let titles: String = columns.iter().map(|column| format!("  {}", column[0])).collect();
    out.push_str(&format!("\n{heading}{titles}\n"));
    for (i, side) in lines.iter().enumerate() {
        let name = left(&words::fit(&side.name, named, look.ascii), named);
        let cells: String = columns.iter().map(|column| format!("  {}", column[i + 1])).collect();
        let line = format!("  {name}{cells}  {}", bar(side, longest, bar_width, look));
        out.push_str(line.trim_end());
        out.push('\n');
    }
}

/// A bar of at most `cells` signs, at least one when any time was spent, split as the time was.
fn bar(side: &Side, longest: Duration, cells: usize, look: Look) -> String {
    let all = side.all();
    if all.is_zero() || cells == 0 {
        return String::new();
    }
    let length = ((words::share(all, longest) * cells as f64).round() as usize).clamp(1, cells);
    let mut out = String::new();
    let (mut spent, mut drawn) = (0.0, 0);
    let parts = [side.hands.first_pass, side.hands.rework, side.machines.wall];
    for (sign, time) in signs(look).into_iter().zip(parts) {
        spent += words::share(time, all);
        let until = ((spent * length as f64).round() as usize).min(length);
        out.extend(std::iter::repeat_n(sign, until.saturating_sub(drawn)));
        drawn = until.max(drawn);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    use crate::base::state::State;
    use crate::crew::times::Times;
    use crate::ledger::row::Entry;
    use crate::report::hands::tests::{all, entries, worked};
    use crate::report::ribbon;
    use jiff::tz::TimeZone;

    fn sides(entries: &[Entry]) -> Sides {
        let zone = TimeZone::UTC;
        Sides::of(entries, &Times::of(entries), &all(&zone, None, None))
    }

    #[test]
    fn the_table() {
        let look = Look { width: 60, ascii: false, rows: 2 };
        let text = table(&sides(&entries()), look);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[1], "By stage      hands   machines     rework");
        assert_eq!(lines[2], "  look    11 h 00 m  30 m 00 s  10 h 00 m  ■□□□□□□□□□□□□□□□━");
        assert_eq!(lines[3], "  paint    3 h 00 m          -          -  ■■■■");
        assert_eq!(lines[4], "  2 more  30 m 00 s   1 h 00 m          -  ■━");
        // Of weeks the last ones are shown.
        let weeks: Vec<&str> =
            text.split("\n\n").find(|part| part.contains("By week")).unwrap().lines().collect();
        assert!(weeks[1].contains("1 more") && weeks[3].contains("2027-W01"), "{weeks:?}");
        let person = text.lines().find(|line| line.starts_with("By person")).unwrap();
        assert!(!person.contains("machines"), "{person}");
        assert!(text.ends_with("\n■ hands, first pass  □ hands, rework  ━ machines\n"));
    }

    #[test]
    fn a_sign_has_one_meaning_in_hours_and_in_status() {
        for ascii in [false, true] {
            let look = Look { ascii, ..Look::default() };
            let (hands, machines) = (signs(look), hours_table::signs(look));
            let [first, rework, failed] = machines;
            let all: BTreeSet<char> = hands.into_iter().chain(machines).collect();
            assert_eq!(all.len(), 5, "{all:?}");
            assert!(hands[2] == first && failed == ribbon::sign(State::Failed.into(), ascii), "{all:?}");
            let told: Vec<char> = ribbon::told().map(|shown| ribbon::sign(shown, ascii)).collect();
            assert!([hands[0], hands[1], first, rework].iter().all(|sign| !told.contains(sign)), "{told:?}");
        }
    }

    #[test]
    fn lines_keep_to_the_width_and_names_command_nothing() {
        let mut all = entries();
        all.push(worked(
            20,
            "\u{1b}[31mana\u{202e}",
            ("br050", "très-long-stage-name-indeed-it-is"),
            "2027-01-05T10:00:00Z",
            1,
            &"cause ".repeat(40),
        ));
        for width in [0, 40, 41, 55, 72, 80, 100, 200] {
            for ascii in [false, true] {
                let look = Look { width, ascii, rows: 3 };
                let text = table(&sides(&all), look)
                    + &paragraphs(&["a sentence with ünsaid \u{1b} things ".repeat(9)], look);
                assert!(text.lines().all(|line| line.chars().count() <= width.max(40)), "{width}\n{text}");
                assert!(text.is_ascii() || !ascii, "{text}");
                assert!(!text.contains(['\u{1b}', '\u{202e}']));
            }
        }
    }
}
