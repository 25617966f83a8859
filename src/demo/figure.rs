//! People before the camera: rounded cones melted into one skin, walked by rays eight at a time.
//!
//! Knows distance fields, tiles of the frame, cloth under light. Does not know poses or the shed.

use super::body::{Cone, Who, colour};
use super::camera::{Camera, HEIGHT, WIDTH};
use super::math::{Vec3, clamp01, least, most, vec3};
use super::noise::{clouds, grit};

/// Pixels walked together, and a tile's side.
const LANES: usize = 8;
/// How far apart two cones still melt together, in metres.
const MELT: f32 = 0.040;
/// Most steps of a walk.
const STEPS: usize = 22;

/// A light as a person receives it.
#[derive(Clone, Copy, Debug)]
pub struct Beam {
    /// Where it comes from: a place, or for the moon a very distant one.
    pub from: Vec3,
    /// Strength by colour over the square of the distance; of the moon, as it is.
    pub strength: Vec3,
    /// True when distance does not weaken it.
    pub even: bool,
}

/// What lights a person.
#[derive(Clone, Debug)]
pub struct Lighting {
    /// Lights.
    pub beams: Vec<Beam>,
    /// Light from above and from below that no one light explains.
    pub fill: (Vec3, Vec3),
}

/// One picture of people: colour, and depth where someone is seen.
pub struct Layer {
    /// Colours.
    pub colour: Vec<Vec3>,
    /// Depths in metres; 1e6 where no one is.
    pub depth: Vec<f32>,
    /// Tiles that hold anything, by number.
    touched: Vec<u32>,
}

const TILES_ACROSS: usize = WIDTH / LANES;
const TILES_DOWN: usize = HEIGHT.div_ceil(LANES);

/// A cone made ready: start, axis, inverse square of its length, radii.
#[derive(Clone, Copy, Debug, Default)]
struct Ready {
    a: Vec3,
    axis: Vec3,
    inverse: f32,
    radius: f32,
    grows: f32,
}

impl Ready {
    fn new(cone: &Cone) -> Self {
        let axis = cone.b - cone.a;
        let square = axis.dot(axis);
        let inverse = if square > 1e-10 { 1.0 / square } else { 0.0 };
        Ready { a: cone.a, axis, inverse, radius: cone.radii.0, grows: cone.radii.1 - cone.radii.0 }
    }

    /// Distance to its surface, and the nearest point of its axis.
    fn reach(&self, p: Vec3) -> (f32, Vec3) {
        let q = p - self.a;
        let u = clamp01(q.dot(self.axis) * self.inverse);
        let near = self.axis * u;
        ((q - near).length() - self.radius - self.grows * u, self.a + near)
    }
}

/// Distances to the melted skin from eight points.
#[inline(always)]
fn field(cones: &[Ready], p: &[[f32; LANES]; 3]) -> [f32; LANES] {
    let mut d = [10.0_f32; LANES];
    for c in cones {
        for l in 0..LANES {
            let (x, y, z) = (p[0][l] - c.a.x, p[1][l] - c.a.y, p[2][l] - c.a.z);
            let u = clamp01((x * c.axis.x + y * c.axis.y + z * c.axis.z) * c.inverse);
            let (x, y, z) = (x - c.axis.x * u, y - c.axis.y * u, z - c.axis.z * u);
            let own = (x * x + y * y + z * z).sqrt() - c.radius - c.grows * u;
            let gap = d[l] - own;
            let near = most(MELT - most(gap, -gap), 0.0);
            d[l] = least(d[l], own) - near * near * (0.25 / MELT);
        }
    }
    d
}

/// One person ready to be drawn.
struct Person<'a> {
    who: Who,
    cones: &'a [Cone],
    ready: Vec<Ready>,
    lighting: &'a Lighting,
}

impl Layer {
    /// An empty layer.
    pub fn new() -> Self {
        Layer { colour: vec![Vec3::default(); WIDTH * HEIGHT], depth: vec![1e6; WIDTH * HEIGHT], touched: vec![] }
    }

    /// Takes everyone out again.
    pub fn clear(&mut self) {
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
    pub fn draw(&mut self, camera: &Camera, offset: (f32, f32), who: Who, cones: &[Cone], lighting: &Lighting) {
        let person = Person { who, cones, ready: cones.iter().map(Ready::new).collect(), lighting };
        let (ends, [left, right, top, bottom]) = footprint(camera, cones);
        let mut list = Vec::with_capacity(cones.len());
        for row in top / LANES..bottom.div_ceil(LANES) {
            for column in left / LANES..right.div_ceil(LANES) {
                let middle = ((column * LANES + 4) as f32, (row * LANES + 4) as f32);
                list.clear();
                let mut near = f32::MAX;
                for (index, end) in ends.iter().enumerate() {
                    if end.near_tile(middle) {
                        list.push(index);
                        near = least(near, end.depth);
                    }
                }
                if !list.is_empty() && near > 0.1 {
                    self.touched.push((row * TILES_ACROSS + column) as u32);
                    self.tile(camera, offset, &person, &list, (column, row), near);
                }
            }
        }
    }

    /// Draws one tile with the cones that may touch it.
    fn tile(
        &mut self,
        camera: &Camera,
        offset: (f32, f32),
        person: &Person,
        list: &[usize],
        tile: (usize, usize),
        near: f32,
    ) {
        let cones: Vec<Ready> = list.iter().map(|&index| person.ready[index]).collect();
        for y in tile.1 * LANES..((tile.1 + 1) * LANES).min(HEIGHT) {
            let x = tile.0 * LANES;
            let first = camera.ray(x as f32 + offset.0, y as f32 + offset.1);
            let step = camera.right * (1.0 / camera.focal);
            let rays: [Vec3; LANES] = std::array::from_fn(|l| first + step * l as f32);
            let (t, hit) = walk(&cones, camera.eye, &rays, near);
            for l in 0..LANES {
                let at = y * WIDTH + x + l;
                if hit[l] && t[l] < self.depth[at] {
                    self.depth[at] = t[l];
                    self.colour[at] = person.shade(list, camera.eye + rays[l] * t[l], rays[l].unit());
                }
            }
        }
    }
}

/// The rows of a tile: each row's number and the tile's first column.
fn tile_rows(tile: u32) -> impl Iterator<Item = (usize, usize)> {
    let (row, column) = (tile as usize / TILES_ACROSS, tile as usize % TILES_ACROSS);
    (row * LANES..((row + 1) * LANES).min(HEIGHT)).map(move |y| (y, column * LANES))
}

/// Walks eight rays to the skin: depths, and which of them arrive.
fn walk(cones: &[Ready], eye: Vec3, rays: &[Vec3; LANES], near: f32) -> ([f32; LANES], [bool; LANES]) {
    let mut t = [near; LANES];
    let mut d = [0.0; LANES];
    // Depth runs slower than length off the axis; and the melted field is a little short.
    let pace: [f32; LANES] = std::array::from_fn(|l| 0.98 / rays[l].length());
    let fine = near * 0.0004;
    for _ in 0..STEPS {
        let mut p = [[0.0; LANES]; 3];
        for l in 0..LANES {
            p[0][l] = eye.x + rays[l].x * t[l];
            p[1][l] = eye.y + rays[l].y * t[l];
            p[2][l] = eye.z + rays[l].z * t[l];
        }
        d = field(cones, &p);
        for l in 0..LANES {
            t[l] += d[l] * pace[l];
        }
        if d.iter().zip(&t).all(|(d, t)| *d < fine || *t > near + 2.5) {
            break;
        }
    }
    let hit = std::array::from_fn(|l| d[l] < fine * 4.0 && t[l] < near + 2.5);
    (t, hit)
}

/// A cone as it falls in the frame: both ends, a width that covers it, and its nearest depth.
struct End {
    a: (f32, f32),
    b: (f32, f32),
    wide: f32,
    depth: f32,
}

impl End {
    fn near_tile(&self, p: (f32, f32)) -> bool {
        let (dx, dy) = (self.b.0 - self.a.0, self.b.1 - self.a.1);
        let (qx, qy) = (p.0 - self.a.0, p.1 - self.a.1);
        let square = dx * dx + dy * dy;
        let u = if square > 1e-6 { clamp01((qx * dx + qy * dy) / square) } else { 0.0 };
        let (ox, oy) = (qx - dx * u, qy - dy * u);
        let reach = self.wide + 6.5;
        ox * ox + oy * oy < reach * reach
    }
}

/// All cones in the frame, and the pixels that hold them: left, right, top, bottom.
fn footprint(camera: &Camera, cones: &[Cone]) -> (Vec<End>, [usize; 4]) {
    let mut all = [WIDTH as f32, 0.0, HEIGHT as f32, 0.0];
    let ends: Vec<End> = cones
        .iter()
        .map(|cone| {
            let (ax, ay, ad) = camera.project(cone.a);
            let (bx, by, bd) = camera.project(cone.b);
            let thick = most(cone.radii.0, cone.radii.1) + MELT * 0.3;
            let depth = least(ad, bd) - thick;
            let wide = thick * camera.focal / most(depth, 0.1) * 1.06;
            let end = End { a: (ax, ay), b: (bx, by), wide, depth };
            all[0] = least(all[0], least(ax, bx) - wide);
            all[1] = most(all[1], most(ax, bx) + wide);
            all[2] = least(all[2], least(ay, by) - wide);
            all[3] = most(all[3], most(ay, by) + wide);
            end
        })
        .collect();
    let hold = |v: f32, most_of: usize| least(most(v, 0.0), most_of as f32) as usize;
    (ends, [hold(all[0], WIDTH), hold(all[1], WIDTH), hold(all[2], HEIGHT), hold(all[3], HEIGHT)])
}

impl Person<'_> {
    /// Light towards the eye from a point of the skin.
    fn shade(&self, list: &[usize], p: Vec3, look: Vec3) -> Vec3 {
        let (mut normal, mut tint, mut weight) = (Vec3::default(), Vec3::default(), 0.0);
        let (mut nearest, mut own) = (f32::MAX, list[0]);
        for &index in list {
            let (d, axis) = self.ready[index].reach(p);
            let k = most(1.0 - d / 0.035, 0.0);
            let share = k * k + 1e-5;
            normal = normal + (p - axis).unit() * share;
            // Colours keep sharp borders: only a thin line of them blends.
            let sharp = most(1.0 - most(d, 0.0) / 0.006, 0.0) + 1e-4;
            tint = tint + colour(self.who, self.cones[index].cloth) * sharp;
            weight += sharp;
            if d < nearest {
                (nearest, own) = (d, index);
            }
        }
        let tint = tint * (1.0 / weight);
        let cone = &self.cones[own];
        let (normal, tone) = cloth_relief(cone, p, normal.unit());
        let open = self.openness(p, normal);
        self.lit(cone, p, look, normal, tint * tone, open)
    }

    /// Share of the surroundings that a point sees past the rest of the body.
    fn openness(&self, p: Vec3, normal: Vec3) -> f32 {
        let mut open = 1.0;
        for (far, weight) in [(0.05, 0.9), (0.14, 0.9)] {
            let q = p + normal * far;
            let d = self.ready.iter().map(|c| c.reach(q).0).fold(10.0, least);
            open -= clamp01((far - d) / far) * weight * 0.6;
        }
        most(open, 0.12)
    }

    /// Adds up the lights.
    fn lit(&self, cone: &Cone, p: Vec3, look: Vec3, normal: Vec3, tint: Vec3, open: f32) -> Vec3 {
        let skin = cone.cloth == super::body::Cloth::Skin;
        let leather = matches!(cone.cloth, super::body::Cloth::Leather | super::body::Cloth::Glove);
        let rim = 1.0 - clamp01(-look.dot(normal));
        let fuzz = rim * rim * rim;
        let (above, below) = self.lighting.fill;
        let share = normal.y * 0.5 + 0.5;
        let mut received = (above * share + below * (1.0 - share)) * open;
        let mut shine = Vec3::default();
        for beam in &self.lighting.beams {
            let d = beam.from - p;
            let square = d.dot(d);
            let to = d * (1.0 / square.sqrt());
            let strength = if beam.even { beam.strength } else { beam.strength * (1.0 / most(square, 0.2)) };
            let facing = to.dot(normal);
            let wrap = if skin { 0.22 } else { 0.10 };
            let k = clamp01((facing + wrap) / (1.0 + wrap));
            received = received + strength * (k * (0.35 + 0.65 * open));
            let half = (to - look).unit();
            let gloss = clamp01(half.dot(normal));
            let gloss = gloss * gloss * gloss * gloss;
            let gloss = gloss * gloss * gloss;
            let amount = if leather { 0.09 } else if skin { 0.05 } else { 0.012 };
            let lit = clamp01(facing * 4.0);
            shine = shine + strength * (amount * gloss * lit + 0.05 * fuzz * clamp01(facing + 0.35) * open);
        }
        tint.times(received) * std::f32::consts::FRAC_1_PI + shine * 0.6
    }
}

/// Folds and weave: a normal bent by the slope of noise wound round the cone, and a tone.
fn cloth_relief(cone: &Cone, p: Vec3, normal: Vec3) -> (Vec3, f32) {
    let axis = (cone.b - cone.a).unit();
    let along = (p - cone.a).dot(axis);
    let seed = cone.radii.0 * 37.0;
    let (amount, long) = match cone.cloth {
        super::body::Cloth::Skin => (0.0, 1.0),
        super::body::Cloth::Leather | super::body::Cloth::Glove => (0.25, 1.4),
        super::body::Cloth::Head => (0.30, 3.0),
        _ => (0.62, 1.0),
    };
    let weave = grit().at(along * 1.1 + seed, (p.x + p.z) * 1.1, 0.02) - 0.5;
    if amount == 0.0 {
        return (normal, 1.0 + 0.15 * weave);
    }
    // Folds run round a bent limb and down a hanging panel: stretched noise in the cone's own axes.
    let side = axis.cross(vec3(0.31, 0.12, 0.94)).unit();
    let (u, v) = (along * 1.15 * long + seed, p.dot(side) * 0.9 + p.dot(axis.cross(side)) * 0.5);
    let e = 0.012;
    let here = clouds().at(u, v, 0.006);
    let slope_along = (clouds().at(u + e, v, 0.006) - here) / e;
    let slope_side = (clouds().at(u, v + e, 0.006) - here) / e;
    let bent = normal - (axis * slope_along + side * slope_side) * (0.20 * amount);
    (bent.unit(), 0.80 + 0.40 * here + 0.25 * weave)
}

#[cfg(test)]
mod tests {
    use super::super::body::{Cloth, Limb};
    use super::*;

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
