//! The film's sound as declared: buses, stems, what the mix is to measure, and cues.
//!
//! Knows names and what a cue hangs on, and keeps every place in the text. What a cue or a bus does to samples stays a
//! located map.

mod cues;
mod read;

use indexmap::IndexMap;

use crate::base::layout::Layout;
use crate::base::problem::Span;
use crate::base::value::Map;
use crate::declare::film::At;

pub(super) use read::read;

/// Sampling rates of a film's sound, in hertz; the first is the usual one.
pub const RATES: [u32; 4] = [48_000, 44_100, 88_200, 96_000];

/// The film's sound.
#[derive(Clone, Debug)]
pub struct Sound {
    /// Where it is declared.
    pub span: Span,
    /// Samples a second.
    pub rate: u32,
    /// Channels of every bus and of the mix.
    pub layout: Layout,
    /// Buses by name, in the order declared.
    pub buses: IndexMap<String, Bus>,
    /// Stems by name; none means that each bus is one.
    pub stems: IndexMap<String, Stem>,
    /// What the mix is to measure.
    pub target: Option<Settings>,
    /// Cue files, those included that cannot be read.
    pub files: Vec<At<String>>,
    /// Cues by name, those of cue files after those of the declaration.
    pub cues: IndexMap<String, Cue>,
}

/// Settings that an operator checks, and where they stand.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Where.
    pub span: Span,
    /// What is set.
    pub map: Map,
}

/// A bus: cues together, and what is done to them.
#[derive(Clone, Debug)]
pub struct Bus {
    /// What is done.
    pub settings: Settings,
    /// The bus under which it goes down, when it does.
    pub under: Option<At<String>>,
    /// The file of a room's answer, when it has one.
    pub room: Option<At<String>>,
}

/// Buses that are delivered together.
#[derive(Clone, Debug)]
pub struct Stem {
    /// Where it is declared.
    pub span: Span,
    /// Its buses.
    pub buses: Vec<At<String>>,
}

/// A sound placed on picture.
#[derive(Clone, Debug)]
pub struct Cue {
    /// Where it is named.
    pub span: Span,
    /// Its bus.
    pub bus: At<String>,
    /// What it hangs on.
    pub at: At<Anchor>,
    /// Frames after that, or before when negative.
    pub plus: f64,
    /// What is heard.
    pub hears: Hears,
    /// What is done to it.
    pub settings: Settings,
}

/// What is heard.
#[derive(Clone, Debug)]
pub enum Hears {
    /// A sound file of the project.
    Clip(At<String>),
    /// A sound that is made.
    Voice(Settings),
}

/// What a cue hangs on.
#[derive(Clone, Debug, PartialEq)]
pub enum Anchor {
    /// A frame of a shot, fractions allowed.
    Shot {
        /// The shot.
        shot: String,
        /// Its frame.
        frame: f64,
    },
    /// A record timecode, as written.
    Timecode(String),
    /// The beginning of another cue.
    With(String),
    /// The end of another cue.
    After(String),
}
