//! Putting returned files in place, so that a takeback is whole or not there at all.
//!
//! What is to be done is written down first, in `returns/under-way.json`; then files are put in place, then the ledger is told,
//! then the note goes. Each step looks whether it was done. So whoever works on the film next brings to its end what a crash cut
//! short. A file that lies in a place and is no known return is a person's: it is kept in `returns/` before it is replaced.

use std::io;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::civil::Time;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::sheet::{self, Due, Line};
use super::{RETURNS, in_rows};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::crew::packets::Packets;
use crate::deliver::whole;
use crate::ledger::crew::{Crew, Worked};
use crate::ledger::file::{DIGESTS_A_ROW, Ledger};
use crate::ledger::row::{Entry, Round, Row, What};
use crate::observe;
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError};

/// The note of what is under way.
const UNDER_WAY: &str = "under-way.json";

/// What is to be done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Work {
    /// The film.
    pub film: String,
    /// The packet; empty where an earlier return is chosen.
    pub packet: String,
    /// Who made the files.
    pub person: String,
    /// Who takes them back.
    pub by: String,
    /// When.
    pub when: Timestamp,
    /// In that person's words.
    pub note: String,
    /// Stages of shots.
    pub parts: Vec<Part>,
    /// Lines of the time sheet.
    pub hours: Vec<Line>,
    /// The stage that the hours are for.
    pub stage: String,
    /// Whether it is work that was done before.
    pub is_rework: bool,
}

/// The files of one stage of one shot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// The shot.
    pub shot: String,
    /// The stage.
    pub stage: String,
    /// Which return it is.
    pub version: u32,
    /// Whether that return was there before and is chosen now.
    pub is_chosen: bool,
    /// Frame, digest of its file's bytes in hexadecimal digits, and the file's path in the project.
    pub files: Vec<(i64, String, String)>,
}

/// What putting in place came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Placed {
    /// Files that lay in a place and were no known return: where they lay and where they are kept.
    pub kept: Vec<(String, String)>,
    /// Rows of hours that are new, and those that correct others; in microseconds altogether.
    pub hours: (usize, usize, u64),
}

/// Where a returned file is kept.
pub fn kept_at(digest: &str, like: &str) -> String {
    let ending = like.rsplit('/').next().and_then(|name| name.rsplit_once('.')).map_or("bin", |(_, e)| e);
    format!("{RETURNS}/{}/{digest}.{ending}", &digest[..2])
}

impl Project {
    /// Brings to its end what a crash cut short. The film's lock must be held.
    ///
    /// # Errors
    /// The note cannot be read, or the disk refuses.
    pub fn finish_taking(&self, writer: &Writer) -> Result<bool, ProjectError> {
        let path = self.folder.join(RETURNS).join(UNDER_WAY);
        let bytes = match std::fs::read(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(false),
            read => read.map_err(disk(&path))?,
        };
        let work: Work = serde_json::from_slice(&bytes).map_err(|why| {
            let place = path.display();
            ProjectError::System(format!(
                "{place} tells what a takeback was doing, and cannot be read: {why}; take it away, and take the packet back once more"
            ))
        })?;
        self.carry_out(&work, writer)?;
        Ok(true)
    }

    /// Writes down what is to be done, and does it. The film's lock must be held, and every file be in `returns/`.
    pub(super) fn do_work(&self, work: &Work, writer: &Writer) -> Result<Placed, ProjectError> {
        let folder = self.folder.join(RETURNS);
        std::fs::create_dir_all(&folder).map_err(disk(&folder))?;
        let path = folder.join(UNDER_WAY);
        let text = serde_json::to_vec_pretty(work).map_err(|why| ProjectError::System(why.to_string()))?;
        whole::write(&path, &text, true).map_err(disk(&path))?;
        self.carry_out(work, writer)
    }

    fn carry_out(&self, work: &Work, writer: &Writer) -> Result<Placed, ProjectError> {
        let (entries, _) = self.ledger();
        let packets = Packets::after(&entries);
        let mut placed = Placed::default();
        for part in &work.parts {
            for (_, digest, path) in &part.files {
                self.put_in_place(&packets, part, digest, path, &mut placed)?;
            }
        }
        let mut ledger = Ledger::open(&self.folder.join("ledger"), &writer.name)?;
        for part in &work.parts {
            if !is_told(&packets, work, part) {
                tell(&mut ledger, work, part)?;
            }
        }
        tell_hours(&mut ledger, &entries, work, &mut placed)?;
        let path = self.folder.join(RETURNS).join(UNDER_WAY);
        std::fs::remove_file(&path).map_err(disk(&path))?;
        Ok(placed)
    }

    /// Copies a kept file to where the stage wants it. It is a copy, so that whoever works on it there changes no kept one.
    fn put_in_place(
        &self,
        packets: &Packets,
        part: &Part,
        digest: &str,
        path: &str,
        placed: &mut Placed,
    ) -> Result<(), ProjectError> {
        let to = self.folder.join(path);
        let there = observe::digest(&to).map_err(disk(&to))?;
        if there.is_some_and(|there| there.to_string() == digest) {
            return Ok(());
        }
        if let Some(there) = there {
            let returns = packets.returns(&part.shot, &part.stage);
            let is_known =
                returns.is_some_and(|all| all.all.iter().any(|of| of.files.values().any(|f| *f == there)));
            let kept = kept_at(&there.to_string(), path);
            let was_there = self.folder.join(&kept).is_file();
            self.keep(&to, &there)?;
            if !is_known && !was_there {
                placed.kept.push((path.to_string(), kept));
            }
        } else if to.symlink_metadata().is_ok_and(|meta| !meta.is_file() && !meta.is_symlink()) {
            let why = "something that is no file stands in its place; move it away, and run any command that renders";
            return Err(ProjectError::System(format!("{path}: {why}")));
        }
        let from = self.folder.join(kept_at(digest, path));
        let folder = to.parent().unwrap_or(Path::new("."));
        std::fs::create_dir_all(folder).map_err(disk(folder))?;
        let copied = || -> io::Result<()> {
            let mut file = whole::beside(folder, whole::UNDER_WAY.1)?;
            io::copy(&mut std::fs::File::open(&from)?, file.as_file_mut())?;
            whole::named(file, &to, true)
        };
        copied().map_err(disk(&from))
    }

    /// Keeps a file that lies in a place.
    fn keep(&self, at: &Path, digest: &Digest) -> Result<(), ProjectError> {
        let bytes = std::fs::read(at).map_err(disk(at))?;
        if Digest::of(&bytes) != *digest {
            return Err(ProjectError::System(format!(
                "{} is being written just now; start again",
                at.display()
            )));
        }
        let to = self.folder.join(kept_at(&digest.to_string(), &at.to_string_lossy()));
        self.keep_bytes(&to, &bytes)
    }

    /// Puts bytes where returned files are kept, unless they are there.
    pub(super) fn keep_bytes(&self, to: &Path, bytes: &[u8]) -> Result<(), ProjectError> {
        if observe::digest(to).map_err(disk(to))? == Some(Digest::of(bytes)) {
            return Ok(());
        }
        let folder = to.parent().unwrap_or(Path::new("."));
        std::fs::create_dir_all(folder).map_err(disk(folder))?;
        whole::write(to, bytes, true).map_err(disk(to))
    }
}

pub(super) fn disk(path: &Path) -> impl FnOnce(io::Error) -> ProjectError {
    let path: PathBuf = path.to_path_buf();
    move |why| ProjectError::System(format!("{}: {why}", path.display()))
}

/// Whether the ledger has a part already.
fn is_told(packets: &Packets, work: &Work, part: &Part) -> bool {
    let Some(returns) = packets.returns(&part.shot, &part.stage) else { return false };
    part.files.iter().all(|(frame, digest, _)| {
        let current = returns.current(*frame).filter(|of| of.version == part.version);
        let same = |of: &&crate::crew::packets::Return| {
            (part.is_chosen || *of.packet == *work.packet)
                && of.files.get(frame).is_some_and(|of| of.to_string() == *digest)
        };
        current.as_ref().is_some_and(same)
    })
}

fn tell(ledger: &mut Ledger, work: &Work, part: &Part) -> Result<(), ProjectError> {
    let frames: Vec<i64> = part.files.iter().map(|(frame, _, _)| *frame).collect();
    for (begin, set) in in_rows(&frames) {
        let of_row = &part.files[begin..(begin + DIGESTS_A_ROW).min(part.files.len())];
        let digests = of_row.iter().filter_map(|(_, digest, _)| digest.parse().ok()).collect();
        let crew = match part.is_chosen {
            true => Crew::Choose { version: part.version, note: work.note.as_str().into() },
            false => Crew::Takeback {
                packet: work.packet.as_str().into(),
                person: work.person.as_str().into(),
                version: part.version,
                digests,
                note: work.note.as_str().into(),
            },
        };
        let row = |what| Row {
            when: work.when,
            film: work.film.as_str().into(),
            shot: part.shot.as_str().into(),
            stage: part.stage.as_str().into(),
            frames: set.clone(),
            by: work.by.as_str().into(),
            what,
        };
        ledger.append(&row(What::Crew(crew)))?;
        let note = match part.is_chosen {
            true => format!("return {} once more", part.version),
            false => format!("{}, return {}", work.packet, part.version),
        };
        ledger.append(&row(What::Delivery { note: note.into() }))?;
    }
    Ok(())
}

fn tell_hours(
    ledger: &mut Ledger,
    entries: &[Entry],
    work: &Work,
    placed: &mut Placed,
) -> Result<(), ProjectError> {
    for due in sheet::due(entries, &work.packet, &work.hours) {
        let (line, corrects) = match &due {
            Due::New(line) => (line, None),
            Due::Corrected(of, line) => (line, Some(*of)),
        };
        placed.hours.2 += line.took;
        let crew = match corrects {
            Some(of) => {
                placed.hours.1 += 1;
                Crew::Correct { of, took: sheet::took(line), note: sheet::note(line) }
            }
            None => {
                placed.hours.0 += 1;
                Crew::Worked(Worked {
                    person: work.person.as_str().into(),
                    took: sheet::took(line),
                    began: None,
                    round: Some(if work.is_rework { Round::Rework } else { Round::First }),
                    cause: if work.is_rework { "handed out again".into() } else { "".into() },
                    ends: None,
                    packet: work.packet.as_str().into(),
                    note: sheet::note(line),
                })
            }
        };
        // A correction is of now; work is of its day, at noon of it.
        let noon = line.date.to_datetime(Time::midnight().saturating_add(jiff::Span::new().hours(12)));
        let noon = noon.to_zoned(TimeZone::UTC).map_or(work.when, |at| at.timestamp());
        let when = if corrects.is_some() { work.when } else { noon };
        let frames: FrameSet = line.frames.parse().unwrap_or_default();
        ledger.append(&Row {
            when,
            film: work.film.as_str().into(),
            shot: line.shot.as_str().into(),
            stage: work.stage.as_str().into(),
            frames,
            by: work.by.as_str().into(),
            what: What::Crew(crew),
        })?;
    }
    Ok(())
}
