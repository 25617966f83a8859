//! Cloth, leather and skin under the lights of the shed.
//!
//! Knows folds and how light falls on a point of a person. Does not know which point a pixel sees.

use super::body::{Cloth, Cone};
use super::groups::{Eight, LANES, each};
use super::math::{Vec3, clamp01, least, mix, most, vec3};
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

/// How nearly along itself cloth is seen where its fuzz shines most: 0 is straight on, 1 along.
const RIM: f32 = 0.82;

/// Coordinates of eight points or directions: all x, all y, all z.
pub type Eights = [Eight; 3];

/// Eight points of a person as looks touch them.
#[derive(Clone, Copy, Debug)]
pub struct Touch {
    /// Where they are.
    pub p: Eights,
    /// Unit directions of the looks.
    pub look: Eights,
    /// Unit normals, folds included.
    pub normal: Eights,
    /// Shares of light thrown back, by colour.
    pub tint: Eights,
    /// Shares of the surroundings that they see past the rest of the body.
    pub open: Eight,
    /// 1 on skin, 0 elsewhere.
    pub skin: Eight,
    /// How strongly they shine.
    pub gloss: Eight,
}

/// Sums of products of eight pairs.
#[inline(always)]
fn dot(a: &Eights, b: &Eights) -> Eight {
    each(|l| a[0][l] * b[0][l] + a[1][l] * b[1][l] + a[2][l] * b[2][l])
}

/// How strongly a surface shines.
pub fn gloss(cloth: Cloth) -> f32 {
    match cloth {
        Cloth::Leather | Cloth::Glove => 0.045,
        Cloth::Skin | Cloth::Lip => 0.05,
        Cloth::Eye => 0.11,
        Cloth::Brass => 0.09,
        _ => 0.012,
    }
}

impl Lighting {
    /// Adds up the lights, for eight points: red, green, blue.
    #[inline(always)]
    pub fn lit(&self, touch: &Touch) -> Eights {
        let Touch { p, look, normal, skin, .. } = touch;
        // Light gets about in a face: its hollows never go as dark as those of cloth.
        let open = each(|l| mix(touch.open[l], 0.45 + 0.55 * touch.open[l], skin[l]));
        let against = dot(look, normal);
        let fuzz = each(|l| {
            // A rim as narrow as a pixel would be jagged, so cloth shines less where it is seen almost along itself.
            let rim = least(1.0 - clamp01(-against[l]), RIM);
            rim * rim * rim
        });
        let (above, below) = ([self.fill.0.x, self.fill.0.y, self.fill.0.z], self.fill.1);
        let below = [below.x, below.y, below.z];
        let mut received: Eights = std::array::from_fn(|c| {
            each(|l| {
                let share = normal[1][l] * 0.5 + 0.5;
                (above[c] * share + below[c] * (1.0 - share)) * open[l]
            })
        });
        let mut shine: Eights = [[0.0; LANES]; 3];
        for beam in &self.beams {
            let from = [beam.from.x, beam.from.y, beam.from.z];
            let d: Eights = std::array::from_fn(|axis| each(|l| from[axis] - p[axis][l]));
            let square = dot(&d, &d);
            let near = each(|l| 1.0 / square[l].sqrt());
            let weak = each(|l| if beam.even { 1.0 } else { 1.0 / most(square[l], 0.2) });
            let straight = dot(&d, normal);
            let facing = each(|l| straight[l] * near[l]);
            let half: Eights = std::array::from_fn(|axis| each(|l| d[axis][l] * near[l] - look[axis][l]));
            let (halfway, length) = (dot(&half, normal), dot(&half, &half));
            let matt = each(|l| {
                let wrap = mix(0.10, 0.22, skin[l]);
                clamp01((facing[l] + wrap) / (1.0 + wrap)) * (0.35 + 0.65 * open[l]) * weak[l]
            });
            let glint = each(|l| {
                let g = clamp01(halfway[l] / most(length[l], 1e-9).sqrt());
                let g = g * g * g * g;
                let lit = clamp01(facing[l] * 4.0);
                let soft = 0.22 * fuzz[l] * clamp01(facing[l] + 0.25) * open[l];
                (touch.gloss[l] * g * g * g * lit + soft) * weak[l]
            });
            let strength = [beam.strength.x, beam.strength.y, beam.strength.z];
            for c in 0..3 {
                for l in 0..LANES {
                    received[c][l] += strength[c] * matt[l];
                    shine[c][l] += strength[c] * glint[l];
                }
            }
        }
        std::array::from_fn(|c| {
            each(|l| touch.tint[c][l] * received[c][l] * std::f32::consts::FRAC_1_PI + shine[c][l] * 0.6)
        })
    }
}

/// How cloth lies round a cone: its own axes, and how deep its folds are.
#[derive(Clone, Copy, Debug)]
pub struct Drape {
    from: Vec3,
    axis: Vec3,
    side: Vec3,
    other: Vec3,
    seed: f32,
    depth: f32,
    long: f32,
}

impl Drape {
    /// The cloth of a cone.
    pub fn of(cone: &Cone) -> Self {
        let axis = (cone.b - cone.a).unit();
        let side = axis.cross(vec3(0.31, 0.12, 0.94)).unit();
        let (depth, long) = match cone.cloth {
            Cloth::Skin | Cloth::Lip | Cloth::Eye | Cloth::Brow => (0.0, 1.0),
            Cloth::Leather | Cloth::Glove => (0.25, 1.4),
            Cloth::Wood | Cloth::Brass => (0.10, 2.0),
            Cloth::Head => (0.30, 3.0),
            _ => (0.62, 1.0),
        };
        let (from, seed) = (cone.a, cone.radii.0 * 37.0);
        Drape { from, axis, side, other: axis.cross(side), seed, depth, long }
    }

    /// Folds and weave at a point: the normal bent by the slope of noise wound round the cone, and a tone.
    #[inline(always)]
    pub fn relief(&self, p: Vec3, normal: Vec3) -> (Vec3, f32) {
        let along = (p - self.from).dot(self.axis);
        let weave = grit().slope(along * 1.1 + self.seed, (p.x + p.z) * 1.1).0 - 0.5;
        if self.depth == 0.0 {
            return (normal, 1.0 + 0.15 * weave);
        }
        // Folds run round a bent limb and down a hanging panel: stretched noise in the cone's own axes.
        let u = along * 0.9 * self.long + self.seed;
        let v = p.dot(self.side) * 0.8 + p.dot(self.other) * 0.5;
        let (here, slope_along, slope_side) = folds().slope(u, v);
        let bent = normal - (self.axis * slope_along + self.side * slope_side) * (0.15 * self.depth);
        (bent.unit(), 0.72 + 0.55 * here + 0.22 * weave)
    }
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
            let all = |v: [f32; 3]| v.map(|v| [v; LANES]);
            let touch = Touch {
                p: all([0.0; 3]),
                look: all([0.0, 0.0, 1.0]),
                normal: all([0.0, 0.0, -1.0]),
                tint: all([0.2; 3]),
                open: [open; LANES],
                skin: [0.0; LANES],
                gloss: [gloss(Cloth::Top); LANES],
            };
            lighting.lit(&touch)[1][3]
        };
        assert!(seen(1.0, 1.0) > 2.0 * seen(3.0, 1.0));
        assert!(seen(2.0, 0.2) < 0.75 * seen(2.0, 1.0));
    }
}
