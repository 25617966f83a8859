//! How the salt shed is built: timber, floor, channel, heaps, lamps, in metres.
//!
//! Knows where everything stands. Does not know rays, light or cameras. The shed runs along z
//! from the door at -8 to the far gate at 35; the brine channel lies right of the middle aisle.

use super::math::{Vec3, clamp01, least, most, vec3};
use super::noise::{clouds, grit};
use super::set::{Block, Lamp, Stuff};

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
pub fn heap_height(x: f32, z: f32) -> f32 {
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
    let mut roofs =
        [beam((-7.3, 3.26), (0.05, 6.22), 15.0, 0.1, 46.0), beam((0.0, 6.2), (7.3, 3.26), 15.0, 0.1, 46.0)];
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
    let warm = vec3(1.0, 0.60, 0.29);
    let mut lamps = vec![];
    for (side, z, strength) in [
        (-1.0, 0.0, 6.0),
        (1.0, 4.0, 6.5),
        (-1.0, 8.0, 15.0),
        (1.0, 12.0, 14.0),
        (-1.0, 16.0, 11.0),
        (1.0, 20.0, 12.0),
        (-1.0, 24.0, 11.0),
        (1.0, 28.0, 11.0),
    ] {
        lamps.push(Lamp { at: vec3(side * 3.1, 2.38, z), strength: warm * strength });
    }
    for (x, z, strength) in [(-0.9, 12.0, 17.0), (-0.6, 20.0, 13.0), (-0.4, 28.0, 11.0)] {
        lamps.push(Lamp { at: vec3(x, 3.35, z), strength: vec3(1.0, 0.66, 0.36) * strength });
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

/// Everything that stands in the shed, and its lamps.
pub fn contents() -> (Vec<Block>, Vec<Lamp>) {
    let lamps = lamps();
    let mut blocks = shell();
    blocks.extend(frame());
    blocks.extend(clutter());
    blocks.extend(fittings(&lamps));
    for [x, z, radius, top] in HEAPS {
        let wide = radius * 1.35;
        let (low, high) = ([x - wide, 0.0, z - wide], [x + wide, top + 0.15, z + wide]);
        blocks.push(block(Stuff::Salt, low, high));
    }
    (blocks, lamps)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turned_beams_are_met_on_their_own_faces() {
        let brace = beam((0.0, 0.0), (3.0, 4.0), 2.0, 0.2, 0.2);
        let (enter, leave) = brace.span(vec3(1.5, 2.0, 0.0), vec3(0.0, 0.0, 1.0));
        assert!((enter - 1.9).abs() < 1e-5 && (leave - 2.1).abs() < 1e-5);
        assert_eq!(brace.face(vec3(1.5, 2.0, 1.9)), 4);
    }

    #[test]
    fn no_lamp_hangs_inside_a_block() {
        let (blocks, lamps) = contents();
        for lamp in lamps {
            let inside = |b: &Block| {
                let q = b.inward(lamp.at - b.centre);
                q.x.abs() < b.half.x && q.y.abs() < b.half.y && q.z.abs() < b.half.z
            };
            assert!(!blocks.iter().any(inside), "{lamp:?}");
        }
    }
}
