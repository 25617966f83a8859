//! Why frames are in their state; those that failed and those that are blocked, gathered by reason in the order of
//! the film.
//!
//! Knows what makes two frames one entry. Does not know how entries are shown.

use super::naming::is_named;
use super::past::{Here, Past};
use super::{Project, Status, picks};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::graph::{NodeId, Work};
use crate::stale::Reason;
use crate::stale::explain::{Explainer, Step};

/// Frames of one stage that failed for one reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failed {
    /// The stage.
    pub node: NodeId,
    /// The frames.
    pub frames: FrameSet,
    /// Why, as it was said of the first of them.
    pub reason: String,
    /// The log of the first of them.
    pub log: Option<String>,
}

/// Frames that one thing stands in the way of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Blocked {
    /// The stage that stands in the way.
    pub by: NodeId,
    /// Its frames.
    pub by_frames: FrameSet,
    /// What is the matter with the first of them.
    pub says: String,
    /// True when they failed or their files are unfit; else something is yet to come.
    pub is_failed: bool,
    /// What is blocked, by stage.
    pub frames: Vec<(NodeId, FrameSet)>,
}

impl Blocked {
    /// Nothing yet that is blocked by frames of a node, of which one is at `at`.
    fn by(by: NodeId, reason: Reason, explainer: &Explainer<'_>, at: i64) -> Self {
        let says = match reason {
            Reason::Failed => "failed".into(),
            _ => explainer.chain(by, at).into_iter().next().map_or(String::new(), |step| step.says),
        };
        let is_failed = matches!(reason, Reason::Failed | Reason::FileUnfit);
        Self { by, by_frames: FrameSet::new(), says, is_failed, frames: Vec::new() }
    }

    /// How many frames are blocked.
    pub fn count(&self) -> usize {
        self.frames.iter().map(|(_, frames)| frames.len()).sum()
    }
}

/// Behind what is said of a file of which it is not known why it cannot be read, as so many others were looked at.
pub const NOT_LOOKED_AT: &str = "; it was not looked at why";

/// Behind the reason of those that were.
const OTHERS: &str = "; the others were not looked at";

/// Takes frames whose files nobody looked at for the reason to those of their stage that were looked at and cannot be read either,
/// as long as there is one reason.
fn join_not_looked_at(all: &mut Vec<(String, Failed)>) {
    let is_left = |alike: &str| alike.ends_with(NOT_LOOKED_AT);
    let (left, mut looked_at): (Vec<_>, Vec<_>) =
        std::mem::take(all).into_iter().partition(|(alike, _)| is_left(alike));
    for (alike, failed) in left {
        let start = format!("{}: ", alike.trim_end_matches(NOT_LOOKED_AT));
        let fits = |(of, other): &&mut (String, Failed)| other.node == failed.node && of.starts_with(&start);
        let mut fitting: Vec<_> = looked_at.iter_mut().filter(fits).collect();
        match fitting.as_mut_slice() {
            [(_, one)] => {
                one.frames.insert_all(&failed.frames);
                if !one.reason.ends_with(OTHERS) {
                    one.reason += OTHERS;
                }
            }
            _ => looked_at.push((alike, failed)),
        }
    }
    *all = looked_at;
}

/// Gathers neighbours of one stage whose reasons differ in nothing but the frame's number.
pub fn gather(failures: impl IntoIterator<Item = (NodeId, i64, String, Option<String>)>) -> Vec<Failed> {
    let mut all: Vec<(String, Failed)> = Vec::new();
    for (node, frame, reason, log) in failures {
        let alike = reason.replace(&format!("{frame:04}"), "#");
        match all.iter_mut().find(|(of, failed)| failed.node == node && *of == alike) {
            Some((_, failed)) => failed.frames.insert(frame),
            None => {
                let frames = [frame].into_iter().collect();
                all.push((alike, Failed { node, frames, reason, log }));
            }
        }
    }
    join_not_looked_at(&mut all);
    all.into_iter().map(|(_, failed)| failed).collect()
}

/// Frames among the selected that are in their state for this reason.
fn unsettled(status: &Status, selection: &Selection, reason: Reason) -> Vec<(NodeId, i64)> {
    let is_picked = picks(&status.declared.graph, selection);
    let mut frames = Vec::new();
    for (id, strip) in status.report.strips.iter().enumerate() {
        let of = strip.unsettled().filter(|(frame, cell)| cell.reason == reason && is_picked(id, *frame));
        frames.extend(of.map(|(frame, _)| (id, frame)));
    }
    frames
}

impl Project {
    /// The chain of reasons of each of these frames.
    pub fn why(&self, status: &Status, frames: &[(NodeId, i64)]) -> Vec<Vec<Step>> {
        self.explain(status, |explainer| {
            frames.iter().map(|&(node, frame)| explainer.chain(node, frame)).collect()
        })
    }

    /// Asks why frames are in their state.
    pub(super) fn explain<T>(&self, status: &Status, question: impl FnOnce(&Explainer<'_>) -> T) -> T {
        let (graph, report) = (&status.declared.graph, &status.report);
        self.ask(status, |known| question(&Explainer { graph, report, known, memory: known }))
    }

    /// What failed among the selected, and was not changed since.
    pub fn failed(&self, status: &Status, selection: &Selection) -> Vec<Failed> {
        let frames = unsettled(status, selection, Reason::Failed);
        self.why_failed(status, frames)
    }

    /// What failed last time among the selected, in this working copy and for a reason that may be gone, so that a rebuild tries again:
    /// what failed and was changed since is not among it.
    pub fn failed_last(&self, status: &Status, selection: &Selection) -> Vec<Failed> {
        let graph = &status.declared.graph;
        let is_picked = picks(graph, selection);
        let failed = Past::failed_last(&status.ledger.0, &Here::of(&self.folder));
        let all = self.explain(status, |explainer| {
            let mut all = Vec::new();
            for (id, node) in graph.nodes.iter().enumerate() {
                let Some(frames) = failed.get(&(&*node.shot, &*node.stage)) else { continue };
                let of = status.report.strips[id].unsettled().filter(|(frame, cell)| {
                    frames.contains(*frame)
                        && is_picked(id, *frame)
                        && explainer.is_tried_again(id, *frame, cell)
                });
                all.extend(of.map(|(frame, _)| (id, frame)));
            }
            all
        });
        self.why_failed(status, all)
    }

    /// Why these frames failed: what is wrong with their file, or else the ledger's last word.
    pub fn why_failed(
        &self,
        status: &Status,
        frames: impl IntoIterator<Item = (NodeId, i64)>,
    ) -> Vec<Failed> {
        let mut frames = frames.into_iter().peekable();
        if frames.peek().is_none() {
            return Vec::new();
        }
        let graph = &status.declared.graph;
        self.explain(status, |explainer| {
            gather(frames.map(|(id, frame)| {
                let source = graph.nodes[id].source();
                let fault = source.and_then(|source| explainer.memory.fault(source, frame));
                if let Some((source, fault)) = source.zip(fault) {
                    return (id, frame, format!("{} {fault}", graph.sources[source].file(frame)), None);
                }
                let known = explainer.memory.failure(id, frame);
                let (reason, log) = known.unwrap_or_else(|| ("the ledger does not say why".into(), None));
                (id, frame, reason.to_string(), log)
            }))
        })
    }

    /// What is blocked among the selected.
    pub fn blocked(&self, status: &Status, selection: &Selection) -> Vec<Blocked> {
        let frames = unsettled(status, selection, Reason::InputMissing);
        if frames.is_empty() {
            return Vec::new();
        }
        let mut all: Vec<(Reason, Blocked)> = Vec::new();
        self.explain(status, |explainer| {
            for (id, frame) in frames {
                let roots = explainer.blockers(id, frame);
                let Some(&(by, at)) = roots.first() else { continue };
                let reason_at = |at| status.report.strips[by].get(at).map_or(Reason::New, |cell| cell.reason);
                let reason = reason_at(at);
                let known = all.iter().position(|(of, blocked)| blocked.by == by && *of == reason);
                let entry = known.unwrap_or_else(|| {
                    all.push((reason, Blocked::by(by, reason, explainer, at)));
                    all.len() - 1
                });
                let (_, entry) = &mut all[entry];
                // The frame counts once, with all that stands in its way there for the same reason.
                let alike = roots.iter().filter(|(node, at)| *node == by && reason_at(*at) == reason);
                alike.for_each(|(_, at)| entry.by_frames.insert(*at));
                match entry.frames.iter_mut().find(|(node, _)| *node == id) {
                    Some((_, frames)) => frames.insert(frame),
                    None => entry.frames.push((id, [frame].into_iter().collect())),
                }
            }
        });
        all.sort_by_key(|(_, blocked)| blocked.by);
        all.into_iter().map(|(_, blocked)| blocked).collect()
    }

    /// Frames whose files are missing, of plates that the selection names itself, so that nothing that needs them need be among
    /// the selected.
    pub fn lacking_files(&self, status: &Status, selection: &Selection) -> Vec<Blocked> {
        let graph = &status.declared.graph;
        let mut all: Vec<Blocked> = Vec::new();
        let is_asked_for = |id: NodeId| {
            let node = &graph.nodes[id];
            matches!(node.work, Work::Plate { .. }) && is_named(selection, &node.shot, &node.stage)
        };
        let missing = unsettled(status, selection, Reason::FileMissing).into_iter();
        let missing: Vec<_> = missing.filter(|(id, _)| is_asked_for(*id)).collect();
        self.explain(status, |explainer| {
            for (id, frame) in missing {
                if all.last().is_none_or(|blocked| blocked.by != id) {
                    all.push(Blocked::by(id, Reason::FileMissing, explainer, frame));
                    all.last_mut().expect("just now").frames.push((id, FrameSet::new()));
                }
                let last = all.last_mut().expect("there is one");
                last.by_frames.insert(frame);
                last.frames[0].1.insert(frame);
            }
        });
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn failures_for_one_reason_are_one_entry() {
        let failure = |frame: i64, reason: &str| (3, frame, reason.to_string(), Some(format!("{frame}.log")));
        let gathered = gather([
            failure(1004, "a.1004.exr: cut short"),
            failure(1005, "a.1005.exr: cut short"),
            failure(1006, "exit code 7"),
            failure(1007, "a.1007.exr: cut short"),
        ]);
        let told: Vec<_> = gathered.iter().map(|f| (f.frames.to_string(), f.reason.as_str())).collect();
        assert_eq!(
            told,
            [("1004-1005,1007".to_string(), "a.1004.exr: cut short"), ("1006".to_string(), "exit code 7")]
        );
        assert_eq!(gathered[0].log.as_deref(), Some("1004.log"));
    }

    #[test]
    fn files_that_nobody_looked_at_go_with_those_that_were() {
        let failure = |node: NodeId, frame: i64, why: &str| {
            (node, frame, format!("a.{frame}.exr cannot be read{why}"), None)
        };
        let told = |failures: &[(NodeId, i64, &str)]| -> Vec<(String, String)> {
            let gathered = gather(failures.iter().map(|(node, frame, why)| failure(*node, *frame, why)));
            gathered.into_iter().map(|one| (one.frames.to_string(), one.reason)).collect()
        };
        let one = (3, 1004, ": cut short");
        assert_eq!(
            told(&[one, (3, 1005, NOT_LOOKED_AT), (3, 1006, NOT_LOOKED_AT)]),
            [(
                "1004-1006".into(),
                "a.1004.exr cannot be read: cut short; the others were not looked at".to_string()
            )]
        );
        // Of which of two kinds they are nobody knows, and another stage's tell nothing of them.
        assert_eq!(told(&[one, (3, 1005, ": empty"), (3, 1006, NOT_LOOKED_AT)]).len(), 3);
        assert_eq!(told(&[one, (4, 1006, NOT_LOOKED_AT)]).len(), 2);
    }
}
