//! One frame of `paint-out`: from the picture, its matte and a fill to the picture without what the matte covers.
//!
//! Knows the order of the work on one area. Does not know frames, parameters in time or where a fill is from.

use super::around;
use super::field::{Area, Pixel};
use super::grain::{self, Grain};
use super::seam::{self, Role};

/// The part of a frame that is worked on.
pub struct Work<'a> {
    /// Pixels across.
    pub width: usize,
    /// The picture.
    pub picture: &'a [Pixel],
    /// Share of each pixel that is to be filled, 0 to 1.
    pub matte: &'a [f32],
    /// What each pixel is.
    pub roles: &'a [Role],
    /// Whether the fill takes its level from the picture at the hole's edge.
    pub is_gradient: bool,
    /// Whether the fill is from around, grain and all.
    pub is_copied: bool,
    /// For all chance but grain's.
    pub seed: i64,
    /// The part of the area whose grain counts.
    pub near: Area,
}

/// What grain is added.
pub struct Wanted {
    /// Share of the missing amplitude.
    pub strength: f32,
    /// Seed and frame.
    pub seed: (i64, i64),
    /// Place of the area's first pixel in the frame.
    pub corner: (usize, usize),
}

/// The roles of an area: what the matte covers is the hole, what is held out stands apart.
pub fn roles(matte: &[f32], held: Option<&[f32]>) -> Vec<Role> {
    let is_held = |at: usize| held.is_some_and(|h| h[at] > 0.0);
    (0..matte.len())
        .map(|at| match matte[at] > 0.0 {
            true => Role::Hole,
            false if is_held(at) => Role::Apart,
            false => Role::Known,
        })
        .collect()
}

impl Work<'_> {
    /// Joins a fill to the picture. `fill` covers the area; where it was not `seen`, the hole is filled in from around, the
    /// seen part of the fill included. Gives nothing when a piece of the hole has neither anything around to copy nor an edge
    /// to take a level from.
    pub fn settled(&self, mut fill: Vec<Pixel>, seen: &[bool]) -> Option<Vec<Pixel>> {
        let is_hole = |at: usize| self.roles[at] == Role::Hole;
        let only_seen: Vec<Role> =
            self.roles.iter().zip(seen).map(|(role, seen)| if *seen { *role } else { Role::Apart }).collect();
        if self.is_gradient {
            self.joined(self.picture, &mut fill, &only_seen);
        }
        if (0..fill.len()).all(|at| seen[at] || !is_hole(at)) {
            return Some(fill);
        }
        let mut so_far = self.picture.to_vec();
        let mut left = self.roles.to_vec();
        for at in (0..fill.len()).filter(|&at| is_hole(at) && seen[at]) {
            (so_far[at], left[at]) = (fill[at], Role::Known);
        }
        let mut rest = so_far.clone();
        let is_copied = around::fill(&so_far, &mut rest, &left, self.width, self.seed);
        if !is_copied && !seam::is_anchored(&left, self.width) {
            return None;
        }
        if self.is_gradient || !is_copied {
            self.joined(&so_far, &mut rest, &left);
        }
        for at in (0..fill.len()).filter(|&at| is_hole(at) && !seen[at]) {
            fill[at] = rest[at];
        }
        Some(fill)
    }

    /// Joins a fill, and leaves it no less light than the picture and the fill speak for.
    fn joined(&self, picture: &[Pixel], fill: &mut [Pixel], roles: &[Role]) {
        let before = fill.to_vec();
        seam::join(picture, fill, roles, self.width);
        seam::dark::lifted(picture, &before, fill, roles, self.width);
    }

    /// The picture with a joined fill in the hole, by the matte, and grain over it.
    pub fn mixed(&self, fill: &[Pixel], wanted: &Wanted) -> Vec<Pixel> {
        let parts = || self.picture.iter().zip(fill).zip(self.matte);
        let mut out: Vec<Pixel> = parts().map(|((under, over), &share)| mix(*under, *over, share)).collect();
        if wanted.strength <= 0.0 {
            return out;
        }
        let is_known = |at: usize| self.roles[at] == Role::Known;
        let is_hole = |at: usize| self.roles[at] == Role::Hole;
        let near = |at: usize| self.near.contains(at % self.width, at / self.width) && is_known(at);
        let Some(around) = Grain::measure(self.picture, self.width, near, is_known) else { return out };
        let whole: Vec<Pixel> =
            parts().map(|((under, over), &share)| if share > 0.0 { *over } else { *under }).collect();
        let counts = |at: usize| self.roles[at] != Role::Apart;
        // A hole too small to measure has what it was copied with, or is taken to have none.
        let unmeasured = || if self.is_copied { around.clone() } else { Grain::default() };
        let inside = Grain::measure(&whole, self.width, is_hole, counts).unwrap_or_else(unmeasured);
        let strength = wanted.strength;
        grain::add(
            &mut out,
            self.width,
            self.matte,
            (&around, &inside),
            strength,
            wanted.seed,
            wanted.corner,
        );
        out
    }
}

/// `over × share + under × (1 − share)`, premultiplied; at 1 the fill alone counts.
fn mix(under: Pixel, over: Pixel, share: f32) -> Pixel {
    if share >= 1.0 {
        return over;
    }
    if share <= 0.0 {
        return under;
    }
    std::array::from_fn(|c| over[c] * share + under[c] * (1.0 - share))
}
