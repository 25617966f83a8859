//! Tests of the grade.

use super::spec::MATTES;
use super::*;
use crate::base::problem::{SourceId, Span};
use crate::base::yaml;
use crate::operators::{Attachment, WorkingSpace};
use std::collections::BTreeMap;

const CC: &str = "<ColorCorrection id=\"br030\"><SOPNode><Slope>1.1 1 0.9</Slope><Offset>0.02 0 -0.03</Offset>\
                  <Power>0.95 1 1.1</Power></SOPNode><SatNode><Saturation>1.2</Saturation></SatNode></ColorCorrection>";
const CUBE: &str = "LUT_1D_SIZE 2\n0 0 0\n0.5 0.25 1\n";

fn prepare(
    settings: &str,
    files: &[(&str, &str)],
    space: WorkingSpace,
) -> Result<Box<dyn Prepared>, Problems> {
    prepare_with(settings, files, space, &[])
}

fn prepare_with(
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

fn ready(settings: &str, files: &[(&str, &str)]) -> Box<dyn Prepared> {
    prepare(settings, files, WorkingSpace::LinearRec709).unwrap_or_else(|p| panic!("{p:?}"))
}

fn key(ready: &dyn Prepared, frame: i64) -> Digest {
    let mut key = KeyHasher::new();
    ready.at(frame, &mut key);
    key.finish()
}

/// Grades one colour, which fills a picture; every pixel must come out alike.
fn colour(ready: &dyn Prepared, rgba: [f32; 4]) -> [f32; 4] {
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

fn near(got: [f32; 4], want: [f64; 4]) {
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

const SIZE: (u32, u32) = (600, 3);

/// A picture whose pixels `colour` gives by column and row.
fn picture(colour: impl Fn(usize, usize) -> [f32; 4]) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for c in 0..4 {
        for y in 0..SIZE.1 as usize {
            let row: Vec<f32> = (0..SIZE.0 as usize).map(|x| colour(x, y)[c]).collect();
            image.write_row(c, y as u32, &row);
        }
    }
    Arc::new(image)
}

fn matte(value: impl Fn(usize, usize) -> f32) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, &["face"]);
    for y in 0..SIZE.1 as usize {
        let row: Vec<f32> = (0..SIZE.0 as usize).map(|x| value(x, y)).collect();
        image.write_row(0, y as u32, &row);
    }
    Arc::new(image)
}

fn limited(settings: &str) -> Box<dyn Prepared> {
    prepare_with(settings, &[], WorkingSpace::LinearRec709, &["face"]).unwrap_or_else(|p| panic!("{p:?}"))
}

fn run(stage: &dyn Prepared, inputs: &[Arc<Image>]) -> Image {
    let frames: Vec<_> = inputs.iter().map(|image| vec![(7, Arc::clone(image))]).collect();
    stage.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap()
}

#[test]
fn white_balance_brings_the_scenes_light_to_white() {
    // A grey card under 3200 K: its chromaticity as linear BT.709.
    let [x, y] = crate::operators::colour::white::chromaticity(3200.0, 0.0);
    let to_rgb = |xyz: [f64; 3]| {
        let m = [
            [3.240_969_941_904_521_3, -1.537_383_177_570_093_5, -0.498_610_760_293_003_3],
            [-0.969_243_636_280_879_8, 1.875_967_501_507_720_7, 0.041_555_057_407_175_61],
            [0.055_630_079_696_993_61, -0.203_976_958_888_976_57, 1.056_971_514_242_878_6],
        ];
        m.map(|row: [f64; 3]| (row[0] * xyz[0] + row[1] * xyz[1] + row[2] * xyz[2]) as f32)
    };
    let card = to_rgb([0.18 * x / y, 0.18, 0.18 * (1.0 - x - y) / y]);
    let balanced = ready("white_from: 3200", &[]);
    near(colour(&*balanced, [card[0], card[1], card[2], 1.0]), [0.18, 0.18, 0.18, 1.0]);
    // The same light by its place, and the way back.
    let place = format!("white_from: [{x}, {y}]");
    assert_eq!(key(&*ready(&place, &[]), 1), key(&*balanced, 1));
    near(
        colour(&*ready("white_to: 3200", &[]), [0.18, 0.18, 0.18, 1.0]),
        [card[0], card[1], card[2], 1.0].map(f64::from),
    );
    // A light that was greener is taken for magenta.
    let [r, g, b, _] =
        colour(&*ready("white_from: 5600\nwhite_to: 5600\nwhite_tint: 10", &[]), [0.5, 0.5, 0.5, 1.0]);
    assert!(g < r && g < b, "{r} {g} {b}");
    let keyed = ready("white_from: { 5: 3200, 10: 5600 }", &[]);
    assert_eq!(key(&*keyed, 4), key(&*ready("white_from: 3200", &[]), 1));
    assert_eq!(key(&*keyed, 11), key(&*ready("white_from: 5600", &[]), 1));
    assert_ne!(key(&*keyed, 7), key(&*keyed, 8));
}

#[test]
fn a_grade_may_change_in_time() {
    let keyed = ready("slope: { 1: [1, 1, 1], 11: [2, 1, 1] }\nsaturation: 1", &[]);
    assert!(!keyed.is_steady());
    assert_eq!(key(&*keyed, 6), key(&*ready("slope: [1.5, 1, 1]", &[]), 3));
    near(colour(&*keyed, [0.5, 0.5, 0.5, 1.0]), [0.8, 0.5, 0.5, 1.0]);
}

#[test]
fn a_correction_stays_within_its_matte() {
    let source = picture(|x, y| [0.25 + x as f32 / 2400.0, 0.5, 0.125 * y as f32, 1.0]);
    let half = matte(|x, _| {
        if x < 100 {
            0.0
        } else if x < 300 {
            0.5
        } else {
            1.0
        }
    });
    let stage = limited("corrections: [{ matte: face, exposure: 1 }]");
    let out = run(&*stage, &[Arc::clone(&source), Arc::clone(&half)]);
    for c in 0..3 {
        for y in 0..3 {
            for (x, factor) in [(0usize, 1.0f32), (99, 1.0), (100, 1.5), (299, 1.5), (300, 2.0), (599, 2.0)] {
                let (from, to) = (source.row(c, y)[x].to_f32(), out.row(c, y)[x].to_f32());
                assert_eq!(to, f16::from_f32(from * factor).to_f32(), "{x} {y} {c}");
            }
        }
    }
    let outside = limited("corrections: [{ matte: face, outside: true, exposure: 1, amount: 0.5 }]");
    let out = run(&*outside, &[Arc::clone(&source), half]);
    assert_eq!(out.row(1, 0)[0].to_f32(), 0.75);
    assert_eq!(out.row(1, 0)[200].to_f32(), 0.625);
    assert_eq!(out.row(1, 0)[500], source.row(1, 0)[500]);
}

#[test]
fn corrections_follow_one_another_and_a_whole_matte_is_no_matte() {
    let source = picture(|x, _| [0.1 + x as f32 / 1000.0, 0.3, 0.7, 1.0]);
    let whole = matte(|_, _| 1.0);
    let list = "corrections:\n- { matte: face, exposure: 1 }\n- { matte: face, offset: [0.1, 0.1, 0.1], saturation: 0.5 }";
    let stage = limited(list);
    let out = run(&*stage, &[Arc::clone(&source), whole]);
    let plain = ready("exposure: 1\noffset: [0.1, 0.1, 0.1]\nsaturation: 0.5", &[]);
    assert_eq!(out, run(&*plain, &[source]));
}

#[test]
fn a_matte_is_needed_only_where_its_correction_changes_something() {
    let stage = limited("corrections: [{ matte: face, exposure: 1, amount: { 3: 0, 5: 1 } }]");
    assert!(stage.reach(1, 3).is_empty() && stage.reach(1, 1).is_empty());
    assert_eq!(stage.reach(1, 4), FrameRange::one(4));
    assert_eq!(stage.reach(0, 3), FrameRange::one(3));
    let none = limited("corrections: []");
    assert!(none.reach(1, 4).is_empty());
    assert_eq!(none.cautions().len(), 1);
    // Frames in which nothing changes have the key of no correction.
    assert_eq!(key(&*stage, 2), key(&*none, 2));
}

#[test]
fn a_matte_that_hides_what_is_no_number_keeps_it_hidden() {
    let source = picture(|x, _| [x as f32 / 100.0 - 1.0, 0.3, 0.7, 1.0]);
    // A power of a negative number passes in this style, so that a matte of nothing must keep every bit.
    let stage = limited("corrections: [{ matte: face, power: [0.1, 0.1, 0.1], slope: [0, 0, 0] }]");
    let out = run(&*stage, &[Arc::clone(&source), matte(|_, _| f32::NAN)]);
    assert_eq!(out, *source);
}

#[test]
fn a_vignette_darkens_the_rim_and_leaves_the_middle() {
    let source = picture(|_, _| [0.5, 0.25, 1.0, 1.0]);
    let stage = ready("vignette: -1\nvignette_radius: 0.2\nvignette_softness: 0.6", &[]);
    let out = run(&*stage, &[Arc::clone(&source)]);
    let row = out.row(0, 1);
    assert_eq!(row[300].to_f32(), 0.5);
    assert_eq!(row[0].to_f32(), 0.25);
    assert_eq!(row[599], row[0]);
    assert!(row[..300].windows(2).all(|w| w[0] <= w[1]));
    // Halfway of its softness half of its stops: at half a half diagonal.
    let half = row[150].to_f32();
    assert!((half - 0.5 * 0.5f32.sqrt()).abs() < 2e-3, "{half}");
    // It is light that changes, and colour keeps its proportions.
    assert_eq!(out.row(2, 1)[150].to_f32() / 2.0, half);
    let moved = ready("vignette: { 1: 0, 9: -1 }\nvignette_centre: { 1: [0.5, 0.5], 9: [0, 0.5] }", &[]);
    assert_eq!(key(&*moved, 1), key(&*ready("{}", &[]), 1));
    assert_ne!(key(&*moved, 4), key(&*moved, 5));
}

#[test]
fn what_a_grade_makes_of_black_is_not_added_where_nothing_is_covered() {
    // Within the matte black is lifted; a glow of no coverage keeps its own change only, on both sides of the edge.
    let glow = picture(|_, _| [0.2, 0.0, 0.0, 0.0]);
    let stage = limited("corrections: [{ matte: face, offset: [0.25, 0.25, 0.25], slope: [2, 2, 2] }]");
    let out = run(&*stage, &[glow, matte(|x, _| if x < 300 { 0.0 } else { 1.0 })]);
    let at = |c: usize, x: usize| out.row(c, 0)[x].to_f32();
    assert_eq!(at(0, 0), f16::from_f32(0.2).to_f32());
    assert!((at(0, 400) - 0.4).abs() < 3e-4, "{}", at(0, 400));
    assert_eq!([at(1, 0), at(1, 400), at(2, 400)], [0.0; 3]);
}

#[test]
fn a_soft_clip_comes_after_the_look_and_in_linear_light() {
    let clip = ready("soft_clip: 0.75", &[]);
    near(colour(&*clip, [0.5, 1.0, 100.0, 1.0]), [0.5, 0.875, 0.999_372, 1.0]);
    let all = ready("exposure: 2\nsoft_clip: 0.75", &[("look", CUBE)]);
    // The look holds its input to 1, then halves red.
    near(colour(&*all, [0.5, 0.5, 0.5, 1.0]), [0.5, 0.25, 0.875, 1.0]);
}

#[test]
fn a_picture_may_come_and_leave_in_another_space() {
    let out = ready("picture_out: srgb", &[]);
    near(colour(&*out, [0.18, 0.5, 0.0, 1.0]), [0.461_356_13, 0.735_356_98, 0.0, 1.0]);
    let there = ready("picture_in: srgb\nexposure: 1", &[]);
    near(colour(&*there, [0.461_356_13, 0.5, 0.0, 1.0]), [0.36, 0.428_082_3, 0.0, 1.0]);
    let same = ready("picture_in: srgb\npicture_out: srgb", &[]);
    assert_eq!(key(&*same, 1), key(&*ready("{}", &[]), 1));
    // Half transparent: alpha is divided out before the curve and multiplied after it.
    near(colour(&*out, [0.09, 0.25, 0.0, 0.5]), [0.230_678, 0.367_678, 0.0, 0.5]);
}

#[test]
fn problems_of_light_and_mattes_are_named() {
    let say = |settings: &str| {
        let problems = prepare_with(settings, &[], WorkingSpace::LinearRec709, &["face"]).err().unwrap();
        assert_eq!(problems.len(), 1, "{problems:?}");
        (problems[0].message.clone(), problems[0].help.clone().unwrap_or_default())
    };
    assert!(say("white_from: 500").1.contains("1000"));
    assert!(say("white_from: [0.9, 0.9]").0.contains("not the place"));
    assert!(say("white_tint: 5").1.contains("kelvin"));
    assert!(say("white_from: [0.3, 0.3]\nwhite_tint: 5").0.contains("tint"));
    assert!(say("soft_clip: 1").0.contains("limit is 1"));
    assert!(say("soft_clip_limit: 2").1.contains("soft_clip"));
    assert!(say("corrections: [{ matte: fac, exposure: 1 }]").1.contains("'face'"));
    assert!(say("corrections: [{ exposure: 1 }]").0.contains("lacks 'matte'"));
    assert!(say("corrections: [{ matte: face, exposur: 1 }]").1.contains("'exposure'"));
    assert!(say("corrections: [{ matte: face, power: [1, 0, 1] }]").0.contains("'power'"));
    assert!(say("corrections: [{ matte: face, amount: 2 }]").1.contains("from 0 to 1"));
    assert!(say("corrections: { matte: face }").1.contains("corrections: ["));
    let both = prepare_with(
        "soft_clip: 1\ncorrections: [{ matte: a }, { matte: b }]",
        &[],
        WorkingSpace::LinearRec709,
        &["face"],
    );
    assert_eq!(both.err().unwrap().len(), 3);
}
