//! Light on the shed, gathered once: what every patch of every surface receives.
//!
//! Knows lamps, moonlight, shadows and one bounce. Does not know textures or cameras: a patch
//! holds irradiance, and whoever shades it brings the colour of the surface.

use std::sync::OnceLock;

use rayon::prelude::*;

use super::math::{Vec3, cos_turns, least, most, sin_turns, vec3};
use super::noise::chance;
use super::set::{Block, MOON, Shed, Stuff, moonshine, shed};

/// Sides of a patch in metres.
const PATCH: f32 = 0.14;
/// Light that no lamp explains: night sky through cracks.
pub const NIGHT_FILL: Vec3 = vec3(0.006, 0.010, 0.018);

/// Irradiance over one face, in rows.
struct Sheet {
    across: usize,
    along: usize,
    patches: Vec<Vec3>,
}

/// Irradiance of everything in the shed.
pub struct Light {
    sheets: Vec<Sheet>,
    /// Of all salt, as seen from above: heaps run into each other.
    salt: Sheet,
}

/// The two axes (0 x, 1 y, 2 z) that span a face.
const fn span_of(face: u8) -> (usize, usize) {
    match face / 2 {
        0 => (1, 2),
        1 => (0, 2),
        _ => (0, 1),
    }
}

/// Coordinate `axis` of a vector.
fn part(v: Vec3, axis: usize) -> f32 {
    [v.x, v.y, v.z][axis]
}

/// The patch counts of a face.
fn counts(block: &Block, face: u8) -> (usize, usize) {
    let (a, b) = span_of(face);
    let count = |axis| ((part(block.half, axis) * 2.0 / PATCH) as usize).max(1) + 1;
    (count(a), count(b))
}

/// The point and normal at a share (u, v) of a face.
fn place(block: &Block, face: u8, u: f32, v: f32) -> (Vec3, Vec3) {
    let (a, b) = span_of(face);
    let mut q = [0.0; 3];
    q[face as usize / 2] = part(block.half, face as usize / 2) * if face & 1 == 1 { 1.0 } else { -1.0 };
    q[a] = part(block.half, a) * (u * 2.0 - 1.0);
    q[b] = part(block.half, b) * (v * 2.0 - 1.0);
    let p = block.centre + block.outward(vec3(q[0], q[1], q[2]));
    (p, block.normal(face))
}

/// Light that a point with a normal receives from lamps and moon, shadows included.
fn direct(shed: &Shed, p: Vec3, normal: Vec3, seed: i32) -> Vec3 {
    let from = p + normal * 0.012;
    let mut sum = NIGHT_FILL;
    for (index, lamp) in shed.lamps.iter().enumerate() {
        let towards = lamp.at - from;
        let square = towards.dot(towards);
        if towards.dot(normal) <= 0.0 || square > 190.0 {
            continue;
        }
        // Three looks at a globe drawn large: lamps in a steamy shed throw no hard shadows.
        let mut seen = 0.0;
        for look in 0..3_u32 {
            let jitter = |k: u32| chance(seed, index as i32, look * 3 + k) - 0.5;
            let aim = towards + vec3(jitter(0), jitter(1) * 0.4, jitter(2)) * 0.3;
            let share = if shed.shaded(from, aim, 0.94) { 0.0 } else { 1.0 };
            seen += share * most(aim.dot(normal), 0.0);
        }
        let k = seen / 3.0 / (square.sqrt() * most(square, 0.05));
        sum = sum + lamp.strength * k;
    }
    let facing = MOON.0.dot(normal);
    if facing > 0.0 {
        let shine = moonshine(from);
        if shine > 0.0 && !shed.shaded(from, MOON.0, 9.0) {
            sum = sum + MOON.1 * (facing * shine * 2.4);
        }
    }
    sum
}

/// Share of light that a surface throws back, by what it is made of.
pub fn reflectance(stuff: Stuff) -> Vec3 {
    match stuff {
        Stuff::Floor => vec3(0.26, 0.24, 0.22),
        Stuff::Timber => vec3(0.13, 0.09, 0.06),
        Stuff::Wall => vec3(0.12, 0.09, 0.065),
        Stuff::Roof => vec3(0.08, 0.06, 0.045),
        Stuff::Kerb => vec3(0.22, 0.20, 0.18),
        Stuff::Brine => vec3(0.01, 0.016, 0.015),
        Stuff::Iron => vec3(0.05, 0.045, 0.04),
        Stuff::Night => vec3(0.0, 0.0, 0.0),
        Stuff::Salt => vec3(0.62, 0.60, 0.57),
    }
}

/// Directions spread evenly by cosine over a hemisphere around a normal.
fn spread(normal: Vec3, turn: f32) -> [Vec3; 14] {
    let side = if normal.y.abs() < 0.9 { vec3(0.0, 1.0, 0.0) } else { vec3(1.0, 0.0, 0.0) };
    let (a, b) = (side.cross(normal).unit(), normal.cross(side.cross(normal).unit()));
    std::array::from_fn(|i| {
        let (square, angle) = ((i as f32 + 0.5) / 14.0, i as f32 * 0.381_966 + turn);
        let r = square.sqrt();
        a * (r * cos_turns(angle)) + b * (r * sin_turns(angle)) + normal * (1.0 - square).sqrt()
    })
}

impl Light {
    /// Irradiance on block `index` at a point of one of its faces.
    pub fn at(&self, shed: &Shed, index: usize, face: u8, p: Vec3) -> Vec3 {
        let block = &shed.blocks[index];
        if block.stuff == Stuff::Salt {
            return self.salt.look((p.x + 7.0) / 14.0, (p.z + 6.0) / 42.0);
        }
        let sheet = &self.sheets[index * 6 + face as usize];
        let q = block.inward(p - block.centre);
        let (a, b) = span_of(face);
        let share = |axis: usize| (part(q, axis) / part(block.half, axis) + 1.0) * 0.5;
        sheet.look(share(a), share(b))
    }

    /// First what comes straight from the lights, then one bounce of it.
    fn gather(shed: &Shed) -> Self {
        let count = shed.blocks.len() * 6;
        let first: Vec<Sheet> = (0..count).into_par_iter().map(|i| first_pass(shed, i)).collect();
        let salt = salt_sheet(&|p, normal, seed| direct(shed, p, normal, seed));
        let first = Light { sheets: first, salt };
        let bounced = (0..count).into_par_iter().map(|i| second_pass(shed, &first, i)).collect();
        let salt = salt_sheet(&|p, normal, seed| {
            let far = bounce(shed, &first, p + normal * 0.012, normal, chance(seed, 3, 5));
            first.salt.look((p.x + 7.0) / 14.0, (p.z + 6.0) / 42.0) + far
        });
        Light { sheets: bounced, salt }
    }
}

impl Sheet {
    /// Irradiance at a share (u, v) of the face, between the patches around.
    fn look(&self, u: f32, v: f32) -> Vec3 {
        let place =
            |u: f32, count: usize| least(most(u * (count - 1) as f32, 0.0), (count - 1) as f32 - 0.001);
        let (u, v) = (place(u, self.across), place(v, self.along));
        let (i, j) = (u as usize, v as usize);
        let (fu, fv) = (u - i as f32, v - j as f32);
        let at = j * self.across + i;
        let near = self.patches[at].to(self.patches[at + 1], fu);
        near.to(self.patches[at + self.across].to(self.patches[at + self.across + 1], fu), fv)
    }
}

/// The sheet of all salt, from what a point, its normal and a seed receive.
fn salt_sheet(receive: &(dyn Fn(Vec3, Vec3, i32) -> Vec3 + Sync)) -> Sheet {
    let (across, along) = (101, 301);
    let patches: Vec<Vec3> = (0..across * along)
        .into_par_iter()
        .map(|i| {
            let (x, z) = ((i % across) as f32 * 0.14 - 7.0, (i / across) as f32 * 0.14 - 6.0);
            let (height, shed) = (shed().salt(x, z), shed());
            // A wall hides what lies at its very foot.
            let x = least(most(x, -6.9), 6.9);
            receive(vec3(x, most(height, 0.0), z), shed.salt_normal(x, z), i as i32)
        })
        .collect();
    Sheet { across, along, patches: softened(&patches, across, along) }
}

/// Whether a face can be seen from inside the shed at all.
fn in_sight(block: &Block, face: u8) -> bool {
    match block.stuff {
        Stuff::Floor | Stuff::Brine => face == 3,
        Stuff::Roof => face == 2,
        Stuff::Night | Stuff::Salt => false,
        _ => true,
    }
}

/// The share of a face's side at patch `i` of `count`.
fn share(i: usize, count: usize) -> f32 {
    // Kept off the very edges, where a point would lie inside a neighbouring block.
    0.01 + 0.98 * i as f32 / (count - 1) as f32
}

/// Light straight from lamps and moon on one face.
fn first_pass(shed: &Shed, sheet: usize) -> Sheet {
    let (block, face) = (&shed.blocks[sheet / 6], (sheet % 6) as u8);
    if !in_sight(block, face) {
        return Sheet { across: 2, along: 2, patches: vec![Vec3::default(); 4] };
    }
    let (across, along) = counts(block, face);
    let patches: Vec<Vec3> = (0..across * along)
        .map(|i| {
            let (p, normal) = place(block, face, share(i % across, across), share(i / across, along));
            direct(shed, p, normal, (sheet * 65_536 + i) as i32)
        })
        .collect();
    Sheet { across, along, patches }
}

/// The same face with light added that other surfaces throw on it, smoothed over neighbours.
fn second_pass(shed: &Shed, first: &Light, sheet: usize) -> Sheet {
    let (block, face) = (&shed.blocks[sheet / 6], (sheet % 6) as u8);
    let own = &first.sheets[sheet];
    let (across, along) = (own.across, own.along);
    if !in_sight(block, face) {
        return Sheet { across, along, patches: own.patches.clone() };
    }
    // Bounced light changes slowly: every second patch is gathered, and the rest lies between.
    let (wide, tall) = (across.div_ceil(2) + 1, along.div_ceil(2) + 1);
    let coarse: Vec<Vec3> = (0..wide * tall)
        .map(|i| {
            let (u, v) = (least(share(i % wide * 2, across), 0.99), least(share(i / wide * 2, along), 0.99));
            let (p, normal) = place(block, face, u, v);
            bounce(shed, first, p + normal * 0.012, normal, chance(i as i32, sheet as i32, 5))
        })
        .collect();
    let soft = softened(&coarse, wide, tall);
    let patches: Vec<Vec3> = (0..across * along)
        .map(|i| {
            let (x, y) = (i % across, i / across);
            let at = y / 2 * wide + x / 2;
            let (fx, fy) = ((x % 2) as f32 * 0.5, (y % 2) as f32 * 0.5);
            let low = soft[at].to(soft[at + 1], fx);
            own.patches[i] + low.to(soft[at + wide].to(soft[at + wide + 1], fx), fy)
        })
        .collect();
    Sheet { across, along, patches: softened(&patches, across, along) }
}

/// Light thrown on a point by what it sees around it.
fn bounce(shed: &Shed, first: &Light, from: Vec3, normal: Vec3, turn: f32) -> Vec3 {
    let mut sum = Vec3::default();
    for ray in spread(normal, turn) {
        if let Some(hit) = shed.first(from, ray) {
            let p = from + ray * hit.t;
            sum =
                sum + first.at(shed, hit.block, hit.face, p).times(reflectance(shed.blocks[hit.block].stuff));
        }
    }
    sum * (0.55 / 14.0)
}

/// Each patch blended with its neighbours, which removes the grain of few looks.
fn softened(patches: &[Vec3], across: usize, along: usize) -> Vec<Vec3> {
    (0..across * along)
        .map(|i| {
            let (x, y) = (i % across, i / across);
            let mut sum = Vec3::default();
            for (dx, dy, weight) in NEIGHBOURS {
                let at = |v: usize, d: i32, count: usize| (v as i32 + d).clamp(0, count as i32 - 1) as usize;
                sum = sum + patches[at(y, dy, along) * across + at(x, dx, across)] * weight;
            }
            sum
        })
        .collect()
}

/// Offsets and weights of a 3 × 3 blend.
const NEIGHBOURS: [(i32, i32, f32); 9] = [
    (-1, -1, 0.0625),
    (0, -1, 0.125),
    (1, -1, 0.0625),
    (-1, 0, 0.125),
    (0, 0, 0.25),
    (1, 0, 0.125),
    (-1, 1, 0.0625),
    (0, 1, 0.125),
    (1, 1, 0.0625),
];

/// The shed's light, gathered once for the process.
pub fn light() -> &'static Light {
    static LIGHT: OnceLock<Light> = OnceLock::new();
    LIGHT.get_or_init(|| Light::gather(shed()))
}
