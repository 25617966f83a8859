//! Follows a flat patch, its four corners, from frame to frame.
//!
//! Knows the patch as it was set and how it bends. Does not know hand-set keys.
//!
//! Light of the whole patch is laid on every frame as a flat thing seen through a lens would lie there (`align`); samples
//! that do not fit, such as somebody in front, are left out by themselves, others by a holdout matte.

mod corners;

use std::sync::Arc;

use super::align::{Bend, Fit, Patch, Shown};
use super::course::{Follower, Step};
use super::picture::Picture;
use super::point::{Usual, sure};
use crate::operators::shape::motion::{Matrix, STILL, carry, homography, inverse, product, scaled};
use corners::{Corners, bends, bent, carried, corner, goes, gone, is_sound};

/// Samples on which a patch is laid at one size while it is looked for, at most.
const MOST: usize = 12_000;
/// And where it is laid at last. Noise moves corners by as much less as the root of the samples is more.
const WHOLE: usize = 200_000;
/// The fewest samples of a size that is looked at.
const FEWEST: usize = 150;
/// What is left of a belief when none, one or more quarters of the patch do not show. Three corners still hold a flat thing;
/// two leave it to swing, and nothing but the frame before speaks against that.
const COVERED: [f64; 3] = [1.0, 0.8, 0.5];
/// Share of the patch that must show for full belief, and to be found again at all.
const SEEN: f64 = 0.6;
const SEEN_AGAIN: f64 = 0.75;
/// A tile shows the patch when it is as alike as this part of what tiles usually are: on the frame after, and to be found again.
const PART: f64 = 0.8;
const PART_AGAIN: f64 = 0.9;
/// Places that are tried where what was lost is looked for. Light that repeats has several that are nearly as alike.
const AROUND: usize = 8;
/// Standard deviation of the worst corner, in pixels, that halves a belief.
const SWINGS: f64 = 1.0;
/// How far the patch's tiles go by themselves, in pixels, which halves it: then it is not flat, or not this one. Noise alone
/// makes it half of that, so the fourth power.
const APART: f64 = 0.9;
/// Samples of a size on whose tiles it is told which parts of the patch are seen, at least.
const TILED: usize = 600;
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
    /// All of it, where the first of those is thinned.
    whole: Option<Patch>,
    /// Its corners in the patches' units.
    units: Corners,
    map: Matrix,
    /// From the frame before the last to the last, in pixels.
    change: Matrix,
    last: Arc<Picture>,
    corners: Corners,
    belief: f64,
    /// How alike it was on the last frames.
    usual: Usual,
    /// And the median of its tiles.
    tiles: f64,
    /// How far it went on the last frame, in pixels.
    pace: f64,
    lost: usize,
}

impl Follower<8> for Flat {
    fn start(
        picture: &Arc<Picture>,
        at: [f64; 8],
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Option<Self> {
        let reference = patches(picture, &at, 0, MOST, hidden);
        let first = reference.first()?;
        let whole = patch(picture, &at, 0, WHOLE, hidden);
        let map = first.home();
        let back = inverse(&map)?;
        let units = carried(&back, &at)?;
        Some(Self {
            whole: (whole.len() > first.len()).then_some(whole),
            reference,
            units,
            map,
            change: STILL,
            last: picture.clone(),
            corners: at,
            belief: 1.0,
            usual: Usual::default(),
            tiles: 0.0,
            pace: 0.0,
            lost: 0,
        })
    }

    fn step(&mut self, picture: &Arc<Picture>, hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> Step<8> {
        let least = if self.lost == 0 { ONWARD } else { AGAIN };
        let found = self.find(picture, hidden);
        let Some((fit, shown, corners, certain)) = found.filter(|found| found.3 >= least) else {
            self.lost += 1;
            let (at, certain) = found.map_or((self.corners, 0.0), |(_, _, at, certain)| (at, certain));
            return Step { at, sure: certain.min(least) };
        };
        self.pace = gone(&corners, &self.corners) / (self.lost + 1) as f64;
        let change = scaled(homography(&self.corners, &corners)).filter(|_| self.lost == 0);
        self.change = change.unwrap_or(STILL);
        self.map = fit.map;
        self.corners = corners;
        self.last = picture.clone();
        self.usual.take(fit.likeness);
        self.lost = 0;
        self.tiles =
            if self.tiles > 0.0 { self.tiles + 0.3 * (shown.median - self.tiles) } else { shown.median };
        // A patch with somebody before it is no reference, wherever it is.
        if fit.likeness < CHANGED && shown.share >= 1.0 && certain > 0.3 {
            self.anew(picture, hidden);
        }
        Step { at: corners, sure: certain }
    }
}

impl Flat {
    /// Where the patch lies on a frame, its corners, and how far that is to be believed.
    fn find(
        &self,
        picture: &Arc<Picture>,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Option<(Fit, Shown, Corners, f64)> {
        let mut fit = self.likeliest(picture, hidden)?;
        if let Some(whole) = &self.whole {
            fit = whole.fit(picture, &fit.map, Bend::Flat, true, hidden).unwrap_or(fit);
        }
        let corners = carried(&fit.map, &self.units)?;
        if !is_sound(&corners, &self.corners) {
            return None;
        }
        let back = if self.lost == 0 {
            let foreign = Foreign::of(&self.reference[0].fitting(picture, &fit), &fit.map)?;
            let hidden = |place: [f64; 2]| foreign.holds(place) || hidden.is_some_and(|hidden| hidden(place));
            self.back(picture, &corners, Some(&hidden))
        } else {
            0.3
        };
        let sure = if self.usual.is_kept(fit.likeness) { self.belief * sure(&fit, back) } else { 0.0 };
        let shown = self.shown(picture, &fit.map, hidden);
        let left = self.left(&fit, &shown, &corners);
        Some((fit, shown, corners, sure * left))
    }

    /// What of the patch is seen where it was laid. Noise counts for less at half the size.
    fn shown(&self, picture: &Picture, map: &Matrix, hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> Shown {
        let half = self.reference.get(1).filter(|patch| patch.len() >= TILED);
        let part = if self.lost == 0 { PART } else { PART_AGAIN };
        half.unwrap_or(&self.reference[0]).shown(picture, map, part * self.tiles, hidden)
    }

    /// What is left of a belief by what is seen of the patch, and by how far it may have gone.
    fn left(&self, fit: &Fit, shown: &Shown, corners: &Corners) -> f64 {
        let stands = 1.0 / (1.0 + (fit.swing / SWINGS).powi(2)) / (1.0 + (shown.apart / APART).powi(4));
        let seen = (shown.share / SEEN).min(1.0) * stands;
        if self.lost == 0 {
            return seen * COVERED[shown.covered.min(COVERED.len() - 1)];
        }
        let is_another = !self.usual.is_the_same(fit.likeness)
            || shown.share < SEEN_AGAIN
            || shown.covered > 1
            || bent(corners, &self.corners) > bends(self.lost)
            || gone(corners, &self.corners) > self.may_go();
        if is_another { 0.0 } else { seen * COVERED[shown.covered] }
    }

    /// How far it may have gone since it was last seen, in pixels.
    fn may_go(&self) -> f64 {
        let size = (self.corners[4] - self.corners[0]).hypot(self.corners[5] - self.corners[1]);
        self.pace * (self.lost + 1) as f64 + goes(self.lost) * size
    }

    /// Where it fits best, of all places that it is looked for at.
    fn likeliest(&self, picture: &Picture, hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> Option<Fit> {
        let ahead = scaled(product(&self.change, &self.map)).unwrap_or(self.map);
        // Close to where it is expected nothing that passes leads astray, as it does at small sizes.
        let mut starts = vec![(ahead, true), (ahead, false), (self.map, false)];
        if self.lost > 0 {
            starts.extend(self.around(picture).into_iter().map(|map| (map, false)));
        }
        let mut best: Option<(Fit, f64)> = None;
        for (start, near) in starts {
            let Some(fit) = self.laid(picture, start, near, hidden) else { continue };
            if !carried(&fit.map, &self.units).is_some_and(|corners| is_sound(&corners, &self.corners)) {
                continue;
            }
            // A fit leaves out what does not fit, so that it may be pressed onto a part; its tiles speak against that.
            let shown = self.shown(picture, &fit.map, hidden);
            let worth = fit.likeness * fit.share.min(0.8) * (1.0 + shown.tiles as f64 + shown.mean);
            if best.is_none_or(|(_, b)| worth > b) {
                best = Some((fit, worth));
            }
            // The first start is where the patch most likely is, and others cost as much again. What was lost is compared with
            // all places like it.
            if self.lost == 0 && fit.likeness > self.usual.plain() && fit.share > 0.6 {
                break;
            }
        }
        best.map(|(fit, _)| fit)
    }

    /// From small to large; small sizes may move only. From half the size on where it is `near`.
    fn laid(
        &self,
        picture: &Picture,
        start: Matrix,
        near: bool,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Option<Fit> {
        let mut map = start;
        let mut fit = None;
        let small = self.reference.len() - 1;
        let first = if near { small.min(1) } else { small };
        for (level, patch) in self.reference.iter().enumerate().take(first + 1).rev() {
            let bends: &[(Bend, bool)] = match level {
                _ if near => &[(Bend::Flat, true)],
                _ if level == small && level > 0 => &[(Bend::Shift, false), (Bend::Affine, false)],
                0 => &[(Bend::Flat, true)],
                _ => &[(Bend::Affine, false), (Bend::Flat, true)],
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

    /// Starts around where it was last, as far as it may have gone, of which the likest few are tried.
    fn around(&self, picture: &Picture) -> Vec<Matrix> {
        let small = &self.reference[self.reference.len() - 1];
        let step = (self.may_go() / 6.0).max(2.0);
        let mut places = Vec::new();
        for (dx, dy) in (-6..=6).flat_map(|y| (-6..=6).map(move |x| (x, y))) {
            let shift = [[1.0, 0.0, f64::from(dx) * step], [0.0, 1.0, f64::from(dy) * step], [0.0, 0.0, 1.0]];
            let Some(map) = scaled(product(&shift, &self.map)) else { continue };
            places.extend(small.alike(picture, &map).map(|likeness| (likeness, map)));
        }
        places.sort_by(|a, b| b.0.total_cmp(&a.0));
        places.into_iter().take(AROUND).map(|(_, map)| map).collect()
    }

    /// How far the way back from a frame misses the corners that the last one had, at half size: the worst of them.
    fn back(&self, picture: &Picture, at: &Corners, hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> f64 {
        let there = patch(picture, at, usize::from(self.reference.len() > 1), MOST, hidden);
        let miss = || {
            let home = there.home();
            let start = product(&homography(at, &self.corners), &home);
            let fit = there.fit(&self.last, &scaled(start)?, Bend::Flat, true, None)?;
            let to = carried(&product(&fit.map, &inverse(&home)?), at)?;
            let miss = |i: usize| (to[i] - self.corners[i]).hypot(to[i + 1] - self.corners[i + 1]);
            Some([0, 2, 4, 6].map(miss).into_iter().fold(0.0, f64::max))
        };
        // Corners swing more than places inside.
        miss().map_or(f64::INFINITY, |worst| worst * 0.5)
    }

    fn anew(&mut self, picture: &Arc<Picture>, hidden: Option<&dyn Fn([f64; 2]) -> bool>) {
        if let Some(mut fresh) = Self::start(picture, self.corners, hidden) {
            fresh.belief = self.belief * ANEW;
            fresh.change = self.change;
            fresh.pace = self.pace;
            *self = fresh;
        }
    }
}

/// Where somebody else is before a patch.
struct Foreign {
    /// Cells of the patch's units, most of whose samples do not fit.
    cells: [bool; Foreign::SIDE * Foreign::SIDE],
    back: Matrix,
}

impl Foreign {
    const SIDE: usize = 32;

    fn of(fitting: &[([f32; 2], bool)], map: &Matrix) -> Option<Self> {
        let mut sums = [0i32; Self::SIDE * Self::SIDE];
        for (place, fits) in fitting {
            if let Some(cell) = Self::cell(place.map(f64::from)) {
                sums[cell] += if *fits { -1 } else { 1 };
            }
        }
        Some(Self { cells: sums.map(|sum| sum > 0), back: inverse(map)? })
    }

    fn cell(place: [f64; 2]) -> Option<usize> {
        let [x, y] = place.map(|v| ((v + 1.0) * 0.5 * Self::SIDE as f64).floor());
        let inside = |v: f64| v >= 0.0 && v < Self::SIDE as f64;
        (inside(x) && inside(y)).then(|| y as usize * Self::SIDE + x as usize)
    }

    fn holds(&self, place: [f64; 2]) -> bool {
        carry(&self.back, place).and_then(Self::cell).is_some_and(|cell| self.cells[cell])
    }
}

/// The patch inside four corners, on each size from `first` on that has enough of it.
fn patches(
    picture: &Picture,
    corners: &Corners,
    first: usize,
    most: usize,
    hidden: Option<&dyn Fn([f64; 2]) -> bool>,
) -> Vec<Patch> {
    (first..picture.depth())
        .map(|level| patch(picture, corners, level, most, hidden))
        .take_while(|patch| patch.len() >= FEWEST)
        .collect()
}

/// The patch inside four corners on one size.
fn patch(
    picture: &Picture,
    corners: &Corners,
    level: usize,
    most: usize,
    hidden: Option<&dyn Fn([f64; 2]) -> bool>,
) -> Patch {
    let span = |axis: usize| {
        let all = [0, 1, 2, 3].map(|i| corner(corners, i)[axis]);
        (all.into_iter().fold(f64::INFINITY, f64::min), all.into_iter().fold(f64::NEG_INFINITY, f64::max))
    };
    let ((left, right), (top, bottom)) = (span(0), span(1));
    let (middle, reach) =
        ([(left + right) / 2.0, (top + bottom) / 2.0], [(right - left) / 2.0, (bottom - top) / 2.0]);
    let counts = |place: [f64; 2]| {
        let side = |i: usize| {
            let (a, b) = (corner(corners, i), corner(corners, i + 1));
            (b[0] - a[0]) * (place[1] - a[1]) - (b[1] - a[1]) * (place[0] - a[0])
        };
        let all = [side(0), side(1), side(2), side(3)];
        let within = all.iter().all(|s| *s >= 0.0) || all.iter().all(|s| *s <= 0.0);
        within && !hidden.is_some_and(|hidden| hidden(place))
    };
    Patch::new(picture, level, middle, reach, most, &counts)
}
