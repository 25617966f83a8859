//! Follows a flat patch, its four corners, from frame to frame.
//!
//! Knows the patch as it was set and how it bends. Does not know hand-set keys.
//!
//! Light of the whole patch is laid on every frame as a flat thing seen through a lens would lie there (`align`); samples
//! that do not fit, such as somebody in front, are left out by themselves, others by a hold-out matte.

use std::sync::Arc;

use super::align::{Bend, Fit, Patch};
use super::course::{Follower, Step};
use super::matrix::{self, Matrix, carry};
use super::picture::Picture;
use super::point::sure;

/// Samples on which a patch is laid at one size, at most.
const MOST: usize = 12_000;
/// The fewest samples of a size that is looked at.
const FEWEST: usize = 150;
/// Likeness below which the reference has come to look otherwise, and what one taken anew is believed.
const CHANGED: f64 = 0.8;
const ANEW: f64 = 0.97;
/// What it takes to go on from a frame, and to be found again.
const ONWARD: f64 = 0.15;
const AGAIN: f64 = 0.4;

/// A patch being followed.
pub struct Flat {
    /// The patch at each size, the whole one first.
    reference: Vec<Patch>,
    /// Its corners in the patches' units.
    units: [[f64; 2]; 4],
    map: Matrix,
    /// From the frame before the last to the last, in pixels.
    change: Matrix,
    last: Arc<Picture>,
    corners: [[f64; 2]; 4],
    belief: f64,
    lost: usize,
}

impl Follower<8> for Flat {
    fn start(
        picture: &Arc<Picture>,
        at: [f64; 8],
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Option<Self> {
        let corners = corners(&at);
        let reference = patches(picture, &corners, 0, hidden);
        let first = reference.first()?;
        let map = first.home();
        let back = matrix::inverse(&map)?;
        let units = corners.map(|corner| carry(&back, corner).unwrap_or_default());
        Some(Self {
            reference,
            units,
            map,
            change: matrix::STILL,
            last: picture.clone(),
            corners,
            belief: 1.0,
            lost: 0,
        })
    }

    fn step(&mut self, picture: &Arc<Picture>, hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> Step<8> {
        let least = if self.lost == 0 { ONWARD } else { AGAIN };
        let found = self.find(picture, hidden);
        let Some((fit, corners, certain)) = found.filter(|found| found.2 >= least) else {
            self.lost += 1;
            let (_, at, certain) = found.map_or((None, self.corners, 0.0), |(f, c, s)| (Some(f), c, s));
            return Step { at: flat(&at), sure: certain.min(least) };
        };
        self.change =
            matrix::of_corners(&self.corners, &corners).filter(|_| self.lost == 0).unwrap_or(matrix::STILL);
        self.map = fit.map;
        self.corners = corners;
        self.last = picture.clone();
        self.lost = 0;
        if fit.likeness < CHANGED && certain > 0.3 {
            self.anew(picture, hidden);
        }
        Step { at: flat(&corners), sure: certain }
    }
}

impl Flat {
    /// Where the patch lies on a frame, its corners, and how far that is to be believed.
    fn find(
        &self,
        picture: &Arc<Picture>,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Option<(Fit, [[f64; 2]; 4], f64)> {
        let mut starts = vec![matrix::product(&self.change, &self.map), self.map];
        if self.lost > 0 {
            starts.extend(self.around(picture));
        }
        let mut best: Option<(Fit, f64)> = None;
        for start in starts {
            let Some(fit) = matrix::scaled(start).and_then(|start| self.laid(picture, start, hidden)) else {
                continue;
            };
            let worth = fit.likeness * fit.share.min(0.8);
            if best.is_none_or(|(_, b)| worth > b) {
                best = Some((fit, worth));
            }
            // The first start is where the patch most likely is, and others cost as much again.
            if fit.likeness > 0.9 && fit.share > 0.6 {
                break;
            }
        }
        let (fit, _) = best?;
        let mut corners = [[0.0; 2]; 4];
        for (to, unit) in corners.iter_mut().zip(self.units) {
            *to = carry(&fit.map, unit)?;
        }
        if !is_sound(&corners, &self.corners) {
            return None;
        }
        let back = if self.lost == 0 { self.back(picture, &corners, hidden) } else { 0.3 };
        Some((fit, corners, self.belief * sure(&fit, back)))
    }

    /// From small to large; small sizes may move only.
    fn laid(
        &self,
        picture: &Picture,
        start: Matrix,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Option<Fit> {
        let mut map = start;
        let mut fit = None;
        let small = self.reference.len() - 1;
        for (level, patch) in self.reference.iter().enumerate().rev() {
            let bends: &[(Bend, bool)] = match level {
                _ if level == small && level > 0 => &[(Bend::Shift, false), (Bend::Affine, false)],
                0 => &[(Bend::Flat, true)],
                _ => &[(Bend::Affine, false), (Bend::Flat, false)],
            };
            for &(bend, strict) in bends {
                // A size that says nothing leaves the place to the next one.
                if let Some(laid) = patch.fit(picture, &map, bend, strict, hidden) {
                    map = laid.map;
                    fit = (level == 0).then_some(laid);
                }
            }
        }
        fit
    }

    /// Starts around where it was last, of which the likest few are tried.
    fn around(&self, picture: &Picture) -> Vec<Matrix> {
        let small = &self.reference[self.reference.len() - 1];
        let side = (self.corners[0][0] - self.corners[2][0])
            .abs()
            .max((self.corners[0][1] - self.corners[2][1]).abs());
        let step = (side / 8.0).max(2.0);
        let mut places = Vec::new();
        for (dx, dy) in (-6..=6).flat_map(|y| (-6..=6).map(move |x| (x, y))) {
            let shift = [[1.0, 0.0, f64::from(dx) * step], [0.0, 1.0, f64::from(dy) * step], [0.0, 0.0, 1.0]];
            let map = matrix::product(&shift, &self.map);
            places.extend(small.alike(picture, &map).map(|likeness| (likeness, map)));
        }
        places.sort_by(|a, b| b.0.total_cmp(&a.0));
        places.into_iter().take(3).map(|(_, map)| map).collect()
    }

    /// How far the way back from a frame misses the corners that the last one had, at half size: the worst of them.
    fn back(&self, picture: &Picture, at: &[[f64; 2]; 4], hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> f64 {
        let there = patches(picture, at, usize::from(self.reference.len() > 1), hidden);
        let miss = || {
            let patch = there.first()?;
            let home = matrix::inverse(&patch.home())?;
            let start = matrix::product(&matrix::of_corners(at, &self.corners)?, &patch.home());
            let fit = patch.fit(&self.last, &matrix::scaled(start)?, Bend::Flat, true, None)?;
            let mut worst: f64 = 0.0;
            for (corner, was) in at.iter().zip(&self.corners) {
                let to = carry(&fit.map, carry(&home, *corner)?)?;
                worst = worst.max((to[0] - was[0]).hypot(to[1] - was[1]));
            }
            Some(worst)
        };
        // Corners swing more than places inside.
        miss().map_or(f64::INFINITY, |worst| worst * 0.5)
    }

    fn anew(&mut self, picture: &Arc<Picture>, hidden: Option<&dyn Fn([f64; 2]) -> bool>) {
        if let Some(mut fresh) = Self::start(picture, flat(&self.corners), hidden) {
            fresh.belief = self.belief * ANEW;
            fresh.change = self.change;
            *self = fresh;
        }
    }
}

/// Corners of a flat patch that did not fold over or change beyond belief in one step.
fn is_sound(corners: &[[f64; 2]; 4], before: &[[f64; 2]; 4]) -> bool {
    let cross = |q: &[[f64; 2]; 4], i: usize| {
        let (a, b, c) = (q[i], q[(i + 1) % 4], q[(i + 2) % 4]);
        (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
    };
    let sense = cross(before, 0).signum();
    let area = |q: &[[f64; 2]; 4]| (cross(q, 0) + cross(q, 2)).abs();
    let grown = area(corners) / area(before).max(1e-9);
    (0..4).all(|i| cross(corners, i) * sense > 0.0) && (0.4..2.5).contains(&grown)
}

/// The patch inside four corners, on each size from `first` on that has enough of it.
fn patches(
    picture: &Picture,
    corners: &[[f64; 2]; 4],
    first: usize,
    hidden: Option<&dyn Fn([f64; 2]) -> bool>,
) -> Vec<Patch> {
    let span = |axis: usize| {
        let all = corners.map(|c| c[axis]);
        (all.into_iter().fold(f64::INFINITY, f64::min), all.into_iter().fold(f64::NEG_INFINITY, f64::max))
    };
    let ((left, right), (top, bottom)) = (span(0), span(1));
    let (middle, reach) =
        ([(left + right) / 2.0, (top + bottom) / 2.0], [(right - left) / 2.0, (bottom - top) / 2.0]);
    let counts = |place: [f64; 2]| {
        let side = |i: usize| {
            let (a, b) = (corners[i], corners[(i + 1) % 4]);
            (b[0] - a[0]) * (place[1] - a[1]) - (b[1] - a[1]) * (place[0] - a[0])
        };
        let all = [side(0), side(1), side(2), side(3)];
        let within = all.iter().all(|s| *s >= 0.0) || all.iter().all(|s| *s <= 0.0);
        within && !hidden.is_some_and(|hidden| hidden(place))
    };
    (first..picture.depth())
        .map(|level| Patch::new(picture, level, middle, reach, MOST, &counts))
        .take_while(|patch| patch.len() >= FEWEST)
        .collect()
}

fn corners(at: &[f64; 8]) -> [[f64; 2]; 4] {
    std::array::from_fn(|i| [at[2 * i], at[2 * i + 1]])
}

fn flat(corners: &[[f64; 2]; 4]) -> [f64; 8] {
    std::array::from_fn(|i| corners[i / 2][i % 2])
}
