//! What people in shot take from the floor: soft shadows of the nearest lights, and the dark
//! where a boot meets stone.
//!
//! Knows a square of floor around them. Does not know pixels.

use super::body::Cone;
use super::light::NIGHT_FILL;
use super::math::{Vec3, clamp01, least, most, vec3};
use super::set::{MOON, Shed, moonshine};
use crate::base::level::kernel;

/// Cells a side, and a cell's side in metres.
const SIDE: usize = 88;
const CELL: f32 = 0.105;

/// Share of light left on the floor around the people in shot.
pub struct Shadow {
    corner: (f32, f32),
    left: Vec<f32>,
    /// The same for what shines in the wet: people stand before what it mirrors.
    cover: Vec<f32>,
}

/// Balls that stand for a body when it shades: middle and radius.
fn balls(cones: &[Cone]) -> Vec<(Vec3, f32)> {
    let mut balls = vec![];
    for cone in cones {
        let length = (cone.b - cone.a).length();
        let count = (length / 0.13) as usize + 1;
        for i in 0..count {
            let u = (i as f32 + 0.5) / count as f32;
            balls.push((cone.a.to(cone.b, u), cone.radii.0 + (cone.radii.1 - cone.radii.0) * u));
        }
    }
    balls
}

impl Shadow {
    /// No one in shot.
    pub fn none() -> Self {
        Shadow { corner: (0.0, 0.0), left: vec![], cover: vec![] }
    }

    /// The shadow of these bodies.
    pub fn of(shed: &Shed, bodies: &[Vec<Cone>]) -> Self {
        let all: Vec<(Vec3, f32)> = bodies.iter().flat_map(|cones| balls(cones)).collect();
        if all.is_empty() {
            return Self::none();
        }
        let sum = all.iter().fold(Vec3::default(), |sum, ball| sum + ball.0);
        let middle = sum * (1.0 / all.len() as f32);
        let corner = (middle.x - CELL * SIDE as f32 * 0.5, middle.z - CELL * SIDE as f32 * 0.5);
        let mut lights: Vec<(f32, Vec3)> = shed
            .lamps
            .iter()
            .map(|lamp| {
                let d = lamp.at - middle;
                let square = d.dot(d) + 1.0;
                (lamp.strength.y * lamp.at.y / (square * square.sqrt()), lamp.at)
            })
            .collect();
        lights.sort_by(|a, b| b.0.total_cmp(&a.0));
        lights.truncate(4);
        let mut shadow = Shadow { corner, left: vec![0.0; SIDE * SIDE], cover: vec![1.0; SIDE * SIDE] };
        for row in 0..SIDE {
            fill(shed.level, &mut shadow, row, &all, &lights);
        }
        shadow
    }

    /// Cell coordinates of a point, and how near the square's rim it lies (0 at the rim).
    fn cell(&self, p: Vec3) -> Option<(usize, f32, f32, f32)> {
        let (u, v) = ((p.x - self.corner.0) / CELL - 0.5, (p.z - self.corner.1) / CELL - 0.5);
        let top = (SIDE - 1) as f32;
        if self.left.is_empty() || u <= 0.0 || v <= 0.0 || u >= top || v >= top {
            return None;
        }
        let (i, j) = (u as usize, v as usize);
        let rim = least(least(u, top - u), least(v, top - v)) / 10.0;
        Some((j * SIDE + i, u - i as f32, v - j as f32, clamp01(rim)))
    }

    fn look(&self, field: &[f32], p: Vec3) -> f32 {
        let Some((at, fu, fv, rim)) = self.cell(p) else { return 1.0 };
        let near = field[at] + (field[at + 1] - field[at]) * fu;
        let far = field[at + SIDE] + (field[at + SIDE + 1] - field[at + SIDE]) * fu;
        1.0 + (near + (far - near) * fv - 1.0) * rim
    }

    /// Share of light left at a point on or near the floor.
    pub fn left(&self, p: Vec3) -> f32 {
        self.look(&self.left, p)
    }

    /// Share of mirrored light left there.
    pub fn mirror(&self, p: Vec3) -> f32 {
        self.look(&self.cover, p)
    }
}

kernel! {
    /// Works out one row of cells; each ball runs along the whole row in a loop without branches.
    fn fill(shadow: &mut Shadow, row: usize, balls: &[(Vec3, f32)], lights: &[(f32, Vec3)]) {
        let z = shadow.corner.1 + (row as f32 + 0.5) * CELL;
        let x0 = shadow.corner.0 + 0.5 * CELL;
        let mut close = [1.0_f32; SIDE];
        for &(at, radius) in balls {
            if at.y > 0.9 {
                continue;
            }
            // What touches the floor darkens it more than its size says: light does not get under it.
            let weight = 0.75 + 4.0 / (1.0 + 64.0 * at.y * at.y);
            for (x, close) in close.iter_mut().enumerate() {
                let (dx, dz) = (at.x - x0 - x as f32 * CELL, at.z - z);
                let square = dx * dx + dz * dz + at.y * at.y + 0.004;
                let hidden = at.y * radius * radius / (square * square.sqrt());
                *close *= 1.0 - least(hidden * weight, 0.92);
            }
        }
        let (mut lit, mut all) = ([0.0_f32; SIDE], [0.0_f32; SIDE]);
        for &(_, lamp) in lights {
            let mut seen = [1.0_f32; SIDE];
            for &(at, radius) in balls {
                cast(&mut seen, x0, z, lamp, at, radius);
            }
            for x in 0..SIDE {
                let d = lamp - vec3(x0 + x as f32 * CELL, 0.0, z);
                let square = d.dot(d);
                let k = lamp.y * 6.0 / (square * square.sqrt());
                lit[x] += k * seen[x];
                all[x] += k;
            }
        }
        let mut moonlit = [1.0_f32; SIDE];
        for &(at, radius) in balls {
            cast(&mut moonlit, x0, z, vec3(at.x, 0.0, at.z) + MOON.0 * 60.0, at, radius);
        }
        for x in 0..SIDE {
            let p = vec3(x0 + x as f32 * CELL, 0.0, z);
            let moon = MOON.1.y * moonshine(p) * 2.4;
            // What the four nearest lamps do not give: other lamps and bounced light.
            let rest = NIGHT_FILL.y + 0.09 * all[x] + 0.02;
            let total = all[x] + moon + rest;
            shadow.left[row * SIDE + x] =
                (lit[x] + moon * moonlit[x] + rest * close[x]) * close[x].sqrt() / total;
            shadow.cover[row * SIDE + x] = close[x];
        }
    }
}

/// Darkens a row of cells by one ball before one light.
#[inline(always)]
fn cast(seen: &mut [f32; SIDE], x0: f32, z: f32, lamp: Vec3, at: Vec3, radius: f32) {
    for (x, seen) in seen.iter_mut().enumerate() {
        let (px, pz) = (x0 + x as f32 * CELL, z);
        let (lx, ly, lz) = (lamp.x - px, lamp.y, lamp.z - pz);
        let (bx, by, bz) = (at.x - px, at.y, at.z - pz);
        let square = lx * lx + ly * ly + lz * lz;
        let u = (bx * lx + by * ly + bz * lz) / square;
        let (ox, oy, oz) = (bx - lx * u, by - ly * u, bz - lz * u);
        let aside = (ox * ox + oy * oy + oz * oz).sqrt();
        // Penumbra: a lamp of 12 cm radius, seen past the ball.
        let soft = 0.02 + 0.12 * u / most(1.0 - u, 0.1);
        let share = clamp01((aside - radius) / soft * 0.5 + 0.5);
        let share = if u > 0.0 && u < 1.0 { share } else { 1.0 };
        *seen = least(*seen, share);
    }
}

#[cfg(test)]
mod tests {
    use super::super::body::{Cloth, Limb};
    use super::super::set::shed;
    use super::*;

    #[test]
    fn a_boot_darkens_the_floor_beneath_it_and_not_far_away() {
        let spot = vec3(-0.8, 0.05, 7.0);
        let boot = Cone { a: spot, b: spot, radii: (0.06, 0.06), cloth: Cloth::Leather, limb: Limb::Shin(0) };
        let shadow = Shadow::of(shed(), &[vec![boot]]);
        assert!(shadow.left(spot) < 0.5);
        assert!(shadow.left(spot + vec3(2.5, 0.0, 2.5)) > 0.97);
        assert_eq!(shadow.left(spot + vec3(9.0, 0.0, 0.0)), 1.0);
    }
}
