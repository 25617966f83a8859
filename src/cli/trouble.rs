//! Failed and blocked frames, and approvals that lapsed, in words, a line or a few each.
//!
//! Knows their layout. Which frames belong together is found out by `project`.

use std::path::Path;

use super::show;
use crate::base::frames::FrameSet;
use crate::graph::{Graph, NodeId};
use crate::programs::end_of_log;
use crate::project::approving::Lapsed;
use crate::project::trouble::{Blocked, Failed};
use crate::report::words;

/// Entries told in full; the rest is counted.
const TOLD: usize = 12;
/// Stages named of one entry.
const STAGES: usize = 8;
/// Bytes at the end of a log of which the last lines are told.
const LOG: u64 = 8192;

/// `br030/colour@1012-1019`.
fn place(graph: &Graph, node: NodeId, frames: &FrameSet) -> String {
    format!("{}@{frames}", graph.nodes[node].name())
}

/// What failed in this run, with the end of the log of the first frame of each entry.
pub fn failures(graph: &Graph, failed: &[Failed]) {
    for entry in failed.iter().take(TOLD) {
        let (place, reason) = (place(graph, entry.node, &entry.frames), show::clean(&entry.reason));
        let several = match entry.frames.len() {
            1 => String::new(),
            n => format!(" ({n} frames)"),
        };
        flow!("\nfailed: {place}{several}: {reason}");
        let Some(log) = &entry.log else { continue };
        let text = end_of_log(Path::new(log), LOG).unwrap_or_default();
        let lines: Vec<&str> = text.lines().rev().take(6).collect();
        lines.iter().rev().for_each(|line| say!("    {}", show::clean(line)));
        let whole = if entry.frames.len() > 1 { "whole log of the first" } else { "whole log" };
        flow!("    {whole}: {log}");
    }
    rest(failed.len(), "failures");
}

/// What failed on a cluster as it was before it changed, and was not tried since.
pub fn failed_then(graph: &Graph, failed: &[Failed]) {
    for entry in failed.iter().take(TOLD) {
        let log = entry.log.as_ref().map_or(String::new(), |log| format!("; log: {log}"));
        let (place, reason) = (place(graph, entry.node, &entry.frames), show::clean(&entry.reason));
        let name = graph.nodes[entry.node].name();
        let count = words::count(entry.frames.len() as u64, "frame");
        flow!(
            "failed: {place}: {count}, as {name} was then; it, or what it needs, changed since: {reason}{log}"
        );
    }
    rest(failed.len(), "failures");
}

/// What failed before and was not changed since. `again` says that it was tried again where that is possible.
pub fn failed(graph: &Graph, failed: &[Failed], again: bool) {
    for entry in failed.iter().take(TOLD) {
        let log = entry.log.as_ref().map_or(String::new(), |log| format!("; log: {log}"));
        let (place, reason) = (place(graph, entry.node, &entry.frames), show::clean(&entry.reason));
        flow!("failed: {place}: {reason}{log}");
    }
    rest(failed.len(), "failures");
    if !failed.is_empty() && !again {
        flow!("        tried again when something changes, or with `endboard rebuild --again`");
    }
}

/// What failed last time and is tried again by itself, as nothing of it is known to be wrong.
pub fn failed_last(graph: &Graph, failed: &[Failed]) {
    for entry in failed.iter().take(TOLD) {
        let log = entry.log.as_ref().map_or(String::new(), |log| format!("; log: {log}"));
        let (place, reason) = (place(graph, entry.node, &entry.frames), show::clean(&entry.reason));
        flow!("failed last time: {place}: {reason}{log}");
    }
    rest(failed.len(), "failures");
    if !failed.is_empty() {
        flow!("        the next rebuild tries again");
    }
}

/// What stands in the way of what.
pub fn blocked(graph: &Graph, blocked: &[Blocked]) {
    for entry in blocked.iter().take(TOLD) {
        let more = match entry.by_frames.len() {
            1 => String::new(),
            n => format!("; {} more", words::count(n as u64 - 1, "frame")),
        };
        let mut stages: Vec<String> =
            entry.frames.iter().take(STAGES).map(|(node, frames)| place(graph, *node, frames)).collect();
        if entry.frames.len() > STAGES {
            stages.push(format!("{} stages more", entry.frames.len() - STAGES));
        }
        flow!(
            "blocked by {} ({}{more}): {}",
            place(graph, entry.by, &entry.by_frames),
            show::clean(&entry.says),
            stages.join(", ")
        );
    }
    rest(blocked.len(), "entries");
}

fn rest(count: usize, things: &str) {
    if count > TOLD {
        flow!("and {} {things} more; `endboard status` with selectors shows them", count - TOLD);
    }
}

/// What failed before, as JSON.
pub fn failed_json(graph: &Graph, failed: &[Failed]) -> serde_json::Value {
    let entry = |entry: &Failed| {
        let node = &graph.nodes[entry.node];
        serde_json::json!({
            "shot": &*node.shot, "stage": &*node.stage, "frames": entry.frames.to_string(),
            "reason": entry.reason, "log": entry.log,
        })
    };
    failed.iter().map(entry).collect()
}

/// What stands in the way of what, as JSON.
pub fn blocked_json(graph: &Graph, blocked: &[Blocked]) -> serde_json::Value {
    let entry = |entry: &Blocked| {
        let frames: Vec<String> =
            entry.frames.iter().map(|(node, frames)| place(graph, *node, frames)).collect();
        serde_json::json!({ "by": place(graph, entry.by, &entry.by_frames), "says": entry.says, "frames": frames })
    };
    blocked.iter().map(entry).collect()
}

/// Approvals that no longer hold, as the pixels are others now.
pub fn tell_lapsed(lapsed: &[Lapsed]) {
    for Lapsed { stage, frames, by } in lapsed {
        let count = words::count(frames.len() as u64, "frame");
        let by = show::clean(&by.join(", "));
        flow!(
            "no longer as approved by {by}: {stage}@{frames}, {count}; look at it and `endboard approve {stage}@{frames}`"
        );
    }
}

/// The same for programs.
pub fn lapsed_json(lapsed: &[Lapsed]) -> Vec<serde_json::Value> {
    let one = |lapsed: &Lapsed| serde_json::json!({ "stage": lapsed.stage, "frames": lapsed.frames.to_string(), "by": lapsed.by });
    lapsed.iter().map(one).collect()
}
