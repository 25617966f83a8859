//! The camera: where it stands, what it looks at, and where a point falls in its frame.
//!
//! Knows projection, moves and the sway of a hand. Does not know what stands before it.

use super::math::{Vec3, cos_turns, mix, sin_turns, smooth, vec3};
use super::noise::wander;

/// Width of the frame in pixels.
pub const WIDTH: usize = 960;
/// Height of the frame in pixels.
pub const HEIGHT: usize = 540;

/// A camera at one instant.
#[derive(Clone, Copy, Debug)]
pub struct Camera {
    /// Where the lens is.
    pub eye: Vec3,
    /// Unit vector to the right of the frame.
    pub right: Vec3,
    /// Unit vector to the top of the frame.
    pub up: Vec3,
    /// Unit vector into the frame.
    pub forward: Vec3,
    /// Focal length in pixels.
    pub focal: f32,
    /// Where the lens's axis meets the frame, in pixels.
    pub centre: (f32, f32),
}

impl Camera {
    /// A camera at `eye` that looks at `target`, tilted by `roll` turns.
    pub fn looking(eye: Vec3, target: Vec3, roll: f32, focal: f32) -> Self {
        let forward = (target - eye).unit();
        let level = vec3(0.0, 1.0, 0.0).cross(forward).unit();
        let above = forward.cross(level);
        let (c, s) = (cos_turns(roll), sin_turns(roll));
        let right = level * c + above * s;
        let up = above * c - level * s;
        Self { eye, right, up, forward, focal, centre: (WIDTH as f32 * 0.5, HEIGHT as f32 * 0.5) }
    }

    /// Direction of the ray through a point of the frame, in pixels; along `forward` it
    /// advances by one, so that distances along it are depths.
    pub fn ray(&self, x: f32, y: f32) -> Vec3 {
        let k = 1.0 / self.focal;
        self.forward + self.right * ((x - self.centre.0) * k) + self.up * ((self.centre.1 - y) * k)
    }

    /// Where a point falls: x and y in pixels from the top left, and its depth in metres.
    pub fn project(&self, p: Vec3) -> (f32, f32, f32) {
        let d = p - self.eye;
        let depth = d.dot(self.forward);
        let k = self.focal / if depth > 0.05 { depth } else { 0.05 };
        (self.centre.0 + d.dot(self.right) * k, self.centre.1 - d.dot(self.up) * k, depth)
    }
}

/// A move between two set-ups over a plate, with the sway of whoever holds the camera.
#[derive(Clone, Copy, Debug)]
pub struct Move {
    /// Frames over which it travels.
    pub frames: (f32, f32),
    /// Where the lens starts and ends.
    pub eye: (Vec3, Vec3),
    /// What it looks at, at the start and at the end.
    pub target: (Vec3, Vec3),
    /// Focal length in pixels at the start and at the end.
    pub focal: (f32, f32),
    /// Sway in metres; 0 on rails.
    pub sway: f32,
    /// Chooses the sway.
    pub seed: u32,
    /// How far the frame sits off the lens's axis, in pixels: a home-built rig never repeats exactly.
    pub offset: (f32, f32),
    /// How far that wanders in the course of the move, in pixels at most.
    pub drift: f32,
    /// How many frames late the rig started: what it shows at a time, the move has at that much before.
    pub late: f32,
}

impl Move {
    /// How far the frame sits off the lens's axis at a time, in pixels.
    pub fn off(&self, time: f32) -> (f32, f32) {
        let strayed = |seed: u32| self.drift * wander(time * 0.06, self.seed.wrapping_add(seed));
        (self.offset.0 + strayed(71), self.offset.1 + strayed(72))
    }

    /// The camera at a time in frames.
    pub fn at(&self, time: f32) -> Camera {
        let (dx, dy) = self.off(time);
        let time = time - self.late;
        let u = (time - self.frames.0) / (self.frames.1 - self.frames.0);
        // Half straight, half eased: a dolly that is already rolling when the shot starts.
        let u = mix(u, smooth(0.0, 1.0, u), 0.5);
        let shake = |seed: u32| {
            let at = self.seed.wrapping_add(seed);
            (wander(time * 0.055, at) + 0.35 * wander(time * 0.19, at + 40)) * self.sway
        };
        let eye = self.eye.0.to(self.eye.1, u) + vec3(shake(1), shake(2), shake(3)) * 0.6;
        let target = self.target.0.to(self.target.1, u) + vec3(shake(4), shake(5), 0.0);
        let focal = mix(self.focal.0, self.focal.1, u);
        let mut camera = Camera::looking(eye, target, shake(6) * 0.03, focal);
        camera.centre.0 += dx;
        camera.centre.1 += dy;
        camera
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rays_and_projection_agree() {
        let camera = Camera::looking(vec3(-1.0, 1.6, -3.0), vec3(0.5, 1.2, 8.0), 0.01, 900.0);
        for (x, y) in [(12.0, 500.0), (480.0, 270.0), (901.5, 33.25)] {
            let p = camera.eye + camera.ray(x, y) * 7.0;
            let (px, py, depth) = camera.project(p);
            assert!((px - x).abs() < 2e-2 && (py - y).abs() < 2e-2 && (depth - 7.0).abs() < 1e-4);
        }
    }

    #[test]
    fn the_right_of_the_frame_is_the_right_of_the_shed() {
        let camera = Camera::looking(vec3(0.0, 1.5, -4.0), vec3(0.0, 1.5, 8.0), 0.0, 900.0);
        assert!(camera.project(vec3(1.0, 1.5, 4.0)).0 > 480.0);
        assert!(camera.project(vec3(0.0, 2.5, 4.0)).1 < 270.0);
    }
}
