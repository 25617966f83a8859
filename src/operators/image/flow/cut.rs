//! Whether two pictures show the same scene at all.
//!
//! Knows the measure of it on a small level. Does not know what is done about a cut.

use super::agree::agreed;
use super::pyramid::Level;
use super::{Flow, towards};
use crate::base::level::Level as Vectors;

/// The largest side of the level that is looked at, in pixels.
const SIDE: usize = 160;
/// The share of pixels that must move there and back alike.
const AGREED: f32 = 0.3;
/// The share of the picture's own contrast that moving it must explain.
const EXPLAINED: f32 = 0.3;

/// What is worse explained than this has nothing in common, even where all agree to stand still: black, then a picture.
const FOREIGN: f32 = -2.0;

/// True where neither picture can be moved to look like the other: few pixels agree on a motion, and along it the
/// pictures differ nearly as much as they vary in themselves.
pub fn is_cut(vectors: Vectors, a: &[Level], b: &[Level]) -> bool {
    let (agreed, explained) = measure(vectors, a, b);
    agreed < AGREED && explained < EXPLAINED || explained < FOREIGN
}

/// The share of pixels that agree, and how much of the contrast is explained, 1 being all.
fn measure(vectors: Vectors, a: &[Level], b: &[Level]) -> (f32, f32) {
    let small = |level: &Level| level.light.width.max(level.light.height) <= SIDE;
    let last = a.iter().position(small).unwrap_or(a.len() - 1);
    let flows = [towards(vectors, a, b, last), towards(vectors, b, a, last)];
    let seen = agreed(&flows[0], &flows[1]);
    let share = seen.iter().filter(|seen| **seen).count() as f32 / seen.len() as f32;
    let (here, there) = (a[last].light.inner(), b[last].light.inner());
    let explained = explained(&flows[0], &here, &there).min(explained(&flows[1], &there, &here));
    (share, explained)
}

/// One less the mean difference along a motion, over the mean difference of samples from their mean.
fn explained(flow: &Flow, here: &[f32], there: &[f32]) -> f32 {
    let count = here.len() as f32;
    let mean = |plane: &[f32]| plane.iter().sum::<f32>() / count;
    let (own, other) = (mean(here), mean(there));
    let (mut apart, mut contrast) = (0.0, 0.0);
    for (at, light) in here.iter().enumerate() {
        let (x, y) = ((at % flow.width) as f32, (at / flow.width) as f32);
        let moved = |side: f32, to: f32| (side + to).round().max(0.0) as usize;
        let tx = moved(x, flow.across[at]).min(flow.width - 1);
        let ty = moved(y, flow.down[at]).min(flow.height - 1);
        // Light that changes everywhere is no other scene.
        apart += ((there[ty * flow.width + tx] - other) - (light - own)).abs();
        contrast += (light - own).abs();
    }
    1.0 - apart / contrast.max(1e-6)
}
