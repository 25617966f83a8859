//! What the ledger tells of frames: why they were rendered, why they failed, who keeps them.
//!
//! Knows the rows of renders and holds, and how logs of commands are named. Decides nothing.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use jiff::tz::TimeZone;

use crate::base::frames::{FrameRange, FrameSet};
use crate::crew::packets::Packet;
use crate::graph::{Graph, Node, NodeId, Work};
use crate::ledger::row::{Entry, Outcome, Render, Row, What};
use crate::report::words;

/// The render rows of the stages that are asked for.
pub struct Past<'a> {
    folder: &'a Path,
    graph: &'a Graph,
    entries: &'a [Entry],
    rows: Mutex<HashMap<NodeId, Vec<(&'a Row, &'a Render)>>>,
}

impl<'a> Past<'a> {
    /// Of the film in this folder, by the rows of its ledger in order.
    pub fn new(folder: &'a Path, graph: &'a Graph, entries: &'a [Entry]) -> Self {
        Self { folder, graph, entries, rows: Mutex::default() }
    }

    /// The last render row of a frame that `fits`.
    fn last<T>(&self, id: NodeId, frame: i64, fits: impl Fn(&'a Row, &'a Render) -> Option<T>) -> Option<T> {
        let node = &self.graph.nodes[id];
        let mut all = self.rows.lock().expect("no thread panics with it");
        let rows = all.entry(id).or_insert_with(|| {
            let of_node = |row: &&Row| row.shot == node.shot && row.stage == node.stage;
            let rows = self.entries.iter().map(|entry| &entry.row).filter(of_node);
            rows.filter_map(
                |row| if let What::Render(render) = &row.what { Some((row, render)) } else { None },
            )
            .collect()
        });
        rows.iter()
            .rev()
            .filter(|(row, _)| row.frames.contains(frame))
            .find_map(|(row, render)| fits(row, render))
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

    /// When and where the last attempt at a frame was, why it failed, and the log of it, in words; nothing where it did not fail.
    pub fn last_attempt(&self, id: NodeId, frame: i64) -> Option<String> {
        let failed = |row: &'a Row, render: &'a Render| match &render.outcome {
            Outcome::Failed(reason) => Some(Some((row.when, &render.machine, reason))),
            Outcome::Done => Some(None),
        };
        let (when, machine, reason) = self.last(id, frame, failed)??;
        let when = words::clock(when, &TimeZone::system());
        let log = self.log(&self.graph.nodes[id], frame);
        let log = log.map_or(String::new(), |log| format!("; its log is {log}"));
        Some(format!("the last attempt, {when} on {machine}, failed: {reason}{log}"))
    }

    /// Frames of these rows whose last attempt failed, by shot and stage.
    pub fn failed_last(entries: &[Entry]) -> BTreeMap<(&str, &str), FrameSet> {
        let renders = entries.iter().rev().filter_map(|entry| match &entry.row.what {
            What::Render(render) => Some(((&*entry.row.shot, &*entry.row.stage), &entry.row.frames, render)),
            _ => None,
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

    /// Names of the logs of the calls for a frame.
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
        let names = entries.filter_map(|entry| entry.file_name().into_string().ok());
        names.filter(|name| covers(name)).collect()
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
