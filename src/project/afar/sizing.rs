//! How long parts of a run on a cluster are to be: by what frames took before, and by what the cluster takes.
//!
//! Knows the ledger's rows of renders and the declaration's limits. Cuts nothing itself.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::time::Duration;

use crate::base::frames::FrameSet;
use crate::declare::slurm::Slurm;
use crate::execute::slurm::Bounds;
use crate::graph::{Graph, NodeId};
use crate::ledger::row::{Entry, Outcome, What};
use crate::plan::parts::{self, Parts, Sizes};
use crate::store::{Store, StoreError, file, write_own};

/// What a task's start may be of its work: one part in so many.
const SHARE: f64 = 20.0;
/// Work of a part where starts are short, in seconds of one processor.
const SHORT: f64 = 60.0;
/// Most parts in an array, so that what depends on it does not wait for long, and shots come to their end one after the other.
const ARRAY: usize = 250;
/// The share of what the controller knows at one time that a run may take.
const ROOM: f64 = 0.9;
/// How much longer parts get where there would be too many.
const LONGER: f64 = 1.25;
/// What a frame of a stage is said to take of which none was ever rendered.
pub const GUESS: Duration = Duration::from_secs(1);
/// The share of the time limit that a part is planned to need.
const SPARE_TIME: f64 = 0.5;
/// Seconds that a task is said to need for its start where none was measured.
pub(super) const STARTUP: f64 = 2.0;
/// The longest start in seconds that is believed (common practice, no source): one of a damaged record would make all parts one.
pub(super) const LONGEST_START: f64 = 3600.0;

/// Frames whose times count, the latest ones: what a stage is now, it was not always.
const LATEST: f64 = 48.0;
/// How much longer frames are said to take after a time limit that was too short for them, and how often that is said over.
const SLOWER: f64 = 2.0;
const SLOWEST: f64 = 64.0;

/// Seconds a frame of the latest renders, each with its number of frames, the last one first.
#[derive(Default)]
struct Latest(Vec<(f64, f64)>, f64);

impl Latest {
    fn take(&mut self, seconds: f64, frames: f64) {
        if self.1 < LATEST && frames > 0.0 {
            self.0.push((seconds / frames, frames));
            self.1 += frames;
        }
    }

    /// What a frame takes: the mean, or the middle one where that is more, so that neither a slow frame nor many quick ones make
    /// parts too long.
    fn cost(&self) -> Option<f64> {
        let mut all = self.0.clone();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut below = 0.0;
        let middle = all.iter().find(|(_, frames)| {
            below += frames;
            below * 2.0 >= self.1
        })?;
        let mean = all.iter().map(|(seconds, frames)| seconds * frames).sum::<f64>() / self.1;
        Some(mean.max(middle.0))
    }
}

/// Seconds that a frame of each node takes by the latest rows of the ledger, which come in order: of its shot and stage, else of the
/// stage in other shots; longer where a time limit was too short, as `slower` says by shot and stage.
pub(super) fn costs(graph: &Graph, rows: &[Entry], slower: &BTreeMap<(String, String), f64>) -> Vec<f64> {
    let mut own: HashMap<(&str, &str), Latest> = HashMap::new();
    let mut like: HashMap<&str, Latest> = HashMap::new();
    for row in rows.iter().rev().map(|entry| &entry.row) {
        let What::Render(render) = &row.what else { continue };
        if render.outcome != Outcome::Done {
            continue;
        }
        // Several processors at one frame are not several frames at a time.
        let (seconds, frames) = (render.wall.max(render.cpu).as_secs_f64(), row.frames.len() as f64);
        own.entry((&row.shot, &row.stage)).or_default().take(seconds, frames);
        like.entry(&row.stage).or_default().take(seconds, frames);
    }
    let cost = |node: &crate::graph::Node| {
        let latest = own.get(&(&*node.shot, &*node.stage)).or_else(|| like.get(&*node.stage));
        let known = latest.and_then(Latest::cost).map_or(GUESS.as_secs_f64(), |cost| cost.max(1e-4));
        known * slower.get(&(node.shot.to_string(), node.stage.to_string())).unwrap_or(&1.0)
    };
    graph.nodes.iter().map(cost).collect()
}

/// Whether the time of a frame is measured, by node: a frame of the stage was rendered before, in its shot or in another one.
pub(super) fn measured(graph: &Graph, rows: &[Entry]) -> Vec<bool> {
    let is_render =
        |entry: &&Entry| matches!(&entry.row.what, What::Render(render) if render.outcome == Outcome::Done);
    let stages: HashSet<&str> = rows.iter().filter(is_render).map(|entry| &*entry.row.stage).collect();
    graph.nodes.iter().map(|node| stages.contains(&*node.stage)).collect()
}

/// How stages, by shot and name, fared with the time limit of their tasks.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pace {
    /// Of parts whose time was up.
    pub late: BTreeSet<(String, String)>,
    /// Of parts that all ended well.
    pub well: BTreeSet<(String, String)>,
}

impl Pace {
    /// What another run shows besides.
    pub fn add(&mut self, other: Pace) {
        self.late.extend(other.late);
        self.well.extend(other.well);
        self.well.retain(|stage| !self.late.contains(stage));
    }
}

/// How much longer frames are said to take than measured, by shot and stage.
pub(super) fn slower(store: &Store) -> BTreeMap<(String, String), f64> {
    let kept = file::read(&pace_file(store)).ok().flatten().unwrap_or_default();
    let all: Vec<(String, String, f64)> = serde_json::from_slice(&kept).unwrap_or_default();
    let is_sound = |factor: &f64| (1.0..=SLOWEST).contains(factor);
    all.into_iter().filter(|(.., f)| is_sound(f)).map(|(shot, stage, f)| ((shot, stage), f)).collect()
}

/// Keeps that frames of some stages take longer, and of others do not any more.
pub(super) fn keep(store: &Store, pace: &Pace) -> Result<(), StoreError> {
    let before = slower(store);
    let mut now = before.clone();
    now.retain(|stage, _| !pace.well.contains(stage));
    for stage in &pace.late {
        let factor = now.entry(stage.clone()).or_insert(1.0);
        *factor = (*factor * SLOWER).min(SLOWEST);
    }
    if now == before {
        return Ok(());
    }
    let all: Vec<(String, String, f64)> =
        now.into_iter().map(|((shot, stage), factor)| (shot, stage, factor)).collect();
    write_own(&pace_file(store), &serde_json::to_vec(&all).expect("plain values"))
}

fn pace_file(store: &Store) -> std::path::PathBuf {
    store.path("slurm").join("pace")
}

/// Parts `due` for a cluster, so that there are not more than it takes; `cost` is what a frame of a node takes, in seconds of one
/// processor, and `startup` what a task needs before its first frame.
pub fn within(
    graph: &Graph,
    due: &BTreeMap<NodeId, FrameSet>,
    cost: &dyn Fn(NodeId) -> f64,
    slurm: &Slurm,
    bounds: Bounds,
    startup: f64,
) -> Parts {
    let total = due.iter().map(|(id, frames)| cost(*id) * frames.len() as f64).sum();
    let mut sizes = sizes(slurm, bounds, startup, total);
    loop {
        let parts = parts::split(graph, due, cost, &sizes);
        let is_most = limit(slurm).is_some_and(|limit| sizes.seconds >= limit) || sizes.seconds >= total;
        if is_most || parts.parts.len() as f64 <= bounds.jobs as f64 * ROOM {
            return parts;
        }
        sizes.seconds = limit(slurm).map_or(f64::MAX, |limit| limit).min(sizes.seconds * LONGER);
        sizes.least *= LONGER;
    }
}

/// Work of a part at most, by the time limit, in seconds of one processor.
fn limit(slurm: &Slurm) -> Option<f64> {
    slurm.time.map(|time| time.as_secs_f64() * SPARE_TIME * f64::from(slurm.processors.unwrap_or(1)))
}

/// How large parts are to be, for work of `total` seconds.
fn sizes(slurm: &Slurm, bounds: Bounds, startup: f64, total: f64) -> Sizes {
    let processors = f64::from(slurm.processors.unwrap_or(1));
    // Half of what the controller knows at one time, so that others have room.
    let fewest = total / (bounds.jobs as f64 / 2.0).max(1.0);
    let least = (startup * SHARE * processors).max(SHORT).min(limit(slurm).unwrap_or(f64::MAX));
    let seconds = least.max(fewest).min(limit(slurm).unwrap_or(f64::MAX));
    let frames = slurm.frames.map_or(usize::MAX, |frames| frames as usize);
    Sizes { seconds, least, frames, array: ARRAY.min(bounds.array.saturating_sub(1)).max(1) }
}

/// Keeps how long tasks took to start, so that the next run's are long enough.
pub(super) fn measure(store: &Store, startups: &[f64]) -> Result<(), StoreError> {
    if startups.is_empty() {
        return Ok(());
    }
    let mean = startups.iter().sum::<f64>() / startups.len() as f64;
    write_own(&store.path("slurm").join("startup"), format!("{mean:.3}\n").as_bytes())
}

/// Seconds that tasks took to start, as last measured.
pub(super) fn startup(store: &Store) -> f64 {
    let kept = file::read(&store.path("slurm").join("startup")).ok().flatten();
    let number = kept.and_then(|bytes| String::from_utf8(bytes).ok()?.trim().parse().ok());
    number.and_then(|n| within_seconds(n, LONGEST_START)).unwrap_or(STARTUP)
}

/// A number of seconds, where it is one that can be: a damaged or lying record may have any.
pub(super) fn within_seconds(seconds: f64, most: f64) -> Option<f64> {
    (0.0..=most).contains(&seconds).then_some(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_stage_takes_now_counts_and_not_what_it_took_long_ago() {
        let mut latest = Latest::default();
        // The last one comes first: slow ones, after many that were quick.
        (0..50).for_each(|_| latest.take(8.0, 1.0));
        (0..500).for_each(|_| latest.take(0.1, 1.0));
        assert_eq!(latest.cost(), Some(8.0));
        // One in ten is very slow: the mean is more than the middle one. Most are slow: the middle one is more than the mean.
        let of = |all: &[f64]| {
            let mut latest = Latest::default();
            all.iter().for_each(|seconds| latest.take(*seconds, 1.0));
            latest.cost().unwrap()
        };
        assert!((of(&[1.0, 1.0, 1.0, 41.0]) - 11.0).abs() < 1e-9);
        assert!((of(&[0.0, 10.0, 10.0]) - 10.0).abs() < 1e-9);
        assert_eq!(Latest::default().cost(), None);
    }

    #[test]
    fn after_a_time_limit_parts_are_shorter_until_one_ends_well() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        std::fs::create_dir_all(store.path("slurm")).unwrap();
        let stage = |name: &str| ("br010".to_string(), name.to_string());
        let late = Pace { late: [stage("slow")].into(), well: [stage("colour")].into() };
        keep(&store, &late).unwrap();
        keep(&store, &late).unwrap();
        assert_eq!(slower(&store), BTreeMap::from([(stage("slow"), 4.0)]));
        (0..9).for_each(|_| keep(&store, &late).unwrap());
        assert_eq!(slower(&store)[&stage("slow")], SLOWEST);
        keep(&store, &Pace { late: BTreeSet::new(), well: [stage("slow")].into() }).unwrap();
        assert!(slower(&store).is_empty());
        std::fs::write(pace_file(&store), "[[\"a\", \"b\", 1e999").unwrap();
        assert!(slower(&store).is_empty());
    }
}
