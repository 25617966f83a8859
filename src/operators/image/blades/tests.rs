//! Tests of `blades` as a stage: keys, holdout, light outside the frame.
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

/// A rod whose middle is far above white, and whiter than its halo.
const BRIGHT: &str = "light: 12, white: 0.35, halo: 0.5, halo_size: 12, taper: 0.3";

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
    let settings = format!("{{ flicker: 0, {BRIGHT} }}");
    let image = render(&settings, RODS, None, 5);
    let middle = [0, 1, 2].map(|c| value(&image, c, 60, 60));
    assert!(middle.iter().all(|v| *v > 2.0), "{middle:?}");
    let beside = [0, 1, 2].map(|c| value(&image, c, 75, 60) - 0.02);
    assert!(beside[0] > 2.0 * beside[1] && beside[1] > 3.0 * beside[2] && beside[2] > 0.0, "{beside:?}");
    assert_eq!(image.channels()[3], grey().channels()[3]);
    assert_eq!(render(&settings, RODS, None, 5), image);
}

/// Lit glass, where nothing is said: a rod's own colour to the middle, here amber, and no brighter than white.
#[test]
fn a_plain_rod_keeps_its_colour_to_the_middle() {
    let image = render("flicker: 0", RODS, None, 5);
    let [r, g, b] = [0, 1, 2].map(|c| value(&image, c, 60, 60) - 0.02);
    assert!((0.3..1.5).contains(&r), "{r}");
    assert!((g / r - 0.42).abs() < 0.02 && (b / r - 0.05).abs() < 0.02, "{r} {g} {b}");
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
        (40..108).for_each(|y| image.write_row(0, y, &[value; SIZE.0 as usize]));
        image
    };
    let bright = |wrap: f64| format!("{{ flicker: 0, wrap: {wrap}, {BRIGHT} }}");
    let none = render(&bright(0.0), RODS, Some(matte(1.0)), 5);
    assert_eq!(none.row(0, 80), grey().row(0, 80));
    assert!(value(&none, 0, 60, 30) > 2.0);
    let some = render(&bright(1.0), RODS, Some(matte(1.0)), 5);
    let (over, beside) = (value(&some, 0, 60, 48), value(&some, 0, 60, 44));
    assert!(over > 0.02 && over < beside && beside < 2.0, "{over} {beside}");
    let open = render(&bright(0.0), RODS, Some(matte(0.0)), 5);
    assert_eq!(open, render(&bright(0.35), RODS, None, 5));
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
fn what_is_no_number_stays_none_in_the_light() {
    let mut picture = Image::clone(&grey());
    picture.samples_mut(0)[60 + 60 * SIZE.0 as usize] = half::f16::NAN;
    picture.samples_mut(1)[60 + 60 * SIZE.0 as usize] = half::f16::MAX;
    let frames = [vec![(5, Arc::new(picture))]];
    let ready = stage("{ flicker: 0, light: 12 }", RODS, &inputs(false));
    let out = ready.apply(&Inputs { frames: &frames, raster: None }, 5).unwrap();
    assert!(value(&out, 0, 60, 60).is_nan() && value(&out, 0, 61, 60) > 2.0);
    assert_eq!(value(&out, 1, 60, 60), 65504.0);
    // Light on a value that is the largest already is cut, and that is told.
    let made = |light: &str| {
        let settings = format!("{{ flicker: 0, light: {light} }}");
        stage(&settings, RODS, &inputs(false)).make(&Inputs { frames: &frames, raster: None }, 5).unwrap()
    };
    assert_eq!(made("1").remark, None);
    let told = made("1000").remark.unwrap_or_default();
    assert!(told.contains("beyond 65504"), "{told}");
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

fn stage(settings: &str, shapes: &str, inputs: &[Connected]) -> Box<dyn Prepared> {
    prepare(&Blades, settings, Some(shapes), inputs).unwrap_or_else(|p| panic!("{p:?}"))
}

/// A frame of a stage whose picture is grey and whose other inputs are mattes of these columns.
fn lit(settings: &str, shapes: &str, mattes: &[(usize, &str, std::ops::Range<usize>)], frame: i64) -> Image {
    let mut list = vec![connected(0, "", &RGBA)];
    let mut frames = vec![vec![(frame, grey())]];
    for (port, name, columns) in mattes {
        list.push(connected(*port, name, &["m"]));
        let mut image = Image::new(SIZE.0, SIZE.1, &["m"]);
        let row: Vec<f32> = (0..SIZE.0 as usize).map(|x| f32::from(columns.contains(&x))).collect();
        (0..SIZE.1).for_each(|y| image.write_row(0, y, &row));
        frames.push(vec![(frame, Arc::new(image))]);
    }
    stage(settings, shapes, &list).apply(&Inputs { frames: &frames, raster: None }, frame).unwrap()
}

const STILL: &str = "rods: { keeper: { keys: { 1: { base: [60, 90], tip: [60, 20] } } } }";

#[test]
fn a_rod_lit_in_part_shines_up_to_its_lit_end() {
    let at = |length: &str| {
        render(&format!("{{ flicker: 0, halo: 0, light: 12, length: {length} }}"), STILL, None, 10)
    };
    let half = at("0.5");
    let core = |image: &Image, y: u32| value(image, 0, 60, y) - 0.02;
    assert!(core(&half, 80) > 5.0 && core(&half, 50).abs() < 1e-3);
    assert!(core(&half, 62) > 1.3 * core(&half, 80), "the lit end is brighter");
    assert!(core(&half, 56) < 0.7 * core(&half, 62), "and gives out");
    assert_eq!(at("0"), *grey());
    assert_eq!(at("1"), render("{ flicker: 0, halo: 0, light: 12 }", STILL, None, 10));
    // While it grows by 35 px a frame, half of them within the exposure, its end is a ramp.
    let moving = at("{ 9: 0, 11: 1 }");
    let ramp: Vec<f32> = (41..68).map(|y| core(&moving, y)).collect();
    assert!(ramp[0] < 0.1 && ramp.windows(2).all(|w| (w[1] - w[0]).abs() < 3.0), "{ramp:?}");
}

#[test]
fn a_length_changes_the_frames_between_its_keys_and_no_more() {
    let changed = |a: &str, b: &str| {
        let [a, b] = [a, b].map(|settings| stage(settings, STILL, &inputs(false)));
        (1..=60).filter(|&n| key(&*a, n) != key(&*b, n)).collect::<Vec<i64>>()
    };
    let one = "{ length: { 10: 0, 20: 1 } }";
    assert_eq!(changed(one, "{ length: { 10: 0, 15: 0.2, 20: 1 } }"), (10..=20).collect::<Vec<_>>());
    assert_eq!(
        changed(one, "{ length: { 10: 0, 20: 1 }, colour: { 30: amber, 40: teal } }"),
        (31..=60).collect::<Vec<_>>()
    );
}

#[test]
fn colours_in_time_mix_in_linear_light() {
    let colour = "{ flicker: 0, white: 0, colour: { 10: [1, 0, 0], 20: [0, 0, 1] } }";
    let image = render(colour, STILL, None, 15);
    let [r, g, b] = [0, 1, 2].map(|c| value(&image, c, 66, 60) - 0.02);
    assert!((r - b).abs() < 0.01 * r && g.abs() < 1e-3, "{r} {g} {b}");
    assert_eq!(
        render(colour, STILL, None, 25),
        render("{ flicker: 0, white: 0, colour: [0, 0, 1] }", STILL, None, 25)
    );
}

#[test]
fn rods_of_the_stage_come_before_drawn_ones_and_those_before_tracks() {
    let rod = |x: i64| format!("{{ keys: {{ 1: {{ base: [{x}, 90], tip: [{x}, 20] }} }} }}");
    let own = "rods: { keeper: { keys: { 1: { base: [60, 90], tip: [60, 20] } }, colour: teal } }";
    let alone = prepare(&Blades, own, None, &inputs(false)).unwrap_or_else(|p| panic!("{p:?}"));
    let over = stage(own, &format!("rods: {{ keeper: {} }}", rod(20)), &inputs(false));
    assert_eq!(key(&*alone, 5), key(&*over, 5));
    // A point carries a rod that follows it.
    let carried = "points: { hook: { keys: { 1: { at: [0, 0] }, 11: { at: [40, 0] } } } }
rods: { keeper: { follows: hook, keys: { 1: { base: [20, 90], tip: [20, 20] } } } }";
    let still = stage("{ flicker: 0, shutter: 0 }", STILL, &inputs(false));
    let moved = stage("{ flicker: 0, shutter: 0 }", carried, &inputs(false));
    assert_eq!(key(&*still, 11), key(&*moved, 11));
    assert_ne!(key(&*still, 6), key(&*moved, 6));
    let twelve: Vec<String> = (0..12).map(|i| format!("r{i}: {}", rod(8 + 15 * i))).collect();
    let image =
        render("{ flicker: 0, width: 3, light: 12 }", &format!("rods: {{ {} }}", twelve.join(", ")), None, 5);
    assert!((0..12).all(|i| value(&image, 0, 8 + 15 * i, 55) > 2.0));
}

const TWO: &str = "rods: { keeper: { keys: { 1: { base: [60, 90], tip: [60, 20] } } },
  raker: { keys: { 1: { base: [140, 90], tip: [140, 20] } } } }";

#[test]
fn each_rod_has_its_own_holdouts_by_its_own_amount() {
    let mattes = [(3, "front", 0..192), (3, "middle", 0..192)];
    let own = "{ keeper: { holdout: { front: { 10: 0, 12: 1, ease: linear } } } }";
    let settings = &format!("{{ flicker: 0, wrap: 0, {BRIGHT}, rods: {own} }}");
    let at = |frame: i64| {
        let image = lit(settings, TWO, &mattes, frame);
        [60, 140].map(|x| value(&image, 0, x, 55) - 0.02)
    };
    let (before, halfway, after) = (at(10), at(11), at(12));
    assert!(
        (halfway[0] - before[0] / 2.0).abs() < 0.02 * before[0] && after[0].abs() < 0.1,
        "{before:?} {halfway:?} {after:?}"
    );
    assert!((after[1] - before[1]).abs() < 0.3, "the other rod is in front: {after:?}");
    let list = [connected(0, "", &RGBA), connected(3, "front", &["m"]), connected(3, "middle", &["m"])];
    let ready = stage(settings, TWO, &list);
    let needs = |input: usize, frame: i64| !ready.reach(input, frame).is_empty();
    assert!(!needs(1, 10) && needs(1, 11) && !needs(2, 11) && needs(0, 10));
    let wrong = "rods: { keeper: { holdout: frond }, raker: { holdout: { front: 2 } } }";
    let problems = prepare(&Blades, wrong, Some(TWO), &list).err().unwrap();
    assert_eq!(problems.len(), 2, "{problems:?}");
    assert_eq!(problems[0].help.as_deref(), Some("did you mean 'front'?"));
}

#[test]
fn surfaces_throw_back_light_by_their_own_share_and_matte() {
    let plain = "{ flicker: 0, halo: 0, light: 12, ambient: 0.04 }";
    let dark = lit(plain, STILL, &[], 5);
    let image = lit(plain, STILL, &[(4, "floor", 0..100)], 5);
    let more = |x: usize, y: u32| value(&image, 0, x, y) - value(&dark, 0, x, y);
    assert!(more(70, 55) > more(90, 55) && more(90, 55) > 0.01 && more(101, 55) == 0.0);
    // Half the light that the picture was taken in makes surfaces twice as bright.
    let twice = lit("{ flicker: 0, halo: 0, light: 12, ambient: 0.02 }", STILL, &[(4, "floor", 0..100)], 5);
    let ratio = (value(&twice, 0, 80, 55) - 0.02) / more(80, 55);
    assert!((ratio - 2.0).abs() < 0.02, "{ratio}");
    // A rod behind a surface does not light its front.
    let behind =
        "{ flicker: 0, halo: 0, light: 12, wrap: 0, ambient: 0.04, rods: { keeper: { holdout: man } } }";
    let mattes = [(3, "man", 80..90), (4, "man", 80..90), (4, "floor", 90..192)];
    let image = lit(behind, STILL, &mattes, 5);
    assert!(value(&image, 0, 85, 55) < 0.0201 && value(&image, 0, 95, 55) > 0.03);
    let list = [connected(0, "", &RGBA), connected(4, "floor", &["m"])];
    let none = stage("spill: 0", STILL, &list);
    assert!(none.reach(1, 5).is_empty());
    let wrong = "surfaces: { flor: 1, floor: { gain: 200, far: 2 } }";
    let problems = prepare(&Blades, wrong, Some(STILL), &list);
    assert_eq!(problems.err().unwrap().len(), 3);
}

#[test]
fn a_rod_flickers_as_its_name_says_whatever_other_rods_there_are() {
    let own = "raker: { keys: { 1: { base: [140, 90], tip: [140, 20] } } }";
    let alone = format!("rods: {{ {own} }}");
    let other =
        format!("rods: {{ keeper: {{ keys: {{ 1: {{ base: [20, 90], tip: [20, 20] }} }} }}, {own} }}");
    let settings = "{ flicker: 0.2, halo: 0 }";
    let light = |shapes: &str| {
        (1..=5).map(|n| value(&render(settings, shapes, None, n), 0, 140, 55)).collect::<Vec<_>>()
    };
    assert_eq!(light(&alone), light(&other));
    let names = light(&alone.replace("raker", "keeper"));
    assert_ne!(light(&alone), names);
}

#[test]
fn what_a_comment_or_another_file_says_is_no_change_of_a_file() {
    use crate::operators::image::trial::prepare_from;
    let shapes = "rods: { keeper: { keys: { 1: { base: [60, 90], tip: [60, 20] } } } }";
    let track =
        |x: i64| format!("rods: {{ raker: {{ keys: {{ 1: {{ base: [{x}, 90], tip: [140, 20] }} }} }} }}");
    let read = |shapes: &str, track: &str| {
        let files = [("shapes", shapes), ("track", track)];
        let ready = prepare_from(&Blades, "", &files, &inputs(false)).unwrap_or_else(|p| panic!("{p:?}"));
        ["shapes", "track"].map(|name| ready.read_from(name).unwrap())
    };
    let [a, b] = read(shapes, &track(140));
    assert_ne!(a, b);
    assert_eq!(read(&format!("# lit\n{shapes}"), &track(140)), [a, b]);
    let [c, d] = read(shapes, &track(150));
    assert!(a == c && b != d, "the shapes file says what it said");
}

#[test]
fn what_the_common_holdout_covers_gets_no_light_from_behind() {
    let settings = "{ flicker: 0, halo: 0, wrap: 0, ambient: 0.04 }";
    let wires = |surface: &str| {
        vec![connected(0, "", &RGBA), connected(2, "", &["man"]), connected(4, "man", &[surface])]
    };
    let mut man = Image::new(SIZE.0, SIZE.1, &["man"]);
    let row: Vec<f32> = (0..SIZE.0).map(|x| f32::from(u8::from((80..90).contains(&x)))).collect();
    (0..SIZE.1).for_each(|y| man.write_row(0, y, &row));
    let man = Arc::new(man);
    let light = |surface: &str| {
        let frames = [vec![(5, grey())], vec![(5, Arc::clone(&man))], vec![(5, Arc::clone(&man))]];
        let ready = stage(settings, STILL, &wires(surface));
        value(&ready.apply(&Inputs { frames: &frames, raster: None }, 5).unwrap(), 0, 85, 55)
    };
    assert!(light("man") < 0.0201, "{}", light("man"));
    assert!(light("other") > 0.03, "a surface that is no holdout is lit: {}", light("other"));
}

mod meeting;
