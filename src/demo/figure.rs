//! People before the camera: rounded cones melted into one skin, walked by rays eight at a time.
//!
//! Knows distance fields, tiles of the frame, cloth under light. Does not know poses or the shed.

use super::body::{Cloth, Cone, Who, colour};
use super::camera::{Camera, HEIGHT, WIDTH};
use super::cloth::{Drape, Eights, Lighting, Touch, gloss};
use super::footprint::footprint;
use super::groups::{Eight, LANES, each};
use super::math::{Vec3, clamp01, least, most, vec3};
use crate::base::level::{Level, kernel};

/// How far off a cone may still darken a point noticeably, in metres.
const REACH: f32 = 0.20;
/// Most steps of a walk.
const STEPS: usize = 22;

/// One picture of people: colour, and depth where someone is seen.
pub struct Layer {
    /// Colours.
    pub colour: Vec<Vec3>,
    /// Depths in metres; 1e6 where no one is.
    pub depth: Vec<f32>,
    /// Whose skin it is where someone is seen: the number of the person, as drawn since all were taken out, and of the
    /// cone.
    pub own: Vec<(u8, u8)>,
    /// People drawn since then.
    drawn: u8,
    /// Tiles that hold anything, by number.
    touched: Vec<u32>,
    /// The vector instructions that tiles are drawn with.
    level: Level,
}

/// A tile is as many pixels a side as are walked together.
const TILES_ACROSS: usize = WIDTH / LANES;

/// A cone made ready: start, axis, inverse square of its length, radii.
#[derive(Clone, Copy, Debug, Default)]
struct Ready {
    a: Vec3,
    axis: Vec3,
    inverse: f32,
    radius: f32,
    grows: f32,
    melt: f32,
    /// A quarter of the inverse of `melt`, and the inverse of how far normals blend.
    merge: f32,
    soft: f32,
}

impl Ready {
    fn new(cone: &Cone) -> Self {
        let axis = cone.b - cone.a;
        let square = axis.dot(axis);
        let inverse = if square > 1e-10 { 1.0 / square } else { 0.0 };
        let (radius, grows, melt) = (cone.radii.0, cone.radii.1 - cone.radii.0, cone.melt());
        Ready { a: cone.a, axis, inverse, radius, grows, melt, merge: 0.25 / melt, soft: 1.14 / melt }
    }
}

/// Distances to the melted skin from eight points.
#[inline(always)]
fn field(cones: &[Ready], p: &Eights) -> Eight {
    let mut d = [10.0_f32; LANES];
    for c in cones {
        for l in 0..LANES {
            let (x, y, z) = (p[0][l] - c.a.x, p[1][l] - c.a.y, p[2][l] - c.a.z);
            let u = clamp01((x * c.axis.x + y * c.axis.y + z * c.axis.z) * c.inverse);
            let (x, y, z) = (x - c.axis.x * u, y - c.axis.y * u, z - c.axis.z * u);
            let own = (x * x + y * y + z * z).sqrt() - c.radius - c.grows * u;
            let gap = d[l] - own;
            let near = most(c.melt - most(gap, -gap), 0.0);
            d[l] = least(d[l], own) - near * near * c.merge;
        }
    }
    d
}

/// What the skin of a cone is like.
#[derive(Clone, Copy)]
struct Surface {
    colour: Vec3,
    drape: Drape,
    skin: f32,
    gloss: f32,
}

/// One person ready to be drawn.
struct Person<'a> {
    ready: Vec<Ready>,
    surfaces: Vec<Surface>,
    lighting: &'a Lighting,
}

impl<'a> Person<'a> {
    fn new(who: Who, cones: &[Cone], lighting: &'a Lighting) -> Self {
        let surface = |cone: &Cone| Surface {
            colour: colour(who, cone.cloth),
            drape: Drape::of(cone),
            skin: if matches!(cone.cloth, Cloth::Skin | Cloth::Lip) { 1.0 } else { 0.0 },
            gloss: gloss(cone.cloth),
        };
        Person {
            ready: cones.iter().map(Ready::new).collect(),
            surfaces: cones.iter().map(surface).collect(),
            lighting,
        }
    }
}

impl Layer {
    /// An empty layer.
    pub fn new() -> Self {
        Layer {
            colour: vec![Vec3::default(); WIDTH * HEIGHT],
            depth: vec![1e6; WIDTH * HEIGHT],
            own: vec![(0, 0); WIDTH * HEIGHT],
            drawn: 0,
            touched: vec![],
            level: Level::best(),
        }
    }

    /// Takes everyone out again.
    pub fn clear(&mut self) {
        self.drawn = 0;
        for tile in std::mem::take(&mut self.touched) {
            for (y, columns) in tile_rows(tile) {
                self.depth[y * WIDTH + columns..][..LANES].fill(1e6);
            }
        }
    }

    /// Calls `visit` with the index of every pixel that holds someone.
    pub fn each(&self, mut visit: impl FnMut(usize)) {
        let mut tiles = self.touched.clone();
        tiles.sort_unstable();
        tiles.dedup();
        for tile in tiles {
            for (y, column) in tile_rows(tile) {
                for at in y * WIDTH + column..y * WIDTH + column + LANES {
                    if self.depth[at] < 1e5 {
                        visit(at);
                    }
                }
            }
        }
    }

    /// Draws one person, seen through points offset within each pixel.
    pub fn draw(
        &mut self,
        camera: &Camera,
        offset: (f32, f32),
        who: Who,
        cones: &[Cone],
        lighting: &Lighting,
    ) {
        let person = Person::new(who, cones, lighting);
        let (ends, [left, right, top, bottom]) = footprint(camera, cones);
        let (mut list, mut wider) = (Vec::with_capacity(cones.len()), Vec::with_capacity(cones.len()));
        let around = REACH * camera.focal / most(ends.iter().map(|end| end.depth).fold(f32::MAX, least), 0.3);
        for row in top / LANES..bottom.div_ceil(LANES) {
            for column in left / LANES..right.div_ceil(LANES) {
                let middle = ((column * LANES + 4) as f32, (row * LANES + 4) as f32);
                list.clear();
                wider.clear();
                let (mut near, mut far) = (f32::MAX, 0.0);
                for (index, end) in ends.iter().enumerate() {
                    let away = end.beyond(middle);
                    if away < 0.0 {
                        list.push(index);
                        near = least(near, end.depth);
                        far = most(far, end.far);
                    }
                    if away < around {
                        wider.push(person.ready[index]);
                    }
                }
                if !list.is_empty() && near > 0.1 {
                    self.touched.push((row * TILES_ACROSS + column) as u32);
                    let tile = Patch { list: &list, wider: &wider, depths: (near, far), at: (column, row) };
                    draw_tile(self.level, self, camera, offset, &person, &tile);
                }
            }
        }
        self.drawn += 1;
    }
}

kernel! {
    /// Draws one tile, a row of pixels at a time.
    fn draw_tile(layer: &mut Layer, camera: &Camera, offset: (f32, f32), person: &Person, tile: &Patch) {
        let cones: Vec<Ready> = tile.list.iter().map(|&index| person.ready[index]).collect();
        let x = tile.at.0 * LANES;
        for y in tile.at.1 * LANES..((tile.at.1 + 1) * LANES).min(HEIGHT) {
            let first = camera.ray(x as f32 + offset.0, y as f32 + offset.1);
            let step = camera.right * (1.0 / camera.focal);
            let rays = [(first.x, step.x), (first.y, step.y), (first.z, step.z)]
                .map(|(first, step)| each(|l| first + step * l as f32));
            let long = each(|l| {
                (rays[0][l] * rays[0][l] + rays[1][l] * rays[1][l] + rays[2][l] * rays[2][l]).sqrt()
            });
            let (t, mut hit) = walk(&cones, camera.eye, &rays, &long, tile.depths);
            let at = y * WIDTH + x;
            for l in 0..LANES {
                hit[l] &= t[l] < layer.depth[at + l];
            }
            if !hit.contains(&true) {
                continue;
            }
            let p = places(camera.eye, &rays, &t);
            let look = rays.map(|axis| each(|l| axis[l] / long[l]));
            let skin = person.skin(tile.list, &cones, &p);
            let open = openness(tile.wider, &p, &skin.normal);
            let [red, green, blue] = person.shade(&skin, &p, &look, open);
            for l in (0..LANES).filter(|&l| hit[l]) {
                layer.depth[at + l] = t[l];
                layer.own[at + l] = (layer.drawn, skin.own[l] as u8);
                layer.colour[at + l] = vec3(red[l], green[l], blue[l]);
            }
        }
    }
}

/// A tile at work: the cones that may touch it, those that may darken it, their nearest and furthest depths,
/// and its column and row.
struct Patch<'a> {
    list: &'a [usize],
    wider: &'a [Ready],
    depths: (f32, f32),
    at: (usize, usize),
}

/// What eight points of the skin are like.
struct Skin {
    normal: Eights,
    tint: Eights,
    own: [usize; LANES],
}

/// The rows of a tile: each row's number and the tile's first column.
fn tile_rows(tile: u32) -> impl Iterator<Item = (usize, usize)> {
    let (row, column) = (tile as usize / TILES_ACROSS, tile as usize % TILES_ACROSS);
    (row * LANES..((row + 1) * LANES).min(HEIGHT)).map(move |y| (y, column * LANES))
}

/// Where eight rays are at their depths.
#[inline(always)]
fn places(eye: Vec3, rays: &Eights, t: &Eight) -> Eights {
    let eye = [eye.x, eye.y, eye.z];
    std::array::from_fn(|axis| each(|l| eye[axis] + rays[axis][l] * t[l]))
}

/// Walks eight rays, of these lengths, to the skin: depths, and which of them arrive.
#[inline(always)]
fn walk(
    cones: &[Ready],
    eye: Vec3,
    rays: &Eights,
    long: &Eight,
    (near, far): (f32, f32),
) -> (Eight, [bool; LANES]) {
    let mut t = [near; LANES];
    let mut d = [0.0; LANES];
    // Depth runs slower than length off the axis; and the melted field is a little short.
    let pace = each(|l| 0.98 / long[l]);
    let fine = near * 0.0004;
    for _ in 0..STEPS {
        d = field(cones, &places(eye, rays, &t));
        for l in 0..LANES {
            t[l] += d[l] * pace[l];
        }
        if d.iter().zip(&t).all(|(d, t)| *d < fine || *t > far) {
            break;
        }
    }
    let hit = std::array::from_fn(|l| d[l] < fine * 4.0 && t[l] < far);
    (t, hit)
}

impl Person<'_> {
    /// Normals and colours of eight points, blended where cones melt together.
    #[inline(always)]
    fn skin(&self, list: &[usize], cones: &[Ready], p: &Eights) -> Skin {
        let (mut n, mut tint) = ([[0.0_f32; LANES]; 3], [[0.0_f32; LANES]; 4]);
        let (mut nearest, mut own) = ([f32::MAX; LANES], [0_u32; LANES]);
        for (c, &index) in cones.iter().zip(list) {
            let colour = self.surfaces[index].colour;
            for l in 0..LANES {
                let (x, y, z) = (p[0][l] - c.a.x, p[1][l] - c.a.y, p[2][l] - c.a.z);
                let u = clamp01((x * c.axis.x + y * c.axis.y + z * c.axis.z) * c.inverse);
                let (x, y, z) = (x - c.axis.x * u, y - c.axis.y * u, z - c.axis.z * u);
                let length = (x * x + y * y + z * z).sqrt();
                let d = length - c.radius - c.grows * u;
                let k = most(1.0 - d * c.soft, 0.0);
                let share = (k * k + 1e-5) / most(length, 1e-4);
                n[0][l] += x * share;
                n[1][l] += y * share;
                n[2][l] += z * share;
                // Colours keep sharp borders: only a thin line of them blends.
                let sharp = most(1.0 - most(d, 0.0) * 250.0, 0.0) + 1e-4;
                tint[0][l] += colour.x * sharp;
                tint[1][l] += colour.y * sharp;
                tint[2][l] += colour.z * sharp;
                tint[3][l] += sharp;
                own[l] = if d < nearest[l] { index as u32 } else { own[l] };
                nearest[l] = least(nearest[l], d);
            }
        }
        let inverse = each(|l| {
            let square = n[0][l] * n[0][l] + n[1][l] * n[1][l] + n[2][l] * n[2][l];
            1.0 / most(square, 1e-24).sqrt()
        });
        Skin {
            normal: n.map(|axis| each(|l| axis[l] * inverse[l])),
            tint: std::array::from_fn(|c| each(|l| tint[c][l] / tint[3][l])),
            own: own.map(|index| index as usize),
        }
    }

    /// Light towards the eye from eight points of the skin: red, green, blue.
    #[inline(always)]
    fn shade(&self, skin: &Skin, p: &Eights, look: &Eights, open: Eight) -> Eights {
        let mut touch = Touch {
            p: *p,
            look: *look,
            normal: skin.normal,
            tint: skin.tint,
            open,
            skin: [0.0; LANES],
            gloss: [0.0; LANES],
        };
        for l in 0..LANES {
            let surface = &self.surfaces[skin.own[l]];
            let [at, normal] = [p, &skin.normal].map(|v| vec3(v[0][l], v[1][l], v[2][l]));
            let (normal, tone) = surface.drape.relief(at, normal);
            (touch.skin[l], touch.gloss[l]) = (surface.skin, surface.gloss);
            for (c, value) in [normal.x, normal.y, normal.z].into_iter().enumerate() {
                touch.normal[c][l] = value;
                touch.tint[c][l] *= tone;
            }
        }
        self.lighting.lit(&touch)
    }
}

/// Share of the surroundings that each of eight points sees past the rest of the body.
#[inline(always)]
fn openness(cones: &[Ready], p: &Eights, normal: &Eights) -> Eight {
    let mut open = [1.0_f32; LANES];
    for far in [0.05_f32, 0.14] {
        let q: Eights = std::array::from_fn(|axis| each(|l| p[axis][l] + normal[axis][l] * far));
        let mut d = [far; LANES];
        for c in cones {
            for l in 0..LANES {
                let (x, y, z) = (q[0][l] - c.a.x, q[1][l] - c.a.y, q[2][l] - c.a.z);
                let u = clamp01((x * c.axis.x + y * c.axis.y + z * c.axis.z) * c.inverse);
                let (x, y, z) = (x - c.axis.x * u, y - c.axis.y * u, z - c.axis.z * u);
                d[l] = least(d[l], (x * x + y * y + z * z).sqrt() - c.radius - c.grows * u);
            }
        }
        for l in 0..LANES {
            open[l] -= clamp01((far - d[l]) / far) * 0.54;
        }
    }
    open.map(|open| most(open, 0.12))
}

#[cfg(test)]
mod tests {
    use super::super::body::{Cloth, Limb};
    use super::*;

    /// A frame has the same bits on every machine, whatever vector instructions it has.
    #[test]
    fn every_level_of_vector_instructions_draws_the_same() {
        let plates = super::super::plates::plates();
        let plate = plates.iter().find(|plate| plate.name == "duel-close").unwrap();
        let (camera, bodies) = (plate.camera.at(1018.0), super::super::frame::bodies(plate, 1018.0));
        let beam = super::super::cloth::Beam {
            from: vec3(-0.9, 3.3, 5.0),
            strength: vec3(9.0, 6.0, 3.0),
            even: false,
        };
        let lighting = Lighting { beams: vec![beam], fill: (vec3(0.1, 0.1, 0.2), vec3(0.05, 0.04, 0.03)) };
        let drawn = |level: Level| {
            let mut layer = Layer { level, ..Layer::new() };
            layer.draw(&camera, (0.5, 0.5), Who::Keeper, &bodies[0], &lighting);
            layer
                .depth
                .iter()
                .chain(layer.colour.iter().map(|c| &c.y))
                .map(|v| v.to_bits())
                .collect::<Vec<u32>>()
        };
        let plain = drawn(Level::PLAIN);
        assert!(Level::all_here().into_iter().all(|level| drawn(level) == plain));
    }

    #[test]
    fn a_ball_is_drawn_round_and_at_its_depth() {
        let camera = Camera::looking(vec3(0.0, 1.0, 0.0), vec3(0.0, 1.0, 5.0), 0.0, 500.0);
        let at = vec3(0.0, 1.0, 5.0);
        let ball = Cone { a: at, b: at, radii: (0.5, 0.5), cloth: Cloth::Skin, limb: Limb::Head };
        let lighting = Lighting { beams: vec![], fill: (vec3(1.0, 1.0, 1.0), Vec3::default()) };
        let mut layer = Layer::new();
        layer.draw(&camera, (0.5, 0.5), Who::Crew, &[ball], &lighting);
        let mut count = 0;
        layer.each(|_| count += 1);
        // The limb of a ball of radius r at distance d is seen under the angle asin(r / d).
        let radius = 500.0 * 0.1 / (1.0_f32 - 0.01).sqrt();
        let area = std::f32::consts::PI * radius * radius;
        assert!((count as f32 - area).abs() < area * 0.03, "{count} pixels, {area} expected");
        assert!((layer.depth[270 * WIDTH + 480] - 4.5).abs() < 0.01);
        layer.clear();
        assert!(layer.depth.iter().all(|&d| d > 1e5));
    }
}
