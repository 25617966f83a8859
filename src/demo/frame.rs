//! One frame of a plate, from the shed and its people to grain.
//!
//! Knows the order of the work. Does not know other frames: any frame can be made at any time,
//! on any thread, with the same bits.

use half::f16;

use super::body::{Cone, Who, dressed};
use super::camera::{Camera, HEIGHT, WIDTH};
use super::cloth::{Beam, Lighting};
use super::figure::Layer;
use super::film;
use super::gloss::Gloss;
use super::haze::Haze;
use super::light::{NIGHT_FILL, light};
use super::math::{Vec3, clamp01, least, mix, most, smooth, vec3};
use super::plates::DemoPlate;
use super::pole;
use super::set::{GLOBE, MOON, Shed, moonshine, shed};
use super::shadow::Shadow;
use super::sight::{NOTHING, Sight};
use super::smear::{Ways, spread};
use super::strays;
use super::surface::{Mirrored, Scene};
use crate::media::image::{Image, RGBA};

/// Share of a frame's time that the shutter is open: 180 degrees.
pub const SHUTTER: f32 = 0.5;
/// Frames a second.
const RATE: f32 = 24.0;

/// A frame of a plate: linear light with Rec. 709 primaries, R, G, B and an A of 1, 960 × 540.
pub fn frame(plate: &DemoPlate, number: i64) -> Image {
    let picture = picture(plate, number);
    let mut image = Image::new(WIDTH as u32, HEIGHT as u32, &RGBA);
    let mut row = vec![0.0; WIDTH];
    for y in 0..HEIGHT {
        for channel in 0..3 {
            for (value, light) in row.iter_mut().zip(&picture[y * WIDTH..]) {
                *value = [light.x, light.y, light.z][channel];
            }
            image.write_row(channel, y as u32, &row);
        }
    }
    image.samples_mut(3).fill(f16::ONE);
    image
}

/// All people of a plate at a time.
pub fn bodies(plate: &DemoPlate, time: f32) -> Vec<Vec<Cone>> {
    plate
        .people
        .iter()
        .map(|(who, part)| dressed(*who, &part.joints(time), &part.joints(time - 3.0)))
        .collect()
}

fn picture(plate: &DemoPlate, number: i64) -> Vec<Vec3> {
    let (shed, time) = (shed(), plate.time(number));
    let seconds = (time - 1000.0) / RATE;
    let camera = plate.camera.at(time);
    let people = bodies(plate, time);
    let shadow = Shadow::of(shed, &people);
    let scene = Scene { shed, light: light(), shadow: &shadow, seconds };
    let sight = Sight::new(shed, &camera);
    let (radius, focus) = plate.soft;
    let soft = |at: usize| {
        if radius == 0 { 0.0 } else { smooth(0.10, 0.55, (1.0 - focus / sight.depth[at]).abs()) }
    };
    let mut picture = set(&scene, &sight, &camera, &soft);
    strays::mark(&plate.strays, &camera, &sight, &mut picture);
    globes(shed, &sight, &camera, &mut picture);
    if radius > 0 {
        film::defocus(&mut picture, radius, soft);
    }
    let haze = Haze::new(shed, &camera, seconds, plate.steam);
    veil(&haze, &sight, &mut picture);
    people_over(plate, number, &sight, &haze, &mut picture);
    strays::arm(&plate.strays, &mut picture);
    film::bloom(&mut picture);
    picture.iter_mut().for_each(|value| *value = *value * plate.exposure);
    let seed =
        plate.name.bytes().fold(number as u32, |sum, byte| sum.wrapping_mul(131).wrapping_add(byte.into()));
    film::expose(&mut picture, seed, plate.grain);
    picture
}

/// Where within a pixel its four looks go, along edges.
const LOOKS: [(f32, f32); 4] = [(0.375, 0.125), (0.875, 0.375), (0.125, 0.625), (0.625, 0.875)];

/// How far out of focus four pixels may be looked at as one: the lens's blur is wider than they are.
const BLURRED: f32 = 0.7;
/// The same for what four wet pixels mirror.
const SOFT: f32 = 0.25;

/// The empty shed, edges smoothed; `soft` says how far out of focus a pixel is, 0 to 1.
fn set(scene: &Scene, sight: &Sight, camera: &Camera, soft: &impl Fn(usize) -> f32) -> Vec<Vec3> {
    let mut picture = vec![Vec3::default(); WIDTH * HEIGHT];
    let mut gloss = Gloss::new();
    let mut around = Vec::with_capacity(9);
    let mut mirrored = Mirrored::NOTHING;
    for y in (0..HEIGHT).step_by(2) {
        for x in (0..WIDTH).step_by(2) {
            let at = y * WIDTH + x;
            let four = [at, at + 1, at + WIDTH, at + WIDTH + 1];
            let is_blurred = four.iter().all(|&at| soft(at) > BLURRED);
            if is_blurred && let Some((value, shine)) = as_one(scene, sight, camera, (x, y)) {
                four.iter().for_each(|&at| picture[at] = value);
                four.iter().for_each(|&at| gloss.put(at, shine));
                continue;
            }
            let mut last = sight.block[at];
            mirrored.forget();
            mirrored.is_shared = four.iter().all(|&at| soft(at) > SOFT);
            for (at, (x, y)) in four.into_iter().zip([(x, y), (x + 1, y), (x, y + 1), (x + 1, y + 1)]) {
                if !is_blurred {
                    sight.edge(scene.shed, x, y, &mut around);
                }
                picture[at] = if is_blurred || around.is_empty() {
                    if sight.block[at] != last {
                        last = sight.block[at];
                        mirrored.forget();
                    }
                    let middle = (x as f32 + 0.5, y as f32 + 0.5);
                    let block = (sight.block[at], sight.depth[at]);
                    let value = single(scene, camera, block, middle, 1.0, &mut mirrored);
                    gloss.put(at, mirrored.gloss);
                    value
                } else {
                    let (value, shine) = along_edge(scene, camera, &around, (x, y));
                    gloss.put(at, shine);
                    value
                };
            }
        }
    }
    gloss.lay(&mut picture);
    picture
}

/// One look at a block at a depth, through a point of the frame; a pixel counts as `wide` pixels.
fn single(
    scene: &Scene,
    camera: &Camera,
    (block, depth): (u32, f32),
    (x, y): (f32, f32),
    wide: f32,
    mirrored: &mut Mirrored,
) -> Vec3 {
    if block == NOTHING {
        mirrored.gloss = None;
        return Vec3::default();
    }
    scene.seen(block as usize, (camera.eye, camera.ray(x, y)), depth, wide / camera.focal, mirrored)
}

/// Light of a pixel, and what it shines with where it is of the floor.
type Shown = (Vec3, Option<Vec3>);

/// Four pixels that show one surface, looked at once in their middle; none where they do not.
fn as_one(scene: &Scene, sight: &Sight, camera: &Camera, (x, y): (usize, usize)) -> Option<Shown> {
    let at = y * WIDTH + x;
    let four = [at, at + 1, at + WIDTH, at + WIDTH + 1].map(|at| (sight.block[at], sight.depth[at]));
    let (low, high) = four.iter().fold((f32::MAX, 0.0), |(low, high), f| (least(low, f.1), most(high, f.1)));
    let is_one = four.iter().all(|f| f.0 == four[0].0) && high < low * 1.03;
    // Depth on a plane is even in its inverse.
    let depth = 4.0 / four.iter().map(|f| 1.0 / f.1).sum::<f32>();
    let middle = (x as f32 + 1.0, y as f32 + 1.0);
    let mut mirrored = Mirrored::NOTHING;
    let block = (four[0].0, depth);
    is_one.then(|| (single(scene, camera, block, middle, 2.0, &mut mirrored), mirrored.gloss))
}

/// A pixel through which edges run. Looks that meet the same face of the same block are shaded once,
/// by the first of them: what lies within a pixel of one face hardly differs.
fn along_edge(scene: &Scene, camera: &Camera, around: &[u32], pixel: (usize, usize)) -> Shown {
    let mut faces: Vec<(usize, u8)> = Vec::with_capacity(LOOKS.len());
    let mut sum = Vec3::default();
    let mut seen = [Vec3::default(); LOOKS.len()];
    let mut gloss = None;
    for (dx, dy) in LOOKS {
        let ray = camera.ray(pixel.0 as f32 + dx, pixel.1 as f32 + dy);
        let Some((block, depth)) = Sight::nearest(scene.shed, around, camera.eye, ray) else { continue };
        let face = scene.shed.blocks[block].face(camera.eye + ray * depth);
        let known = faces.iter().position(|&f| f == (block, face));
        let index = known.unwrap_or_else(|| {
            let mut mirrored = Mirrored::NOTHING;
            seen[faces.len()] =
                scene.seen(block, (camera.eye, ray), depth, 1.0 / camera.focal, &mut mirrored);
            gloss = gloss.or(mirrored.gloss);
            faces.push((block, face));
            faces.len() - 1
        });
        sum = sum + seen[index];
    }
    (sum * (1.0 / LOOKS.len() as f32), gloss)
}

/// The lamps' globes, with soft rims.
fn globes(shed: &Shed, sight: &Sight, camera: &Camera, picture: &mut [Vec3]) {
    for lamp in &shed.lamps {
        let (cx, cy, depth) = camera.project(lamp.at);
        let radius = GLOBE * camera.focal / most(depth, 0.1);
        if depth < 0.3
            || cx < -radius
            || cy < -radius
            || cx > WIDTH as f32 + radius
            || cy > HEIGHT as f32 + radius
        {
            continue;
        }
        let hold = |v: f32, top: usize| (most(v, 0.0) as usize).min(top);
        for y in hold(cy - radius - 1.0, HEIGHT)..hold(cy + radius + 2.0, HEIGHT) {
            for x in hold(cx - radius - 1.0, WIDTH)..hold(cx + radius + 2.0, WIDTH) {
                let at = y * WIDTH + x;
                let (dx, dy) = (x as f32 + 0.5 - cx, y as f32 + 0.5 - cy);
                let away = (dx * dx + dy * dy).sqrt();
                if sight.depth[at] > depth {
                    let cover = clamp01(radius - away + 0.5);
                    let core = 0.45 + 0.55 * smooth(1.0, 0.2, away / radius);
                    picture[at] = picture[at].to(lamp.strength * (0.85 * core), cover);
                }
            }
        }
    }
}

/// Lays the air over the shed.
fn veil(haze: &Haze, sight: &Sight, picture: &mut [Vec3]) {
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let at = y * WIDTH + x;
            let (added, through) = haze.at(x as f32 + 0.5, y as f32 + 0.5, sight.depth[at]);
            picture[at] = picture[at] * through + added;
        }
    }
}

/// The lights that reach somebody standing around a point.
fn lighting(shed: &Shed, at: Vec3) -> Lighting {
    let heights = [0.3, 0.9, 1.5].map(|y| vec3(at.x, y, at.z));
    let mut beams = vec![];
    for lamp in &shed.lamps {
        let d = lamp.at - heights[1];
        let square = d.dot(d);
        if square > 200.0 {
            continue;
        }
        let seen = heights.iter().filter(|&&p| !shed.shaded(p, lamp.at - p, 0.95)).count();
        if seen > 0 {
            let beam = Beam { from: lamp.at, strength: lamp.strength * (seen as f32 / 3.0), even: false };
            beams.push((beam.strength.x / square, beam));
        }
    }
    // The strongest are worked out one by one; the others, far off, come together as fill.
    beams.sort_by(|a, b| b.0.total_cmp(&a.0));
    let far = beams.split_off(beams.len().min(5));
    let far = far.iter().fold(Vec3::default(), |sum, (_, beam)| {
        let d = beam.from - heights[1];
        sum + beam.strength * (0.35 / d.dot(d))
    });
    let mut beams: Vec<Beam> = beams.into_iter().map(|(_, beam)| beam).collect();
    let moon = heights.iter().map(|&p| moonshine(p)).sum::<f32>() / 3.0;
    // Sky seen through the skylights rims a body even where the moon's own beam misses it.
    beams.push(Beam { from: at + MOON.0 * 60.0, strength: MOON.1 * (0.20 + 0.9 * moon), even: true });
    let floor = light().at(shed, 0, 3, vec3(at.x, 0.0, at.z));
    let fill = (NIGHT_FILL * 2.0 + floor * 0.03 + far * 0.5, floor * 0.16 + NIGHT_FILL + far * 0.5);
    Lighting { beams, fill }
}

/// How long a plate's shutter is open, in twenty-fourths of a second.
pub fn open(plate: &DemoPlate) -> f32 {
    SHUTTER / plate.pace as f32
}

/// How many instants of the open shutter are drawn: more the faster the poles move.
fn instants(plate: &DemoPlate, number: i64) -> usize {
    let (open, close) = (plate.time(number) - open(plate) * 0.5, plate.time(number) + open(plate) * 0.5);
    let (before, after) = (plate.camera.at(open), plate.camera.at(close));
    let mut most_moved = 0.0;
    for (_, part) in &plate.people {
        let (a, b) = (part.joints(open), part.joints(close));
        for (p, q) in
            [(a.hands[1], b.hands[1]), (a.head, b.head), (a.toes[0], b.toes[0]), (a.toes[1], b.toes[1])]
        {
            let (p, q) = (before.project(p), after.project(q));
            most_moved = most(most_moved, (p.0 - q.0).abs() + (p.1 - q.1).abs());
        }
    }
    4 + most(0.0, (most_moved - 4.0) * 0.3).min(6.0) as usize
}

/// Draws everyone, blurred by the shutter, over the picture.
fn people_over(plate: &DemoPlate, number: i64, sight: &Sight, haze: &Haze, picture: &mut [Vec3]) {
    if plate.people.is_empty() {
        return;
    }
    let (time, open) = (plate.time(number), open(plate));
    let count = instants(plate, number);
    let lights: Vec<Lighting> =
        plate.people.iter().map(|(_, part)| lighting(shed(), part.joints(time).hips)).collect();
    let mut layer = Layer::new();
    let mut sum = vec![[0.0_f32; 4]; WIDTH * HEIGHT];
    let share = 1.0 / count as f32;
    for instant in 0..count {
        let u = (instant as f32 + 0.5) / count as f32 - 0.5;
        let at = time + u * open;
        let camera = plate.camera.at(at);
        let offset = (halton(instant + 1, 2), halton(instant + 1, 3));
        layer.clear();
        for ((who, _), (cones, lighting)) in plate.people.iter().zip(bodies(plate, at).iter().zip(&lights)) {
            layer.draw(&camera, offset, *who, cones, lighting);
        }
        let [begins, ends] = [-0.5, 0.5].map(|side| at + side * share * open);
        let [before, after] = [begins, ends].map(|time| (plate.camera.at(time), bodies(plate, time)));
        Ways::new((&before.0, &before.1), (&after.0, &after.1)).add(&layer, sight, share, &mut sum);
        pole::draw((plate, &plate.people), &lights, (at, open * share), share, &layer, sight, &mut sum);
    }
    spread(&mut sum);
    for (at, [r, g, b, a]) in sum.into_iter().enumerate() {
        if a > 0.0 {
            let (x, y) = ((at % WIDTH) as f32 + 0.5, (at / WIDTH) as f32 + 0.5);
            let depth = plate_depth(plate);
            let (added, through) = haze.at(x, y, depth.min(sight.depth[at]));
            let a = clamp01(a);
            picture[at] = picture[at] * (1.0 - a) + vec3(r, g, b) * through + added * a;
        }
    }
}

/// A depth that stands for the people of a plate when air is laid before them.
fn plate_depth(plate: &DemoPlate) -> f32 {
    let eye = mixed(plate.camera.eye.0, plate.camera.eye.1);
    let sum: f32 = plate.people.iter().map(|(_, part)| (part.spot - eye).length()).sum();
    sum / plate.people.len() as f32
}

fn mixed(a: Vec3, b: Vec3) -> Vec3 {
    vec3(mix(a.x, b.x, 0.5), mix(a.y, b.y, 0.5), mix(a.z, b.z, 0.5))
}

/// The `index`-th number of the Halton sequence of a base: evenly spread between 0 and 1.
pub fn halton(mut index: usize, base: usize) -> f32 {
    let (mut sum, mut digit) = (0.0, 1.0 / base as f32);
    while index > 0 {
        sum += (index % base) as f32 * digit;
        index /= base;
        digit /= base as f32;
    }
    sum
}

/// Whether somebody carries a pole.
pub fn armed(who: Who) -> bool {
    who != Who::Crew
}
