//! Dense motion between two pictures: for every pixel of one, where it lies in the other.
//!
//! Knows how a flow is found from coarse to fine, from a plane of light each. Does not know what it is used for,
//! nor colour.
//!
//! Patches are looked for on every level from the smallest on (`search`), and what they say is made smooth except at
//! edges of motion (`refine`). All sums are taken in an order of their own, so that no processor changes a bit.

mod agree;
pub mod course;
mod cut;
pub mod pyramid;
mod refine;
mod search;

use self::course::settled;
use self::pyramid::{Level, levels};
use self::refine::{Effort, refine};
use self::search::{PATCH, search};
use crate::base::level::Level as Vectors;

/// How far every pixel moves, in pixels.
#[derive(Clone, Debug, PartialEq)]
pub struct Flow {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
    /// To the right.
    pub across: Vec<f32>,
    /// Downwards.
    pub down: Vec<f32>,
}

/// The largest side on which motion is looked for at full size; larger pictures are halved once.
const FULL: usize = 1024;
/// The least side of the smallest level, in pixels.
const LEAST: usize = 20;

impl Flow {
    /// Nothing moves.
    pub fn still(width: usize, height: usize) -> Self {
        let plane = vec![0.0; width * height];
        Self { width, height, across: plane.clone(), down: plane }
    }

    /// The same motion on a picture of twice the size, whose sides may be one shorter than twice.
    fn doubled(&self, width: usize, height: usize) -> Self {
        let double = |plane: &[f32]| {
            let mut out = Vec::with_capacity(width * height);
            let mut sums = vec![0.0; self.width];
            for y in 0..height {
                // A pixel lies a quarter of a large one from the middle of the one that took its place.
                let near = y / 2;
                let far = if y % 2 == 0 { near.saturating_sub(1) } else { (near + 1).min(self.height - 1) };
                let (near, far) = (&plane[near * self.width..][..self.width], &plane[far * self.width..]);
                for ((sum, a), b) in sums.iter_mut().zip(near).zip(far) {
                    *sum = 1.5 * a + 0.5 * b;
                }
                out.extend((0..width).map(|x| {
                    let near = x / 2;
                    let far =
                        if x % 2 == 0 { near.saturating_sub(1) } else { (near + 1).min(self.width - 1) };
                    0.75 * sums[near] + 0.25 * sums[far]
                }));
            }
            out
        };
        Self { width, height, across: double(&self.across), down: double(&self.down) }
    }
}

/// Motion between two pictures, on one grid for both.
pub struct Motion {
    /// From the first to the second, and back. What is hidden in the other picture has the motion of what is
    /// seen beside it.
    pub flows: [Flow; 2],
    /// Which pixels are seen in both, for each of them.
    pub seen: [Vec<bool>; 2],
    /// Light of both on the grid, 0 to 255 for what is not brighter than white.
    lights: [Vec<f32>; 2],
    /// How often pictures were halved for this grid.
    pub halved: usize,
}

impl Motion {
    /// Motion between planes of `width * height` samples that lie evenly to the eye, 0 to 1 for what is not brighter
    /// than white, or nothing where there is a cut between them. Pictures with a side longer than 1024 pixels are halved
    /// once; those smaller than a patch of 8 pixels stand still.
    pub fn between(a: &[f32], b: &[f32], width: usize, height: usize) -> Option<Self> {
        Self::on(Vectors::best(), a, b, width, height)
    }

    /// The same on a level of vector instructions.
    pub fn on(vectors: Vectors, a: &[f32], b: &[f32], width: usize, height: usize) -> Option<Self> {
        let halved = usize::from(width.max(height) > FULL);
        let (a, b) = (sizes(vectors, a, width, height), sizes(vectors, b, width, height));
        if cut::is_cut(vectors, &a, &b) {
            return None;
        }
        let mut flows = [towards(vectors, &a, &b, 0), towards(vectors, &b, &a, 0)];
        let lights = [&a, &b].map(|levels| levels[0].light.inner());
        let seen = settled(&mut flows, &lights);
        Some(Self { flows, seen, lights, halved })
    }
}

fn sizes(vectors: Vectors, plane: &[f32], width: usize, height: usize) -> Vec<Level> {
    let scaled: Vec<f32> = plane.iter().map(|v| v * 255.0).collect();
    levels(vectors, &scaled, width, height, usize::from(width.max(height) > FULL), LEAST)
}

/// From the smallest level to level `last`.
fn towards(vectors: Vectors, from: &[Level], to: &[Level], last: usize) -> Flow {
    let size = |level: &Level| (level.light.width, level.light.height);
    let smallest = size(&from[from.len() - 1]);
    let mut flow = Flow::still(smallest.0, smallest.1);
    if smallest.0.min(smallest.1) < PATCH {
        return flow;
    }
    for (at, (from, to)) in from.iter().zip(to).enumerate().skip(last).rev() {
        let (width, height) = size(from);
        if (flow.width, flow.height) != (width, height) {
            flow = flow.doubled(width, height);
        }
        flow = search(vectors, from, &to.light, &flow, at > 0);
        refine(vectors, from, to, &mut flow, Effort { rounds: 3, sweeps: 4 });
    }
    flow
}
