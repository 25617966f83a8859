//! Outlines of people and lines of poles in the frame, measured where the renderer draws them.
//!
//! Knows projected cones and what stands before what. Does not know the text of shapes files.

use super::body::{Cone, Limb, Who};
use super::camera::Camera;
use super::frame::{armed, bodies};
use super::math::{Vec3, clamp01, cos_turns, most, sin_turns};
use super::plates::DemoPlate;
use super::pole;
use super::pose::Part;
use super::set::shed;

/// A point of the frame in pixels.
pub type Spot = (f32, f32);

/// A cone's two ends in the frame: x, y, radius in pixels, depth in metres; and how far its skin stands before its middle.
struct Ends([(f32, f32, f32, f32); 2], f32);

impl Ends {
    fn of(camera: &Camera, cone: &Cone) -> Self {
        let end = |p: Vec3, radius: f32| {
            let (x, y, depth) = camera.project(p);
            (x, y, radius * camera.focal / most(depth, 0.1), depth)
        };
        Ends([end(cone.a, cone.radii.0), end(cone.b, cone.radii.1)], cone.radii.0.min(cone.radii.1))
    }

    /// Whether the cone covers a point of the frame within `margin` pixels and stands before `depth`.
    fn covers(&self, at: Spot, depth: f32, margin: f32) -> bool {
        let [a, b] = self.0;
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let square = dx * dx + dy * dy;
        let (qx, qy) = (at.0 - a.0, at.1 - a.1);
        let u = if square > 1e-6 { clamp01((qx * dx + qy * dy) / square) } else { 0.0 };
        let (ox, oy) = (qx - dx * u, qy - dy * u);
        let reach = a.2 + (b.2 - a.2) * u + margin;
        ox * ox + oy * oy < reach * reach && a.3 + (b.3 - a.3) * u < depth + self.1
    }
}

/// How far from an end of a pole its light begins, in metres: by the light's own round end.
const END: f32 = 0.02;

/// Both ends of a lit pole, in the room.
fn lit(part: &Part, time: f32) -> [Vec3; 2] {
    let [base, tip] = part.joints(time).pole;
    let end = (tip - base).unit() * END;
    [base + end, tip - end]
}

/// Lower end and tip of everyone's pole on a frame, as far as they are lit, with whose it is.
pub fn rods(plate: &DemoPlate, number: i64) -> Vec<(Who, Spot, Spot)> {
    let time = plate.time(number);
    let camera = plate.camera.at(time);
    let spot = |p: Vec3| {
        let (x, y, _) = camera.project(p);
        (x, y)
    };
    let armed = plate.people.iter().filter(|(who, _)| armed(*who));
    armed
        .map(|(who, part)| {
            let [base, tip] = lit(part, time);
            (*who, spot(base), spot(tip))
        })
        .collect()
}

/// Corners in the room as they fall in a frame.
pub fn corners<const N: usize>(plate: &DemoPlate, number: i64, corners: [Vec3; N]) -> [Spot; N] {
    let camera = plate.camera.at(plate.time(number));
    corners.map(|p| {
        let (x, y, _) = camera.project(p);
        (x, y)
    })
}

/// Where what of the set lies behind a place of one frame falls in another.
pub fn again(plate: &DemoPlate, (x, y): Spot, number: i64, other: i64) -> Option<Spot> {
    let camera = plate.camera.at(plate.time(number));
    let ray = camera.ray(x, y);
    let place = camera.eye + ray * shed().first(camera.eye, ray)?.t;
    let [spot] = corners(plate, other, [place]);
    Some(spot)
}

/// The body parts that are drawn as one outline each.
pub const PARTS: [(&str, &[Limb]); 10] = [
    ("head", &[Limb::Head]),
    ("trunk", &[Limb::Trunk]),
    ("left arm", &[Limb::UpperArm(0)]),
    ("right arm", &[Limb::UpperArm(1)]),
    ("left forearm", &[Limb::Forearm(0)]),
    ("right forearm", &[Limb::Forearm(1)]),
    ("left hand", &[Limb::Hand(0)]),
    ("right hand", &[Limb::Hand(1)]),
    ("left leg", &[Limb::Thigh(0), Limb::Skirt(0)]),
    ("right leg", &[Limb::Thigh(1), Limb::Skirt(1)]),
];

/// What sits at the end of a pole, which those who carry one have.
pub const FITTINGS: [(&str, &[Limb]); 1] = [("fitting", &[Limb::Fitting])];

/// The shins, which seldom stand before a pole; with their boots, and so with room before the instep.
pub const SHINS: [(&str, &[Limb]); 2] =
    [("left shin", &[Limb::Shin(0), Limb::Boot(0)]), ("right shin", &[Limb::Shin(1), Limb::Boot(1)])];

/// The parts of a whole figure that follow its silhouette: an outline has no hollows, so that what bends is two parts.
pub const CAST: [(&str, &[Limb]); 17] = [
    ("head", &[Limb::Head]),
    ("trunk", &[Limb::Trunk]),
    ("left arm", &[Limb::UpperArm(0)]),
    ("right arm", &[Limb::UpperArm(1)]),
    ("left forearm", &[Limb::Forearm(0)]),
    ("right forearm", &[Limb::Forearm(1)]),
    ("left hand", &[Limb::Hand(0)]),
    ("right hand", &[Limb::Hand(1)]),
    ("left thigh", &[Limb::Thigh(0)]),
    ("right thigh", &[Limb::Thigh(1)]),
    ("left skirt", &[Limb::Skirt(0)]),
    ("right skirt", &[Limb::Skirt(1)]),
    ("fitting", &[Limb::Fitting]),
    ("left shin", &[Limb::Shin(0)]),
    ("right shin", &[Limb::Shin(1)]),
    ("left boot", &[Limb::Boot(0)]),
    ("right boot", &[Limb::Boot(1)]),
];

/// A person on a frame, ready to be outlined.
pub struct Figure {
    cones: Vec<Cone>,
    ends: Vec<Ends>,
    poles: Vec<[(f32, f32, f32); 2]>,
    glass: f32,
}

impl Figure {
    /// Person `index` of a plate on a frame, and the poles that they may stand before.
    pub fn of(plate: &DemoPlate, index: usize, number: i64) -> Self {
        let time = plate.time(number);
        let camera = plate.camera.at(time);
        let cones = bodies(plate, time).swap_remove(index);
        let ends: Vec<Ends> = cones.iter().map(|cone| Ends::of(&camera, cone)).collect();
        let armed = plate.people.iter().filter(|(who, _)| armed(*who));
        let poles: Vec<_> = armed
            .map(|(_, part)| {
                let [base, tip] = lit(part, time);
                [camera.project(base), camera.project(tip)]
            })
            .collect();
        let near = poles.iter().flatten().map(|p| p.2).fold(f32::MAX, f32::min);
        let glass = pole::RADIUS * camera.focal / most(near, 0.3);
        Figure { cones, ends, poles, glass }
    }

    /// Whether these limbs stand before any pole: before more of it than they stand behind, since an outline hides all that it
    /// lies over.
    pub fn hides(&self, limbs: &[Limb]) -> bool {
        let own: Vec<&Ends> = self
            .cones
            .iter()
            .zip(&self.ends)
            .filter(|(c, _)| limbs.contains(&c.limb))
            .map(|(_, e)| e)
            .collect();
        self.poles.iter().any(|[a, b]| {
            let (mut before, mut over) = (0, 0);
            for i in 0..=80 {
                let u = i as f32 / 80.0;
                let at = (a.0 + (b.0 - a.0) * u, a.1 + (b.1 - a.1) * u);
                let depth = 1.0 / (1.0 / a.2 + (1.0 / b.2 - 1.0 / a.2) * u);
                let covers = |depth: f32| own.iter().any(|ends| ends.covers(at, depth, self.glass + 1.0));
                before += usize::from(covers(depth));
                over += usize::from(covers(f32::MAX));
            }
            before > 0 && 2 * before >= over
        })
    }

    /// Outline of these limbs: `N` corners around their hull, from the limb's own direction on,
    /// so that each corner stays where it is on the limb from frame to frame.
    pub fn outline<const N: usize>(&self, limbs: &[Limb]) -> [Spot; N] {
        self.around(limbs, 0.0)
    }

    /// The same, `margin` pixels outside.
    pub fn around<const N: usize>(&self, limbs: &[Limb], margin: f32) -> [Spot; N] {
        let own: Vec<usize> =
            (0..self.cones.len()).filter(|&i| limbs.contains(&self.cones[i].limb)).collect();
        let [a, b] = self.ends[own[0]].0;
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length = (dx * dx + dy * dy).sqrt();
        // A limb that points at the lens has no direction in the frame: up serves instead.
        let (ux, uy) = if length > 3.0 { (dx / length, dy / length) } else { (0.0, -1.0) };
        self.hull(own.into_iter(), (ux, uy), margin, &[])
    }

    /// Corners around the lit part of the first pole, `margin` pixels outside.
    pub fn glass(&self, margin: f32) -> [Spot; 4] {
        let [a, b] = self.poles[0];
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length = most((dx * dx + dy * dy).sqrt(), 1.0);
        let wide = self.glass + margin;
        let (ux, uy) = (dx / length * wide, dy / length * wide);
        [
            (a.0 - ux - uy, a.1 - uy + ux),
            (a.0 - ux + uy, a.1 - uy - ux),
            (b.0 + ux + uy, b.1 + uy - ux),
            (b.0 + ux - uy, b.1 + uy + ux),
        ]
    }

    /// Outline of the whole person and their pole, `margin` pixels outside.
    pub fn whole<const N: usize>(&self, margin: f32) -> [Spot; N] {
        self.hull(0..self.cones.len(), (0.0, -1.0), margin, &self.poles)
    }

    /// Corners of the hull of some cones and poles: in each of `N` directions, from `first` on, the point
    /// that lies furthest out. The directions' tangents meet the round ends a little inside; a
    /// slight growth makes up for the cut.
    fn hull<const N: usize>(
        &self,
        own: impl Iterator<Item = usize> + Clone,
        first: Spot,
        margin: f32,
        poles: &[[(f32, f32, f32); 2]],
    ) -> [Spot; N] {
        let grow = 1.0 + 0.5 * (1.0 - cos_turns(0.5 / N as f32));
        std::array::from_fn(|i| {
            let (c, s) = (cos_turns(i as f32 / N as f32), sin_turns(i as f32 / N as f32));
            let d = (first.0 * c - first.1 * s, first.0 * s + first.1 * c);
            let mut best = (f32::MIN, (0.0, 0.0));
            let mut offer = |x: f32, y: f32, radius: f32| {
                let radius = radius * grow + margin;
                let out = x * d.0 + y * d.1 + radius;
                if out > best.0 {
                    best = (out, (x + d.0 * radius, y + d.1 * radius));
                }
            };
            for index in own.clone() {
                for (x, y, radius, _) in self.ends[index].0 {
                    offer(x, y, radius);
                }
            }
            poles.iter().flatten().for_each(|&(x, y, _)| offer(x, y, 0.0));
            best.1
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::plates::plates;
    use super::*;

    /// Whether a point lies within an outline.
    fn holds(outline: &[Spot], (x, y): Spot) -> bool {
        let next = outline.iter().cycle().skip(1);
        let crossed = outline
            .iter()
            .zip(next)
            .filter(|(a, b)| (a.1 > y) != (b.1 > y) && x < a.0 + (b.0 - a.0) * (y - a.1) / (b.1 - a.1));
        crossed.count() % 2 == 1
    }

    /// A correction within a matte of the cast would lighten it.
    #[test]
    fn the_floor_between_knee_and_toe_is_no_part_of_a_leg() {
        let mut looked_at = 0;
        for name in ["duel-a", "duel-b"] {
            let plate = plates().iter().find(|plate| plate.name == name).unwrap();
            for (index, number, k) in [0, 1].iter().flat_map(|&index| {
                plate.frames.iter().flat_map(move |number| [(index, number, 0), (index, number, 1)])
            }) {
                let figure = Figure::of(plate, index, number);
                let cones = &figure.cones;
                let own = |limb: Limb| (0..cones.len()).filter(move |&i| cones[i].limb == limb);
                let knee = figure.ends[own(Limb::Shin(k)).next().unwrap()].0[0];
                let toe = figure.ends[own(Limb::Boot(k)).next_back().unwrap()].0[1];
                let between = ((knee.0 + toe.0) * 0.5, (knee.1 + toe.1) * 0.5);
                if figure.ends.iter().any(|ends| ends.covers(between, f32::MAX, 3.0)) {
                    continue;
                }
                looked_at += 1;
                for (part, limbs) in &CAST {
                    let is_leg = limbs.contains(&Limb::Shin(k)) || limbs.contains(&Limb::Boot(k));
                    let outline = figure.outline::<12>(limbs);
                    assert!(!(is_leg && holds(&outline, between)), "{name} {number}: {part}");
                }
            }
        }
        assert!(looked_at > 20, "{looked_at}");
    }
}
