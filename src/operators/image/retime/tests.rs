//! Maps, reach, keys and blends of `retime`, against the outside checks and each other.
//!
//! Knows small settings and exact answers.

use super::*;
use crate::base::curve::Curve;
use crate::base::digest::Digest;
use crate::base::problem::{Severity, SourceId};
use crate::base::value::Map as Settings;
use crate::base::yaml;
use crate::media::image::RGBA;
use crate::operators::{Connected, WorkingSpace};
use std::collections::BTreeMap;

pub(super) fn prepare(
    settings: &str,
    frames: FrameRange,
    input: FrameRange,
) -> Result<Box<dyn Prepared>, Problems> {
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
        let map = FrameMap::Speed {
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
    let travelled = |travel, n: f64| FrameMap::Speed { travel, start: 0.0, anchor: 0 }.place(n);
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
    assert!(message.starts_with("output frame 1022, at -96.25 %, leaves the source: "), "{message}");
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
