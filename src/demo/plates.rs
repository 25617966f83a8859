//! The plates of *The Brine Lamp*: their frames, cameras and people.
//!
//! Knows one row a plate. Does not know how a frame is drawn or where its file lies.

use std::sync::OnceLock;

use super::body::Who;
use super::camera::Move;
use super::math::vec3;
use super::moves;
use super::pose::Part;
use super::strays::Stray;
use crate::base::frames::FrameRange;

/// How a plate's files hold its frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carrier {
    /// OpenEXR, half float, RGB or RGBA: linear, with the film's primaries.
    ExrLinear,
    /// PNG of 16 bits a sample, encoded as sRGB.
    Png16Srgb,
    /// DPX of 10 bits a sample, encoded as Rec. 709.
    Dpx10Rec709,
}

/// One generated plate.
pub struct DemoPlate {
    /// Its name in the declaration; its files are `plates/NAME/NAME.FRAME.EXT`.
    pub name: &'static str,
    /// The frames that exist.
    pub frames: FrameRange,
    /// What is in it.
    pub shows: &'static str,
    /// How its files hold it.
    pub carrier: Carrier,
    /// Frames that the camera took in a twenty-fourth of a second: more than one are shot to be slowed down.
    pub(super) pace: i64,
    /// The camera; its frames, and those of the people's keys, are of a twenty-fourth of a second each.
    pub(super) camera: Move,
    /// Everyone in it.
    pub(super) people: Vec<(Who, Part)>,
    /// What lies in it and must go.
    pub(super) strays: Vec<Stray>,
    /// Density of the steam.
    pub(super) steam: f32,
    /// Radius of the blur of what is out of focus, in pixels, and the depth in focus in metres.
    pub(super) soft: (usize, f32),
    /// Strength of the grain.
    pub(super) grain: f32,
    /// Exposure: a factor on light.
    pub(super) exposure: f32,
}

impl DemoPlate {
    /// How the rig strayed in this take: frames that it started late, and pixels right and down that its picture lies
    /// off on a frame.
    pub fn strayed(&self, number: i64) -> (f32, (f32, f32)) {
        (self.camera.late, self.camera.off(self.time(number)))
    }

    /// Exposure: a factor on light.
    pub fn exposure(&self) -> f32 {
        self.exposure
    }

    /// When a frame was taken, in twenty-fourths of a second.
    pub(super) fn time(&self, number: i64) -> f32 {
        self.frames.first as f32 + (number - self.frames.first) as f32 / self.pace as f32
    }

    /// Ending of its files' names.
    pub fn extension(&self) -> &'static str {
        match self.carrier {
            Carrier::ExrLinear => "exr",
            Carrier::Png16Srgb => "png",
            Carrier::Dpx10Rec709 => "dpx",
        }
    }
}

/// A plate with what most of them share.
fn plate(name: &'static str, frames: (i64, i64), shows: &'static str, camera: Move) -> DemoPlate {
    DemoPlate {
        name,
        frames: FrameRange::new(frames.0, frames.1),
        shows,
        carrier: Carrier::ExrLinear,
        pace: 1,
        camera,
        people: vec![],
        strays: vec![],
        steam: 1.0,
        soft: (2, 6.5),
        grain: 1.0,
        exposure: 1.0,
    }
}

/// A move over frames, from and to: eye, target, focal length.
fn travel(frames: (f32, f32), from: [f32; 7], to: [f32; 7], sway: f32, seed: u32) -> Move {
    let [a, b] = [from, to].map(|m| (vec3(m[0], m[1], m[2]), vec3(m[3], m[4], m[5]), m[6]));
    Move {
        frames,
        eye: (a.0, b.0),
        target: (a.1, b.1),
        focal: (a.2, b.2),
        sway,
        seed,
        offset: (0.0, 0.0),
        drift: 0.0,
        late: 0.0,
    }
}

fn duels() -> Vec<DemoPlate> {
    let side = travel(
        (1005.0, 1044.0),
        [-1.35, 1.42, 1.55, -0.95, 1.12, 6.7, 860.0],
        [-0.35, 1.36, 1.75, -0.90, 1.14, 6.7, 880.0],
        0.030,
        2,
    );
    let round = travel(
        (1005.0, 1048.0),
        [0.55, 1.55, 1.60, -0.42, 1.10, 6.3, 840.0],
        [-0.45, 1.50, 1.85, -0.38, 1.12, 6.3, 860.0],
        0.035,
        3,
    );
    // The clean plate was taken afterwards: the rig came back a little off, and the lamps burnt higher.
    let mut again = round;
    again.offset = (0.35, -0.2);
    let close = travel(
        (1005.0, 1036.0),
        [-1.90, 1.02, 2.15, -0.58, 1.04, 6.4, 850.0],
        [-1.50, 0.94, 2.25, -0.56, 1.06, 6.4, 875.0],
        0.028,
        4,
    );
    let low = travel(
        (1005.0, 1044.0),
        [-0.25, 0.78, 2.10, -0.70, 1.22, 6.2, 800.0],
        [-0.95, 0.74, 2.20, -0.68, 1.20, 6.2, 820.0],
        0.020,
        6,
    );
    vec![
        DemoPlate {
            people: moves::duel_a(),
            ..plate("duel-a", (1005, 1044), "the duel from the side: two blows and their parries", side)
        },
        DemoPlate {
            people: moves::duel_b(),
            ..plate(
                "duel-b",
                (1005, 1048),
                "the duel, with one of the crew strayed into frame at the right",
                round,
            )
        },
        DemoPlate {
            exposure: 1.06,
            ..plate("duel-b-clean", (1005, 1048), "the same move as the duel's, with nobody in it", again)
        },
        DemoPlate {
            people: moves::duel_close(),
            soft: (5, 6.0),
            exposure: 1.15,
            ..plate("duel-close", (1005, 1036), "the poles meet low over the floor, close", close)
        },
        DemoPlate {
            people: moves::swing(),
            soft: (3, 6.2),
            pace: 3,
            ..plate("swing", (1005, 1122), "one great sweep at 72 frames a second, to be slowed down", low)
        },
    ]
}

/// Three takes of one move on a rail: someone left, the same man right, and nobody.
fn takes() -> Vec<DemoPlate> {
    let rail = travel(
        (1005.0, 1036.0),
        [-1.75, 1.50, 1.20, -1.25, 1.15, 6.6, 850.0],
        [-0.85, 1.46, 1.45, -1.00, 1.15, 6.6, 850.0],
        0.0,
        5,
    );
    let mut right = rail;
    right.offset = (0.35, -0.2);
    vec![
        DemoPlate {
            people: moves::rake_left(),
            ..plate("rake-left", (1005, 1036), "the raker on the left of a repeated move", rail)
        },
        DemoPlate {
            people: moves::rake_right(),
            ..plate("rake-right", (1005, 1036), "the same man on the right of the same move", right)
        },
        plate("rake-clean", (1005, 1036), "the same move with nobody in it", rail),
    ]
}

/// A take of the move with five places: who stands there, and how the rig strayed this time.
struct Five {
    name: &'static str,
    frames: (i64, i64),
    shows: &'static str,
    people: Vec<(Who, Part)>,
    late: f32,
    offset: (f32, f32),
    exposure: f32,
}

/// One man at five places of one move: five takes and an empty one. The rig is pulled by hand, so that no take starts on
/// the same frame nor comes back to the same pixel, and the lamps burn a little higher or lower each time.
fn fives() -> Vec<DemoPlate> {
    let pull = travel(
        (1002.0, 1033.0),
        [-2.15, 1.62, 0.55, -1.35, 1.15, 6.8, 840.0],
        [-0.55, 1.50, 1.10, -0.80, 1.15, 6.8, 840.0],
        0.0,
        9,
    );
    let five = |name, frames, shows, people, late, offset, exposure| Five {
        name,
        frames,
        shows,
        people,
        late,
        offset,
        exposure,
    };
    let takes = vec![
        five("five-far", (1004, 1032), "far off", moves::five_far(), -0.35, (0.6, -0.45), 1.06),
        five("five-left", (1005, 1035), "at the left", moves::five_left(), 2.4, (-0.8, 0.3), 0.95),
        five("five-right", (1003, 1032), "at the right", moves::five_right(), -1.6, (0.25, 0.7), 1.03),
        five("five-middle", (1005, 1034), "in the middle", moves::five_middle(), 1.27, (1.4, -1.1), 0.97),
        five("five-near", (1005, 1036), "close by", moves::five_near(), 3.0, (-0.4, -0.65), 1.09),
    ];
    let taken = takes.into_iter().enumerate().map(|(i, take)| {
        let strayed =
            Move { late: take.late, offset: take.offset, drift: 0.3, seed: 60 + 10 * i as u32, ..pull };
        DemoPlate {
            people: take.people,
            exposure: take.exposure,
            ..plate(take.name, take.frames, take.shows, strayed)
        }
    });
    let clean = plate("five-clean", (1005, 1032), "the move with five places, nobody in it", pull);
    taken.chain([clean]).collect()
}

fn plain() -> Vec<DemoPlate> {
    let wide = travel(
        (1005.0, 1052.0),
        [-0.75, 2.30, -4.60, -0.25, 1.55, 8.0, 700.0],
        [-0.55, 2.05, -3.30, -0.25, 1.45, 8.0, 700.0],
        0.008,
        1,
    );
    let brine = travel(
        (989.0, 1032.0),
        [1.60, 0.67, 1.70, 1.43, 0.71, 13.4, 740.0],
        [1.66, 0.52, 4.10, 1.40, 0.74, 15.0, 740.0],
        0.006,
        7,
    );
    let end = travel(
        (1005.0, 1044.0),
        [-2.20, 1.60, 1.30, -0.75, 1.22, 8.0, 800.0],
        [-1.95, 1.52, 2.20, -0.70, 1.25, 8.0, 820.0],
        0.012,
        8,
    );
    vec![
        DemoPlate {
            people: moves::wide(),
            exposure: 1.3,
            steam: 1.25,
            soft: (0, 9.0),
            carrier: Carrier::Dpx10Rec709,
            ..plate(
                "shed-wide",
                (1005, 1052),
                "the shed by lamplight; the two walk up to each other, and someone crosses at the right",
                wide,
            )
        },
        DemoPlate {
            strays: vec![Stray::Arm],
            steam: 1.2,
            soft: (0, 9.0),
            carrier: Carrier::Png16Srgb,
            ..plate("brine", (989, 1032), "along the brine channel, lamps mirrored in it", brine)
        },
        DemoPlate {
            people: moves::ending(),
            strays: vec![Stray::Mark(-2.1, 6.8)],
            steam: 1.3,
            soft: (2, 7.0),
            ..plate("ending-2", (1005, 1044), "the reshot ending: one stays, one walks into the mist", end)
        },
    ]
}

/// All plates, by the shots that use them.
pub fn plates() -> &'static [DemoPlate] {
    static PLATES: OnceLock<Vec<DemoPlate>> = OnceLock::new();
    PLATES.get_or_init(|| {
        let mut all = plain();
        all.extend(duels());
        all.extend(takes());
        all.extend(fives());
        all.sort_by_key(|plate| ORDER.iter().position(|&name| name == plate.name));
        all
    })
}

/// Plates in the order of the film.
const ORDER: [&str; 17] = [
    "shed-wide",
    "duel-a",
    "duel-b",
    "duel-b-clean",
    "duel-close",
    "rake-left",
    "rake-right",
    "rake-clean",
    "five-far",
    "five-left",
    "five-right",
    "five-middle",
    "five-near",
    "five-clean",
    "swing",
    "brine",
    "ending-2",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_plate_has_its_place_in_the_film() {
        let names: Vec<_> = plates().iter().map(|plate| plate.name).collect();
        assert_eq!(names, ORDER);
    }
}
