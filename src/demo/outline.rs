//! Outlines of people and lines of poles in the frame, measured where the renderer draws them.
//!
//! Knows projected cones and what stands before what. Does not know the text of shapes files.

use super::body::{Cloth, Cone, Limb, Who};
use super::camera::Camera;
use super::frame::{armed, bodies, open};
use super::hidden::{Place, hides, of_the_cast, outside, outside_all, places};
use super::math::{Vec3, cos_turns, least, most, sin_turns};
use super::plates::DemoPlate;
use super::pole;
use super::pose;
use super::set::shed;

/// A point of the frame in pixels.
pub type Spot = (f32, f32);

/// A cone's two ends in the frame: x, y and radius in pixels.
struct Ends([(f32, f32, f32); 2]);

impl Ends {
    fn of(camera: &Camera, cone: &Cone) -> Self {
        let end = |p: Vec3, radius: f32| {
            let (x, y, depth) = camera.project(p);
            (x, y, radius * camera.focal / most(depth, 0.1))
        };
        Ends([end(cone.a, cone.radii.0), end(cone.b, cone.radii.1)])
    }

    /// The same, moved in the frame.
    fn moved(&self, (x, y): Spot) -> Ends {
        Ends(self.0.map(|end| (end.0 + x, end.1 + y, end.2)))
    }
}

/// How far from an end of a pole its light begins, in metres: by the light's own round end.
const END: f32 = 0.02;

/// Both ends of a lit pole, in the room.
pub fn lit(part: &pose::Part, time: f32) -> [Vec3; 2] {
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

/// What of a person is held out as one outline: its name and the numbers of its cones.
pub struct Part {
    /// Its name.
    pub name: String,
    cones: Vec<usize>,
    /// True of what goes with the pole that it holds or sits on.
    is_swept: bool,
}

/// How a part stands to poles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stand {
    /// Before a pole.
    Before,
    /// Over a pole, but behind it.
    Behind,
    /// Over no pole, or over what others hide anyhow.
    Aside,
}

/// When, within the time that the shutter is open and half of it before and after, what goes with a pole is outlined: as
/// shares of the open time, besides its middle.
const MOMENTS: [f32; 4] = [-1.0, -0.5, 0.5, 1.0];

/// How far skin may lie before a part's own cones where it melts into others, in metres.
const MELTED: f32 = 0.02;

/// A person on a frame, ready to be outlined.
pub struct Figure {
    cones: Vec<Cone>,
    /// Everyone who may stand before a pole.
    all: Vec<Vec<Cone>>,
    ends: Vec<Ends>,
    /// The same at [`MOMENTS`].
    around: [Vec<Ends>; 4],
    eye: Vec3,
    lit: Vec<Vec<Place>>,
    poles: Vec<[(f32, f32, f32); 2]>,
    /// Which of them is the person's own.
    own: usize,
    glass: f32,
}

impl Figure {
    /// Person `index` of a plate on a frame, and the poles that they may stand before.
    pub fn of(plate: &DemoPlate, index: usize, number: i64) -> Self {
        let time = plate.time(number);
        let camera = plate.camera.at(time);
        let people = bodies(plate, time);
        let outlined =
            |camera: &Camera, cones: &[Cone]| cones.iter().map(|cone| Ends::of(camera, cone)).collect();
        let ends = outlined(&camera, &people[index]);
        let around = MOMENTS.map(|moment| {
            let time = time + moment * open(plate);
            outlined(&plate.camera.at(time), &bodies(plate, time)[index])
        });
        let bearers = plate.people.iter().filter(|(who, _)| armed(*who));
        let rods: Vec<[Vec3; 2]> = bearers.map(|(_, person)| lit(person, time)).collect();
        let lit = rods.iter().map(|rod| places(&camera, *rod)).collect();
        let poles: Vec<_> = rods.iter().map(|rod| rod.map(|end| camera.project(end))).collect();
        let near = poles.iter().flatten().map(|p| p.2).fold(f32::MAX, f32::min);
        let glass = pole::RADIUS * camera.focal / most(near, 0.3);
        let cones = people[index].clone();
        let own = plate.people[..index].iter().filter(|(who, _)| armed(*who)).count();
        Figure {
            cones,
            all: of_the_cast(plate, people),
            ends,
            around,
            eye: camera.eye,
            lit,
            poles,
            own,
            glass,
        }
    }

    /// What is held out as one outline each. What is bent, such as a hook, or not round, such as a trunk, is so piece by piece.
    pub fn parts(&self) -> Vec<Part> {
        let mut parts = vec![];
        for (name, limbs) in &CAST {
            let cones = (0..self.cones.len()).filter(|&i| limbs.contains(&self.cones[i].limb));
            let cones: Vec<usize> = cones.collect();
            let is_hook = cones.iter().any(|&i| self.cones[i].cloth == Cloth::Brass);
            if is_hook || matches!(limbs[0], Limb::Trunk | Limb::Skirt(_)) {
                let piece = |(k, &i): (usize, &usize)| Part {
                    name: format!("{} {}", if is_hook { "hook" } else { name }, k + 1),
                    cones: vec![i],
                    is_swept: false,
                };
                parts.extend(cones.iter().enumerate().map(piece));
            } else if !cones.is_empty() {
                let is_swept = matches!(limbs[0], Limb::Hand(_) | Limb::Fitting);
                parts.push(Part { name: (*name).into(), cones, is_swept });
            }
        }
        parts
    }

    /// How a part stands to all poles: before one if more of what it lies over is hidden than is seen, since an outline hides
    /// all that it lies over.
    pub fn stands(&self, part: &Part) -> Stand {
        let outline = self.around_cones::<16>(&part.cones, 0.0, false);
        let (mut own, mut right, mut wrong) = (0, 0, 0);
        for place in self.lit.iter().flatten().filter(|place| holds(&outline, place.spot)) {
            let part = |p| part.cones.iter().map(|&i| outside(&self.cones[i], p)).fold(f32::MAX, least);
            let is_right = hides(self.eye, place.at, |p| outside_all(&self.all, p));
            own += usize::from(is_right && hides(self.eye, place.at, |p| part(p) - MELTED));
            right += usize::from(is_right);
            wrong += usize::from(!is_right);
        }
        match own {
            0 if wrong == 0 => Stand::Aside,
            0 => Stand::Behind,
            _ if right >= wrong => Stand::Before,
            _ => Stand::Behind,
        }
    }

    /// Outline of a part that holds poles out: of what goes with its pole, of all its way while the shutter is open, since what
    /// it hides of that pole is never seen.
    pub fn held<const N: usize>(&self, part: &Part) -> [Spot; N] {
        self.around_cones(&part.cones, 0.0, part.is_swept)
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
        self.around_cones(&own, margin, false)
    }

    /// How far some cones have gone from where they are, at another moment, across their own pole's way in the frame.
    fn aside(&self, own: &[usize], then: &[Ends]) -> Spot {
        let middle = |ends: &[Ends]| {
            let sum =
                own.iter().flat_map(|&i| ends[i].0).fold((0.0, 0.0), |sum, e| (sum.0 + e.0, sum.1 + e.1));
            let count = 2.0 * own.len() as f32;
            (sum.0 / count, sum.1 / count)
        };
        let (from, to) = (middle(&self.ends), middle(then));
        let [a, b] = self.poles[self.own];
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length = most((dx * dx + dy * dy).sqrt(), 1e-3);
        let (nx, ny) = (-dy / length, dx / length);
        let away = (to.0 - from.0) * nx + (to.1 - from.1) * ny;
        (nx * away, ny * away)
    }

    /// Outline of some cones, `margin` pixels outside; swept, of all their way while the shutter is open.
    fn around_cones<const N: usize>(&self, own: &[usize], margin: f32, is_swept: bool) -> [Spot; N] {
        let [a, b] = self.ends[own[0]].0;
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length = (dx * dx + dy * dy).sqrt();
        // A limb that points at the lens has no direction in the frame: up serves instead.
        let (ux, uy) = if length > 3.0 { (dx / length, dy / length) } else { (0.0, -1.0) };
        let ways = self.around.iter().filter(|_| is_swept).map(|then| self.aside(own, then));
        let ends: Vec<Ends> = std::iter::once((0.0, 0.0))
            .chain(ways)
            .flat_map(|way| own.iter().map(move |&i| self.ends[i].moved(way)))
            .collect();
        hull(ends.iter(), (ux, uy), margin, &[])
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
        hull(self.ends.iter(), (0.0, -1.0), margin, &self.poles)
    }
}

/// Corners of the hull of some cones and poles: in each of `N` directions, from `first` on, the point
/// that lies furthest out. The directions' tangents meet the round ends a little inside; a
/// slight growth makes up for the cut.
fn hull<'a, const N: usize>(
    cones: impl Iterator<Item = &'a Ends> + Clone,
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
        for ends in cones.clone() {
            for (x, y, radius) in ends.0 {
                offer(x, y, radius);
            }
        }
        poles.iter().flatten().for_each(|&(x, y, _)| offer(x, y, 0.0));
        best.1
    })
}

/// Whether a point lies within an outline.
fn holds(outline: &[Spot], (x, y): Spot) -> bool {
    let next = outline.iter().cycle().skip(1);
    let crossed = outline
        .iter()
        .zip(next)
        .filter(|(a, b)| (a.1 > y) != (b.1 > y) && x < a.0 + (b.0 - a.0) * (y - a.1) / (b.1 - a.1));
    crossed.count() % 2 == 1
}

#[cfg(test)]
mod tests {
    use super::super::math::clamp01;
    use super::super::plates::plates;
    use super::*;

    /// Whether a cone covers a point of the frame within `margin` pixels.
    fn covers(Ends([a, b]): &Ends, at: Spot, margin: f32) -> bool {
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let square = dx * dx + dy * dy;
        let (qx, qy) = (at.0 - a.0, at.1 - a.1);
        let u = if square > 1e-6 { clamp01((qx * dx + qy * dy) / square) } else { 0.0 };
        let (ox, oy) = (qx - dx * u, qy - dy * u);
        let reach = a.2 + (b.2 - a.2) * u + margin;
        ox * ox + oy * oy < reach * reach
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
                if figure.ends.iter().any(|ends| covers(ends, between, 3.0)) {
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
