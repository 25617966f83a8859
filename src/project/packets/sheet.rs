//! Time sheets: what a person fills in, in any spreadsheet, and which rows of the ledger that comes to.
//!
//! Knows how spreadsheets of several countries write numbers and days, and that the same sheet comes again and again: a line that
//! the ledger has already is not counted twice, and one that a person put right corrects its row.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use crate::base::frames::FrameSet;
use crate::crew::packets::Packet;
use crate::crew::times::root;
use crate::ledger::crew::Crew;
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, What};
use crate::packet::Fault;

/// The columns, in order.
pub const COLUMNS: [&str; 5] = ["date", "shot", "frames", "hours", "note"];
/// Most lines that are read.
const MOST_LINES: usize = 10_000;
/// Most hours of a day.
const MOST_HOURS: f64 = 24.0;
/// The first year that is taken for one of this work.
const EARLIEST: i16 = 2000;
/// Most characters of a note.
const NOTE: usize = 500;

/// One line of work.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// The day.
    pub date: Date,
    /// The shot.
    pub shot: String,
    /// The frames; those of the shot in the packet when the line names none.
    pub frames: String,
    /// Microseconds.
    pub took: u64,
    /// In the person's words.
    pub note: String,
}

/// What a sheet comes to that the ledger does not have yet.
#[derive(Clone, Debug, PartialEq)]
pub enum Due {
    /// A line is new.
    New(Line),
    /// The line of this row says something else now.
    Corrected(RowId, Line),
}

/// The sheet that goes out: a line a shot, to be filled in.
pub fn blank(shots: &[&str]) -> String {
    let mut text = COLUMNS.join(",") + "\r\n";
    shots.iter().for_each(|shot| text += &format!(",{shot},,,\r\n"));
    text
}

/// Reads a sheet.
///
/// # Errors
/// Every line that cannot be taken.
pub fn read(place: &str, text: &str, packet: &Packet, today: Date) -> Result<Vec<Line>, Vec<Fault>> {
    let text = text.trim_start_matches('\u{feff}');
    let way = "fill in date (2026-12-05), shot, frames, hours (1.5 or 1:30) and a note";
    let head = text.lines().next().unwrap_or("");
    let part = [',', ';', '\t'].into_iter().max_by_key(|&c| head.matches(c).count()).unwrap_or(',');
    let (rows, open) = cells(text, part);
    if let Some(number) = open {
        let why = "a quotation mark begins here that none ends, so that all lines after it would be one note";
        return Err(vec![Fault::new(
            format!("{place}:{number}"),
            why,
            "write a second one, or take it away",
        )]);
    }
    let is_head = |row: &Vec<String>| {
        COLUMNS.iter().enumerate().all(|(i, name)| row.get(i).is_some_and(|c| c.eq_ignore_ascii_case(name)))
    };
    if !rows.first().is_some_and(|(_, row)| is_head(row)) {
        let why = format!("its first line is not {}", COLUMNS.join(","));
        return Err(vec![Fault::new(place, why, "keep the first line as it was sent")]);
    }
    if rows.len() > MOST_LINES {
        let why = format!("it has more than {MOST_LINES} lines");
        return Err(vec![Fault::new(place, why, "send the hours in parts")]);
    }
    let (mut lines, mut faults) = (Vec::new(), Vec::new());
    let mut days: HashMap<Date, u64> = HashMap::new();
    for (number, row) in &rows[1..] {
        match line(row, packet, today) {
            Ok(Some(read)) if !fits(&mut days, &read) => {
                let why = format!("{} has more than 24 hours with this line", read.date);
                faults.push(Fault::new(format!("{place}:{number}"), why, "put the hours right, or the day"));
            }
            Ok(read) => lines.extend(read),
            Err(why) => faults.push(Fault::new(format!("{place}:{number}"), why, way)),
        }
    }
    if faults.is_empty() { Ok(lines) } else { Err(faults) }
}

/// Counts a line's hours into its day; false when the day does not have so many.
fn fits(days: &mut HashMap<Date, u64>, line: &Line) -> bool {
    let sum = days.entry(line.date).or_default();
    *sum = sum.saturating_add(line.took);
    *sum <= (MOST_HOURS * 3.6e9) as u64
}

/// One line; nothing when no hours stand in it.
fn line(row: &[String], packet: &Packet, today: Date) -> Result<Option<Line>, String> {
    let cell = |at: usize| row.get(at).map_or("", |cell| cell.trim());
    let [date, shot, frames, hours, note] = [0, 1, 2, 3, 4].map(cell);
    if hours.is_empty() {
        return Ok(None);
    }
    let took = duration(hours).ok_or_else(|| format!("'{hours}' is no number of hours from 0 to 24"))?;
    if took == 0 {
        return Ok(None);
    }
    let day = day(date).ok_or_else(|| format!("'{date}' is no day"))?;
    // A year of two digits would be one of the first century.
    if day.year() < EARLIEST {
        return Err(format!("'{date}' is no day of this century; write the year with four digits"));
    }
    // A day further east may be over earlier.
    if day > today.saturating_add(jiff::Span::new().days(1)) {
        return Err(format!("{day} is yet to come"));
    }
    let mut shots: Vec<&str> = packet.parts.iter().map(|part| &*part.shot).collect();
    shots.dedup();
    let shot = match shots[..] {
        [only] if shot.is_empty() => only,
        _ => shot,
    };
    let part = packet.parts.iter().find(|part| &*part.shot == shot);
    let part = part.ok_or_else(|| format!("the packet has no shot '{shot}'; it has {}", shots.join(", ")))?;
    let frames = if frames.is_empty() {
        part.frames.to_string()
    } else {
        let of: FrameSet =
            frames_of(frames).ok_or_else(|| format!("'{frames}' are no frames, such as 1001-1010"))?;
        if let Some(n) = of.iter().find(|&n| !part.frames.contains(n)) {
            return Err(format!("frame {n} of {shot} is not in the packet ({})", part.frames));
        }
        of.to_string()
    };
    let note: String = note.chars().map(|c| if c.is_control() { ' ' } else { c }).take(NOTE).collect();
    Ok(Some(Line { date: day, shot: shot.into(), frames, took, note }))
}

fn frames_of(text: &str) -> Option<FrameSet> {
    // A spreadsheet turns 1001-1010 into nothing else, but people part by spaces or semicolons too.
    let text = text.replace([';', ' '], ",");
    let parts: Vec<&str> = text.split(',').filter(|part| !part.is_empty()).collect();
    let set: FrameSet = parts.join(",").parse().ok()?;
    (!set.is_empty() && set.len() <= 1_000_000).then_some(set)
}

/// Days as 2026-12-05, or 5.12.2026; what may be a month first is not guessed at.
fn day(text: &str) -> Option<Date> {
    if let Ok(day) = text.parse() {
        return Some(day);
    }
    let parts: Vec<i16> = text.split('.').map(|part| part.trim().parse().ok()).collect::<Option<_>>()?;
    match parts[..] {
        [day, month, year] => Date::new(year, month.try_into().ok()?, day.try_into().ok()?).ok(),
        _ => None,
    }
}

/// Hours as 1.5, 1,5 or 1:30, in microseconds.
fn duration(text: &str) -> Option<u64> {
    let hours = match text.split_once(':') {
        Some((hours, minutes)) => {
            let minutes: f64 = minutes.parse::<u32>().ok().filter(|&m| m < 60)?.into();
            f64::from(hours.parse::<u32>().ok()?) + minutes / 60.0
        }
        None => text.replace(',', ".").parse().ok()?,
    };
    (0.0..=MOST_HOURS).contains(&hours).then(|| (hours * 3.6e9).round() as u64)
}

/// A row of a table, with the number of the line that it begins on.
type Numbered = (usize, Vec<String>);

/// The rows of a table (RFC 4180), without empty ones; and the line of a quotation mark that none ends.
fn cells(text: &str, part: char) -> (Vec<Numbered>, Option<usize>) {
    let (mut rows, mut row, mut cell) = (Vec::new(), Vec::new(), String::new());
    let (mut quoted, mut line, mut begin, mut opened) = (false, 1, 1, 1);
    let mut chars = text.chars().peekable();
    let mut end = |row: &mut Vec<String>, cell: &mut String, begin: usize| {
        row.push(std::mem::take(cell));
        let row = std::mem::take(row);
        if row.iter().any(|cell| !cell.trim().is_empty()) {
            rows.push((begin, row));
        }
    };
    while let Some(c) = chars.next() {
        match c {
            '"' if quoted && chars.peek() == Some(&'"') => {
                chars.next();
                cell.push('"');
            }
            '"' if quoted || cell.trim().is_empty() => {
                quoted = !quoted;
                opened = line;
            }
            '\n' | '\r' if !quoted => {
                if c == '\r' && chars.peek() == Some(&'\n') {
                    chars.next();
                }
                end(&mut row, &mut cell, begin);
                line += 1;
                begin = line;
            }
            c if c == part && !quoted => row.push(std::mem::take(&mut cell)),
            c => {
                line += usize::from(c == '\n');
                cell.push(c);
            }
        }
    }
    end(&mut row, &mut cell, begin);
    (rows, quoted.then_some(opened))
}

/// A row of a packet's sheets, with what it ever said.
struct Known {
    id: RowId,
    /// As it was written, as every correction had it, and last as it holds now. A correction's words are the line's new note when a
    /// sheet made it, and say why when a person did: it is kept with both notes.
    said: Vec<Line>,
}

impl Known {
    fn now(&self) -> Option<&Line> {
        self.said.last()
    }

    fn correct(&mut self, took: Duration, note: &str) {
        let Some(now) = self.now().cloned() else { return };
        let took = took.as_micros() as u64;
        self.said.push(Line { took, ..now.clone() });
        self.said.push(Line { took, note: note.into(), ..now });
    }
}

/// The rows that the ledger has of a packet's sheets.
fn known(entries: &[Entry], packet: &str) -> Vec<Known> {
    let mut known: Vec<Known> = Vec::new();
    let mut corrections: Vec<(RowId, RowId, Duration, &str)> = Vec::new();
    for entry in entries {
        match &entry.row.what {
            What::Crew(Crew::Worked(worked)) if &*worked.packet == packet => {
                let line = Line {
                    date: entry.row.when.to_zoned(TimeZone::UTC).date(),
                    shot: entry.row.shot.to_string(),
                    frames: entry.row.frames.to_string(),
                    took: worked.took.as_micros() as u64,
                    note: worked.note.to_string(),
                };
                known.push(Known { id: entry.id, said: vec![line] });
            }
            What::Crew(Crew::Correct { of, took, note }) => corrections.push((entry.id, *of, *took, note)),
            _ => {}
        }
    }
    // A clock of another machine may lag, so that a correction stands before what it is about.
    let meant: HashMap<RowId, RowId> = corrections.iter().map(|(id, of, _, _)| (*id, *of)).collect();
    for (_, of, took, note) in corrections {
        let of = root(of, &meant);
        if let Some(row) = known.iter_mut().find(|row| row.id == of) {
            row.correct(took, note);
        }
    }
    known
}

/// What the ledger lacks of a sheet. Lines that are alike in everything count as often as they stand there. A line that says what a
/// row said before is no news, as people send sheets again that they filled in before a row was put right. Of the others, one of
/// the same day, shot and frames as a row that the sheet has no more puts that row right.
pub fn due(entries: &[Entry], packet: &str, lines: &[Line]) -> Vec<Due> {
    let mut known = known(entries, packet);
    // What holds now is found before what held once, lest a row be taken for another one's past.
    let is_now = |row: &Known, line: &Line| row.now() == Some(line);
    let was_once = |row: &Known, line: &Line| row.said.contains(line);
    let mut left: Vec<&Line> = lines.iter().collect();
    for is_known in [is_now, was_once] {
        left.retain(|line| match known.iter().position(|row| is_known(row, line)) {
            Some(at) => {
                known.remove(at);
                false
            }
            None => true,
        });
    }
    let due = |line: &Line| {
        let is_like = |of: &Line| of.date == line.date && of.shot == line.shot && of.frames == line.frames;
        match known.iter().position(|row| row.now().is_some_and(is_like)) {
            Some(at) => Due::Corrected(known.remove(at).id, line.clone()),
            None => Due::New(line.clone()),
        }
    };
    left.into_iter().map(due).collect()
}

/// Rows that are new, rows that correct others, and the hours of both in microseconds.
pub fn sums(due: &[Due]) -> (usize, usize, u64) {
    let new = due.iter().filter(|due| matches!(due, Due::New(_))).count();
    let took = |due: &Due| match due {
        Due::New(line) | Due::Corrected(_, line) => line.took,
    };
    (new, due.len() - new, due.iter().map(took).sum())
}

/// An instant of a line's day: noon by the clocks of Greenwich, or the last second of the day where that is another day already
/// (from 12 hours east of it on). So it lies on that day there and here, and the line is known again wherever it is read.
pub fn instant(date: Date, zone: &TimeZone) -> Option<Timestamp> {
    let noon = date.to_datetime(Time::constant(12, 0, 0, 0)).to_zoned(TimeZone::UTC).ok()?.timestamp();
    let next = date.tomorrow().ok()?.to_zoned(zone.clone()).ok()?.timestamp();
    Some(noon.min(next.checked_sub(SignedDuration::from_secs(1)).ok()?))
}

/// A duration of microseconds.
pub fn took(line: &Line) -> Duration {
    Duration::from_micros(line.took)
}

/// What a line says in its own words; nothing where there are none.
pub fn note(line: &Line) -> Arc<str> {
    line.note.as_str().into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::packets::Part;
    use crate::ledger::crew::Worked;

    fn packet(shots: &[(&str, &str)]) -> Packet {
        let part = |&(shot, frames): &(&str, &str)| Part {
            shot: shot.into(),
            stage: "cleanup".into(),
            frames: frames.parse().unwrap(),
            ..Part::default()
        };
        Packet {
            name: "ana-1".into(),
            person: "ana".into(),
            by: "keeper".into(),
            since: "2026-11-28T10:00:00Z".parse().unwrap(),
            due: None,
            brief: "".into(),
            parts: shots.iter().map(part).collect(),
            closed: None,
        }
    }

    fn today() -> Date {
        "2026-12-06".parse().unwrap()
    }

    fn lines(text: &str) -> Result<Vec<Line>, String> {
        let packet = packet(&[("br050", "1001-1012"), ("br060", "1001-1008")]);
        read("hours.csv", text, &packet, today())
            .map_err(|all| all.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    }

    #[test]
    fn spreadsheets_of_several_countries_say_the_same() {
        let want = Line {
            date: "2026-12-05".parse().unwrap(),
            shot: "br050".into(),
            frames: "1001-1004".into(),
            took: 5_400_000_000,
            note: "the raker, \"first\" pass".into(),
        };
        for text in [
            "date,shot,frames,hours,note\r\n2026-12-05,br050,1001-1004,1.5,\"the raker, \"\"first\"\" pass\"\r\n,br060,,,\r\n",
            "\u{feff}Date;Shot;Frames;Hours;Note\n5.12.2026;br050;1001-1004;1,5;the raker, \"first\" pass\n",
            "date\tshot\tframes\thours\tnote\n2026-12-05\tbr050\t1001-1004\t1:30\tthe raker, \"first\" pass",
        ] {
            assert_eq!(lines(text).unwrap(), std::slice::from_ref(&want), "{text}");
        }
        let all = lines("date,shot,frames,hours,note\n2026-12-05,br060,,2,\n").unwrap();
        assert_eq!((&*all[0].frames, &*all[0].note), ("1001-1008", ""));
    }

    #[test]
    fn what_cannot_be_meant_is_told_at_its_line() {
        for (row, says) in [
            ("2026-12-05,br050,,25,", "no number of hours"),
            ("2026-12-05,br050,,-1,", "no number of hours"),
            ("2026-12-05,br050,,nan,", "no number of hours"),
            ("12/05/2026,br050,,1,", "no day"),
            ("2026-12-09,br050,,1,", "yet to come"),
            ("5.12.26,br050,,1,", "four digits"),
            ("2026-12-05,br050,,1,\"round the arm\n2026-12-05,br050,,4,again", "quotation mark"),
            ("2026-12-05,,,1,", "no shot ''"),
            ("2026-12-05,br070,,1,", "no shot 'br070'"),
            ("2026-12-05,br050,1013,1,", "frame 1013"),
            ("2026-12-05,br050,all,1,", "no frames"),
        ] {
            let said = lines(&format!("date,shot,frames,hours,note\n\n{row}\n")).unwrap_err();
            assert!(said.starts_with("hours.csv:3: ") && said.contains(says), "{row}: {said}");
        }
        assert!(lines("day,shot\n").unwrap_err().contains("first line"));
        let days = "date,shot,frames,hours,note\n2026-12-05,br050,,20,\n2026-12-05,br060,,5,\n";
        assert!(lines(days).unwrap_err().starts_with("hours.csv:3: 2026-12-05 has more than 24 hours"));
    }

    #[test]
    fn a_line_counts_as_often_as_it_stands_there_and_no_oftener() {
        let twice = [line(1, ""), line(1, "")];
        assert_eq!(due(&[], "ana-1", &twice), [Due::New(line(1, "")), Due::New(line(1, ""))]);
        let known = [worked(1, &twice[0]), worked(2, &twice[1])];
        assert_eq!(due(&known, "ana-1", &twice), []);
        // A sheet that lacks a line takes no hours away, and another packet's lines are its own.
        assert_eq!(due(&known, "ana-1", &twice[..1]), []);
        assert_eq!(due(&known, "ana-2", &twice).len(), 2);
        // One was put right, and one is new.
        let now = [line(1, ""), line(3, "longer"), line(2, "")];
        assert_eq!(
            due(&known, "ana-1", &now),
            [Due::Corrected(RowId(2), line(3, "longer")), Due::New(line(2, ""))]
        );
        let known = [known[0].clone(), known[1].clone(), correct(3, 2, 3, "longer")];
        assert_eq!(due(&known, "ana-1", &now), [Due::New(line(2, ""))]);
    }

    #[test]
    fn a_sheet_that_comes_again_undoes_no_correction() {
        // The keeper put 8 hours of the sheet down to 2, then the 2 to 3 by way of that correction, then took it away.
        let rows = [
            worked(1, &line(8, "first go")),
            correct(2, 1, 2, "a slip"),
            correct(3, 2, 3, ""),
            correct(4, 1, 0, ""),
        ];
        for upto in 1..=rows.len() {
            assert_eq!(due(&rows[..upto], "ana-1", &[line(8, "first go")]), [], "{upto}");
        }
        // What the row never said is news.
        let now = line(5, "first go");
        assert_eq!(due(&rows, "ana-1", std::slice::from_ref(&now)), [Due::Corrected(RowId(1), now)]);
        // Of two rows, the one that says it now is meant, and not the one that said it once.
        let rows =
            [worked(1, &line(1, "")), worked(2, &line(2, "")), correct(3, 1, 2, ""), correct(4, 2, 1, "")];
        assert_eq!(due(&rows, "ana-1", &[line(1, ""), line(4, "")]), [Due::Corrected(RowId(1), line(4, ""))]);
    }

    #[test]
    fn a_note_that_was_removed_is_put_right_once() {
        let rows = [worked(1, &line(2, "first go"))];
        let bare = [line(2, "")];
        assert_eq!(due(&rows, "ana-1", &bare), [Due::Corrected(RowId(1), line(2, ""))]);
        let rows = [rows[0].clone(), correct(2, 1, 2, "")];
        assert_eq!(due(&rows, "ana-1", &bare), []);
    }

    #[test]
    fn a_day_is_the_same_one_wherever_a_sheet_is_taken_back() {
        for hours in -12..=14 {
            let zone = TimeZone::fixed(jiff::tz::offset(hours));
            for day in ["2026-12-05", "2026-12-31", "2028-02-29"] {
                let day: Date = day.parse().unwrap();
                let at = instant(day, &zone).unwrap();
                let dates = [&zone, &TimeZone::UTC].map(|zone| zone.to_datetime(at).date());
                assert_eq!(dates, [day, day], "{hours}");
            }
        }
    }

    fn line(hours: u64, note: &str) -> Line {
        Line {
            date: "2026-12-05".parse().unwrap(),
            shot: "br050".into(),
            frames: "1001-1012".into(),
            took: hours * 3_600_000_000,
            note: note.into(),
        }
    }

    fn worked(id: u128, line: &Line) -> Entry {
        let worked = Worked {
            person: "ana".into(),
            took: took(line),
            began: None,
            round: None,
            cause: "".into(),
            ends: None,
            packet: "ana-1".into(),
            note: note(line),
        };
        entry(id, What::Crew(Crew::Worked(worked)))
    }

    fn correct(id: u128, of: u128, hours: u64, note: &str) -> Entry {
        let took = Duration::from_secs(hours * 3600);
        entry(id, What::Crew(Crew::Correct { of: RowId(of), took, note: note.into() }))
    }

    fn entry(id: u128, what: What) -> Entry {
        let row = crate::ledger::row::Row {
            when: "2026-12-05T12:00:00Z".parse().unwrap(),
            film: "The Brine Lamp".into(),
            shot: "br050".into(),
            stage: "cleanup".into(),
            frames: "1001-1012".parse().unwrap(),
            by: "keeper".into(),
            what,
        };
        Entry { id: RowId(id), writer: "keeper".into(), row }
    }

    #[test]
    fn a_blank_sheet_says_nothing() {
        assert_eq!(lines(&blank(&["br050", "br060"])).unwrap(), []);
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "(date,shot,frames,hours,note\n)?[0-9a-z,;\"\n\r:.-]{0,80}") {
            let _ = lines(&text);
        }
    }
}
