//! Bytes of ledger files → rows in order, and what is wrong with the rest.
//!
//! Knows how to find every whole row in files that may be torn, damaged or copied, whatever the
//! order they come in. Does not open files; `ledger::file` does.

use std::fmt;
use std::sync::Arc;

use crate::base::conflict;
use crate::ledger::id::RowId;
use crate::ledger::line::{self, BadLine, LINE_LIMIT, Line, Names};
use crate::ledger::row::{Entry, Row};

/// Problems listed for one file before the rest is only counted.
const LISTED: usize = 100;

/// Something in the ledger that could not be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LedgerProblem {
    /// The file's name.
    pub file: Arc<str>,
    /// The line, from 1; 0 when it concerns the whole file.
    pub line: usize,
    /// What is wrong.
    pub wrong: Wrong,
}

/// What can be wrong with a line or a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wrong {
    /// The last line breaks off, as after a crash or a full disk.
    Torn,
    /// A line before the last does not end in a check sum.
    NoCheck,
    /// The bytes are not those that were written.
    CheckDiffers,
    /// The line is damaged, but so many whole rows were found in it.
    Recovered(usize),
    /// The line is too long to be a row.
    TooLong,
    /// Its check sum is right, but it lacks what a row must say.
    NotARow(String),
    /// A later version wrote it. It stays in the file; this version leaves it out.
    Later(String),
    /// Another row has the same id but says something else; both count.
    SameId(RowId),
    /// A merge left its marks in the file. The rows of both sides count.
    Conflict,
    /// So many more lines of this file could not be read.
    More(usize),
    /// The file could not be read to its end.
    Unreadable(String),
}

impl LedgerProblem {
    /// True when nothing is lost and nobody need act: a later version's rows.
    pub fn is_notice(&self) -> bool {
        matches!(self.wrong, Wrong::Later(_))
    }
}

impl fmt::Display for LedgerProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
        }
        write!(f, ": {}", self.wrong)
    }
}

/// What is wrong; behind a semicolon, what comes of it or is to be done about it.
impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Wrong::Torn => f.write_str("the last line breaks off; it is left out"),
            Wrong::NoCheck => f.write_str("the line does not end in its check sum; it is left out"),
            Wrong::CheckDiffers => {
                f.write_str("the line is damaged (its check sum is of other bytes); it is left out")
            }
            Wrong::Recovered(rows) => {
                let s = if *rows == 1 { "" } else { "s" };
                write!(
                    f,
                    "the line is damaged; {rows} whole row{s} in it could be read, the rest is left out"
                )
            }
            Wrong::TooLong => write!(f, "the line is longer than {LINE_LIMIT} bytes; it is left out"),
            Wrong::NotARow(why) => write!(f, "the line is no ledger row: {why}; it is left out"),
            Wrong::Later(what) => {
                write!(
                    f,
                    "a later version of the program wrote this row ({what}); it is kept but not counted"
                )
            }
            Wrong::SameId(id) => write!(f, "another row has the same id {id} but differs; both are counted"),
            Wrong::Conflict => f.write_str(
                "merge conflict left in the file; the rows of both sides count: keep them all, and take the lines that begin with \
                 <<<<<<<, |||||||, ======= and >>>>>>> away (the line `ledger/*.jsonl merge=union` in .gitattributes spares that)",
            ),
            Wrong::More(lines) => write!(f, "{lines} more lines before this one could not be read"),
            Wrong::Unreadable(why) => write!(f, "the file could not be read: {why}"),
        }
    }
}

/// Takes in files and gives out their rows.
#[derive(Debug, Default)]
pub struct Intake {
    names: Names,
    rows: Vec<Taken>,
    problems: Vec<LedgerProblem>,
}

/// A row and where it stands.
#[derive(Debug)]
struct Taken {
    id: RowId,
    check: u32,
    file: Arc<str>,
    line: usize,
    row: Row,
}

impl Intake {
    /// Nothing read yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Starts on a file. `name` names it in problems; without `.jsonl` it is the writer's name.
    pub fn file(&mut self, name: &str) -> FileIntake<'_> {
        FileIntake {
            intake: self,
            name: name.into(),
            line: 1,
            listed: 0,
            unlisted: 0,
            rest: Vec::new(),
            skip: false,
            marked: false,
        }
    }

    /// Records a problem of a whole file.
    pub fn unreadable(&mut self, name: &str, why: impl fmt::Display) {
        let wrong = Wrong::Unreadable(why.to_string());
        self.problems.push(LedgerProblem { file: name.into(), line: 0, wrong });
    }

    /// All rows by id, each once however many copies of it were read, and all problems by file
    /// and line. Both are the same for any order of files.
    pub fn finish(mut self) -> (Vec<Entry>, Vec<LedgerProblem>) {
        // Of copies the shortest name counts: programs that copy files make longer ones of a writer's.
        let order = |row: &Taken| (row.id, row.check, row.file.len());
        self.rows.sort_unstable_by(|a, b| {
            order(a).cmp(&order(b)).then_with(|| (&a.file, a.line).cmp(&(&b.file, b.line)))
        });
        let mut entries: Vec<Entry> = Vec::with_capacity(self.rows.len());
        let mut last: Option<(RowId, u32)> = None;
        for taken in self.rows {
            match last {
                Some(key) if key == (taken.id, taken.check) => continue,
                Some((id, _)) if id == taken.id => {
                    let wrong = Wrong::SameId(id);
                    self.problems.push(LedgerProblem { file: taken.file.clone(), line: taken.line, wrong });
                }
                _ => {}
            }
            last = Some((taken.id, taken.check));
            let stem = taken.file.strip_suffix(".jsonl").unwrap_or(&taken.file);
            // Neighbouring rows are mostly of one file, whose name need not be made anew.
            let writer = match entries.last() {
                Some(entry) if &*entry.writer == stem => entry.writer.clone(),
                _ => stem.into(),
            };
            entries.push(Entry { id: taken.id, writer, row: taken.row });
        }
        self.problems.sort_by(|a, b| (&a.file, a.line).cmp(&(&b.file, b.line)));
        (entries, self.problems)
    }
}

/// Takes in one file, in pieces of any size.
#[derive(Debug)]
pub struct FileIntake<'a> {
    intake: &'a mut Intake,
    name: Arc<str>,
    /// The number of the line that is being read.
    line: usize,
    listed: usize,
    unlisted: usize,
    /// The start of a line whose line feed has not come yet.
    rest: Vec<u8>,
    /// True while the rest of an overlong line goes by.
    skip: bool,
    /// True when a merge's marks in the file were told.
    marked: bool,
}

impl FileIntake<'_> {
    /// The next bytes of the file.
    pub fn feed(&mut self, mut bytes: &[u8]) {
        while let Some(end) = bytes.iter().position(|&b| b == b'\n') {
            if self.rest.is_empty() && !self.skip && end < LINE_LIMIT {
                self.read_line(&bytes[..end], false);
            } else {
                self.keep(&bytes[..end]);
                let line = std::mem::take(&mut self.rest);
                self.read_line(&line, false);
                self.skip = false;
            }
            self.line += 1;
            bytes = &bytes[end + 1..];
        }
        self.keep(bytes);
    }

    /// The file ends.
    pub fn finish(mut self) {
        let rest = std::mem::take(&mut self.rest);
        self.read_line(&rest, true);
        if self.unlisted > 0 {
            let wrong = Wrong::More(self.unlisted);
            self.intake.problems.push(LedgerProblem { file: self.name, line: self.line, wrong });
        }
    }

    /// Keeps the start of a line, unless it grows longer than any row.
    fn keep(&mut self, bytes: &[u8]) {
        if self.skip {
            return;
        }
        if self.rest.len() + bytes.len() >= LINE_LIMIT {
            self.rest = Vec::new();
            self.skip = true;
            self.report(Wrong::TooLong);
        } else {
            self.rest.extend_from_slice(bytes);
        }
    }

    fn read_line(&mut self, line: &[u8], last: bool) {
        // A byte order mark or a carriage return comes from an editor's hand and does no harm.
        let line = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line).trim_ascii();
        if line.is_empty() {
            return;
        }
        if conflict::mark(line).is_some() {
            if !self.marked {
                self.marked = true;
                self.report(Wrong::Conflict);
            }
            return;
        }
        match line::decode(line, &mut self.intake.names) {
            Ok(line) => self.take(line),
            Err(why) => self.recover(line, why, last),
        }
    }

    fn take(&mut self, line: Line) {
        match line {
            Line::Row(id, check, row) => {
                let (file, line) = (self.name.clone(), self.line);
                self.intake.rows.push(Taken { id, check, file, line, row: *row });
            }
            Line::Later(what) => self.report(Wrong::Later(what)),
        }
    }

    /// Finds the whole rows in a damaged line: one that lost its line feed, or follows a torn one.
    fn recover(&mut self, line: &[u8], why: BadLine, last: bool) {
        let mut found = 0;
        for piece in line::pieces(line).filter(|piece| piece.len() < line.len()) {
            if let Ok(row) = line::decode(piece, &mut self.intake.names) {
                self.take(row);
                found += 1;
            }
        }
        self.report(match why {
            _ if found > 0 => Wrong::Recovered(found),
            BadLine::NoCheck if last => Wrong::Torn,
            BadLine::NoCheck => Wrong::NoCheck,
            BadLine::CheckDiffers => Wrong::CheckDiffers,
            BadLine::NotARow(why) => Wrong::NotARow(why),
        });
    }

    fn report(&mut self, wrong: Wrong) {
        if self.listed == LISTED {
            self.unlisted += 1;
            return;
        }
        self.listed += 1;
        self.intake.problems.push(LedgerProblem { file: self.name.clone(), line: self.line, wrong });
    }
}
