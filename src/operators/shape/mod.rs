//! Shapes drawn by hand and rods followed by hand: from the shapes file to what they are at any time.
//!
//! Knows typed shapes and rods and their value at a time, whole or between frames. Reading the file is
//! `file`'s part, outlines are `outline`'s, covered area is `coverage`'s. Does not know operators.

pub mod coverage;
pub mod file;
pub mod outline;
pub mod soften;

use std::sync::Arc;

use crate::base::curve::{Curve, Ease};
use crate::base::digest::KeyHasher;
use crate::base::problem::Span;

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
}

/// One matte: shapes put together in order, starting from nothing.
#[derive(Clone, Debug, PartialEq)]
pub struct Matte {
    /// Its channel name.
    pub name: Arc<str>,
    /// Where its name stands.
    pub span: Span,
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

/// A rod: a straight stick from base to tip.
#[derive(Clone, Debug, PartialEq)]
pub struct Rod {
    /// Its name.
    pub name: Arc<str>,
    /// Where its name stands.
    pub span: Span,
    /// Base x, base y, tip x, tip y in pixels, at the keys; between them [`Rod::at`] says where they are.
    pub ends: Curve<4>,
}

/// Parts of a pixel to which a turned rod's tip is rounded.
const TIP_PARTS: f64 = 65_536.0;

impl Rod {
    /// Base x, base y, tip x, tip y in pixels at a time in frames. Before the first key and after the last it stays.
    ///
    /// A rod is a stick in somebody's hand: from key to key its base moves straight while it turns about the base,
    /// evenly and the shorter way round, and its length changes evenly. So a swing's tip goes round in an arc, which
    /// it also does where the keys are of every frame and a shutter looks between them; straight tip lines would
    /// cut the arc to facets and shorten the rod in between. A rod that keeps its direction moves straight, tip and
    /// all. One that is seen to pass end on, its tip through its base, wants a key there: with a length of nothing
    /// at a key it has no direction, and the tip goes straight.
    pub fn at(&self, time: f64) -> [f64; 4] {
        let (from, to, share) = self.ends.around(time);
        let [u, v] = [from, to].map(|e| [e[2] - e[0], e[3] - e[1]]);
        let cross = u[0] * v[1] - u[1] * v[0];
        let lengths = [u, v].map(|w| (w[0] * w[0] + w[1] * w[1]).sqrt());
        if share == 0.0 || cross == 0.0 && u[0] * v[0] + u[1] * v[1] >= 0.0 || lengths.contains(&0.0) {
            return std::array::from_fn(|i| from[i] + (to[i] - from[i]) * share);
        }
        let (sin, cos) = (cross.atan2(u[0] * v[0] + u[1] * v[1]) * share).sin_cos();
        let grown = 1.0 + (lengths[1] / lengths[0] - 1.0) * share;
        let base = [0, 1].map(|i| from[i] + (to[i] - from[i]) * share);
        // Mathematical libraries differ in a sine's last bit; rounded, the tip is the same on every machine, and so
        // are the keys of renders that depend on it.
        let round = |x: f64| (x * TIP_PARTS).round() / TIP_PARTS;
        let tip = [u[0] * cos - u[1] * sin, u[0] * sin + u[1] * cos];
        [base[0], base[1], round(base[0] + tip[0] * grown), round(base[1] + tip[1] * grown)]
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
        };
        assert_eq!(shape.at(3.0).points[0][0], 0.0);
        assert_eq!(shape.at(12.5).points[2][5], 2.5);
        assert_eq!(shape.at(20.0).points[1][1], 10.0);
        assert_eq!(shape.at(21.0).points[1][1], 10.0);
        let smooth = Shape { ease: Ease::Smooth, ..shape };
        assert!((smooth.at(12.5).points[0][0] - 1.5625).abs() < 1e-12);
    }

    fn rod(keys: &[(i64, [f64; 4])]) -> Rod {
        let span = Span::new(crate::base::problem::SourceId(0), 0, 0);
        Rod { name: "keeper".into(), span, ends: Curve::new(keys.to_vec(), Ease::Linear) }
    }

    #[test]
    fn a_turning_rods_tip_goes_round_and_its_base_straight() {
        // A quarter turn from right to down, the base 8 px along and the length halved.
        let swing = rod(&[(10, [0.0, 0.0, 100.0, 0.0]), (20, [8.0, 0.0, 8.0, 50.0])]);
        assert_eq!(swing.at(10.0), [0.0, 0.0, 100.0, 0.0]);
        assert_eq!(swing.at(20.0), [8.0, 0.0, 8.0, 50.0]);
        let [x, y, tip_x, tip_y] = swing.at(15.0);
        assert_eq!([x, y], [4.0, 0.0]);
        let side = 75.0 * std::f64::consts::FRAC_1_SQRT_2;
        assert!((tip_x - 4.0 - side).abs() < 1e-4 && (tip_y - side).abs() < 1e-4, "{tip_x} {tip_y}");
    }

    #[test]
    fn a_rod_turns_the_shorter_way_and_keeps_straight_what_is_straight() {
        // From 170 to -170 degrees: through 180, not through 0.
        let (sin, cos) = 170f64.to_radians().sin_cos();
        let back = rod(&[(0, [0.0, 0.0, cos, sin]), (2, [0.0, 0.0, cos, -sin])]);
        assert!((back.at(1.0)[2] + 1.0).abs() < 1e-4);
        let straight = rod(&[(0, [0.0, 0.0, 10.0, 20.0]), (4, [40.0, 4.0, 60.0, 44.0])]);
        assert_eq!(straight.at(1.0), [10.0, 1.0, 22.5, 26.0]);
        let end_on = rod(&[(0, [5.0, 5.0, 5.0, 5.0]), (4, [5.0, 5.0, 45.0, 25.0])]);
        assert_eq!(end_on.at(1.0), [5.0, 5.0, 15.0, 10.0]);
        assert_eq!(rod(&[(3, [1.0, 2.0, 3.0, 4.0])]).at(-1e9), [1.0, 2.0, 3.0, 4.0]);
    }
}
