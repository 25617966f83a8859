//! Which logs of commands and tasks nobody need read any more.
//!
//! Knows how logs are named and what each may still tell: why a frame that is not made failed, or what a run under way says. Prints
//! nothing.

use std::collections::{BTreeMap, HashMap};
use std::path::PathBuf;
use std::time::SystemTime;

use super::past::LOGS;
use super::{Project, Status};
use crate::base::frames::{FrameRange, FrameSet};
use crate::graph::Work;
use crate::store::StoreError;

/// Latest logs of a stage that stay, whatever became of their frames: somebody may have just looked at what its command says.
const KEPT: usize = 3;

/// A log that may go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OldLog {
    /// The file.
    pub path: PathBuf,
    /// Bytes.
    pub size: u64,
    /// Why.
    pub why: Why,
}

/// Why a log may go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// Its frames are made, or have later logs.
    Frames,
    /// The film no longer has its stage.
    Stage,
    /// It is of a run on a cluster that is over.
    Run,
}

/// A log that is there.
struct Found {
    name: String,
    modified: SystemTime,
    size: u64,
}

impl Project {
    /// Logs of frames that are made or have a later log, but for the latest few of each stage; those of stages that the film no longer has;
    /// and those of runs on a cluster that are over, but for the last one's.
    pub fn old_logs(&self, status: &Status) -> Vec<OldLog> {
        let graph = &status.declared.graph;
        let commands = graph.nodes.iter().enumerate().filter(|(_, n)| matches!(n.work, Work::Command(_)));
        let stages: HashMap<String, usize> =
            commands.map(|(id, node)| (format!("{}.{}", node.shot, node.stage), id)).collect();
        let mut of_stages: BTreeMap<String, Vec<(FrameRange, Found)>> = BTreeMap::new();
        let mut of_runs: BTreeMap<String, Vec<Found>> = BTreeMap::new();
        for found in self.logs() {
            if let Some(run) = run_of(&found.name) {
                of_runs.entry(run.into()).or_default().push(found);
            } else if let Some((stage, frames)) = stage_of(&found.name) {
                of_stages.entry(stage.into()).or_default().push((frames, found));
            }
        }
        let mut old: Vec<(Found, Why)> =
            self.of_runs_over(of_runs).into_iter().map(|found| (found, Why::Run)).collect();
        for (stage, mut logs) in of_stages {
            let Some(&id) = stages.get(&stage) else {
                old.extend(logs.into_iter().map(|(_, found)| (found, Why::Stage)));
                continue;
            };
            let mut needed: FrameSet = status.report.strips[id].unsettled().map(|(frame, _)| frame).collect();
            logs.sort_by(|(_, a), (_, b)| (b.modified, &b.name).cmp(&(a.modified, &a.name)));
            for (at, (frames, found)) in logs.into_iter().enumerate() {
                let mut of_log = FrameSet::new();
                of_log.insert_range(frames);
                let is_needed = !needed.meet(&of_log).is_empty();
                needed = needed.without(&of_log);
                if at >= KEPT && !is_needed {
                    old.push((found, Why::Frames));
                }
            }
        }
        let folder = self.folder.join(LOGS);
        let mut old: Vec<OldLog> = old
            .into_iter()
            .map(|(of, why)| OldLog { path: folder.join(&of.name), size: of.size, why })
            .collect();
        old.sort_by(|a, b| a.path.cmp(&b.path));
        old
    }

    /// Of logs of tasks by run, those of runs of which nothing is left but them, without the last of these.
    fn of_runs_over(&self, mut runs: BTreeMap<String, Vec<Found>>) -> Vec<Found> {
        let folders = std::fs::read_dir(self.folder.join(".endboard/slurm")).into_iter().flatten().flatten();
        let there: Vec<String> = folders.map(|of| of.file_name().to_string_lossy().into_owned()).collect();
        runs.retain(|run, _| !there.iter().any(|folder| folder.contains(run.as_str())));
        let newest = |logs: &[Found]| logs.iter().map(|log| log.modified).max();
        let last = runs.iter().max_by_key(|(_, logs)| newest(logs)).map(|(run, _)| run.clone());
        runs.into_iter().filter(|(run, _)| Some(run) != last.as_ref()).flat_map(|(_, logs)| logs).collect()
    }

    /// All plain files among the logs.
    fn logs(&self) -> Vec<Found> {
        let entries = std::fs::read_dir(self.folder.join(LOGS)).into_iter().flatten().flatten();
        let found = |entry: std::fs::DirEntry| {
            let meta = entry.metadata().ok().filter(std::fs::Metadata::is_file)?;
            let modified = meta.modified().unwrap_or(SystemTime::UNIX_EPOCH);
            Some(Found { name: entry.file_name().into_string().ok()?, modified, size: meta.len() })
        };
        entries.filter_map(found).collect()
    }
}

/// Removes logs, all that the system lets go of. Gives those that are gone, and why others are not.
pub(super) fn remove(logs: Vec<OldLog>) -> (Vec<OldLog>, Vec<StoreError>) {
    let mut stuck = Vec::new();
    let remove = |log: &OldLog| match std::fs::remove_file(&log.path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            stuck.push(StoreError::file(&log.path)(error));
            false
        }
        _ => true,
    };
    (logs.into_iter().filter(remove).collect(), stuck)
}

/// The run of a log of a task, `slurm-RUN-ARRAY-TASK.log`, or of a file that was kept of an attempt, `slurm-RUN-PART.ATTEMPT-NAME`.
fn run_of(name: &str) -> Option<&str> {
    let rest = name.strip_prefix("slurm-")?;
    let is_number = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let of_task = || {
        let (rest, task) = rest.strip_suffix(".log")?.rsplit_once('-')?;
        let (run, array) = rest.rsplit_once('-')?;
        (is_number(task) && is_number(array)).then_some(run)
    };
    let of_attempt = || {
        rest.match_indices('-').find_map(|(at, _)| {
            let (part, attempt) = rest[at + 1..].split_once('-')?.0.split_once('.')?;
            (is_number(part) && is_number(attempt)).then(|| &rest[..at])
        })
    };
    of_task().or_else(of_attempt)
}

/// Shot and stage, a dot between them, and the frames of a log of a command: `SHOT.STAGE.FRAMES.log`.
fn stage_of(name: &str) -> Option<(&str, FrameRange)> {
    let (stage, frames) = name.strip_suffix(".log")?.rsplit_once('.')?;
    Some((stage, frames.parse().ok()?)).filter(|(stage, _)| stage.contains('.'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_log_that_cannot_be_removed_keeps_no_other() {
        let folder = tempfile::tempdir().unwrap();
        let of = |name: &str| OldLog { path: folder.path().join(name), size: 5, why: Why::Frames };
        // A folder goes by another call than a file, whoever asks.
        std::fs::create_dir(folder.path().join("stuck")).unwrap();
        std::fs::write(folder.path().join("brine"), "brine").unwrap();
        let (gone, stuck) = remove(vec![of("stuck"), of("brine"), of("gone before")]);
        assert_eq!(gone, [of("brine"), of("gone before")]);
        assert!(stuck.len() == 1 && stuck[0].to_string().contains("stuck"), "{stuck:?}");
        assert!(!folder.path().join("brine").exists());
    }

    #[test]
    fn logs_are_told_apart_by_their_names() {
        assert_eq!(run_of("slurm-20261128-2215-0-12.log"), Some("20261128-2215"));
        assert_eq!(run_of("slurm-20261128-2215-00012.1-rows.log.part"), Some("20261128-2215"));
        assert_eq!(run_of("slurm-20261128-2215-00012.1-rows.jsonl"), Some("20261128-2215"));
        assert_eq!(run_of("slurm-20261128-2215-notes.txt"), None);
        assert_eq!(run_of("br010.tool.1001.log"), None);
        assert_eq!(stage_of("br010.tool.1001.log"), Some(("br010.tool", FrameRange::one(1001))));
        assert_eq!(stage_of("br010.tool.1001-1004.log"), Some(("br010.tool", FrameRange::new(1001, 1004))));
        assert_eq!(stage_of("notes.1001.log"), None);
        assert_eq!(stage_of("br010.tool.log"), None);
    }
}
