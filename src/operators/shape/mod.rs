//! Shapes drawn by hand and rods followed by hand: from the shapes file to what they are at any time.
//!
//! Knows typed shapes and their value at a time, whole or between frames. Rods are `rod`'s part, what both go along
//! with is `motion`'s, reading the file is `file`'s, outlines are `outline`'s, covered area is `coverage`'s. Does not know operators.

pub mod coverage;
pub mod file;
pub mod motion;
mod motions;
pub mod outline;
mod rod;
pub mod soften;

use std::sync::Arc;

pub use self::motion::{Matrix, Motion};
pub use self::motions::{Follows, Motions};
pub use self::rod::{Pace, Rod};

use crate::base::curve::{Curve, Ease};
use crate::base::digest::KeyHasher;
use crate::base::problem::{Problems, Span};

/// A point of a closed outline: `x, y`, then the handle towards the point before it and the handle towards
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
            for shape in &mut matte.shapes {
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
    /// Its shapes in order.
    pub shapes: Vec<Shape>,
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

/// One closed outline that moves in time.
#[derive(Clone, Debug, PartialEq)]
pub struct Shape {
    /// How it joins.
    pub mode: Mode,
    /// Its inside.
    pub fill: Fill,
    /// Width of its soft edge in pixels.
    pub feather: Curve<1>,
    /// How it moves between keys.
    pub ease: Ease,
    /// Its outline at key frames, in rising order, all of as many points; at least one.
    pub keys: Vec<(i64, Vec<Point>)>,
    /// What it says that it follows, instead of what its matte does.
    pub follows: Option<Follows>,
    /// What it follows, once that is found.
    pub motion: Option<Arc<Motion>>,
}

/// A shape at one time.
#[derive(Clone, Debug, PartialEq)]
pub struct Still {
    /// How it joins.
    pub mode: Mode,
    /// Its inside.
    pub fill: Fill,
    /// Width of its soft edge in pixels.
    pub feather: f64,
    /// Its outline.
    pub points: Vec<Point>,
}

impl Shape {
    /// The shape at a time in frames. Before the first key and after the last it stays.
    pub fn at(&self, time: f64) -> Still {
        Still {
            mode: self.mode,
            fill: self.fill,
            feather: self.feather.at(time)[0],
            points: self.points(time),
        }
    }

    /// True when it never changes.
    pub fn is_steady(&self) -> bool {
        self.feather.is_steady() && self.keys.windows(2).all(|pair| pair[0].1 == pair[1].1)
    }

    /// Feeds its keys: everything that it is at any time.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.int(self.mode as i64).int(self.fill as i64).int(self.ease as i64).list(self.keys.len());
        for (frame, points) in &self.keys {
            key.int(*frame).list(points.len());
            for value in points.iter().flatten() {
                key.real(*value);
            }
        }
        self.feather.feed(key);
    }

    fn points(&self, time: f64) -> Vec<Point> {
        let after = self.keys.partition_point(|&(frame, _)| (frame as f64) <= time);
        let Some((frame, from)) = after.checked_sub(1).map(|i| &self.keys[i]) else {
            return self.keys[0].1.clone();
        };
        let Some((next, to)) = self.keys.get(after) else { return from.clone() };
        let share = self.ease.share((time - *frame as f64) / (next - frame) as f64);
        from.iter().zip(to).map(|(a, b)| std::array::from_fn(|i| a[i] + (b[i] - a[i]) * share)).collect()
    }
}

impl Still {
    /// Feeds everything that the pixels depend on into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.int(self.mode as i64).int(self.fill as i64).real(self.feather).list(self.points.len());
        for value in self.points.iter().flatten() {
            key.real(*value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outlines_move_between_keys_and_stay_outside() {
        let keys = vec![(10, vec![[0.0; 6]; 3]), (20, vec![[10.0; 6]; 3])];
        let shape = Shape {
            mode: Mode::Add,
            fill: Fill::Nonzero,
            feather: Curve::steady([0.0]),
            ease: Ease::Linear,
            keys,
            follows: None,
            motion: None,
        };
        assert_eq!(shape.at(3.0).points[0][0], 0.0);
        assert_eq!(shape.at(12.5).points[2][5], 2.5);
        assert_eq!(shape.at(20.0).points[1][1], 10.0);
        assert_eq!(shape.at(21.0).points[1][1], 10.0);
        let smooth = Shape { ease: Ease::Smooth, ..shape };
        assert!((smooth.at(12.5).points[0][0] - 1.5625).abs() < 1e-12);
    }
}
