//! Cloth, leather and skin under the lights of the shed.
//!
//! Knows folds and how light falls on a point of a person. Does not know which point a pixel sees.

use super::body::{Cloth, Cone};
use super::math::{Vec3, clamp01, most, vec3};
use super::noise::{folds, grit};

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

/// A point of a person as a look touches it.
#[derive(Clone, Copy, Debug)]
pub struct Touch {
    /// What it is made of.
    pub cloth: Cloth,
    /// Where it is.
    pub p: Vec3,
    /// Unit direction of the look.
    pub look: Vec3,
    /// Unit normal, folds included.
    pub normal: Vec3,
    /// Share of light thrown back, by colour.
    pub tint: Vec3,
    /// Share of the surroundings that it sees past the rest of the body.
    pub open: f32,
}

impl Lighting {
    /// Adds up the lights.
    pub fn lit(&self, touch: &Touch) -> Vec3 {
        let Touch { cloth, p, look, normal, tint, open } = *touch;
        let skin = cloth == Cloth::Skin;
        // Light gets about in a face: its hollows never go as dark as those of cloth.
        let open = if skin { 0.45 + 0.55 * open } else { open };
        let leather = matches!(cloth, Cloth::Leather | Cloth::Glove);
        let rim = 1.0 - clamp01(-look.dot(normal));
        let fuzz = rim * rim * rim;
        let (above, below) = self.fill;
        let share = normal.y * 0.5 + 0.5;
        let mut received = (above * share + below * (1.0 - share)) * open;
        let mut shine = Vec3::default();
        for beam in &self.beams {
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
            let amount = if leather {
                0.045
            } else if skin {
                0.05
            } else {
                0.012
            };
            let lit = clamp01(facing * 4.0);
            shine = shine + strength * (amount * gloss * lit + 0.22 * fuzz * clamp01(facing + 0.25) * open);
        }
        tint.times(received) * std::f32::consts::FRAC_1_PI + shine * 0.6
    }
}

/// Folds and weave: a normal bent by the slope of noise wound round the cone, and a tone.
pub fn relief(cone: &Cone, p: Vec3, normal: Vec3) -> (Vec3, f32) {
    let axis = (cone.b - cone.a).unit();
    let along = (p - cone.a).dot(axis);
    let seed = cone.radii.0 * 37.0;
    let (amount, long) = match cone.cloth {
        Cloth::Skin => (0.0, 1.0),
        Cloth::Leather | Cloth::Glove => (0.25, 1.4),
        Cloth::Head => (0.30, 3.0),
        _ => (0.62, 1.0),
    };
    let weave = grit().slope(along * 1.1 + seed, (p.x + p.z) * 1.1).0 - 0.5;
    if amount == 0.0 {
        return (normal, 1.0 + 0.15 * weave);
    }
    // Folds run round a bent limb and down a hanging panel: stretched noise in the cone's own axes.
    let side = axis.cross(vec3(0.31, 0.12, 0.94)).unit();
    let (u, v) = (along * 0.9 * long + seed, p.dot(side) * 0.8 + p.dot(axis.cross(side)) * 0.5);
    let (here, slope_along, slope_side) = folds().slope(u, v);
    let bent = normal - (axis * slope_along + side * slope_side) * (0.15 * amount);
    (bent.unit(), 0.72 + 0.55 * here + 0.22 * weave)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nearer_lamps_light_more_and_shut_in_places_less() {
        let one = vec3(1.0, 1.0, 1.0);
        let seen = |away: f32, open: f32| {
            let beam = Beam { from: vec3(0.0, 0.0, -away), strength: one, even: false };
            let lighting = Lighting { beams: vec![beam], fill: (one * 0.1, one * 0.1) };
            let (look, normal) = (vec3(0.0, 0.0, 1.0), vec3(0.0, 0.0, -1.0));
            let touch = Touch { cloth: Cloth::Top, p: Vec3::default(), look, normal, tint: one * 0.2, open };
            lighting.lit(&touch).y
        };
        assert!(seen(1.0, 1.0) > 2.0 * seen(3.0, 1.0));
        assert!(seen(2.0, 0.2) < 0.75 * seen(2.0, 1.0));
    }
}
