//! Graph and what is known → the state of every frame.
//!
//! One walk over a frame's inputs gives what it is made of; its digest is the key, and `explain` sets it
//! against what the last render was made of. Pure: what is known comes in through [`Knowledge`].

pub mod explain;
mod leaves;
#[cfg(test)]
pub(crate) mod remembered;
mod seal;
mod strip;
mod words;

use std::sync::Arc;

use rayon::prelude::*;

pub use self::strip::{Cell, Report, Strip};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::made::{MadeOf, NONE, Row, Rows};
use crate::base::state::State;
use crate::graph::{Graph, Node, NodeId, Work};

/// What is known of a source file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SourceState {
    /// There, with this digest of its bytes.
    Known(Digest),
    /// Not there.
    Missing,
    /// There, but its size or form is wrong or it cannot be read.
    Unfit,
}

/// What earlier runs and the disk tell.
pub trait Knowledge: Sync {
    /// A source's file.
    fn source(&self, source: usize, frame: i64) -> SourceState;
    /// The last renders of a node's frames; none when there never were any.
    fn rows(&self, node: NodeId) -> Option<&Arc<dyn Rows>>;
    /// Whether an earlier look found all frames of a node fresh by the same print, and every render that it keeps
    /// still has its file in place.
    fn is_sealed(&self, node: NodeId, print: &Digest) -> bool;
    /// The pixels of a key that was rendered once and can be had again without rendering.
    fn made(&self, node: NodeId, key: &Digest) -> Option<Digest>;
    /// The digest of one channel of the render of a key, whose pixels are these; none when it has no such channel or
    /// neither the key's record nor the pixels are there any more.
    fn plane(&self, key: &Digest, pixels: &Digest, channel: &str) -> Option<Digest>;
    /// The digest of the parameters that the render of a key was made with; of a plate or hand stage, its
    /// file's digest is among them.
    fn parameters(&self, key: &Digest) -> Option<Digest>;
    /// Whether a person holds the frame's render, of these pixels.
    fn held(&self, node: NodeId, frame: i64, pixels: &Digest) -> bool;
    /// Whether the file of the frame's render, of these pixels, is in its place in the renders tree.
    fn in_place(&self, node: NodeId, frame: i64, pixels: &Digest) -> bool;
}

/// Why a frame is not fresh.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// It is fresh.
    None,
    /// It was never rendered.
    New,
    /// What it is made of changed.
    Changed,
    /// An input will be made anew.
    Input,
    /// An input is not to be had: missing, unfit, failed or a person's to make.
    InputMissing,
    /// The plate's or hand stage's file is missing.
    FileMissing,
    /// The plate's or hand stage's file is unfit.
    FileUnfit,
    /// The inputs changed after a person made it.
    Redo,
    /// A person delivered it, for the first time or anew, and it was not taken in yet.
    Delivered,
    /// The last attempt with this key failed.
    Failed,
    /// Its file in the renders tree is gone.
    OutOfPlace,
}

/// Looks at every frame. Nodes that do not need one another are looked at side by side.
pub fn look(graph: &Graph, known: &dyn Knowledge) -> Report {
    let mut levels: Vec<Vec<NodeId>> = Vec::new();
    let mut level_of = vec![0usize; graph.nodes.len()];
    for (id, node) in graph.nodes.iter().enumerate() {
        level_of[id] = node.inputs.iter().map(|edge| level_of[edge.from] + 1).max().unwrap_or(0);
        if levels.len() <= level_of[id] {
            levels.resize_with(level_of[id] + 1, Vec::new);
        }
        levels[level_of[id]].push(id);
    }
    let nothing = || Strip::of_cells(0, Vec::new());
    let mut strips: Vec<Strip> = graph.nodes.iter().map(|_| nothing()).collect();
    let mut prints: Vec<Option<Digest>> = vec![None; graph.nodes.len()];
    for level in levels {
        let done: Vec<_> = level.par_iter().map(|&id| (id, strip(graph, known, &strips, id))).collect();
        for (id, (strip, print)) in done {
            strips[id] = strip;
            prints[id] = print;
        }
    }
    Report { strips, prints }
}

/// One node's frames and, when all of them are fresh, the print under which that may be remembered.
fn strip(graph: &Graph, known: &dyn Knowledge, strips: &[Strip], id: NodeId) -> (Strip, Option<Digest>) {
    let node = &graph.nodes[id];
    let print = seal::print(graph, known, strips, id);
    if let (Some(print), Some(rows)) = (&print, known.rows(id))
        && known.is_sealed(id, print)
    {
        return (Strip::sealed(node.frames, Arc::clone(rows)), Some(*print));
    }
    let steady = node.is_steady().then(|| node.parameters(node.frames.first));
    let mut seen = |from: NodeId, frame: i64, channel: Option<&str>| match strips[from].get(frame) {
        Some(cell) => input(known, &cell, channel),
        None => Input::Missing,
    };
    let cells = node.frames.iter().map(|frame| cell(graph, known, id, frame, steady, &mut seen)).collect();
    let strip = Strip::of_cells(node.frames.first, cells);
    let print = print.filter(|_| strip.is_fresh());
    (strip, print)
}

fn last(known: &dyn Knowledge, id: NodeId, frame: i64) -> Row {
    known.rows(id).map_or(Row::EMPTY, |rows| rows.row(frame))
}

/// What a frame finds at one of its inputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// These pixels.
    Pixels(Digest),
    /// It will be made anew; what comes out is not known yet.
    ToCome,
    /// It is not to be had.
    Missing,
}

fn input(known: &dyn Knowledge, cell: &Cell, channel: Option<&str>) -> Input {
    if cell.pixels != NONE {
        return match channel {
            None => Input::Pixels(cell.pixels),
            Some(channel) => {
                known.plane(&cell.made_by, &cell.pixels, channel).map_or(Input::ToCome, Input::Pixels)
            }
        };
    }
    match (cell.state, cell.reason) {
        (State::Failed | State::Blocked | State::Out, _) | (_, Reason::FileMissing | Reason::FileUnfit) => {
            Input::Missing
        }
        _ => Input::ToCome,
    }
}

/// Digest of a frame's parameters, of plates and hand stages with that of its file.
fn parameters(node: &Node, frame: i64, source: Option<Digest>, steady: Option<Digest>) -> Digest {
    let parameters = steady.unwrap_or_else(|| node.parameters(frame));
    match source {
        Some(source) => KeyHasher::new().digest(&parameters).digest(&source).finish(),
        None => parameters,
    }
}

/// What a frame is made of now and the key of that, or what stands in the way. `source` is the digest of its file
/// (plates and hand stages), `steady` the digest of parameters that are the same for every frame.
pub fn key(
    graph: &Graph,
    id: NodeId,
    frame: i64,
    source: Option<Digest>,
    steady: Option<Digest>,
    seen: &mut dyn FnMut(NodeId, i64, Option<&str>) -> Input,
) -> Result<(Digest, MadeOf), Input> {
    let node = &graph.nodes[id];
    let parameters = parameters(node, frame, source, steady);
    let mut made = MadeOf { identity: node.identity, parameters, ingredients: NONE, inputs: Vec::new() };
    let mut hasher = KeyHasher::new();
    hasher.text("key 2").digest(&node.identity).digest(&made.parameters);
    let mut stopped = None;
    let is_command = matches!(node.work, Work::Command(_));
    let tells_apart = node.tells_inputs_apart();
    graph.each_need(id, frame, &mut |edge, index, range| {
        hasher.int(if tells_apart { index as i64 } else { 0 }).int(range.len() as i64);
        if is_command {
            // A command sees where its frames lie around the one it makes.
            hasher.int(range.first - frame);
        }
        for n in range.iter() {
            match seen(edge.from, n, edge.channel.as_deref()) {
                Input::Pixels(digest) => {
                    hasher.digest(&digest);
                    made.inputs.push(digest);
                }
                Input::Missing => stopped = Some(Input::Missing),
                Input::ToCome => stopped = Some(stopped.unwrap_or(Input::ToCome)),
            }
        }
    });
    match stopped {
        Some(stop) => Err(stop),
        None => Ok((hasher.finish(), made)),
    }
}

fn cell(
    graph: &Graph,
    known: &dyn Knowledge,
    id: NodeId,
    frame: i64,
    steady: Option<Digest>,
    seen: &mut dyn FnMut(NodeId, i64, Option<&str>) -> Input,
) -> Cell {
    let node = &graph.nodes[id];
    let last = last(known, id, frame);
    let blank = blank(last);
    let source = match node.source().map(|source| known.source(source, frame)) {
        None => None,
        Some(SourceState::Known(digest)) => Some(digest),
        Some(SourceState::Missing) => {
            return Cell { state: State::Absent, reason: Reason::FileMissing, ..blank };
        }
        Some(SourceState::Unfit) => return Cell { state: State::Failed, reason: Reason::FileUnfit, ..blank },
    };
    let held = last.key != NONE && known.held(id, frame, &last.pixels);
    let keep_last = Cell {
        state: State::Stale,
        held,
        pixels: last.pixels,
        made_by: last.key,
        reason: Reason::Changed,
        ..blank
    };
    let by_hand = matches!(node.work, Work::Hand { .. });
    match key(graph, id, frame, source, steady, seen) {
        Ok((key, _)) if last.key == key => fresh(known, node, id, frame, last),
        Ok((key, _)) if held => Cell { key, ..keep_last },
        Ok((key, made)) if by_hand => hand_made(known, last, keep_last, key, Some(&made)),
        Ok((key, _)) => unmade(known, id, key, last),
        Err(_) if held => keep_last,
        Err(_) if by_hand => hand_made(known, last, keep_last, NONE, None),
        Err(Input::Missing) => Cell { state: State::Blocked, reason: Reason::InputMissing, ..blank },
        Err(_) if last.key != NONE => Cell { reason: Reason::Input, ..blank },
        Err(_) => blank,
    }
}

/// A frame of which nothing is known but whether it was ever rendered.
fn blank(last: Row) -> Cell {
    Cell {
        state: if last.key != NONE { State::Stale } else { State::Absent },
        held: false,
        restorable: false,
        reason: Reason::New,
        key: NONE,
        pixels: NONE,
        made_by: NONE,
    }
}

/// A frame whose last render is of the key that it has now.
fn fresh(known: &dyn Knowledge, node: &Node, id: NodeId, frame: i64, last: Row) -> Cell {
    let found = Cell { key: last.key, pixels: last.pixels, made_by: last.key, ..blank(last) };
    if !node.keep || known.in_place(id, frame, &last.pixels) {
        Cell { state: State::Fresh, reason: Reason::None, ..found }
    } else {
        Cell { restorable: true, reason: Reason::OutOfPlace, ..found }
    }
}

/// A frame whose key has no render of its own yet, unless an earlier run made it.
fn unmade(known: &dyn Knowledge, id: NodeId, key: Digest, last: Row) -> Cell {
    let blank = Cell { key, ..blank(last) };
    if last.failed == key {
        return Cell { state: State::Failed, reason: Reason::Failed, ..blank };
    }
    let reason = if last.key != NONE { Reason::Changed } else { Reason::New };
    match known.made(id, &key) {
        Some(pixels) => Cell { restorable: true, reason, pixels, made_by: key, ..blank },
        None => Cell { reason, ..blank },
    }
}

/// A hand stage's frame whose key is not the recorded one. Either its file (or how it is decoded) is not the
/// one that was taken in, and the next rebuild takes it in; or only its inputs changed after a person made it,
/// and a person must look at it again. `made` is what it is made of now, when its inputs are known.
fn hand_made(known: &dyn Knowledge, last: Row, keep_last: Cell, key: Digest, made: Option<&MadeOf>) -> Cell {
    if last.key == NONE && key != NONE && last.failed == key {
        return Cell { state: State::Failed, reason: Reason::Failed, key, ..keep_last };
    }
    if last.key == NONE {
        return Cell { state: State::Absent, reason: Reason::Delivered, key, ..keep_last };
    }
    // Where the record of what was taken in is lost, it is taken in once more.
    let taken_in = known.parameters(&last.key);
    if made.is_some_and(|made| taken_in != Some(made.parameters)) {
        if last.failed == key {
            return Cell {
                state: State::Failed,
                reason: Reason::Failed,
                key,
                pixels: NONE,
                made_by: NONE,
                ..keep_last
            };
        }
        return Cell { reason: Reason::Delivered, key, pixels: NONE, made_by: NONE, ..keep_last };
    }
    Cell { reason: Reason::Redo, key, ..keep_last }
}

/// The name of a node for people.
pub fn place(node: &Node, frame: i64) -> String {
    format!("{}/{}@{frame}", node.shot, node.stage)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn digest(text: &str) -> Digest {
        Digest::of(text.as_bytes())
    }

    #[test]
    fn a_new_file_is_taken_in_and_a_new_input_asks_for_a_person() {
        let known = remembered::Remembered(Some((digest("old key"), digest("old file"))));
        let last = Row { key: digest("old key"), pixels: digest("old pixels"), failed: NONE };
        let keep = Cell { state: State::Stale, pixels: last.pixels, made_by: last.key, ..blank(last) };
        let made = |file: &str| MadeOf {
            identity: NONE,
            parameters: digest(file),
            ingredients: NONE,
            inputs: vec![digest("new input")],
        };
        let now = digest("new key");
        let redo = hand_made(&known, last, keep, now, Some(&made("old file")));
        assert_eq!((redo.reason, redo.pixels), (Reason::Redo, last.pixels));
        let delivered = hand_made(&known, last, keep, now, Some(&made("new file")));
        assert_eq!(
            (delivered.state, delivered.reason, delivered.pixels),
            (State::Stale, Reason::Delivered, NONE)
        );
        let failed = hand_made(&known, Row { failed: now, ..last }, keep, now, Some(&made("new file")));
        assert_eq!((failed.state, failed.reason), (State::Failed, Reason::Failed));
        let failed = Row { failed: now, ..Row::EMPTY };
        let failed_first = hand_made(&known, failed, blank(failed), now, Some(&made("new file")));
        assert_eq!((failed_first.state, failed_first.pixels), (State::Failed, NONE));
        // While inputs are still to come, the file that was taken in goes on being used.
        assert_eq!(hand_made(&known, last, keep, NONE, None).reason, Reason::Redo);
        let first = hand_made(&known, Row::EMPTY, keep, now, Some(&made("new file")));
        assert_eq!((first.state, first.reason), (State::Absent, Reason::Delivered));
    }
}
