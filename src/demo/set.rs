//! The salt shed as rays meet it: blocks, a height field of salt, lamps and moon.
//!
//! Knows where a ray enters what. Does not know why things stand where they do, light or cameras.

use std::sync::OnceLock;

use super::groups::{Group, LANES, slab};
use super::math::{Vec3, floor, least, most, smooth, vec3};
use super::timber::{contents, heap_height};
use crate::base::level::{Level, kernel};

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

/// No salt lies higher, in metres.
const TOP: f32 = 2.2;

/// Everything that stands in the shed.
pub struct Shed {
    /// The blocks.
    pub blocks: Vec<Block>,
    /// The lamps.
    pub lamps: Vec<Lamp>,
    /// The vector instructions that rays are followed with.
    pub level: Level,
    heights: Vec<f32>,
    groups: Vec<(Group, Vec<usize>)>,
    /// What lies around the groups, eight groups together.
    tops: Vec<Group>,
}

/// A block longer than this along the shed, in metres, says little by where its middle lies.
const LONG: f32 = 6.0;

/// Blocks in eights that lie close together, in the order in which a ray down the shed meets them; heaps last, as
/// walking a ray over salt costs most and what stands before it spares the walk.
fn grouped(blocks: &[Block]) -> Vec<(Group, Vec<usize>)> {
    let kind = |index: usize| {
        let block = &blocks[index];
        if block.stuff == Stuff::Salt { 2_u8 } else { u8::from(block.half.z * 2.0 <= LONG) }
    };
    let mut order: Vec<usize> = (0..blocks.len()).collect();
    order.sort_by(|&a, &b| kind(a).cmp(&kind(b)).then(blocks[a].centre.z.total_cmp(&blocks[b].centre.z)));
    let alike = order.chunk_by(|&a, &b| kind(a) == kind(b));
    let eights = alike.flat_map(|run| run.chunks(LANES));
    eights
        .map(|run| {
            let own: Vec<Block> = run.iter().map(|&index| blocks[index]).collect();
            (Group::of(&own), run.to_vec())
        })
        .collect()
}

kernel! {
    /// The first block that a ray meets, and how far: into `best`, when nearer than what stands there.
    fn nearest(shed: &Shed, eye: Vec3, ray: Vec3, best: &mut (f32, usize)) {
        for (top, groups) in shed.tops.iter().zip(shed.groups.chunks(LANES)) {
            let (first, last) = top.span(eye, ray);
            for (g, (group, members)) in groups.iter().enumerate() {
                if first[g] >= last[g] || last[g] <= 0.0 || first[g] >= best.0 {
                    continue;
                }
                let (enter, leave) = group.span(eye, ray);
                for (l, &index) in members.iter().enumerate() {
                    if enter[l] < leave[l] && enter[l] < best.0 && leave[l] > 0.0 {
                        let t = if shed.blocks[index].stuff == Stuff::Salt {
                            shed.heap(index, most(enter[l], 0.0), leave[l], eye, ray).unwrap_or(f32::MAX)
                        } else {
                            enter[l]
                        };
                        if t > 0.0 && t < best.0 {
                            *best = (t, index);
                        }
                    }
                }
            }
        }
    }
}

kernel! {
    /// Whether anything that throws shadows stands between a point and `reach` along a ray.
    fn shade(shed: &Shed, from: Vec3, ray: Vec3, reach: f32, found: &mut bool) {
        for (top, groups) in shed.tops.iter().zip(shed.groups.chunks(LANES)) {
            let (first, last) = top.span(from, ray);
            for (g, (group, members)) in groups.iter().enumerate() {
                if first[g] >= last[g] || last[g] <= 0.0 || first[g] >= reach {
                    continue;
                }
                let (enter, leave) = group.span(from, ray);
                let meets = |(l, &index): (usize, &usize)| {
                    if enter[l] >= leave[l] || leave[l] <= 1e-3 || enter[l] >= reach {
                        return false;
                    }
                    let block = &shed.blocks[index];
                    let (enter, leave) = (enter[l], leave[l]);
                    let heap = || shed.heap(index, most(enter, 0.0), leave, from, ray);
                    block.shades
                        && if block.stuff == Stuff::Salt {
                            heap().is_some_and(|t| t > 1e-3 && t < reach)
                        } else {
                            enter > 1e-3
                        }
                };
                *found |= members.iter().enumerate().any(meets);
                if *found {
                    return;
                }
            }
        }
    }
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
        let far =
            self.heights[at + FIELD.0] + (self.heights[at + FIELD.0 + 1] - self.heights[at + FIELD.0]) * fu;
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
            return self.heap(index, most(enter, 0.0), leave, eye, ray);
        }
        (enter > 0.0).then_some(enter)
    }

    /// Where a ray meets the salt of the heap in block `index`, between two distances.
    #[inline(always)]
    pub fn heap(&self, index: usize, enter: f32, leave: f32, eye: Vec3, ray: Vec3) -> Option<f32> {
        // No salt of this heap is higher than a cone around it; where the ray comes closest to
        // its middle says how high that can be, and so from where on the ray can meet it at all.
        let (middle, top) = (self.blocks[index].centre, self.blocks[index].half.y * 2.0 - 0.15);
        let (dx, dz) = (eye.x - middle.x, eye.z - middle.z);
        let level = ray.x * ray.x + ray.z * ray.z + 1e-9;
        let t = least(most(-(dx * ray.x + dz * ray.z) / level, enter), leave);
        let (nx, nz) = (dx + ray.x * t, dz + ray.z * t);
        let highest = top * (1.0 - 0.95 * (nx * nx + nz * nz).sqrt() / self.radius(index)) + 0.12;
        let (first, last) = (eye.y + ray.y * enter, eye.y + ray.y * leave);
        if first > highest && last > highest {
            return None;
        }
        let down = if first > highest { (highest - eye.y) / ray.y } else { enter };
        self.march(least(most(down, enter), leave), leave, eye, ray)
    }

    /// Half the length of a heap's block along z, which no wall cuts short.
    #[inline(always)]
    fn radius(&self, index: usize) -> f32 {
        self.blocks[index].half.z
    }

    /// Walks a ray over the height field. The salt is never steeper than its slope of repose
    /// and a little, so height above it says how far the ray may safely go; the crossing is
    /// found by proportion.
    fn march(&self, enter: f32, leave: f32, eye: Vec3, ray: Vec3) -> Option<f32> {
        let over = |t: f32| {
            let p = eye + ray * t;
            p.y - self.salt(p.x, p.z)
        };
        let length = ray.length();
        let safe = 1.0 / (most(-ray.y, 0.0) + 0.9 * (ray.x * ray.x + ray.z * ray.z).sqrt() + 1e-6);
        let least_step = 0.06 / length;
        let (mut t, mut above) = (enter, over(enter));
        if above < 0.0 {
            return Some(enter);
        }
        for _ in 0..60 {
            let next = least(t + most(above * safe, least_step), leave);
            let then = over(next);
            if then < 0.0 {
                return Some(t + (next - t) * above / (above - then));
            }
            if next >= leave {
                return None;
            }
            (t, above) = (next, then);
        }
        None
    }

    /// From what distance on the rays around a ray may meet salt: `spread` is how far they stray from it for each unit
    /// of its distance. [`f32::MAX`] when none can before `far`.
    pub fn approach(&self, eye: Vec3, ray: Vec3, spread: f32, far: f32) -> f32 {
        // Height above the salt at a stray ray differs from that at the ray by the way there and the salt's slope.
        let lost = spread * 1.5;
        let safe = 1.0 / (most(-ray.y, 0.0) + 1.1 * (ray.x * ray.x + ray.z * ray.z).sqrt() + lost);
        let mut t = 0.0;
        for _ in 0..90 {
            let p = eye + ray * t;
            if t > far || (p.y > TOP + spread * t && ray.y >= spread) {
                return f32::MAX;
            }
            let above = p.y - self.salt(p.x, p.z) - lost * t;
            if above < 0.02 {
                break;
            }
            t += above * safe;
        }
        t
    }

    /// The first block that a ray meets.
    pub fn first(&self, eye: Vec3, ray: Vec3) -> Option<Hit> {
        self.first_guessed(eye, ray, usize::MAX)
    }

    /// The same, asked of a likely block first, which spares asking most others; any number will do.
    pub fn first_guessed(&self, eye: Vec3, ray: Vec3, guess: usize) -> Option<Hit> {
        let guessed = if guess < self.blocks.len() { self.meet(guess, eye, ray) } else { None };
        let mut best = guessed.map_or((f32::MAX, usize::MAX), |t| (t, guess));
        nearest(self.level, self, eye, ray, &mut best);
        let (t, block) = best;
        (block != usize::MAX).then(|| Hit { t, block, face: self.blocks[block].face(eye + ray * t) })
    }

    /// Whether anything that throws shadows stands between a point and `reach` along a ray.
    pub fn shaded(&self, from: Vec3, ray: Vec3, reach: f32) -> bool {
        let mut found = false;
        shade(self.level, self, from, ray, reach, &mut found);
        found
    }
}

/// The shed, built once.
pub fn shed() -> &'static Shed {
    static SHED: OnceLock<Shed> = OnceLock::new();
    SHED.get_or_init(|| {
        let (blocks, lamps) = contents();
        let heights = (0..FIELD.0 * FIELD.1)
            .map(|i| {
                let (x, z) = ((i % FIELD.0) as f32 / PER_METRE - 7.0, (i / FIELD.0) as f32 / PER_METRE - 6.0);
                heap_height(x, z)
            })
            .collect();
        let groups = grouped(&blocks);
        let around: Vec<Block> = groups.iter().map(|(group, _)| group.around(Stuff::Timber)).collect();
        let tops = around.chunks(LANES).map(Group::of).collect();
        Shed { blocks, lamps, level: Level::best(), heights, groups, tops }
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
    fn every_level_of_vector_instructions_and_every_guess_meets_the_same() {
        let (shed, eye) = (shed(), vec3(0.4, 1.5, -2.0));
        for i in 0..600 {
            let ray = vec3((i % 30) as f32 * 0.06 - 0.9, (i / 30) as f32 * 0.05 - 0.5, 1.0);
            let hit = shed.first(eye, ray);
            assert_eq!(shed.first_guessed(eye, ray, i % shed.blocks.len()), hit);
            for level in Level::all_here() {
                let mut best = (f32::MAX, usize::MAX);
                nearest(level, shed, eye, ray, &mut best);
                assert_eq!(
                    (best.0.to_bits(), Some(best.1)),
                    (hit.unwrap().t.to_bits(), hit.map(|h| h.block))
                );
            }
        }
    }

    #[test]
    fn posts_shade_what_is_behind_them() {
        let shed = shed();
        assert!(shed.shaded(vec3(-4.5, 1.0, 4.0), vec3(1.0, 0.0, 0.0), 4.0));
        assert!(!shed.shaded(vec3(-2.5, 1.0, 6.0), vec3(1.0, 0.0, 0.0), 4.0));
    }
}
