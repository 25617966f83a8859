//! The film as a graph: one node for each stage of each shot, standing for all its frames.
//!
//! Knows which frames of which node a frame needs. Holds ranges, never single frames, so that a
//! million frames cost no more than their stages. Does not know what is fresh or stale, nor the disk.

pub mod assembly;
pub mod build;
mod command;
mod connect;
pub mod edit;
mod keyed;
mod prints;
mod sound;
mod stages;
pub mod times;
mod told;
mod wanted;

use std::sync::Arc;

use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::problem::Span;
use crate::base::selector::{Chosen, Selector};
use crate::declare::film::{Delivers, Media};
use crate::media::sound::CLIP;
use crate::operators::sound::PreparedSound;
use crate::operators::sound::blocks::Blocks;
use crate::operators::{Prepared, Spec, WorkingSpace};
pub use command::CommandWork;

/// Position of a node in [`Graph::nodes`]; inputs always come before what needs them.
pub type NodeId = usize;

/// The shot name under which the film's own picture stands.
pub const FILM: &str = "film";
/// The stage name of the film's own picture.
pub const ASSEMBLY: &str = "assembly";
/// The stage of the film's whole sound.
pub const MIX: &str = "mix";
/// Stages of the film's sound on the way to the mix: all stems together, what their blocks measure, and the gain that follows.
pub const SUM: &str = "sum";
/// See [`SUM`].
pub const METER: &str = "meter";
/// See [`SUM`].
pub const LEVEL: &str = "level";
/// How the stages of buses, stems and clips begin.
pub const BUS: &str = "bus.";
/// See [`BUS`].
pub const STEM: &str = "stem.";
/// See [`BUS`].
pub const CLIPS: &str = "clip.";
/// The name of the film's ingredient that stands for its cut.
pub const CUT: &str = "the cut";

/// All nodes, inputs first.
#[derive(Default)]
pub struct Graph {
    /// The film's name.
    pub film: String,
    /// Width and height in pixels.
    pub frame_size: (u32, u32),
    /// What the numbers of pixels mean between stages.
    pub space: WorkingSpace,
    /// The nodes.
    pub nodes: Vec<Node>,
    /// Sources that plate and hand nodes read.
    pub sources: Vec<Source>,
    /// Places in each named pool.
    pub pools: Vec<(String, u32)>,
    /// How the film's sound is parted; none where it has none.
    pub blocks: Option<Blocks>,
    /// Cues of the film's sound, with the film frames from 1 that each begins at; none where one is not heard.
    pub heard: Vec<(String, Vec<f64>)>,
}

/// One stage of one shot, over all its frames.
pub struct Node {
    /// Shot name.
    pub shot: Arc<str>,
    /// Stage name, `plate` or `take.NAME`.
    pub stage: Arc<str>,
    /// Frames it is asked for.
    pub frames: FrameRange,
    /// How it is made.
    pub work: Work,
    /// What it needs.
    pub inputs: Vec<Edge>,
    /// Channels that come out.
    pub channels: Vec<Arc<str>>,
    /// Digest of what no frame changes: operator and version, or a command's words and files; the frame's size and
    /// the names of channels.
    pub identity: Digest,
    /// Whether renders stay on disk.
    pub keep: bool,
    /// Places taken in pools: index in [`Graph::pools`] and how many.
    pub pools: Vec<(usize, u32)>,
    /// Where the stage is declared.
    pub span: Span,
    /// Named settings and files with the digest and, for short ones, the text of each: what `why` compares.
    pub ingredients: Vec<Ingredient>,
}

/// How the names of ingredients begin that say where an input comes from.
pub const FROM: &str = "from.";

/// One named thing that a person can change about a stage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ingredient {
    /// `exposure`, or a file's path.
    pub name: String,
    /// Digest of its value.
    pub digest: Digest,
    /// Its value as written when short, else nothing.
    pub text: Option<String>,
}

/// One connection.
#[derive(Clone, Debug)]
pub struct Edge {
    /// The node that feeds.
    pub from: NodeId,
    /// Only this channel of it.
    pub channel: Option<Arc<str>>,
    /// Name of the port, for people and for command placeholders.
    pub port: String,
}

/// How a node is made.
pub enum Work {
    /// Decoded from a source.
    Plate {
        /// Index in [`Graph::sources`].
        source: usize,
        /// The plate operator, ready.
        decode: Box<dyn Prepared>,
    },
    /// Computed by an operator.
    Operator {
        /// Its table.
        spec: &'static Spec,
        /// Ready to compute.
        prepared: Box<dyn Prepared>,
    },
    /// Decoded from a sound file, whole.
    Clip {
        /// Index in [`Graph::sources`].
        source: usize,
    },
    /// Sound, computed in blocks.
    Sound {
        /// Its table.
        spec: &'static Spec,
        /// Ready to compute.
        prepared: Box<dyn PreparedSound>,
    },
    /// Made by a program of the user's.
    Command(Box<CommandWork>),
    /// Made by a person, then decoded like a plate.
    Hand {
        /// Index in [`Graph::sources`].
        source: usize,
        /// The plate operator, ready.
        decode: Box<dyn Prepared>,
        /// What the files hold.
        delivers: Delivers,
    },
}

/// Frames that lie in the project as files.
#[derive(Clone, Debug)]
pub struct Source {
    /// The plate's name, or `SHOT/STAGE` of a hand stage.
    pub name: String,
    /// Files or a movie.
    pub media: Media,
    /// Frames that any node needs.
    pub wanted: FrameSet,
    /// Where it is declared.
    pub span: Span,
    /// True when a person delivers into it, so that missing files are no fault.
    pub by_hand: bool,
}

impl Source {
    /// The path of a frame's file, in the film's folder.
    pub fn file(&self, frame: i64) -> String {
        match &self.media {
            Media::Files(at) => at.value.path(frame),
            Media::Movie { path, .. } | Media::Sound(path) => path.value.clone(),
        }
    }
}

/// True of the stages of the film's sound, whose frames are blocks.
pub fn is_heard(shot: &str, stage: &str) -> bool {
    shot == FILM
        && (matches!(stage, MIX | SUM | METER | LEVEL)
            || [BUS, STEM, CLIPS].iter().any(|begins| stage.starts_with(begins)))
}

impl Node {
    /// `SHOT/STAGE`.
    pub fn name(&self) -> String {
        format!("{}/{}", self.shot, self.stage)
    }

    /// True for a plate whose decoded frames are only handed on: it leaves no renders, and is decoded when something
    /// needs it. Counts of frames leave it out.
    pub fn is_passed_on(&self) -> bool {
        matches!(self.work, Work::Plate { .. } | Work::Clip { .. }) && !self.keep
    }

    /// True for sound, whose frames are blocks.
    pub fn is_heard(&self) -> bool {
        matches!(self.work, Work::Sound { .. } | Work::Clip { .. })
    }

    /// What the ledger calls the work: the operator's name, `command`, `hands` or `plate`.
    pub fn kind(&self) -> &str {
        match &self.work {
            Work::Plate { .. } => "plate",
            Work::Operator { spec, .. } => spec.name,
            Work::Sound { .. } => self.stage.split('.').next().unwrap_or(&self.stage),
            Work::Clip { .. } => "clip",
            Work::Command(_) => "command",
            Work::Hand { .. } => "hands",
        }
    }

    /// The source of a plate or hand node.
    pub fn source(&self) -> Option<usize> {
        match &self.work {
            Work::Plate { source, .. } | Work::Hand { source, .. } | Work::Clip { source } => Some(*source),
            _ => None,
        }
    }

    /// Calls `visit` with each connected input that `frame` needs and the frames of it.
    /// `whole` gives the range of frames of a node, for commands that take a whole shot.
    pub fn each_reach(
        &self,
        frame: i64,
        whole: &dyn Fn(NodeId) -> FrameRange,
        visit: &mut dyn FnMut(usize, FrameRange),
    ) {
        match &self.work {
            Work::Plate { .. } | Work::Clip { .. } => {}
            Work::Sound { prepared, .. } => prepared.each_reach(frame, visit),
            Work::Operator { prepared, .. } => prepared.each_reach(self.inputs.len(), frame, visit),
            Work::Hand { .. } => (0..self.inputs.len()).for_each(|i| visit(i, FrameRange::one(frame))),
            Work::Command(work) => {
                for (i, edge) in self.inputs.iter().enumerate() {
                    let all = whole(edge.from);
                    let range = match work.command.each {
                        crate::declare::film::Each::Shot => self.frames.widen(work.command.reach).meet(all),
                        _ => FrameRange::one(frame).widen(work.command.reach).meet(all),
                    };
                    visit(i, range);
                }
            }
        }
    }

    /// Digest of the parameters as evaluated at `frame`; the same for every frame when [`Node::is_steady`].
    pub fn parameters(&self, frame: i64) -> Digest {
        let mut hasher = KeyHasher::new();
        match &self.work {
            Work::Plate { decode, .. } => decode.at(frame, &mut hasher),
            // Of hands, these tell files to be taken in anew from frames that a person must look at again.
            Work::Hand { decode, .. } => decode.at(frame, hasher.digest(&self.identity)),
            Work::Operator { prepared, .. } => prepared.at(frame, &mut hasher),
            Work::Sound { prepared, .. } => prepared.at(frame, &mut hasher),
            // Its file says it all.
            Work::Clip { .. } => {}
            Work::Command(work) => work.at(frame, &mut hasher),
        }
        hasher.finish()
    }

    /// False when it makes no difference through which of its inputs a frame comes.
    pub fn tells_inputs_apart(&self) -> bool {
        match &self.work {
            Work::Operator { prepared, .. } => prepared.tells_inputs_apart(),
            // A sum is one whichever comes first, and a bus says itself which clip is whose.
            Work::Sound { .. } => false,
            _ => true,
        }
    }

    /// True when [`Node::parameters`] is the same for every frame.
    pub fn is_steady(&self) -> bool {
        match &self.work {
            Work::Plate { decode, .. } | Work::Hand { decode, .. } => decode.is_steady(),
            Work::Operator { prepared, .. } => prepared.is_steady(),
            Work::Sound { .. } => false,
            Work::Clip { .. } => true,
            Work::Command(work) => work.is_steady(),
        }
    }
}

impl Graph {
    /// The node of a shot and stage.
    pub fn find(&self, shot: &str, stage: &str) -> Option<NodeId> {
        self.nodes.iter().position(|n| &*n.shot == shot && &*n.stage == stage)
    }

    /// Whether it has a shot of this name.
    pub fn has_shot(&self, shot: &str) -> bool {
        self.nodes.iter().any(|node| &*node.shot == shot)
    }

    /// The frames of a node that a selector means. Of sound, those of a stage that it names by its whole name are blocks, as all
    /// that is said of it has them; else they are the film's, and the blocks are meant that hold any of them.
    pub fn meant(&self, node: &Node, selector: &Selector) -> Option<Chosen> {
        let chosen = selector.matches(&node.shot, &node.stage)?;
        match (&chosen, &node.work, self.blocks) {
            (Chosen::Frames(frames), Work::Sound { .. }, Some(blocks)) if !selector.spells_stage() => {
                let whole = FrameRange::one(CLIP);
                // What the whole film comes to, as the gain of its mix, is one.
                if node.frames == whole && blocks.all() != whole {
                    return Some(Chosen::All);
                }
                let mut set = FrameSet::new();
                frames.runs().iter().for_each(|run| set.insert_range(blocks.holding(*run)));
                Some(Chosen::Frames(set))
            }
            _ => Some(chosen),
        }
    }

    /// Calls `visit` with each edge that `frame` of `node` needs and the frames of it.
    pub fn each_need(&self, node: NodeId, frame: i64, visit: &mut dyn FnMut(&Edge, usize, FrameRange)) {
        let n = &self.nodes[node];
        n.each_reach(frame, &|id| self.nodes[id].frames, &mut |i, range| visit(&n.inputs[i], i, range));
    }
}
