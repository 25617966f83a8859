//! Time sheets: what a person fills in, in any spreadsheet, and which rows of the ledger that comes to.
//!
//! Knows how spreadsheets of several countries write numbers and days, and that the same sheet comes again and again: a line that
//! the ledger has already is not counted twice, and one that a person put right corrects its row.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::cells::{Table, decoded};
use crate::base::frames::FrameSet;
use crate::crew::packets::Packet;
use crate::crew::times::{root, twice};
use crate::ledger::crew::Crew;
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, What};
use crate::packet::Fault;
use crate::report::words;

/// The columns, in order.
pub const COLUMNS: [&str; 5] = ["date", "shot", "frames", "hours", "note"];
/// Most lines that are read.
const MOST_LINES: usize = 10_000;
/// Most hours of a day.
const MOST_HOURS: f64 = 24.0;
/// The first year of a day; what is earlier is a slip of the pen.
const FIRST_YEAR: i16 = 2000;
/// Most characters of a note.
const NOTE: usize = 500;

/// One line of work. Where it stands is no part of what it says.
#[derive(Clone, Debug)]
pub struct Line {
    /// Its number in the sheet.
    pub number: usize,
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

impl PartialEq for Line {
    fn eq(&self, other: &Self) -> bool {
        let said = |of: &Self| (of.date, of.took);
        said(self) == said(other)
            && (&self.shot, &self.frames, &self.note) == (&other.shot, &other.frames, &other.note)
    }
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
pub fn read(place: &str, bytes: &[u8], packet: &Packet, today: Date) -> Result<Vec<Line>, Vec<Fault>> {
    let no_text = |(number, why): (usize, &str)| {
        vec![Fault::new(format!("{place}:{number}"), format!("it {why}"), "save it as CSV in UTF-8")]
    };
    let text = decoded(bytes).map_err(no_text)?;
    let way = "fill in date (YYYY-MM-DD), shot, frames, hours (1.5 or 1:30) and a note";
    let Table { rows, open } = Table::of(&text);
    let is_head = |row: &Vec<String>| {
        COLUMNS.iter().enumerate().all(|(i, name)| row.get(i).is_some_and(|c| c.eq_ignore_ascii_case(name)))
    };
    if !rows.first().is_some_and(|(_, row)| is_head(row)) {
        let number = rows.first().map_or(1, |(number, _)| *number);
        let why = format!("its first line is not {}", COLUMNS.join(","));
        return Err(vec![Fault::new(format!("{place}:{number}"), why, "keep the first line as it was sent")]);
    }
    if rows.len() > MOST_LINES {
        let why = format!("it has more than {MOST_LINES} lines");
        return Err(vec![Fault::new(place, why, "send the hours in parts")]);
    }
    if let Some(number) = open {
        let why = "a quote opens there and is never closed, so that all after it is one cell";
        return Err(vec![Fault::new(format!("{place}:{number}"), why, "close it, or take it away")]);
    }
    let (mut lines, mut faults) = (Vec::new(), Vec::new());
    let mut days: HashMap<Date, u64> = HashMap::new();
    for &(number, ref row) in &rows[1..] {
        let fault = |why: String| Fault::new(format!("{place}:{number}"), why, way);
        match line(number, row, packet, today) {
            Ok(Some(read)) => {
                let day = days.entry(read.date).or_default();
                let before = *day;
                *day += read.took;
                let most = (MOST_HOURS * 3.6e9) as u64;
                if before <= most && *day > most {
                    let all = words::time(Duration::from_micros(*day));
                    faults.push(fault(format!("with this line, {} has {all}, more than a day", read.date)));
                }
                lines.push(read);
            }
            Ok(None) => {}
            Err(why) => faults.push(fault(why)),
        }
    }
    if faults.is_empty() { Ok(lines) } else { Err(faults) }
}

/// One line; nothing when no hours stand in it. One of no hours is read as far as it can be: it may take a row back.
fn line(number: usize, row: &[String], packet: &Packet, today: Date) -> Result<Option<Line>, String> {
    let hours = row.get(3).map_or("", |cell| cell.trim());
    if hours.is_empty() {
        return Ok(None);
    }
    let took = duration(hours).ok_or_else(|| format!("'{hours}' is no number of hours from 0 to 24"))?;
    let read = worked(number, row, took, packet, today);
    if took == 0 { Ok(read.ok()) } else { read.map(Some) }
}

/// A line of so many microseconds.
fn worked(number: usize, row: &[String], took: u64, packet: &Packet, today: Date) -> Result<Line, String> {
    let cell = |at: usize| row.get(at).map_or("", |cell| cell.trim());
    let [date, shot, frames, note] = [0, 1, 2, 4].map(cell);
    let day = day(date)?;
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
    Ok(Line { number, date: day, shot: shot.into(), frames, took, note })
}

fn frames_of(text: &str) -> Option<FrameSet> {
    // A spreadsheet turns 1001-1010 into nothing else, but people part by spaces or semicolons too.
    let text = text.replace([';', ' '], ",");
    let parts: Vec<&str> = text.split(',').filter(|part| !part.is_empty()).collect();
    let set: FrameSet = parts.join(",").parse().ok()?;
    (!set.is_empty() && set.len() <= 1_000_000).then_some(set)
}

/// Days as 2026-12-05, or 5.12.2026; what may be a month first is not guessed at, and neither is a century.
fn day(text: &str) -> Result<Date, String> {
    let parted = || {
        let parts: Vec<i16> = text.split('.').map(|part| part.trim().parse().ok()).collect::<Option<_>>()?;
        match parts[..] {
            [day, month, year] => Some((day.try_into().ok()?, month.try_into().ok()?, year)),
            _ => None,
        }
    };
    if let Some((day, month, year @ 0..=99)) = parted() {
        let (day, month): (i8, i8) = (day, month);
        return Err(format!("'{text}' is no day; write {day:02}.{month:02}.20{year:02}"));
    }
    let read = text.parse().ok();
    let day: Option<Date> =
        read.or_else(|| parted().and_then(|(day, month, year)| Date::new(year, month, day).ok()));
    match day {
        Some(day) if day.year() < FIRST_YEAR => Err(format!("{day} is before the year {FIRST_YEAR}")),
        Some(day) => Ok(day),
        None => Err(format!("'{text}' is no day")),
    }
}

/// Hours as 1.5, 1,5, 1:30 or 1:30:00, in microseconds.
fn duration(text: &str) -> Option<u64> {
    let whole = |text: &str| text.trim().parse::<u32>().ok();
    let below_sixty = |text: &str| whole(text).filter(|&n| n < 60).map(f64::from);
    let parts: Vec<&str> = text.split(':').collect();
    let hours = match parts[..] {
        [hours] => hours.replace(',', ".").parse().ok()?,
        [hours, minutes] => f64::from(whole(hours)?) + below_sixty(minutes)? / 60.0,
        [hours, minutes, seconds] => {
            f64::from(whole(hours)?) + below_sixty(minutes)? / 60.0 + below_sixty(seconds)? / 3600.0
        }
        _ => return None,
    };
    (0.0..=MOST_HOURS).contains(&hours).then(|| (hours * 3.6e9).round() as u64)
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
    // A row that does not count takes no line's place.
    let twice = twice(entries);
    for entry in entries {
        match &entry.row.what {
            What::Crew(Crew::Worked(worked)) if &*worked.packet == packet && !twice.contains(&entry.id) => {
                let line = Line {
                    number: 0,
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
    held(entries, packet, lines).0
}

/// What the ledger lacks of a sheet, and what is said of lines that change nothing though the ledger says otherwise: those that say
/// what a row said before, and those of no hours.
pub fn held(entries: &[Entry], packet: &str, lines: &[Line]) -> (Vec<Due>, Vec<String>) {
    let mut known = known(entries, packet);
    let mut passed: Vec<(usize, String)> = Vec::new();
    let pass = |line: &Line, row: &Known| {
        let now = row.now().filter(|now| now.took != line.took)?;
        let [says, holds] = [line, now].map(|of| words::time(took(of)));
        let way = "`endboard clock correct` decides";
        Some((line.number, format!("line {} says {says}, the row holds {holds}; {way}", line.number)))
    };
    // What holds now is found before what held once, lest a row be taken for another one's past.
    let is_now = |row: &Known, line: &Line| row.now() == Some(line);
    let was_once = |row: &Known, line: &Line| row.said.contains(line);
    let mut left: Vec<&Line> = lines.iter().filter(|line| line.took > 0).collect();
    for is_known in [is_now, was_once] {
        left.retain(|line| match known.iter().position(|row| is_known(row, line)) {
            Some(at) => {
                passed.extend(pass(line, &known.remove(at)));
                false
            }
            None => true,
        });
    }
    let mut like = |line: &Line| {
        let is_like = |of: &Line| of.date == line.date && of.shot == line.shot && of.frames == line.frames;
        let at = known.iter().position(|row| row.now().is_some_and(is_like))?;
        Some(known.remove(at))
    };
    let mut due = Vec::new();
    for line in left {
        due.push(match like(line) {
            Some(row) => Due::Corrected(row.id, line.clone()),
            None => Due::New(line.clone()),
        });
    }
    for line in lines.iter().filter(|line| line.took == 0) {
        passed.extend(like(line).and_then(|row| pass(line, &row)));
    }
    passed.sort();
    (due, passed.into_iter().map(|(_, says)| says).collect())
}

/// Rows that are new, rows that correct others, and the hours of both in microseconds.
pub fn sums(due: &[Due]) -> (usize, usize, u64) {
    let new = due.iter().filter(|due| matches!(due, Due::New(_))).count();
    let took = |due: &Due| match due {
        Due::New(line) | Due::Corrected(_, line) => line.took,
    };
    (new, due.len() - new, due.iter().map(took).sum())
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
        read("hours.csv", text.as_bytes(), &packet, today())
            .map_err(|all| all.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    }

    #[test]
    fn spreadsheets_of_several_countries_say_the_same() {
        let want = Line {
            number: 2,
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
            "date,shot,frames,hours,note\n2026-12-05,br050,1001-1004,01:30:00,\"the raker, \"\"first\"\" pass\"\n",
        ] {
            assert_eq!(lines(text).unwrap(), std::slice::from_ref(&want), "{text}");
        }
        // A line that says what parts the cells counts as one, so that the number is of the file.
        let said = lines(
            "sep=;\r\ndate;shot;frames;hours;note\r\n2026-12-05;br050;1001-1004;1,5;the raker, \"first\" pass\r\n",
        );
        assert_eq!(said, Ok(vec![want.clone()]));
        let said = lines("sep=;\ndate;shot;frames;hours;note\n2026-12-05;br050;;soon;\n").unwrap_err();
        assert!(said.starts_with("hours.csv:3: "), "{said}");
        let all = lines("date,shot,frames,hours,note\n2026-12-05,br060,,2,\n").unwrap();
        assert_eq!((&*all[0].frames, &*all[0].note), ("1001-1008", ""));
    }

    #[test]
    fn what_cannot_be_meant_is_told_at_its_line() {
        for (row, says) in [
            ("2026-12-05,br050,,25,", "no number of hours"),
            ("2026-12-05,br050,,-1,", "no number of hours"),
            ("2026-12-05,br050,,nan,", "no number of hours"),
            ("2026-12-05,br050,,1:60:00,", "no number of hours"),
            ("2026-12-05,br050,,1:30:60,", "no number of hours"),
            ("2026-12-05,br050,,24:00:01,", "no number of hours"),
            ("2026-12-05,br050,,1:30:00:00,", "no number of hours"),
            ("2026-12-05,br050,,1:30:00 PM,", "no number of hours"),
            ("12/05/2026,br050,,1,", "no day"),
            ("2026-12-09,br050,,1,", "yet to come"),
            ("2026-12-05,,,1,", "no shot ''"),
            ("2026-12-05,br070,,1,", "no shot 'br070'"),
            ("2026-12-05,br050,1013,1,", "frame 1013"),
            ("2026-12-05,br050,all,1,", "no frames"),
            ("20.11.26,br050,,1,", "no day; write 20.11.2026"),
            ("0026-11-20,br050,,1,", "before the year 2000"),
            ("20.11.1999,br050,,1,", "before the year 2000"),
            ("2026-12-05,br050,,1,\"a note\n2026-12-04,br050,,2,", "a quote opens there"),
        ] {
            let said = lines(&format!("date,shot,frames,hours,note\n\n{row}\n")).unwrap_err();
            assert!(said.starts_with("hours.csv:3: ") && said.contains(says), "{row}: {said}");
        }
        let long = "date,shot,frames,hours,note\n2026-12-05,br050,,13,\n2026-12-05,br060,,12,\n";
        let said = lines(long).unwrap_err();
        assert!(said.starts_with("hours.csv:3: ") && said.contains("2026-12-05 has 25 h"), "{said}");
        let said = lines("day,shot\n").unwrap_err();
        assert!(said.starts_with("hours.csv:1: ") && said.contains("first line"), "{said}");
        let said = lines("sep=;\ndate,shot,frames,hours,note\n").unwrap_err();
        assert!(said.starts_with("hours.csv:2: "), "{said}");
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
    fn a_line_that_is_passed_over_is_told() {
        let rows = [worked(1, &line(2, "")), correct(2, 1, 3, "")];
        let at = |line: Line| Line { number: 2, ..line };
        for hours in [2, 0] {
            let (due, passed) = held(&rows, "ana-1", &[at(line(hours, ""))]);
            assert!(due.is_empty() && passed.len() == 1, "{due:?} {passed:?}");
            let says = words::time(Duration::from_secs(hours * 3600));
            let holds = words::time(Duration::from_secs(3 * 3600));
            assert_eq!(
                passed[0],
                format!("line 2 says {says}, the row holds {holds}; `endboard clock correct` decides")
            );
        }
        assert_eq!(held(&rows, "ana-1", &[at(line(3, ""))]), (vec![], vec![]));
    }

    #[test]
    fn a_row_of_another_takeback_takes_no_new_lines_place() {
        let mut rows = [worked(1, &line(2, "")), worked(2, &line(2, ""))];
        rows[1].writer = "joren".into();
        assert_eq!(due(&rows, "ana-1", &[line(2, ""), line(1, "more")]), [Due::New(line(1, "more"))]);
    }

    fn line(hours: u64, note: &str) -> Line {
        Line {
            number: 2,
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
        fn no_text_makes_it_panic(text in "(sep=.\n)?(date,shot,frames,hours,note\n)?[0-9a-z,;\"\n\r:.-]{0,80}") {
            let _ = lines(&text);
        }
    }
}
