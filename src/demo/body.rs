//! A body in clothes: the rounded cones that its joints carry.
//!
//! Knows shapes and colours of flesh and cloth. Does not know light or pictures.

use super::head::head;
use super::math::{Vec3, vec3};
use super::pose::Joints;

/// Who somebody is in the film, and so what they wear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Who {
    /// The keeper of the lamps: a waistcoat over a pale shirt with its sleeves rolled up, a cloth tied over the hair; at the
    /// pole's end the hook that lamps are hung by.
    Keeper,
    /// The salt raker: a blue shirt with its sleeves rolled up, a long apron, a sou'wester; at the pole's end a rake's
    /// board.
    Raker,
    /// One of the crew who should not be in the shot: jacket and cap.
    Crew,
}

/// A surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cloth {
    /// Shirt or jacket.
    Top,
    /// Waistcoat, apron, or what shows under a jacket.
    Front,
    /// Trousers.
    Legs,
    /// Boots.
    Leather,
    /// Face.
    Skin,
    /// Hair, cap or sou'wester.
    Head,
    /// Eyes.
    Eye,
    /// Brows.
    Brow,
    /// Lips.
    Lip,
    /// Gloves.
    Glove,
    /// A cloth about the neck or over the hair.
    Scarf,
    /// A rake's board.
    Wood,
    /// A hook.
    Brass,
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
    /// Forearms.
    Forearm(u8),
    /// Hands.
    Hand(u8),
    /// Thighs.
    Thigh(u8),
    /// Lower legs.
    Shin(u8),
    /// Boots.
    Boot(u8),
    /// What hangs from the waist.
    Skirt(u8),
    /// What sits at the end of the pole.
    Fitting,
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
            (Limb::Fitting, _) => 0.006,
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
        (_, Cloth::Wood) => vec3(0.150, 0.100, 0.058),
        (_, Cloth::Brass) => vec3(0.200, 0.130, 0.050),
        (Who::Keeper, Cloth::Top) => vec3(0.360, 0.360, 0.335),
        (Who::Keeper, Cloth::Front) => vec3(0.062, 0.085, 0.066),
        (Who::Keeper, Cloth::Legs) => vec3(0.075, 0.062, 0.050),
        (Who::Keeper, Cloth::Head) => vec3(0.045, 0.030, 0.021),
        (Who::Keeper, Cloth::Scarf) => vec3(0.270, 0.075, 0.045),
        (Who::Raker, Cloth::Top) => vec3(0.085, 0.120, 0.150),
        (Who::Raker, Cloth::Front) => vec3(0.150, 0.112, 0.068),
        (Who::Raker, Cloth::Legs) => vec3(0.070, 0.072, 0.080),
        (Who::Raker, Cloth::Head) => vec3(0.330, 0.220, 0.045),
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
    let mut cones = Vec::with_capacity(80);
    trunk(who, now, &mut cones);
    head(who, now, &mut cones);
    if who == Who::Raker {
        bib(now, &mut cones);
    }
    for k in 0..2 {
        arm(who, now, k, &mut cones);
        leg(now, k, &mut cones);
    }
    skirt(who, now, earlier, &mut cones);
    fitting(who, now, &mut cones);
    cones
}

fn cone(a: Vec3, b: Vec3, radii: (f32, f32), cloth: Cloth, limb: Limb) -> Cone {
    Cone { a, b, radii, cloth, limb }
}

fn trunk(who: Who, j: &Joints, cones: &mut Vec<Cone>) {
    let f = j.forward;
    let waist = j.hips.to(j.chest, 0.35);
    // How much broader than the keeper, and what is worn below the waist and above it.
    let (bulk, below, above) = match who {
        Who::Keeper => (0.0, Cloth::Legs, Cloth::Front),
        Who::Raker => (0.016, Cloth::Legs, Cloth::Top),
        Who::Crew => (0.02, Cloth::Top, Cloth::Top),
    };
    for side in [-1.0, 1.0] {
        // Two columns side by side make a trunk that is broader than deep.
        let (low, high) = (j.right * (0.065 * side), j.broad * (0.085 * side));
        cones.push(cone(j.hips + low, waist + low, (0.120 + bulk, 0.106 + bulk), below, Limb::Trunk));
        let chest = j.chest + high - j.spine * 0.10 + f * 0.01;
        cones.push(cone(waist + low, chest, (0.110 + bulk, 0.130 + bulk), above, Limb::Trunk));
    }
    // The back between the columns.
    let middle = j.chest - j.spine * 0.12 - f * 0.008;
    cones.push(cone(waist - f * 0.01, middle, (0.114, 0.132 + bulk), above, Limb::Trunk));
    let [left, right] = j.shoulders;
    let top = j.chest + j.spine * 0.035;
    cones.push(cone(top, left, (0.075, 0.074 + bulk), above, Limb::Trunk));
    cones.push(cone(top, right, (0.075, 0.074 + bulk), above, Limb::Trunk));
    if who == Who::Crew {
        let (front, belly) = (j.chest + f * 0.085 - j.spine * 0.14, waist + f * 0.085);
        cones.push(cone(front, belly, (0.062, 0.066), Cloth::Front, Limb::Trunk));
    }
    if who == Who::Keeper {
        let collar = j.chest + j.spine * 0.075;
        cones.push(cone(collar - f * 0.030, collar + f * 0.040, (0.068, 0.058), Cloth::Top, Limb::Head));
    } else {
        let ring = j.chest + j.spine * 0.085;
        cones.push(cone(ring - f * 0.035, ring + f * 0.045, (0.066, 0.058), Cloth::Scarf, Limb::Head));
    }
}

/// The upper part of an apron, and the straps that hold it.
fn bib(j: &Joints, cones: &mut Vec<Cone>) {
    let f = j.forward;
    let waist = j.hips.to(j.chest, 0.30);
    for out in [-0.075, 0.0, 0.075] {
        let (low, high) = (waist + j.right * out + f * 0.092, j.chest + j.broad * (out * 0.8) + f * 0.105);
        cones.push(cone(low, high - j.spine * 0.10, (0.056, 0.052), Cloth::Front, Limb::Trunk));
    }
    for side in [-1.0, 1.0] {
        let ways = [
            j.chest + j.broad * (0.07 * side) - j.spine * 0.09 + f * 0.142,
            j.chest + j.broad * (0.08 * side) + j.spine * 0.11,
            waist - j.right * (0.06 * side) - f * 0.128,
        ];
        for way in ways.windows(2) {
            cones.push(cone(way[0], way[1], (0.015, 0.015), Cloth::Front, Limb::Trunk));
        }
    }
}

/// An arm: of those who work at the salt the sleeve is rolled up above the elbow.
fn arm(who: Who, j: &Joints, k: usize, cones: &mut Vec<Cone>) {
    let (shoulder, elbow, hand) = (j.shoulders[k], j.elbows[k], j.hands[k]);
    let (upper, lower, held) = (Limb::UpperArm(k as u8), Limb::Forearm(k as u8), Limb::Hand(k as u8));
    let wrist = elbow.to(hand, 0.82);
    let along = (j.pole[1] - j.pole[0]).unit();
    let skin = if who == Who::Crew {
        cones.push(cone(shoulder, elbow, (0.080, 0.066), Cloth::Top, upper));
        cones.push(cone(elbow, wrist, (0.064, 0.058), Cloth::Top, lower));
        Cloth::Glove
    } else {
        cones.push(cone(shoulder, shoulder.to(elbow, 0.84), (0.082, 0.064), Cloth::Top, upper));
        cones.push(cone(
            shoulder.to(elbow, 0.74),
            shoulder.to(elbow, 0.82),
            (0.070, 0.070),
            Cloth::Top,
            upper,
        ));
        cones.push(cone(elbow, elbow, (0.046, 0.046), Cloth::Skin, upper));
        cones.push(cone(elbow.to(wrist, 0.25), wrist, (0.049, 0.032), Cloth::Skin, lower));
        Cloth::Skin
    };
    cones.push(cone(wrist, hand, (0.030, 0.036), skin, held));
    let (below, above) = (hand - along * 0.032, hand + along * 0.032);
    cones.push(cone(below, above, (0.035, 0.032), skin, held));
}

fn leg(j: &Joints, k: usize, cones: &mut Vec<Cone>) {
    let (thigh, knee, ankle, toe) = (j.thighs[k], j.knees[k], j.ankles[k], j.toes[k]);
    let side = k as u8;
    cones.push(cone(thigh, knee, (0.110, 0.086), Cloth::Legs, Limb::Thigh(side)));
    // Trousers hang over the tops of the boots.
    let calf = knee.to(ankle, 0.38) - j.forward * 0.014;
    cones.push(cone(knee, calf, (0.082, 0.086), Cloth::Legs, Limb::Shin(side)));
    cones.push(cone(
        knee.to(ankle, 0.46) - j.forward * 0.014,
        ankle,
        (0.070, 0.060),
        Cloth::Leather,
        Limb::Shin(side),
    ));
    let heel = ankle - (toe - ankle).unit() * 0.045 - vec3(0.0, 0.045, 0.0);
    cones.push(cone(ankle, heel, (0.052, 0.046), Cloth::Leather, Limb::Boot(side)));
    cones.push(cone(ankle - vec3(0.0, 0.03, 0.0), toe, (0.052, 0.038), Cloth::Leather, Limb::Boot(side)));
}

/// What hangs from the waist, an apron or a jacket's hem: it drags behind the movement. Trousers have no more than a seat.
fn skirt(who: Who, j: &Joints, earlier: &Joints, cones: &mut Vec<Cone>) {
    let up = vec3(0.0, 1.0, 0.0);
    let pull = earlier.hips - j.hips;
    let drag = pull * (0.09 / (0.09 + pull.length()));
    for k in 0..2_u8 {
        let out = if k == 0 { -1.0 } else { 1.0 };
        let top = j.hips + j.right * (0.085 * out) + up * 0.03;
        if who != Who::Crew {
            let seat = top.to(j.thighs[k as usize].to(j.knees[k as usize], 0.25), 0.9);
            cones.push(cone(top, seat, (0.116, 0.108), Cloth::Legs, Limb::Skirt(k)));
            continue;
        }
        let thigh = j.thighs[k as usize].to(j.knees[k as usize], 0.9);
        let hang = top - up * 0.12 + j.right * (0.05 * out) + drag * 1.4;
        let sway = vec3(thigh.x - hang.x, 0.0, thigh.z - hang.z) * 0.45;
        cones.push(cone(top, hang + sway, (0.125, 0.118), Cloth::Top, Limb::Skirt(k)));
    }
    if who == Who::Raker {
        lap(j, cones);
    }
}

/// The lower part of an apron, slit up to the lap: each half lies about a thigh, so that a stride parts them and neither hangs
/// stiffly between the legs.
fn lap(j: &Joints, cones: &mut Vec<Cone>) {
    let (f, up) = (j.forward, vec3(0.0, 1.0, 0.0));
    for k in 0..2_u8 {
        let out = if k == 0 { -1.0 } else { 1.0 };
        let (thigh, knee) = (j.thighs[k as usize], j.knees[k as usize]);
        let axis = (knee - thigh).unit();
        let ahead = f + up * 0.4;
        let front = (ahead - axis * ahead.dot(axis)).unit();
        let belt = j.hips + j.right * (0.072 * out) + f * 0.046 + up * 0.09;
        let fold = thigh.to(knee, 0.20) + front * 0.028;
        let hem = thigh.to(knee, 0.66) + front * 0.024;
        let seat = j.hips + j.right * (0.085 * out) + up * 0.03;
        cones.push(cone(belt, fold, (0.100, 0.110), Cloth::Front, Limb::Skirt(k)));
        cones.push(cone(seat, fold, (0.118, 0.110), Cloth::Front, Limb::Skirt(k)));
        cones.push(cone(fold, hem, (0.110, 0.102), Cloth::Front, Limb::Skirt(k)));
    }
}

/// What a pole is for: a board to draw salt together, a hook to hang lamps by.
fn fitting(who: Who, j: &Joints, cones: &mut Vec<Cone>) {
    let tip = j.pole[1];
    let aim = (tip - j.pole[0]).unit();
    let across = aim.cross(j.broad).unit();
    let mut add = |a: Vec3, b: Vec3, radii, cloth| cones.push(cone(a, b, radii, cloth, Limb::Fitting));
    match who {
        Who::Raker => {
            for away in [-0.012, 0.026] {
                let middle = tip + aim * away;
                add(middle - across * 0.20, middle + across * 0.20, (0.019, 0.019), Cloth::Wood);
            }
        }
        Who::Keeper => {
            let ways = [
                tip - aim * 0.02,
                tip + aim * 0.07,
                tip + aim * 0.115 + across * 0.035,
                tip + aim * 0.105 + across * 0.085,
                tip + aim * 0.055 + across * 0.100,
            ];
            for (i, way) in ways.windows(2).enumerate() {
                let radius = if i == 0 { 0.015 } else { 0.009 };
                add(way[0], way[1], (radius, radius), Cloth::Brass);
            }
        }
        Who::Crew => {}
    }
}

#[cfg(test)]
mod tests {
    use super::super::plates::plates;
    use super::*;

    /// How far a point lies outside of a cone, in metres; less than nothing within.
    fn outside(cone: &Cone, p: Vec3) -> f32 {
        let (axis, to) = (cone.b - cone.a, p - cone.a);
        let u = (to.dot(axis) / axis.dot(axis).max(1e-9)).clamp(0.0, 1.0);
        (to - axis * u).length() - (cone.radii.0 + (cone.radii.1 - cone.radii.0) * u)
    }

    /// Calls `look` with everyone on every frame: what says who and when, the joints, and the cones.
    fn everyone(mut look: impl FnMut(&str, Who, &Joints, &[Cone])) {
        for plate in plates() {
            for (who, part) in &plate.people {
                for number in plate.frames.iter() {
                    let time = plate.time(number);
                    let joints = part.joints(time);
                    let cones = dressed(*who, &joints, &part.joints(time - 3.0));
                    look(&format!("{} {number}: {who:?}", plate.name), *who, &joints, &cones);
                }
            }
        }
    }

    /// An arm that ended in the waist would be a stump, and its fist might come out at the back.
    #[test]
    fn hands_and_what_they_hold_pass_beside_the_trunk() {
        let mut deepest = (f32::MAX, String::new());
        everyone(|when, who, j, cones| {
            if who == Who::Crew {
                return;
            }
            let held = (0..=20).map(|i| j.pole[0].to(j.hands[0], i as f32 / 20.0)).chain(j.hands);
            for p in held {
                for cone in cones.iter().filter(|c| c.limb == Limb::Trunk && c.cloth != Cloth::Front) {
                    let away = outside(cone, p);
                    if away < deepest.0 {
                        deepest = (away, when.to_string());
                    }
                }
            }
        });
        // A fist may press into cloth.
        assert!(deepest.0 > -0.03, "{deepest:?}");
    }

    /// Cloth that hung between the legs would be a stiff strip when they are seen from the side.
    #[test]
    fn an_apron_lies_on_the_thighs() {
        everyone(|when, who, j, cones| {
            let hem = cones.iter().filter(|c| matches!(c.limb, Limb::Skirt(_)) && c.cloth == Cloth::Front);
            for cone in hem.filter(|_| who == Who::Raker) {
                let leg = |k: usize| {
                    let (a, b, radii) = (j.thighs[k], j.knees[k], (0.0, 0.0));
                    outside(&Cone { a, b, radii, ..*cone }, cone.b)
                };
                let away = leg(0).min(leg(1));
                assert!(away < 0.05, "{when}: {away} m from any thigh");
            }
        });
    }
}
