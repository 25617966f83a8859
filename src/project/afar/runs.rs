//! Runs that are written down in a film's folder: which are its own, and which cannot be followed here.
//!
//! Knows that a folder may be a copy of another film's, or have been moved, and that a record may be damaged. Asks Slurm only why tasks wait.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::fates::{self, Log};
use super::following::UNKNOWN;
use super::sizing::Pace;
use crate::base::frames::FrameSet;
use crate::execute::slurm::Cluster;
use crate::execute::slurm::record::{Attempt, Folder, PartOf, Run};
use crate::project::{DECLARATION, Project, ProjectError};
use crate::report::words;
use crate::store::Store;

/// A run of this film.
#[derive(Clone, Debug)]
pub struct Own {
    /// Where it is written down.
    pub folder: Folder,
    /// What was submitted.
    pub run: Run,
    /// What each of its parts makes.
    pub parts: Vec<PartOf>,
}

/// All runs that are not closed, oldest first.
#[derive(Clone, Debug, Default)]
pub struct Runs {
    /// The film's own.
    pub own: Vec<Own>,
    /// Those of the film that this one is a copy of, and in words whose they are.
    pub others: Vec<(Own, String)>,
    /// Those whose record is damaged, and in words how.
    pub damaged: Vec<(Folder, String)>,
    /// In words, those that another version wrote in a form of its own.
    pub unread: Vec<String>,
}

impl Runs {
    /// True where there is none.
    pub fn is_empty(&self) -> bool {
        self.folders().next().is_none() && self.unread.is_empty()
    }

    /// Where they are written down.
    pub fn folders(&self) -> impl Iterator<Item = &Folder> {
        let others = self.others.iter().map(|(own, _)| &own.folder);
        self.own
            .iter()
            .map(|own| &own.folder)
            .chain(others)
            .chain(self.damaged.iter().map(|(folder, _)| folder))
    }
}

/// Frames that tasks on a cluster are making.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Out {
    /// The run's name.
    pub run: String,
    /// Since when, in words.
    pub since: String,
    /// By whom it was submitted.
    pub who: String,
    /// Parts that came to their end, and parts in all.
    pub parts: (usize, usize),
    /// Frames of the others, by shot and stage.
    pub frames: BTreeMap<(String, String), FrameSet>,
    /// Why none of this is known but the name, with a way on.
    pub unreadable: Option<String>,
    /// Why tasks wait, where that was asked.
    pub waits: Vec<String>,
}

impl Out {
    /// `run 1 is out on Slurm since …, by …: 2 of 8 parts are over`.
    pub fn words(&self) -> String {
        let Self { run, since, who, parts: (over, all), unreadable, .. } = self;
        if let Some(words) = unreadable {
            return words.clone();
        }
        format!("run {run} is out on Slurm since {since}, by {who}: {over} of {all} parts are over")
    }
}

impl Own {
    /// What of it is out; none where all of its parts came to their end.
    pub fn out(&self) -> Option<Out> {
        let attempts = self.folder.attempts();
        let ended: BTreeSet<usize> =
            attempts.iter().filter(|attempt| attempt.end().is_some()).map(|attempt| attempt.part).collect();
        let mut frames: BTreeMap<(String, String), FrameSet> = BTreeMap::new();
        let mut over = 0;
        for (number, part) in self.parts.iter().enumerate() {
            if ended.contains(&number) {
                over += 1;
                continue;
            }
            for ((shot, stage), set) in part.frames() {
                let all = frames.entry((shot.into(), stage.into())).or_default();
                all.insert_all(&set);
            }
        }
        let (since, who) = (self.run.since.clone(), self.run.who.clone());
        let parts = (over, self.parts.len());
        let run = self.folder.name();
        (over < self.parts.len()).then_some(Out { run, since, who, parts, frames, ..Out::default() })
    }
}

impl Own {
    /// How its stages fared with the time limit, by what its tasks printed: nobody followed it to its end, and Slurm may have forgotten
    /// it. Of parts that ended early `early` is told why, where that is known.
    pub(super) fn pace(&self, early: &mut BTreeSet<String>) -> Pace {
        let mut pace = Pace::default();
        let mut last: BTreeMap<usize, Attempt> = BTreeMap::new();
        for attempt in self.folder.attempts() {
            if last.get(&attempt.part).is_none_or(|known| known.number < attempt.number) {
                last.insert(attempt.part, attempt);
            }
        }
        for (number, part) in self.parts.iter().enumerate() {
            let Some(end) = last.get(&number).and_then(Attempt::end) else { continue };
            let stages = || part.targets.iter().map(|(shot, stage, ..)| (shot.clone(), stage.clone()));
            // A part that its machine refused made nothing, in no time at all.
            if end.refused.is_some() {
                continue;
            }
            let Some(words) = end.ended else {
                pace.well.extend(stages());
                continue;
            };
            if let Some(disk) = end.full {
                early.insert(format!("{} on {}: {}", self::place(part), end.node, fates::full(&disk)));
                continue;
            }
            let (array, index) = self.place(number);
            let log = self.folder.log_end(array, index);
            let why = match log.is_some_and(|log| fates::is_time_up(&log)) {
                true => {
                    pace.late.extend(stages());
                    fates::fate("TIMEOUT", "", Log::Nothing)
                }
                false => format!("it ended early: {words}; {UNKNOWN}"),
            };
            early.insert(format!("{} on {}: {why}", self::place(part), end.node));
        }
        pace
    }

    /// The array of a part, and its number there.
    pub(super) fn place(&self, number: usize) -> (usize, usize) {
        let arrays = &self.run.arrays;
        let array = arrays.iter().position(|a| number < a.first + a.count).unwrap_or(0);
        (array, number - arrays[array].first)
    }
}

/// Words for a run whose record is damaged: what to do about it.
pub(super) fn damaged(folder: &Folder, words: &str) -> String {
    let name = folder.job_name();
    format!(
        "{words}: what was written down of run {} is damaged, so that it cannot be followed; `scancel --name={name}` ends what runs of it; once \
         `squeue --name {name}` lists nothing, `endboard rebuild --on slurm` sets it aside and goes on, or take {} away; renders stay",
        folder.name(),
        folder.path().display()
    )
}

impl Project {
    /// The runs written down in the film's folder.
    ///
    /// # Errors
    /// The store is not to be had.
    pub fn runs(&self) -> Result<Runs, ProjectError> {
        let mut runs = Runs::default();
        for folder in Folder::all(&Store::at(&self.folder)?) {
            if let Some(words) = folder.other_form() {
                runs.unread.push(words);
                continue;
            }
            let read = folder.run().and_then(|run| Ok((parts(&folder, &run)?, run)));
            let (parts, run) = match read {
                Ok(read) => read,
                Err(words) => {
                    runs.damaged.push((folder, words));
                    continue;
                }
            };
            let own = Own { folder, run, parts };
            if !self.is_copy_of(&own.run.folder) {
                runs.own.push(own);
                continue;
            }
            let words = format!(
                "run {} is of {}, which this folder is a copy of: it is followed and cancelled there, and left alone here \
                 (removing {} forgets it here)",
                own.folder.name(),
                own.run.folder.display(),
                own.folder.path().display()
            );
            runs.others.push((own, words));
        }
        Ok(runs)
    }

    /// What is out on a cluster, or may be, where a record cannot be read.
    ///
    /// # Errors
    /// The store is not to be had.
    pub fn out(&self) -> Result<Vec<Out>, ProjectError> {
        let runs = self.runs()?;
        let unreadable = |run: String, words: String| Out { run, unreadable: Some(words), ..Out::default() };
        let damaged =
            runs.damaged.iter().map(|(folder, why)| unreadable(folder.name(), damaged(folder, why)));
        let other = runs.unread.iter().map(|words| unreadable(String::new(), words.clone()));
        Ok(runs.own.iter().filter_map(Own::out).chain(damaged).chain(other).collect())
    }

    /// Asks Slurm, once and not for long, why tasks of what is out wait. Where it does not answer, nothing is said.
    pub fn ask_why_waits(&self, all: &mut [Out]) {
        let Ok(cluster) = Cluster::here() else { return };
        let store = Store::at(&self.folder).ok();
        for out in all.iter_mut().filter(|out| out.unreadable.is_none()) {
            let folder = store.as_ref().and_then(|store| Folder::named(store, &out.run));
            let tasks = folder.and_then(|folder| cluster.glance(&folder.job_name()).ok());
            out.waits = tasks.map(|tasks| fates::waits_unfollowed(&tasks)).unwrap_or_default();
        }
    }

    /// Whether another film lies where a run was submitted: this folder is a copy of it, or it is one of this. A film that was moved
    /// lies there no more, and the same folder under another name is the same film.
    fn is_copy_of(&self, folder: &Path) -> bool {
        use std::os::unix::fs::MetadataExt;
        let id = |folder: &Path| std::fs::metadata(folder).ok().map(|data| (data.dev(), data.ino()));
        let is_elsewhere = !folder.as_os_str().is_empty() && folder != self.folder;
        is_elsewhere && folder.join(DECLARATION).is_file() && id(folder) != id(&self.folder)
    }
}

/// Parts of all arrays of a run.
fn parts(folder: &Folder, run: &Run) -> Result<Vec<PartOf>, String> {
    let mut all = Vec::new();
    for (number, array) in run.arrays.iter().enumerate() {
        let parts = folder.parts(number)?;
        if parts.len() != array.count {
            let path = folder.path().join(format!("parts-{number}.jsonl"));
            return Err(format!("{}: {} parts, where {} are due", path.display(), parts.len(), array.count));
        }
        all.extend(parts);
    }
    Ok(all)
}

/// `br010/blades@1001-1008 and 3 more stages`.
pub(super) fn place(part: &PartOf) -> String {
    let Some((shot, stage, frames, _)) = part.targets.first() else { return "nothing".into() };
    match part.targets.len() - 1 {
        0 => format!("{shot}/{stage}@{frames}"),
        more => format!("{shot}/{stage}@{frames} and {}", words::count(more as u64, "more stage")),
    }
}
