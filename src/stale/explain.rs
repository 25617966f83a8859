//! From a stale frame down to what changed, with old and new digests at each step.
//!
//! Sets what the last render was made of against what the frame is made of now. Knows nothing of the disk.

use std::sync::Arc;

use super::{Input, Knowledge, Reason, Report, SourceState, key, place};
use crate::base::digest::Digest;
use crate::base::made::{MadeOf, NONE};
use crate::base::state::State;
use crate::graph::{Graph, Ingredient, NodeId};

/// What the store remembers of past renders.
pub trait Memory {
    /// What the render of a key was made of.
    fn made_of(&self, key: &Digest) -> Option<MadeOf>;
    /// A list of named settings.
    fn ingredients(&self, digest: &Digest) -> Option<Vec<(String, Digest, Option<String>)>>;
}

/// One link of the chain.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// `SHOT/STAGE@FRAME`.
    pub place: String,
    /// Its state.
    pub state: State,
    /// What is to be said of it.
    pub says: String,
    /// Digest then, when there was one.
    pub old: Option<Digest>,
    /// Digest now, when known.
    pub new: Option<Digest>,
}

/// The chain of one frame, the frame itself first, the changed input last.
pub fn chain(
    graph: &Graph,
    report: &Report,
    known: &dyn Knowledge,
    memory: &dyn Memory,
    node: NodeId,
    frame: i64,
) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut at = Some((node, frame));
    while let Some((id, frame)) = at {
        let Some(cell) = report.strips[id].get(frame) else { break };
        let last = super::last(known, id, frame);
        let step = |says: String| Step {
            place: place(&graph.nodes[id], frame),
            state: cell.state,
            says,
            old: (last.key != NONE).then_some(last.key),
            new: (cell.key != NONE).then_some(cell.key),
        };
        at = None;
        match cell.reason {
            Reason::None => steps.push(step("its render matches the declaration".into())),
            Reason::OutOfPlace => steps.push(step("its file was taken out of renders/; a rebuild puts it back without rendering".into())),
            Reason::FileMissing => steps.push(step("its file is missing".into())),
            Reason::FileUnfit => steps.push(step("its file cannot be used; `endboard check` says why".into())),
            Reason::Delivered if last.key == NONE => steps.push(step("a person delivered it; the next rebuild takes it in".into())),
            Reason::Failed => steps.push(step("the last attempt with this very key failed; it is tried again when something changes, or with --again".into())),
            Reason::New | Reason::Changed | Reason::Delivered | Reason::Redo | Reason::Input | Reason::InputMissing => {
                let (says, next) = difference(graph, report, known, memory, id, frame);
                steps.push(step(says));
                at = next;
            }
        }
    }
    steps
}

/// What differs between the last render of a frame and now: words, and the input to look at next.
fn difference(
    graph: &Graph,
    report: &Report,
    known: &dyn Knowledge,
    memory: &dyn Memory,
    id: NodeId,
    frame: i64,
) -> (String, Option<(NodeId, i64)>) {
    let node = &graph.nodes[id];
    let mut needs = Vec::new();
    graph.each_need(id, frame, &mut |edge, _, range| needs.extend(range.iter().map(|n| (edge.from, n))));
    let unsettled = needs
        .iter()
        .copied()
        .find(|&(from, n)| report.strips[from].get(n).is_none_or(|c| c.state != State::Fresh));
    let last = super::last(known, id, frame);
    let Some(old) = (last.key != NONE).then(|| memory.made_of(&last.key)).flatten() else {
        return match unsettled {
            Some(next) => ("it was never rendered, and it needs".into(), Some(next)),
            None => ("it was never rendered".into(), None),
        };
    };
    let now: Vec<(String, Digest, Option<String>)> =
        node.ingredients.iter().map(|i: &Ingredient| (i.name.clone(), i.digest, i.text.clone())).collect();
    let source = node.source().map(|s| known.source(s, frame));
    let digest = match source {
        Some(SourceState::Known(digest)) => Some(digest),
        _ => None,
    };
    let mut seen = |from: NodeId, n: i64, channel: Option<&str>| match report.strips[from].get(n) {
        Some(c) => super::input(known, &c, channel),
        None => Input::Missing,
    };
    let new = key(graph, id, frame, digest, None, &mut seen).ok().map(|(_, made)| made);
    let changed = memory.ingredients(&old.ingredients).map(|then| changes(&then, &now)).unwrap_or_default();
    let own = node.identity != old.identity
        || new.as_ref().map_or(!changed.is_empty(), |new| new.parameters != old.parameters);
    if own {
        if node.source().is_some() && changed.is_empty() {
            return ("its file has other bytes than before".into(), None);
        }
        let what = if changed.is_empty() {
            "its parameters at this frame changed".into()
        } else {
            changed.join("; ")
        };
        return (what, None);
    }
    let moved = new.as_ref().and_then(|new| {
        needs.iter().zip(old.inputs.iter().zip(&new.inputs)).find(|(_, (a, b))| a != b).map(|(&need, _)| need)
    });
    match unsettled.or(moved) {
        Some(next) => ("an input of it changed".into(), Some(next)),
        None => ("other input frames are used than before".into(), None),
    }
}

/// The named settings that differ, as sentences with both values or digests.
pub fn changes(
    then: &[(String, Digest, Option<String>)],
    now: &[(String, Digest, Option<String>)],
) -> Vec<String> {
    let mut out = Vec::new();
    for (name, digest, text) in now {
        match then.iter().find(|(n, _, _)| n == name) {
            None => out
                .push(format!("{name} is new{}", text.as_ref().map_or(String::new(), |t| format!(" ({t})")))),
            Some((_, old, _)) if old == digest => {}
            Some((_, old, old_text)) => out.push(match (old_text, text) {
                (Some(a), Some(b)) => format!("{name}: {a} → {b}"),
                _ => format!("{name} changed ({} → {})", old.short(), digest.short()),
            }),
        }
    }
    for (name, _, _) in then {
        if !now.iter().any(|(n, _, _)| n == name) {
            out.push(format!("{name} is gone"));
        }
    }
    out
}

/// In a few words for the ledger, what made a frame necessary when nothing above it did.
pub fn cause(
    then: Option<&[(String, Digest, Option<String>)]>,
    now: &[Ingredient],
    first: bool,
    source: Option<&str>,
) -> Arc<str> {
    if first {
        return "first render".into();
    }
    let Some(then) = then else { return "changed settings".into() };
    let names: Vec<&str> = now
        .iter()
        .filter(|i| then.iter().find(|(n, _, _)| *n == i.name).is_none_or(|(_, d, _)| *d != i.digest))
        .map(|i| i.name.as_str())
        .collect();
    match (names.is_empty(), source) {
        (true, Some(source)) => format!("plate {source}").into(),
        (true, None) => "changed input frames".into(),
        (false, _) => names.join(", ").into(),
    }
}
