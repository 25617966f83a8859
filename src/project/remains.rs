//! What is left of every stage of every shot: frames for hands, for the first time or again, and frames for machines.
//!
//! Knows states of frames, what the ledger says was ever done, and what waits for an approval. Does not know how long it takes.

use std::collections::{BTreeSet, HashMap};

use super::Status;
use super::approving::present;
use super::of_cut::OfCut;
use crate::base::frames::FrameSet;
use crate::base::state::State;
use crate::crew::approvals::{Approvals, Standing as Approval};
use crate::declare::crew::Crew as Declared;
use crate::forecast::work::Counts;
use crate::graph::{Node, Work as Made};
use crate::ledger::crew::Crew;
use crate::ledger::row::{Entry, Outcome, What};
use crate::stale::Reason;

/// What of one node remains.
#[derive(Default)]
pub(super) struct Left {
    /// Frames for hands that were never done.
    pub first: FrameSet,
    /// Frames for hands that a person is to do again.
    pub again: FrameSet,
    /// Frames for a machine.
    pub machine: FrameSet,
    /// What is left for hands is to look at it and to approve it.
    pub is_approval: bool,
}

/// What is left of every node.
pub(super) fn left(status: &Status, crew: Option<&Declared>, entries: &[Entry]) -> Vec<Left> {
    let ever = ever_done(entries);
    let approvals = Approvals::after(entries);
    // Stages of operators that people's hours were written down for.
    let touched: BTreeSet<&str> = (entries.iter())
        .filter(|entry| matches!(entry.row.what, What::Crew(Crew::Worked(_))))
        .map(|entry| &*entry.row.stage)
        .collect();
    let graph = &status.declared.graph;
    let of_cut = OfCut::new(&status.declared);
    let of = |(id, node): (usize, &Node)| {
        let strip = &status.report.strips[id];
        let mut left = Left::default();
        if node.is_passed_on() || matches!(node.work, Made::Plate { .. }) {
            return left;
        }
        let is_hand = matches!(node.work, Made::Hand { .. });
        let done = ever.get(&(&*node.shot, &*node.stage));
        let stage = &*node.stage;
        let wants_approval =
            crew.is_some_and(|crew| crew.approved.iter().any(|glob| glob.value.matches(stage)));
        let has_hands =
            is_hand || touched.contains(stage) || crew.is_some_and(|crew| crew.estimates.contains_key(stage));
        for (n, cell) in strip.unsettled().filter(|(_, cell)| !cell.held) {
            let is_new = cell.state != State::Stale && done.is_none_or(|done| !done.contains(n));
            match () {
                () if is_hand && cell.reason == Reason::Delivered => {}
                () if is_hand && is_new => left.first.insert(n),
                () if is_hand => left.again.insert(n),
                () => {
                    if has_hands && is_new && !wants_approval {
                        left.first.insert(n);
                    }
                    if !cell.restorable {
                        left.machine.insert(n);
                    }
                }
            }
        }
        if wants_approval && !is_hand {
            let present = |frame| present(status, Some(id), frame);
            // Nobody need look at what the film does not show.
            let mut open = of_cut.frames(id);
            for part in approvals.parts(&node.shot, stage, &present) {
                if part.standing == Approval::InForce {
                    open = open.without(&part.frames);
                }
            }
            (left.first, left.is_approval) = (open, true);
        }
        left
    };
    graph.nodes.iter().enumerate().map(of).collect()
}

/// What the frames of a node are.
pub(super) fn counts(node: &Node) -> Counts {
    if node.is_heard() { Counts::Blocks } else { Counts::Frames }
}

/// Frames that were done at any time, by shot and stage: what is blocked now may have been done before.
fn ever_done(entries: &[Entry]) -> HashMap<(&str, &str), FrameSet> {
    let mut ever: HashMap<(&str, &str), FrameSet> = HashMap::new();
    for row in entries.iter().map(|entry| &entry.row) {
        let is_done = match &row.what {
            What::Render(render) => render.outcome == Outcome::Done,
            What::Delivery { .. } | What::Crew(Crew::Takeback { .. }) => true,
            _ => false,
        };
        if is_done {
            let frames = ever.entry((&*row.shot, &*row.stage)).or_default();
            frames.insert_all(&row.frames);
        }
    }
    ever
}
