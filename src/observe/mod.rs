//! Looks at source files: stat first, bytes only where the stat does not vouch for them.
//!
//! Knows the disk and the facts of earlier runs. Does not know what depends on a file.

pub mod faults;
mod stats;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

pub use self::stats::{Foreseen, foresee, stat, stat_folder};
use self::stats::{Found, stats};
use crate::base::digest::Digest;
use crate::declare::film::Media;
use crate::graph::Source;
use crate::media::sound::{self, SoundFormat, wave};
use crate::media::{self, Format};
use crate::stale::SourceState;
use crate::store::facts::{self, Fact, Facts, Stat};

/// What was seen of one source.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// For each run of wanted frames its first one, and an entry a frame.
    runs: Vec<(i64, Vec<Sight>)>,
    /// A movie's stat, for as long as which its digests hold.
    pub movie: Option<Stat>,
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
        let (first, files) = self.runs.get(self.run(frame)?)?;
        files.get((frame - first) as usize)
    }

    /// Every wanted frame with what was seen of it.
    pub fn iter(&self) -> impl Iterator<Item = (i64, &Sight)> {
        self.runs.iter().flat_map(|(first, files)| (*first..).zip(files))
    }

    fn run(&self, frame: i64) -> Option<usize> {
        self.runs.partition_point(|(first, _)| *first <= frame).checked_sub(1)
    }

    fn set(&mut self, frame: i64, sight: Sight) {
        if let Some(run) = self.run(frame)
            && let (first, files) = &mut self.runs[run]
            && let Some(place) = files.get_mut((frame - *first) as usize)
        {
            *place = sight;
        }
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
    foreseen: &Foreseen,
    closeness: Closeness,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Vec<Seen> {
    let now = now_nanoseconds();
    let looked: Vec<(Seen, Vec<i64>)> = sources
        .par_iter()
        .map(|source| glance(project, source, frame_size, facts, foreseen, closeness))
        .collect();
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
            let source = &sources[index];
            let fact = read(&path(project, source, frame), source.media.is_heard(), now);
            progress(done.fetch_add(1, Ordering::Relaxed) + 1, files.len());
            ((index, frame), fact)
        })
        .collect();
    for (index, frame) in to_read {
        let source = &sources[index];
        let at = fact_frame(source, frame);
        if let Some(Some(fact)) = read.get(&(index, at)) {
            let files = match &source.media {
                Media::Files(files) => files.value.to_string(),
                Media::Movie { .. } | Media::Sound(_) => String::new(),
            };
            facts.put(&source.name, &files, at, *fact);
            all[index].movie = movie_stat(source, fact);
            all[index].set(frame, sight_of(source, frame, fact, frame_size));
        }
    }
    all
}

/// Looks at the stats of one source. Gives what is known from them, and the frames whose file must be read.
fn glance(
    project: &Path,
    source: &Source,
    frame_size: (u32, u32),
    known: &Facts,
    foreseen: &Foreseen,
    closeness: Closeness,
) -> (Seen, Vec<i64>) {
    let known = known.of(&source.name).map(|known| known.facts.as_slice());
    let mut movie = None;
    let mut unknown = Vec::new();
    let mut sight = |frame: i64, found: Found| {
        // What the system refuses to show is there for all that is known; the reason is told by `faults`.
        let Ok(stat) = found else { return Sight { state: SourceState::Unfit, size: (0, 0) } };
        let fact = known
            .and_then(|facts| facts::known(facts, fact_frame(source, frame)))
            .filter(|f| f.trusted && Some(f.stat) == stat);
        match (stat, fact) {
            (None, _) => Sight { state: SourceState::Missing, size: (0, 0) },
            (Some(_), Some(fact)) if closeness == Closeness::Stat => {
                movie = movie_stat(source, fact);
                sight_of(source, frame, fact, frame_size)
            }
            (Some(_), _) => {
                unknown.push(frame);
                Sight { state: SourceState::Unfit, size: (0, 0) }
            }
        }
    };
    let mut seen = Seen::default();
    for &run in source.wanted.runs() {
        let stats = stats(project, source, run, foreseen);
        seen.runs.push((run.first, run.iter().zip(stats).map(|(n, stat)| sight(n, stat)).collect()));
    }
    seen.movie = movie;
    (seen, unknown)
}

/// The frame under which a file's fact is kept: a movie is one file.
fn fact_frame(source: &Source, frame: i64) -> i64 {
    match &source.media {
        Media::Files(_) | Media::Sound(_) => frame,
        Media::Movie { first, .. } => *first,
    }
}

fn movie_stat(source: &Source, fact: &Fact) -> Option<Stat> {
    matches!(source.media, Media::Movie { .. }).then_some(fact.stat)
}

fn sight_of(source: &Source, frame: i64, fact: &Fact, frame_size: (u32, u32)) -> Sight {
    match &source.media {
        Media::Files(_) => {
            let fits = fact.size == frame_size;
            let state = if fits { SourceState::Known(fact.digest) } else { SourceState::Unfit };
            Sight { state, size: fact.size }
        }
        // Of sound, the size is its rate and channels.
        Media::Sound(_) => {
            let fits = fact.size.0 > 0;
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
        Media::Movie { path, .. } | Media::Sound(path) => project.join(&path.value),
    }
}

/// Digest of a regular file of any size, read piece by piece; nothing for anything else.
pub fn digest(path: &Path) -> std::io::Result<Option<Digest>> {
    // Whatever cannot be a file's name, such as one with a zero byte, names none.
    if !std::fs::metadata(path).is_ok_and(|found| found.is_file()) {
        return Ok(None);
    }
    streamed(std::fs::File::open(path)?).map(Some)
}

fn streamed(file: std::fs::File) -> std::io::Result<Digest> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(file)?;
    Ok(Digest(*hasher.finalize().as_bytes()))
}

/// The time now, in nanoseconds, for [`Stat::is_quiet`].
pub fn now_nanoseconds() -> i64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Realtime);
    now.tv_sec * 1_000_000_000 + now.tv_nsec
}

/// Reads one file, with its stat before and after, so that a file that changes while it is read is not believed.
fn read(path: &Path, is_heard: bool, now: i64) -> Option<Fact> {
    for _ in 0..3 {
        let before = stat(path)?;
        let (digest, size) = contents(path, is_heard, before.size).ok()?;
        let after = stat(path)?;
        if before == after {
            return Some(Fact { stat: after, trusted: after.is_quiet(now), digest, size });
        }
    }
    None
}

/// Pictures up to this many bytes are read whole; anything else is digested as it streams by.
const WHOLE: u64 = 1 << 30;

/// The digest of a file's bytes and, of a picture, its width and height, of sound its rate and channels; 0 when it cannot be read as one. Files are
/// read, not mapped: one that is cut short while it is mapped would end the process.
fn contents(path: &Path, is_heard: bool, size: u64) -> std::io::Result<(Digest, (u32, u32))> {
    use std::io::{Read, Seek};
    let mut file = std::fs::File::open(path)?;
    if is_heard {
        let outline = sound::outline(file.try_clone()?).ok().filter(|outline| {
            // A file that is cut short is told of before a mix needs its end.
            outline.format != SoundFormat::Wave || wave::is_whole(&file)
        });
        file.rewind()?;
        let size = outline.map_or((0, 0), |outline| (outline.rate, outline.channels as u32));
        file.rewind()?;
        return Ok((streamed(file)?, size));
    }
    let Some(format) = Format::of_path(&path.to_string_lossy()).filter(|_| size <= WHOLE) else {
        return Ok((streamed(file)?, (0, 0)));
    };
    thread_local! {
        static BYTES: std::cell::RefCell<Vec<u8>> = const { std::cell::RefCell::new(Vec::new()) };
    }
    BYTES.with_borrow_mut(|bytes| {
        bytes.clear();
        file.read_to_end(bytes)?;
        let size = media::probe(format, bytes).map_or((0, 0), |outline| (outline.width, outline.height));
        let digest = Digest::of(bytes);
        bytes.shrink_to(64 << 20);
        Ok((digest, size))
    })
}
