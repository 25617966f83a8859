//! The demo film's shapes files: rods, holdouts and mattes, keyed as a careful person would.
//!
//! Knows how few keys keep a shape within a pixel or so of the truth, and the text of a shapes
//! file. Does not know how outlines come about.

use std::fmt::Write;

use super::body::{Limb, Who};
use super::frame::armed;
use super::hidden::seen;
use super::keys::{HOLDOUT_SLACK, Keyed, holdout, thinned};
use super::math::{Vec3, cos_turns, sin_turns, vec3};
use super::outline::{self, CAST, FITTINGS, Figure, PARTS, SHINS, Spot};
use super::plates::{DemoPlate, plates};
use super::ramp;
use super::strays::{self, Stray};
use crate::base::frames::FrameRange;

/// Furthest that a rod's end between keys may lie from a straight move, in pixels: little, as a flowing rod bends the
/// move by how it came and how it goes on.
const ROD_SLACK: f32 = 0.25;
/// Furthest that it may lie, a frame before and after such a move, from going on the same way: a flowing rod that comes
/// fast to a slow move goes astray between its keys.
const ROD_BEND: f32 = 3.0;
/// The same for corners of whole figures.
const FIGURE_SLACK: f32 = 5.0;
/// How far outside of a whole figure its outline is drawn, in pixels.
const MARGIN: f32 = 12.0;

/// Around the shadow that the crew's man throws on the floor and on the kerb's side, with room for its soft edge: x and
/// z in metres. What he darkens must go with him.
const CREW_SHADOW: [(f32, f32); 9] = [
    (2.98, 11.09),
    (3.09, 9.77),
    (3.81, 8.85),
    (1.95, 5.98),
    (1.93, 6.4),
    (1.93, 6.9),
    (1.95, 7.4),
    (2.02, 8.1),
    (2.51, 9.47),
];
/// How high that floor lies, between the yard and the kerb.
const CREW_FLOOR: f32 = 0.05;

/// How far outside of a man, and of his pole, the outlines of the five places are drawn, and their feather, in pixels:
/// room for the blur of the shutter, and little else, since the others' shadows fall on all that they leave out.
const CLOSE: f32 = 3.0;
const CLOSE_FEATHER: f32 = 3.0;
/// The feather of a matte that a grade is limited by, in pixels: a correction shows no edge, and hardly reaches beyond the figure.
const CAST_FEATHER: f32 = 4.0;
/// Around the shadow of one of the five on the floor: radius in metres and its feather in pixels.
const SHADOW_AROUND: f32 = 2.1;
const SHADOW_FEATHER: f32 = 40.0;
/// The post that whoever crosses passes behind: x and z in metres.
const POST: [f32; 2] = [3.5, 4.0];
/// The places on the floor by which the brine's plate is tracked, from the far left clockwise, and how near to them a straight
/// move between keys must stay, in pixels.
const FLOOR: [Vec3; 4] =
    [vec3(-1.2, 0.0, 9.0), vec3(0.6, 0.0, 9.0), vec3(0.6, 0.0, 6.2), vec3(-1.2, 0.0, 6.2)];
const PLACE_SLACK: f32 = 0.1;
/// How far around whoever crosses the ground goes with him, in metres.
const CROSSING: f32 = 0.55;
/// How far outside of the mark's strips of tape they are outlined, in metres, and the feather, in pixels: so little is made up
/// that the floor between the strips is the floor, and so softly that no edge shows.
const MARKED: f32 = 0.06;
const MARK_FEATHER: f32 = 12.0;

/// A plate as a shot's roto sees it.
struct View {
    plate: &'static DemoPlate,
    /// The shot's frames, and the plate's frame that each of them shows.
    frames: FrameRange,
    shown: fn(i64) -> i64,
}

impl View {
    /// A plate at its own speed.
    fn of(plate: &'static DemoPlate) -> Self {
        View { plate, frames: plate.frames, shown: |frame| frame }
    }

    /// A person on every frame.
    fn figures(&self, index: usize) -> Vec<Figure> {
        self.frames.iter().map(|n| Figure::of(self.plate, index, (self.shown)(n))).collect()
    }

    /// Holdouts of all parts of a person that ever stand before a pole.
    fn holdouts(&self, index: usize, name: &str) -> Vec<Keyed> {
        let figures = self.figures(index);
        let parts = figures[0].parts().into_iter();
        parts
            .filter_map(|part| holdout(self.frames, &figures, &format!("{name} {}", part.name), &part))
            .collect()
    }

    /// Some parts of a person.
    fn body<'a>(&self, index: usize, parts: impl Iterator<Item = &'a (&'a str, &'a [Limb])>) -> Vec<Keyed> {
        let figures = self.figures(index);
        let outline = |limbs: &[Limb]| figures.iter().map(|f| f.outline::<12>(limbs).to_vec()).collect();
        parts.map(|(part, limbs)| self.keyed(part, outline(limbs))).collect()
    }

    /// An outline of places in the room, given for each frame.
    fn ground<const N: usize>(&self, name: &str, places: impl Fn(i64) -> [Vec3; N]) -> Keyed {
        let outline = |n| outline::corners(self.plate, (self.shown)(n), places(n)).to_vec();
        self.keyed(name, self.frames.iter().map(outline).collect())
    }

    /// An outline with as few keys as will do.
    fn keyed(&self, name: &str, outlines: Vec<Vec<Spot>>) -> Keyed {
        Keyed { name: name.into(), keys: thinned(self.frames.first, &outlines, HOLDOUT_SLACK, f32::INFINITY) }
    }

    /// A person and the pole, closely: the outlines that a take is joined by.
    fn closely(&self, index: usize) -> Vec<Keyed> {
        let figures = self.figures(index);
        let parts = PARTS.iter().chain(&FITTINGS).chain(&SHINS);
        let around = |limbs: &[Limb]| figures.iter().map(|f| f.around::<12>(limbs, CLOSE).to_vec()).collect();
        let mut all: Vec<Keyed> = parts.map(|(part, limbs)| self.keyed(part, around(limbs))).collect();
        all.push(self.keyed("pole", figures.iter().map(|f| f.glass(CLOSE).to_vec()).collect()));
        all
    }

    /// The floor that a person's shadow falls on.
    fn shaded(&self, index: usize) -> Vec<Keyed> {
        let spot = self.plate.people[index].1.spot;
        let ring: [Vec3; 12] = std::array::from_fn(|i| {
            let turns = i as f32 / 12.0;
            spot + vec3(cos_turns(turns), 0.0, sin_turns(turns)) * SHADOW_AROUND
        });
        let outlines: Vec<Vec<Spot>> = self
            .frames
            .iter()
            .map(|n| outline::corners(self.plate, (self.shown)(n), ring).to_vec())
            .collect();
        vec![Keyed {
            name: "floor".into(),
            keys: thinned(self.frames.first, &outlines, FIGURE_SLACK, f32::INFINITY),
        }]
    }

    /// Writes the keys of the pole that is `index` among the plate's.
    fn rod(&self, text: &mut String, index: usize, name: &str) {
        let ends = self.frames.iter().map(|number| {
            let (_, base, tip) = rods(self.plate, (self.shown)(number))[index];
            vec![base, tip]
        });
        let ends: Vec<Vec<Spot>> = ends.collect();
        let _ = writeln!(text, "  {name}:\n    keys:");
        for (frame, ends) in thinned(self.frames.first, &ends, ROD_SLACK, ROD_BEND) {
            let _ = writeln!(text, "      {frame}: {{ base: {}, tip: {} }}", spot(ends[0]), spot(ends[1]));
        }
    }
}

/// The text of a shot's shapes file, as it stands in `roto/SHOT.yaml`; none for shots without one.
pub fn shapes_file(shot: &str) -> Option<String> {
    let plate = |name: &str| plates().iter().find(|plate| plate.name == name);
    let text = match shot {
        "br010" => crossing(&View::of(plate("shed-wide")?)),
        "br020" => duel(&View::of(plate("duel-a")?), "The duel from the side.", true),
        "br030" => {
            duel(&View::of(plate("duel-b")?), "The duel, and one of the crew at the right edge.", true)
        }
        "br040" => duel(&View::of(plate("duel-close")?), "The poles meet low over the floor.", false),
        "br060" => {
            let view =
                View { plate: plate("swing")?, frames: FrameRange::new(1005, 1056), shown: ramp::shown };
            let what = "One great sweep, in the frames of the shot: the plate's speed has changed already.";
            duel(&view, what, false)
        }
        "br055" => fives(&["far", "left", "right", "middle", "near"])?,
        "br070" => rigged(&View::of(plate("brine")?)),
        "br080" => marked(&View::of(plate("ending-2")?))?,
        "br050" => joined(plate("rake-left")?, plate("rake-right")?),
        _ => return None,
    };
    Some(text)
}

/// Lower end and tip of the lit part of everyone's pole on a frame of a plate, in pixels of the frame
/// from the top left, by the rods' names.
pub fn rods(plate: &DemoPlate, number: i64) -> Vec<(&'static str, Spot, Spot)> {
    outline::rods(plate, number).into_iter().map(|(who, base, tip)| (name(who), base, tip)).collect()
}

/// What people hide of the lit part of everyone's pole on a frame of a plate, at a moment of the open shutter from -0.5 at its
/// opening to 0.5 at its end: places along it in pixels of the frame, with whether somebody stands before each, by the rods' names.
pub fn hidden(plate: &DemoPlate, number: i64, moment: f32) -> Vec<(&'static str, Vec<(Spot, bool)>)> {
    seen(plate, number, moment).into_iter().map(|seen| (name(seen.who), seen.places)).collect()
}

/// Rods, holdouts of whatever stands before them, anyone who should not be there, and the cast where they are graded by
/// themselves.
fn duel(view: &View, what: &str, is_graded: bool) -> String {
    let mut text = format!("# {what}\nmattes:\n");
    let people = &view.plate.people;
    let cast = people.iter().enumerate().filter(|(_, (who, _))| armed(*who));
    let holdouts: Vec<Keyed> = cast.flat_map(|(index, (who, _))| view.holdouts(index, name(*who))).collect();
    matte(&mut text, "actors", 1.0, &holdouts);
    if let Some(index) = people.iter().position(|(who, _)| *who == Who::Crew) {
        let floor = CREW_SHADOW.map(|(x, z)| vec3(x, CREW_FLOOR, z));
        let mut gone = view.body(index, PARTS.iter().chain(&SHINS));
        gone.push(view.ground("shadow", |_| floor));
        matte(&mut text, "crew", 2.0, &gone);
    }
    for index in (0..people.len()).filter(|_| is_graded) {
        let who = people[index].0;
        if who != Who::Crew {
            matte(&mut text, name(who), CAST_FEATHER, &view.body(index, CAST.iter()));
        }
    }
    text.push_str("rods:\n");
    for (index, (whose, ..)) in rods(view.plate, view.plate.frames.first).into_iter().enumerate() {
        view.rod(&mut text, index, whose);
    }
    text
}

/// One of the crew who crosses, with the ground about his feet.
fn crossing(view: &View) -> String {
    let mut text = String::from("# One of the crew crosses at the right.\nmattes:\n");
    if let Some(index) = view.plate.people.iter().position(|(who, _)| *who == Who::Crew) {
        let part = &view.plate.people[index].1;
        let mut gone = view.body(index, PARTS.iter().chain(&SHINS));
        gone.push(view.ground("ground", |n| {
            let hips = part.joints(view.plate.time((view.shown)(n))).hips;
            strays::ground(hips.x, hips.z, CROSSING)
        }));
        matte(&mut text, "crew", 2.0, &gone);
    }
    let corners = |[low, high]: [f32; 2], half: f32| {
        let [x, z] = POST;
        let (left, right) = ((x - half, z + half), (x + half, z - half));
        [(left, low), (left, high), (right, high), (right, low)].map(|((x, z), y)| vec3(x, y, z))
    };
    let post = view.ground("post", |_| corners([0.0, 4.2], 0.13));
    let foot = view.ground("foot", |_| corners([0.0, 0.16], 0.22));
    matte(&mut text, "post", 1.0, &[post, foot]);
    text
}

/// The rig's arm, which stays where it is in the frame, and the floor behind it, which goes by.
fn rigged(view: &View) -> String {
    let mut text = String::from("# An arm of the rig, in the corner of every frame.\nmattes:\n");
    let keys = vec![(1009, strays::arm_outline().to_vec())];
    matte(&mut text, "rig", 2.0, &[Keyed { name: "arm".into(), keys }]);
    let places: Vec<Vec<Spot>> =
        view.frames.iter().map(|n| outline::corners(view.plate, (view.shown)(n), FLOOR).to_vec()).collect();
    text.push_str("# Four places on the floor, measured on the set and found again as the camera goes by.\n");
    text.push_str("planes:\n  floor:\n    keys:\n");
    for (frame, corners) in thinned(view.frames.first, &places, PLACE_SLACK, f32::INFINITY) {
        let corners: Vec<String> = corners.iter().map(|(x, y)| format!("[{x:.2}, {y:.2}]")).collect();
        let _ = writeln!(text, "      {frame}: {{ corners: [{}] }}", corners.join(", "));
    }
    text
}

/// The mark on the floor.
fn marked(view: &View) -> Option<String> {
    let mut text = String::from("# A mark of tape on the floor.\nmattes:\n");
    let place = view.plate.strays.iter().find_map(|stray| match stray {
        Stray::Mark(x, z) => Some((*x, *z)),
        Stray::Arm => None,
    });
    let (x, z) = place?;
    let strips = [("across", 0), ("along", 1)]
        .map(|(name, strip)| view.ground(name, |_| strays::tape(x, z, MARKED)[strip]));
    matte(&mut text, "mark", MARK_FEATHER, &strips);
    Some(text)
}

/// One matte for each take, around the man and his pole; holdouts and rods of both.
fn joined(left: &'static DemoPlate, right: &'static DemoPlate) -> String {
    let mut text =
        String::from("# One man at two places: a loose outline around him in each take.\nmattes:\n");
    let takes = [("left", View::of(left)), ("right", View::of(right))];
    for (channel, view) in &takes {
        let outlines: Vec<Vec<Spot>> =
            view.figures(0).iter().map(|figure| figure.whole::<24>(MARGIN).to_vec()).collect();
        let keys = thinned(view.frames.first, &outlines, FIGURE_SLACK, f32::INFINITY);
        matte(&mut text, channel, 7.0, &[Keyed { name: "figure and pole".into(), keys }]);
    }
    let holdouts: Vec<Keyed> = takes.iter().flat_map(|(take, view)| view.holdouts(0, take)).collect();
    matte(&mut text, "actors", 1.0, &holdouts);
    text.push_str("rods:\n");
    takes.iter().for_each(|(take, view)| view.rod(&mut text, 0, take));
    text
}

/// For each of the five takes a matte closely around the man and his pole, and one of the floor that his shadow falls on.
fn fives(places: &[&str]) -> Option<String> {
    let mut text = String::from(
        "# One man at five places: in each take's own frames, closely around him, and the floor that he shades.\nmattes:\n",
    );
    for place in places {
        let name = format!("five-{place}");
        let view = View::of(plates().iter().find(|plate| plate.name == name)?);
        matte(&mut text, place, CLOSE_FEATHER, &view.closely(0));
        matte(&mut text, &format!("{place}-floor"), SHADOW_FEATHER, &view.shaded(0));
    }
    Some(text)
}

/// Writes one matte.
fn matte(text: &mut String, channel: &str, feather: f32, shapes: &[Keyed]) {
    let _ = writeln!(text, "  {channel}:\n    shapes:{}", if shapes.is_empty() { " []" } else { "" });
    for shape in shapes {
        let _ = writeln!(text, "      - name: {}\n        feather: {feather}\n        keys:", shape.name);
        for (frame, corners) in &shape.keys {
            let corners: Vec<String> = corners.iter().map(|&corner| spot(corner)).collect();
            let _ = writeln!(text, "          {frame}: [{}]", corners.join(", "));
        }
    }
}

/// A point to a tenth of a pixel.
fn spot((x, y): Spot) -> String {
    // Adding zero turns a rounded -0.0 into 0.0.
    let tenth = |v: f32| (v * 10.0).round() / 10.0 + 0.0;
    format!("[{}, {}]", tenth(x), tenth(y))
}

/// Name of a person's rod.
fn name(who: Who) -> &'static str {
    match who {
        Who::Keeper => "keeper",
        Who::Raker => "raker",
        Who::Crew => "crew",
    }
}
