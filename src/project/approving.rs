//! Approvals: which renders people approve of, and what holds of it as frames look now.
//!
//! Knows which renders can be approved and which frames are meant, how approvals stand in this film, and which of them a rebuild made
//! lapse. Does not know how any of it is worded.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;

use super::of_cut::OfCut;
use super::rebuild::Writer;
use super::sheet::finished;
use super::{Project, ProjectError, Status, wanted};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::selector::{Chosen, Selection};
use crate::base::state::{FrameState, State};
use crate::crew::approvals::{Approvals, Present, Standing};
use crate::graph::{FILM, NodeId};
use crate::ledger::crew::Crew;
use crate::ledger::file::{DIGESTS_A_ROW, Ledger};
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, Row, What};
use crate::store::state::State as LastKeys;

/// Frames of one stage that an approval is asked for.
#[derive(Clone, Debug)]
pub struct Asked {
    /// The stage.
    pub node: NodeId,
    /// Frames whose render is fresh.
    pub fresh: FrameSet,
    /// The others, by what they are.
    pub not: Vec<(&'static str, FrameSet)>,
}

impl Asked {
    /// These frames of a stage, parted into those that can be approved and the others.
    pub(super) fn of(status: &Status, node: NodeId, frames: &FrameSet) -> Self {
        let (mut fresh, mut not) = (FrameSet::new(), BTreeMap::<&'static str, FrameSet>::new());
        for frame in frames.iter() {
            let cell = status.report.strips[node].get(frame);
            match present(status, Some(node), frame) {
                Present::Fresh(_) => fresh.insert(frame),
                _ => {
                    let state =
                        cell.map_or(State::Absent.into(), |c| FrameState { state: c.state, held: c.held });
                    not.entry(state.word()).or_default().insert(frame);
                }
            }
        }
        Self { node, fresh, not: not.into_iter().collect() }
    }
}

/// Why nothing was approved.
#[derive(Debug, thiserror::Error)]
pub enum NotApproved {
    /// The ledger.
    #[error(transparent)]
    Project(#[from] ProjectError),
    /// No render stands for any of it.
    #[error("nothing of this leaves a render that can be approved")]
    Nothing,
    /// Some of it is not as the declaration says.
    #[error("nothing was approved: {}", .0.join(", "))]
    NotFresh(Vec<String>),
}

/// What came of an approval: stages with their frames.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Given {
    /// Pinned now.
    pub new: Vec<(NodeId, FrameSet)>,
    /// The same person's approval holds already, and nothing else is said this time.
    pub already: Vec<(NodeId, FrameSet)>,
}

/// Frames of one approval that stand alike in this film.
#[derive(Clone, Debug)]
pub struct Told {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// The row.
    pub row: RowId,
    /// Who approves.
    pub by: Arc<str>,
    /// Since when.
    pub when: Timestamp,
    /// The person's words.
    pub note: String,
    /// What it is worth.
    pub standing: Standing,
    /// On these frames.
    pub frames: FrameSet,
    /// What made the pixels change, where the ledger or the film knows.
    pub cause: Option<Arc<str>>,
}

/// Frames that were as approved, and are not after a rebuild.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lapsed {
    /// `SHOT/STAGE`.
    pub stage: String,
    /// The frames.
    pub frames: FrameSet,
    /// Who had approved them.
    pub by: Vec<Arc<str>>,
}

impl Project {
    /// What of a selection can be approved. A selector without a stage means what the film shows of the shot, and one without frames
    /// those that it shows, or all with their `handles`.
    pub fn to_approve(&self, status: &Status, selection: &Selection, handles: bool) -> Vec<Asked> {
        let graph = &status.declared.graph;
        let of_cut = OfCut::new(&status.declared);
        let shown = finished(graph);
        let mut all = Vec::new();
        for (id, node) in graph.nodes.iter().enumerate() {
            let is_meant = |selector: &&crate::base::selector::Selector| {
                selector.matches(&node.shot, &node.stage).is_some()
                    && (selector.stage().is_some() || shown.contains(&id))
            };
            let mut frames = FrameSet::new();
            for selector in selection.selectors.iter().filter(is_meant) {
                let chosen = match selector.matches(&node.shot, &node.stage) {
                    Some(Chosen::Frames(frames)) => Chosen::Frames(frames).within(node.frames),
                    _ if handles => node.frames.into(),
                    _ => of_cut.frames(id),
                };
                frames.insert_all(&chosen);
            }
            if frames.is_empty() || !node.keep {
                continue;
            }
            all.push(Asked::of(status, id, &frames));
        }
        all
    }

    /// Pins a person's approval to the renders of these frames as they are: all of them, or none.
    ///
    /// # Errors
    /// When any is not fresh or leaves no render, or the ledger cannot be written.
    pub fn approve(
        &self,
        status: &Status,
        asked: &[Asked],
        (person, note): (&str, &str),
        writer: &Writer,
    ) -> Result<Given, NotApproved> {
        let graph = &status.declared.graph;
        let has_none = |of: &Asked| !graph.nodes[of.node].keep || (of.fresh.is_empty() && of.not.is_empty());
        if asked.is_empty() || asked.iter().any(has_none) {
            return Err(NotApproved::Nothing);
        }
        let lacking = |of: &Asked| {
            let name = graph.nodes[of.node].name();
            of.not.iter().map(|(state, frames)| format!("{name}@{frames}: {state}")).collect::<Vec<_>>()
        };
        let lacking: Vec<String> = asked.iter().flat_map(lacking).collect();
        if !lacking.is_empty() {
            return Err(NotApproved::NotFresh(lacking));
        }
        let approvals = Approvals::after(&status.ledger.0);
        let mut given = Given::default();
        for of in asked {
            let list = match is_approved_so(status, &approvals, of, (person, note)) {
                true => &mut given.already,
                false => &mut given.new,
            };
            list.push((of.node, of.fresh.clone()));
        }
        self.pin(status, &given.new, (person, note), writer)?;
        Ok(given)
    }

    /// Writes the rows of an approval.
    fn pin(
        &self,
        status: &Status,
        given: &[(NodeId, FrameSet)],
        (person, note): (&str, &str),
        writer: &Writer,
    ) -> Result<(), ProjectError> {
        if given.is_empty() {
            return Ok(());
        }
        let mut ledger = Ledger::open(&self.folder.join("ledger"), &writer.name)?;
        let graph = &status.declared.graph;
        for (id, frames) in given {
            let (node, strip) = (&graph.nodes[*id], &status.report.strips[*id]);
            let frames: Vec<i64> = frames.iter().collect();
            // A row of the ledger has a limit, and each frame's digest stands in it.
            for part in frames.chunks(DIGESTS_A_ROW) {
                let digests: Vec<Digest> =
                    part.iter().filter_map(|&n| strip.get(n)).map(|cell| cell.pixels).collect();
                let what = What::Crew(Crew::Approval { digests, note: note.into() });
                let (shot, stage, frames) =
                    (node.shot.clone(), node.stage.clone(), part.iter().copied().collect());
                let film = graph.film.as_str().into();
                ledger.append(&Row {
                    when: Timestamp::now(),
                    film,
                    shot,
                    stage,
                    frames,
                    by: person.into(),
                    what,
                })?;
            }
        }
        Ok(())
    }

    /// Withdraws approvals among the selected, whoever gave them, also of stages that the film no longer has. Gives the stages
    /// and their frames.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn withdraw(
        &self,
        entries: &[Entry],
        selection: &Selection,
        (person, note): (&str, &str),
        writer: &Writer,
    ) -> Result<Vec<(String, FrameSet)>, ProjectError> {
        let approvals = Approvals::after(entries);
        let mut gone = Vec::new();
        for (shot, stage) in approvals.stages() {
            let Some(chosen) = selection.matches(shot, stage) else { continue };
            let all = approvals.of(shot, stage);
            let frames: FrameSet = all
                .iter()
                .flat_map(|approved| approved.frames.iter())
                .filter(|&n| chosen.contains(n))
                .collect();
            let Some(last) = all.last().filter(|_| !frames.is_empty()) else { continue };
            let what = What::Crew(Crew::Withdrawal { note: note.into() });
            let (when, frames_of) = (Timestamp::now(), frames.clone());
            self.put(
                &Row { when, frames: frames_of, by: person.into(), what, ..last.entry.row.clone() },
                writer,
            )?;
            gone.push((format!("{shot}/{stage}"), frames));
        }
        Ok(gone)
    }

    /// How all approvals stand, in order of shot, stage and row; what made them lapse is looked up when `causes` asks for it.
    pub fn approvals(&self, status: &Status, causes: bool) -> Vec<Told> {
        let approvals = Approvals::after(&status.ledger.0);
        let mut all = Vec::new();
        for (shot, stage) in approvals.stages() {
            let id = status.declared.graph.find(shot, stage);
            for part in approvals.parts(shot, stage, &|frame| present(status, id, frame)) {
                let row = &part.entry.row;
                let note = part.words().to_string();
                let first = part.frames.iter().next();
                let cause = match part.standing {
                    _ if !causes => None,
                    Standing::InForce => None,
                    _ => id.zip(first).and_then(|(id, frame)| self.changed_by(status, id, frame)),
                };
                all.push(Told {
                    shot: row.shot.clone(),
                    stage: row.stage.clone(),
                    row: part.entry.id,
                    by: row.by.clone(),
                    when: row.when,
                    note,
                    standing: part.standing,
                    frames: part.frames,
                    cause,
                });
            }
        }
        all
    }

    /// What made a frame other than it was: of a fresh one the cause of its last render.
    fn changed_by(&self, status: &Status, id: NodeId, frame: i64) -> Option<Arc<str>> {
        if status.report.strips[id].is_fresh_at(frame) {
            return self.explain(status, |explainer| explainer.memory.cause(id, frame));
        }
        self.cause_of(status, id, frame)
    }

    /// Of what the film shows of each shot, the frames that no approval holds for.
    pub fn unapproved(&self, status: &Status, selection: &Selection) -> Vec<(NodeId, FrameSet)> {
        let graph = &status.declared.graph;
        let approvals = Approvals::after(&status.ledger.0);
        let picked = wanted(graph, selection);
        let of_cut = OfCut::new(&status.declared);
        let mut all = Vec::new();
        for id in finished(graph) {
            let node = &graph.nodes[id];
            let Some(chosen) = picked[id].as_ref().filter(|_| &*node.shot != FILM) else { continue };
            let left = left(status, &approvals, id, chosen.within(node.frames).meet(&of_cut.frames(id)));
            if !left.is_empty() {
                all.push((id, left));
            }
        }
        all
    }
}

/// True when the person's approval of all these frames holds, and nothing else is said this time.
fn is_approved_so(
    status: &Status,
    approvals: &Approvals<'_>,
    asked: &Asked,
    (person, words): (&str, &str),
) -> bool {
    let node = &status.declared.graph.nodes[asked.node];
    let mut left = asked.fresh.clone();
    for part in approvals.parts(&node.shot, &node.stage, &|frame| present(status, Some(asked.node), frame)) {
        let is_own = *part.entry.row.by == *person && part.standing == Standing::InForce;
        if is_own && (words.is_empty() || part.words() == words) {
            left = left.without(&part.frames);
        }
    }
    left.is_empty()
}

/// Those of a stage's frames that no approval holds for.
pub(super) fn left(status: &Status, approvals: &Approvals<'_>, id: NodeId, mut frames: FrameSet) -> FrameSet {
    let node = &status.declared.graph.nodes[id];
    for part in approvals.parts(&node.shot, &node.stage, &|frame| present(status, Some(id), frame)) {
        if part.standing <= Standing::InDoubt {
            frames = frames.without(&part.frames);
        }
    }
    frames
}

/// How a frame looks now. A fresh render is fresh whether a person holds it or not: it is what the declaration says.
pub(super) fn present(status: &Status, id: Option<NodeId>, frame: i64) -> Present {
    let cell = id.and_then(|id| Some((id, status.report.strips[id].get(frame)?)));
    let Some((id, cell)) = cell else { return Present::Gone };
    if cell.state == State::Fresh && cell.pixels != NONE {
        return Present::Fresh(cell.pixels);
    }
    let node = &status.declared.graph.nodes[id];
    let last = status.state.table(&node.shot, &node.stage).and_then(|table| table.get(frame));
    let last = last.filter(|row| row.key != NONE && row.pixels != NONE);
    last.map_or(Present::Absent, |row| Present::Last(row.pixels))
}

/// By shot and stage: frames whose last render is the one approved, and who approved them.
type AsApproved = BTreeMap<(Arc<str>, Arc<str>), (FrameSet, Vec<Arc<str>>)>;

/// The frames of approvals whose last render is the one approved, by stage, with who approved them.
pub(super) fn as_approved(entries: &[Entry], state: &LastKeys) -> AsApproved {
    let approvals = Approvals::after(entries);
    let mut all = BTreeMap::new();
    for (shot, stage) in approvals.stages() {
        let name: (Arc<str>, Arc<str>) = (shot.into(), stage.into());
        let Some(table) = state.table(&name.0, &name.1) else { continue };
        let (mut frames, mut by) = (FrameSet::new(), Vec::new());
        for approved in approvals.of(shot, stage) {
            let is_there = |n: &i64| {
                let pixels = table.get(*n).filter(|row| row.key != NONE).map(|row| row.pixels);
                pixels.is_some() && pixels == approved.digest(*n)
            };
            let held: Vec<i64> = approved.frames.iter().filter(is_there).collect();
            if !held.is_empty() && !by.contains(&approved.entry.row.by) {
                by.push(approved.entry.row.by.clone());
            }
            held.into_iter().for_each(|n| frames.insert(n));
        }
        if !frames.is_empty() {
            all.insert(name, (frames, by));
        }
    }
    all
}

/// What was as approved before, and is not now.
pub(super) fn lapsed(before: AsApproved, entries: &[Entry], state: &LastKeys) -> Vec<Lapsed> {
    if before.is_empty() {
        return Vec::new();
    }
    let now = as_approved(entries, state);
    let mut all = Vec::new();
    for (name, (frames, by)) in before {
        let frames = now.get(&name).map_or(frames.clone(), |(left, _)| frames.without(left));
        if !frames.is_empty() {
            all.push(Lapsed { stage: format!("{}/{}", name.0, name.1), frames, by });
        }
    }
    all
}
