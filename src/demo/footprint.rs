//! Which pixels people may cover: their cones as they fall in the frame.
//!
//! Knows projected cones with room to spare. Does not know what is drawn there.

use super::body::{Cone, MELT};
use super::camera::{Camera, HEIGHT, WIDTH};
use super::math::{clamp01, least, most};

/// A cone as it falls in the frame: both ends, a width that covers it, its nearest depth and its furthest.
pub struct End {
    a: (f32, f32),
    b: (f32, f32),
    wide: f32,
    /// Nothing of it is nearer, in metres.
    pub depth: f32,
    /// Nor further.
    pub far: f32,
}

impl End {
    /// How far beyond the cone's reach a tile's middle lies, in pixels; negative when it may touch.
    pub fn beyond(&self, p: (f32, f32)) -> f32 {
        let (dx, dy) = (self.b.0 - self.a.0, self.b.1 - self.a.1);
        let (qx, qy) = (p.0 - self.a.0, p.1 - self.a.1);
        let square = dx * dx + dy * dy;
        let u = if square > 1e-6 { clamp01((qx * dx + qy * dy) / square) } else { 0.0 };
        let (ox, oy) = (qx - dx * u, qy - dy * u);
        (ox * ox + oy * oy).sqrt() - self.wide - 6.5
    }
}

/// All cones in the frame, and the pixels that hold them: left, right, top, bottom.
pub fn footprint(camera: &Camera, cones: &[Cone]) -> (Vec<End>, [usize; 4]) {
    let mut all = [WIDTH as f32, 0.0, HEIGHT as f32, 0.0];
    let ends: Vec<End> = cones
        .iter()
        .map(|cone| {
            let (ax, ay, ad) = camera.project(cone.a);
            let (bx, by, bd) = camera.project(cone.b);
            let thick = most(cone.radii.0, cone.radii.1) + MELT * 0.3;
            let depth = least(ad, bd) - thick;
            let wide = thick * camera.focal / most(depth, 0.1) * 1.06;
            let end = End { a: (ax, ay), b: (bx, by), wide, depth, far: most(ad, bd) + thick };
            all[0] = least(all[0], least(ax, bx) - wide);
            all[1] = most(all[1], most(ax, bx) + wide);
            all[2] = least(all[2], least(ay, by) - wide);
            all[3] = most(all[3], most(ay, by) + wide);
            end
        })
        .collect();
    let hold = |v: f32, most_of: usize| least(most(v, 0.0), most_of as f32) as usize;
    (ends, [hold(all[0], WIDTH), hold(all[1], WIDTH), hold(all[2], HEIGHT), hold(all[3], HEIGHT)])
}
