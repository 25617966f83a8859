//! Steam in the air: what it takes from sight and what lamps and moon put into it.
//!
//! Knows a coarse grid of the view in columns, rows and depths. Does not know surfaces.

use super::camera::{Camera, HEIGHT, WIDTH};
use super::math::{Vec3, exp_minus, least, most, vec3};
use super::noise::clouds;
use super::set::{MOON, Shed, moonshine};
use crate::base::level::kernel;

/// Pixels a cell, cells across, cells down, and steps in depth.
const CELL: usize = 12;
const ACROSS: usize = WIDTH / CELL + 1;
const DOWN: usize = HEIGHT / CELL + 1;
const STEPS: usize = 26;
/// Depth at which the air ends, in metres.
const FAR: f32 = 44.0;

/// The air before the camera.
pub struct Haze {
    /// Light added and share let through, up to each step, of each cell's corner.
    cells: Vec<[f32; 4]>,
}

/// Depth of a step: fine near the lens, coarse far away.
fn depth_of(step: f32) -> f32 {
    let u = step / (STEPS - 1) as f32;
    FAR * u * (0.25 + 0.75 * u)
}

impl Haze {
    /// The air as seen by a camera at a time in seconds; `thick` scales its density.
    pub fn new(shed: &Shed, camera: &Camera, seconds: f32, thick: f32) -> Self {
        let mut cells = Vec::with_capacity(ACROSS * DOWN * STEPS);
        for j in 0..DOWN {
            for i in 0..ACROSS {
                let ray = camera.ray((i * CELL) as f32, (j * CELL) as f32);
                let long = ray.length();
                let (mut light, mut through, mut before) = (Vec3::default(), 1.0_f32, 0.0_f32);
                let depths: [f32; STEPS] = std::array::from_fn(|step| depth_of(step as f32));
                let middles: [f32; STEPS] =
                    std::array::from_fn(|step| (depths[step] + depths[step.saturating_sub(1)]) * 0.5);
                let mut lit = [[0.0; STEPS]; 3];
                glow(shed.level, shed, camera.eye, ray, &middles, &mut lit);
                for step in 0..STEPS {
                    let depth = depths[step];
                    let p = camera.eye + ray * middles[step];
                    let dense = density(p, seconds) * thick;
                    let share = 1.0 - exp_minus(dense * (depth - before) * long);
                    let glow = vec3(lit[0][step], lit[1][step], lit[2][step]) + shine(p);
                    light = light + glow * (share * through);
                    through *= 1.0 - share;
                    before = depth;
                    cells.push([light.x, light.y, light.z, through]);
                }
            }
        }
        Self { cells }
    }

    /// Light added before a depth at a pixel, and the share of what lies behind that comes through.
    pub fn at(&self, x: f32, y: f32, depth: f32) -> (Vec3, f32) {
        let u = least(most(x / CELL as f32, 0.0), (ACROSS - 1) as f32 - 0.001);
        let v = least(most(y / CELL as f32, 0.0), (DOWN - 1) as f32 - 0.001);
        let (i, j) = (u as usize, v as usize);
        let (fu, fv) = (u - i as f32, v - j as f32);
        // The inverse of `depth_of`, by the root of its quadratic.
        let d = least(depth / FAR, 1.0);
        let step = ((0.0625 + 3.0 * d).sqrt() - 0.25) / 1.5 * (STEPS - 1) as f32;
        let step = least(step, (STEPS - 1) as f32 - 0.001);
        let k = step as usize;
        let fk = step - k as f32;
        let corner = |i: usize, j: usize| {
            let at = (j * ACROSS + i) * STEPS + k;
            let (a, b) = (&self.cells[at], &self.cells[at + 1]);
            std::array::from_fn::<f32, 4, _>(|c| a[c] + (b[c] - a[c]) * fk)
        };
        let (a, b, c, d) = (corner(i, j), corner(i + 1, j), corner(i, j + 1), corner(i + 1, j + 1));
        let blend = |n: usize| {
            let (top, bottom) = (a[n] + (b[n] - a[n]) * fu, c[n] + (d[n] - c[n]) * fu);
            top + (bottom - top) * fv
        };
        (vec3(blend(0), blend(1), blend(2)), blend(3))
    }
}

/// Extinction per metre: wisps that drift along the shed and lie thicker near the floor and the brine.
fn density(p: Vec3, seconds: f32) -> f32 {
    let wisp = clouds().at(p.x * 0.045 + p.y * 0.03, p.z * 0.035 - seconds * 0.004, 0.01);
    let low = exp_minus(most(p.y, 0.0) * 1.1);
    let brine = (p.x - 1.85) * (p.x - 1.85);
    let wisps = 0.25 + 1.5 * most(wisp - 0.22, 0.0);
    0.0085 * wisps * (0.75 + 1.1 * low * (0.5 + 1.0 / (1.0 + brine)))
}

kernel! {
    /// Light of the lamps that the air sends on, for full density, at some depths along a ray.
    fn glow(shed: &Shed, eye: Vec3, ray: Vec3, depths: &[f32; STEPS], lit: &mut [[f32; STEPS]; 3]) {
        for lamp in &shed.lamps {
            let from = lamp.at - eye;
            let [red, green, blue] = lit;
            for step in 0..STEPS {
                let t = depths[step];
                let (x, y, z) = (from.x - ray.x * t, from.y - ray.y * t, from.z - ray.z * t);
                let k = 0.055 / (x * x + y * y + z * z + 0.12);
                red[step] += lamp.strength.x * k;
                green[step] += lamp.strength.y * k;
                blue[step] += lamp.strength.z * k;
            }
        }
    }
}

/// The same of the night's sky and the moon, at a point.
fn shine(p: Vec3) -> Vec3 {
    let night = vec3(0.008, 0.012, 0.020);
    let shine = if p.y > -0.2 { moonshine(p) } else { 0.0 };
    night + MOON.1 * (0.62 * shine)
}
