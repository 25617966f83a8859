//! The prop rods: thin tubes of pale glass, not yet glowing.
//!
//! Knows a tube as a soft line between two projected points. Does not know what will be laid
//! over it later.

use super::body::Who;
use super::camera::{Camera, HEIGHT, WIDTH};
use super::cloth::Lighting;
use super::figure::Layer;
use super::frame::armed;
use super::math::{Vec3, clamp01, least, mix, most, vec3};
use super::plates::DemoPlate;
use super::pose::Part;
use super::sight::Sight;

/// Radius of the glass in metres.
pub const RADIUS: f32 = 0.0108;
/// How far an end of a pole moves from one drawn moment to the next, in pixels: less than the glass is wide, so that
/// moments lie over each other and no pattern shows. And the most moments for one instant of the people.
const STRIDE: f32 = 1.2;
const MOMENTS: usize = 48;

/// One tube in the frame.
struct Tube {
    a: (f32, f32, f32),
    b: (f32, f32, f32),
    wide: (f32, f32),
    shade: (Vec3, Vec3),
}

/// Adds the poles of some people of a plate to the people's sum: `when` is the middle and length of the time
/// that this share of the shutter stands for.
pub fn draw(
    (plate, people): (&DemoPlate, &[(Who, Part)]),
    lights: &[Lighting],
    when: (f32, f32),
    share: f32,
    layer: &Layer,
    sight: &Sight,
    sum: &mut [[f32; 4]],
) {
    let ends = |part: &Part, time: f32| {
        let ([base, tip], camera) = (part.joints(time).pole, plate.camera.at(time));
        (camera, base, tip)
    };
    for ((_, part), lighting) in people.iter().zip(lights).filter(|((who, _), _)| armed(*who)) {
        let count = moments(ends(part, when.0 - when.1 * 0.5), ends(part, when.0 + when.1 * 0.5));
        for moment in 0..count {
            let time = when.0 + when.1 * ((moment as f32 + 0.5) / count as f32 - 0.5);
            let (camera, base, tip) = ends(part, time);
            Tube::new(&camera, base, tip, lighting).add(share / count as f32, layer, sight, sum);
        }
    }
}

/// How many moments show a pole's way between two places without gaps.
fn moments(from: (Camera, Vec3, Vec3), to: (Camera, Vec3, Vec3)) -> usize {
    let way = |a: Vec3, b: Vec3| {
        let (p, q) = (from.0.project(a), to.0.project(b));
        ((p.0 - q.0) * (p.0 - q.0) + (p.1 - q.1) * (p.1 - q.1)).sqrt()
    };
    let longest = most(way(from.1, to.1), way(from.2, to.2));
    1 + least(longest / STRIDE, (MOMENTS - 1) as f32) as usize
}

/// Light that pale glass shows at a point: what reaches it from all sides, and a little of its own paleness.
fn shade(p: Vec3, lighting: &Lighting) -> Vec3 {
    let mut received = lighting.fill.0 + vec3(0.030, 0.034, 0.032);
    for beam in &lighting.beams {
        let d = beam.from - p;
        let k = if beam.even { 0.5 } else { 1.0 / most(d.dot(d), 0.4) };
        received = received + beam.strength * k;
    }
    // Close by a lamp most of its light goes through: glass that shone with it would look lit already.
    let received = received * (1.0 / (1.0 + 0.35 * most(received.x, most(received.y, received.z))));
    received.times(vec3(0.105, 0.115, 0.108)) + vec3(0.020, 0.024, 0.023)
}

impl Tube {
    fn new(camera: &Camera, base: Vec3, tip: Vec3, lighting: &Lighting) -> Self {
        let (a, b) = (camera.project(base), camera.project(tip));
        let wide = |depth: f32| RADIUS * camera.focal / most(depth, 0.2);
        Tube { a, b, wide: (wide(a.2), wide(b.2)), shade: (shade(base, lighting), shade(tip, lighting)) }
    }

    fn add(&self, share: f32, layer: &Layer, sight: &Sight, sum: &mut [[f32; 4]]) {
        let pad = most(self.wide.0, self.wide.1) + 1.5;
        let (ax, ay, az) = self.a;
        let (dx, dy) = (self.b.0 - ax, self.b.1 - ay);
        let square = most(dx * dx + dy * dy, 1e-4);
        let hold = |v: f32, top: usize| (most(v, 0.0) as usize).min(top);
        let rows = hold(least(ay, self.b.1) - pad, HEIGHT)..hold(most(ay, self.b.1) + pad + 1.0, HEIGHT);
        for y in rows {
            let qy = y as f32 + 0.5 - ay;
            for x in self.columns(y as f32 + 0.5, pad) {
                let qx = x as f32 + 0.5 - ax;
                let u = clamp01((qx * dx + qy * dy) / square);
                let (ox, oy) = (qx - dx * u, qy - dy * u);
                let away = (ox * ox + oy * oy).sqrt();
                let wide = mix(self.wide.0, self.wide.1, u);
                let cover = clamp01(wide - away + 0.5);
                // Depth along a straight line in space is even in its inverse.
                let depth = 1.0 / mix(1.0 / az, 1.0 / self.b.2, u);
                let at = y * WIDTH + x;
                if cover <= 0.0 || depth > layer.depth[at] || depth > sight.depth[at] {
                    continue;
                }
                // A tube shines along its middle, and is dark towards its rims, where it shows what lies aside: so it is seen before
                // bright places too.
                let r = least(away / wide, 1.0);
                let line = clamp01(1.0 - r * 3.0);
                let tone = 0.95 + 0.60 * line * line - 0.45 * r * r;
                let colour = self.shade.0.to(self.shade.1, u) * tone;
                let alpha = cover * mix(0.66, 0.86, clamp01(r));
                blend(&mut sum[at], colour, alpha, share, layer.depth[at] < sight.depth[at]);
            }
        }
    }

    /// Columns that the tube may touch in a row.
    fn columns(&self, y: f32, pad: f32) -> std::ops::Range<usize> {
        let (ax, ay, _) = self.a;
        let (bx, by, _) = self.b;
        let dy = by - ay;
        let (mut low, mut high) = (least(ax, bx), most(ax, bx));
        if dy.abs() > 1e-3 {
            let slope = (bx - ax) / dy;
            let length = (1.0 + slope * slope).sqrt() * pad;
            let middle = ax + slope * (y - ay);
            low = most(low, middle - length);
            high = least(high, middle + length);
        }
        let hold = |v: f32| (most(v, 0.0) as usize).min(WIDTH);
        hold(low - pad)..hold(high + pad + 1.0)
    }
}

/// Lays glass over what one share of the shutter saw at a pixel: over a person it takes the
/// place of their light, elsewhere it adds cover.
fn blend(sum: &mut [f32; 4], colour: Vec3, alpha: f32, share: f32, person: bool) {
    let k = alpha * share;
    if person && sum[3] > 1e-6 {
        let keep = most(1.0 - k / sum[3], 0.0);
        (0..3).for_each(|c| sum[c] *= keep);
    } else {
        sum[3] = least(sum[3] + k, 1.0);
    }
    let add = [colour.x, colour.y, colour.z];
    (0..3).for_each(|c| sum[c] += add[c] * k);
}
