//! What the shed's surfaces look like: stone, board, timber, salt, brine and the night outside.
//!
//! Knows textures, gathered light and what shines in the wet. Does not know which pixel asks.

use super::light::{Light, reflectance};
use super::math::{Vec3, clamp01, exp_minus, floor, fraction, mix, most, smooth, vec3};
use super::noise::{chance, clouds, grit};
use super::set::{Block, MOON, Shed, Stuff, skylight};
use super::shadow::Shadow;

/// 1 / π: a matt surface that receives E shows E · reflectance / π.
const MATT: f32 = std::f32::consts::FRAC_1_PI;

/// All that a surface is shaded by.
pub struct Scene<'a> {
    /// The shed.
    pub shed: &'a Shed,
    /// Its light.
    pub light: &'a Light,
    /// What the people in shot take away from it.
    pub shadow: &'a Shadow,
    /// Time in seconds, for the brine's ripples.
    pub seconds: f32,
}

/// A spot on a surface as seen by a ray.
struct Spot {
    p: Vec3,
    /// Unit direction of the look.
    look: Vec3,
    /// How far apart neighbouring pixels look on the surface, in metres.
    step: f32,
    /// Light received.
    received: Vec3,
}

/// What the last wet spot mirrored of the shed itself, for its neighbours.
#[derive(Clone, Copy, Debug)]
pub struct Mirrored {
    /// Whether neighbours out of focus may take it as it is; others only ask that block first.
    pub is_shared: bool,
    /// How far away it was, and its light.
    shown: Option<(f32, Vec3)>,
    block: usize,
    /// What the last spot, where it was of the floor, shines with of the shed: it is laid over the floor later, widened.
    pub gloss: Option<Vec3>,
}

impl Mirrored {
    /// Nothing mirrored yet.
    pub const NOTHING: Mirrored = Mirrored { is_shared: false, shown: None, block: usize::MAX, gloss: None };

    /// Forgets the light, and keeps the block as a guess.
    pub fn forget(&mut self) {
        self.shown = None;
    }
}

impl Scene<'_> {
    /// Light towards the eye from block `index` at `eye + ray * t`; a pixel is `angle` wide. `mirrored` is what a spot
    /// beside it mirrored.
    pub fn seen(
        &self,
        index: usize,
        (eye, ray): (Vec3, Vec3),
        t: f32,
        angle: f32,
        mirrored: &mut Mirrored,
    ) -> Vec3 {
        mirrored.gloss = None;
        let block = &self.shed.blocks[index];
        let p = eye + ray * t;
        let face = if block.stuff == Stuff::Salt { 3 } else { block.face(p) };
        let normal =
            if block.stuff == Stuff::Salt { self.shed.salt_normal(p.x, p.z) } else { block.normal(face) };
        let look = ray.unit();
        let step = angle * t / most(-look.dot(normal), 0.12).sqrt();
        let mut received = self.light.at(self.shed, index, face, p);
        if p.y < 1.6 {
            received = received * self.shadow.left(p);
        }
        let spot = Spot { p, look, step, received };
        match block.stuff {
            Stuff::Floor => self.floor(&spot, mirrored),
            Stuff::Brine => self.brine(&spot, mirrored),
            Stuff::Salt => salt(&spot),
            Stuff::Wall => wall(&spot, face),
            Stuff::Roof => roof(&spot, block),
            Stuff::Kerb => kerb(&spot),
            Stuff::Iron => spot.received.times(vec3(0.05, 0.045, 0.04)) * MATT,
            Stuff::Night => night(p),
            Stuff::Timber => timber(&spot, block, face),
        }
    }

    /// Flagstones, salt trodden into them, and puddles in which lamps shine.
    fn floor(&self, spot: &Spot, mirrored: &mut Mirrored) -> Vec3 {
        let Spot { p, step, .. } = *spot;
        let row = floor(p.z / 0.62);
        let shift = 0.5 * (row & 1) as f32 + 0.2 * chance(row, 3, 9);
        let column = floor(p.x / 0.85 + shift);
        let (u, v) = (fraction(p.x / 0.85 + shift) * 0.85, fraction(p.z / 0.62) * 0.62);
        let border = |d: f32, side: f32| if d < side * 0.5 { d } else { side - d };
        let gap = if border(u, 0.85) < border(v, 0.62) { border(u, 0.85) } else { border(v, 0.62) };
        let wide = 0.012 + step * 0.5;
        let joint = (1.0 - smooth(wide * 0.4, wide * 1.6, gap)) * (0.016 / wide).min(1.0);
        let tone = 0.72 + 0.5 * chance(column, row, 21);
        let rough = grit().at(p.x * 0.31, p.z * 0.31, step * 0.31);
        let cloud = clouds().at(p.x * 0.071 + 0.2, p.z * 0.071, step * 0.071);
        let stone = vec3(0.155, 0.140, 0.125) * (tone * (0.55 + 0.9 * rough) * (1.0 - 0.75 * joint));

        let near_salt = smooth(-0.05, 0.02, self.shed.salt(p.x, p.z));
        let fringe = clouds().at(p.x * 0.19, p.z * 0.19 + 0.5, step * 0.19);
        let crust =
            clamp01(smooth(0.50, 0.68, cloud * 0.6 + fringe * 0.45 + joint * 0.05 + near_salt * 0.35));
        let white = vec3(0.50, 0.485, 0.46) * (0.7 + 0.5 * rough);
        let dry = stone.to(white, crust * 0.85);

        let puddle = smooth(0.46, 0.53, clouds().at(p.x * 0.085 + 0.37, p.z * 0.05 + 0.11, step * 0.1));
        let wet = puddle * (1.0 - crust);
        let damp = 0.30 + 0.7 * wet;
        let body = dry.times(spot.received) * (MATT * (1.0 - 0.55 * wet));
        // Damp stone shines where one looks along it; the relief scatters what it mirrors.
        let tilt = (rough - 0.5) * mix(0.16, 0.0, wet) + (fringe - 0.5) * 0.012;
        let relief = grit().at(p.x * 0.23 + 0.4, p.z * 0.23, step * 0.23) - 0.5;
        let (tilt, relief) = (tilt, relief * mix(0.16, 0.0, wet) + (cloud - 0.5) * 0.02);
        let up = vec3(tilt, 1.0, relief).unit();
        let facing = clamp01(-spot.look.dot(up));
        let shine = 0.03 + 0.75 * power5(1.0 - facing);
        mirrored.gloss = Some(Vec3::default());
        if shine * damp < 0.02 {
            return body;
        }
        let (lamps, shed) = self.mirrored(
            p,
            spot.look - up * (2.0 * spot.look.dot(up)),
            (mix(0.35, 0.045, wet), smooth(0.2, 0.6, wet)),
            mirrored,
        );
        let k = shine * damp * (1.0 - 0.8 * crust) * self.shadow.mirror(p);
        mirrored.gloss = Some(shed * k);
        body + lamps * k
    }

    /// Still brine, barely stirred.
    fn brine(&self, spot: &Spot, mirrored: &mut Mirrored) -> Vec3 {
        let Spot { p, step, .. } = *spot;
        let drift = self.seconds * 0.02;
        let wave = |u: f32, v: f32, k: f32| clouds().at(p.x * k + u, p.z * k * 0.6 + v, step * k) - 0.5;
        let calm = 1.0 / (1.0 + step * 14.0);
        let up = vec3(
            (wave(drift, 0.3, 0.9) * 0.5 + wave(0.7, drift, 2.3) * 0.4) * 0.11 * calm,
            1.0,
            (wave(0.1, drift * 0.8, 1.1) * 0.5 + wave(drift, 0.9, 2.9) * 0.4) * 0.16 * calm,
        )
        .unit();
        let facing = clamp01(-spot.look.dot(up));
        let shine = 0.025 + 0.90 * power5(1.0 - facing);
        let scum = smooth(0.60, 0.72, clouds().at(p.x * 0.35, p.z * 0.16 + 0.6, step * 0.3));
        let depth = spot.received.times(vec3(0.020, 0.034, 0.032)) * MATT;
        let floating = spot.received.times(vec3(0.36, 0.35, 0.32)) * MATT;
        let rough = mix(0.05, 0.02, calm);
        let (lamps, shed) =
            self.mirrored(p, spot.look - up * (2.0 * spot.look.dot(up)), (rough, 1.0), mirrored);
        (depth + (lamps + shed) * shine).to(floating, scum * 0.55)
    }

    /// How far away what a ray from a wet spot meets of the shed is, and its light.
    fn meets(&self, from: Vec3, ray: Vec3, mirrored: &mut Mirrored) -> (f32, Vec3) {
        let hit = self.shed.first_guessed(from + vec3(0.0, 0.004, 0.0), ray, mirrored.block);
        let Some(hit) = hit else { return (1e6, vec3(0.004, 0.006, 0.010)) };
        let p = from + ray * hit.t;
        let stuff = self.shed.blocks[hit.block].stuff;
        let shown = match stuff {
            Stuff::Night => night(p),
            Stuff::Roof => roof_glow(p),
            _ => self.light.at(self.shed, hit.block, hit.face, p).times(reflectance(stuff)) * MATT,
        };
        (mirrored.shown, mirrored.block) = (Some((hit.t, shown)), hit.block);
        (hit.t, shown)
    }

    /// What a shiny spot shows: the lamps, widened by roughness, and as far as it is `clear` (0 to 1) the shed itself.
    fn mirrored(
        &self,
        from: Vec3,
        ray: Vec3,
        (rough, clear): (f32, f32),
        mirrored: &mut Mirrored,
    ) -> (Vec3, Vec3) {
        let ray = if ray.y < 0.02 { vec3(ray.x, 0.02, ray.z).unit() } else { ray.unit() };
        let mut shed = vec3(0.004, 0.006, 0.010);
        let mut sum = Vec3::default();
        let mut reach = 1e6;
        if clear > 0.0 {
            let shown = match mirrored.shown {
                Some(shown) if mirrored.is_shared => shown,
                _ => self.meets(from, ray, mirrored),
            };
            reach = shown.0;
            shed = shed.to(shown.1, clear);
        }
        for lamp in &self.shed.lamps {
            let towards = lamp.at - from;
            let along = towards.dot(ray);
            if along < 0.3 || along > reach + 0.2 {
                continue;
            }
            let aside = towards.dot(towards) - along * along;
            let wide = 0.09 + rough * along;
            let near = aside / (wide * wide);
            if near < 9.0 {
                let k = 0.011 / (wide * wide);
                sum = sum + lamp.strength * (k * exp_minus(most(near, 0.0) * 1.6));
            }
        }
        (sum, shed)
    }
}

fn power5(x: f32) -> f32 {
    let square = x * x;
    square * square * x
}

/// Heaped salt: clods, shovel marks and grains that catch the light.
fn salt(spot: &Spot) -> Vec3 {
    let Spot { p, step, .. } = *spot;
    let (u, v) = (p.x + p.y * 0.6, p.z + p.y * 0.5);
    let clod = clouds().at(u * 0.42, v * 0.42, step * 0.42) - 0.5;
    let fine = grit().at(u * 0.35, v * 0.35, step * 0.35) - 0.5;
    let run = clouds().at(u * 0.9, p.y * 0.12 + v * 0.9, step * 0.9) - 0.5;
    let tone = 1.0 + 0.75 * clod + 0.55 * fine + 0.4 * run;
    let dirt = smooth(0.35, 0.0, p.y) * 0.35;
    let white = vec3(0.64, 0.62, 0.585).to(vec3(0.36, 0.33, 0.29), dirt);
    let mut sum = white.times(spot.received) * (MATT * most(tone, 0.2));
    let close = 1.0 - smooth(0.004, 0.016, step);
    if close > 0.0 && chance(floor(u * 90.0), floor(v * 90.0), floor(p.y * 90.0) as u32) > 0.988 {
        sum = sum + spot.received * (0.35 * close);
    }
    sum
}

/// Board walls, weathered, with windows on the night.
fn wall(spot: &Spot, face: u8) -> Vec3 {
    let Spot { p, step, .. } = *spot;
    let across = if face < 2 { p.z } else { p.x };
    if face < 2 {
        let bay = fraction(p.z * 0.25) * 4.0;
        let (dz, dy) = ((bay - 2.0).abs(), (p.y - 2.35).abs());
        if dz < 0.75 && dy < 0.48 {
            let bar = !(0.035..=0.70).contains(&dz) || !(0.02..=0.43).contains(&dy);
            let glass = clouds().at(p.z * 0.2, p.y * 0.3, step * 0.3);
            let pane = vec3(0.030, 0.052, 0.098) * (0.35 + 1.1 * glass);
            return if bar { spot.received.times(vec3(0.09, 0.07, 0.05)) * MATT } else { pane };
        }
    }
    boards(spot, across, p.y, 0.19, vec3(0.155, 0.115, 0.083))
}

/// Boards of a width that run along `along`.
fn boards(spot: &Spot, across: f32, along: f32, width: f32, tint: Vec3) -> Vec3 {
    let step = spot.step;
    let board = floor(across / width);
    let tone = 0.55 + 0.8 * chance(board, 5, 77);
    let offset = chance(board, 1, 78);
    let grain = clouds().at(along * 0.13 + offset, across * 1.9, step * 1.6);
    let stain = clouds().at(along * 0.21 + 0.4, across * 0.17, step * 0.2);
    let edge = fraction(across / width) * width;
    let gap = 1.0 - smooth(0.0, 0.012 + step, if edge < width * 0.5 { edge } else { width - edge });
    let gap = gap * (0.014 / (0.012 + step)).min(1.0);
    let bleached = smooth(1.1, 0.0, spot.p.y) * smooth(0.35, 0.7, stain) * 0.5;
    let k = tone * (0.45 + 1.0 * grain) * (0.65 + 0.7 * stain) * (1.0 - 0.8 * gap);
    let wood = (tint * k).to(vec3(0.34, 0.32, 0.29), bleached);
    wood.times(spot.received) * MATT
}

/// Boards under the roof, and the skylights that let the moon in.
fn roof(spot: &Spot, block: &Block) -> Vec3 {
    let Spot { p, .. } = *spot;
    let open = if block.centre.x > 0.0 { skylight(p.x, p.z, 0.02) } else { 0.0 };
    let along = p.x * block.turn.0 + p.y * block.turn.1;
    let wood = boards(spot, p.z, along, 0.24, vec3(0.105, 0.080, 0.060));
    let bars = fraction(p.z * 1.67) < 0.09;
    if open > 0.0 && !bars { wood.to(roof_glow(p), open) } else { wood }
}

/// The sky in a skylight; a dark roof elsewhere.
fn roof_glow(p: Vec3) -> Vec3 {
    let cloud = clouds().at(p.x * 0.11, p.z * 0.06, 0.0);
    vec3(0.085, 0.135, 0.235) * (skylight(p.x, p.z, 0.02) * (0.5 + 0.9 * cloud))
}

/// Stone edges with salt dried on them.
fn kerb(spot: &Spot) -> Vec3 {
    let Spot { p, step, .. } = *spot;
    let stone = floor(p.z / 1.15 + p.x);
    let joint = fraction(p.z / 1.15 + p.x);
    let line = if !(0.015..=0.985).contains(&joint) && step < 0.03 { 0.35 } else { 1.0 };
    let rough = grit().at(p.x * 0.4 + p.y * 0.3, p.z * 0.3, step * 0.4);
    let crust = smooth(0.48, 0.66, clouds().at(p.x * 0.6 + p.y, p.z * 0.21, step * 0.4));
    let tone = (0.7 + 0.5 * chance(stone, 2, 31)) * (0.5 + rough) * line;
    (vec3(0.20, 0.185, 0.165) * tone).to(vec3(0.52, 0.51, 0.48), crust * 0.8).times(spot.received) * MATT
}

/// Moonlit mist beyond the gate, with the pans' low banks.
fn night(p: Vec3) -> Vec3 {
    let cloud = clouds().at(p.x * 0.03 + 0.1, p.y * 0.07, 0.0);
    let bank = 0.55 + 0.35 * clouds().at(p.x * 0.05, 0.3, 0.0);
    let low = 1.0 - smooth(bank - 0.06, bank + 0.06, p.y);
    let mist = MOON.1 * (0.16 * (1.3 - smooth(0.0, 4.5, p.y)) * (0.6 + 0.7 * cloud));
    mist * (1.0 - 0.8 * low)
}

/// Squared timber: grain along its longest side, paler where brine has splashed it.
fn timber(spot: &Spot, block: &Block, face: u8) -> Vec3 {
    let q = block.inward(spot.p - block.centre);
    let (axes, h) = ([q.x, q.y, q.z], [block.half.x, block.half.y, block.half.z]);
    let long = if h[0] > h[1] && h[0] > h[2] {
        0
    } else if h[1] > h[2] {
        1
    } else {
        2
    };
    let other = (0..3).find(|&axis| axis != long && axis != face as usize / 2).unwrap_or(0);
    let seed = chance(floor(block.centre.x * 7.0), floor(block.centre.z * 7.0), 12);
    let (along, across) = (axes[long] + seed * 9.0, axes[other] + axes[face as usize / 2] * 0.3);
    let step = spot.step;
    let grain = clouds().at(along * 0.10, across * 1.7 + seed, step * 1.2);
    let fine = grit().at(along * 0.05, across * 1.3, step * 1.0);
    let crack = smooth(0.30, 0.22, clouds().at(along * 0.07 + 0.3, across * 2.6 + seed, step * 2.0));
    let splash =
        smooth(0.75, 0.05, spot.p.y) * smooth(0.38, 0.62, clouds().at(along * 0.3, across * 0.8, step));
    let k = (0.55 + 0.5 * seed) * (0.35 + 0.9 * grain + 0.4 * fine) * (1.0 - 0.6 * crack);
    let wood = (vec3(0.185, 0.132, 0.090) * k).to(vec3(0.40, 0.38, 0.35), splash * 0.75);
    let worn = 1.0 + 0.5 * smooth(0.012, 0.0, edge_distance(&axes, &h, face));
    wood.times(spot.received) * (MATT * worn)
}

/// Distance from a point of a face to that face's nearest edge.
fn edge_distance(at: &[f32; 3], half: &[f32; 3], face: u8) -> f32 {
    (0..3)
        .filter(|&axis| axis != face as usize / 2)
        .map(|axis| half[axis] - at[axis].abs())
        .fold(1.0, f32::min)
}
