//! What is not fresh → columns of work, in the order they are taken up.
//!
//! A column is one frame of one shot with all the stages to be made at it, so that a worker can take
//! the frame through as many of them as it can while its pixels are in memory.

pub mod parts;

use std::collections::{BTreeMap, HashMap};

use crate::base::frames::FrameSet;
use crate::base::state::State;
use crate::graph::{Graph, NodeId, Work};
use crate::stale::{Cell, Reason, Report};

/// One frame through its stages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Nodes and frames, inputs first.
    pub targets: Vec<(NodeId, i64)>,
}

/// All that a rebuild will take up.
#[derive(Clone, Debug, Default)]
pub struct Plan {
    /// Columns in the order of the film.
    pub columns: Vec<Column>,
    /// Frames to be made or put back, by node; not those of plates that are only passed on.
    pub frames: HashMap<NodeId, FrameSet>,
    /// By node of commands that are called for runs: frames to be made or put back, and those that others need which
    /// are.
    pub runs: HashMap<NodeId, FrameSet>,
    /// How many frames there are in `frames`.
    pub count: usize,
    /// Frames that stand in the way and are not tried: the last attempt with just this failed, or their file cannot
    /// be used. Those selected, and those that blocked frames among the selected need, by node.
    pub failed: BTreeMap<NodeId, FrameSet>,
}

impl Plan {
    /// The frames to be made or put back and those not fresh that they need, by node; not those of plates that are only passed on. What comes out
    /// the same as before, or is put back, is among them: they are what a run may come to render.
    pub fn with_needs(&self, graph: &Graph, report: &Report, again: bool) -> BTreeMap<NodeId, FrameSet> {
        let mut due = vec![FrameSet::new(); graph.nodes.len()];
        self.frames.iter().for_each(|(&id, set)| due[id] = set.clone());
        let due = down(graph, report, due, &|_, _, cell| is_work(cell, again)).into_iter().enumerate();
        due.filter(|(id, frames)| !graph.nodes[*id].is_passed_on() && !frames.is_empty()).collect()
    }
}

impl Plan {
    /// What is to be made elsewhere: as [`Plan::with_needs`], and the frames of plates that are only passed on which are asked for
    /// themselves.
    pub fn elsewhere(&self, graph: &Graph, report: &Report, again: bool) -> BTreeMap<NodeId, FrameSet> {
        let mut due = self.with_needs(graph, report, again);
        for &(id, frame) in self.columns.iter().flat_map(|column| &column.targets) {
            if graph.nodes[id].is_passed_on() {
                due.entry(id).or_default().insert(frame);
            }
        }
        due
    }
}

/// Whether a rebuild can do something about a frame. `again` also tries failed frames once more.
pub fn is_work(cell: &Cell, again: bool) -> bool {
    match cell.state {
        State::Fresh | State::Blocked => false,
        // What a person has in hand may have been made before, and its file be gone from the tree.
        State::Out => cell.restorable,
        State::Failed => again && cell.reason == Reason::Failed,
        State::Stale | State::Absent => {
            cell.restorable || !(cell.is_in_use() || cell.reason == Reason::FileMissing)
        }
    }
}

/// Plans what `wanted` selects.
pub fn plan(graph: &Graph, report: &Report, again: bool, wanted: &dyn Fn(NodeId, i64) -> bool) -> Plan {
    let mut plan = Plan { failed: failed(graph, report, again, wanted), ..Plan::default() };
    let hopeful = if again { hopeful(graph, report) } else { vec![FrameSet::new(); graph.nodes.len()] };
    let mut columns: HashMap<(&str, i64), usize> = HashMap::new();
    let asked_for = under_hands(graph, report, wanted);
    for (id, node) in graph.nodes.iter().enumerate() {
        // A plate is decoded when something needs it, unless it is kept or only hands need it.
        let waits = node.is_passed_on();
        if waits && asked_for[id].is_empty() {
            continue;
        }
        let mut frames = FrameSet::new();
        for (frame, cell) in report.strips[id].unsettled() {
            let is_wanted = if waits { asked_for[id].contains(frame) } else { wanted(id, frame) };
            if !(is_work(cell, again) || hopeful[id].contains(frame)) || !is_wanted {
                continue;
            }
            if !waits {
                frames.insert(frame);
            }
            let home = home(graph, id, frame);
            let column = *columns.entry(home).or_insert_with(|| {
                plan.columns.push(Column { targets: Vec::new() });
                plan.columns.len() - 1
            });
            plan.columns[column].targets.push((id, frame));
        }
        if !frames.is_empty() {
            plan.count += frames.len();
            plan.frames.insert(id, frames);
        }
    }
    plan.runs = runs(graph, report, &plan.columns, &|from, n, cell| {
        is_work(cell, again) || hopeful[from].contains(n)
    });
    order(graph, &mut plan);
    plan
}

/// Frames of commands that are called for runs, by node: those in `columns`, and those that these need and that are work.
/// Whoever asks for one of them has its whole run made in one call.
fn runs(
    graph: &Graph,
    report: &Report,
    columns: &[Column],
    is_work: &dyn Fn(NodeId, i64, &Cell) -> bool,
) -> HashMap<NodeId, FrameSet> {
    let is_run = |id: &NodeId| matches!(&graph.nodes[*id].work, Work::Command(work) if work.makes_runs());
    let mut runs: HashMap<NodeId, FrameSet> =
        (0..graph.nodes.len()).filter(is_run).map(|id| (id, FrameSet::new())).collect();
    if runs.is_empty() {
        return runs;
    }
    let mut due = vec![FrameSet::new(); graph.nodes.len()];
    columns.iter().flat_map(|column| &column.targets).for_each(|&(id, frame)| due[id].insert(frame));
    let mut due = down(graph, report, due, is_work);
    for (&id, run) in &mut runs {
        *run = std::mem::take(&mut due[id]);
    }
    runs
}

/// Frames by node with all that these need, and that is work.
fn down(
    graph: &Graph,
    report: &Report,
    mut due: Vec<FrameSet>,
    is_work: &dyn Fn(NodeId, i64, &Cell) -> bool,
) -> Vec<FrameSet> {
    // Inputs have lower numbers, so that whoever needs a frame has been looked at before it.
    for id in (0..graph.nodes.len()).rev() {
        let frames = std::mem::take(&mut due[id]);
        for frame in frames.iter() {
            graph.each_need(id, frame, &mut |edge, _, range| {
                let strip = &report.strips[edge.from];
                let waits = |n: &i64| strip.get(*n).is_some_and(|cell| is_work(edge.from, *n, &cell));
                range.iter().filter(waits).for_each(|n| due[edge.from].insert(n));
            });
        }
        due[id] = frames;
    }
    due
}

/// Frames of plates that are only passed on, by node, which nothing but work of hands needs: its files stand as
/// they are, so that nobody else would decode what came anew under them and see whether it is another picture.
fn under_hands(graph: &Graph, report: &Report, wanted: &dyn Fn(NodeId, i64) -> bool) -> Vec<FrameSet> {
    let mut frames = vec![FrameSet::new(); graph.nodes.len()];
    let hands = graph.nodes.iter().enumerate().filter(|(_, node)| matches!(node.work, Work::Hand { .. }));
    for (id, _) in hands {
        let waiting = report.strips[id]
            .unsettled()
            .filter(|(_, cell)| matches!(cell.reason, Reason::Redo | Reason::Out));
        for (frame, _) in waiting.filter(|&(frame, _)| wanted(id, frame)) {
            graph.each_need(id, frame, &mut |edge, _, range| {
                if graph.nodes[edge.from].is_passed_on() {
                    frames[edge.from].insert_range(range);
                }
            });
        }
    }
    frames
}

/// Blocked frames that may come free when failed ones are tried again, by node.
fn hopeful(graph: &Graph, report: &Report) -> Vec<FrameSet> {
    let mut hopeful: Vec<FrameSet> = Vec::with_capacity(graph.nodes.len());
    for (id, strip) in report.strips.iter().enumerate() {
        let mut set = FrameSet::new();
        for (frame, _) in strip.unsettled().filter(|(_, cell)| cell.state == State::Blocked) {
            let mut found = false;
            graph.each_need(id, frame, &mut |edge, _, range| {
                found |= range.iter().any(|n| {
                    let cell = report.strips[edge.from].get(n);
                    cell.is_some_and(|c| c.state == State::Failed && is_work(&c, true))
                        || hopeful[edge.from].contains(n)
                });
            });
            if found {
                set.insert(frame);
            }
        }
        hopeful.push(set);
    }
    hopeful
}

/// Failed frames that are not tried: those wanted, and those at the bottom of why wanted ones are blocked.
fn failed(
    graph: &Graph,
    report: &Report,
    again: bool,
    wanted: &dyn Fn(NodeId, i64) -> bool,
) -> BTreeMap<NodeId, FrameSet> {
    let mut asked = vec![FrameSet::new(); graph.nodes.len()];
    let mut failed: BTreeMap<NodeId, FrameSet> = BTreeMap::new();
    // Inputs have lower numbers, so that whoever needs a frame has been looked at before it.
    for (id, strip) in report.strips.iter().enumerate().rev() {
        for (frame, cell) in strip.unsettled() {
            let stands = matches!(cell.state, State::Failed | State::Blocked);
            if !stands || !(asked[id].contains(frame) || wanted(id, frame)) {
                continue;
            }
            if cell.state == State::Blocked {
                graph.each_need(id, frame, &mut |edge, _, range| asked[edge.from].insert_range(range));
            } else if !is_work(cell, again) {
                failed.entry(id).or_default().insert(frame);
            }
        }
    }
    failed
}

/// A film frame is made right after the shot's frame that it shows, and a print's after that; every other frame with its
/// shot.
fn home(graph: &Graph, id: NodeId, frame: i64) -> (&str, i64) {
    let node = &graph.nodes[id];
    if &*node.shot == crate::graph::FILM && !node.is_heard() {
        let mut found = None;
        graph.each_need(id, frame, &mut |edge, _, range| {
            found = found.or(Some((edge.from, range.first)));
        });
        if let Some((from, first)) = found {
            return home(graph, from, first);
        }
    }
    (&node.shot, frame)
}

/// The number of each shot in the order of the film.
fn shots(graph: &Graph) -> HashMap<&str, usize> {
    let mut shots: HashMap<&str, usize> = HashMap::new();
    for node in &graph.nodes {
        let next = shots.len();
        shots.entry(&node.shot).or_insert(next);
    }
    shots
}

fn order(graph: &Graph, plan: &mut Plan) {
    let shots = shots(graph);
    plan.columns.sort_by_key(|column| {
        let (id, frame) = column.targets[0];
        let (shot, frame) = home(graph, id, frame);
        (shots[shot], frame)
    });
}
