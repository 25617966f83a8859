//! A body in clothes: the rounded cones that its joints carry.
//!
//! Knows shapes and colours of flesh and cloth. Does not know light or pictures.

use super::math::{Vec3, vec3};
use super::pose::Joints;

/// Who somebody is in the film, and so what they wear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Who {
    /// The keeper of the lamps: a long dark coat, a scarf, bare-headed.
    Keeper,
    /// The salt raker: smock, leather apron, a cloth wound round the head.
    Raker,
    /// One of the crew who should not be in the shot: jacket and cap.
    Crew,
}

/// A surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cloth {
    /// Coat, smock or jacket.
    Top,
    /// Shirt, apron.
    Front,
    /// Trousers.
    Legs,
    /// Boots, and the grip of a pole.
    Leather,
    /// Face.
    Skin,
    /// Hair or cap or head cloth.
    Head,
    /// Eyes and brows.
    Eye,
    /// Gloves.
    Glove,
    /// Scarf.
    Scarf,
}

/// Where in a body a cone belongs: outlines are drawn for each.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Limb {
    /// Head, hair, neck.
    Head,
    /// Trunk.
    Trunk,
    /// Upper arms, left and right.
    UpperArm(u8),
    /// Forearms and hands.
    Forearm(u8),
    /// Thighs.
    Thigh(u8),
    /// Shins and boots.
    Shin(u8),
    /// What hangs from the waist.
    Skirt(u8),
    /// The grip of the pole.
    Grip,
}

/// A cone with round ends.
#[derive(Clone, Copy, Debug)]
pub struct Cone {
    /// Middle of one end.
    pub a: Vec3,
    /// Middle of the other.
    pub b: Vec3,
    /// Radii there.
    pub radii: (f32, f32),
    /// Surface.
    pub cloth: Cloth,
    /// Where it belongs.
    pub limb: Limb,
}

/// Share of light that a surface throws back, by colour.
pub fn colour(who: Who, cloth: Cloth) -> Vec3 {
    match (who, cloth) {
        (_, Cloth::Skin) => vec3(0.40, 0.27, 0.195),
        (_, Cloth::Eye) => vec3(0.13, 0.085, 0.065),
        (_, Cloth::Leather) => vec3(0.040, 0.030, 0.024),
        (Who::Keeper, Cloth::Top) => vec3(0.085, 0.066, 0.052),
        (Who::Keeper, Cloth::Front) => vec3(0.34, 0.31, 0.26),
        (Who::Keeper, Cloth::Legs) => vec3(0.060, 0.055, 0.056),
        (Who::Keeper, Cloth::Head) => vec3(0.045, 0.030, 0.021),
        (Who::Keeper, Cloth::Scarf) => vec3(0.20, 0.075, 0.050),
        (Who::Raker, Cloth::Top) => vec3(0.070, 0.092, 0.096),
        (Who::Raker, Cloth::Front) => vec3(0.17, 0.110, 0.070),
        (Who::Raker, Cloth::Legs) => vec3(0.074, 0.062, 0.050),
        (Who::Raker, Cloth::Head) => vec3(0.120, 0.108, 0.088),
        (Who::Raker, Cloth::Scarf) => vec3(0.25, 0.22, 0.18),
        (Who::Crew, Cloth::Top) => vec3(0.10, 0.105, 0.115),
        (Who::Crew, Cloth::Front) => vec3(0.42, 0.41, 0.38),
        (Who::Crew, Cloth::Legs) => vec3(0.055, 0.065, 0.090),
        (Who::Crew, Cloth::Head) => vec3(0.035, 0.040, 0.045),
        (Who::Crew, Cloth::Scarf) => vec3(0.08, 0.08, 0.09),
        (_, Cloth::Glove) => vec3(0.13, 0.085, 0.055),
    }
}

/// The cones of a body; `earlier` is the same body a few frames before, after which cloth drags.
pub fn dressed(who: Who, now: &Joints, earlier: &Joints) -> Vec<Cone> {
    let mut cones = Vec::with_capacity(40);
    trunk(who, now, &mut cones);
    head(who, now, &mut cones);
    for k in 0..2 {
        arm(now, k, &mut cones);
        leg(now, k, &mut cones);
    }
    skirt(who, now, earlier, &mut cones);
    if who != Who::Crew {
        cones.push(cone(now.pole[0], now.pole[1], (0.021, 0.019), Cloth::Leather, Limb::Grip));
        cones.push(cone(now.pole[1], now.pole[1], (0.028, 0.028), Cloth::Leather, Limb::Grip));
    }
    cones
}

fn cone(a: Vec3, b: Vec3, radii: (f32, f32), cloth: Cloth, limb: Limb) -> Cone {
    Cone { a, b, radii, cloth, limb }
}

fn trunk(who: Who, j: &Joints, cones: &mut Vec<Cone>) {
    let f = j.forward;
    let waist = j.hips.to(j.chest, 0.35);
    let bulk = if who == Who::Crew { 0.02 } else { 0.0 };
    for side in [-1.0, 1.0] {
        // Two columns side by side make a trunk that is broader than deep.
        let (low, high) = (j.right * (0.065 * side), j.broad * (0.085 * side));
        cones.push(cone(j.hips + low, waist + low, (0.128, 0.112 + bulk), Cloth::Top, Limb::Trunk));
        let chest = j.chest + high - j.spine * 0.10 + f * 0.01;
        cones.push(cone(waist + low, chest, (0.112 + bulk, 0.130 + bulk), Cloth::Top, Limb::Trunk));
    }
    // The back between the columns, and a belt.
    let middle = j.chest - j.spine * 0.12 - f * 0.008;
    cones.push(cone(waist - f * 0.01, middle, (0.116, 0.132 + bulk), Cloth::Top, Limb::Trunk));
    if who == Who::Raker {
        let belt = j.hips.to(j.chest, 0.20);
        let (left, right) = (belt - j.right * 0.062, belt + j.right * 0.062);
        cones.push(cone(left, right, (0.133, 0.133), Cloth::Leather, Limb::Trunk));
    }
    let [left, right] = j.shoulders;
    let top = j.chest + j.spine * 0.035;
    cones.push(cone(top, left, (0.075, 0.078 + bulk), Cloth::Top, Limb::Trunk));
    cones.push(cone(top, right, (0.075, 0.078 + bulk), Cloth::Top, Limb::Trunk));
    let front = j.chest + f * 0.085 - j.spine * 0.14;
    let belly = waist + f * 0.085;
    cones.push(cone(front, belly, (0.062, 0.066), Cloth::Front, Limb::Trunk));
}

fn head(who: Who, j: &Joints, cones: &mut Vec<Cone>) {
    let (f, up) = (j.forward, vec3(0.0, 1.0, 0.0));
    let h = j.head;
    cones.push(cone(j.chest + j.spine * 0.05, h - up * 0.07, (0.060, 0.052), Cloth::Skin, Limb::Head));
    cones.push(cone(
        h + up * 0.025 - f * 0.012,
        h + up * 0.03 + f * 0.012,
        (0.088, 0.084),
        Cloth::Skin,
        Limb::Head,
    ));
    cones.push(cone(
        h - up * 0.035 + f * 0.035,
        h - up * 0.072 + f * 0.052,
        (0.060, 0.036),
        Cloth::Skin,
        Limb::Head,
    ));
    cones.push(cone(
        h + up * 0.012 + f * 0.088,
        h - up * 0.022 + f * 0.106,
        (0.013, 0.017),
        Cloth::Skin,
        Limb::Head,
    ));
    for side in [-1.0, 1.0] {
        let eye = h + up * 0.012 + f * 0.080 + j.right * (0.031 * side);
        cones.push(cone(eye, eye, (0.0115, 0.0115), Cloth::Eye, Limb::Head));
        let brow = h + up * 0.036 + f * 0.088;
        let (inner, outer) = (brow + j.right * (0.014 * side), brow + j.right * (0.036 * side) - f * 0.012);
        cones.push(cone(inner, outer, (0.010, 0.008), Cloth::Skin, Limb::Head));
        if who != Who::Raker {
            let ear = h - f * 0.012 + j.right * (0.086 * side) - up * 0.008;
            cones.push(cone(ear + up * 0.012, ear - up * 0.016, (0.017, 0.012), Cloth::Skin, Limb::Head));
        }
    }
    match who {
        Who::Keeper => {
            cones.push(cone(
                h + up * 0.058 - f * 0.03,
                h - up * 0.02 - f * 0.055,
                (0.094, 0.074),
                Cloth::Head,
                Limb::Head,
            ));
            cones.push(cone(
                h + up * 0.085 + f * 0.035,
                h + up * 0.08 - f * 0.02,
                (0.042, 0.072),
                Cloth::Head,
                Limb::Head,
            ));
            // Beard, and a knot of hair behind.
            cones.push(cone(
                h - up * 0.062 + f * 0.056,
                h - up * 0.110 + f * 0.046,
                (0.044, 0.030),
                Cloth::Head,
                Limb::Head,
            ));
            cones.push(cone(
                h + up * 0.03 - f * 0.115,
                h - up * 0.01 - f * 0.12,
                (0.036, 0.030),
                Cloth::Head,
                Limb::Head,
            ));
            // The coat's raised collar.
            let collar = j.chest + j.spine * 0.075 - f * 0.045;
            for side in [-1.0, 1.0] {
                let wing = j.chest + j.broad * (0.085 * side) + j.spine * 0.055 + f * 0.03;
                cones.push(cone(collar, wing, (0.062, 0.050), Cloth::Top, Limb::Trunk));
            }
        }
        Who::Raker => {
            // A hood: over the crown, down the nape, and spread on the shoulders.
            cones.push(cone(
                h + up * 0.050 - f * 0.028,
                h - up * 0.02 - f * 0.045,
                (0.108, 0.102),
                Cloth::Head,
                Limb::Head,
            ));
            let nape = j.chest + j.spine * 0.07 - f * 0.03;
            cones.push(cone(h - up * 0.03 - f * 0.05, nape, (0.098, 0.110), Cloth::Head, Limb::Head));
            for side in [-1.0, 1.0] {
                let cape = j.chest + j.broad * (0.12 * side) + j.spine * 0.02;
                cones.push(cone(nape, cape, (0.10, 0.085), Cloth::Head, Limb::Trunk));
            }
        }
        Who::Crew => {
            cones.push(cone(
                h + up * 0.062 - f * 0.02,
                h + up * 0.05 + f * 0.02,
                (0.094, 0.090),
                Cloth::Head,
                Limb::Head,
            ));
            cones.push(cone(
                h + up * 0.055 + f * 0.10,
                h + up * 0.045 + f * 0.155,
                (0.022, 0.012),
                Cloth::Head,
                Limb::Head,
            ));
        }
    }
    let ring = j.chest + j.spine * 0.085;
    cones.push(cone(ring - f * 0.035, ring + f * 0.045, (0.072, 0.062), Cloth::Scarf, Limb::Head));
}

fn arm(j: &Joints, k: usize, cones: &mut Vec<Cone>) {
    let (shoulder, elbow, hand) = (j.shoulders[k], j.elbows[k], j.hands[k]);
    let side = k as u8;
    cones.push(cone(shoulder, elbow, (0.080, 0.066), Cloth::Top, Limb::UpperArm(side)));
    let wrist = elbow.to(hand, 0.82);
    cones.push(cone(elbow, wrist, (0.064, 0.058), Cloth::Top, Limb::Forearm(side)));
    let along = (j.pole[1] - j.pole[0]).unit();
    cones.push(cone(wrist, hand, (0.032, 0.040), Cloth::Glove, Limb::Forearm(side)));
    cones.push(cone(
        hand - along * 0.035,
        hand + along * 0.035,
        (0.038, 0.034),
        Cloth::Glove,
        Limb::Forearm(side),
    ));
}

fn leg(j: &Joints, k: usize, cones: &mut Vec<Cone>) {
    let (thigh, knee, ankle, toe) = (j.thighs[k], j.knees[k], j.ankles[k], j.toes[k]);
    let side = k as u8;
    cones.push(cone(thigh, knee, (0.108, 0.080), Cloth::Legs, Limb::Thigh(side)));
    let calf = knee.to(ankle, 0.35) - j.forward * 0.018;
    cones.push(cone(knee, calf, (0.078, 0.074), Cloth::Legs, Limb::Shin(side)));
    cones.push(cone(calf, ankle, (0.074, 0.058), Cloth::Leather, Limb::Shin(side)));
    let heel = ankle - (toe - ankle).unit() * 0.045 - vec3(0.0, 0.045, 0.0);
    cones.push(cone(ankle, heel, (0.052, 0.046), Cloth::Leather, Limb::Shin(side)));
    cones.push(cone(ankle - vec3(0.0, 0.03, 0.0), toe, (0.052, 0.038), Cloth::Leather, Limb::Shin(side)));
}

/// Coat tails, smock and apron: each panel hangs from the waist and drags behind the movement.
fn skirt(who: Who, j: &Joints, earlier: &Joints, cones: &mut Vec<Cone>) {
    let (f, up) = (j.forward, vec3(0.0, 1.0, 0.0));
    let pull = earlier.hips - j.hips;
    let drag = pull * (0.09 / (0.09 + pull.length()));
    let length = match who {
        Who::Keeper => 0.62,
        Who::Raker => 0.40,
        Who::Crew => 0.12,
    };
    for k in 0..2_u8 {
        let out = if k == 0 { -1.0 } else { 1.0 };
        let top = j.hips + j.right * (0.085 * out) + up * 0.03;
        let thigh = j.thighs[k as usize].to(j.knees[k as usize], 0.9);
        let hang = top - up * length + j.right * (0.05 * out) + drag * 1.4;
        let sway = vec3(thigh.x - hang.x, 0.0, thigh.z - hang.z) * 0.45;
        let flare = if who == Who::Raker { 0.146 } else { 0.118 };
        cones.push(cone(top, hang + sway, (0.125, flare), Cloth::Top, Limb::Skirt(k)));
        if who == Who::Keeper {
            let back = top - f * 0.05;
            let hem = hang + sway * 0.4 - f * 0.13 + drag * 1.2;
            cones.push(cone(back, hem, (0.110, 0.090), Cloth::Top, Limb::Skirt(k)));
        }
    }
    if who == Who::Raker {
        let top = j.hips + f * 0.075 + up * 0.05;
        let knees = j.knees[0].to(j.knees[1], 0.5);
        let hem = vec3(knees.x, j.hips.y - 0.46, knees.z) + f * 0.03 + drag;
        for out in [-0.07, 0.0, 0.07] {
            let limb = Limb::Skirt(u8::from(out > 0.0));
            cones.push(cone(
                top + j.right * out * 0.8,
                hem + j.right * out * 1.2,
                (0.07, 0.055),
                Cloth::Front,
                limb,
            ));
        }
    }
}
