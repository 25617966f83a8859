//! Follows one place from frame to frame.
//!
//! Knows the patch around the place, when it is lost and how it is found again. Does not know hand-set keys.
//!
//! Every frame is first held against the frame before it, from small to large (B. D. Lucas and T. Kanade, 1981; J.-Y.
//! Bouguet, "Pyramidal Implementation of the Lucas Kanade Feature Tracker", 2000), and then against the reference, the patch
//! as a person set it, so that errors do not add up. The reference is taken anew only where it has come to look otherwise
//! while the frames beside each other still agree. A place is believed by how alike the patches are, by how little its way
//! back misses where it came from (Z. Kalal, K. Mikolajczyk and J. Matas, "Forward-Backward Error", ICPR 2010), and by what
//! the light around it can tell at all.

use super::align::{Bend, Fit, Patch};
use super::course::{Follower, Step};
use super::picture::Picture;
use crate::operators::shape::motion::{Matrix, carry};

/// Half the side of the reference patch, in pixels.
pub const REACH: f64 = 15.0;
/// Half the side of patches at small sizes, in their samples.
const NEAR: f64 = 8.0;
/// The number of sizes on which neighbours are compared.
const SIZES: usize = 5;
/// Likeness below which the reference has come to look otherwise.
const CHANGED: f64 = 0.85;
/// What a reference taken anew is believed, against the one before.
const ANEW: f64 = 0.97;
/// Least likeness to the reference of a place that is found again.
const AGAIN: f64 = 0.8;

/// A place being followed.
pub struct Point {
    reach: f64,
    reference: Patch,
    /// From the reference's units to the last frame it was found on.
    map: Matrix,
    /// Patches around it there.
    before: Vec<Patch>,
    at: [f64; 2],
    speed: [f64; 2],
    /// The last frame it was found on.
    last: Shared,
    /// What the reference is believed.
    belief: f64,
    /// How alike the place was on the last frames.
    usual: Usual,
    /// Frames since it was seen.
    lost: usize,
}

/// The frame before, shared by all that is followed on it.
type Shared = std::sync::Arc<Picture>;

impl Follower<2> for Point {
    fn start(picture: &Shared, at: [f64; 2], hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> Option<Self> {
        let reference = square(picture, 0, at, REACH, hidden);
        if reference.len() < 100 {
            return None;
        }
        let map = reference.home();
        let before = patches(picture, at);
        Some(Self {
            reach: REACH,
            reference,
            map,
            before,
            at,
            speed: [0.0; 2],
            last: picture.clone(),
            belief: 1.0,
            usual: Usual::default(),
            lost: 0,
        })
    }

    fn step(&mut self, picture: &Shared, hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> Step<2> {
        let found = if self.lost == 0 { self.onward(picture, hidden) } else { self.again(picture, hidden) };
        match found {
            Some(found) if found.sure >= self.least() => {
                self.take(picture, &found, hidden);
                Step { at: self.at, sure: found.sure }
            }
            found => {
                self.lost += 1;
                Step {
                    at: found.map_or(self.at, |f| f.at),
                    sure: found.map_or(0.0, |f| f.sure).min(self.least()),
                }
            }
        }
    }
}

/// A place on a new frame.
#[derive(Clone, Copy)]
struct Found {
    at: [f64; 2],
    map: Matrix,
    sure: f64,
    /// Likeness to the reference, and to the frame before.
    likeness: f64,
    beside: f64,
    back: f64,
}

impl Point {
    /// What it takes to go on from a place.
    fn least(&self) -> f64 {
        if self.lost == 0 { 0.2 } else { 0.4 }
    }

    /// On the frame after the one on which it was seen.
    fn onward(&self, picture: &Shared, hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> Option<Found> {
        let ahead = [self.at[0] + self.speed[0], self.at[1] + self.speed[1]];
        let mut near = moved(&self.before, picture, ahead);
        if near.is_none_or(|(_, likeness)| likeness < 0.8) {
            let still = moved(&self.before, picture, self.at);
            if still.map_or(0.0, |s| s.1) > near.map_or(0.0, |n| n.1) {
                near = still;
            }
        }
        let worth = |fit: &Fit| fit.likeness * fit.share.min(0.8);
        let (near, beside) = near?;
        // What passes nearby leads small sizes astray, and a jerk the place that was expected.
        let starts =
            [self.against_reference(picture, ahead, hidden), self.against_reference(picture, near, hidden)];
        let fit = starts.into_iter().flatten().max_by(|a, b| worth(a).total_cmp(&worth(b)))?;
        let at = middle(&fit.map)?;
        let there = patches(picture, at);
        let start = [at[0] - self.speed[0], at[1] - self.speed[1]];
        let back = moved(&there, &self.last, start)
            .map_or(f64::INFINITY, |(to, _)| (to[0] - self.at[0]).hypot(to[1] - self.at[1]));
        let sure = if self.usual.is_kept(fit.likeness) { self.belief * sure(&fit, back) } else { 0.0 };
        Some(Found { at, map: fit.map, sure, likeness: fit.likeness, beside, back })
    }

    /// The patch as it was set, bent as on the last frame, from a place that is right to a pixel or two.
    fn against_reference(
        &self,
        picture: &Picture,
        near: [f64; 2],
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Option<Fit> {
        let mut map = self.map;
        map[0][2] = near[0];
        map[1][2] = near[1];
        let shifted = self.reference.fit(picture, &map, Bend::Shift, false, hidden)?;
        // A place that ran off on its own is worse than the one that came from the frame before.
        let astray = |fit: &Fit| {
            middle(&fit.map).is_none_or(|at| (at[0] - near[0]).hypot(at[1] - near[1]) > self.reach * 0.5)
        };
        if astray(&shifted) {
            return None;
        }
        let bent = self.reference.fit(picture, &shifted.map, Bend::Affine, false, hidden);
        let sound = |fit: &Fit| {
            let [[a, b, _], [c, d, _], _] = fit.map.map(|row| row.map(|v| v / self.reach));
            let area = a * d - b * c;
            (0.3..3.0).contains(&area) && !astray(fit) && fit.likeness + 0.01 >= shifted.likeness
        };
        let Some(bent) = bent.filter(sound) else { return Some(shifted) };
        // Nearly right, what does not fit at all may be left out: it is before or behind the place.
        let held = self.reference.fit(picture, &bent.map, Bend::Affine, true, hidden);
        Some(held.filter(|held| sound(held) && held.share > 0.5).unwrap_or(bent))
    }

    /// After it was out of sight: every place near where it went is held against the reference at a small size.
    fn again(&self, picture: &Shared, hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> Option<Found> {
        let gone = (self.lost + 1).min(12) as f64;
        let ahead = [self.at[0] + self.speed[0] * gone.min(4.0), self.at[1] + self.speed[1] * gone.min(4.0)];
        let level = 2.min(picture.depth() - 1);
        let size = f64::from(1u32 << level);
        let small = &self.before[level.min(self.before.len() - 1)];
        // Further away the same structure may well come again, and a place that is given up is better than a wrong one.
        let steps = ((6.0 + 3.0 * gone) / size).ceil() as i32;
        let mut places: Vec<(f64, [f64; 2])> = Vec::new();
        for (dx, dy) in (-steps..=steps).flat_map(|y| (-steps..=steps).map(move |x| (x, y))) {
            let at = [ahead[0] + f64::from(dx) * size, ahead[1] + f64::from(dy) * size];
            let mut map = small.home();
            map[0][2] = at[0];
            map[1][2] = at[1];
            places.extend(small.alike(picture, &map).map(|likeness| (likeness, at)));
        }
        places.sort_by(|a, b| b.0.total_cmp(&a.0));
        let tried = places.iter().take(3).filter_map(|&(_, at)| {
            let (near, beside) = moved(&self.before[..=level.min(self.before.len() - 1)], picture, at)?;
            let fit = self.against_reference(picture, near, hidden)?;
            let at = middle(&fit.map)?;
            let is_it = fit.likeness >= AGAIN && self.usual.is_kept(fit.likeness);
            let sure = if is_it { self.belief * sure(&fit, 0.3) } else { 0.0 };
            Some(Found { at, map: fit.map, sure, likeness: fit.likeness, beside, back: 0.3 })
        });
        tried.max_by(|a, b| a.sure.total_cmp(&b.sure))
    }

    fn take(&mut self, picture: &Shared, found: &Found, hidden: Option<&dyn Fn([f64; 2]) -> bool>) {
        let frames = (self.lost + 1) as f64;
        self.speed = [0, 1].map(|i| (found.at[i] - self.at[i]) / frames);
        self.at = found.at;
        self.map = found.map;
        self.lost = 0;
        self.usual.take(found.likeness);
        self.before = patches(picture, self.at);
        self.last = picture.clone();
        if found.likeness < CHANGED && found.beside > 0.93 && found.back < 0.3 {
            let anew = square(picture, 0, self.at, self.reach, hidden);
            if anew.len() >= 100 {
                self.map = anew.home();
                self.reference = anew;
                self.belief *= ANEW;
                self.usual = Usual::default();
            }
        }
    }
}

/// A square patch, without what is hidden.
fn square(
    picture: &Picture,
    level: usize,
    at: [f64; 2],
    reach: f64,
    hidden: Option<&dyn Fn([f64; 2]) -> bool>,
) -> Patch {
    let counts = |place: [f64; 2]| !hidden.is_some_and(|hidden| hidden(place));
    Patch::new(picture, level, at, [reach; 2], usize::MAX, &counts)
}

/// Patches around a place on each size, alike in samples.
fn patches(picture: &Picture, at: [f64; 2]) -> Vec<Patch> {
    let sizes = SIZES.min(picture.depth());
    (0..sizes).map(|level| square(picture, level, at, NEAR * f64::from(1u32 << level), None)).collect()
}

/// Where a place went, from small to large, and how alike it is there.
fn moved(patches: &[Patch], picture: &Picture, start: [f64; 2]) -> Option<([f64; 2], f64)> {
    let mut at = start;
    let mut likeness = 0.0;
    for (level, patch) in patches.iter().enumerate().rev() {
        let mut map = patch.home();
        map[0][2] = at[0];
        map[1][2] = at[1];
        let Some(fit) = patch.fit(picture, &map, Bend::Shift, false, None) else {
            // Too near the border for this size; smaller ones see less of it.
            continue;
        };
        let to = middle(&fit.map)?;
        // A small size that finds nothing must not send the larger ones away.
        if fit.likeness > 0.3 || level == 0 {
            at = to;
        }
        likeness = fit.likeness;
    }
    Some((at, likeness))
}

/// Where a patch's middle lies.
fn middle(map: &Matrix) -> Option<[f64; 2]> {
    carry(map, [0.0, 0.0])
}

/// How alike what is followed has been to its reference on the last frames. Light, noise and turning change that little by
/// little; somebody who passes in front, or a place that is not the right one, at once.
#[derive(Clone, Copy, Debug, Default)]
pub struct Usual(Option<f64>);

impl Usual {
    /// Likeness that may be lost from one frame to the next.
    const DROP: f64 = 0.2;
    /// And that may be lost while it was hidden.
    const SPREAD: f64 = 0.04;

    /// Takes that of a frame on which it was found.
    pub fn take(&mut self, likeness: f64) {
        self.0 = Some(self.0.map_or(likeness, |usual| usual + 0.3 * (likeness - usual)));
    }

    /// True when a likeness may be that of the same thing.
    pub fn is_kept(&self, likeness: f64) -> bool {
        self.0.is_none_or(|usual| likeness >= usual - Self::DROP)
    }

    /// True when a likeness is what it was before: at places that only look alike it is less.
    pub fn is_the_same(&self, likeness: f64) -> bool {
        self.0.is_none_or(|usual| likeness >= usual - Self::SPREAD)
    }

    /// The likeness from which on a place is plainly the right one.
    pub fn plain(&self) -> f64 {
        self.0.map_or(0.9, |usual| (usual - 0.03).min(0.9))
    }
}

/// How far a place is to be believed: 1 for patches that are the same, 0 for those that are not; halved where the way back
/// misses by 0.7 pixels, or where light leaves a place open by 0.5.
pub fn sure(fit: &Fit, back: f64) -> f64 {
    let likeness = ((fit.likeness - 0.5) / 0.45).clamp(0.0, 1.0);
    let share = (fit.share / 0.6).min(1.0);
    likeness * share / (1.0 + (back / 0.7).powi(2)) / (1.0 + (fit.doubt / 0.5).powi(2))
}
