//! A body in clothes: the rounded cones that its joints carry.
//!
//! Knows shapes and colours of flesh and cloth. Does not know light or pictures.

use super::head::head;
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
    /// Eyes.
    Eye,
    /// Brows.
    Brow,
    /// Lips.
    Lip,
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
    /// Lower legs.
    Shin(u8),
    /// Boots.
    Boot(u8),
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

impl Cone {
    /// How far off another cone still melts into this one, in metres: cloth falls together, a face keeps its features.
    pub fn melt(&self) -> f32 {
        match (self.limb, self.cloth) {
            (Limb::Head, Cloth::Head | Cloth::Scarf) => 0.028,
            (Limb::Head, _) => 0.012,
            _ => MELT,
        }
    }
}

/// The furthest of all, in metres.
pub const MELT: f32 = 0.040;

/// Share of light that a surface throws back, by colour.
pub fn colour(who: Who, cloth: Cloth) -> Vec3 {
    match (who, cloth) {
        (_, Cloth::Skin) => vec3(0.40, 0.27, 0.195),
        (_, Cloth::Eye) => vec3(0.075, 0.055, 0.045),
        (_, Cloth::Brow) => vec3(0.060, 0.042, 0.030),
        (_, Cloth::Lip) => vec3(0.30, 0.155, 0.120),
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
    let mut cones = Vec::with_capacity(64);
    trunk(who, now, &mut cones);
    head(who, now, &mut cones);
    collar(who, now, &mut cones);
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

/// What lies on shoulders and chest: the coat's raised collar, the hood's cape, and everyone's scarf.
fn collar(who: Who, j: &Joints, cones: &mut Vec<Cone>) {
    let f = j.forward;
    // The middle behind the neck, either side's end, radii and surface.
    let (middle, wing, radii, cloth) = match who {
        Who::Keeper => {
            let wing = (0.085, j.spine * 0.055 + f * 0.03);
            (j.chest + j.spine * 0.075 - f * 0.045, wing, (0.062, 0.050), Cloth::Top)
        }
        Who::Raker => {
            let nape = j.chest + j.spine * 0.07 - f * 0.03;
            let head = j.head - vec3(0.0, 0.03, 0.0) - f * 0.05;
            cones.push(cone(head, nape, (0.098, 0.110), Cloth::Head, Limb::Head));
            (nape, (0.12, j.spine * 0.02), (0.10, 0.085), Cloth::Head)
        }
        Who::Crew => (j.chest, (0.0, Vec3::default()), (0.0, 0.0), Cloth::Top),
    };
    if who != Who::Crew {
        for side in [-1.0, 1.0] {
            let end = j.chest + j.broad * (wing.0 * side) + wing.1;
            cones.push(cone(middle, end, radii, cloth, Limb::Trunk));
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
    cones.push(cone(ankle, heel, (0.052, 0.046), Cloth::Leather, Limb::Boot(side)));
    cones.push(cone(ankle - vec3(0.0, 0.03, 0.0), toe, (0.052, 0.038), Cloth::Leather, Limb::Boot(side)));
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
