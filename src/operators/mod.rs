//! What an operator is, and the list of all of them.
//!
//! An operator is pure: parameters and input frames in, a frame out. It reads no file, no clock
//! and no environment; files that its parameters name are handed to it as bytes.

pub mod colour;
pub mod image;
pub mod lettering;
mod reader;
pub mod shape;
pub mod sound;
mod spec;
pub mod track;

use std::collections::BTreeMap;
use std::sync::Arc;

use self::colour::chain::Chain;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, SourceId, Span};
use crate::base::speed::Run;
use crate::base::value::Map;
use crate::media::image::{Image, Raster};

pub use reader::Reader;
pub use spec::{Carries, Kind, Param, Port, Spec, identity, param};

/// A file that a parameter names, read by the caller.
#[derive(Clone, Debug)]
pub struct Attachment {
    /// Path relative to the film's folder.
    pub path: String,
    /// Its bytes.
    pub bytes: Arc<[u8]>,
    /// Its name among the declaration's texts when it is text, so that problems can point into it.
    pub source: Option<SourceId>,
}

/// What a stage is prepared from.
pub struct Setup<'a> {
    /// The stage's settings, recipe and shot merged; keys that belong to every stage are gone.
    pub settings: &'a Map,
    /// Where the stage stands in the declaration, for problems of no single setting.
    pub span: Span,
    /// Files by parameter name. Ports that carry shapes fill the parameter `shapes`.
    pub files: &'a BTreeMap<String, Attachment>,
    /// The frames that the stage will be asked for.
    pub frames: FrameRange,
    /// Width and height of the film's frames in pixels.
    pub frame_size: (u32, u32),
    /// Frames a second.
    pub rate: f64,
    /// The film's working space.
    pub working_space: WorkingSpace,
    /// Connected ports in the order of `spec().ports`; a port that carries many gives one entry a name.
    pub inputs: &'a [Connected],
    /// The edit, for the operator that assembles it; empty for all others.
    pub cut: &'a [Slot],
}

/// One piece of the film: what `run` says of connected input `input` from film frame `at` on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Slot {
    /// First film frame, counted from 1.
    pub at: i64,
    /// Connected input; none for black.
    pub input: Option<usize>,
    /// Frames of that input; of black, as many as there are of it.
    pub run: Run,
    /// True of what goes out in a dissolve or a wipe, while what else plays there, or black, comes in.
    pub leaves: bool,
    /// The pattern in which it is wiped away, by its number in SMPTE ST 258; none in a dissolve.
    pub wipe: Option<u16>,
    /// The shot that it shows; empty for black.
    pub shot: Arc<str>,
    /// The stage of the shot.
    pub stage: Arc<str>,
}

impl Slot {
    /// The slot of a list in rising order that plays at a film frame, and how far into it that is.
    pub fn playing(slots: &[Slot], frame: i64) -> Option<(&Slot, i64)> {
        let after = slots.partition_point(|slot| slot.at <= frame);
        let slot = slots[..after].last()?;
        let into = frame - slot.at;
        (into < slot.run.frames).then_some((slot, into))
    }
}

/// A connected input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Connected {
    /// Index in `spec().ports`.
    pub port: usize,
    /// The name under a port that carries many; empty otherwise.
    pub name: String,
    /// Channels that will arrive: `R G B A`, or one name when a channel was picked.
    pub channels: Vec<Arc<str>>,
    /// Frames that it can give.
    pub frames: FrameRange,
}

/// The colour space that pixels are in between stages.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub enum WorkingSpace {
    /// Linear light, BT.709 primaries, D65.
    #[default]
    LinearRec709,
    /// Linear light, AP1 primaries, ACES white (Academy S-2014-004).
    AcesCg,
}

/// An operator.
pub trait Operator: Send + Sync {
    /// Name, version, ports, parameters.
    fn spec(&self) -> &'static Spec;

    /// Checks all settings and files and makes the stage ready to compute, or names every problem.
    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems>;
}

/// A stage ready to compute.
pub trait Prepared: Send + Sync {
    /// Channels that come out, in order.
    fn channels(&self) -> Vec<Arc<str>>;

    /// Of a grade, the steps that it takes a frame's picture through before its CDL.
    fn before_cdl(&self, frame: i64) -> Chain {
        let _ = frame;
        Chain::new()
    }

    /// The reach: frames of connected input `input` that output frame `frame` needs.
    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        let _ = input;
        FrameRange::one(frame)
    }

    /// Calls `visit` for each of the `inputs` connected inputs that `frame` needs, with its reach. Operators
    /// with very many inputs, few of them needed by one frame, override this.
    fn each_reach(&self, inputs: usize, frame: i64, visit: &mut dyn FnMut(usize, FrameRange)) {
        for input in 0..inputs {
            let range = self.reach(input, frame);
            if !range.is_empty() {
                visit(input, range);
            }
        }
    }

    /// False when it makes no difference to the pixels through which of its inputs a frame comes, so that the key does not
    /// hold its number.
    fn tells_inputs_apart(&self) -> bool {
        true
    }

    /// Feeds the parameters as evaluated at `frame` into the key. Whatever may change the pixels of this
    /// frame goes in, and nothing else.
    fn at(&self, frame: i64, key: &mut KeyHasher);

    /// True when `at` feeds the same for every frame, which lets a key's parameters be hashed once.
    fn is_steady(&self) -> bool {
        false
    }

    /// Digest of what was read from the file of a parameter, so that a comment in it passes for no change; none where
    /// the file's bytes say it.
    fn read_from(&self, parameter: &str) -> Option<Digest> {
        let _ = parameter;
        None
    }

    /// Of each file that it read: where the first of its keys in time stands, and the frames that all of them lie in.
    fn keyed(&self) -> Vec<(Span, FrameRange)> {
        Vec::new()
    }

    /// Warnings of settings that can be computed all the same.
    fn cautions(&self) -> Problems {
        Problems::new()
    }

    /// The problem, at the setting that is to blame, of `frames` that need others of input `input` than the ones it `has`;
    /// none from operators that ask for a frame's own number, whose frames the input is known to have.
    fn lacking(&self, input: usize, frames: FrameRange, has: FrameRange) -> Option<Problem> {
        let _ = (input, frames, has);
        None
    }

    /// What the stage found in its settings and files by itself, so that other settings can name it.
    fn finds(&self) -> Vec<Found> {
        Vec::new()
    }

    /// The rods that shine in the stage, by name.
    fn rods(&self) -> Vec<Arc<str>> {
        Vec::new()
    }

    /// Base and lit end of such a rod at a time in frames, in pixels, and how much of it is lit, 0 to 1; none of one that is
    /// not there or dark.
    fn stance(&self, rod: &str, time: f64) -> Option<([f64; 4], f64)> {
        let _ = (rod, time);
        None
    }

    /// Of a change of speed, the time in its source, in frames, that it shows at a time; none of all others, which show each frame
    /// at its own.
    fn source_time(&self, time: f64) -> Option<f64> {
        let _ = time;
        None
    }

    /// Computes one frame. Must give the same bytes on every thread and SIMD level.
    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError>;

    /// One frame as [`Prepared::make`] computes it, for whoever wants no words.
    fn apply(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Image, OperatorError> {
        Ok(self.make(inputs, frame)?.image)
    }
}

/// A frame that a stage computed.
#[derive(Clone, Debug, PartialEq)]
pub struct Made {
    /// Its pixels.
    pub image: Image,
    /// What a person should know about it, though it is sound: what was found in pixels on the way, so that no setting tells
    /// it before.
    pub remark: Option<String>,
}

impl From<Image> for Made {
    fn from(image: Image) -> Self {
        Self { image, remark: None }
    }
}

/// Something that a stage found by itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// The name under which settings know it.
    pub name: String,
    /// Its time in frames.
    pub time: f64,
    /// Its place in pixels.
    pub at: [f64; 2],
    /// How hard it is, 0 to 1; 0 for one that a person dropped.
    pub strength: f64,
    /// What it is and what becomes of it, in a few words.
    pub says: String,
}

/// The input frames of one `apply`.
pub struct Inputs<'a> {
    /// For each connected input, the frames of its reach in rising order.
    pub frames: &'a [Vec<(i64, Arc<Image>)>],
    /// The decoded source file of this frame; only the plate operator is given one.
    pub raster: Option<&'a Raster>,
}

impl<'a> Inputs<'a> {
    /// The frame `frame` of input `input`.
    pub fn frame(&self, input: usize, frame: i64) -> Result<&'a Image, OperatorError> {
        self.frames
            .get(input)
            .and_then(|list| list.iter().find(|(n, _)| *n == frame))
            .map(|(_, image)| &**image)
            .ok_or(OperatorError::MissingInput { input, frame })
    }
}

/// Why a frame could not be computed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OperatorError {
    /// The runner did not hand over a frame of the reach.
    #[error("input {input} has no frame {frame}")]
    MissingInput {
        /// Connected input.
        input: usize,
        /// Frame.
        frame: i64,
    },
    /// An input has not the channels or size that were promised.
    #[error("{0}")]
    WrongInput(String),
}

/// All operators. A new one is one file and one word here.
pub fn all() -> &'static [&'static dyn Operator] {
    &[
        &image::plate::Plate,
        &image::retime::Retime,
        &image::grade::Grade,
        &image::assemble::Assemble,
        &image::blades::Blades,
        &image::paint_out::PaintOut,
        &image::passes::Passes,
        &image::print::Print,
        &image::roto::Roto,
    ]
}

/// The operator of that name.
pub fn named(name: &str) -> Option<&'static dyn Operator> {
    all().iter().copied().find(|op| op.spec().name == name)
}
