//! Graph and what is known → the state of every frame.
//!
//! One walk over a frame's inputs gives what it is made of; its digest is the key, and `explain` sets it
//! against what the last render was made of. Pure: what is known comes in through [`Knowledge`].

pub mod cause;
pub mod explain;
mod hands;
mod leaves;
#[cfg(test)]
pub(crate) mod remembered;
mod seal;
mod strip;
mod words;

use std::sync::Arc;

use rayon::prelude::*;

pub use self::hands::rests_on;
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
    /// Whether a picture is in the store.
    fn is_stored(&self, pixels: &Digest) -> bool;
    /// The digest of one channel of the render of a key, whose pixels are these; none when it has no such channel or
    /// neither the key's record nor the pixels are there any more.
    fn plane(&self, key: &Digest, pixels: &Digest, channel: &str) -> Option<Digest>;
    /// The digest of the parameters that the render of a key was made with; of a plate or hand stage, its
    /// file's digest is among them.
    fn parameters(&self, key: &Digest) -> Option<Digest>;
    /// Of a hand stage, whether a frame is with a person.
    fn is_out(&self, node: NodeId, frame: i64) -> bool;
    /// What a frame's file of these bytes was made for, where that is known: what the frame rested on when it was handed out.
    fn made_for(&self, node: NodeId, frame: i64, file: &Digest) -> Option<Digest>;
    /// One digest of all that the two above say of a node; none where they say nothing.
    fn hands(&self, node: NodeId) -> Option<Digest>;
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
    /// A person has it in hand.
    Out,
    /// A person delivered it, for the first time or anew, and it was not taken in yet.
    Delivered,
    /// The last attempt with this key failed.
    Failed,
    /// Its file in the renders tree is gone.
    OutOfPlace,
    /// Its file in the renders tree is gone and so is the stored picture, which is to be made once more.
    Lost,
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

/// What a frame that needs another finds there, or in one channel of it.
pub fn input(known: &dyn Knowledge, cell: &Cell, channel: Option<&str>) -> Input {
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
/// (plates and hand stages), `made_for` what a file that came back was made for, in place of the inputs that there are now,
/// `steady` the digest of parameters that are the same for every frame.
pub fn key(
    graph: &Graph,
    id: NodeId,
    frame: i64,
    source: Option<Digest>,
    made_for: Option<Digest>,
    steady: Option<Digest>,
    seen: &mut dyn FnMut(NodeId, i64, Option<&str>) -> Input,
) -> Result<(Digest, MadeOf), Input> {
    let node = &graph.nodes[id];
    let parameters = parameters(node, frame, source, steady);
    let mut made = MadeOf { identity: node.identity, parameters, ingredients: NONE, inputs: Vec::new() };
    let mut hasher = KeyHasher::new();
    hasher.text("key 2").digest(&node.identity).digest(&made.parameters);
    if matches!(node.work, Work::Hand { .. }) {
        let (rests_on, inputs) = match made_for {
            Some(then) => (then, Vec::new()),
            None => rests_on(graph, id, frame, seen)?,
        };
        made.inputs = inputs;
        return Ok((hasher.digest(&rests_on).finish(), made));
    }
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
            let cell = Cell { state: State::Absent, reason: Reason::FileMissing, ..blank };
            return hands::out(graph, known, id, frame, cell);
        }
        Some(SourceState::Unfit) => return Cell { state: State::Failed, reason: Reason::FileUnfit, ..blank },
    };
    let held = last.key != NONE && known.held(id, frame, &last.pixels);
    let by_hand = matches!(node.work, Work::Hand { .. });
    let made_for = source.filter(|_| by_hand).and_then(|file| known.made_for(id, frame, &file));
    // What a file that came back is taken in as, whatever there is now.
    let returned = made_for.and_then(|_| key(graph, id, frame, source, made_for, steady, seen).ok());
    let has_new_file = || match &returned {
        Some((key, _)) => last.key != *key,
        // Where the record of what was taken in is lost, it is taken in once more. The inputs play no part in this, so
        // that a file that comes together with a new input is not overlooked.
        None => known.parameters(&last.key) != Some(parameters(node, frame, source, steady)),
    };
    let now = key(graph, id, frame, source, None, steady, seen);
    let cell = match now {
        Ok((key, _)) if last.key == key && !(returned.is_some() && has_new_file()) => {
            fresh(known, node, id, frame, last)
        }
        now if held || (by_hand && last.key != NONE && !has_new_file()) => {
            let (key, reason) =
                (now.map_or(NONE, |(key, _)| key), if held { Reason::Changed } else { Reason::Redo });
            let restorable = node.keep
                && !known.in_place(id, frame, &last.pixels)
                // What a person delivered can be read from their file once more.
                && (reason == Reason::Redo || known.is_stored(&last.pixels));
            Cell { held, key, reason, restorable, pixels: last.pixels, made_by: last.key, ..blank }
        }
        Ok((key, _)) => unmade(known, id, returned.map_or(key, |(key, _)| key), last, by_hand),
        Err(Input::Missing) => Cell { state: State::Blocked, reason: Reason::InputMissing, ..blank },
        Err(_) if by_hand => Cell { reason: Reason::Delivered, ..blank },
        Err(_) if last.key != NONE => Cell { reason: Reason::Input, ..blank },
        Err(_) => blank,
    };
    hands::out(graph, known, id, frame, cell)
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
    } else if known.made(id, &last.key).is_some() {
        Cell { restorable: true, reason: Reason::OutOfPlace, ..found }
    } else {
        Cell { reason: Reason::Lost, ..found }
    }
}

/// A frame whose key has no render of its own yet, unless an earlier run made it.
fn unmade(known: &dyn Knowledge, id: NodeId, key: Digest, last: Row, by_hand: bool) -> Cell {
    let blank = Cell { key, ..blank(last) };
    if last.failed == key {
        return Cell { state: State::Failed, reason: Reason::Failed, ..blank };
    }
    let reason = match last.key {
        _ if by_hand => Reason::Delivered,
        NONE => Reason::New,
        _ => Reason::Changed,
    };
    match known.made(id, &key) {
        Some(pixels) => Cell { restorable: true, reason, pixels, made_by: key, ..blank },
        None => Cell { reason, ..blank },
    }
}

/// The name of a node for people.
pub fn place(node: &Node, frame: i64) -> String {
    format!("{}/{}@{frame}", node.shot, node.stage)
}

#[cfg(test)]
mod tests {
    use super::remembered::{Always, Remembered};
    use super::*;
    use crate::base::frames::FrameRange;
    use crate::base::problem::{SourceId, Span};
    use crate::declare::film::Delivers;
    use crate::graph::Edge;
    use crate::operators::{Inputs, Made, OperatorError, Prepared};

    struct Plain;

    impl Prepared for Plain {
        fn channels(&self) -> Vec<Arc<str>> {
            Vec::new()
        }
        fn at(&self, _: i64, _: &mut KeyHasher) {}
        fn make(&self, _: &Inputs<'_>, _: i64) -> Result<Made, OperatorError> {
            Err(OperatorError::WrongInput("nothing is made here".into()))
        }
    }

    fn digest(text: &str) -> Digest {
        Digest::of(text.as_bytes())
    }

    /// A stage made by hand over another.
    fn by_hand() -> Graph {
        let node = |stage: &str, inputs| Node {
            shot: "br010".into(),
            stage: stage.into(),
            frames: FrameRange::one(1),
            work: Work::Hand { source: 0, decode: Box::new(Plain), delivers: Delivers::Picture },
            inputs,
            channels: Vec::new(),
            identity: digest(stage),
            keep: true,
            pools: Vec::new(),
            span: Span::new(SourceId(0), 0, 0),
            ingredients: Vec::new(),
        };
        let edge = Edge { from: 0, channel: None, port: "picture".into() };
        Graph { nodes: vec![node("plate", Vec::new()), node("paint", vec![edge])], ..Graph::default() }
    }

    #[test]
    fn a_new_file_is_taken_in_and_a_new_input_asks_for_a_person() {
        let graph = by_hand();
        let last = Row { key: digest("old key"), pixels: digest("old pixels"), failed: NONE };
        let of = |file: &str| parameters(&graph.nodes[1], 1, Some(digest(file)), None);
        let look = |row: Row, file: &str, now: Input| {
            let known = Remembered {
                files: Some(digest(file)),
                last: vec![None, (row != Row::EMPTY).then(|| Arc::new(Always(row)) as Arc<dyn Rows>)],
                parameters: Some(of("old file")),
                ..Remembered::default()
            };
            let cell = cell(&graph, &known, 1, 1, None, &mut |_, _, _| now);
            (cell.state, cell.reason, cell.pixels)
        };
        let new = Input::Pixels(digest("new input"));
        let key = |file| {
            let mut seen = |_: NodeId, _: i64, _: Option<&str>| new;
            key(&graph, 1, 1, Some(digest(file)), None, None, &mut seen).unwrap().0
        };
        for now in [new, Input::ToCome, Input::Missing] {
            let redo = look(last, "old file", now);
            assert_eq!(redo, (State::Stale, Reason::Redo, last.pixels), "{now:?}");
        }
        // A file that comes together with a new input is taken in once that is made.
        for now in [new, Input::ToCome] {
            assert_eq!(look(last, "new file", now), (State::Stale, Reason::Delivered, NONE), "{now:?}");
            let first = look(Row::EMPTY, "new file", now);
            assert_eq!(first, (State::Absent, Reason::Delivered, NONE), "{now:?}");
        }
        let blocked = (State::Blocked, Reason::InputMissing, NONE);
        assert_eq!(look(last, "new file", Input::Missing), blocked);
        assert_eq!(look(Row::EMPTY, "new file", Input::Missing), blocked);
        let failed = (State::Failed, Reason::Failed, NONE);
        assert_eq!(look(Row { failed: key("new file"), ..last }, "new file", new), failed);
        assert_eq!(look(Row { failed: key("new file"), ..Row::EMPTY }, "new file", new), failed);
    }

    #[test]
    fn a_file_that_came_back_is_taken_in_as_made_for_what_was_handed_out() {
        let graph = by_hand();
        let then = Input::Pixels(digest("plate as handed out"));
        let rests = |now: Input| rests_on(&graph, 1, 1, &mut |_, _, _| now).unwrap().0;
        let of = parameters(&graph.nodes[1], 1, Some(digest("file")), None);
        let key = |made_for: Option<Digest>, now: Input| {
            key(&graph, 1, 1, Some(digest("file")), made_for, None, &mut |_, _, _| now).unwrap().0
        };
        let look = |row: Row, now: Input, out: bool| {
            let known = Remembered {
                files: Some(digest("file")),
                last: vec![None, (row != Row::EMPTY).then(|| Arc::new(Always(row)) as Arc<dyn Rows>)],
                parameters: Some(of),
                out,
                made_for: Some((digest("file"), rests(then))),
            };
            let cell = cell(&graph, &known, 1, 1, None, &mut |_, _, _| now);
            (cell.state, cell.reason, cell.key)
        };
        let (changed, as_then) = (Input::Pixels(digest("plate since")), key(None, then));
        // Under whatever inputs it comes, its key is that of what was handed out.
        assert_eq!(key(Some(rests(then)), changed), as_then);
        assert_eq!(look(Row::EMPTY, changed, false), (State::Absent, Reason::Delivered, as_then));
        let taken_in = Row { key: as_then, pixels: digest("picture"), failed: NONE };
        assert_eq!(look(taken_in, changed, false), (State::Stale, Reason::Redo, key(None, changed)));
        assert_eq!(look(taken_in, then, false), (State::Fresh, Reason::None, as_then));
        // One that was taken in before it was known what it was made for is taken in once more.
        let ahead = Row { key: key(None, changed), ..taken_in };
        assert_eq!(look(ahead, changed, false), (State::Stale, Reason::Delivered, as_then));
        // With a person, it is out, and what there is of it is used.
        for now in [then, changed] {
            let (state, reason, _) = look(taken_in, now, true);
            assert_eq!((state, reason), (State::Out, Reason::Out));
        }
        // A new file is taken in all the same.
        assert_eq!(look(Row::EMPTY, then, true), (State::Absent, Reason::Delivered, as_then));
    }
}
