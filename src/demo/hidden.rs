//! How much of each pole people hide: along the glass, at any moment of the open shutter.
//!
//! Knows rays from the lens to the glass and the cones that they meet. Does not know outlines: shapes are held against this.

use super::body::{Cone, Who};
use super::camera::Camera;
use super::frame::{armed, bodies, open};
use super::math::{Vec3, clamp01, least, most};
use super::outline::{Spot, lit};
use super::plates::DemoPlate;
use super::pole::RADIUS;
use super::pose::Part;

/// How far apart the places lie that are looked at along a pole, in pixels.
const APART: f32 = 2.0;
/// What counts as met, in metres, and the most steps of a walk.
const MET: f32 = 0.002;
const STEPS: usize = 60;

/// A place on lit glass.
pub struct Place {
    /// Where it falls in the frame, in pixels.
    pub spot: Spot,
    /// Where it is in the room.
    pub at: Vec3,
}

/// Places along the lit part of a pole from one end to the other, evenly in the frame.
pub fn places(camera: &Camera, [base, tip]: [Vec3; 2]) -> Vec<Place> {
    let (a, b) = (camera.project(base), camera.project(tip));
    let length = ((b.0 - a.0) * (b.0 - a.0) + (b.1 - a.1) * (b.1 - a.1)).sqrt();
    let count = most(length / APART, 2.0) as usize;
    let place = |i: usize| {
        let s = (i as f32 + 0.5) / count as f32;
        // Evenly in the frame is not evenly in the room.
        let u = s * a.2 / most(b.2 + (a.2 - b.2) * s, 1e-3);
        Place { spot: (a.0 + (b.0 - a.0) * s, a.1 + (b.1 - a.1) * s), at: base.to(tip, u) }
    };
    (0..count).map(place).collect()
}

/// How far a point lies outside of a cone, in metres.
pub fn outside(cone: &Cone, p: Vec3) -> f32 {
    let (axis, to) = (cone.b - cone.a, p - cone.a);
    let u = clamp01(to.dot(axis) / most(axis.dot(axis), 1e-9));
    (to - axis * u).length() - (cone.radii.0 + (cone.radii.1 - cone.radii.0) * u)
}

/// How far a point lies outside of everyone's skin, in metres: cones that are near to each other melt, as they are drawn.
pub fn outside_all(bodies: &[Vec<Cone>], p: Vec3) -> f32 {
    let skin = |body: &Vec<Cone>| {
        body.iter().fold(10.0, |all: f32, cone| {
            let (own, melt) = (outside(cone, p), cone.melt());
            let near = most(melt - (all - own).abs(), 0.0);
            least(all, own) - near * near * 0.25 / melt
        })
    };
    bodies.iter().map(skin).fold(f32::MAX, least)
}

/// Whether something stands between the lens and a place on a pole's glass; `outside` says how far any point lies from it.
pub fn hides(eye: Vec3, at: Vec3, outside: impl Fn(Vec3) -> f32) -> bool {
    let way = at - eye;
    let (long, ray) = (way.length() - RADIUS, way.unit());
    let mut gone = 0.3;
    for _ in 0..STEPS {
        let near = outside(eye + ray * gone);
        if near < MET {
            return true;
        }
        gone += near;
        if gone > long {
            return false;
        }
    }
    false
}

/// What is seen of somebody's pole at one moment: places along it, each with whether somebody hides it.
pub struct Seen {
    /// Whose it is.
    pub who: Who,
    /// Where places along it fall in the frame, and whether each is hidden.
    pub places: Vec<(Spot, bool)>,
}

/// The bodies of those who carry a pole: whoever else is in a plate goes from the picture.
pub fn of_the_cast(plate: &DemoPlate, bodies: Vec<Vec<Cone>>) -> Vec<Vec<Cone>> {
    bodies.into_iter().zip(&plate.people).filter(|(_, (who, _))| armed(*who)).map(|(body, _)| body).collect()
}

/// What is seen of everyone's pole on a frame at a moment of the open shutter, from -0.5 at its opening to 0.5 at its end.
pub fn seen(plate: &DemoPlate, number: i64, moment: f32) -> Vec<Seen> {
    let time = plate.time(number) + moment * open(plate);
    let camera = plate.camera.at(time);
    let people = of_the_cast(plate, bodies(plate, time));
    let armed = plate.people.iter().filter(|(who, _)| armed(*who));
    let look = |(who, part): &(Who, Part)| {
        let places = places(&camera, lit(part, time))
            .into_iter()
            .map(|place| (place.spot, hides(camera.eye, place.at, |p| outside_all(&people, p))));
        Seen { who: *who, places: places.collect() }
    };
    armed.map(look).collect()
}
