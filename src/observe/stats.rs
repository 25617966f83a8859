//! What the file system says of files, and of those that earlier runs knew before anybody asks.
//!
//! Knows folders and names. Does not know what is in a file.

use std::collections::HashMap;
use std::path::Path;

use rayon::prelude::*;
use rustix::fs::{AtFlags, FileType, Mode, OFlags};
use rustix::io::Errno;

use super::path;
use crate::base::frames::FrameRange;
use crate::declare::film::{FilePattern, Media};
use crate::graph::Source;
use crate::store::facts::{self, Facts, Stat};

/// The stat of a regular file, or that there is none, or why the system does not tell.
pub(super) type Found = Result<Option<Stat>, Errno>;

/// Stats of the files that earlier runs knew, taken while the declaration was still being read.
#[derive(Debug, Default)]
pub struct Foreseen(HashMap<String, Ahead>);

/// Stats of one source's files, frames rising.
#[derive(Debug)]
struct Ahead {
    files: String,
    stats: Vec<(i64, Found)>,
}

/// Takes the stats of all files that are known.
pub fn foresee(project: &Path, facts: &Facts) -> Foreseen {
    let known: Vec<_> = facts.sources().collect();
    let ahead = known.par_iter().filter_map(|&(name, known)| {
        let pattern = FilePattern::parse(&known.files).ok()?;
        let frames = || known.facts.iter().map(|(frame, _)| *frame);
        let stats = frames().zip(stats_of(project, &pattern, frames())).collect();
        Some((name.clone(), Ahead { files: known.files.clone(), stats }))
    });
    Foreseen(ahead.collect())
}

pub(super) fn stats(project: &Path, source: &Source, run: FrameRange, foreseen: &Foreseen) -> Vec<Found> {
    let pattern = match &source.media {
        Media::Files(at) => &at.value,
        Media::Movie { .. } | Media::Sound(_) => {
            let one = found(rustix::fs::stat(path(project, source, run.first)));
            return vec![one; run.len()];
        }
    };
    let ahead = foreseen.0.get(&source.name).filter(|ahead| ahead.files == pattern.to_string());
    let known = |&frame: &i64| Some(*facts::known(&ahead?.stats, frame)?);
    let frames: Vec<i64> = run.iter().collect();
    if let Some(stats) = frames.iter().map(known).collect() {
        return stats;
    }
    let of = |frames: &[i64]| stats_of(project, pattern, frames.iter().copied());
    frames.par_chunks(256).flat_map_iter(of).collect()
}

/// The stats of some frames' files. Their folder is opened once, so that each is found by its name alone.
fn stats_of(project: &Path, files: &FilePattern, frames: impl Iterator<Item = i64>) -> Vec<Found> {
    let flags = OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let folder = rustix::fs::open(project.join(files.folder()), flags, Mode::empty());
    let mut name = String::new();
    let stat = |frame| {
        files.name(frame, &mut name);
        let folder = folder.as_ref().map_err(|&error| error);
        found(folder.and_then(|folder| rustix::fs::statat(folder, name.as_str(), AtFlags::empty())))
    };
    frames.map(stat).collect()
}

fn found(stat: Result<rustix::fs::Stat, Errno>) -> Found {
    match stat {
        Ok(stat) => Ok(stat_of(FileType::RegularFile, stat)),
        Err(Errno::NOENT | Errno::NOTDIR) => Ok(None),
        Err(error) => Err(error),
    }
}

/// The stat of a regular file, links followed; nothing for anything else.
pub fn stat(path: &Path) -> Option<Stat> {
    stat_of(FileType::RegularFile, rustix::fs::stat(path).ok()?)
}

/// The stat of a folder, links followed; nothing for anything else.
pub fn stat_folder(path: &Path) -> Option<Stat> {
    stat_of(FileType::Directory, rustix::fs::stat(path).ok()?)
}

fn stat_of(kind: FileType, stat: rustix::fs::Stat) -> Option<Stat> {
    (FileType::from_raw_mode(stat.st_mode) == kind).then_some(Stat {
        size: stat.st_size as u64,
        modified: stat.st_mtime * 1_000_000_000 + stat.st_mtime_nsec as i64,
        changed: stat.st_ctime * 1_000_000_000 + stat.st_ctime_nsec as i64,
        inode: stat.st_ino,
        device: stat.st_dev,
    })
}
