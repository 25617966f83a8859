//! What goes into a delivery: every frame and block by the digest of its pixels or samples, and what is not as declared.
//!
//! Knows states and last renders. Reads no pixels.

use std::collections::BTreeMap;

use super::targets::Ready;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::made::NONE;
use crate::base::state::State;
use crate::graph::NodeId;
use crate::media::sound::CLIP;
use crate::project::frames::{Frames, Lack};
use crate::project::{Project, Status};
use crate::stale::Cell;
use crate::store::objects::Objects;

/// Frames or blocks of one stage.
#[derive(Clone, Debug)]
pub struct Part {
    /// `film/assembly`.
    pub name: String,
    /// The stage.
    pub id: NodeId,
    /// Number and digest of each, in order.
    pub pieces: Vec<(i64, Digest)>,
}

impl Part {
    /// Digest of all of them.
    pub fn digest(&self) -> Digest {
        let mut hasher = KeyHasher::new();
        hasher.text(&self.name).list(self.pieces.len());
        for (number, digest) in &self.pieces {
            hasher.int(*number).digest(digest);
        }
        hasher.finish()
    }
}

/// All that goes in.
#[derive(Clone, Debug, Default)]
pub struct Needs {
    /// The picture first, then the sound.
    pub parts: Vec<Part>,
    /// What refuses the delivery.
    pub lacking: Vec<Lack>,
    /// What goes in although it is not as declared, since that was asked for.
    pub kept: Vec<Lack>,
}

/// What a delivery needs. `as_it_is` takes last renders for what is stale or held.
pub fn of(project: &Project, status: &Status, ready: &Ready, as_it_is: bool) -> Needs {
    let graph = &status.declared.graph;
    let mut wanted: Vec<(NodeId, FrameRange)> = Vec::new();
    wanted.extend(ready.picture.map(|shown| (shown.id, shown.frames)));
    wanted.extend(ready.mix.map(|id| (id, graph.nodes[id].frames)));
    wanted.extend(ready.stems.iter().map(|(_, id)| (*id, graph.nodes[*id].frames)));
    wanted.extend(ready.level.map(|id| (id, FrameRange::one(CLIP))));
    let mut needs = Needs::default();
    let mut under = vec![FrameSet::new(); graph.nodes.len()];
    for (id, frames) in wanted {
        let looked = looked(project, status, id, frames, as_it_is);
        needs.lacking.extend(looked.lacking);
        needs.kept.extend(looked.kept);
        needs.parts.push(looked.part);
        under[id].insert_range(frames);
    }
    needs.kept.extend(held_under(status, under));
    if !as_it_is {
        needs.lacking.append(&mut needs.kept);
    }
    needs
}

struct Looked {
    part: Part,
    lacking: Vec<Lack>,
    kept: Vec<Lack>,
}

fn looked(project: &Project, status: &Status, id: NodeId, range: FrameRange, as_it_is: bool) -> Looked {
    let node = &status.declared.graph.nodes[id];
    let objects = Objects::of(&status.store);
    let last = status.state.table(&node.shot, &node.stage);
    let strip = &status.report.strips[id];
    let mut pieces = Vec::new();
    let (mut lacking, mut kept): (Vec<i64>, BTreeMap<&'static str, FrameSet>) = Default::default();
    for n in range.iter() {
        let cell = strip.get(n);
        let stored = || {
            let row = last.and_then(|table| table.get(n)).filter(|row| row.key != NONE)?;
            objects.has(&row.pixels).then_some(row.pixels)
        };
        match cell {
            Some(cell) if cell.state == State::Fresh && cell.pixels != NONE => pieces.push((n, cell.pixels)),
            Some(cell) if cell.is_in_use() && cell.pixels != NONE => {
                kept.entry(word(&cell)).or_default().insert(n);
                pieces.push((n, cell.pixels));
            }
            Some(cell) if as_it_is && cell.state == State::Stale => match stored() {
                Some(pixels) => {
                    kept.entry(word(&cell)).or_default().insert(n);
                    pieces.push((n, pixels));
                }
                None => lacking.push(n),
            },
            _ => lacking.push(n),
        }
    }
    let name = node.name();
    let kept = kept.into_iter().map(|(why, frames)| lack(&name, why, &frames)).collect();
    let lacking = Frames::new(project, status, id).lacking(lacking);
    Looked { part: Part { name, id, pieces }, lacking, kept }
}

fn word(cell: &Cell) -> &'static str {
    if cell.held {
        "held, and not as declared"
    } else if cell.state == State::Out {
        "with a person, to be made anew"
    } else if cell.is_in_use() {
        "to be redone by hand"
    } else {
        "stale"
    }
}

fn lack(name: &str, why: &str, frames: &FrameSet) -> Lack {
    let place = format!("{name}@{frames}");
    let first = match why.starts_with("held") {
        true => format!("`endboard rebuild --let-go {place}` and a rebuild make it anew"),
        false => "make it anew".into(),
    };
    Lack { place, why: why.into(), way: format!("{first}, or `--as-it-is` delivers it so") }
}

/// What is held or waits for hands further down: frames above it are fresh, and show it.
fn held_under(status: &Status, mut wanted: Vec<FrameSet>) -> Vec<Lack> {
    let graph = &status.declared.graph;
    let tops: Vec<FrameSet> = wanted.clone();
    let mut found = Vec::new();
    for id in (0..graph.nodes.len()).rev() {
        let frames = std::mem::take(&mut wanted[id]);
        let strip = &status.report.strips[id];
        // A seal says that a stage's own inputs are fresh, and nothing of what these rest on: a file that is to be redone may lie below.
        if frames.is_empty() {
            continue;
        }
        let node = &graph.nodes[id];
        let mut kept: BTreeMap<&'static str, FrameSet> = BTreeMap::new();
        for n in frames.iter() {
            let cell = strip.get(n);
            let is_kept = |cell: &&Cell| cell.is_in_use() && cell.state != State::Fresh;
            if let Some(cell) = cell.as_ref().filter(is_kept) {
                if !tops[id].contains(n) {
                    kept.entry(word(cell)).or_default().insert(n);
                }
                // What it rests on does not show in it.
                continue;
            }
            graph.each_need(id, n, &mut |edge, _, range| wanted[edge.from].insert_range(range));
        }
        found.extend(kept.into_iter().map(|(why, frames)| lack(&node.name(), why, &frames)));
    }
    found.reverse();
    found
}
