//! Heads: faces, hair, hood and cap, as cones in the head's own axes.
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

/// The keeper: dark hair drawn back into a knot, and a short beard.
const KEEPER: ([Feature; 6], [Feature; 4]) = (
    [
        ([-0.030, 0.058, 0.0], [-0.055, -0.020, 0.0], (0.094, 0.074), Cloth::Head),
        ([0.028, 0.084, 0.0], [-0.020, 0.080, 0.0], (0.040, 0.072), Cloth::Head),
        ([-0.115, 0.030, 0.0], [-0.120, -0.010, 0.0], (0.036, 0.030), Cloth::Head),
        ([0.072, -0.080, 0.0], [0.070, -0.122, 0.0], (0.032, 0.022), Cloth::Head),
        ([0.020, -0.086, 0.0], [0.060, -0.100, 0.0], (0.036, 0.030), Cloth::Head),
        ([0.099, -0.037, 0.0], [0.097, -0.037, 0.0], (0.007, 0.007), Cloth::Head),
    ],
    [
        EAR,
        // From the ear along the jaw, round the mouth, and the moustache.
        ([0.012, -0.018, 0.070], [0.040, -0.070, 0.044], (0.013, 0.024), Cloth::Head),
        ([0.040, -0.070, 0.044], [0.074, -0.080, 0.014], (0.024, 0.028), Cloth::Head),
        ([0.099, -0.037, 0.002], [0.081, -0.052, 0.031], (0.0075, 0.0065), Cloth::Head),
    ],
);

/// The raker: a hood over the crown and down the nape, whose hem stands about the face.
const RAKER: ([Feature; 3], [Feature; 4]) = (
    [
        ([-0.030, 0.046, 0.0], [-0.045, -0.020, 0.0], (0.106, 0.100), Cloth::Head),
        ([0.014, 0.060, 0.0], [-0.030, 0.050, 0.0], (0.076, 0.100), Cloth::Head),
        ([0.060, 0.096, 0.0], [0.058, 0.096, 0.0], (0.020, 0.020), Cloth::Head),
    ],
    [
        ([0.060, 0.096, 0.0], [0.052, 0.056, 0.066], (0.020, 0.018), Cloth::Head),
        ([0.052, 0.056, 0.066], [0.034, -0.030, 0.076], (0.018, 0.017), Cloth::Head),
        ([0.034, -0.030, 0.076], [0.020, -0.120, 0.050], (0.017, 0.024), Cloth::Head),
        // The cloth between hem and nape.
        ([0.006, 0.030, 0.050], [-0.006, -0.090, 0.034], (0.042, 0.050), Cloth::Head),
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
