//! The demo film's committed texts: they are what the film's geometry and edit give, and they read
//! without a problem.
//!
//! When a test here fails after a change of the film's geometry on purpose, run
//! `ENDBOARD_WRITE_DEMO=1 cargo test --test demo_shapes` once and look at the difference.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Sources, Span};
use endboard::base::rate::Rate;
use endboard::base::value::Value;
use endboard::base::yaml;
use endboard::declare;
use endboard::demo::{self, SHOTS};
use endboard::media::image::{Image, RGBA};
use endboard::operators::image::passes::place;
use endboard::operators::shape::Shapes;
use endboard::operators::shape::file;
use endboard::operators::shape::motion::Motion;
use endboard::operators::{self, Connected, Inputs, Setup, WorkingSpace};
use half::f16;

fn project() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-project")
}

fn committed(path: &str) -> String {
    std::fs::read_to_string(project().join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// Asserts that a committed file holds a text, or writes it when asked to.
#[track_caller]
fn same(path: &str, text: &str) {
    if std::env::var_os("ENDBOARD_WRITE_DEMO").is_some() {
        std::fs::write(project().join(path), text).unwrap();
    }
    let held = committed(path);
    let differs = held.lines().zip(text.lines()).position(|(a, b)| a != b);
    assert!(held == text, "{path} differs from what the film's geometry gives, first at line {differs:?}");
}

fn shapes(shot: &str) -> Shapes {
    let text = committed(&format!("roto/{shot}.yaml"));
    let mut sources = Sources::new();
    let source = sources.add("shapes.yaml", text.as_str());
    let (shapes, problems) = file::read(source, &text);
    assert_eq!(problems.iter().map(|p| p.message.clone()).collect::<Vec<_>>(), Vec::<String>::new());
    shapes
}

#[test]
fn shapes_are_those_of_the_film() {
    let mut written = vec![];
    for shot in SHOTS {
        if let Some(text) = demo::shapes_file(shot.name) {
            same(&format!("roto/{}.yaml", shot.name), &text);
            written.push(shot.name);
        }
    }
    assert_eq!(written, ["br010", "br020", "br030", "br040", "br050", "br055", "br060", "br070", "br080"]);
}

#[test]
fn cut_and_look_are_those_of_the_film() {
    same("cut/lock-1.edl", &demo::cut_file());
    same("grades/lamp-night.cube", &demo::look_file());
}

#[test]
fn keyed_rods_stay_by_the_drawn_ones_on_every_frame() {
    // Shot, plate, the rod's name in the shapes file and among the plate's people.
    let rods = [
        ("br020", "duel-a", ["keeper", "raker"], ["keeper", "raker"]),
        ("br030", "duel-b", ["keeper", "raker"], ["keeper", "raker"]),
        ("br040", "duel-close", ["keeper", "raker"], ["keeper", "raker"]),
        ("br050", "rake-left", ["left", "right"], ["raker", ""]),
        ("br050", "rake-right", ["left", "right"], ["", "raker"]),
        ("br060", "swing", ["keeper", "raker"], ["keeper", "raker"]),
    ];
    for (shot, plate, names, people) in rods {
        let plate = demo::plates().iter().find(|p| p.name == plate).unwrap();
        let frames = SHOTS.iter().find(|s| s.name == shot).unwrap().frames.widen(4);
        let shown = |n: i64| if shot == "br060" { demo::shown(n) } else { n };
        let shapes = shapes(shot);
        assert_eq!(shapes.rods.iter().map(|r| &*r.name).collect::<Vec<_>>(), names, "{shot}");
        for (rod, person) in shapes.rods.iter().zip(people).filter(|(_, person)| !person.is_empty()) {
            for number in frames.iter() {
                let drawn = demo::rods(plate, shown(number));
                let (_, base, tip) = drawn.iter().find(|(name, ..)| **name == *person).unwrap();
                let keyed = rod.at(number as f64);
                for (k, truth) in [base.0, base.1, tip.0, tip.1].into_iter().enumerate() {
                    let away = (keyed[k] - f64::from(truth)).abs();
                    assert!(away < 1.5, "{shot} {} on {number}: {away} px off", rod.name);
                }
            }
        }
    }
}

/// What br010 is painted out by was tracked in pictures, where lamps and people pass before it.
#[test]
fn tracked_places_of_the_crossing_are_where_the_set_has_them() {
    let text = committed("tracks/br010.yaml");
    let (shapes, _) = file::read(SourceId(0), &text);
    let plate = demo::plates().iter().find(|plate| plate.name == "shed-wide").unwrap();
    for name in ["post", "window"] {
        let Motion::Point(track) = &**shapes.motions.named(name).unwrap() else { panic!("{name}") };
        let (set, _) = *track.places.keys().iter().find(|(frame, _)| *frame == 1010).unwrap();
        let [x, y] = track.places.at(set as f64);
        for frame in plate.frames.iter() {
            let [tx, ty] = track.places.at(frame as f64);
            let drawn = demo::again(plate, (x as f32, y as f32), set, frame).unwrap();
            let away = (tx - f64::from(drawn.0)).hypot(ty - f64::from(drawn.1));
            assert!(away < 1.0, "{name} on {frame}: {away} px off");
        }
    }
}

/// The shapes of br060 are keyed in the shot's frames, so the film's geometry has to know which frame of the plate each
/// of them shows: the same as the operator makes of the declaration.
#[test]
fn the_slowed_shot_shows_the_frames_that_its_shapes_are_of() {
    let (value, _) = yaml::parse(SourceId(0), &committed("endboard.yaml"));
    let get = |value: &Value, key: &str| value.map().unwrap().get(key).unwrap().clone();
    let ramp = ["shots", "br060", "ramp"].iter().fold(value.unwrap(), |value, key| get(&value, key));
    let frames = FrameRange::new(1005, 1056);
    let plate = demo::plates().iter().find(|plate| plate.name == "swing").unwrap();
    let retime = operators::all().iter().find(|operator| operator.spec().name == "retime").unwrap();
    let input =
        Connected { port: 0, name: "".into(), channels: RGBA.map(Into::into).to_vec(), frames: plate.frames };
    let prepared = retime.prepare(&Setup {
        settings: ramp.map().unwrap(),
        span: Span::new(SourceId(0), 0, 0),
        files: &BTreeMap::new(),
        frames,
        frame_size: (960, 540),
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &[input],
        cut: &[],
    });
    let prepared = prepared.unwrap_or_else(|problems| panic!("{problems:?}"));
    for frame in frames.iter() {
        assert_eq!(prepared.reach(0, frame), FrameRange::one(demo::shown(frame)), "{frame}");
    }
    assert_eq!(plate.frames, FrameRange::new(demo::shown(1005), demo::shown(1056)));
}

/// The look's samples lie far apart beside black, and pictures hold colours of all kinds between them: none comes out with less
/// light than none in one of its channels, which a delivery would cut off.
#[test]
fn the_look_takes_no_dark_colour_below_black() {
    let bytes = committed("grades/lamp-night.cube").into_bytes().into();
    let look = operators::Attachment { path: "grades/lamp-night.cube".into(), bytes, source: None };
    let (settings, _) = yaml::parse(SourceId(0), "look_in: acescct");
    let grade = operators::all().iter().find(|operator| operator.spec().name == "grade").unwrap();
    let input = Connected {
        port: 0,
        name: "".into(),
        channels: RGBA.map(Into::into).to_vec(),
        frames: FrameRange::one(1),
    };
    let prepared = grade.prepare(&Setup {
        settings: settings.as_ref().unwrap().map().unwrap(),
        span: Span::new(SourceId(0), 0, 0),
        files: &BTreeMap::from([("look".to_string(), look)]),
        frames: FrameRange::one(1),
        frame_size: (64, 64 * 64),
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &[input],
        cut: &[],
    });
    let prepared = prepared.unwrap_or_else(|problems| panic!("{problems:?}"));
    // Nothing, and sixty-three steps up to a tenth of white, in each channel.
    let light = |step: usize| if step == 0 { 0.0 } else { 1e-4 * 1000f32.powf((step - 1) as f32 / 62.0) };
    let mut image = Image::new(64, 64 * 64, &RGBA);
    for (channel, stride) in [(0, 1), (1, 64), (2, 64 * 64), (3, 0)] {
        for (at, sample) in image.samples_mut(channel).iter_mut().enumerate() {
            *sample = f16::from_f32(at.checked_div(stride).map_or(1.0, |step| light(step % 64)));
        }
    }
    let frames = [vec![(1, Arc::new(image))]];
    let out = prepared.apply(&Inputs { frames: &frames, raster: None }, 1).unwrap();
    let least = (0..3).flat_map(|channel| out.plane_f32(channel)).fold(f32::MAX, f32::min);
    // A hundredth of a code of 10 bits: samples are written with five places.
    assert!(least > -1e-5, "{least}");
}

#[test]
fn mattes_are_the_ones_that_recipes_ask_for() {
    let names = |shot: &str| shapes(shot).mattes.iter().map(|m| m.name.to_string()).collect::<Vec<_>>();
    assert_eq!(names("br020"), ["actors", "keeper", "raker"]);
    assert_eq!(names("br030"), ["actors", "crew", "keeper", "raker"]);
    assert_eq!(names("br040"), ["actors"]);
    assert_eq!(names("br050"), ["left", "right", "actors"]);
    let five = ["far", "left", "right", "middle", "near"];
    let both: Vec<String> = five.iter().flat_map(|n| [n.to_string(), format!("{n}-floor")]).collect();
    assert_eq!(names("br055"), both);
    assert_eq!(names("br060"), ["actors"]);
}

#[test]
fn the_declaration_reads_and_agrees_with_the_cut() {
    let mut sources = Sources::new();
    let main = committed("endboard.yaml");
    let id = sources.add("endboard.yaml", main.as_str());
    let mut load = |path: &str| Ok(committed(path));
    let (film, problems) = declare::read(&mut sources, id, &mut load);
    let said: Vec<String> =
        problems.iter().map(|p| format!("{:?} {}", p.span.map(|s| sources.place(s)), p.message)).collect();
    assert_eq!(said, Vec::<String>::new());
    let film = film.unwrap();
    let declared: Vec<_> = film.shots.iter().map(|(name, shot)| (name.as_str(), shot.frames.value)).collect();
    assert_eq!(declared, SHOTS.map(|shot| (shot.name, shot.frames)));
    for plate in demo::plates() {
        assert_eq!(film.plates[plate.name].frames.as_ref().unwrap().value, plate.frames, "{}", plate.name);
    }

    let text = committed("cut/lock-1.edl");
    let source = sources.add("lock-1.edl", text.as_str());
    let (cut, problems) = endboard::cut::edl::parse(source, &text, "24".parse::<Rate>().unwrap());
    assert!(problems.is_empty(), "{problems:?}");
    assert_eq!(cut.events.len(), SHOTS.len());
}

/// The rig of the five takes was made to stray: what was measured of it is what the film's geometry says, to a twentieth
/// of a frame and, of the take that is a whole number of frames late, of a pixel.
#[test]
fn measured_moves_of_the_five_takes_are_the_drawn_ones() {
    let bytes = committed("takes/br055.yaml").into_bytes().into();
    let file = operators::Attachment { path: "takes/br055.yaml".into(), bytes, source: None };
    let moves = place::read(&file, Span::new(SourceId(0), 0, 0)).unwrap();
    assert_eq!(moves.takes.len(), 5);
    for (name, (_, said)) in &moves.takes {
        let plate = demo::plates().iter().find(|plate| plate.name == format!("five-{name}")).unwrap();
        for frame in SHOTS.iter().find(|shot| shot.name == "br055").unwrap().frames.iter() {
            let late = f64::from(plate.strayed(frame).0);
            let time = said.ahead(frame);
            assert!((time - late).abs() < 0.05, "{name} on {frame}: {time} frames, and {late} drawn");
            if late.fract() == 0.0 {
                let (x, y) = plate.strayed(frame + late as i64).1;
                let [dx, dy] = said.place(frame).shift;
                let away = (dx + f64::from(x)).hypot(dy + f64::from(y));
                assert!(away < 0.05, "{name} on {frame}: {away} px off");
            }
        }
    }
}
