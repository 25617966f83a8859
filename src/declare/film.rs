//! The film as declared: what every shot, plate and stage is, recipes and overrides merged.
//!
//! Knows the declaration's meaning and keeps every place in the text. Does not know operators'
//! parameters (they stay a located map) and never looks at the disk.

use std::sync::Arc;

use indexmap::IndexMap;

use crate::base::frames::FrameRange;
use crate::base::problem::Span;
use crate::base::rate::Rate;
use crate::base::value::Map;
use crate::declare::crew::Crew;
use crate::declare::deliveries::Delivery;
use crate::declare::inspect::Inspect;
use crate::declare::shared::SharedStore;
use crate::declare::slurm::Slurm;
use crate::declare::sound::Sound;

/// A value and its place.
#[derive(Clone, Debug, PartialEq)]
pub struct At<T> {
    /// The value.
    pub value: T,
    /// Where it stands.
    pub span: Span,
}

/// The whole declaration.
#[derive(Clone, Debug)]
pub struct Film {
    /// The film's name.
    pub name: String,
    /// Frames a second.
    pub rate: Rate,
    /// Width and height in pixels.
    pub frame_size: (u32, u32),
    /// Working space by name: `linear-rec709` or `acescg`.
    pub working_space: At<String>,
    /// The edit's file, relative to the film's folder.
    pub cut: Option<At<String>>,
    /// Plates by name.
    pub plates: IndexMap<String, Plate>,
    /// Shots by name, in the order declared.
    pub shots: IndexMap<String, Shot>,
    /// Shots that are declared but left out of `shots` because of an error, so that nothing else is said of them.
    pub left_out: Vec<String>,
    /// Named pools and how many may be used at once.
    pub pools: IndexMap<String, At<u32>>,
    /// The film's picture, put together from its shots; none when not asked for.
    pub assembly: Option<Stage>,
    /// Stage of each shot that `assembly` takes, when it says so; else the shot's last stage.
    pub assembly_from: Option<At<String>>,
    /// Prints of the film's picture by name.
    pub prints: IndexMap<String, Stage>,
    /// The film's sound, where it has one.
    pub sound: Option<Sound>,
    /// By what it is judged, where that is said.
    pub inspect: Option<Inspect>,
    /// What leaves the house, by name.
    pub deliveries: IndexMap<String, Delivery>,
    /// Who works on it and with what, where that is said.
    pub crew: Option<Crew>,
    /// The day by which it should be done, where there is one.
    pub due: Option<At<jiff::civil::Date>>,
    /// Where the crew shares renders, where it does.
    pub shared: Option<SharedStore>,
    /// What tasks on a Slurm cluster ask for, where that is said.
    pub slurm: Option<Slurm>,
}

/// A source image sequence or movie.
#[derive(Clone, Debug)]
pub struct Plate {
    /// Where the declaration names it.
    pub span: Span,
    /// What it is read from.
    pub media: Media,
    /// Frames; of a movie, `first` and as many as it has when not said.
    pub frames: Option<At<FrameRange>>,
    /// How their colour is coded.
    pub coding: Coding,
}

/// How the colour of files is coded, by names that whoever decodes them checks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Coding {
    /// Such as `linear-rec709`, `srgb`, `acescct`; none means the file type's usual one.
    pub encoding: Option<At<String>>,
    /// Primaries; none means those that belong to the encoding.
    pub primaries: Option<At<String>>,
}

/// Where frames come from. Paths are relative to the film's folder, with forward slashes.
#[derive(Clone, Debug, PartialEq)]
pub enum Media {
    /// One file a frame; `####` (or any run of `#`) stands for the frame number, padded to that width.
    Files(At<FilePattern>),
    /// A movie file; its first picture is frame `first`.
    Movie {
        /// The file.
        path: At<String>,
        /// Number of its first frame.
        first: i64,
    },
    /// A sound file, whole.
    Sound(At<String>),
}

impl Media {
    /// True of a sound file.
    pub fn is_heard(&self) -> bool {
        matches!(self, Self::Sound(_))
    }
}

/// A path with one run of `#` for the frame number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FilePattern {
    /// Path before the number.
    pub before: String,
    /// Least digits of the number.
    pub digits: usize,
    /// Path after the number.
    pub after: String,
}

impl FilePattern {
    /// Reads a pattern; there must be exactly one run of `#`, and in the file's name, not a folder's.
    pub fn parse(text: &str) -> Result<Self, &'static str> {
        let start = text.find('#').ok_or("one run of # is wanted, where the frame number stands")?;
        let digits = text[start..].bytes().take_while(|&b| b == b'#').count();
        let after = &text[start + digits..];
        if after.contains('#') {
            return Err("only one run of # may stand in a path");
        }
        if after.contains('/') {
            return Err("the frame number stands in the file's name, not in a folder's");
        }
        Ok(Self { before: text[..start].into(), digits, after: after.into() })
    }

    /// The path of one frame.
    pub fn path(&self, frame: i64) -> String {
        let mut path = String::new();
        self.put_number(&self.before, frame, &mut path);
        path
    }

    /// The folder that all frames lie in; empty for the project's own.
    pub fn folder(&self) -> &str {
        self.before.rfind('/').map_or("", |at| &self.before[..=at])
    }

    /// Puts the name of one frame's file, without its folder, in place of what `name` holds.
    pub fn name(&self, frame: i64, name: &mut String) {
        self.put_number(&self.before[self.folder().len()..], frame, name);
    }

    /// Whether a path is one of its frames'.
    pub fn names(&self, path: &str) -> bool {
        let number = path.strip_prefix(&*self.before).and_then(|rest| rest.strip_suffix(&*self.after));
        number.and_then(|number| number.parse().ok()).is_some_and(|frame| self.path(frame) == path)
    }

    fn put_number(&self, before: &str, frame: i64, text: &mut String) {
        use std::fmt::Write;
        let width = self.digits + usize::from(frame < 0);
        text.clear();
        write!(text, "{before}{frame:0width$}{}", self.after).expect("a text takes all");
    }
}

impl std::fmt::Display for FilePattern {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{}{}", self.before, "#".repeat(self.digits), self.after)
    }
}

/// One shot.
#[derive(Clone, Debug)]
pub struct Shot {
    /// Where the declaration names it.
    pub span: Span,
    /// Frames used in the cut.
    pub frames: At<FrameRange>,
    /// More frames rendered on each side.
    pub handles: i64,
    /// Plates by the name that stages refer to: `plate`, or `take.NAME` for each take.
    pub plates: IndexMap<String, At<String>>,
    /// The recipe that its stages came from.
    pub recipe: Option<At<String>>,
    /// Stages in the order declared, settings of recipe, globs and shot merged.
    pub stages: IndexMap<String, Stage>,
}

/// One stage of one shot.
#[derive(Clone, Debug)]
pub struct Stage {
    /// Where it is declared (in the recipe, or in the shot when only there).
    pub span: Span,
    /// How it is made.
    pub work: Work,
    /// Inputs by port as written; empty means: the stage before, or the plate for the first.
    pub from: IndexMap<String, At<From>>,
    /// An operator's settings, those that were taken away as nothing; of a command, the values that its words may
    /// name.
    pub settings: Map,
    /// Whether renders stay on disk; false passes them on in memory only.
    pub keep: bool,
    /// Places taken in named pools while it runs.
    pub pools: Vec<(At<String>, u32)>,
}

/// What feeds a port.
#[derive(Clone, Debug, PartialEq)]
pub enum From {
    /// One stage, plate or take.
    One(Reference),
    /// Several by name.
    Many(IndexMap<String, At<Reference>>),
}

/// A stage of the same shot, and optionally one of its channels: `cleanup`, `roto.crew`, `plate`, `take.left`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reference {
    /// Stage name, `plate`, or `take.NAME`.
    pub stage: String,
    /// A channel of it.
    pub channel: Option<Arc<str>>,
}

/// How a stage is made.
#[derive(Clone, Debug, PartialEq)]
pub enum Work {
    /// By an operator of Endboard's.
    Operator(At<String>),
    /// By a program of the user's.
    Command(Command),
    /// By a person, who puts files into the project.
    ByHand(ByHand),
}

/// A program of the user's.
#[derive(Clone, Debug, PartialEq)]
pub struct Command {
    /// Words after shell-like splitting, before placeholders in braces are filled.
    pub words: At<Vec<String>>,
    /// How many frames one call makes.
    pub each: Each,
    /// Input frames needed on either side.
    pub reach: i64,
    /// Channels that it must deliver.
    pub delivers: Delivers,
    /// A command whose output is the tool's version and part of every key.
    pub version_from: Option<At<Vec<String>>>,
    /// Project files, besides those named by its words, whose content is part of every key.
    pub depends: Vec<At<String>>,
    /// Seconds one call may take.
    pub time_limit: Option<f64>,
    /// Further tries after a failure.
    pub retries: u32,
    /// Bytes of memory that one call uses; no more calls run at once than the run's memory holds.
    pub memory: Option<u64>,
}

/// How many frames one call of a command makes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Each {
    /// One.
    Frame,
    /// A run of neighbouring stale frames.
    Run,
    /// The whole shot.
    Shot,
}

/// What a command or a person delivers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Delivers {
    /// R, G, B and A.
    Picture,
    /// Mattes of these names: grey files, or channels of these names.
    Mattes(Vec<Arc<str>>),
}

/// Work of a person's hands.
#[derive(Clone, Debug, PartialEq)]
pub struct ByHand {
    /// Where the files are put.
    pub files: At<FilePattern>,
    /// What they hold.
    pub delivers: Delivers,
    /// How their colour is coded, as of a plate.
    pub coding: Coding,
}
