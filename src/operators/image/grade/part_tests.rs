//! Tests of white balance, mattes, the vignette, the soft clip and spaces at both ends.

use super::tests::{CUBE, colour, key, near, prepare_with, ready};
use super::*;
use crate::operators::WorkingSpace;

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
    let elsewhere = limited("corrections: [{ matte: face, elsewhere: true, exposure: 1, amount: 0.5 }]");
    let out = run(&*elsewhere, &[Arc::clone(&source), half]);
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
    assert!(say("corrections: [{ matte: face, outside: true }]").0.contains("is called 'elsewhere'"));
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
