//! How a fighter stands: keyed stances, and the joints that follow from them.
//!
//! Knows bones, two-bone limbs and the pole that both hands hold. Does not know clothes or
//! pictures. A fighter's own axes are: forward (towards the opponent), up, and right.

use super::math::{Vec3, clamp01, least, mix, most, smooth, vec3};
use super::noise::wander;

/// A stance, in metres and in the fighter's own axes about the spot where they started.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stance {
    /// Hips: forward, up, right.
    pub hips: [f32; 3],
    /// Spine: lean forward, lean right, and twist of the shoulders to the right, as slopes.
    pub spine: [f32; 3],
    /// Left and right foot: forward, right.
    pub feet: [[f32; 2]; 2],
    /// The leading hand on the pole, the left one: forward, up, right.
    pub grip: [f32; 3],
    /// Direction of the pole: forward, up, right.
    pub aim: [f32; 3],
    /// From the leading hand down the pole: to the other hand, and to the pole's end.
    pub below: [f32; 2],
}

impl Stance {
    /// The stance a share `u` of the way to another.
    fn to(&self, o: &Stance, u: f32) -> Stance {
        let mix3 = |a: [f32; 3], b: [f32; 3]| std::array::from_fn(|i| mix(a[i], b[i], u));
        Stance {
            hips: mix3(self.hips, o.hips),
            spine: mix3(self.spine, o.spine),
            feet: std::array::from_fn(|k| std::array::from_fn(|i| mix(self.feet[k][i], o.feet[k][i], u))),
            grip: mix3(self.grip, o.grip),
            aim: mix3(unit3(self.aim), unit3(o.aim)),
            below: std::array::from_fn(|i| mix(self.below[i], o.below[i], u)),
        }
    }

    /// The same stance further forward and to the right, feet and all.
    pub const fn moved(mut self, forward: f32, right: f32) -> Stance {
        self.hips[0] += forward;
        self.hips[2] += right;
        self.grip[0] += forward;
        self.grip[2] += right;
        self.feet[0][0] += forward;
        self.feet[0][1] += right;
        self.feet[1][0] += forward;
        self.feet[1][1] += right;
        self
    }

    /// The same stance with the pole pointed through a spot: forward, up, right.
    pub const fn through(mut self, spot: [f32; 3]) -> Stance {
        self.aim = [spot[0] - self.grip[0], spot[1] - self.grip[1], spot[2] - self.grip[2]];
        self
    }

    /// The same stance with the leading hand this far ahead, up and to the right of where it was.
    pub const fn held(mut self, forward: f32, up: f32, right: f32) -> Stance {
        self.grip[0] += forward;
        self.grip[1] += up;
        self.grip[2] += right;
        self
    }
}

/// The same direction at length 1.
fn unit3(v: [f32; 3]) -> [f32; 3] {
    let u = vec3(v[0], v[1], v[2]).unit();
    [u.x, u.y, u.z]
}

/// How a stance is reached from the one before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// Starts and ends at rest.
    Eased,
    /// Gathers speed and stops dead, as a blow does when it lands.
    Blow,
    /// Leaves fast and settles, as after a blow.
    Rebound,
}

impl Pace {
    fn share(self, u: f32) -> f32 {
        match self {
            Pace::Eased => smooth(0.0, 1.0, u),
            Pace::Blow => u * u * (1.6 - 0.6 * u),
            Pace::Rebound => 1.0 - (1.0 - u) * (1.0 - u) * (1.0 - u),
        }
    }
}

/// A stance at a frame.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// The frame at which it is reached.
    pub frame: f32,
    /// The stance.
    pub stance: Stance,
    /// How it is reached.
    pub pace: Pace,
}

/// Where a fighter stands and all that they do in one plate.
#[derive(Clone, Debug)]
pub struct Part {
    /// The spot where forward, right and up are zero.
    pub spot: Vec3,
    /// Unit direction of forward, level.
    pub facing: Vec3,
    /// Stances in order of frames.
    pub keys: Vec<Key>,
    /// Chooses the small unrest of breath and balance.
    pub seed: u32,
}

/// The joints of a body in the world.
#[derive(Clone, Copy, Debug)]
pub struct Joints {
    /// Forward.
    pub forward: Vec3,
    /// Right of the hips.
    pub right: Vec3,
    /// Right of the shoulders.
    pub broad: Vec3,
    /// Along the spine, up.
    pub spine: Vec3,
    /// Hips' middle.
    pub hips: Vec3,
    /// Between the shoulders.
    pub chest: Vec3,
    /// Middle of the head.
    pub head: Vec3,
    /// Shoulders, left and right, and so on down each limb.
    pub shoulders: [Vec3; 2],
    /// Elbows.
    pub elbows: [Vec3; 2],
    /// Hands.
    pub hands: [Vec3; 2],
    /// Hip joints.
    pub thighs: [Vec3; 2],
    /// Knees.
    pub knees: [Vec3; 2],
    /// Ankles.
    pub ankles: [Vec3; 2],
    /// Tips of the boots.
    pub toes: [Vec3; 2],
    /// Lower end of the pole, and its tip: all of it is glass, between the hands too.
    pub pole: [Vec3; 2],
}

const UPPER_ARM: f32 = 0.30;
const FOREARM: f32 = 0.28;
const THIGH: f32 = 0.455;
const SHIN: f32 = 0.455;
const SPINE: f32 = 0.47;
/// Length of a pole in metres: that of a rake's handle.
const POLE: f32 = 1.96;

/// The middle joint of a limb of two bones, bent towards `bend`.
fn middle(from: Vec3, end: Vec3, upper: f32, lower: f32, bend: Vec3) -> Vec3 {
    let d = end - from;
    let length = most(least(d.length(), (upper + lower) * 0.999), 0.08);
    let along = d.unit();
    let a = (upper * upper - lower * lower + length * length) / (2.0 * length);
    let height = most(upper * upper - a * a, 0.0).sqrt();
    from + along * a + (bend - along * bend.dot(along)).unit() * height
}

/// `end` pulled back to where a limb of that length still reaches it.
fn reached(from: Vec3, end: Vec3, length: f32) -> Vec3 {
    let d = end - from;
    if d.length() > length { from + d.unit() * length } else { end }
}

/// Half the breadth and half the depth of a trunk with the fist that passes it, in metres.
const PASSING: (f32, f32) = (0.265, 0.19);

/// How far to the right a pole's lower part has to go, in metres, so that it passes a trunk by its right side instead of through
/// it: `axes` are right and forward.
fn passing(pole: [Vec3; 2], (hips, chest): (Vec3, Vec3), axes: (Vec3, Vec3)) -> f32 {
    let spine = chest - hips;
    (0..=12).fold(0.0, |furthest, i| {
        let p = pole[0].to(pole[1], i as f32 / 12.0) - hips;
        let u = clamp01(p.dot(spine) / spine.dot(spine));
        let off = p - spine * u;
        let (across, along) = (off.dot(axes.0), off.dot(axes.1) / PASSING.1);
        let above = most((off - axes.0 * across).length() / PASSING.1, along.abs());
        let free = PASSING.0 * most(1.0 - above * above, 0.0).sqrt();
        // Softly, so that a pole that comes nearer is not thrown aside.
        let near = smooth(1.0, 0.7, above) * smooth(-0.34, -0.24, across);
        most(furthest, (free - across) * near)
    })
}

impl Part {
    /// The stance at a time, and how high each foot is lifted.
    fn stance(&self, time: f32) -> (Stance, [f32; 2]) {
        let next = self.keys.partition_point(|key| key.frame <= time);
        let (Some(before), Some(after)) = (self.keys[..next].last(), self.keys.get(next)) else {
            let end = if next == 0 { &self.keys[0] } else { &self.keys[next - 1] };
            return (end.stance, [0.0; 2]);
        };
        let u = (time - before.frame) / (after.frame - before.frame);
        let mut stance = before.stance.to(&after.stance, after.pace.share(u));
        let mut lift = [0.0; 2];
        let hurry = smooth(0.05, 0.95, u);
        for (foot, lift) in lift.iter_mut().enumerate() {
            let (a, b) = (before.stance.feet[foot], after.stance.feet[foot]);
            let stride = vec3(b[0] - a[0], 0.0, b[1] - a[1]).length();
            stance.feet[foot] = std::array::from_fn(|i| mix(a[i], b[i], hurry));
            *lift = least(stride * 0.3, 0.13) * 4.0 * hurry * (1.0 - hurry);
        }
        (stance, lift)
    }

    /// The joints at a time in frames.
    pub fn joints(&self, time: f32) -> Joints {
        let (stance, lift) = self.stance(time);
        let f = self.facing;
        let r = vec3(f.z, 0.0, -f.x);
        let up = vec3(0.0, 1.0, 0.0);
        let place = |v: [f32; 3]| self.spot + f * v[0] + up * v[1] + r * v[2];
        let unrest = |k: u32, rate: f32| wander(time * rate, self.seed * 16 + k) * 0.012;
        let hips = place(stance.hips) + r * unrest(0, 0.06) + up * (unrest(1, 0.05) * 0.6);
        let [lean, tilt, twist] = stance.spine;
        let spine = (up + f * (lean + unrest(2, 0.05)) + r * tilt).unit();
        let broad = (r - f * twist - spine * (r.dot(spine) - twist * f.dot(spine))).unit();
        let right = (r - f * (twist * 0.35)).unit();
        let chest = hips + spine * SPINE;
        let head = chest + (spine * 0.55 + up * 0.45).unit() * 0.235 + f * 0.035;
        let shoulders = [chest - broad * 0.185 - spine * 0.01, chest + broad * 0.185 - spine * 0.01];

        let aim3 = unit3(stance.aim);
        let aim = f * aim3[0] + up * aim3[1] + r * aim3[2];
        let mut grip = place(stance.grip) + (up * unrest(3, 0.08) + f * unrest(4, 0.07)) * 1.4;
        // The hands hold the pole wherever it goes: a grip out of their reach comes back to them.
        let [apart, below] = stance.below;
        let lower = |grip: Vec3| [grip - aim * below, grip];
        for _ in 0..6 {
            grip = grip + right * passing(lower(grip), (hips, chest), (right, f));
            grip = reached(shoulders[1], grip - aim * apart, (UPPER_ARM + FOREARM) * 0.985) + aim * apart;
            grip = reached(shoulders[0], grip, (UPPER_ARM + FOREARM) * 0.985);
        }
        let hands = [grip, grip - aim * apart];
        let elbows = std::array::from_fn(|k| {
            let out = if k == 0 { -broad } else { broad };
            // The elbow of the hand further back stays behind it.
            let bend =
                if k == 0 { out * 0.75 - up * 0.8 - f * 0.25 } else { out * 0.5 - up * 0.45 - f * 0.75 };
            middle(shoulders[k], hands[k], UPPER_ARM, FOREARM, bend)
        });

        let thighs = [hips - right * 0.10 - up * 0.03, hips + right * 0.10 - up * 0.03];
        let ankles = std::array::from_fn(|k| {
            let [forward, side] = stance.feet[k];
            let spot = self.spot + f * forward + r * side + up * (0.095 + lift[k]);
            reached(thighs[k], spot, (THIGH + SHIN) * 0.995)
        });
        let toes = std::array::from_fn(|k| {
            let out: f32 = if k == 0 { -0.35 } else { 0.45 };
            ankles[k] + (f + r * out).unit() * 0.17 - up * (0.055 + lift[k] * 0.25)
        });
        let knees = std::array::from_fn(|k| {
            let out = if k == 0 { -0.3 } else { 0.35 };
            middle(thighs[k], ankles[k], THIGH, SHIN, f + r * out)
        });
        let pole = [grip - aim * below, grip + aim * (POLE - below)];
        let (forward, broad) = (f, broad);
        Joints {
            forward,
            right,
            broad,
            spine,
            hips,
            chest,
            head,
            shoulders,
            elbows,
            hands,
            thighs,
            knees,
            ankles,
            toes,
            pole,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limbs_keep_their_lengths() {
        let (from, bend) = (vec3(0.0, 1.0, 0.0), vec3(0.0, 0.0, 1.0));
        for end in [vec3(0.3, 0.7, 0.1), vec3(0.0, 0.45, 0.0), vec3(0.57, 1.0, 0.0)] {
            let joint = middle(from, end, 0.30, 0.28, bend);
            assert!(((joint - from).length() - 0.30).abs() < 1e-3);
            assert!(((joint - end).length() - 0.28).abs() < 5e-3, "{end:?}");
        }
    }
}
