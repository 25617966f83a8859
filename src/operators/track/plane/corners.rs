//! Four corners of a flat patch: how far they went, how they bent, and whether they still make one.
//!
//! Knows places in pixels. Does not know pictures.

use crate::operators::shape::motion::{Matrix, carry, way_round};

/// Corners: top left, top right, bottom right, bottom left, x and y.
pub type Corners = [f64; 8];

/// One of them; a fifth is the first again.
pub fn corner(of: &Corners, i: usize) -> [f64; 2] {
    [of[2 * (i % 4)], of[2 * (i % 4) + 1]]
}

/// Four corners carried along.
pub fn carried(map: &Matrix, corners: &Corners) -> Option<Corners> {
    let mut out = [0.0; 8];
    for (i, to) in out.chunks_mut(2).enumerate() {
        to.copy_from_slice(&carry(map, corner(corners, i))?);
    }
    Some(out)
}

/// How far a patch may have changed its form, as a share of its size, while it was lost for so many frames. On a wall of
/// planks others of them fit as well, pressed together.
pub fn bends(lost: usize) -> f64 {
    (0.06 + 0.01 * lost as f64).min(0.15)
}

/// How far it may have gone while it was lost for so many frames, beside its pace, as a share of its size.
pub fn goes(lost: usize) -> f64 {
    (0.05 + 0.02 * lost as f64).min(0.75)
}

/// How far the middle of the corners went, in pixels.
pub fn gone(corners: &Corners, before: &Corners) -> f64 {
    let by =
        [0, 1].map(|axis| [0, 2, 4, 6].map(|i| corners[i + axis] - before[i + axis]).iter().sum::<f64>());
    by[0].hypot(by[1]) / 4.0
}

/// How far corners moved other than together, as a share of the patch's size.
pub fn bent(corners: &Corners, before: &Corners) -> f64 {
    let away = |i: usize| corners[i] - before[i];
    let together = [0, 1].map(|axis| [0, 2, 4, 6].map(|i| away(i + axis)).iter().sum::<f64>() / 4.0);
    let apart = [0, 2, 4, 6].map(|i| (away(i) - together[0]).hypot(away(i + 1) - together[1]));
    let size = (before[4] - before[0]).hypot(before[5] - before[1]).max(1.0);
    apart.into_iter().fold(0.0, f64::max) / size
}

/// Corners of a flat patch that did not fold over or change beyond belief in one step.
pub fn is_sound(corners: &Corners, before: &Corners) -> bool {
    let (Some(way), Some(was)) = (way_round(corners), way_round(before)) else { return false };
    let area = |q: &Corners| {
        let cross = |i: usize| {
            let (a, b) = (corner(q, i), corner(q, i + 1));
            a[0] * b[1] - a[1] * b[0]
        };
        (0..4).map(cross).sum::<f64>().abs()
    };
    way == was && (0.4..2.5).contains(&(area(corners) / area(before).max(1e-9)))
}
