//! Tables of what operators are called and take: the single source for checks, help, schema and docs/settings.md.
//!
//! Knows names, types, limits and defaults. Does not know what a parameter is for.

use crate::base::digest::{Digest, KeyHasher};

/// What an operator is called and takes: the single source for checks, help, schema and docs/settings.md.
#[derive(Debug)]
pub struct Spec {
    /// Its name in recipes.
    pub name: &'static str,
    /// Raised whenever its pixels change for the same parameters and inputs.
    pub version: u32,
    /// One sentence.
    pub summary: &'static str,
    /// Input ports; the first is what the stage before feeds when a recipe says nothing.
    pub ports: &'static [Port],
    /// Parameters.
    pub params: &'static [Param],
    /// The published source of its mathematics.
    pub source: &'static str,
}

/// One input of an operator.
#[derive(Debug)]
pub struct Port {
    /// Its name under `from:`.
    pub name: &'static str,
    /// What may be connected.
    pub carries: Carries,
    /// Whether it must be connected.
    pub required: bool,
    /// One sentence.
    pub doc: &'static str,
}

/// What a port takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carries {
    /// A picture (R, G, B, A).
    Picture,
    /// One matte: a channel of a stage (`roto.crew`), or a picture's alpha.
    Matte,
    /// A map of any names to pictures or mattes.
    Many,
    /// A map of any names to pictures.
    Pictures,
    /// A map of any names to mattes.
    Mattes,
    /// The shapes file of a roto stage, not its pixels.
    Shapes,
}

impl Carries {
    /// True of a port that takes a map of names.
    pub fn is_map(self) -> bool {
        matches!(self, Self::Many | Self::Pictures | Self::Mattes)
    }
}

/// One parameter of an operator.
#[derive(Debug)]
pub struct Param {
    /// Its name in a stage's settings.
    pub name: &'static str,
    /// Its type.
    pub kind: Kind,
    /// Unit, such as `px`, `stops`, `degrees`; empty where there is none.
    pub unit: &'static str,
    /// The default as written in YAML; empty when there is none.
    pub default: &'static str,
    /// One sentence.
    pub doc: &'static str,
}

/// A parameter, for tables of many.
pub const fn param(
    name: &'static str,
    kind: Kind,
    unit: &'static str,
    default: &'static str,
    doc: &'static str,
) -> Param {
    Param { name, kind, unit, default, doc }
}

/// Types of parameters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// A number within limits (both included).
    Number {
        /// Smallest.
        min: f64,
        /// Largest.
        max: f64,
    },
    /// A number within limits that may also be keyed in time (frame: value).
    Keyed {
        /// Smallest.
        min: f64,
        /// Largest.
        max: f64,
    },
    /// A whole number within limits (both included).
    Whole {
        /// Smallest.
        min: i64,
        /// Largest.
        max: i64,
    },
    /// true or false.
    Flag,
    /// One of these words.
    Word(&'static [&'static str]),
    /// Text.
    Text,
    /// Path of a file in the project.
    File,
    /// A list of so many numbers.
    Numbers(usize),
    /// A list of so many numbers that may also be keyed in time (frame: list).
    KeyedNumbers(usize),
    /// A map or list whose form the doc describes.
    Structure,
}

/// The digest of everything about a prepared stage that no frame changes: operator and version.
pub fn identity(spec: &Spec) -> Digest {
    let mut hasher = KeyHasher::new();
    hasher.text("operator").text(spec.name).int(spec.version.into());
    hasher.finish()
}
