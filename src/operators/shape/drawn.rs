//! A shape in time: from its keys to what it is at any time, along with what it follows.
//!
//! Knows how outlines, feathers and strokes go from key to key. Does not know pixels or files.
//!
//! A key is drawn as seen on its own frame. With something to follow, the outline of the later key is carried to the
//! view of the earlier one, the way between them is found there, and what comes out is carried on to the time asked for.
//! A plane seen at a slant makes rational curves of cubic ones: control points then have weights, and the curve is exact.
//! A stroke's width is drawn on its key's frame too and grows with what it follows, as the root of how areas do.

use std::sync::Arc;

use super::motion::{Matrix, Motion, carried};
use super::motions::Follows;
use super::{Cap, Fill, Line, Mode, Point, Stroke};
use crate::base::curve::{Curve, Ease};
use crate::base::digest::KeyHasher;

/// An outline that moves in time.
#[derive(Clone, Debug, PartialEq)]
pub struct Shape {
    /// How it joins.
    pub mode: Mode,
    /// Its inside.
    pub fill: Fill,
    /// Width of its soft edge in pixels.
    pub feather: Curve<1>,
    /// The width of its line, when it is a line and not what it encloses.
    pub stroke: Option<Stroke>,
    /// How it moves between keys.
    pub ease: Ease,
    /// Its lines; their points stand one line after another in each key.
    pub lines: Vec<Line>,
    /// Its points at key frames, in rising order, all of as many points; at least one key.
    pub keys: Vec<(i64, Vec<Point>)>,
    /// Feathers that points have of their own, for each key; empty when none has any.
    pub feathers: Vec<Vec<Option<f64>>>,
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
    /// Width of its soft edge in pixels, where points have none of their own.
    pub feather: f64,
    /// Width and ends of its line, when it is one.
    pub stroke: Option<(f64, Cap)>,
    /// Its lines.
    pub lines: Vec<Line>,
    /// Its points.
    pub points: Vec<Point>,
    /// Weights of each point, its first and its second handle; empty when all are 1.
    pub weights: Vec<[f64; 3]>,
    /// Width of the soft edge at each point; empty when it is the same all along.
    pub feathers: Vec<f64>,
}

/// The keys either side of a time.
struct Between {
    before: usize,
    after: usize,
    /// Share of the way from one to the other.
    share: f64,
}

impl Shape {
    /// The shape at a time in frames. Before the first key and after the last it stays, but for what it follows.
    pub fn at(&self, time: f64) -> Still {
        self.during(time, time)
    }

    /// The shape at a time that the shutter of a frame sees: what is held is the frame's own.
    pub fn during(&self, shown: f64, time: f64) -> Still {
        let between = self.between(if self.ease == Ease::Hold { shown } else { time });
        let (frame, points) = &self.keys[between.before];
        let mut points = points.clone();
        let mut weights = Vec::new();
        let view = *frame as f64;
        // A stroke's width goes the way of the points: into the earlier key's view, and on from there.
        let mut grown = 1.0;
        if between.share > 0.0 {
            let (next, after) = &self.keys[between.after];
            let (mut to, mut to_weights) = (after.clone(), Vec::new());
            let u = between.share;
            if let Some(motion) = &self.motion {
                let matrix = motion.between(*next as f64, view);
                grown += (growth(&matrix, &to) - 1.0) * u;
                carry(&mut to, &mut to_weights, &matrix);
            }
            for (point, to) in points.iter_mut().zip(&to) {
                *point = std::array::from_fn(|i| point[i] + (to[i] - point[i]) * u);
            }
            weights = to_weights.iter().map(|w| w.map(|w| 1.0 + (w - 1.0) * u)).collect();
        }
        let mut stroke = self.stroke.as_ref().map(|stroke| (stroke.width.during(shown, time)[0], stroke.cap));
        if let Some(motion) = &self.motion {
            let matrix = motion.during(view, shown, time);
            if let Some((width, _)) = &mut stroke {
                *width *= grown * growth(&matrix, &points);
            }
            carry(&mut points, &mut weights, &matrix);
        }
        Still {
            mode: self.mode,
            fill: self.fill,
            feather: self.feather.during(shown, time)[0],
            stroke,
            lines: self.lines.clone(),
            points,
            weights,
            feathers: self.feathers_at(&between, self.feather.during(shown, time)[0]),
        }
    }

    fn between(&self, time: f64) -> Between {
        let after = self.keys.partition_point(|&(frame, _)| (frame as f64) <= time);
        let before = after.saturating_sub(1);
        if after == 0 || after == self.keys.len() {
            return Between { before, after: before, share: 0.0 };
        }
        let (frame, next) = (self.keys[before].0, self.keys[after].0);
        Between { before, after, share: self.ease.share((time - frame as f64) / (next - frame) as f64) }
    }

    /// The soft edge's width at each point; nothing when it is that of the shape all along.
    fn feathers_at(&self, between: &Between, feather: f64) -> Vec<f64> {
        let Some(before) = self.feathers.get(between.before) else { return Vec::new() };
        let after = &self.feathers[between.after];
        let of_shape = |key: usize| self.feather.at(self.keys[key].0 as f64)[0];
        let own = |(from, to): (&Option<f64>, &Option<f64>)| match (from, to) {
            (None, None) => feather,
            _ => {
                let from = from.unwrap_or_else(|| of_shape(between.before));
                let to = to.unwrap_or_else(|| of_shape(between.after));
                from + (to - from) * between.share
            }
        };
        before.iter().zip(after).map(own).collect()
    }

    /// True when it never changes.
    pub fn is_steady(&self) -> bool {
        self.feather.is_steady()
            && self.stroke.as_ref().is_none_or(|stroke| stroke.width.is_steady())
            && self.motion.as_ref().is_none_or(|motion| motion.is_steady())
            && self.keys.windows(2).all(|pair| pair[0].1 == pair[1].1)
            && self.feathers.windows(2).all(|pair| pair[0] == pair[1])
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
        feed_lines(&self.lines, key);
        key.list(self.feathers.len());
        for own in self.feathers.iter().flatten() {
            key.real(own.unwrap_or(-1.0));
        }
        key.flag(self.stroke.is_some()).flag(self.motion.is_some());
        if let Some(stroke) = &self.stroke {
            key.int(stroke.cap as i64);
            stroke.width.feed(key);
        }
        if let Some(motion) = &self.motion {
            motion.feed(key);
        }
    }
}

impl Still {
    /// Feeds everything that the pixels depend on into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.int(self.mode as i64).int(self.fill as i64).real(self.feather).list(self.points.len());
        for value in self.points.iter().flatten() {
            key.real(*value);
        }
        feed_lines(&self.lines, key);
        key.list(self.weights.len()).list(self.feathers.len()).flag(self.stroke.is_some());
        for value in self.weights.iter().flatten().chain(&self.feathers) {
            key.real(*value);
        }
        if let Some((width, cap)) = self.stroke {
            key.real(width).int(cap as i64);
        }
    }

    /// Its lines, each with its points and their weights (none when all are 1).
    pub fn each_line(&self) -> impl Iterator<Item = (Line, &[Point], &[[f64; 3]])> {
        let mut first = 0;
        self.lines.iter().map(move |line| {
            let range = first..first + line.count;
            first = range.end;
            let weights = if self.weights.is_empty() { &[][..] } else { &self.weights[range.clone()] };
            (*line, &self.points[range], weights)
        })
    }

    /// The farthest that any point, or any handle's end, of this and another still of the same shape lie apart.
    pub fn farthest(&self, other: &Still) -> f64 {
        let ends = |p: &Point| [[p[0], p[1]], [p[0] + p[2], p[1] + p[3]], [p[0] + p[4], p[1] + p[5]]];
        let apart = |(a, b): (&Point, &Point)| {
            let pairs = ends(a).into_iter().zip(ends(b));
            pairs.map(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1])).fold(0.0, f64::max)
        };
        let wider = |a: f64, b: f64| (a - b).abs() / 2.0;
        let feathers = self.feathers.iter().zip(&other.feathers).map(|(a, b)| wider(*a, *b));
        let points = self.points.iter().zip(&other.points).map(apart);
        let stroke = match (self.stroke, other.stroke) {
            (Some((a, _)), Some((b, _))) => wider(a, b),
            _ => 0.0,
        };
        points.chain(feathers).fold(wider(self.feather, other.feather).max(stroke), f64::max)
    }
}

fn feed_lines(lines: &[Line], key: &mut KeyHasher) {
    key.list(lines.len());
    for line in lines {
        key.int(line.count as i64).flag(line.is_closed);
    }
}

/// Carries points, handles and all, and their weights.
fn carry(points: &mut [Point], weights: &mut Vec<[f64; 3]>, matrix: &Matrix) {
    let bends = matrix[2] != [0.0, 0.0, 1.0];
    if bends && weights.is_empty() {
        weights.resize(points.len(), [1.0; 3]);
    }
    for (i, point) in points.iter_mut().enumerate() {
        let [x, y, ..] = *point;
        let ([u, v], weight) = carried(matrix, [x, y]);
        let mut own = [weight; 3];
        let mut to = [u, v, 0.0, 0.0, 0.0, 0.0];
        for handle in 0..2 {
            let at = 2 + 2 * handle;
            if point[at..at + 2] != [0.0; 2] {
                let ([a, b], weight) = carried(matrix, [x + point[at], y + point[at + 1]]);
                (to[at], to[at + 1]) = (a - u, b - v);
                own[handle + 1] = weight;
            }
        }
        *point = to;
        if bends {
            weights[i] = std::array::from_fn(|k| weights[i][k] * own[k]);
        }
    }
}

/// How much longer a matrix makes what lies in the middle of some points: the root of how areas grow there.
fn growth(matrix: &Matrix, points: &[Point]) -> f64 {
    let count = points.len() as f64;
    let middle = [0, 1].map(|i| points.iter().map(|p| p[i]).sum::<f64>() / count);
    let (here, _) = carried(matrix, middle);
    let [right, down] = [[1.0, 0.0], [0.0, 1.0]].map(|by| {
        const STEP: f64 = 1.0 / 64.0;
        let (there, _) = carried(matrix, [middle[0] + by[0] * STEP, middle[1] + by[1] * STEP]);
        [(there[0] - here[0]) / STEP, (there[1] - here[1]) / STEP]
    });
    (right[0] * down[1] - right[1] * down[0]).abs().sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operators::shape::motion::Track;

    fn track<const N: usize>(keys: &[(i64, [f64; N])]) -> Track<N> {
        Track { sure: vec![1.0; keys.len()], places: Curve::new(keys.to_vec(), Ease::Linear) }
    }

    fn shape(keys: Vec<(i64, Vec<Point>)>) -> Shape {
        Shape {
            mode: Mode::Add,
            fill: Fill::Nonzero,
            feather: Curve::steady([0.0]),
            stroke: None,
            ease: Ease::Linear,
            lines: vec![Line { count: keys[0].1.len(), is_closed: true }],
            keys,
            feathers: Vec::new(),
            follows: None,
            motion: None,
        }
    }

    #[test]
    fn outlines_move_between_keys_and_stay_outside() {
        let keys = vec![(10, vec![[0.0; 6]; 3]), (20, vec![[10.0; 6]; 3])];
        let shape = shape(keys);
        assert_eq!(shape.at(3.0).points[0][0], 0.0);
        assert_eq!(shape.at(12.5).points[2][5], 2.5);
        assert_eq!(shape.at(20.0).points[1][1], 10.0);
        assert_eq!(shape.at(21.0).points[1][1], 10.0);
        let smooth = Shape { ease: Ease::Smooth, ..shape };
        assert!((smooth.at(12.5).points[0][0] - 1.5625).abs() < 1e-12);
    }

    #[test]
    fn what_follows_is_as_drawn_on_its_keys_and_rides_in_between() {
        let corner = |x: f64, y: f64| [x, y, 0.0, 0.0, 2.0, 0.0];
        let keys = vec![(1, vec![corner(10.0, 10.0); 3]), (9, vec![corner(30.0, 12.0); 3])];
        // The point has gone (16, 0) by frame 5 and come back to (8, 0) by frame 9.
        let point = track(&[(1, [0.0, 0.0]), (5, [16.0, 0.0]), (9, [8.0, 0.0])]);
        let rides = Shape { motion: Some(Arc::new(Motion::Point(point))), ..shape(keys.clone()) };
        assert_eq!(rides.at(1.0).points, keys[0].1);
        assert_eq!(rides.at(9.0).points, keys[1].1);
        // By itself it goes from 10 to 22 in the first key's view, half of which is 6, and the point adds its 16.
        assert_eq!(rides.at(5.0).points[0], corner(32.0, 11.0));
        assert_eq!(rides.at(99.0).points, keys[1].1);
        assert!(!rides.is_steady());
    }

    #[test]
    fn a_slanted_plane_gives_weights_and_takes_them_back() {
        let square = [0.0, 0.0, 100.0, 0.0, 100.0, 100.0, 0.0, 100.0];
        let slant = [10.0, 5.0, 90.0, 30.0, 95.0, 80.0, 5.0, 95.0];
        let plane = Motion::Plane(track(&[(1, square), (5, slant), (9, square)]));
        let bend = |x: f64, y: f64| [x, y, -9.0, 3.0, 9.0, -3.0];
        let points = vec![bend(20.0, 20.0), bend(80.0, 30.0), bend(50.0, 90.0)];
        let rides = Shape { motion: Some(Arc::new(plane)), ..shape(vec![(1, points.clone())]) };
        let still = rides.at(5.0);
        assert!(still.weights.iter().flatten().any(|w| (w - 1.0).abs() > 0.05), "{:?}", still.weights);
        assert!(rides.at(9.0).weights.is_empty() && rides.at(9.0).points == points);
    }

    #[test]
    fn a_strokes_width_grows_with_what_it_follows_and_own_feathers_move() {
        let pair = Motion::Pair(
            Curve::steady([0.0, 0.0]),
            Curve::new(vec![(1, [10.0, 0.0]), (5, [0.0, 30.0])], Ease::Linear),
        );
        let keys =
            vec![(1, vec![[4.0, 4.0, 0.0, 0.0, 0.0, 0.0]; 2]), (3, vec![[4.0, 4.0, 0.0, 0.0, 0.0, 0.0]; 2])];
        let line = Shape {
            stroke: Some(Stroke { width: Curve::steady([2.0]), cap: Cap::Round }),
            motion: Some(Arc::new(pair)),
            feather: Curve::steady([4.0]),
            feathers: vec![vec![None, Some(6.0)], vec![None, None]],
            ..shape(keys)
        };
        let width = |time: f64| line.at(time).stroke.unwrap().0;
        assert!((width(1.0) - 2.0).abs() < 1e-9 && (width(3.0) - 2.0).abs() < 1e-9);
        assert!((width(3.0 - 1e-9) - 2.0).abs() < 1e-6);
        assert!((width(5.0) - 2.0 * 30.0 / 250f64.sqrt()).abs() < 1e-9, "{}", width(5.0));
        assert_eq!(line.at(1.0).feathers, [4.0, 6.0]);
        assert_eq!(line.at(2.0).feathers, [4.0, 5.0]);
        assert_eq!(line.at(3.0).feathers, [4.0, 4.0]);
    }
}
