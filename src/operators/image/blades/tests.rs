//! Tests of `blades` as a stage: keys, hold-out, light outside the frame.
//!
//! Knows only what a stage promises. Looks are judged by eye, not here.

use std::sync::Arc;

use super::*;
use crate::media::image::{Image, RGBA};
use crate::operators::image::trial::{SIZE, connected, key, prepare};
use crate::operators::{Connected, Inputs};

const RODS: &str =
    "rods: { keeper: { keys: { 1: { base: [60, 90], tip: [60, 20] }, 35: { base: [60, 90], tip: [60, 20] },
  40: { base: [60, 90], tip: [150, 40] }, 45: { base: [60, 90], tip: [60, 20] } } } }";

fn inputs(with_holdout: bool) -> Vec<Connected> {
    let mut list = vec![connected(0, "", &RGBA)];
    if with_holdout {
        list.push(connected(2, "", &["crew"]));
    }
    list
}

fn grey() -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    (0..3).for_each(|c| image.samples_mut(c).fill(half::f16::from_f32(0.02)));
    image.samples_mut(3).fill(half::f16::ONE);
    Arc::new(image)
}

fn render(settings: &str, shapes: &str, matte: Option<Image>, frame: i64) -> Image {
    let list = inputs(matte.is_some());
    let stage = prepare(&Blades, settings, Some(shapes), &list).unwrap_or_else(|p| panic!("{p:?}"));
    let mut frames = vec![vec![(frame, grey())]];
    frames.extend(matte.map(|m| vec![(frame, Arc::new(m))]));
    stage.apply(&Inputs { frames: &frames, raster: None }, frame).unwrap()
}

fn value(image: &Image, channel: usize, x: usize, y: u32) -> f32 {
    image.row(channel, y)[x].to_f32()
}

#[test]
fn a_core_is_white_its_surroundings_coloured_and_alpha_kept() {
    let image = render("flicker: 0", RODS, None, 5);
    let middle = [0, 1, 2].map(|c| value(&image, c, 60, 60));
    assert!(middle.iter().all(|v| *v > 2.0), "{middle:?}");
    let beside = [0, 1, 2].map(|c| value(&image, c, 75, 60) - 0.02);
    assert!(beside[0] > 2.0 * beside[1] && beside[1] > 3.0 * beside[2] && beside[2] > 0.0, "{beside:?}");
    assert_eq!(image.channels()[3], grey().channels()[3]);
    assert_eq!(render("flicker: 0", RODS, None, 5), image);
}

#[test]
fn a_moved_key_changes_what_the_shutter_sees_of_it_and_no_more() {
    let moved = RODS.replace("[150, 40]", "[150, 50]");
    let changed = |settings: &str| {
        let before = prepare(&Blades, settings, Some(RODS), &inputs(false)).ok().unwrap();
        let after = prepare(&Blades, settings, Some(&moved), &inputs(false)).ok().unwrap();
        (1..=60).filter(|&n| key(&*before, n) != key(&*after, n)).collect::<Vec<i64>>()
    };
    assert_eq!(changed("shutter: 0"), (36..=44).collect::<Vec<_>>());
    // Open from a quarter frame before to a quarter after, the shutter sees the moving rod on 35 and 45 too.
    assert_eq!(changed("shutter: 180"), (35..=45).collect::<Vec<_>>());
    let same = render("{}", RODS, None, 34) == render("{}", &moved, None, 34);
    assert!(same);
}

/// A flowing rod's speed at a key comes from its neighbours, so a moved key is seen as far as the second key to
/// either side, and not beyond; keys and pixels agree on where.
#[test]
fn a_moved_key_of_a_dense_swing_reaches_two_keys_to_either_side() {
    let text = |tip: f64| {
        let key = |n: i64, x: f64| format!("{n}: {{ base: [60, 90], tip: [{x}, 20] }}");
        let keys: Vec<String> =
            (1..=9).map(|n| key(4 * n, if n == 5 { tip } else { (n * n) as f64 })).collect();
        format!("rods: {{ keeper: {{ keys: {{ {} }} }} }}", keys.join(", "))
    };
    let changed = |settings: &str| {
        let stage = |text: &str| prepare(&Blades, settings, Some(text), &inputs(false)).ok().unwrap();
        let (before, after) = (stage(&text(25.0)), stage(&text(27.0)));
        (1..=40).filter(|&n| key(&*before, n) != key(&*after, n)).collect::<Vec<i64>>()
    };
    // The keys on either side stay where they are, but not how fast the rod passes them.
    let between = |n: &i64| ![16, 24].contains(n);
    assert_eq!(changed("shutter: 0"), (13..=27).filter(between).collect::<Vec<_>>());
    assert_eq!(changed("shutter: 180"), (12..=28).collect::<Vec<_>>());
    let settings = "{ shutter: 180, flicker: 0 }";
    for n in 8..=32 {
        let differs = render(settings, &text(25.0), None, n) != render(settings, &text(40.0), None, n);
        assert!(!differs || (12..=28).contains(&n), "{n}");
        assert!(differs || !(14..=26).contains(&n), "{n}");
    }
}

#[test]
fn settings_that_do_not_show_change_no_key() {
    let keys = |settings: &str, frame: i64| {
        key(&*prepare(&Blades, settings, Some(RODS), &inputs(false)).ok().unwrap(), frame)
    };
    assert_eq!(keys("flicker: 0", 3), keys("{ flicker: 0, seed: 9, wrap: 0.9 }", 3));
    assert_ne!(keys("flicker: 0.1", 3), keys("{ flicker: 0.1, seed: 9 }", 3));
    assert_ne!(keys("flicker: 0.1", 3), keys("flicker: 0.1", 4));
    assert_eq!(keys("flicker: 0", 3), keys("flicker: 0", 4));
    assert_eq!(keys("width: 9", 3), keys("rods: { keeper: { width: 9 } }", 3));
}

#[test]
fn a_holdout_hides_the_core_and_lets_as_much_glow_over_as_asked() {
    let matte = |value: f32| {
        let mut image = Image::new(SIZE.0, SIZE.1, &["crew"]);
        for y in 40..108 {
            image.write_row(0, y, &[value; SIZE.0 as usize]);
        }
        image
    };
    let none = render("{ flicker: 0, wrap: 0 }", RODS, Some(matte(1.0)), 5);
    assert_eq!(none.row(0, 80), grey().row(0, 80));
    assert!(value(&none, 0, 60, 30) > 2.0);
    let some = render("{ flicker: 0, wrap: 1 }", RODS, Some(matte(1.0)), 5);
    let (over, beside) = (value(&some, 0, 60, 48), value(&some, 0, 60, 44));
    assert!(over > 0.02 && over < beside && beside < 2.0, "{over} {beside}");
    let open = render("{ flicker: 0, wrap: 0 }", RODS, Some(matte(0.0)), 5);
    assert_eq!(open, render("flicker: 0", RODS, None, 5));
}

#[test]
fn a_rod_outside_the_frame_glows_into_it() {
    let outside = "rods: { keeper: { keys: { 1: { base: [-9, 90], tip: [-9, 20] } } } }";
    let image = render("flicker: 0", outside, None, 5);
    assert!(value(&image, 0, 0, 55) > 0.05);
    assert!(value(&image, 0, 0, 55) > value(&image, 0, 20, 55));
    let far = "rods: { keeper: { keys: { 1: { base: [-900000, 90], tip: [-900000, 20] } } } }";
    assert_eq!(render("{}", far, None, 5), *grey());
    assert_eq!(render("light: 0", RODS, None, 5), *grey());
}

#[test]
fn the_glow_falls_as_the_inverse_of_the_distance_from_a_long_rod() {
    let long = "rods: { keeper: { keys: { 1: { base: [96, 3000], tip: [96, -3000] } } } }";
    let image = render("{ width: 2, halo_size: 12, taper: 0, flicker: 0 }", long, None, 5);
    let near = value(&image, 0, 100, 54) - 0.02;
    let far = value(&image, 0, 112, 54) - 0.02;
    // A line of points that each fall with the inverse square falls with the inverse: 4 and 16 px are 4 to 1.
    assert!((2.5..6.5).contains(&(near / far)), "{near} {far}");
}

#[test]
fn every_wrong_setting_is_named() {
    let settings = "{ width: 0, colour: puce, wrap: 2, hue: 1, rods: { kepeer: {}, keeper: { colour: [1, 2], halo: 99, hallo: 1 } } }";
    let problems = prepare(&Blades, settings, Some(RODS), &inputs(false)).err().unwrap();
    assert_eq!(problems.len(), 8, "{problems:#?}");
    assert!(prepare(&Blades, "", None, &[]).err().unwrap().len() == 2);
}

#[test]
fn settings_are_checked_though_the_rods_are_not_known() {
    let settings = "{ width: 0, rods: { keeper: { halo: 99 }, raker: { whide: 1 } } }";
    let problems = prepare(&Blades, settings, None, &inputs(false)).err().unwrap();
    let said: Vec<&str> = problems.iter().map(|p| p.message.as_str()).collect();
    assert_eq!(said.len(), 4, "{said:?}");
    assert!(!said.iter().any(|s| s.contains("has no rod")), "{said:?}");
}

#[test]
fn strong_flicker_is_warned_of_wherever_it_is_set() {
    let warned = |settings: &str| {
        let (value, _) = crate::base::yaml::parse(crate::base::problem::SourceId(0), settings);
        caution::flickers(value.unwrap().map().unwrap()).len()
    };
    assert_eq!(warned("{ flicker: 0.25, rods: { keeper: { flicker: 0.1 } } }"), 0);
    assert_eq!(
        warned("{ flicker: { 1: 0.1, 9: 0.3 }, rods: { keeper: { flicker: 1 }, raker: { width: 3 } } }"),
        2
    );
}
