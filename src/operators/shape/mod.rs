//! Shapes drawn by hand and rods followed by hand: from the shapes file to what they are at any time.
//!
//! Knows what a file holds. Shapes and their value at a time are `drawn`'s part, rods are `rod`'s, what both go along
//! with is `motion`'s, reading the file is `file`'s, outlines are `outline`'s, covered area is `coverage`'s. Does not know operators.

pub mod coverage;
mod drawn;
pub mod file;
pub mod motion;
mod motions;
pub mod outline;
mod path;
mod rod;
pub mod soften;
pub mod stencil;
pub mod stroke;
pub mod sure;
mod varied;

use std::sync::Arc;

pub use self::drawn::{Shape, Still};
pub use self::motion::{Matrix, Motion};
pub use self::motions::{Follows, Motions};
pub use self::rod::{Pace, Rod};

use crate::base::curve::Curve;
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problems, Span};

/// A point of an outline: `x, y`, then the handle towards the point before it and the handle towards
/// the point after it, both relative to the point; pixels, y down. Handles of zero make a corner.
pub type Point = [f64; 6];

/// What a shapes file holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Shapes {
    /// Mattes in the order of the file.
    pub mattes: Vec<Matte>,
    /// Rods in the order of the file.
    pub rods: Vec<Rod>,
    /// Points, planes and moves.
    pub motions: Motions,
    /// Where the first of all keys stands, and the frames that they lie in.
    pub keyed: Option<(Span, FrameRange)>,
}

impl Shapes {
    /// Finds what mattes, shapes and rods say that they follow, among the file's own motions and those of a track. Whoever
    /// reads shapes or rods calls this once, or what follows something stands still.
    pub fn follow(&mut self, track: Option<Motions>) -> Problems {
        let mut problems = track.map(|track| self.motions.join(track)).unwrap_or_default();
        problems.extend(self.motions.settle());
        let motions = &self.motions;
        let mut find = |follows: &Follows| motions.find(follows).map_err(|p| problems.push(p)).ok();
        for matte in &mut self.mattes {
            let whole = matte.follows.as_ref().and_then(&mut find);
            for shape in matte.layers.iter_mut().filter_map(Layer::drawn_mut) {
                shape.motion = match &shape.follows {
                    Some(own) => find(own),
                    None => whole.clone(),
                };
            }
        }
        for rod in &mut self.rods {
            rod.motion = rod.follows.as_ref().and_then(&mut find);
        }
        problems
    }
}

/// One matte: shapes put together in order, starting from nothing.
#[derive(Clone, Debug, PartialEq)]
pub struct Matte {
    /// Its channel name.
    pub name: Arc<str>,
    /// Where its name stands.
    pub span: Span,
    /// What those of its shapes follow that say nothing else.
    pub follows: Option<Follows>,
    /// What it is put together from, in order.
    pub layers: Vec<Layer>,
}

impl Matte {
    /// The shapes among its layers.
    pub fn shapes(&self) -> impl Iterator<Item = &Shape> {
        self.layers.iter().filter_map(Layer::drawn)
    }
}

/// One thing of which a matte is put together.
#[derive(Clone, Debug, PartialEq)]
pub enum Layer {
    /// A shape of the file.
    Drawn(Box<Shape>),
    /// A matte that comes from elsewhere, by the name under which it is connected.
    Given {
        /// That name.
        name: Arc<str>,
        /// Where the name stands.
        span: Span,
        /// How it joins.
        mode: Mode,
    },
}

impl Layer {
    /// How it joins.
    pub fn mode(&self) -> Mode {
        match self {
            Layer::Drawn(shape) => shape.mode,
            Layer::Given { mode, .. } => *mode,
        }
    }

    /// The shape, when it is one.
    pub fn drawn(&self) -> Option<&Shape> {
        match self {
            Layer::Drawn(shape) => Some(shape),
            Layer::Given { .. } => None,
        }
    }

    fn drawn_mut(&mut self) -> Option<&mut Shape> {
        match self {
            Layer::Drawn(shape) => Some(shape),
            Layer::Given { .. } => None,
        }
    }

    /// Feeds its keys: everything that it is at any time.
    pub fn feed(&self, key: &mut KeyHasher) {
        match self {
            Layer::Drawn(shape) => shape.feed(key),
            Layer::Given { name, mode, .. } => {
                key.text(name).int(*mode as i64);
            }
        }
    }
}

/// How a shape joins what came before it in its matte. With `m` before and `s` the shape:
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Mode {
    /// `m + s - m s`
    #[default]
    Add,
    /// `m (1 - s)`
    Subtract,
    /// `m s`
    Intersect,
}

/// What counts as inside where an outline crosses itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fill {
    /// Wherever the outline winds round at all.
    #[default]
    Nonzero,
    /// Wherever it winds round an odd number of times.
    EvenOdd,
}

/// One of a shape's lines: so many of its points, and whether it comes back to its first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Line {
    /// Points.
    pub count: usize,
    /// Whether its last point joins its first.
    pub is_closed: bool,
}

/// How a stroke ends where its line does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Cap {
    /// In a half circle.
    #[default]
    Round,
    /// Straight across its last point.
    Flat,
}

/// A line drawn with width, instead of what it encloses.
#[derive(Clone, Debug, PartialEq)]
pub struct Stroke {
    /// Width in pixels.
    pub width: Curve<1>,
    /// How it ends.
    pub cap: Cap,
}
