//! Ledger files on disk: appending rows and reading a folder of them.
//!
//! Knows file names, whole-line writes and what a crash leaves behind. Does not know the time
//! (rows carry it) nor what rows mean.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use crate::ledger::id::{Ids, RowId};
use crate::ledger::intake::{Intake, LedgerProblem};
use crate::ledger::line::{self, LINE_LIMIT, Line, Names};
use crate::ledger::row::{Entry, Row, What};

/// Frames that a row names at most where it holds a digest of each: its line stays well below the limit.
pub const DIGESTS_A_ROW: usize = 8192;
/// How much of the end of each file is looked at for the latest row: what a merge adds at once is less.
const LATEST: u64 = 4 << 20;
/// The longest name of a writer.
const NAME_LIMIT: usize = 100;

/// Why a ledger could not be opened or a row not be appended.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The name cannot be a file's on every system.
    #[error(
        "'{0}' cannot name a writer of the ledger: only letters, digits, '-', '_', '.' and '@' may stand in it, and no '.' first"
    )]
    BadWriter(String),
    /// The system refused.
    #[error("{path}: {source}", path = path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The system took only part of the row, as on a full disk. Readers skip that part.
    #[error("{path}: only part of a row could be written; is the disk full?", path = .0.display())]
    Short(PathBuf),
    /// The row is too large for a line.
    #[error(
        "a row of shot {shot}, stage {stage} is too long for the ledger ({len} of at most {LINE_LIMIT} bytes)"
    )]
    TooLong {
        /// The shot.
        shot: String,
        /// The stage.
        stage: String,
        /// Bytes of its line.
        len: usize,
    },
    /// The row does not concern any frame, or its digests are not one a frame.
    #[error(
        "a row of shot {shot}, stage {stage} must name its frames, and as many digests as frames or none"
    )]
    BadFrames {
        /// The shot.
        shot: String,
        /// The stage.
        stage: String,
    },
}

impl LedgerError {
    /// True when the disk is full.
    pub fn is_full_disk(&self) -> bool {
        use io::ErrorKind::{QuotaExceeded, StorageFull};
        match self {
            Self::Io { source, .. } => matches!(source.kind(), StorageFull | QuotaExceeded),
            Self::Short(_) => true,
            _ => false,
        }
    }
}

/// One writer's file, open for appending.
#[derive(Debug)]
pub struct Ledger {
    file: File,
    path: PathBuf,
    ids: Ids,
    /// True when the file's last byte is not a line feed.
    torn: bool,
}

impl Ledger {
    /// Opens `dir/WRITER.jsonl`, making folder and file where missing.
    ///
    /// Two processes may share a writer: every row is one `write` in append mode. Rows that are appended come after all that
    /// are there, whoever wrote them.
    ///
    /// # Errors
    /// When the name is no file name, or the system refuses.
    pub fn open(dir: &Path, writer: &str) -> Result<Self, LedgerError> {
        let sound = |c: char| c.is_ascii_alphanumeric() || "-_.@".contains(c);
        if writer.is_empty()
            || writer.len() > NAME_LIMIT
            || writer.starts_with('.')
            || !writer.chars().all(sound)
        {
            return Err(LedgerError::BadWriter(writer.into()));
        }
        let path = dir.join(format!("{writer}.jsonl"));
        let refused = |source| LedgerError::Io { path: path.clone(), source };
        fs::create_dir_all(dir).map_err(refused)?;
        let (file, torn) = open_to_append(&path).map_err(refused)?;
        let ids = latest(dir).into_iter().fold(Ids::new(), Ids::after);
        Ok(Self { file, path, ids, torn })
    }

    /// Where the rows go.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Appends a row; its id is made from its time, or from now where that is still to come.
    ///
    /// # Errors
    /// When the row has no frames or is too long, or the system refuses. The ledger stays usable:
    /// a row that was written in part is closed off by the next one.
    pub fn append(&mut self, row: &Row) -> Result<RowId, LedgerError> {
        let (id, line) = self.line(row)?;
        self.put(&line)?;
        Ok(id)
    }

    /// A row as the line that it would be, with an id made from its time, or from now where that is still to come; nothing is written. Whoever must write several rows
    /// wholly and once, whatever comes between, keeps their lines, and [`Ledger::put`]s those whose ids the ledger has not.
    ///
    /// # Errors
    /// When the row has no frames or is too long.
    pub fn line(&mut self, row: &Row) -> Result<(RowId, String), LedgerError> {
        let (shot, stage) = (row.shot.to_string(), row.stage.to_string());
        let mismatch = match &row.what {
            What::Hold { digests, .. } => !digests.is_empty() && digests.len() != row.frames.len(),
            What::Crew(crew) => crew.digests().is_some_and(|d| !d.is_empty() && d.len() != row.frames.len()),
            _ => false,
        };
        if row.frames.is_empty() || mismatch {
            return Err(LedgerError::BadFrames { shot, stage });
        }
        // A row may speak of a time that is still to come, as one of today's hours at noon does; it is written now all the same.
        let written = row.when.min(jiff::Timestamp::now());
        let id = self.ids.next(written.as_millisecond().max(0) as u64);
        Ok((id, sized(line::encode(id, row), row)?))
    }

    /// Appends a row that another file has already, under the id that it has there, so that both count once.
    ///
    /// # Errors
    /// As for [`Ledger::append`].
    pub fn copy(&mut self, entry: &Entry) -> Result<(), LedgerError> {
        let line = sized(line::encode(entry.id, &entry.row), &entry.row)?;
        self.put(&line)
    }

    /// Appends the line of a row.
    ///
    /// # Errors
    /// When the system refuses. The ledger stays usable: a row that was written in part is closed off by the next one.
    pub fn put(&mut self, line: &str) -> Result<(), LedgerError> {
        self.follow().map_err(|source| LedgerError::Io { path: self.path.clone(), source })?;
        let line = if self.torn { format!("\n{line}") } else { line.to_string() };
        let refused = |source| LedgerError::Io { path: self.path.clone(), source };
        let written = loop {
            match self.file.write(line.as_bytes()) {
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                result => break result,
            }
        };
        self.torn = !matches!(written, Ok(n) if n == line.len());
        if written.map_err(refused)? != line.len() {
            return Err(LedgerError::Short(self.path.clone()));
        }
        Ok(())
    }

    /// Goes on in the file that stands at the path now: a merge or a program that copies files puts another in its place, and
    /// rows that went into the old one would be lost with it.
    fn follow(&mut self) -> io::Result<()> {
        let own = self.file.metadata()?;
        let is_own = |facts: fs::Metadata| (facts.dev(), facts.ino()) == (own.dev(), own.ino());
        if !fs::metadata(&self.path).is_ok_and(is_own) {
            if let Some(dir) = self.path.parent() {
                fs::create_dir_all(dir)?;
            }
            (self.file, self.torn) = open_to_append(&self.path)?;
        }
        Ok(())
    }
}

/// A row's line, unless it is too long.
fn sized(line: String, row: &Row) -> Result<String, LedgerError> {
    if line.len() > LINE_LIMIT {
        let (shot, stage) = (row.shot.to_string(), row.stage.to_string());
        return Err(LedgerError::TooLong { shot, stage, len: line.len() });
    }
    Ok(line)
}

/// The id of the row that a line is; none of what is no whole row of a kind that is known here.
pub fn id_of(line: &str) -> Option<RowId> {
    match line::decode(line.strip_suffix('\n')?.as_bytes(), &mut Names::default()) {
        Ok(Line::Row(id, ..)) => Some(id),
        _ => None,
    }
}

/// Opens a file for appending, and says whether its last byte is none of a line's end.
fn open_to_append(path: &Path) -> io::Result<(File, bool)> {
    let mut file = OpenOptions::new().read(true).append(true).create(true).open(path)?;
    let tail = read_tail(&mut file, 1)?;
    Ok((file, tail.last().is_some_and(|&byte| byte != b'\n')))
}

/// So many bytes of the end of a file.
fn read_tail(file: &mut File, long: u64) -> io::Result<Vec<u8>> {
    let len = file.metadata()?.len();
    let from = len.saturating_sub(long);
    file.seek(SeekFrom::Start(from))?;
    let mut tail = Vec::new();
    file.take(len - from).read_to_end(&mut tail)?;
    Ok(tail)
}

/// The latest id among the last rows of all files of a folder. A file that cannot be read has none: whoever reads rows tells that.
fn latest(dir: &Path) -> Option<RowId> {
    let mut names = Names::default();
    let mut latest = None;
    let files = paths(dir).unwrap_or_default();
    for path in files.iter().filter(|path| fs::metadata(path).is_ok_and(|facts| facts.is_file())) {
        let Ok(tail) = File::open(path).and_then(|mut file| read_tail(&mut file, LATEST)) else { continue };
        // Rows mostly rise, so that from the end few are later than the latest so far. A merge may have put them in any order.
        for line in tail.rsplit(|&byte| byte == b'\n') {
            let is_later = claimed(line).is_some_and(|id| Some(id) > latest);
            if is_later && let Ok(Line::Row(id, ..)) = line::decode(line.trim_ascii(), &mut names) {
                latest = latest.max(Some(id));
            }
        }
    }
    latest
}

/// The id that a line gives itself, before its check sum was looked at.
fn claimed(line: &[u8]) -> Option<RowId> {
    const KEY: &[u8] = b"\"id\":\"";
    let head = &line[..line.len().min(100)];
    let at = head.windows(KEY.len()).position(|word| word == KEY)? + KEY.len();
    std::str::from_utf8(head.get(at..at + 36)?).ok()?.parse().ok()
}

/// Reads every `*.jsonl` file of a folder: all whole rows by id, each once, and what could not be
/// read. A folder that does not exist has no rows.
pub fn read_all(dir: &Path) -> (Vec<Entry>, Vec<LedgerProblem>) {
    let mut intake = Intake::new();
    match paths(dir) {
        Ok(paths) => {
            for path in paths {
                read_one(&path, &mut intake);
            }
        }
        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
        Err(e) => intake.unreadable(&dir.to_string_lossy(), e),
    }
    intake.finish()
}

fn paths(dir: &Path) -> io::Result<Vec<PathBuf>> {
    let mut paths = Vec::new();
    for entry in fs::read_dir(dir)? {
        let path = entry?.path();
        if path.extension().is_some_and(|ending| ending == "jsonl") {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}

fn read_one(path: &Path, intake: &mut Intake) {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    // Only plain files: opening a named pipe would wait for ever.
    match fs::metadata(path) {
        Ok(facts) if facts.is_file() => {}
        Ok(_) => return intake.unreadable(&name, "it is not a plain file"),
        Err(e) => return intake.unreadable(&name, e),
    }
    let mut file = match File::open(path) {
        Ok(file) => file,
        Err(e) => return intake.unreadable(&name, e),
    };
    let mut lines = intake.file(&name);
    let mut block = vec![0u8; 256 << 10];
    let end = loop {
        match file.read(&mut block) {
            Ok(0) => break None,
            Ok(n) => lines.feed(&block[..n]),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => break Some(e),
        }
    };
    lines.finish();
    if let Some(e) = end {
        intake.unreadable(&name, e);
    }
}
