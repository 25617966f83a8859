//! The salt shed: timber, floor, channel, heaps of salt and lamps, measured in metres.
//!
//! Knows where everything stands and how rays meet it. Does not know light or cameras.
//! The shed runs along z from the door at -6 to the far gate at 35; the brine channel lies to
//! the right of the middle aisle.

use std::sync::OnceLock;

use super::math::{Vec3, clamp01, floor, least, most, smooth, vec3};
use super::noise::{clouds, grit};

/// What a block is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stuff {
    /// Flagstones under a crust of salt, wet in places.
    Floor,
    /// Squared timber.
    Timber,
    /// Board walls with windows.
    Wall,
    /// Boards under the roof, with skylights.
    Roof,
    /// The stone edges of the channel.
    Kerb,
    /// Brine.
    Brine,
    /// Sheet iron.
    Iron,
    /// The night beyond the far gate.
    Night,
    /// Salt: the block only bounds the heap, whose surface is the height field.
    Salt,
}

/// A box, turned about the z axis.
#[derive(Clone, Copy, Debug)]
pub struct Block {
    /// Its middle.
    pub centre: Vec3,
    /// Half its sides, before turning.
    pub half: Vec3,
    /// Cosine and sine of its turn.
    pub turn: (f32, f32),
    /// What it is made of.
    pub stuff: Stuff,
    /// Whether it throws shadows that matter.
    pub shades: bool,
}

/// Where a ray met a block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hit {
    /// Distance along the ray in units of its direction.
    pub t: f32,
    /// Which block.
    pub block: usize,
    /// Which face: 0 to 5 for -x, +x, -y, +y, -z, +z before turning.
    pub face: u8,
}

impl Block {
    /// A world direction in the block's own axes.
    #[inline(always)]
    pub fn inward(&self, d: Vec3) -> Vec3 {
        let (c, s) = self.turn;
        vec3(c * d.x + s * d.y, c * d.y - s * d.x, d.z)
    }

    /// A direction in the block's own axes, in the world's.
    #[inline(always)]
    pub fn outward(&self, d: Vec3) -> Vec3 {
        let (c, s) = self.turn;
        vec3(c * d.x - s * d.y, c * d.y + s * d.x, d.z)
    }

    /// Where a ray enters and leaves the box, as distances; empty when the first is the greater.
    #[inline(always)]
    pub fn span(&self, eye: Vec3, ray: Vec3) -> (f32, f32) {
        let (o, d) = (self.inward(eye - self.centre), self.inward(ray));
        let slab = |o: f32, d: f32, half: f32| {
            let k = 1.0 / if d.abs() < 1e-9 { 1e-9 } else { d };
            let (a, b) = ((-half - o) * k, (half - o) * k);
            (least(a, b), most(a, b))
        };
        let (x0, x1) = slab(o.x, d.x, self.half.x);
        let (y0, y1) = slab(o.y, d.y, self.half.y);
        let (z0, z1) = slab(o.z, d.z, self.half.z);
        (most(x0, most(y0, z0)), least(x1, least(y1, z1)))
    }

    /// The face on which a point of the surface lies.
    pub fn face(&self, p: Vec3) -> u8 {
        let q = self.inward(p - self.centre);
        let (x, y, z) = (q.x.abs() - self.half.x, q.y.abs() - self.half.y, q.z.abs() - self.half.z);
        if x >= y && x >= z {
            u8::from(q.x > 0.0)
        } else if y >= z {
            2 + u8::from(q.y > 0.0)
        } else {
            4 + u8::from(q.z > 0.0)
        }
    }

    /// Outward normal of a face in the world.
    pub fn normal(&self, face: u8) -> Vec3 {
        let sign = if face & 1 == 1 { 1.0 } else { -1.0 };
        self.outward(match face / 2 {
            0 => vec3(sign, 0.0, 0.0),
            1 => vec3(0.0, sign, 0.0),
            _ => vec3(0.0, 0.0, sign),
        })
    }
}

/// A lamp: a small bright globe.
#[derive(Clone, Copy, Debug)]
pub struct Lamp {
    /// Its middle.
    pub at: Vec3,
    /// Strength by colour; a surface at distance d facing it receives this over d².
    pub strength: Vec3,
}

/// Radius of a lamp's globe in metres.
pub const GLOBE: f32 = 0.085;

/// Direction towards the moon, and its strength by colour where it shines in.
pub const MOON: (Vec3, Vec3) = (vec3(0.5497, 0.8195, -0.1619), vec3(0.20, 0.34, 0.62));

/// Share of moonlight that comes through the skylights to a point, before blocks shade it.
pub fn moonshine(p: Vec3) -> f32 {
    let t = (6.2 - 0.403 * p.x - p.y) / (MOON.0.y + 0.403 * MOON.0.x);
    let at = p + MOON.0 * t;
    if t < 0.0 {
        return 0.0;
    }
    skylight(at.x, at.z, 0.06)
}

/// 1 where the right roof is open, 0 where it is boarded, soft over `edge` metres.
pub fn skylight(x: f32, z: f32, edge: f32) -> f32 {
    let across = smooth(2.3 - edge, 2.3 + edge, x) * (1.0 - smooth(3.7 - edge, 3.7 + edge, x));
    let bay = z * 0.25 - floor(z * 0.25) as f32;
    let along = (bay - 0.5).abs() * 4.0;
    across * (1.0 - smooth(0.9 - edge, 0.9 + edge, along))
}

/// Cells of the height field a metre.
const PER_METRE: f32 = 8.0;
/// Columns (x from -7 to 7) and rows (z from -6 to 36) of the height field.
const FIELD: (usize, usize) = (113, 337);

/// Everything that stands in the shed.
pub struct Shed {
    /// The blocks.
    pub blocks: Vec<Block>,
    /// The lamps.
    pub lamps: Vec<Lamp>,
    heights: Vec<f32>,
}

impl Shed {
    /// Height of the salt at (x, z).
    #[inline(always)]
    pub fn salt(&self, x: f32, z: f32) -> f32 {
        let u = least(most((x + 7.0) * PER_METRE, 0.0), (FIELD.0 - 2) as f32);
        let v = least(most((z + 6.0) * PER_METRE, 0.0), (FIELD.1 - 2) as f32);
        let (i, j) = (u as usize, v as usize);
        let (fu, fv) = (u - i as f32, v - j as f32);
        let at = j * FIELD.0 + i;
        let near = self.heights[at] + (self.heights[at + 1] - self.heights[at]) * fu;
        let far = self.heights[at + FIELD.0] + (self.heights[at + FIELD.0 + 1] - self.heights[at + FIELD.0]) * fu;
        near + (far - near) * fv
    }

    /// Unit normal of the salt at (x, z).
    pub fn salt_normal(&self, x: f32, z: f32) -> Vec3 {
        let e = 0.09;
        let dx = self.salt(x + e, z) - self.salt(x - e, z);
        let dz = self.salt(x, z + e) - self.salt(x, z - e);
        vec3(-dx, 2.0 * e, -dz).unit()
    }

    /// Where a ray first meets block `index` after distance 0: its distance.
    #[inline(always)]
    pub fn meet(&self, index: usize, eye: Vec3, ray: Vec3) -> Option<f32> {
        let block = &self.blocks[index];
        let (enter, leave) = block.span(eye, ray);
        if enter >= leave || leave <= 0.0 {
            return None;
        }
        if block.stuff == Stuff::Salt {
            return self.march(most(enter, 0.0), leave, eye, ray);
        }
        (enter > 0.0).then_some(enter)
    }

    /// Walks a ray over the height field: even steps, then the crossing by proportion.
    fn march(&self, enter: f32, leave: f32, eye: Vec3, ray: Vec3) -> Option<f32> {
        let over = |t: f32| {
            let p = eye + ray * t;
            p.y - self.salt(p.x, p.z)
        };
        let length = (leave - enter) * ray.length();
        let steps = least(most(length * 7.0, 4.0), 40.0) as i32;
        let step = (leave - enter) / steps as f32;
        let (mut t, mut above) = (enter, over(enter));
        if above < 0.0 {
            return Some(enter);
        }
        for _ in 0..steps {
            let next = t + step;
            let then = over(next);
            if then < 0.0 {
                return Some(t + step * above / (above - then));
            }
            (t, above) = (next, then);
        }
        None
    }

    /// The first block that a ray meets.
    pub fn first(&self, eye: Vec3, ray: Vec3) -> Option<Hit> {
        let mut best: Option<(f32, usize)> = None;
        for index in 0..self.blocks.len() {
            if let Some(t) = self.meet(index, eye, ray)
                && best.is_none_or(|(b, _)| t < b)
            {
                best = Some((t, index));
            }
        }
        best.map(|(t, block)| Hit { t, block, face: self.blocks[block].face(eye + ray * t) })
    }

    /// Whether anything stands between a point and `reach` along a ray. Points on the salt ask
    /// the height field too.
    pub fn shaded(&self, from: Vec3, ray: Vec3, reach: f32) -> bool {
        (0..self.blocks.len())
            .any(|i| self.blocks[i].shades && self.meet(i, from, ray).is_some_and(|t| t > 1e-3 && t < reach))
    }
}

/// The heaps: x, z, radius and height.
const HEAPS: [[f32; 4]; 13] = [
    [-5.4, 1.6, 2.0, 1.35],
    [-5.5, 5.6, 2.3, 1.65],
    [-5.2, 9.7, 1.9, 1.30],
    [-5.5, 14.2, 2.4, 1.75],
    [-5.2, 19.5, 2.2, 1.50],
    [-5.4, 26.0, 2.6, 1.80],
    [5.4, 4.6, 1.8, 1.20],
    [5.3, 8.6, 2.0, 1.35],
    [5.5, 13.0, 1.9, 1.25],
    [5.3, 18.0, 2.2, 1.50],
    [5.4, 24.5, 2.3, 1.60],
    [-1.9, 20.4, 1.5, 0.95],
    [-2.2, 27.5, 1.7, 1.10],
];

/// Height of all heaps together at a point: cones at salt's slope of repose with rounded tops
/// and a rough skin, over thin drifts.
fn heap_height(x: f32, z: f32) -> f32 {
    let rough = clouds().at(x * 0.11, z * 0.11, 0.0) - 0.5;
    let fine = grit().at(x * 0.06, z * 0.06, 0.0) - 0.5;
    let mut height = -0.05_f32;
    for [hx, hz, radius, top] in HEAPS {
        let (dx, dz) = (x - hx, z - hz);
        // Rounded at the summit by measuring distance from slightly above it.
        let r = (dx * dx + dz * dz + 0.09).sqrt() * (1.0 + 0.55 * rough);
        let cone = top * (1.0 - r / radius) + 0.10 * rough + 0.035 * fine;
        let merge = 0.12;
        let h = clamp01(0.5 + 0.5 * (cone - height) / merge);
        height = height + (cone - height) * h + merge * h * (1.0 - h);
    }
    height
}

/// A block that is not turned, from its least to its greatest corner.
fn block(stuff: Stuff, low: [f32; 3], high: [f32; 3]) -> Block {
    let [a, b] = [low, high].map(|c| vec3(c[0], c[1], c[2]));
    Block { centre: a.to(b, 0.5), half: (b - a) * 0.5, turn: (1.0, 0.0), stuff, shades: true }
}

/// A beam between two points of equal z, `thick` across and `deep` along z.
fn beam(from: (f32, f32), to: (f32, f32), z: f32, thick: f32, deep: f32) -> Block {
    let along = vec3(to.0 - from.0, to.1 - from.1, 0.0);
    let (length, unit) = (along.length(), along.unit());
    Block {
        centre: vec3((from.0 + to.0) * 0.5, (from.1 + to.1) * 0.5, z),
        half: vec3(length * 0.5, thick * 0.5, deep * 0.5),
        turn: (unit.x, unit.y),
        stuff: Stuff::Timber,
        shades: true,
    }
}

/// Floor, channel, walls, roof and the night beyond.
fn shell() -> Vec<Block> {
    let mut roofs = [beam((-7.3, 3.26), (0.05, 6.22), 15.0, 0.1, 46.0), beam((0.0, 6.2), (7.3, 3.26), 15.0, 0.1, 46.0)];
    roofs.iter_mut().for_each(|roof| (roof.stuff, roof.shades) = (Stuff::Roof, false));
    let mut blocks = vec![
        block(Stuff::Floor, [-7.2, -0.6, -8.0], [1.0, 0.0, 36.0]),
        block(Stuff::Floor, [2.7, -0.6, -8.0], [7.2, 0.0, 36.0]),
        block(Stuff::Kerb, [0.82, -0.5, -8.0], [1.06, 0.09, 36.0]),
        block(Stuff::Kerb, [2.64, -0.5, -8.0], [2.88, 0.09, 36.0]),
        block(Stuff::Brine, [1.0, -0.6, -8.0], [2.7, -0.16, 36.0]),
        block(Stuff::Wall, [-7.2, 0.0, -8.0], [-7.0, 3.5, 36.0]),
        block(Stuff::Wall, [7.0, 0.0, -8.0], [7.2, 3.5, 36.0]),
        block(Stuff::Wall, [-7.2, 0.0, 34.8], [-1.9, 6.4, 35.0]),
        block(Stuff::Wall, [2.9, 0.0, 34.8], [7.2, 6.4, 35.0]),
        block(Stuff::Wall, [-1.9, 3.2, 34.8], [2.9, 6.4, 35.0]),
        block(Stuff::Wall, [-7.2, 0.0, -8.2], [7.2, 6.4, -8.0]),
        block(Stuff::Night, [-12.0, -1.0, 44.0], [12.0, 8.0, 44.2]),
    ];
    blocks.extend(roofs);
    blocks
}

/// Posts, beams, braces, rafters and the plank over the channel.
fn frame() -> Vec<Block> {
    let mut blocks = vec![];
    for bay in 0..10 {
        let z = -4.0 + bay as f32 * 4.0;
        for side in [-1.0, 1.0] {
            let x = side * 3.5;
            blocks.push(block(Stuff::Timber, [x - 0.13, 0.0, z - 0.13], [x + 0.13, 4.72, z + 0.13]));
            blocks.push(block(Stuff::Kerb, [x - 0.22, 0.0, z - 0.22], [x + 0.22, 0.16, z + 0.22]));
            blocks.push(beam((side * 3.4, 2.75), (side * 2.2, 3.92), z, 0.15, 0.13));
        }
        blocks.push(block(Stuff::Timber, [-3.75, 3.84, z - 0.11], [3.75, 4.12, z + 0.11]));
    }
    for side in [-1.0, 1.0] {
        let x = side * 3.5;
        blocks.push(block(Stuff::Timber, [x - 0.12, 4.5, -8.0], [x + 0.12, 4.74, 35.0]));
    }
    blocks.push(block(Stuff::Timber, [-0.1, 5.9, -8.0], [0.1, 6.1, 35.0]));
    for i in 0..21 {
        let z = -6.0 + i as f32 * 2.0;
        for side in [-1.0, 1.0] {
            let mut rafter = beam((side * 7.1, 3.24), (0.0, 6.08), z, 0.16, 0.1);
            rafter.shades = false;
            blocks.push(rafter);
        }
    }
    blocks.push(block(Stuff::Timber, [0.7, 0.09, 13.1], [3.0, 0.15, 13.5]));
    blocks.push(block(Stuff::Timber, [0.7, 0.09, 13.54], [3.0, 0.15, 13.95]));
    blocks
}

/// Crates, trays and tubs left about.
fn clutter() -> Vec<Block> {
    let mut blocks = vec![];
    for (x, z, w, h) in [
        (-3.1, 12.7, 0.42, 0.55),
        (-2.75, 13.4, 0.35, 0.42),
        (-3.05, 12.75, 0.3, 0.95),
        (3.25, 9.2, 0.3, 0.5),
        (-3.2, 3.1, 0.36, 0.45),
        (-3.3, 17.0, 0.5, 0.7),
        (3.3, 17.2, 0.4, 0.6),
        (-0.9, 30.0, 0.6, 0.8),
    ] {
        blocks.push(block(Stuff::Timber, [x - w, 0.0, z - w * 0.8], [x + w, h, z + w * 0.8]));
    }
    blocks
}

/// The lamps: on posts to either side, and hung from beams down the middle.
fn lamps() -> Vec<Lamp> {
    let warm = vec3(1.0, 0.52, 0.20);
    let mut lamps = vec![];
    for (side, z, strength) in [
        (-1.0, 0.0, 5.5),
        (1.0, 4.0, 4.0),
        (-1.0, 8.0, 7.0),
        (1.0, 12.0, 6.5),
        (-1.0, 16.0, 6.0),
        (1.0, 20.0, 6.5),
        (-1.0, 24.0, 6.0),
        (1.0, 28.0, 6.0),
    ] {
        lamps.push(Lamp { at: vec3(side * 3.1, 2.38, z), strength: warm * strength });
    }
    for (x, z, strength) in [(-0.9, 12.0, 8.0), (-0.6, 20.0, 7.0), (-0.4, 28.0, 6.0)] {
        lamps.push(Lamp { at: vec3(x, 3.35, z), strength: vec3(1.0, 0.60, 0.28) * strength });
    }
    lamps
}

/// Iron caps over the lamps, and the arms that hold them.
fn fittings(lamps: &[Lamp]) -> Vec<Block> {
    let mut blocks = vec![];
    for lamp in lamps {
        let Vec3 { x, y, z } = lamp.at;
        blocks.push(block(Stuff::Iron, [x - 0.15, y + 0.11, z - 0.15], [x + 0.15, y + 0.14, z + 0.15]));
        let (low, high) = if y > 3.0 {
            ([x - 0.012, y + 0.14, z - 0.012], [x + 0.012, 3.84, z + 0.012])
        } else {
            let outer = if x < 0.0 { -3.4 } else { 3.4 };
            ([least(x, outer), y + 0.14, z - 0.02], [most(x, outer), y + 0.18, z + 0.02])
        };
        blocks.push(block(Stuff::Iron, low, high));
    }
    blocks
}

/// The shed, built once.
pub fn shed() -> &'static Shed {
    static SHED: OnceLock<Shed> = OnceLock::new();
    SHED.get_or_init(|| {
        let lamps = lamps();
        let mut blocks = shell();
        blocks.extend(frame());
        blocks.extend(clutter());
        blocks.extend(fittings(&lamps));
        for [x, z, radius, top] in HEAPS {
            let wide = radius * 1.35;
            let (low, high) = ([most(x - wide, -7.0), 0.0, z - wide], [least(x + wide, 7.0), top + 0.15, z + wide]);
            blocks.push(block(Stuff::Salt, low, high));
        }
        let heights = (0..FIELD.0 * FIELD.1)
            .map(|i| {
                let (x, z) = ((i % FIELD.0) as f32 / PER_METRE - 7.0, (i / FIELD.0) as f32 / PER_METRE - 6.0);
                heap_height(x, z)
            })
            .collect();
        Shed { blocks, lamps, heights }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rays_meet_the_floor_and_the_heaps() {
        let shed = shed();
        let down = vec3(0.0, -1.0, 0.0);
        let hit = shed.first(vec3(-0.5, 1.5, 7.0), down).unwrap();
        assert_eq!((shed.blocks[hit.block].stuff, hit.face), (Stuff::Floor, 3));
        assert!((hit.t - 1.5).abs() < 1e-5);
        let hit = shed.first(vec3(-5.5, 3.0, 5.6), down).unwrap();
        assert_eq!(shed.blocks[hit.block].stuff, Stuff::Salt);
        assert!((3.0 - hit.t - shed.salt(-5.5, 5.6)).abs() < 0.02);
    }

    #[test]
    fn turned_beams_are_met_on_their_own_faces() {
        let brace = beam((0.0, 0.0), (3.0, 4.0), 2.0, 0.2, 0.2);
        let (enter, leave) = brace.span(vec3(1.5, 2.0, 0.0), vec3(0.0, 0.0, 1.0));
        assert!((enter - 1.9).abs() < 1e-5 && (leave - 2.1).abs() < 1e-5);
        assert_eq!(brace.face(vec3(1.5, 2.0, 1.9)), 4);
    }

    #[test]
    fn posts_shade_what_is_behind_them() {
        let shed = shed();
        assert!(shed.shaded(vec3(-4.5, 1.0, 4.0), vec3(1.0, 0.0, 0.0), 4.0));
        assert!(!shed.shaded(vec3(-2.5, 1.0, 6.0), vec3(1.0, 0.0, 0.0), 4.0));
    }
}
