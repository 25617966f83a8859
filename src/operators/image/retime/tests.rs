use super::*;
use crate::base::curve::Curve;
use crate::base::digest::Digest;
use crate::base::level::Level;
use crate::base::problem::{Severity, SourceId};
use crate::base::value::Map as Settings;
use crate::base::yaml;
use crate::media::image::RGBA;
use crate::operators::{Connected, WorkingSpace};
use std::collections::BTreeMap;

fn prepare(settings: &str, frames: FrameRange, input: FrameRange) -> Result<Box<dyn Prepared>, Problems> {
    let (value, problems) = yaml::parse(SourceId(0), settings);
    assert!(problems.is_empty(), "{problems:?}");
    let settings = value.and_then(|v| v.map().cloned()).unwrap_or_else(Settings::default);
    let connected =
        Connected { port: 0, name: String::new(), channels: RGBA.map(Arc::from).to_vec(), frames: input };
    Retime.prepare(&Setup {
        settings: &settings,
        span: Span::new(SourceId(0), 0, 0),
        files: &BTreeMap::new(),
        cut: &[],
        frames,
        frame_size: (2, 1),
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &[connected],
    })
}

fn key(ready: &dyn Prepared, frame: i64) -> Digest {
    let mut key = KeyHasher::new();
    ready.at(frame, &mut key);
    key.finish()
}

/// Settings of a case of the outside checks.
fn settings_of(case: &serde_json::Value) -> String {
    let frames = &case["output_frames"];
    let ramp = |a: i32, b: i32, ease: &str| format!("speed: {{ 0: {a}, {frames}: {b}, ease: {ease} }}");
    match case["id"].as_str().unwrap() {
        "const_1" => "speed: 100".into(),
        "const_half" => "speed: 50".into(),
        "const_240pct" => "speed: 240".into(),
        "const_2997_to_24" => "speed: 125".into(),
        "freeze" => "speed: 0".into(),
        "reverse" => "speed: -100".into(),
        "reverse_fast" => "speed: -150".into(),
        "ramp_1_to_0.25" => ramp(100, 25, "linear"),
        "ramp_0.5_to_2" => ramp(50, 200, "linear"),
        "ramp_1_to_-1" => ramp(100, -100, "linear"),
        "smooth_1_to_0.25" => ramp(100, 25, "smooth"),
        "hold_24_frames" => "speed: { 0: 100, 20: 0, 44: 100, ease: hold }".into(),
        "keys_piecewise" => {
            let keys = case["speed_keys"].as_array().unwrap();
            let keys: Vec<String> =
                keys.iter().map(|k| format!("{}: {}", k[0], k[1].as_f64().unwrap() * 100.0)).collect();
            format!("speed: {{ {} }}", keys.join(", "))
        }
        other => panic!("the checks have a case {other} that this test does not know"),
    }
}

#[test]
fn places_are_those_of_the_outside_checks() {
    let text = include_str!("../../../../tests/checks/retime.json");
    let all: serde_json::Value = serde_json::from_str(text).unwrap();
    let cases = all["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 13);
    for case in cases {
        let id = &case["id"];
        let more = format!("{}\nsource_frame: {}\nat_frame: 0", settings_of(case), case["source_start"]);
        let wide = FrameRange::new(-1000, 2000);
        let last = case["output_frames"].as_i64().unwrap();
        let ready = |between: &str| {
            let text = format!("{more}\nbetween: {between}");
            prepare(&text, FrameRange::new(0, last), wide).unwrap_or_else(|p| panic!("{id}: {p:?}"))
        };
        let (nearest, blended, flow) = (ready("nearest"), ready("blended\nshutter: 0"), ready("flow"));
        let map = Map::Speed {
            travel: Travel::new(speed_of(&settings_of(case))),
            start: case["source_start"].as_f64().unwrap(),
            anchor: 0,
        };
        for sample in case["samples"].as_array().unwrap() {
            let n = sample["out_frame"].as_i64().unwrap();
            let want = sample["source_pos"].as_f64().unwrap();
            let got = map.place(n as f64);
            assert!((got - want).abs() < 1e-9, "{id} at {n}: {got} not {want}");
            let Some(half_up) = sample["nearest_half_up"].as_i64() else { continue };
            assert_eq!(nearest.reach(0, n), FrameRange::one(half_up), "{id} at {n}");
            let floor = sample["blend_floor"].as_i64().unwrap();
            let weight = sample["blend_weight_next"].as_f64().unwrap();
            let needed = FrameRange::new(floor, floor + i64::from(weight > 0.0));
            assert_eq!((blended.reach(0, n), flow.reach(0, n)), (needed, needed), "{id} at {n}");
            let Mixture { first, weights } = Mixture::around(got, 0.0);
            assert_eq!(first, floor, "{id} at {n}");
            let next = weights.get(1).copied().unwrap_or(0.0);
            assert!((next - weight).abs() < 1e-9, "{id} at {n}: {next} not {weight}");
        }
    }
}

fn speed_of(settings: &str) -> Curve<1> {
    let (value, _) = yaml::parse(SourceId(0), settings);
    value.unwrap().map().unwrap().get("speed").unwrap().curve().unwrap()
}

#[test]
fn inverse_cases_of_the_outside_checks_are_met() {
    let text = include_str!("../../../../tests/checks/retime.json");
    let all: serde_json::Value = serde_json::from_str(text).unwrap();
    let steady = |percent: f64| Travel::new(Curve::steady([percent]));
    let travelled = |travel, n: f64| Map::Speed { travel, start: 0.0, anchor: 0 }.place(n);
    for case in all["inverse"].as_array().unwrap() {
        let number = |name: &str| case[name].as_f64();
        match case["kind"].as_str().unwrap() {
            "constant" => {
                let (n, length) = (number("output_frames").unwrap(), number("source_frames").unwrap());
                let got = travelled(steady(number("speed").unwrap() * 100.0), n);
                assert!((got - length).abs() < 1e-6, "{case}: {got}");
            }
            "linear ramp" => {
                let (n, length) = (number("output_frames").unwrap(), number("source_frames").unwrap());
                let keys =
                    vec![(0, [number("v0").unwrap() * 100.0]), (n as i64, [number("v1").unwrap() * 100.0])];
                let got = travelled(Travel::new(Curve::new(keys, crate::base::curve::Ease::Linear)), n);
                assert!((got - length).abs() < 1e-9, "{case}: {got}");
            }
            _ => {
                let keys = vec![(0, [100.0]), (48, [25.0])];
                let travel = Travel::new(Curve::new(keys, crate::base::curve::Ease::Linear));
                let got = travelled(travel, number("output").unwrap());
                assert!((got - number("source").unwrap()).abs() < 1e-8, "{case}: {got}");
            }
        }
    }
}

#[test]
fn normal_speed_shows_every_frame_itself_whatever_the_handles() {
    for (first, between) in [(1001, "nearest"), (1009, "blended"), (1009, "flow")] {
        let frames = FrameRange::new(first, 1050);
        let ready = prepare(&format!("between: {between}"), frames, FrameRange::new(1001, 1072)).unwrap();
        assert!(frames.iter().all(|n| ready.reach(0, n) == FrameRange::one(n)), "{between}");
    }
    let anchored = |first| {
        let settings = "speed: 50\nat_frame: 1009\nsource_frame: 1020";
        prepare(settings, FrameRange::new(first, 1050), FrameRange::new(1001, 1072)).unwrap()
    };
    assert_eq!(anchored(1001).reach(0, 1013), FrameRange::one(1022));
    assert_eq!(anchored(1009).reach(0, 1013), FrameRange::one(1022));
}

#[test]
fn the_first_frame_that_leaves_the_source_is_named_with_its_speed_at_its_key() {
    let frames = FrameRange::new(1001, 1040);
    let said = |settings: &str, frames: FrameRange, input: FrameRange| {
        let problem = prepare(settings, frames, input).err().expect("a problem").remove(0);
        let span = problem.span.unwrap();
        (problem.message, settings[span.start as usize..span.end as usize].to_string(), problem.help.unwrap())
    };
    let (message, at, help) = said("speed: 200", frames, FrameRange::new(1001, 1072));
    let more =
        "output frame 1037, at 200 %, leaves the source: it shows source frame 1073, and so do 3 frames more";
    assert_eq!((&*message, &*at), (more, "200"));
    assert_eq!(help, "the source has frames 1001-1072; change the speed, or use fewer frames or handles");
    let ramp = "speed: { 1001: 100, 1021: -100, 1041: -25 }";
    let (message, at, _) = said(ramp, frames, FrameRange::new(1001, 1072));
    assert!(message.starts_with("output frame 1033, at -55 %, leaves the source: "), "{message}");
    assert_eq!(at, "-100");
    // Between 1072 and 1073 the nearest frame is still there, and what needs both is not.
    let settings = |between| format!("source_frame: 1072.25\nspeed: 0\nbetween: {between}");
    let range = (FrameRange::new(1, 2), FrameRange::new(1001, 1072));
    assert!(prepare(&settings("nearest"), range.0, range.1).is_ok());
    assert!(prepare(&settings("blended"), range.0, range.1).is_err());
    assert!(prepare(&settings("flow"), range.0, range.1).is_err());
    let (message, at, _) = said("shows: { 1001: 1001, 1040: 1118 }", frames, FrameRange::new(1001, 1072));
    assert!(
        message.starts_with("output frame 1025, at 300 %, leaves the source: it shows source frame 1073")
    );
    assert_eq!(at, "1001");
}

#[test]
fn speed_and_keyed_frames_exclude_each_other() {
    let range = FrameRange::new(1, 10);
    let problems = prepare("shows: { 1: 1, 10: 5 }\nspeed: 50\nat_frame: 3", range, range).err().unwrap();
    let messages: Vec<&str> = problems.iter().map(|p| &*p.message).collect();
    let both = |name| format!("{name} and shows both say which source frames are shown");
    assert_eq!(messages, [both("speed"), both("at_frame")]);
    let ready = prepare("shows: { 1: 1, 10: 5 }\nshutter: 90", range, range).unwrap();
    assert_eq!((ready.cautions()[0].severity, ready.reach(0, 10)), (Severity::Warning, FrameRange::one(5)));
}

#[test]
fn a_fast_source_is_gathered_over_the_shutter() {
    let range = (FrameRange::new(0, 9), FrameRange::new(-100, 100));
    let reach = |settings: &str| {
        prepare(&format!("{settings}\nbetween: blended"), range.0, range.1).unwrap().reach(0, 4)
    };
    // At four times the speed and 180 degrees, two frames less the half that every frame holds: 15.25 to 16.75.
    assert_eq!(reach("speed: 400"), FrameRange::new(15, 17));
    assert_eq!(reach("speed: -400"), FrameRange::new(-17, -15));
    assert_eq!(reach("speed: 400\nshutter: 0"), FrameRange::one(16));
    assert_eq!(reach("speed: 100"), FrameRange::one(4));
    assert_eq!(reach("speed: -100"), FrameRange::one(-4));
    // With what every frame holds already, what is gathered is the speed times the open part of a frame.
    let text = include_str!("../../../../tests/checks/retime.json");
    let all: serde_json::Value = serde_json::from_str(text).unwrap();
    for case in all["shutter_and_speed"].as_array().unwrap() {
        let Some(gathered) = case["source_frames_averaged_for_180"].as_f64() else { continue };
        let more = gathered - 0.5;
        let speed = case["speed"].as_f64().unwrap() * 100.0;
        let (low, high) = (16.0 - more / 2.0, 16.0 + more / 2.0);
        let start = format!("speed: {speed}\nat_frame: 4\nsource_frame: 16");
        assert_eq!(reach(&start), FrameRange::new(low.floor() as i64, high.ceil() as i64), "{case}");
    }
    assert_eq!(Mixture::around(16.0, 1.5).weights, [0.28125 / 1.5, 0.9375 / 1.5, 0.28125 / 1.5]);
}

#[test]
fn only_frames_that_move_get_another_key() {
    let (frames, input) = (FrameRange::new(0, 48), FrameRange::new(-100, 200));
    for between in ["nearest", "blended", "flow"] {
        let with =
            |speed: &str| prepare(&format!("speed: {speed}\nbetween: {between}"), frames, input).unwrap();
        let before = with("{ 0: 100, 24: 100, 48: 25 }");
        let after = with("{ 0: 100, 24: 100, 48: 50 }");
        for n in frames.iter() {
            let same = key(&*before, n) == key(&*after, n) && before.reach(0, n) == after.reach(0, n);
            let is_still = n <= 24 || between == "nearest" && before.reach(0, n) == after.reach(0, n);
            assert_eq!(same, is_still, "{between} frame {n}");
        }
        let nearest = prepare("speed: 50", frames, input).unwrap();
        // What is made of one frame alone is a copy, and has the key of one.
        assert_eq!(key(&*before, 7), key(&*nearest, 7), "{between}");
    }
    // A key moved inside smooth source keys moves the pieces that rest on its slope, and no others.
    let keyed = |at: i64| {
        let keys =
            format!("shows: {{ 0: 0, 10: {at}, 20: 20, 30: 30, 40: 35, ease: smooth }}\nbetween: blended");
        prepare(&keys, frames, input).unwrap()
    };
    let (before, after) = (keyed(10), keyed(12));
    let same = |n| key(&*before, n) == key(&*after, n) && before.reach(0, n) == after.reach(0, n);
    assert!((30..=48).all(same) && same(0) && !same(29) && !same(1));
}

fn image(value: f32) -> Arc<Image> {
    let mut image = Image::new(2, 1, &["R", "A"]);
    image.write_row(0, 0, &[value, -value]);
    image.write_row(1, 0, &[1.0, 0.5]);
    Arc::new(image)
}

#[test]
fn blends_mix_in_linear_light() {
    let ready = prepare("speed: 25\nbetween: blended", FrameRange::new(0, 3), FrameRange::new(0, 4)).unwrap();
    let frames = vec![vec![(0, image(1.0)), (1, image(3.0))]];
    let inputs = Inputs { frames: &frames, raster: None };
    let out = ready.apply(&inputs, 1).unwrap();
    assert_eq!(out.plane_f32(0), [1.5, -1.5]);
    assert_eq!(out.plane_f32(1), [1.0, 0.5]);
    assert_eq!(ready.apply(&inputs, 0).unwrap(), *frames[0][0].1);
    let lacking = vec![vec![(0, image(1.0))]];
    let inputs = Inputs { frames: &lacking, raster: None };
    assert_eq!(ready.apply(&inputs, 1), Err(OperatorError::MissingInput { input: 0, frame: 1 }));
}

/// Smooth structure that never repeats, the same at every place of an endless sheet.
fn sheet(x: f32, y: f32) -> f32 {
    let wave = |x: f32, y: f32, s: f32| ((x * 0.83 + y * 0.57) / s).sin() * ((y * 0.91 - x * 0.42) / s).cos();
    0.3 + 0.1 * wave(x, y, 2.3) + 0.08 * wave(y, x + 31.0, 3.7) + 0.07 * wave(x + 7.0, y, 11.0)
}

const SIZE: (u32, u32) = (192, 108);

/// A picture of light given at each place.
fn painted(light: impl Fn(f32, f32) -> f32) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for y in 0..SIZE.1 {
        let row: Vec<f32> = (0..SIZE.0).map(|x| light(x as f32, y as f32)).collect();
        for (channel, factor) in [(0, 1.0), (1, 0.8), (2, 1.2)] {
            let tinted: Vec<f32> = row.iter().map(|v| v * factor).collect();
            image.write_row(channel, y, &tinted);
        }
        image.write_row(3, y, &vec![1.0; SIZE.0 as usize]);
    }
    Arc::new(image)
}

/// Source frames 0 and 1 of a moving scene, and what flow makes at a share between them.
fn between(scene: &dyn Fn(f32) -> Arc<Image>, share: f64) -> (Image, Option<String>) {
    let settings = format!("source_frame: {share}\nspeed: 0\nbetween: flow");
    let ready = prepare(&settings, FrameRange::one(5), FrameRange::new(0, 1)).unwrap();
    let frames = vec![vec![(0, scene(0.0)), (1, scene(1.0))]];
    let inputs = Inputs { frames: &frames, raster: None };
    (ready.apply(&inputs, 5).unwrap(), ready.remark(&inputs, 5))
}

/// The furthest that the green of two pictures lies apart in a window of columns and rows.
fn furthest(a: &Image, b: &Image, columns: std::ops::Range<usize>, rows: std::ops::Range<usize>) -> f32 {
    let (a, b) = (a.plane_f32(1), b.plane_f32(1));
    let places = rows.flat_map(|y| columns.clone().map(move |x| y * SIZE.0 as usize + x));
    places.map(|at| (a[at] - b[at]).abs()).fold(0.0, f32::max)
}

#[test]
fn a_moved_sheet_is_moved_part_of_the_way_up_to_the_edges() {
    let pan = |t: f32| painted(move |x, y| sheet(x - 7.3 * t, y + 3.6 * t));
    let turn = |t: f32| {
        let (s, c) = (0.05 * t).sin_cos();
        painted(move |x, y| {
            let (x, y) = (x - 96.0, y - 54.0);
            sheet(c * x + s * y, c * y - s * x)
        })
    };
    for (name, scene) in [("pan", &pan as &dyn Fn(f32) -> Arc<Image>), ("turn", &turn)] {
        for share in [0.25, 0.5, 0.8] {
            let (made, remark) = between(scene, share);
            let truth = scene(share as f32);
            // What came in or went out at an edge is seen by one of the two pictures; a corner may be seen by neither.
            let (inner, all) =
                (furthest(&made, &truth, 8..184, 8..100), furthest(&made, &truth, 0..192, 0..108));
            let apart = furthest(&scene(0.0), &truth, 8..184, 8..100);
            eprintln!("{name} {share}: {inner} inside, {all} to the edges, {apart} without motion");
            assert!(inner < 0.03 && all < 0.12 && apart > 0.2 && remark.is_none(), "{name} {share}");
            assert_eq!(made.plane_f32(3), truth.plane_f32(3));
        }
    }
}

#[test]
fn what_one_picture_hides_is_taken_from_the_other() {
    // A bright disc goes right before a sheet that stands.
    let scene = |t: f32| {
        painted(move |x, y| {
            let inside = (22.5 - ((x - 60.0 - 14.0 * t).hypot(y - 54.0))).clamp(0.0, 1.0);
            sheet(x, y) * (1.0 - inside) + (0.5 + sheet(x - 14.0 * t + 300.0, y + 90.0)) * inside
        })
    };
    let (made, _) = between(&scene, 0.5);
    let truth = scene(0.5);
    // Left of the disc only the second picture sees the sheet, right of it only the first. A mixture of the two
    // would be off by a quarter and more.
    let off = |columns: std::ops::Range<usize>| {
        let (a, b) = (made.plane_f32(1), truth.plane_f32(1));
        let places = (44..64).flat_map(|y| columns.clone().map(move |x| y * SIZE.0 as usize + x));
        let count = places.clone().count() as f32;
        places.map(|at| (a[at] - b[at]).abs()).sum::<f32>() / count
    };
    let (left, disc, right) = (off(37..44), off(48..86), off(90..97));
    eprintln!("left {left}, disc {disc}, right {right}");
    assert!(left < 0.03 && disc < 0.02 && right < 0.03);
}

#[test]
fn a_cut_shows_the_nearer_frame_and_says_so() {
    let scene = |t: f32| painted(move |x, y| sheet(x + 900.0 * t, y * (1.0 - 1.7 * t)));
    for (share, which) in [(0.25, 0), (0.5, 1)] {
        let (made, remark) = between(&scene, share);
        assert_eq!(made, *scene(which as f32));
        let text = remark.expect("a caution");
        assert!(text.ends_with(&format!("as at a cut: frame {which} is shown as it is")), "{text}");
    }
    let black = |t: f32| painted(move |x, y| sheet(x, y) * t);
    assert!(between(&black, 0.5).1.is_some());
}

#[test]
fn pictures_of_any_size_and_odd_samples_come_through() {
    for (width, height) in [(1, 1), (3, 40), (9, 8), (41, 23), (64, 65)] {
        let frame = |shift: f32| {
            let mut image = Image::new(width, height, &["crew", "B", "C", "D", "E"]);
            for y in 0..height {
                let row: Vec<f32> = (0..width).map(|x| sheet(x as f32 + shift, y as f32)).collect();
                (0..5).for_each(|c| image.write_row(c, y, &row));
            }
            image.write_row(1, 0, &vec![f32::NAN; width as usize]);
            image.write_row(2, 0, &vec![f32::INFINITY; width as usize]);
            Arc::new(image)
        };
        let ready =
            prepare("source_frame: 0.5\nspeed: 0\nbetween: flow", FrameRange::one(1), FrameRange::new(0, 1));
        let frames = vec![vec![(0, frame(0.0)), (1, frame(1.0))]];
        let inputs = Inputs { frames: &frames, raster: None };
        let out = ready.unwrap().apply(&inputs, 1).unwrap();
        assert_eq!((out.width(), out.height(), out.channels().len()), (width, height, 5));
        assert!(out.plane_f32(0).iter().all(|v| v.is_finite()));
    }
}

#[test]
fn flow_has_the_same_bits_on_every_level_and_as_before() {
    let pan = |t: f32| painted(move |x, y| sheet(x - 7.3 * t, y + 3.6 * t));
    let (a, b) = (seen(&pan(0.0)), seen(&pan(1.0)));
    let on = |level: Level| {
        let motion = Motion::on(level, &a, &b, SIZE.0 as usize, SIZE.1 as usize).expect("no cut");
        (motion.flows, motion.seen)
    };
    let plain = on(Level::PLAIN);
    for level in Level::all_here() {
        assert!(on(level) == plain, "{level:?}");
    }
}
