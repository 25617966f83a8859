//! An engine for tests: a graph of operators that do as a test says, in a store of its own.
//!
//! Knows how the parts of a run are put together. Only compiled for tests.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use super::{Engine, Options, Outcome};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{SourceId, Span};
use crate::declare::film::{At, Command, Delivers, Each};
use crate::events::Event;
use crate::graph::{CommandWork, Edge, Graph, Node, NodeId, Work};
use crate::ledger::file::Ledger;
use crate::media::image::{Image, RGBA};
use crate::operators::{Inputs, Made, OperatorError, Prepared, named};
use crate::programs::Runner;
use crate::stale;
use crate::stale::remembered::Remembered;
use crate::store::Store;
use crate::store::actions::Actions;
use crate::store::shared::Shared;
use crate::store::state::State;

/// Width and height of the tests' frames.
pub const SIZE: (u32, u32) = (8, 4);
/// Longest time that a run may take before its test fails.
const PATIENCE: Duration = Duration::from_secs(60);

type Does<T> = Box<dyn Fn(i64) -> T + Send + Sync>;

/// An operator that calls what it is given.
pub struct Acting {
    /// Called for a frame's parameters.
    pub at: Does<()>,
    /// Whether all frames have the same parameters.
    pub is_still: bool,
    /// Called for a frame's pixels.
    pub apply: Does<Image>,
}

impl Acting {
    /// Makes pictures that differ from frame to frame.
    pub fn well() -> Self {
        Self { at: Box::new(|_| {}), is_still: false, apply: Box::new(picture) }
    }
}

/// A picture that shows the frame's number.
pub fn picture(frame: i64) -> Image {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    image.samples_mut(0).fill(half::f16::from_f32(frame as f32));
    image
}

impl Prepared for Acting {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.iter().map(|&name| name.into()).collect()
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        (self.at)(frame);
        key.int(if self.is_still { 0 } else { frame });
    }

    fn make(&self, _: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        Ok((self.apply)(frame).into())
    }
}

/// One stage of the shot `br010` over frames 1 to `last`.
pub fn node(stage: &str, last: i64, work: Work, from: Option<NodeId>) -> Node {
    let edge = |from| Edge { from, channel: None, port: "picture".into() };
    Node {
        shot: "br010".into(),
        stage: stage.into(),
        frames: FrameRange::new(1, last),
        work,
        inputs: from.map(edge).into_iter().collect(),
        channels: RGBA.iter().map(|&name| name.into()).collect(),
        identity: Digest::of(stage.as_bytes()),
        keep: true,
        pools: Vec::new(),
        span: Span::new(SourceId(0), 0, 0),
        ingredients: Vec::new(),
    }
}

/// Work of an operator.
pub fn acting(acting: Acting) -> Work {
    Work::Operator { spec: named("grade").expect("there is one").spec(), prepared: Box::new(acting) }
}

/// A film of these nodes.
pub fn graph(nodes: Vec<Node>) -> Graph {
    Graph { film: "The Brine Lamp".into(), frame_size: SIZE, nodes, ..Graph::default() }
}

/// Calls `with` with an engine that has done nothing yet, in a folder of its own.
pub fn engine<T>(graph: &Graph, jobs: usize, memory: usize, with: impl FnOnce(Engine<'_>) -> T) -> T {
    let folder = tempfile::tempdir().expect("a temporary folder");
    engine_in(folder.path(), graph, jobs, memory, &|_| None, with)
}

/// Does so in this folder, with what `shared` makes of its store behind it.
pub fn engine_in<T>(
    folder: &Path,
    graph: &Graph,
    jobs: usize,
    memory: usize,
    shared: &dyn Fn(&Store) -> Option<Arc<Shared>>,
    with: impl FnOnce(Engine<'_>) -> T,
) -> T {
    let store = Store::at(folder).expect("a store");
    store.create().expect("a store");
    let report = stale::look(graph, &Remembered::default());
    let plan = crate::plan::plan(graph, &report, false, &|_, _| true);
    let actions = Actions::of(&store);
    let shared = shared(&store);
    let ledger = Ledger::open(&folder.join("ledger"), "keeper");
    let events = |_: Event| {};
    with(Engine::new(
        graph,
        &report,
        &plan,
        &[],
        folder.to_path_buf(),
        store,
        &actions,
        &crate::crew::packets::Packets::default(),
        State::default(),
        super::tally::Tally::new(&graph.film, "here", ledger, &[]),
        Options { jobs, memory, again: false, way: Default::default(), shared, was: Default::default() },
        Runner::alone().expect("a thread"),
        &events,
    ))
}

/// Rebuilds all of a film; fails the test when that does not come to an end.
pub fn run(graph: Graph, jobs: usize) -> Outcome {
    run_within(graph, jobs, 1 << 20)
}

/// Does so with so many bytes of memory for pictures.
pub fn run_within(graph: Graph, jobs: usize, memory: usize) -> Outcome {
    ends("the run", move || engine(&graph, jobs, memory, |engine| engine.run().0))
}

/// What `does` gives; fails the test when it does not come to an end.
pub fn ends<T: Send + 'static>(what: &str, does: impl FnOnce() -> T + Send + 'static) -> T {
    let (tell, told) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let _ = tell.send(does());
    });
    told.recv_timeout(PATIENCE).unwrap_or_else(|_| panic!("{what} comes to no end"))
}

/// Work of a shell command that makes `each` of its frames; `$1` is where its output goes and `$2` an input.
pub fn shell(text: &str, each: Each) -> Work {
    let text = text.replace('{', "{{").replace('}', "}}");
    let words = ["sh", "-c", &text, "sh", "{out}", "{picture}"].map(String::from).to_vec();
    let span = Span::new(SourceId(0), 0, 0);
    let command = Command {
        words: At { value: words, span },
        each,
        reach: 0,
        delivers: Delivers::Picture,
        version_from: None,
        depends: Vec::new(),
        time_limit: None,
        retries: 0,
        memory: None,
    };
    Work::Command(Box::new(CommandWork::plain(command)))
}
