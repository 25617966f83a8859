//! Looks at source files: stat first, bytes only where the stat does not vouch for them.
//!
//! Knows the disk and the facts of earlier runs. Does not know what depends on a file.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use crate::base::digest::Digest;
use crate::base::frames::FrameRange;
use crate::declare::film::Media;
use crate::graph::Source;
use crate::media::{self, Format};
use crate::stale::SourceState;
use crate::store::facts::{Fact, Facts, Stat};

/// What was seen of one source.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// Frame of the first entry.
    pub first: i64,
    /// An entry a frame.
    pub files: Vec<Sight>,
}

/// What was seen of one frame's file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sight {
    /// Its digest, or that it is missing or unfit.
    pub state: SourceState,
    /// Width and height, 0 when unknown.
    pub size: (u32, u32),
}

impl Seen {
    /// What was seen of a frame.
    pub fn get(&self, frame: i64) -> Option<&Sight> {
        self.files.get(usize::try_from(frame - self.first).ok()?)
    }
}

/// How closely to look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Closeness {
    /// Trust equal stats.
    Stat,
    /// Read every file again.
    Thorough,
}

/// Looks at all sources. New facts go into `facts`. `progress` is told how many files were read of how many.
pub fn look(
    project: &Path,
    sources: &[Source],
    frame_size: (u32, u32),
    facts: &mut Facts,
    closeness: Closeness,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Vec<Seen> {
    let now = now_nanoseconds();
    let looked: Vec<(Seen, Vec<i64>)> =
        sources.par_iter().map(|source| glance(project, source, frame_size, facts, closeness)).collect();
    let mut all = Vec::with_capacity(sources.len());
    let mut to_read = Vec::new();
    for (index, (seen, unknown)) in looked.into_iter().enumerate() {
        all.push(seen);
        to_read.extend(unknown.into_iter().map(|frame| (index, frame)));
    }
    let mut files: Vec<(usize, i64)> =
        to_read.iter().map(|&(index, frame)| (index, fact_frame(&sources[index], frame))).collect();
    files.sort_unstable();
    files.dedup();
    let done = AtomicUsize::new(0);
    let read: HashMap<(usize, i64), Option<Fact>> = files
        .par_iter()
        .map(|&(index, frame)| {
            let fact = read(&path(project, &sources[index], frame), now);
            progress(done.fetch_add(1, Ordering::Relaxed) + 1, files.len());
            ((index, frame), fact)
        })
        .collect();
    for (index, frame) in to_read {
        let source = &sources[index];
        let at = fact_frame(source, frame);
        let seen = &mut all[index];
        let slot = (frame - seen.first) as usize;
        if let Some(Some(fact)) = read.get(&(index, at)) {
            facts.put(&source.name, at, *fact);
            seen.files[slot] = sight_of(source, frame, fact, frame_size);
        }
    }
    all
}

/// Looks at the stats of one source. Gives what is known from them, and the frames whose file must be read.
fn glance(
    project: &Path,
    source: &Source,
    frame_size: (u32, u32),
    facts: &Facts,
    closeness: Closeness,
) -> (Seen, Vec<i64>) {
    let known = facts.of(&source.name);
    let stats = stats(project, source);
    let mut seen = Seen { first: source.wanted.first, files: Vec::with_capacity(stats.len()) };
    let mut unknown = Vec::new();
    for (frame, stat) in source.wanted.iter().zip(stats) {
        let fact = known
            .and_then(|k| k.get(&fact_frame(source, frame)))
            .filter(|f| f.trusted && Some(f.stat) == stat);
        let sight = match (stat, fact) {
            (None, _) => Sight { state: SourceState::Missing, size: (0, 0) },
            (Some(_), Some(fact)) if closeness == Closeness::Stat => {
                sight_of(source, frame, fact, frame_size)
            }
            (Some(_), _) => {
                unknown.push(frame);
                Sight { state: SourceState::Unfit, size: (0, 0) }
            }
        };
        seen.files.push(sight);
    }
    (seen, unknown)
}

/// The frame under which a file's fact is kept: a movie is one file.
fn fact_frame(source: &Source, frame: i64) -> i64 {
    match &source.media {
        Media::Files(_) => frame,
        Media::Movie { first, .. } => *first,
    }
}

fn sight_of(source: &Source, frame: i64, fact: &Fact, frame_size: (u32, u32)) -> Sight {
    match &source.media {
        Media::Files(_) => {
            let fits = fact.size == frame_size;
            let state = if fits { SourceState::Known(fact.digest) } else { SourceState::Unfit };
            Sight { state, size: fact.size }
        }
        Media::Movie { first, .. } => {
            // Every picture of a movie has its own digest: of the file and its place in it.
            let mut hasher = crate::base::digest::KeyHasher::new();
            hasher.text("movie frame").digest(&fact.digest).int(frame - first);
            Sight { state: SourceState::Known(hasher.finish()), size: frame_size }
        }
    }
}

/// The path of a frame's file.
pub fn path(project: &Path, source: &Source, frame: i64) -> PathBuf {
    match &source.media {
        Media::Files(at) => project.join(at.value.path(frame)),
        Media::Movie { path, .. } => project.join(&path.value),
    }
}

fn stats(project: &Path, source: &Source) -> Vec<Option<Stat>> {
    match &source.media {
        Media::Files(_) => {
            let frames: Vec<i64> = source.wanted.iter().collect();
            frames.par_iter().with_min_len(64).map(|&frame| stat(&path(project, source, frame))).collect()
        }
        Media::Movie { .. } => {
            let one = stat(&path(project, source, source.wanted.first));
            vec![one; source.wanted.len()]
        }
    }
}

/// The stat of a regular file, links followed; nothing for anything else.
pub fn stat(path: &Path) -> Option<Stat> {
    let stat = rustix::fs::stat(path).ok()?;
    if rustix::fs::FileType::from_raw_mode(stat.st_mode) != rustix::fs::FileType::RegularFile {
        return None;
    }
    Some(Stat {
        size: stat.st_size as u64,
        modified: stat.st_mtime * 1_000_000_000 + stat.st_mtime_nsec as i64,
        changed: stat.st_ctime * 1_000_000_000 + stat.st_ctime_nsec as i64,
        inode: stat.st_ino,
        device: stat.st_dev,
    })
}

fn now_nanoseconds() -> i64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Realtime);
    now.tv_sec * 1_000_000_000 + now.tv_nsec
}

/// Reads one file, with its stat before and after, so that a file that changes while it is read is not believed.
fn read(path: &Path, now: i64) -> Option<Fact> {
    for _ in 0..3 {
        let before = stat(path)?;
        let mut hasher = blake3::Hasher::new();
        hasher.update_mmap(path).ok()?;
        let digest = Digest(*hasher.finalize().as_bytes());
        let size = outline(path);
        let after = stat(path)?;
        if before == after {
            return Some(Fact { stat: after, trusted: after.is_quiet(now), digest, size });
        }
    }
    None
}

/// Width and height from a file's head; 0 when it is not a picture that can be read.
fn outline(path: &Path) -> (u32, u32) {
    let probe = || {
        let format = Format::of_path(&path.to_string_lossy())?;
        let mut head = Vec::new();
        use std::io::Read;
        std::fs::File::open(path).ok()?.take(1 << 20).read_to_end(&mut head).ok()?;
        let outline = media::probe(format, &head).ok()?;
        Some((outline.width, outline.height))
    };
    probe().unwrap_or((0, 0))
}

/// Problems of sources in words, frames gathered into runs: what is missing, unfit or of another size.
pub fn faults(
    sources: &[Source],
    seen: &[Seen],
    frame_size: (u32, u32),
) -> Vec<crate::base::problem::Problem> {
    use crate::base::frames::FrameSet;
    use crate::base::problem::Problem;
    let mut problems = Vec::new();
    for (source, seen) in sources.iter().zip(seen) {
        let mut missing = FrameSet::new();
        let mut unfit: HashMap<(u32, u32), FrameSet> = HashMap::new();
        for (frame, sight) in (seen.first..).zip(&seen.files) {
            match sight.state {
                SourceState::Known(_) => {}
                SourceState::Missing if source.by_hand => {}
                SourceState::Missing => missing.insert(frame),
                SourceState::Unfit => unfit.entry(sight.size).or_default().insert(frame),
            }
        }
        let what = if source.by_hand { "hand stage" } else { "plate" };
        if !missing.is_empty() {
            let range: FrameRange = source.wanted;
            let problem =
                Problem::error(source.span, format!("{what} {}: frames {missing} are missing", source.name));
            problems.push(problem.help(format!(
                "frames {range} are needed; the first is looked for at {}",
                first_path(source, &missing)
            )));
        }
        let mut unfit: Vec<_> = unfit.into_iter().collect();
        unfit.sort_by_key(|(size, _)| *size);
        for ((width, height), frames) in unfit {
            let problem = if width == 0 {
                Problem::error(
                    source.span,
                    format!("{what} {}: frames {frames} cannot be read as pictures", source.name),
                )
                .help("EXR, PNG, TIFF, JPEG and DPX are read")
            } else {
                let message = format!("{what} {}: frames {frames} are {width}x{height}", source.name);
                Problem::error(source.span, message)
                    .help(format!("the film's frame_size is {}x{}", frame_size.0, frame_size.1))
            };
            problems.push(problem);
        }
    }
    problems
}

fn first_path(source: &Source, frames: &crate::base::frames::FrameSet) -> String {
    match (&source.media, frames.iter().next()) {
        (Media::Files(at), Some(frame)) => at.value.path(frame),
        (Media::Movie { path, .. }, _) => path.value.clone(),
        _ => String::new(),
    }
}
