//! What lies in the picture though nobody plays it: an arm of the camera's rig, a mark on the floor.
//!
//! Knows where these are and how they are drawn. Does not know who takes them out again.

use super::camera::{Camera, HEIGHT, WIDTH};
use super::math::{Vec3, clamp01, least, mix, most, smooth, vec3};
use super::sight::Sight;

/// Something that must go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stray {
    /// An arm of the rig, which goes with the camera and so stays where it is in the frame.
    Arm,
    /// A cross of pale tape where someone is to stand: x and z in metres.
    Mark(f32, f32),
}

/// The arm's bar and the knob at its end: x, y and radius in pixels.
///
/// It lies across the way that the floor goes as the camera moves along: what it hides was above it and will be below.
const BAR: [(f32, f32, f32); 2] = [(-24.0, 396.0, 12.0), (64.0, 440.0, 8.0)];
const KNOB: (f32, f32, f32) = (70.0, 443.0, 15.0);
/// Width of its edge, which is near the lens and so out of focus, in pixels.
const EDGE: f32 = 5.0;
/// Half the length and half the width of a strip of tape, in metres.
const TAPE: (f32, f32) = (0.26, 0.035);
/// How much lighter tape is than the floor.
const PALE: f32 = 3.6;

/// Lays marks over the empty shed.
pub fn mark(strays: &[Stray], camera: &Camera, sight: &Sight, picture: &mut [Vec3]) {
    for stray in strays {
        let Stray::Mark(x, z) = *stray else { continue };
        let around = ground(x, z, TAPE.0 * 1.5).map(|p| camera.project(p));
        let [mut left, mut right, mut top, mut bottom] = [f32::MAX, f32::MIN, f32::MAX, f32::MIN];
        for (px, py, _) in around {
            (left, right) = (least(left, px), most(right, px));
            (top, bottom) = (least(top, py), most(bottom, py));
        }
        let rows = most(top, 0.0) as usize..(most(bottom, 0.0) as usize).min(HEIGHT);
        for row in rows {
            for column in most(left, 0.0) as usize..(most(right, 0.0) as usize).min(WIDTH) {
                let at = row * WIDTH + column;
                let share = taped(camera, (x, z), sight.depth[at], (column as f32, row as f32));
                picture[at] = picture[at] * mix(1.0, PALE, share);
            }
        }
    }
}

/// Share of a pixel that is tape, by sixteen looks.
fn taped(camera: &Camera, (x, z): (f32, f32), depth: f32, (column, row): (f32, f32)) -> f32 {
    let mut hits = 0.0;
    for look in 0..16_u8 {
        let [dx, dy] = [look % 4, look / 4].map(|step| (f32::from(step) + 0.5) * 0.25);
        let ray = camera.ray(column + dx, row + dy);
        let far = -camera.eye.y / ray.y;
        // What stands before the floor hides the tape.
        if ray.y < 0.0 && (far - depth).abs() < 0.15 {
            let p = camera.eye + ray * far;
            let (u, v) = ((p.x - x).abs(), (p.z - z).abs());
            let is_tape = (u < TAPE.0 && v < TAPE.1) || (v < TAPE.0 && u < TAPE.1);
            hits += if is_tape { 1.0 } else { 0.0 };
        }
    }
    hits / 16.0
}

/// Holds the rig's arm before everything.
pub fn arm(strays: &[Stray], picture: &mut [Vec3]) {
    if !strays.contains(&Stray::Arm) {
        return;
    }
    for row in HEIGHT * 2 / 3..HEIGHT {
        for column in 0..WIDTH / 4 {
            let (x, y) = (column as f32 + 0.5, row as f32 + 0.5);
            let [(ax, ay, ar), (bx, by, br)] = BAR;
            let (dx, dy) = (bx - ax, by - ay);
            let u = clamp01(((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy));
            let apart = |px: f32, py: f32| ((x - px) * (x - px) + (y - py) * (y - py)).sqrt();
            let bar = apart(ax + dx * u, ay + dy * u) - mix(ar, br, u);
            let knob = apart(KNOB.0, KNOB.1) - KNOB.2;
            let cover = smooth(EDGE * 0.5, EDGE * -0.5, least(bar, knob));
            if cover > 0.0 {
                // Painted steel: nearly black, with the lamps' warmth along its upper side.
                let upper = smooth(-6.0, 10.0, mix(ay, by, u) - y);
                let steel = vec3(0.007, 0.006, 0.006).to(vec3(0.055, 0.032, 0.015), upper * upper);
                let at = row * WIDTH + column;
                picture[at] = picture[at].to(steel, cover);
            }
        }
    }
}

/// The corners of both strips of tape, `margin` metres outside.
pub fn tape(x: f32, z: f32, margin: f32) -> [[Vec3; 4]; 2] {
    let (long, wide) = (TAPE.0 + margin, TAPE.1 + margin);
    let strip = |dx: f32, dz: f32| {
        [(dx, dz), (-dx, dz), (-dx, -dz), (dx, -dz)].map(|(dx, dz)| vec3(x + dx, 0.0, z + dz))
    };
    [strip(long, wide), strip(wide, long)]
}

/// Eight points on the floor around a place.
pub fn ground(x: f32, z: f32, radius: f32) -> [Vec3; 8] {
    let slant = radius * std::f32::consts::FRAC_1_SQRT_2;
    [(radius, 0.0), (slant, slant), (0.0, radius), (-slant, slant)]
        .map(|(dx, dz)| [vec3(x + dx, 0.0, z + dz), vec3(x - dx, 0.0, z - dz)])
        .as_flattened()
        .try_into()
        .map(|[a, e, b, f, c, g, d, h]: [Vec3; 8]| [a, b, c, d, e, f, g, h])
        .expect("four pairs are eight points")
}

/// An outline around the arm, a little outside of it.
pub fn arm_outline() -> [(f32, f32); 10] {
    let out = EDGE + 3.0;
    let (r, (kx, ky, kr)) = (BAR[0].2 + out, KNOB);
    let k = kr + out;
    [
        (-40.0, BAR[0].1 + r + 12.0),
        (kx - k * 0.9, ky + k * 0.45),
        (kx - k * 0.3, ky + k),
        (kx + k * 0.5, ky + k * 0.95),
        (kx + k, ky + k * 0.3),
        (kx + k, ky - k * 0.4),
        (kx + k * 0.4, ky - k),
        (kx - k * 0.3, ky - k),
        (kx - k * 1.2, ky - k * 0.9),
        (-40.0, BAR[0].1 - r - 16.0),
    ]
}
