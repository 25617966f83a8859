//! Tests of the grade.

use super::spec::MATTES;
use super::*;
use crate::base::problem::{SourceId, Span};
use crate::base::yaml;
use crate::operators::{Attachment, WorkingSpace};
use std::collections::BTreeMap;

const CC: &str = "<ColorCorrection id=\"br030\"><SOPNode><Slope>1.1 1 0.9</Slope><Offset>0.02 0 -0.03</Offset>\
                  <Power>0.95 1 1.1</Power></SOPNode><SatNode><Saturation>1.2</Saturation></SatNode></ColorCorrection>";
pub(super) const CUBE: &str = "LUT_1D_SIZE 2\n0 0 0\n0.5 0.25 1\n";

pub(super) fn prepare(
    settings: &str,
    files: &[(&str, &str)],
    space: WorkingSpace,
) -> Result<Box<dyn Prepared>, Problems> {
    prepare_with(settings, files, space, &[])
}

pub(super) fn prepare_with(
    settings: &str,
    files: &[(&str, &str)],
    space: WorkingSpace,
    mattes: &[&str],
) -> Result<Box<dyn Prepared>, Problems> {
    let (value, problems) = yaml::parse(SourceId(0), settings);
    assert!(problems.is_empty(), "{problems:?}");
    let map = value.and_then(|v| v.map().cloned()).unwrap_or_default();
    let files: BTreeMap<String, Attachment> = files
        .iter()
        .map(|(name, text)| {
            let path = format!("{name}.txt");
            (name.to_string(), Attachment { path, bytes: text.as_bytes().into(), source: Some(SourceId(1)) })
        })
        .collect();
    let frames = FrameRange::new(1, 20);
    let channels = RGBA.iter().map(|&c| c.into()).collect();
    let mut inputs = vec![Connected { port: 0, name: String::new(), channels, frames }];
    inputs.extend(mattes.iter().map(|&name| Connected {
        port: MATTES,
        name: name.into(),
        channels: vec![name.into()],
        frames,
    }));
    Grade.prepare(&Setup {
        settings: &map,
        span: Span::new(SourceId(0), 0, 0),
        files: &files,
        frames,
        frame_size: (600, 3),
        rate: 24.0,
        working_space: space,
        inputs: &inputs,
        cut: &[],
    })
}

pub(super) fn ready(settings: &str, files: &[(&str, &str)]) -> Box<dyn Prepared> {
    prepare(settings, files, WorkingSpace::LinearRec709).unwrap_or_else(|p| panic!("{p:?}"))
}

pub(super) fn key(ready: &dyn Prepared, frame: i64) -> Digest {
    let mut key = KeyHasher::new();
    ready.at(frame, &mut key);
    key.finish()
}

/// Grades one colour, which fills a picture; every pixel must come out alike.
pub(super) fn colour(ready: &dyn Prepared, rgba: [f32; 4]) -> [f32; 4] {
    let mut image = Image::new(600, 3, &RGBA);
    for (c, value) in rgba.into_iter().enumerate() {
        image.samples_mut(c).fill(f16::from_f32(value));
    }
    let frames = [vec![(7, Arc::new(image))]];
    let out = ready.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
    std::array::from_fn(|c| {
        let samples = &out.channels()[c].samples;
        assert!(samples.iter().all(|s| s.to_bits() == samples[0].to_bits()), "channel {c}");
        samples[0].to_f32()
    })
}

pub(super) fn near(got: [f32; 4], want: [f64; 4]) {
    for (got, want) in got.into_iter().zip(want) {
        assert!((f64::from(got) - want).abs() <= 6e-4 * want.abs() + 1e-5, "{got} not {want}");
    }
}

#[test]
fn a_neutral_grade_changes_no_bit() {
    let neutral = ready("{}", &[]);
    assert!(neutral.is_steady());
    let source = [0.1, -3.0, 40000.0, 0.3];
    assert_eq!(colour(&*neutral, source), source.map(|v| f16::from_f32(v).to_f32()));
}

/// Values of the outside checks C for grade 'warm', to within the rounding of half floats.
#[test]
fn a_file_grades_as_the_outside_checks_say() {
    let text = include_str!("../../../../tests/checks/cdl.json");
    let all: serde_json::Value = serde_json::from_str(text).unwrap();
    let number = |v: &serde_json::Value| v.as_f64().unwrap();
    let mut seen = 0;
    for case in all["cases"].as_array().unwrap().iter().filter(|c| c["grade"] == "warm") {
        for (settings, name) in [("{}", "no_clamp"), ("cdl_style: clamp", "asc_v1_2")] {
            let rgba = [0, 1, 2, 3].map(|c| if c < 3 { number(&case["rgb"][c]) as f32 } else { 1.0 });
            let got = colour(&*ready(settings, &[("cdl", CC)]), rgba);
            for c in 0..3 {
                let want = number(&case[name][c]);
                // Half floats carry 11 bits, in and out.
                assert!((f64::from(got[c]) - want).abs() < 1.2e-3 * want.abs().max(0.3), "{case} {c}");
            }
            seen += 1;
        }
    }
    assert_eq!(seen, 16);
}

#[test]
fn settings_stand_in_place_of_the_files_numbers() {
    let file = [("cdl", CC)];
    let own =
        ready("slope: [1.1, 1, 0.9]\noffset: [0.02, 0, -0.03]\npower: [0.95, 1, 1.1]\nsaturation: 1.2", &[]);
    assert_eq!(key(&*own, 1), key(&*ready("{}", &file), 1));
    let other = ready("saturation: 1", &file);
    assert_ne!(key(&*own, 1), key(&*other, 1));
}

#[test]
fn steps_run_in_their_order() {
    // Exposure doubles, then the CDL halves and adds a quarter, then the look halves red.
    let all = "exposure: 1\nslope: [0.5, 0.5, 0.5]\noffset: [0.25, 0.25, 0.25]";
    near(colour(&*ready(all, &[("look", CUBE)]), [0.5, 0.5, 0.5, 1.0]), [0.375, 0.1875, 0.75, 1.0]);
}

#[test]
fn spaces_are_gone_into_and_out_of() {
    let grey = ready("grade_in: acescct\noffset: [0.057077625, 0.057077625, 0.057077625]", &[]);
    // One stop in ACEScct is 1/17.52.
    near(colour(&*grey, [0.18, 0.18, 0.18, 1.0]), [0.36, 0.36, 0.36, 1.0]);
    let look = "LUT_1D_SIZE 2\n0 0 0\n1 1 1\n";
    let same = ready("look_in: srgb", &[("look", look)]);
    near(colour(&*same, [0.18, 0.5, 0.9, 1.0]), [0.18, 0.5, 0.9, 1.0]);
    let other = ready("look_in: srgb\nlook_out: working", &[("look", look)]);
    near(colour(&*other, [0.18, 0.18, 0.18, 1.0]), [0.46135613, 0.46135613, 0.46135613, 1.0]);
}

#[test]
fn colour_is_graded_as_if_not_premultiplied() {
    let lift = ready("offset: [0.1, 0.1, 0.1]\npower: [2, 2, 2]", &[]);
    // (0.2/0.5 + 0.1)² · 0.5
    near(colour(&*lift, [0.2, 0.2, 0.2, 0.5]), [0.125, 0.125, 0.125, 0.5]);
    // Nothing stays nothing, and light that covers nothing takes its own change: 0.5² − 0.1².
    assert_eq!(colour(&*lift, [0.0; 4]), [0.0; 4]);
    near(colour(&*lift, [0.4, 0.4, 0.4, 0.0]), [0.24, 0.24, 0.24, 0.0]);
}

#[test]
fn keys_hold_evaluated_numbers_only() {
    let keyed = ready("exposure: { 5: 0, 10: 1 }", &[]);
    assert!(!keyed.is_steady());
    assert_eq!(key(&*keyed, 1), key(&*keyed, 5));
    assert_ne!(key(&*keyed, 6), key(&*keyed, 5));
    assert_eq!(key(&*keyed, 10), key(&*ready("exposure: 1", &[]), 3));
    let look = |text: &str| key(&*ready("{}", &[("look", text)]), 1);
    assert_eq!(look(CUBE), look(&format!("# the lamp\nTITLE \"lamp\"\n{CUBE}")));
    assert_ne!(look(CUBE), look(&CUBE.replace("0.25", "0.26")));
    let commented = CC.replace("<SOPNode>", "<Description>warm &amp; low</Description><SOPNode>");
    assert_eq!(key(&*ready("{}", &[("cdl", CC)]), 1), key(&*ready("{}", &[("cdl", &commented)]), 1));
    // A space in which nothing is done is not gone into.
    assert_eq!(key(&*ready("grade_in: acescct", &[]), 1), key(&*ready("{}", &[]), 1));
    let in_space = |space| {
        let settings = "grade_in: acescct\nsaturation: 0.5";
        key(&*prepare(settings, &[], space).unwrap_or_else(|p| panic!("{p:?}")), 1)
    };
    assert_ne!(in_space(WorkingSpace::LinearRec709), in_space(WorkingSpace::AcesCg));
}

#[test]
fn problems_are_named() {
    let say = |settings: &str, files: &[(&str, &str)]| {
        let problems = prepare(settings, files, WorkingSpace::LinearRec709).err().unwrap();
        assert_eq!(problems.len(), 1, "{problems:?}");
        (problems[0].message.clone(), problems[0].span)
    };
    assert!(say("slope: [1, -1, 1]", &[]).0.contains("'slope'"));
    assert!(say("power: [1, 0, 1]", &[]).0.contains("'power'"));
    assert!(say("saturation: -1", &[]).0.contains("out of range"));
    assert!(say("cdl_id: a", &[]).0.contains("no file is given"));
    assert!(say("look_in: srgb", &[]).0.contains("no look is given"));
    let (message, span) = say("cdl: cdl.txt\ncdl_id: br031", &[("cdl", CC)]);
    assert!(message.contains("no grade 'br031'") && span.unwrap().source == SourceId(0), "{message}");
    let (_, span) = say("look: look.txt", &[("look", "LUT_1D_SIZE 2\n0 0 0\n0 0\n0 0 0\n")]);
    assert_eq!(span, Some(Span::new(SourceId(1), 20, 23)));
}

#[test]
fn values_that_no_half_float_holds_are_told() {
    let mut image = Image::new(600, 3, &RGBA);
    image.samples_mut(0)[1234] = f16::from_f32(4e4);
    image.samples_mut(2)[99] = f16::from_f32(-4e4);
    let frames = [vec![(7, Arc::new(image))]];
    let made = |settings: &str| {
        ready(settings, &[]).make(&Inputs { frames: &frames, raster: None }, 7).unwrap().remark
    };
    assert_eq!(made("exposure: 0.5"), None);
    let told = made("exposure: 1").unwrap_or_default();
    assert!(told.starts_with("comes to 2 values beyond 65504"), "{told}");
}
