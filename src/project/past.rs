//! What the ledger tells of frames: why they were rendered, why they failed, who keeps them.
//!
//! Knows the rows of renders and holds, how logs of commands are named, and whose rows are of this working copy. Decides nothing.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock};

use jiff::tz::TimeZone;

use crate::base::frames::{FrameRange, FrameSet};
use crate::crew::packets::Packet;
use crate::graph::{Graph, Node, NodeId, Work};
use crate::ledger::row::{Entry, Outcome, Render, Row, What};
use crate::report::words;
use crate::store::{self, file};

/// The render rows of the stages that are asked for.
pub struct Past<'a> {
    folder: &'a Path,
    graph: &'a Graph,
    entries: &'a [Entry],
    rows: Mutex<HashMap<NodeId, Vec<(&'a Entry, &'a Render)>>>,
    /// Who wrote rows from this working copy, once it is asked for.
    here: OnceLock<Here>,
}

impl<'a> Past<'a> {
    /// Of the film in this folder, by the rows of its ledger in order.
    pub fn new(folder: &'a Path, graph: &'a Graph, entries: &'a [Entry]) -> Self {
        Self { folder, graph, entries, rows: Mutex::default(), here: OnceLock::new() }
    }

    /// The last render row of a frame that `fits`.
    fn last<T>(
        &self,
        id: NodeId,
        frame: i64,
        fits: impl Fn(&'a Entry, &'a Render) -> Option<T>,
    ) -> Option<T> {
        let node = &self.graph.nodes[id];
        let mut all = self.rows.lock().expect("no thread panics with it");
        let rows = all.entry(id).or_insert_with(|| {
            let of_node = |row: &Row| row.shot == node.shot && row.stage == node.stage;
            let entries = self.entries.iter().filter(|entry| of_node(&entry.row));
            let render = |entry: &'a Entry| match &entry.row.what {
                What::Render(render) => Some((entry, render)),
                _ => None,
            };
            entries.filter_map(render).collect()
        });
        rows.iter()
            .rev()
            .filter(|(entry, _)| entry.row.frames.contains(frame))
            .find_map(|(entry, render)| fits(entry, render))
    }

    /// What made the last render of a frame necessary.
    pub fn cause(&self, id: NodeId, frame: i64) -> Option<Arc<str>> {
        self.last(id, frame, |_, render| (render.outcome == Outcome::Done).then(|| Arc::clone(&render.cause)))
    }

    /// Why the last failed attempt at a frame failed, and the log of it.
    pub fn failure(&self, id: NodeId, frame: i64) -> Option<(Arc<str>, Option<String>)> {
        let reason = self.last(id, frame, |_, render| match &render.outcome {
            Outcome::Failed(reason) => Some(Arc::clone(reason)),
            Outcome::Done => None,
        })?;
        Some((reason, self.log(&self.graph.nodes[id], frame)))
    }

    /// When and where the last attempt at a frame was, why it failed, and the log of it if that lies here, in words; nothing where it
    /// did not fail.
    pub fn last_attempt(&self, id: NodeId, frame: i64) -> Option<String> {
        let failed = |entry: &'a Entry, render: &'a Render| match &render.outcome {
            Outcome::Failed(reason) => Some(Some((entry, &render.machine, reason))),
            Outcome::Done => Some(None),
        };
        let (entry, machine, reason) = self.last(id, frame, failed)??;
        let when = words::clock(entry.row.when, &TimeZone::system());
        // Another copy's log lies there: one of its name that is here tells of another attempt.
        let here = self.here.get_or_init(|| Here::of(self.folder));
        let log = here.wrote(entry).then(|| self.log(&self.graph.nodes[id], frame)).flatten();
        let log = log.map_or(String::new(), |log| format!("; its log is {log}"));
        Some(format!("the last attempt, {when} on {machine}, failed: {reason}{log}"))
    }

    /// Frames of these rows whose last attempt in this working copy failed, by shot and stage.
    pub fn failed_last<'e>(entries: &'e [Entry], here: &Here) -> BTreeMap<(&'e str, &'e str), FrameSet> {
        let renders = entries.iter().rev().filter(|entry| here.wrote(entry)).filter_map(|entry| {
            let row = &entry.row;
            let What::Render(render) = &row.what else { return None };
            Some(((&*row.shot, &*row.stage), &row.frames, render))
        });
        let is_failed = |render: &Render| render.outcome != Outcome::Done;
        // Most stages never failed, so that their rows need not be gone through frame by frame.
        let failed: HashSet<_> =
            renders.clone().filter(|(.., render)| is_failed(render)).map(|(name, ..)| name).collect();
        let mut tried: HashMap<_, FrameSet> = HashMap::new();
        let mut last: BTreeMap<_, FrameSet> = BTreeMap::new();
        for (name, frames, render) in renders.filter(|(name, ..)| failed.contains(name)) {
            let later = tried.entry(name).or_default();
            if is_failed(render) {
                last.entry(name).or_default().insert_all(&frames.without(later));
            }
            later.insert_all(frames);
        }
        last
    }

    /// Logs of the calls that made a frame, its own or those of runs of frames, below the film's folder.
    fn log(&self, node: &Node, frame: i64) -> Option<String> {
        let mut logs: Vec<String> =
            self.logs(node, frame).into_iter().map(|name| format!("{LOGS}/{name}")).collect();
        logs.sort();
        (!logs.is_empty()).then(|| logs.join(" or "))
    }

    /// The log of the last call for a frame.
    pub fn latest_log(&self, node: &Node, frame: i64) -> Option<PathBuf> {
        let paths = self.logs(node, frame).into_iter().map(|name| self.folder.join(LOGS).join(name));
        paths.max_by_key(|path| std::fs::metadata(path).and_then(|meta| meta.modified()).ok())
    }

    /// Names of the logs of the calls for a frame that say anything: one is there before its program starts, if it ever does.
    fn logs(&self, node: &Node, frame: i64) -> Vec<String> {
        if !matches!(node.work, Work::Command(_)) {
            return Vec::new();
        }
        let start = format!("{}.{}.", node.shot, node.stage);
        let covers = |name: &str| {
            let frames = name.strip_prefix(&start).and_then(|rest| rest.strip_suffix(".log"));
            frames.and_then(|f| f.parse::<FrameRange>().ok()).is_some_and(|range| range.contains(frame))
        };
        let entries = std::fs::read_dir(self.folder.join(LOGS)).into_iter().flatten().flatten();
        let named = entries.filter_map(|entry| Some((entry.file_name().into_string().ok()?, entry)));
        let of_frame = named.filter(|(name, _)| covers(name));
        let says = |entry: &std::fs::DirEntry| entry.metadata().is_ok_and(|meta| meta.len() > 0);
        of_frame.filter(|(_, entry)| says(entry)).map(|(name, _)| name).collect()
    }
}

/// Whose rows tell what was done in this working copy: of everybody who rendered in it or took in what its tasks on a cluster made.
/// Rows that came by a merge are of other copies, whatever machine they name; of two copies under one writer's name nothing
/// tells them apart.
#[derive(Debug, Default)]
pub struct Here(HashSet<String>);

/// Where their names lie, one a line.
const WRITERS: &str = ".endboard/writers";

impl Here {
    /// Of the film in this folder.
    pub fn of(folder: &Path) -> Self {
        let bytes = file::read(&folder.join(WRITERS)).ok().flatten().unwrap_or_default();
        Self(String::from_utf8_lossy(&bytes).lines().map(String::from).collect())
    }

    /// Whether a row was written here.
    pub fn wrote(&self, entry: &Entry) -> bool {
        self.0.contains(&*entry.writer)
    }

    /// From now on rows of this writer are of here. Where that cannot be kept, less is told, and nothing is rendered otherwise.
    pub fn add(folder: &Path, writer: &str) {
        let Self(mut all) = Self::of(folder);
        if all.insert(writer.into()) {
            let mut lines: Vec<String> = all.into_iter().map(|name| name + "\n").collect();
            lines.sort();
            let _ = store::write_own(&folder.join(WRITERS), lines.concat().as_bytes());
        }
    }
}

/// Where logs of commands lie.
pub const LOGS: &str = ".endboard/logs";

/// Who keeps renders, since when and why, in words.
pub fn kept(entry: &Entry) -> String {
    let since = words::clock(entry.row.when, &TimeZone::system());
    let note = match &entry.row.what {
        What::Hold { note, .. } if !note.is_empty() => format!(" ({note})"),
        _ => String::new(),
    };
    format!("by {} since {since}{note}", entry.row.by)
}

/// Who has a packet, since when and until when, in words.
pub fn with_whom(packet: &Packet) -> String {
    let due = packet.due.map_or(String::new(), |day| format!(", due {day}"));
    let since = words::day(packet.since, &TimeZone::system());
    format!("{} has had it since {since}{due}, packet {}", packet.person, packet.name)
}
