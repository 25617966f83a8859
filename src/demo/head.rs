//! Heads: faces, hair, head cloth, sou'wester and cap, as cones in the head's own axes.
//!
//! Knows where brow, eyes, nose and the rest lie about the head's middle. Does not know poses or light.

use super::body::{Cloth, Cone, Limb, Who};
use super::math::{Vec3, vec3};
use super::pose::Joints;

/// A cone about the head's middle: forward, up, outward of both ends in metres, radii, surface.
type Feature = ([f32; 3], [f32; 3], (f32, f32), Cloth);

/// The features along the middle of every face.
const MIDDLE: [Feature; 7] = [
    // Skull, and the face below it down to the chin.
    ([-0.016, 0.030, 0.0], [0.016, 0.036, 0.0], (0.086, 0.073), Cloth::Skin),
    ([0.026, -0.012, 0.0], [0.050, -0.070, 0.0], (0.066, 0.034), Cloth::Skin),
    ([0.060, -0.046, 0.0], [0.072, -0.086, 0.0], (0.032, 0.019), Cloth::Skin),
    // The bridge of the nose and its tip.
    ([0.090, 0.020, 0.0], [0.112, -0.021, 0.0], (0.009, 0.0125), Cloth::Skin),
    ([0.112, -0.021, 0.0], [0.096, -0.028, 0.0], (0.0125, 0.010), Cloth::Skin),
    // Upper and lower lip.
    ([0.0905, -0.046, 0.0], [0.0925, -0.047, 0.0], (0.007, 0.007), Cloth::Lip),
    ([0.088, -0.057, 0.0], [0.090, -0.058, 0.0], (0.008, 0.008), Cloth::Lip),
];

/// The features that every face has on both sides.
const SIDES: [Feature; 7] = [
    // The ridge of the brow, with the brow itself on it.
    ([0.088, 0.028, 0.010], [0.066, 0.027, 0.046], (0.013, 0.011), Cloth::Skin),
    ([0.0955, 0.034, 0.014], [0.076, 0.036, 0.045], (0.0075, 0.005), Cloth::Brow),
    // The eye, deep under it.
    ([0.072, 0.007, 0.031], [0.073, 0.007, 0.031], (0.0115, 0.0115), Cloth::Eye),
    // Cheekbone, and the cheek down to the mouth.
    ([0.070, -0.017, 0.034], [0.046, -0.012, 0.056], (0.021, 0.020), Cloth::Skin),
    ([0.068, -0.022, 0.030], [0.068, -0.052, 0.020], (0.020, 0.020), Cloth::Skin),
    // A wing of the nose.
    ([0.099, -0.026, 0.010], [0.094, -0.027, 0.011], (0.0085, 0.008), Cloth::Skin),
    // Half of the mouth.
    ([0.092, -0.051, 0.004], [0.083, -0.052, 0.022], (0.0065, 0.005), Cloth::Lip),
];

/// An ear, where nothing covers it.
const EAR: Feature = ([-0.012, 0.006, 0.084], [-0.010, -0.024, 0.078], (0.017, 0.011), Cloth::Skin);

/// The keeper: a cloth over the hair, knotted at the nape with two ends that hang.
const KEEPER: ([Feature; 4], [Feature; 3]) = (
    [
        ([-0.026, 0.050, 0.0], [-0.052, -0.014, 0.0], (0.094, 0.078), Cloth::Scarf),
        ([0.026, 0.082, 0.0], [-0.020, 0.078, 0.0], (0.042, 0.076), Cloth::Scarf),
        ([-0.122, -0.030, 0.0], [-0.128, -0.044, 0.0], (0.026, 0.022), Cloth::Scarf),
        ([-0.062, -0.050, 0.0], [-0.068, -0.092, 0.0], (0.050, 0.034), Cloth::Head),
    ],
    [
        EAR,
        ([-0.126, -0.040, 0.004], [-0.156, -0.115, 0.020], (0.015, 0.020), Cloth::Scarf),
        ([-0.156, -0.115, 0.020], [-0.160, -0.160, 0.030], (0.020, 0.010), Cloth::Scarf),
    ],
);

/// The raker: a sou'wester, whose brim is short above the brow and long down the nape, and a short beard.
const RAKER: ([Feature; 6], [Feature; 9]) = (
    [
        // The crown, with a ridge over it.
        ([-0.020, 0.062, 0.0], [-0.036, 0.020, 0.0], (0.102, 0.098), Cloth::Head),
        ([0.024, 0.074, 0.0], [-0.030, 0.086, 0.0], (0.068, 0.086), Cloth::Head),
        // The brim behind, down to between the shoulders.
        ([-0.100, -0.010, 0.0], [-0.205, -0.085, 0.0], (0.050, 0.016), Cloth::Head),
        ([-0.100, -0.010, 0.0], [-0.150, -0.045, 0.0], (0.050, 0.040), Cloth::Head),
        ([0.072, -0.082, 0.0], [0.066, -0.104, 0.0], (0.032, 0.024), Cloth::Brow),
        ([0.020, -0.086, 0.0], [0.058, -0.098, 0.0], (0.034, 0.028), Cloth::Brow),
    ],
    [
        // The edge of the brim, from before the brow round to the nape.
        ([0.142, 0.058, 0.0], [0.122, 0.052, 0.066], (0.011, 0.011), Cloth::Head),
        ([0.122, 0.052, 0.066], [0.030, 0.034, 0.140], (0.011, 0.011), Cloth::Head),
        ([0.030, 0.034, 0.140], [-0.090, -0.016, 0.146], (0.011, 0.012), Cloth::Head),
        ([-0.090, -0.016, 0.146], [-0.205, -0.085, 0.010], (0.012, 0.014), Cloth::Head),
        // The brim between crown and edge.
        ([0.096, 0.062, 0.0], [0.084, 0.058, 0.054], (0.026, 0.024), Cloth::Head),
        ([0.070, 0.052, 0.074], [-0.020, 0.030, 0.104], (0.024, 0.030), Cloth::Head),
        ([-0.020, 0.024, 0.104], [-0.120, -0.026, 0.076], (0.030, 0.034), Cloth::Head),
        // From the ear along the jaw.
        ([0.012, -0.022, 0.070], [0.040, -0.070, 0.044], (0.013, 0.024), Cloth::Brow),
        ([0.040, -0.070, 0.044], [0.072, -0.080, 0.014], (0.024, 0.026), Cloth::Brow),
    ],
);

/// One of the crew: a cap with a peak.
const CREW: ([Feature; 2], [Feature; 1]) = (
    [
        ([-0.020, 0.062, 0.0], [0.020, 0.050, 0.0], (0.094, 0.090), Cloth::Head),
        ([0.100, 0.058, 0.0], [0.155, 0.048, 0.0], (0.022, 0.012), Cloth::Head),
    ],
    [EAR],
);

/// The cones of a head and its neck.
pub fn head(who: Who, j: &Joints, cones: &mut Vec<Cone>) {
    let up = vec3(0.0, 1.0, 0.0);
    let mut add = |(a, b, radii, cloth): &Feature, out: f32| {
        let place = |v: &[f32; 3]| j.head + j.forward * v[0] + up * v[1] + j.right * (v[2] * out);
        cones.push(Cone { a: place(a), b: place(b), radii: *radii, cloth: *cloth, limb: Limb::Head });
    };
    let (middle, sides): (&[Feature], &[Feature]) = match who {
        Who::Keeper => (&KEEPER.0, &KEEPER.1),
        Who::Raker => (&RAKER.0, &RAKER.1),
        Who::Crew => (&CREW.0, &CREW.1),
    };
    MIDDLE.iter().chain(middle).for_each(|feature| add(feature, 0.0));
    for out in [-1.0, 1.0] {
        SIDES.iter().chain(sides).for_each(|feature| add(feature, out));
    }
    let nape: Vec3 = j.chest + j.spine * 0.05;
    let neck = j.head - up * 0.07;
    cones.push(Cone { a: nape, b: neck, radii: (0.060, 0.052), cloth: Cloth::Skin, limb: Limb::Head });
}
