//! From a frame down to what changed or what stands in its way, with old and new digests at each step.
//!
//! Sets what the last render was made of against what the frame is made of now. Knows nothing of the disk.

use std::collections::HashSet;
use std::sync::Arc;

use super::cause::settings;
use super::words::{differing, sentences};
use super::{Cell, Input, Knowledge, Reason, Report, place};
use crate::base::digest::Digest;
use crate::base::made::{MadeOf, NONE};
use crate::base::state::{FrameState, State};
use crate::graph::{CUT, FROM, Graph, NodeId, Work};

/// A named setting with its digest and, when it is not too long, its text.
pub type Setting = (String, Digest, Option<String>);

/// What the store and the ledger remember.
pub trait Memory {
    /// What the render of a key was made of.
    fn made_of(&self, key: &Digest) -> Option<MadeOf>;
    /// A list of named settings.
    fn ingredients(&self, digest: &Digest) -> Option<Vec<Setting>>;
    /// What made the last render of a frame necessary.
    fn cause(&self, node: NodeId, frame: i64) -> Option<Arc<str>>;
    /// Why the last failed attempt at a frame failed, and where what it printed lies.
    fn failure(&self, node: NodeId, frame: i64) -> Option<(Arc<str>, Option<String>)>;
    /// How the last attempt at a frame failed, in words; none where it did not.
    fn last_attempt(&self, node: NodeId, frame: i64) -> Option<String>;
    /// Who keeps a frame's render, since when and why, when it is of these pixels.
    fn hold(&self, node: NodeId, frame: i64, pixels: &Digest) -> Option<String>;
    /// Who has a frame in hand, since when and until when.
    fn out(&self, node: NodeId, frame: i64) -> Option<String>;
    /// What is wrong with a source's file that cannot be used.
    fn fault(&self, source: usize, frame: i64) -> Option<String>;
}

/// One link of the chain.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// `SHOT/STAGE@FRAME`.
    pub place: String,
    /// Its state, and whether a person keeps its render.
    pub state: FrameState,
    /// What is to be said of it.
    pub says: String,
    /// How the last attempt at it failed, where the next rebuild tries again.
    pub last_attempt: Option<String>,
    /// Digest then, when there was one.
    pub old: Option<Digest>,
    /// Digest now, when known.
    pub new: Option<Digest>,
}

/// A frame to look at, with the pixels that the frame above saw in it and sees in it now, when they differ.
struct Link {
    node: NodeId,
    frame: i64,
    seen: Option<(Digest, Digest)>,
}

/// An input frame, and what is found there now.
struct Need {
    node: NodeId,
    frame: i64,
    now: Input,
}

/// Everything that an answer rests on.
pub struct Explainer<'a> {
    /// The film.
    pub graph: &'a Graph,
    /// The state of every frame.
    pub report: &'a Report,
    /// What that was found by.
    pub known: &'a dyn Knowledge,
    /// What is remembered.
    pub memory: &'a dyn Memory,
}

impl Explainer<'_> {
    /// The chain of one frame, the frame itself first; last comes what changed, or what stands in the way.
    pub fn chain(&self, node: NodeId, frame: i64) -> Vec<Step> {
        let mut steps = Vec::new();
        let mut at = Some(Link { node, frame, seen: None });
        while let Some(link) = at {
            let Some(cell) = self.report.strips[link.node].get(link.frame) else { break };
            let last = super::last(self.known, link.node, link.frame);
            let (mut says, next) = self.link(&link, &cell);
            if let Some(hold) = self.memory.hold(link.node, link.frame, &last.pixels) {
                says = match cell.state {
                    State::Fresh => format!("{says}; held {hold}, so that later changes will not render it"),
                    _ => format!("{hold}; {says}"),
                };
            }
            if cell.is_in_use() && !self.is_in_place(&link, &last.pixels) {
                says += match cell.restorable {
                    true => "; its file was taken out of renders/, and a rebuild puts it back",
                    false => "; its picture is lost",
                };
            }
            let (old, new) = match (cell.state, link.seen) {
                (State::Fresh, Some((then, now))) => (then, now),
                _ => (last.key, cell.key),
            };
            steps.push(Step {
                place: place(&self.graph.nodes[link.node], link.frame),
                state: FrameState { state: cell.state, held: cell.held },
                says,
                last_attempt: self.last_attempt(&link, &cell),
                old: (old != NONE).then_some(old),
                new: (new != NONE).then_some(new),
            });
            at = next;
        }
        steps
    }

    /// How the last attempt at a frame failed that a rebuild makes: of one that is not tried again its state's reason says it.
    fn last_attempt(&self, link: &Link, cell: &Cell) -> Option<String> {
        is_to_make(cell).then(|| self.memory.last_attempt(link.node, link.frame)).flatten()
    }

    /// Whether a rebuild makes a frame, of which no failure is remembered under any key: if the last attempt failed, then for a
    /// reason of that moment.
    pub fn is_tried_again(&self, node: NodeId, frame: i64, cell: &Cell) -> bool {
        is_to_make(cell) && super::last(self.known, node, frame).failed == NONE
    }

    fn is_in_place(&self, link: &Link, pixels: &Digest) -> bool {
        !self.graph.nodes[link.node].keep || self.known.in_place(link.node, link.frame, pixels)
    }

    /// The frames at the root of what blocks a frame, nearest first: missing, failed or a person's to make.
    pub fn blockers(&self, node: NodeId, frame: i64) -> Vec<(NodeId, i64)> {
        let (mut roots, mut seen, mut left) = (Vec::new(), HashSet::new(), vec![(node, frame)]);
        while let Some((node, frame)) = left.pop() {
            let obstacles = self.obstacles(node, frame);
            if obstacles.is_empty() {
                roots.push((node, frame));
            }
            let further = obstacles.iter().rev().map(|need| (need.node, need.frame));
            left.extend(further.filter(|place| seen.insert(*place)));
        }
        roots
    }

    /// What a blocked frame lacks.
    fn obstacles(&self, node: NodeId, frame: i64) -> Vec<Need> {
        match self.report.strips[node].get(frame) {
            Some(cell) if cell.reason == Reason::InputMissing => {
                let needs = self.needs(node, frame).into_iter();
                needs.filter(|need| need.now == Input::Missing).collect()
            }
            _ => Vec::new(),
        }
    }

    /// What is to be said of a frame, and the frame to look at next.
    fn link(&self, link: &Link, cell: &Cell) -> (String, Option<Link>) {
        let (id, frame) = (link.node, link.frame);
        let words = match cell.reason {
            Reason::None if link.seen.is_some() => self.since(id, frame),
            Reason::None if is_assembly(&self.graph.nodes[id].work) => {
                let shown = self.needs(id, frame);
                let names: Vec<String> =
                    shown.iter().map(|need| place(&self.graph.nodes[need.node], need.frame)).collect();
                match names.is_empty() {
                    true => "its render matches the declaration; it is black here".into(),
                    false => format!("its render matches the declaration; it shows {}", names.join(" and ")),
                }
            }
            Reason::None => "its render matches the declaration".into(),
            Reason::OutOfPlace => {
                "its file was taken out of renders/; a rebuild puts it back without rendering".into()
            }
            Reason::Lost => "its stored picture is gone; a rebuild renders it again".into(),
            Reason::Out => self.with_a_person(id, frame, cell),
            Reason::FileMissing => self.missing(id, frame),
            Reason::FileUnfit => self.unfit(id, frame),
            Reason::Failed => self.failed(id, frame),
            Reason::InputMissing => {
                let next = self.obstacles(id, frame).into_iter().next();
                let next = next.map(|need| Link { node: need.node, frame: need.frame, seen: None });
                return ("what it needs is not available".into(), next);
            }
            Reason::Delivered if super::last(self.known, id, frame).key == NONE => {
                "a person delivered it; the next rebuild takes it in".into()
            }
            Reason::New | Reason::Changed | Reason::Delivered | Reason::Redo | Reason::Input => {
                return self.difference(id, frame, cell.reason);
            }
        };
        (words, None)
    }

    /// What differs between the last render of a frame and now.
    fn difference(&self, id: NodeId, frame: i64, reason: Reason) -> (String, Option<Link>) {
        let last = super::last(self.known, id, frame);
        let needs = self.needs(id, frame);
        let lacking = needs
            .iter()
            .find(|need| need.now == Input::Missing)
            .or(needs.iter().find(|need| need.now == Input::ToCome));
        let follow = |need: &Need| Link { node: need.node, frame: need.frame, seen: None };
        if last.key == NONE {
            return match lacking {
                Some(need) => ("it was never rendered, and it needs".into(), Some(follow(need))),
                None => ("it was never rendered".into(), None),
            };
        }
        let Some(old) = self.memory.made_of(&last.key) else {
            return ("the record of what its render was made of is lost".into(), None);
        };
        if let Some(says) = self.own(id, frame, &old) {
            let of_cut = !is_assembly(&self.graph.nodes[id].work) && self.has_other_cut(id, &old);
            return (says, needs.first().filter(|_| of_cut).map(follow));
        }
        if let Some(answer) = self.cut(id, &needs, &old) {
            return answer;
        }
        if let Some(says) = self.reconnected(id, &old) {
            return (says, lacking.map(follow));
        }
        let says = match reason {
            Reason::Redo => "its inputs changed after a person made it, so that a person must look at it",
            _ => "an input of it changed",
        };
        if reason == Reason::Redo && old.inputs.is_empty() && !needs.is_empty() {
            return (
                "it was made for earlier inputs, as they were handed out, so that a person must look at it"
                    .into(),
                lacking.map(follow),
            );
        }
        if needs.len() != old.inputs.len() {
            return ("other input frames are used than before".into(), lacking.map(follow));
        }
        let moved = needs.iter().zip(&old.inputs).find_map(|(need, &then)| match need.now {
            Input::Pixels(now) if now != then => Some(Link { seen: Some((then, now)), ..follow(need) }),
            _ => None,
        });
        // What is not made yet comes first: it says more of why than what was made since.
        match lacking.map(follow).or(moved) {
            Some(next) => (says.into(), Some(next)),
            None => ("other input frames are used than before".into(), None),
        }
    }

    /// What a person changed about the stage itself, as far as it plays a part at this frame.
    fn own(&self, id: NodeId, frame: i64, old: &MadeOf) -> Option<String> {
        let node = &self.graph.nodes[id];
        let source = match node.source().map(|source| self.known.source(source, frame)) {
            None => None,
            Some(super::SourceState::Known(digest)) => Some(digest),
            Some(_) => return None,
        };
        let is_made_alike = node.identity == old.identity;
        if is_made_alike && super::parameters(node, frame, source, None) == old.parameters {
            return None;
        }
        let changed = self.settings(id, old);
        Some(match node.source() {
            _ if !changed.is_empty() => changed.join("; "),
            Some(source) if is_made_alike => {
                format!("{} has other bytes than before", self.file(source, frame))
            }
            _ if !is_made_alike => {
                "how it is made changed: its version, its reach or what it delivers".into()
            }
            _ => "its settings come out otherwise at this frame".into(),
        })
    }

    /// The named settings that differ from those of an earlier render.
    fn settings(&self, id: NodeId, old: &MadeOf) -> Vec<String> {
        let now = settings(&self.graph.nodes[id].ingredients);
        self.memory.ingredients(&old.ingredients).map(|then| sentences(&then, &now)).unwrap_or_default()
    }

    /// Whether the cut is another than that of an earlier render. Of a print, the film's picture tells more of it.
    fn has_other_cut(&self, id: NodeId, old: &MadeOf) -> bool {
        let Some(then) = self.memory.ingredients(&old.ingredients) else { return false };
        let now = settings(&self.graph.nodes[id].ingredients);
        differing(&then, &now).iter().any(|change| change.name == CUT)
    }

    /// The inputs that come from somewhere else than before.
    fn reconnected(&self, id: NodeId, old: &MadeOf) -> Option<String> {
        let (before, now) =
            (self.memory.ingredients(&old.ingredients)?, settings(&self.graph.nodes[id].ingredients));
        let connections = |all: &[Setting]| -> Vec<Setting> {
            all.iter().filter(|(name, _, _)| name.starts_with(FROM)).cloned().collect()
        };
        let (before, now) = (connections(&before), connections(&now));
        // Of renders of earlier versions it is not known where their inputs came from.
        let told = if before.is_empty() { Vec::new() } else { sentences(&before, &now) };
        (!told.is_empty()).then(|| told.join("; "))
    }

    /// Of a film frame that shows another frame than before: the cut, and both frames.
    fn cut(&self, id: NodeId, needs: &[Need], old: &MadeOf) -> Option<(String, Option<Link>)> {
        let node = &self.graph.nodes[id];
        let then = *old.inputs.first()?;
        if !is_assembly(&node.work) || !self.has_other_cut(id, old) {
            return None;
        }
        let Some(need) = needs.first() else {
            return Some(("the cut shows nothing here any more".into(), None));
        };
        if super::last(self.known, need.node, need.frame).pixels == then {
            return None;
        }
        let shows = place(&self.graph.nodes[need.node], need.frame);
        let showed = node.inputs.iter().find_map(|edge| {
            let rows = self.known.rows(edge.from)?;
            let from = &self.graph.nodes[edge.from];
            let frame = from.frames.iter().find(|&n| rows.row(n).pixels == then)?;
            Some(place(from, frame))
        });
        let before = showed.map_or(String::new(), |showed| format!(", and showed {showed} before"));
        let link = Link { node: need.node, frame: need.frame, seen: None };
        let next = (!matches!(need.now, Input::Pixels(_))).then_some(link);
        Some((format!("the cut changed: it shows {shows} here{before}"), next))
    }

    fn needs(&self, id: NodeId, frame: i64) -> Vec<Need> {
        let mut needs = Vec::new();
        self.graph.each_need(id, frame, &mut |edge, _, range| {
            needs.extend(range.iter().map(|frame| {
                let now = match self.report.strips[edge.from].get(frame) {
                    Some(cell) => super::input(self.known, &cell, edge.channel.as_deref()),
                    None => Input::Missing,
                };
                Need { node: edge.from, frame, now }
            }));
        });
        needs
    }

    /// Of a fresh frame that is not what the frame above saw in it.
    fn since(&self, id: NodeId, frame: i64) -> String {
        let node = &self.graph.nodes[id];
        match (node.source(), self.memory.cause(id, frame)) {
            (Some(source), _) => {
                format!("it was read anew from {} since then", self.file(source, frame))
            }
            (None, Some(cause)) => format!("it was rendered anew since then; the cause was: {cause}"),
            (None, None) => "it was rendered anew since then".into(),
        }
    }

    fn missing(&self, id: NodeId, frame: i64) -> String {
        let node = &self.graph.nodes[id];
        let file = node.source().map_or_else(String::new, |source| self.file(source, frame));
        match node.work {
            Work::Hand { .. } => format!("a person is to put {file} in place"),
            _ => format!("{file} is missing"),
        }
    }

    fn with_a_person(&self, id: NodeId, frame: i64, cell: &Cell) -> String {
        let who = self.memory.out(id, frame).unwrap_or_else(|| "a person has it".into());
        if cell.is_in_use() { format!("{who}; what was made before goes on being used") } else { who }
    }

    fn unfit(&self, id: NodeId, frame: i64) -> String {
        let Some(source) = self.graph.nodes[id].source() else { return "its file cannot be used".into() };
        let fault = self.memory.fault(source, frame).unwrap_or_else(|| "cannot be used".into());
        format!("{} {fault}", self.file(source, frame))
    }

    fn failed(&self, id: NodeId, frame: i64) -> String {
        let again = "it is tried again when something changes, or with `endboard rebuild --again`";
        match self.memory.failure(id, frame) {
            Some((reason, Some(log))) => {
                format!("the last attempt at just this failed: {reason}; its log is {log}; {again}")
            }
            Some((reason, None)) => format!("the last attempt at just this failed: {reason}; {again}"),
            None => format!("the last attempt at just this failed; {again}"),
        }
    }

    /// The path of a source's file.
    fn file(&self, source: usize, frame: i64) -> String {
        self.graph.sources[source].file(frame)
    }
}

/// Whether a rebuild makes a frame anew.
fn is_to_make(cell: &Cell) -> bool {
    use Reason::{Changed, Delivered, Input, Lost, New};
    matches!(cell.reason, New | Changed | Input | Delivered | Lost) && !cell.held && !cell.restorable
}

pub(super) fn is_assembly(work: &Work) -> bool {
    matches!(work, Work::Operator { spec, .. } if spec.name == "assemble")
}
