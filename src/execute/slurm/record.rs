//! A run's folder on the shared disk: what was submitted, and what each task left behind.
//!
//! Layout of `.endboard/slurm/RUN/`: `run.json`, `parts-N.jsonl` by array, `jobs`, `task.sh`, and for each attempt of a part
//! `parts/PART.ATTEMPT/` with its `actions`, `journal`, `rows.jsonl`, `said` and, at its end, `end.json`. Every file has one
//! writer. Does not know how frames are made.

use std::collections::BTreeMap;
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::base::frames::FrameSet;
use crate::store::{Store, StoreError, file, write_own};

/// What `run.json` begins with.
pub const FORMAT: &str = "endboard slurm 1";

/// What was submitted.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Run {
    /// [`FORMAT`].
    pub format: String,
    /// The version of Endboard that submitted it.
    pub version: String,
    /// When, in words.
    pub since: String,
    /// When, in seconds since 1970.
    #[serde(default)]
    pub began: i64,
    /// By whom, in words.
    pub who: String,
    /// The film's folder when it was submitted.
    #[serde(default)]
    pub folder: PathBuf,
    /// What was selected, as written.
    pub selectors: Vec<String>,
    /// Whether failed frames are tried again.
    pub again: bool,
    /// Frames to settle.
    pub frames: usize,
    /// The arrays.
    pub arrays: Vec<ArrayOf>,
    /// Workers of a task.
    pub jobs: usize,
    /// Memory for pictures of a task, in bytes.
    pub memory: usize,
    /// Whether tasks take renders from the crew's shared store.
    #[serde(default)]
    pub shared: bool,
}

/// An array of tasks.
#[derive(Clone, Debug, Default, Deserialize, PartialEq, Serialize)]
pub struct ArrayOf {
    /// The number of its first part.
    pub first: usize,
    /// How many parts.
    pub count: usize,
    /// Numbers of the arrays that come before it as a whole.
    pub after: Vec<usize>,
    /// Numbers of arrays of which each part waits for the one in its own place.
    #[serde(default)]
    pub beside: Vec<usize>,
    /// What it asks Slurm for.
    pub asks: Vec<String>,
    /// How many of its tasks run at once at most, as pools have it.
    #[serde(default)]
    pub at_once: Option<usize>,
}

impl Run {
    /// Parts in all.
    pub fn parts(&self) -> usize {
        self.arrays.iter().map(|array| array.count).sum()
    }

    /// What is wrong with it, in words: arrays follow one another without a gap, and wait for earlier ones only.
    fn fault(&self) -> Option<String> {
        let mut next = 0usize;
        for (number, array) in self.arrays.iter().enumerate() {
            let waits = || array.after.iter().chain(&array.beside);
            if array.first != next || array.count == 0 || waits().any(|of| *of >= number) {
                return Some(format!("its array {number} does not go with those before it"));
            }
            next = match next.checked_add(array.count) {
                Some(next) => next,
                None => return Some(format!("its array {number} has too many parts")),
            };
        }
        None
    }
}

/// What a task makes.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct PartOf {
    /// Shot, stage, frames, and the digest of how the stage makes them.
    pub targets: Vec<(String, String, String, String)>,
    /// Numbers of the parts that make what it needs.
    pub needs: Vec<usize>,
    /// Of those that make what these need, and so on: what made a frame is known by all that went into it.
    pub before: Vec<usize>,
}

impl PartOf {
    /// Frames by shot and stage.
    pub fn frames(&self) -> BTreeMap<(&str, &str), FrameSet> {
        let read = |frames: &str| frames.parse().unwrap_or_default();
        self.targets.iter().map(|(shot, stage, frames, _)| ((&**shot, &**stage), read(frames))).collect()
    }
}

/// What a task says at its end.
#[derive(Clone, Debug, Default, Deserialize, PartialEq, Serialize)]
pub struct End {
    /// The machine.
    pub node: String,
    /// Seconds until the first frame was taken up.
    pub startup: f64,
    /// Seconds in all.
    pub wall: f64,
    /// Seconds that the machine's clock is ahead of the shared disk's.
    pub ahead: f64,
    /// Why it made nothing, where it was not to.
    pub refused: Option<String>,
    /// Why it ended early.
    pub ended: Option<String>,
    /// Where the disk is full that it wrote to, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub full: Option<String>,
    /// Why rows of its work could not be written.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lost: Option<String>,
    /// What there was to say of the shared store, first of all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shared: Option<String>,
}

impl End {
    /// True when it came to its end by itself. Of one that was ended, commands may have failed for no other reason.
    pub fn is_whole(&self) -> bool {
        self.ended.is_none()
    }
}

/// What a task says of a frame, one a line.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Said {
    /// Shot.
    pub shot: String,
    /// Stage.
    pub stage: String,
    /// Frame.
    pub frame: i64,
    /// `rendered`, `alike`, `restored`, `shared` where it was taken from the crew's shared store, `same`, `failed` or `blocked`.
    pub how: String,
    /// Why it failed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// One attempt at a part.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Attempt {
    /// The part's number.
    pub part: usize,
    /// Which attempt, from 0.
    pub number: usize,
    /// Its folder.
    pub folder: PathBuf,
}

impl Attempt {
    /// What it said at its end; none where it has not ended, or not by itself.
    pub fn end(&self) -> Option<End> {
        let bytes = file::read(&self.folder.join("end.json")).ok().flatten()?;
        serde_json::from_slice(&bytes).ok()
    }

    /// True when it came to its end by itself.
    pub fn is_whole(&self) -> bool {
        self.end().as_ref().is_some_and(End::is_whole)
    }

    /// What it said from byte `at` on, by whole lines; `at` moves on.
    pub fn said(&self, at: &mut u64) -> Vec<Said> {
        let Ok(mut file) = std::fs::File::open(self.folder.join("said")) else { return Vec::new() };
        let mut bytes = Vec::new();
        if file.seek(std::io::SeekFrom::Start(*at)).is_err() || file.read_to_end(&mut bytes).is_err() {
            return Vec::new();
        }
        let whole = bytes.iter().rposition(|&b| b == b'\n').map_or(0, |last| last + 1);
        *at += whole as u64;
        bytes[..whole].split(|&b| b == b'\n').filter_map(|line| serde_json::from_slice(line).ok()).collect()
    }
}

/// A run's folder.
#[derive(Clone, Debug)]
pub struct Folder {
    path: PathBuf,
}

impl Folder {
    /// All runs that are not closed, oldest first.
    pub fn all(store: &Store) -> Vec<Self> {
        let entries = std::fs::read_dir(store.path("slurm")).into_iter().flatten().flatten();
        let mut all: Vec<Self> = entries
            .map(|entry| Self { path: entry.path() })
            .filter(|folder| {
                folder.path.join("run.json").is_file() && !folder.name().starts_with(super::forms::ASIDE)
            })
            .collect();
        all.sort_by(|a, b| a.path.cmp(&b.path));
        all
    }

    /// The run of this name.
    pub fn named(store: &Store, name: &str) -> Option<Self> {
        Self::all(store).into_iter().find(|folder| folder.name() == name)
    }

    /// Makes a folder for a run that is about to be submitted; it is a run once everything is written down.
    ///
    /// # Errors
    /// The system refuses.
    pub fn make(
        store: &Store,
        name: &str,
        run: &Run,
        parts: &[PartOf],
        script: &str,
    ) -> Result<Self, StoreError> {
        let path = store.path("slurm").join(name);
        let folder = Self { path };
        let tried = folder.tried();
        std::fs::create_dir_all(&tried).map_err(StoreError::file(&tried))?;
        for (number, array) in run.arrays.iter().enumerate() {
            let mut lines = Vec::new();
            for part in &parts[array.first..array.first + array.count] {
                serde_json::to_writer(&mut lines, part).expect("plain values");
                lines.push(b'\n');
            }
            write_own(&folder.path.join(format!("parts-{number}.jsonl")), &lines)?;
        }
        write_own(&folder.script(), script.as_bytes())?;
        let bytes = serde_json::to_vec_pretty(run).expect("plain values");
        write_own(&folder.path.join("run.json"), &bytes)?;
        Ok(folder)
    }

    /// The run's name.
    pub fn name(&self) -> String {
        self.path.file_name().unwrap_or_default().to_string_lossy().into_owned()
    }

    /// The name of its jobs.
    pub fn job_name(&self) -> String {
        format!("endboard-{}", self.name())
    }

    /// Where attempts at parts have their folders.
    fn tried(&self) -> PathBuf {
        self.path.join("parts")
    }

    /// What each task runs.
    pub fn script(&self) -> PathBuf {
        self.path.join("task.sh")
    }

    /// What was submitted.
    ///
    /// # Errors
    /// It cannot be read, in words.
    pub fn run(&self) -> Result<Run, String> {
        let path = self.path.join("run.json");
        let (bytes, told) = written(&path)?;
        // The form first: of another one, nothing is known of what else stands there.
        if let Some(words) = self.other_form() {
            return Err(words);
        }
        let run: Run = serde_json::from_slice(&bytes).map_err(|e| told(e.to_string()))?;
        run.fault().map_or(Ok(run), |words| Err(told(words)))
    }

    /// Parts of an array.
    ///
    /// # Errors
    /// They cannot be read, in words.
    pub fn parts(&self, array: usize) -> Result<Vec<PartOf>, String> {
        let path = self.path.join(format!("parts-{array}.jsonl"));
        let (bytes, told) = written(&path)?;
        let lines = bytes.split(|&b| b == b'\n').filter(|line| !line.is_empty());
        let part = |line| {
            let part: PartOf = serde_json::from_slice(line).map_err(|e| told(e.to_string()))?;
            match part.targets.iter().find(|(.., frames, _)| frames.parse::<FrameSet>().is_err()) {
                Some((.., frames, _)) => Err(told(format!("{frames:?} are no frames"))),
                None => Ok(part),
            }
        };
        lines.map(part).collect()
    }

    /// Writes down under which number an array was submitted.
    ///
    /// # Errors
    /// The system refuses.
    pub fn submitted(&self, array: usize, job: u64) -> Result<(), StoreError> {
        let path = self.path.join("jobs");
        let mut file = file::open_with(&path, std::fs::OpenOptions::new().create(true).append(true))?;
        // A sign in front of it, so that what a crash cut off before is neither a line nor a part of this one.
        file.write_all(format!("#\n{array} {job}\n").as_bytes()).map_err(StoreError::file(&path))
    }

    /// Jobs by array, as far as they were submitted, by whole lines. Whose they are only Slurm knows: a person may have edited this.
    pub fn jobs(&self) -> BTreeMap<usize, u64> {
        let text = std::fs::read(self.path.join("jobs")).unwrap_or_default();
        let whole = text.iter().rposition(|&b| b == b'\n').map_or(0, |last| last + 1);
        let pair = |line: &[u8]| {
            let (array, job) = std::str::from_utf8(line).ok()?.split_once(' ')?;
            Some((array.parse().ok()?, job.parse().ok()?))
        };
        text[..whole].split(|&b| b == b'\n').filter_map(pair).collect()
    }

    /// Where its record lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Begins an attempt at a part, in a folder that no other has.
    ///
    /// # Errors
    /// The system refuses.
    pub fn begin(&self, part: usize) -> Result<Attempt, StoreError> {
        let mut number =
            self.attempts().iter().filter(|a| a.part == part).map(|a| a.number + 1).max().unwrap_or(0);
        loop {
            let folder = self.tried().join(format!("{part:05}.{number}"));
            match std::fs::create_dir(&folder) {
                Ok(()) => return Ok(Attempt { part, number, folder }),
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => number += 1,
                Err(error) => return Err(StoreError::file(&folder)(error)),
            }
        }
    }

    /// All attempts, by part and number.
    pub fn attempts(&self) -> Vec<Attempt> {
        let entries = std::fs::read_dir(self.tried()).into_iter().flatten().flatten();
        let mut all: Vec<Attempt> = entries
            .filter_map(|entry| {
                let name = entry.file_name();
                let (part, number) = name.to_str()?.split_once('.')?;
                Some(Attempt { part: part.parse().ok()?, number: number.parse().ok()?, folder: entry.path() })
            })
            .collect();
        all.sort();
        all
    }

    /// Removes it: everything in it is where it belongs.
    ///
    /// # Errors
    /// The system refuses.
    pub fn close(&self) -> Result<(), StoreError> {
        // First what makes it a run: a crash on the way leaves a folder that the next one clears.
        let first = self.path.join("run.json");
        std::fs::remove_file(&first).map_err(StoreError::file(&first))?;
        std::fs::remove_dir_all(&self.path).map_err(StoreError::file(&self.path))
    }
}

/// A file of a run that must be there, and the words of what is wrong with it.
pub(super) fn written(path: &Path) -> Result<(Vec<u8>, impl Fn(String) -> String + '_), String> {
    let told = move |words: String| format!("{}: {words}", path.display());
    let bytes = file::read(path).map_err(|e| e.to_string())?.ok_or_else(|| told("it is not there".into()))?;
    Ok((bytes, told))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_attempt_has_a_folder_of_its_own_and_what_is_said_is_read_by_whole_lines() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let part = PartOf {
            targets: vec![("br010".into(), "blades".into(), "1001-1004".into(), "0".into())],
            needs: vec![],
            before: vec![],
        };
        let run = Run {
            format: FORMAT.into(),
            version: "1".into(),
            since: "now".into(),
            began: 1,
            who: "ana".into(),
            folder: folder.path().into(),
            selectors: vec![],
            again: false,
            frames: 4,
            arrays: vec![ArrayOf { count: 1, ..ArrayOf::default() }],
            jobs: 1,
            memory: 1,
            shared: false,
        };
        assert!(Folder::all(&store).is_empty());
        let made = Folder::make(&store, "a", &run, std::slice::from_ref(&part), "#!/bin/sh\n").unwrap();
        assert_eq!((made.run().unwrap(), made.parts(0).unwrap()), (run, vec![part]));
        let (first, second) = (made.begin(0).unwrap(), made.begin(0).unwrap());
        assert_eq!((first.number, second.number), (0, 1));
        let said = Said {
            shot: "br010".into(),
            stage: "blades".into(),
            frame: 1001,
            how: "rendered".into(),
            reason: None,
        };
        let line = serde_json::to_string(&said).unwrap();
        std::fs::write(first.folder.join("said"), format!("{line}\n{}", &line[..9])).unwrap();
        let mut at = 0;
        assert_eq!((first.said(&mut at), first.said(&mut at)), (vec![said.clone()], vec![]));
        std::fs::write(first.folder.join("said"), format!("{line}\n{line}\n")).unwrap();
        assert_eq!(first.said(&mut at), [said]);
        assert_eq!(first.end(), None);
        first.finish(&End::default()).unwrap();
        assert_eq!(first.end(), Some(End::default()));
        // A line that was cut off is none, and does not spoil the next one.
        std::fs::write(made.path().join("jobs"), "1 1").unwrap();
        assert_eq!(made.jobs(), BTreeMap::new());
        made.submitted(0, 17).unwrap();
        assert_eq!(made.jobs(), BTreeMap::from([(0, 17)]));
        for (from, to) in [("\"first\": 0", "\"first\": 7"), ("\"after\": []", "\"after\": [0]"), ("{", "")] {
            let path = made.path().join("run.json");
            let text = std::fs::read_to_string(&path).unwrap();
            assert!(text.contains(from), "{text}");
            std::fs::write(&path, text.replacen(from, to, 1)).unwrap();
            assert!(made.run().unwrap_err().contains("run.json"));
            std::fs::write(&path, text).unwrap();
        }
        assert!(made.run().is_ok());
        made.close().unwrap();
        assert!(Folder::all(&store).is_empty());
    }
}
