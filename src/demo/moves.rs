//! Who does what in each plate: the duel's blows as keyed stances.
//!
//! Knows stances by name and the frames at which they are reached. Does not know joints.

use super::body::Who;
use super::math::vec3;
use super::pose::{Key, Pace, Part, Stance};

/// Pole aslant before the body, from the right hip to over the left foot, which stands forward.
pub const GUARD: Stance = Stance {
    hips: [0.0, 0.90, 0.0],
    spine: [0.10, 0.0, 0.45],
    feet: [[0.30, -0.10], [-0.30, 0.16]],
    grip: [0.42, 1.24, -0.08],
    aim: [0.36, 0.86, -0.36],
    below: [0.52, 0.94],
};
/// Pole lifted beside the head, level, to come down from above.
const LIFTED: Stance = Stance {
    hips: [-0.04, 0.93, 0.0],
    spine: [-0.06, 0.02, 0.60],
    feet: [[0.30, -0.10], [-0.34, 0.18]],
    grip: [0.38, 1.72, 0.12],
    aim: [0.95, 0.22, -0.15],
    below: [0.56, 0.98],
};
/// Pole drawn out to the left, to come round in a wide sweep.
const DRAWN: Stance = Stance {
    hips: [-0.10, 0.87, 0.02],
    spine: [0.06, -0.04, -0.35],
    feet: [[0.30, -0.10], [-0.36, 0.20]],
    grip: [0.26, 1.22, -0.26],
    aim: [0.02, 0.60, -0.80],
    below: [0.50, 0.90],
};
/// Weight thrown forward behind a blow.
const STRUCK: Stance = Stance {
    hips: [0.40, 0.80, 0.0],
    spine: [0.36, 0.0, 0.40],
    feet: [[0.80, -0.10], [-0.26, 0.16]],
    grip: [0.98, 1.20, 0.15],
    aim: [0.93, 0.30, -0.10],
    below: [0.40, 0.98],
};
/// The same low over the floor, as one draws salt together.
const SWEPT: Stance = Stance {
    hips: [0.36, 0.72, 0.0],
    spine: [0.52, 0.0, 0.35],
    feet: [[0.76, -0.10], [-0.34, 0.16]],
    grip: [0.96, 0.76, 0.15],
    aim: [0.86, -0.42, -0.10],
    below: [0.37, 0.92],
};
/// A blow taken: sunk back over the rear foot, pole held upright against it.
const PARRIED: Stance = Stance {
    hips: [-0.06, 0.83, 0.0],
    spine: [0.04, -0.06, 0.30],
    feet: [[0.26, -0.10], [-0.42, 0.18]],
    grip: [0.48, 1.30, -0.06],
    aim: [0.20, 0.95, -0.10],
    below: [0.42, 1.00],
};
/// A blow taken low: pole set upright on the floor ahead, and leant against.
const PLANTED: Stance = Stance {
    hips: [0.0, 0.84, 0.0],
    spine: [0.20, -0.03, 0.30],
    feet: [[0.30, -0.12], [-0.44, 0.18]],
    grip: [0.56, 1.24, -0.06],
    aim: [0.02, 1.00, -0.04],
    below: [0.30, 1.225],
};
/// Pole low, its end just over the floor ahead.
pub const LOW: Stance = Stance {
    hips: [0.0, 0.91, 0.0],
    spine: [0.18, 0.02, 0.35],
    feet: [[0.28, -0.10], [-0.28, 0.16]],
    grip: [0.48, 0.94, 0.08],
    aim: [0.84, -0.44, -0.28],
    below: [0.54, 0.86],
};
/// At rest, leaning on the pole that stands upright on the floor.
pub const REST: Stance = Stance {
    hips: [0.0, 0.965, 0.0],
    spine: [0.05, 0.0, 0.10],
    feet: [[0.05, -0.12], [-0.06, 0.13]],
    grip: [0.30, 1.24, -0.02],
    aim: [0.05, 1.0, 0.03],
    below: [0.20, 1.225],
};
/// Pole over the left shoulder, as one walks home with a rake.
pub const SHOULDERED: Stance = Stance {
    hips: [0.0, 0.965, 0.0],
    spine: [0.04, 0.0, 0.05],
    feet: [[0.05, -0.12], [-0.06, 0.13]],
    grip: [0.22, 1.40, -0.21],
    aim: [-0.80, 0.58, -0.08],
    below: [0.22, 0.52],
};
/// Someone without a pole, hands before the body.
const IDLE: Stance = Stance {
    hips: [0.0, 0.965, 0.0],
    spine: [0.03, 0.0, 0.10],
    feet: [[0.05, -0.12], [-0.06, 0.13]],
    grip: [0.098, 1.046, 0.028],
    aim: [-0.55, 0.68, -0.28],
    below: [0.17, 0.25],
};

fn key(frame: f32, stance: Stance, pace: Pace) -> Key {
    Key { frame, stance, pace }
}

/// A body that lunges leaves its stance the further it reaches.
fn part(x: f32, z: f32, facing: (f32, f32), keys: Vec<Key>, seed: u32) -> Part {
    Part { spot: vec3(x, 0.0, z), facing: vec3(facing.0, 0.0, facing.1).unit(), keys, seed }
}

/// Stances of a walk of `count` steps, `pace` frames each, `stride` metres long; the left foot first.
pub fn walk(stance: Stance, first: f32, count: usize, pace: f32, stride: f32) -> Vec<Key> {
    let mut keys = vec![key(first, stance, Pace::Eased)];
    for i in 0..count {
        let done = (i + 1) as f32 * stride;
        let mut s = stance;
        s.hips[0] += done - stride * 0.5;
        s.grip[0] += done - stride * 0.5;
        s.hips[1] -= 0.015;
        let swing = if i % 2 == 0 { 0.12 } else { -0.12 };
        s.spine[2] += swing;
        let (ahead, behind) = (i % 2, (i + 1) % 2);
        s.feet[ahead][0] = done;
        s.feet[behind][0] = if i == 0 { stance.feet[behind][0] } else { done - stride };
        keys.push(key(first + (i + 1) as f32 * pace, s, Pace::Eased));
    }
    keys
}

/// Both fighters, walking up to each other down the shed, and one of the crew who crosses beyond the channel.
pub fn wide() -> Vec<(Who, Part)> {
    let mut keeper = walk(SHOULDERED, 1000.0, 3, 13.0, 0.52);
    keeper.push(key(1056.0, GUARD.moved(1.55, 0.0), Pace::Eased));
    let raker = vec![
        key(1000.0, REST, Pace::Eased),
        key(1014.0, REST, Pace::Eased),
        key(1026.0, LOW, Pace::Eased),
        // His pole is up, before what is dark, when the keeper comes near.
        key(1040.0, GUARD, Pace::Eased),
    ];
    vec![
        (Who::Keeper, part(-2.7, 7.6, (1.0, 0.12), keeper, 11)),
        (Who::Raker, part(0.30, 8.0, (-1.0, -0.12), raker, 12)),
        (Who::Crew, part(4.5, 6.4, (-1.0, 0.05), walk(IDLE, 1000.0, 4, 14.0, 0.36), 13)),
    ]
}

/// Half the distance at which the fighters of the duel plates stand, in metres.
const HALF: f32 = 1.10;

/// The two of a duel, facing each other about a middle, along a direction on the floor.
fn pair(middle: (f32, f32), along: (f32, f32), keeper: Vec<Key>, raker: Vec<Key>) -> Vec<(Who, Part)> {
    let d = vec3(along.0, 0.0, along.1).unit();
    let at = |sign: f32| (middle.0 + d.x * HALF * sign, middle.1 + d.z * HALF * sign);
    let (k, r) = (at(-1.0), at(1.0));
    vec![
        (Who::Keeper, part(k.0, k.1, (d.x, d.z), keeper, 21)),
        (Who::Raker, part(r.0, r.1, (-d.x, -d.z), raker, 22)),
    ]
}

/// A spot between the two, as each of them measures it: `ahead` of the middle towards the raker.
fn spot(ahead: f32, up: f32, right: f32) -> ([f32; 3], [f32; 3]) {
    ([HALF + ahead, up, right], [HALF - ahead, up, -right])
}

/// Two blows and their parries: the keeper's from above, the raker's from the side.
pub fn duel_a() -> Vec<(Who, Part)> {
    let (over_k, _) = spot(0.60, 1.46, 0.0);
    let (_, side_r) = spot(-0.60, 1.40, -0.06);
    let keeper = vec![
        key(1003.0, GUARD, Pace::Eased),
        key(1012.0, LIFTED, Pace::Eased),
        key(1017.0, STRUCK.through(over_k), Pace::Blow),
        key(1019.0, STRUCK.moved(0.03, 0.0).through(over_k), Pace::Eased),
        key(1025.0, GUARD.moved(0.12, 0.0), Pace::Rebound),
        key(1031.0, PARRIED, Pace::Eased),
        key(1034.0, PARRIED.moved(-0.04, 0.0), Pace::Eased),
        key(1042.0, GUARD.moved(-0.08, 0.0), Pace::Rebound),
    ];
    let raker = vec![
        key(1003.0, GUARD.moved(-0.05, 0.0), Pace::Eased),
        key(1011.0, GUARD, Pace::Eased),
        key(1017.0, PARRIED, Pace::Eased),
        key(1019.0, PARRIED.moved(-0.03, 0.0), Pace::Eased),
        key(1026.0, DRAWN, Pace::Rebound),
        key(1031.0, STRUCK.through(side_r), Pace::Blow),
        key(1034.0, STRUCK.moved(0.04, 0.0).through(side_r), Pace::Eased),
        key(1042.0, LOW.moved(0.05, 0.0), Pace::Rebound),
    ];
    pair((-0.95, 6.7), (1.0, 0.10), keeper, raker)
}

/// A flurry with a bystander who has strayed into the frame.
pub fn duel_b() -> Vec<(Who, Part)> {
    let (low_k, _) = spot(0.58, 1.16, 0.04);
    let (_, high_r) = spot(-0.58, 1.56, 0.0);
    let keeper = vec![
        key(1003.0, LOW, Pace::Eased),
        key(1010.0, DRAWN, Pace::Eased),
        key(1015.0, STRUCK.held(0.0, -0.10, 0.0).through(low_k), Pace::Blow),
        key(1018.0, STRUCK.moved(0.02, 0.0).held(0.0, -0.10, 0.0).through(low_k), Pace::Eased),
        key(1024.0, GUARD.moved(-0.02, 0.0), Pace::Rebound),
        key(1030.0, PARRIED, Pace::Eased),
        key(1033.0, PARRIED.moved(-0.05, 0.0), Pace::Eased),
        key(1041.0, GUARD.moved(0.05, 0.0), Pace::Rebound),
        key(1048.0, LOW.moved(0.05, 0.0), Pace::Eased),
    ];
    let raker = vec![
        key(1003.0, GUARD, Pace::Eased),
        key(1015.0, PARRIED, Pace::Eased),
        key(1018.0, PARRIED.moved(-0.02, 0.0), Pace::Eased),
        key(1025.0, LIFTED.moved(-0.20, 0.0), Pace::Rebound),
        key(1030.0, STRUCK.through(high_r), Pace::Blow),
        key(1033.0, STRUCK.moved(0.05, 0.0).through(high_r), Pace::Eased),
        key(1041.0, DRAWN, Pace::Rebound),
        key(1048.0, GUARD, Pace::Eased),
    ];
    let mut people = pair((-0.80, 6.3), (1.0, -0.28), keeper, raker);
    let mut idle = IDLE;
    idle.grip = [0.211, 1.110, 0.191];
    idle.aim = [-0.35, -0.30, 0.9];
    let mut turned = idle;
    turned.hips[2] = 0.06;
    turned.spine = [0.10, 0.05, -0.25];
    turned.grip = [0.191, 1.170, 0.251];
    let crew = vec![
        key(1000.0, idle, Pace::Eased),
        key(1026.0, turned, Pace::Eased),
        key(1050.0, idle, Pace::Eased),
    ];
    people
        .push((Who::Crew, Part { spot: vec3(2.80, 0.09, 7.9), ..part(2.80, 7.9, (-1.0, -0.25), crew, 23) }));
    people
}

/// The poles meet low over the floor: a sweep is stopped by a pole set upright, both press, and spring apart.
pub fn duel_close() -> Vec<(Who, Part)> {
    let (low_k, _) = spot(0.50, 0.40, 0.0);
    let (press_k, _) = spot(0.56, 0.46, 0.0);
    let set = PLANTED.moved(0.08, 0.0);
    let mut pressed = set.held(0.08, -0.06, 0.0);
    pressed.aim = [0.16, 1.0, -0.04];
    let keeper = vec![
        key(1003.0, DRAWN.moved(0.10, 0.0), Pace::Eased),
        key(1010.0, SWEPT.through(low_k), Pace::Blow),
        key(1013.0, SWEPT.moved(0.02, 0.0).through(low_k), Pace::Eased),
        key(1023.0, SWEPT.moved(0.08, 0.02).through(press_k), Pace::Eased),
        key(1033.0, LOW.moved(0.15, 0.0), Pace::Rebound),
        key(1040.0, GUARD, Pace::Eased),
    ];
    let raker = vec![
        key(1003.0, REST.moved(0.15, 0.0), Pace::Eased),
        key(1009.0, set, Pace::Eased),
        key(1013.0, set, Pace::Eased),
        key(1023.0, pressed, Pace::Eased),
        key(1032.0, PARRIED.moved(-0.05, 0.0), Pace::Rebound),
        key(1040.0, GUARD.moved(-0.05, 0.0), Pace::Eased),
    ];
    pair((-0.75, 6.4), (1.0, 0.06), keeper, raker)
}

/// The raker on the left of a take that will be joined: shifts the pole and looks across.
pub fn rake_left() -> Vec<(Who, Part)> {
    let keys = vec![
        key(1003.0, REST, Pace::Eased),
        key(1014.0, LOW, Pace::Eased),
        key(1028.0, GUARD, Pace::Eased),
        key(1036.0, GUARD.moved(0.04, 0.0), Pace::Eased),
    ];
    vec![(Who::Raker, part(-2.35, 6.4, (0.92, -0.38), keys, 31))]
}

/// The same man on the right, and further off.
pub fn rake_right() -> Vec<(Who, Part)> {
    let keys = vec![
        key(1003.0, GUARD, Pace::Eased),
        key(1013.0, LIFTED, Pace::Eased),
        key(1022.0, DRAWN, Pace::Eased),
        key(1034.0, LOW, Pace::Eased),
    ];
    vec![(Who::Raker, part(0.15, 6.9, (-0.90, -0.42), keys, 32))]
}

/// One man at five places, each in a take of its own: off at the end of the shed, at rest.
pub fn five_far() -> Vec<(Who, Part)> {
    let keys =
        vec![key(1000.0, REST, Pace::Eased), key(1018.0, LOW, Pace::Eased), key(1036.0, GUARD, Pace::Eased)];
    vec![(Who::Raker, part(-0.85, 10.2, (0.25, -1.0), keys, 33))]
}

/// At the left, drawing the pole aside.
pub fn five_left() -> Vec<(Who, Part)> {
    let keys = vec![
        key(1000.0, GUARD, Pace::Eased),
        key(1016.0, DRAWN, Pace::Eased),
        key(1036.0, GUARD.moved(0.05, 0.0), Pace::Eased),
    ];
    vec![(Who::Raker, part(-2.45, 7.6, (0.92, -0.38), keys, 34))]
}

/// At the right, lowering the pole.
pub fn five_right() -> Vec<(Who, Part)> {
    let keys = vec![
        key(1000.0, SHOULDERED, Pace::Eased),
        key(1020.0, LOW, Pace::Eased),
        key(1036.0, REST, Pace::Eased),
    ];
    vec![(Who::Raker, part(0.55, 7.9, (-0.90, -0.42), keys, 35))]
}

/// In the middle, turning a blow aside.
pub fn five_middle() -> Vec<(Who, Part)> {
    let keys = vec![
        key(1000.0, LOW, Pace::Eased),
        key(1014.0, PARRIED, Pace::Eased),
        key(1030.0, GUARD, Pace::Rebound),
        key(1040.0, GUARD, Pace::Eased),
    ];
    vec![(Who::Raker, part(-0.45, 7.2, (0.15, -1.0), keys, 36))]
}

/// Close by, looking up; from the lens he stands before the one at the left.
pub fn five_near() -> Vec<(Who, Part)> {
    let keys = vec![
        key(1000.0, REST, Pace::Eased),
        key(1024.0, SHOULDERED, Pace::Eased),
        key(1040.0, REST, Pace::Eased),
    ];
    vec![(Who::Raker, part(-1.85, 5.5, (0.80, 0.60), keys, 37))]
}

/// One great sweep, to be slowed down.
pub fn swing() -> Vec<(Who, Part)> {
    let (hit_k, _) = spot(0.56, 0.98, 0.0);
    let mut far_out = DRAWN.moved(0.10, 0.0);
    far_out.spine[2] = -0.75;
    far_out.hips[1] = 0.82;
    let sweep = STRUCK.held(-0.02, -0.14, 0.0);
    let keeper = vec![
        key(1003.0, GUARD.moved(-0.10, 0.0), Pace::Eased),
        key(1013.0, LOW.moved(-0.05, 0.0), Pace::Eased),
        key(1020.0, far_out, Pace::Eased),
        key(1026.0, sweep.moved(0.04, 0.0).through(hit_k), Pace::Blow),
        key(1030.0, sweep.moved(0.08, 0.0).through(hit_k), Pace::Eased),
        key(1044.0, LOW.moved(0.20, 0.0), Pace::Rebound),
        key(1054.0, GUARD.moved(0.16, 0.0), Pace::Eased),
    ];
    let mut knocked = PLANTED.moved(-0.12, 0.0);
    knocked.hips[1] = 0.74;
    knocked.spine = [-0.06, -0.10, 0.10];
    knocked.aim = [-0.10, 1.0, -0.06];
    let raker = vec![
        key(1003.0, REST, Pace::Eased),
        key(1019.0, GUARD, Pace::Eased),
        key(1025.0, PLANTED, Pace::Eased),
        key(1026.0, PLANTED, Pace::Eased),
        key(1030.0, knocked, Pace::Eased),
        key(1044.0, PARRIED.moved(-0.20, 0.0), Pace::Rebound),
        key(1054.0, GUARD.moved(-0.16, 0.0), Pace::Eased),
    ];
    pair((-0.80, 6.2), (1.0, 0.22), keeper, raker)
}

/// The keeper left standing on the pole, the raker walking away into the mist, pole on the shoulder.
pub fn ending() -> Vec<(Who, Part)> {
    let mut lowered = REST;
    lowered.spine = [0.09, 0.0, 0.05];
    lowered.hips[1] = 0.955;
    let keeper = vec![
        key(1003.0, LOW, Pace::Eased),
        key(1022.0, REST, Pace::Eased),
        key(1046.0, lowered, Pace::Eased),
    ];
    let raker = walk(SHOULDERED, 998.0, 4, 14.0, 0.56);
    vec![
        (Who::Keeper, part(-1.45, 6.2, (0.55, 0.84), keeper, 41)),
        (Who::Raker, part(-0.10, 9.4, (0.26, 1.0), raker, 42)),
    ]
}
