//! Tests of `passes` as a stage.

use super::lay::mix;
use super::spec::{HOLDOUTS, MATTES, SHADOWS, TAKES};
use super::*;
use crate::operators::image::trial::{SIZE, connected, key, prepare};

fn flat(names: &[&str], values: &[f32]) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, names);
    for (i, &v) in values.iter().enumerate() {
        image.samples_mut(i).fill(half::f16::from_f32(v));
    }
    Arc::new(image)
}

fn wiring() -> Vec<Connected> {
    vec![
        connected(CLEAN, "", &RGBA),
        connected(TAKES, "left", &RGBA),
        connected(TAKES, "right", &RGBA),
        connected(MATTES, "right", &["right"]),
        connected(MATTES, "left", &["left"]),
    ]
}

#[test]
fn takes_lie_over_one_another_by_their_own_mattes() {
    let passes = prepare(&Passes, "", None, &wiring()).ok().unwrap();
    let mut right = Image::clone(&flat(&["left", "right"], &[0.0, 0.0]));
    right.write_row(1, 5, &vec![1.0; SIZE.0 as usize]);
    let frames = [
        vec![(7, flat(&RGBA, &[0.125, 0.25, 0.5, 1.0]))],
        vec![(7, flat(&RGBA, &[2.0, 0.5, 0.0, 0.5]))],
        vec![(7, flat(&RGBA, &[f32::NAN, 0.5, 0.25, 1.0]))],
        vec![(7, Arc::new(right))],
        vec![(7, flat(&["left"], &[0.25]))],
    ];
    let out = passes.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
    let pixel = |y: u32| [0, 1, 2, 3].map(|c| out.row(c, y)[9].to_f32());
    assert_eq!(pixel(4), [0.59375, 0.3125, 0.375, 0.875]);
    assert!(pixel(5)[0].is_nan());
    assert_eq!(pixel(5)[1..], [0.5, 0.25, 1.0]);
}

/// The values of "matte_mix_unpremultiplied" in tests/checks/compositing.json.
#[test]
fn mixing_is_linear() {
    for (fg, bg, m, wanted) in [
        ([0.8, 0.2, 0.1], [0.1, 0.3, 0.5], 0.25, [0.275, 0.275, 0.4]),
        ([2.0, 0.5, 0.0], [0.1, 0.1, 0.1], 0.5, [1.05, 0.3, 0.05]),
    ] {
        let mut under: [f32; 3] = bg;
        under.iter_mut().zip(&fg).for_each(|(under, fg)| mix(under, *fg, m));
        for (a, b) in under.iter().zip(wanted) {
            assert!((a - b as f32).abs() < 1e-6);
        }
    }
}

#[test]
fn names_must_match() {
    let mut inputs = wiring();
    inputs[4].name = "lef".into();
    let problems = prepare(&Passes, "", None, &inputs).err().unwrap();
    assert_eq!(problems.len(), 2);
    assert_eq!(problems[0].help.as_deref(), Some("did you mean 'lef'?"));
}

/// A picture of a ramp across, so that a shift shows as a difference of light.
fn ramp() -> Arc<Image> {
    let mut image = Image::clone(&flat(&RGBA, &[0.0, 0.0, 0.0, 1.0]));
    for y in 0..SIZE.1 {
        let row: Vec<f32> = (0..SIZE.0).map(|x| x as f32 / 256.0).collect();
        (0..3).for_each(|c| image.write_row(c, y, &row));
    }
    Arc::new(image)
}

/// A matte of the columns `from..to`.
fn columns(name: &str, from: u32, to: u32) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, &[name]);
    let row: Vec<f32> = (0..SIZE.0).map(|x| f32::from(u8::from((from..to).contains(&x)))).collect();
    (0..SIZE.1).for_each(|y| image.write_row(0, y, &row));
    Arc::new(image)
}

/// Inputs that have frames beyond those that are asked for.
fn one_take() -> Vec<Connected> {
    let wide = |input: Connected| Connected { frames: FrameRange::new(-20, 120), ..input };
    vec![
        connected(CLEAN, "", &RGBA),
        connected(TAKES, "left", &RGBA),
        connected(MATTES, "left", &["left"]),
        connected(SHADOWS, "left", &["floor"]),
    ]
    .into_iter()
    .map(wide)
    .collect()
}

#[test]
fn a_take_is_moved_in_time_and_space_with_its_matte() {
    let settings = "{ moved: { left: { time: 2.25, shift: [10, 0], exposure: 2 } } }";
    let passes = prepare(&Passes, settings, None, &one_take()[..3]).ok().unwrap();
    assert_eq!([0, 1, 2].map(|i| passes.reach(i, 7)), [7, 9, 9].map(FrameRange::one));
    let frames = [
        vec![(7, flat(&RGBA, &[0.0, 0.0, 0.0, 1.0]))],
        vec![(9, ramp())],
        vec![(9, columns("left", 40, 60))],
    ];
    let out = passes.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
    let row: Vec<f32> = out.row(0, 50).iter().map(|v| v.to_f32()).collect();
    assert!(row[..50].iter().chain(&row[70..]).all(|v| *v == 0.0));
    for (x, v) in row.iter().enumerate().take(70).skip(50) {
        assert!((v - 2.0 * (x as f32 - 10.0) / 256.0).abs() < 1e-3, "{x}: {v}");
    }
}

#[test]
fn between_two_frames_both_are_needed_but_for_the_nearest() {
    let moved = "moved: { left: { time: 0.5 } }";
    for (between, last) in [("nearest", 8), ("blended", 8), ("flow", 8)] {
        let passes =
            prepare(&Passes, &format!("{{ between: {between}, {moved} }}"), None, &one_take()).ok().unwrap();
        let first = if between == "nearest" { 8 } else { 7 };
        assert_eq!(passes.reach(1, 7), FrameRange::new(first, last), "{between}");
        assert_eq!(passes.reach(3, 7), passes.reach(2, 7), "{between}");
    }
}

/// A take is a constant darker on the floor, and its figure brighter: the set is darkened just so, and nothing of the
/// figure's light comes into the quotient. What is brighter stays as it is.
#[test]
fn a_shadow_is_kept_by_its_quotient() {
    let passes = prepare(&Passes, "", None, &one_take()).ok().unwrap();
    let mut take = Image::clone(&flat(&RGBA, &[0.25, 0.25, 0.75, 1.0]));
    for y in 0..SIZE.1 {
        let row: Vec<f32> = (0..SIZE.0).map(|x| if (40..60).contains(&x) { 30.0 } else { 0.25 }).collect();
        take.write_row(0, y, &row);
    }
    let frames = [
        vec![(7, flat(&RGBA, &[0.5, 0.5, 0.5, 1.0]))],
        vec![(7, Arc::new(take))],
        vec![(7, columns("left", 40, 60))],
        vec![(7, columns("floor", 30, 90))],
    ];
    let out = passes.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
    let at = |c: usize, x: usize| out.row(c, 50)[x].to_f32();
    assert_eq!([at(0, 20), at(0, 100)], [0.5; 2]);
    for x in (30..40).chain(60..90) {
        assert!((at(0, x) - 0.25).abs() < 1e-3 && (at(2, x) - 0.5).abs() < 1e-3, "{x}: {}", at(0, x));
    }
    assert_eq!(at(0, 50), 30.0);
    // Without it the floor is the clean plate's, and the key tells the two apart.
    let plain = prepare(&Passes, "shadow: 0", None, &one_take()).ok().unwrap();
    assert_eq!(
        plain.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap().row(0, 50)[70].to_f32(),
        0.5
    );
    assert_ne!(key(&*plain, 7), key(&*passes, 7));
    assert!(plain.reach(3, 7).is_empty());
}

#[test]
fn an_order_holds_from_its_frame_on_and_names_every_take_once() {
    let settings = "order: { 1: [left, right], 10: [right, left] }";
    let passes = prepare(&Passes, settings, None, &wiring()).ok().unwrap();
    let at = |n: i64| {
        let frames = [
            vec![(n, flat(&RGBA, &[0.0, 0.0, 0.0, 1.0]))],
            vec![(n, flat(&RGBA, &[1.0, 0.0, 0.0, 1.0]))],
            vec![(n, flat(&RGBA, &[0.0, 1.0, 0.0, 1.0]))],
            vec![(n, flat(&["right"], &[1.0]))],
            vec![(n, flat(&["left"], &[1.0]))],
        ];
        let out = passes.apply(&Inputs { frames: &frames, raster: None }, n).unwrap();
        [0, 1].map(|c| out.row(c, 3)[3].to_f32())
    };
    assert_eq!([at(9), at(10)], [[0.0, 1.0], [1.0, 0.0]]);
    assert_ne!(key(&*passes, 9), key(&*passes, 10));
    let problems = prepare(&Passes, "order: [left, lef]", None, &wiring()).err().unwrap();
    assert_eq!(problems[0].help.as_deref(), Some("[left, right], from back to front"));
}

#[test]
fn a_take_that_lacks_frames_is_told_of() {
    let problems =
        prepare(&Passes, "moved: { left: { time: 5 }, lft: {} }", None, &one_take()).err().unwrap();
    assert_eq!(problems[0].help.as_deref(), Some("did you mean 'left'?"));
    let problems = prepare(&Passes, "moved: { left: { time: 25 } }", None, &one_take()).err().unwrap();
    assert!(problems[0].message.starts_with("frame 96 needs frames 121 of take 'left'"), "{problems:?}");
}

/// A steady stage's parameters are hashed once for all frames: those of each frame must be the same to the bit, and the
/// frames that it needs be as far off.
#[test]
fn a_steady_offset_is_the_same_part_of_a_frame_everywhere() {
    for time in [0.1, 2.4, -1.7] {
        let settings = format!("{{ between: blended, moved: {{ left: {{ time: {time} }} }} }}");
        let passes = prepare(&Passes, &settings, None, &one_take()).ok().unwrap();
        assert!(passes.is_steady());
        let first = passes.reach(1, 1).first - 1;
        for frame in 2..=100 {
            assert_eq!(key(&*passes, frame), key(&*passes, 1), "{time} {frame}");
            assert_eq!(passes.reach(1, frame), FrameRange::new(frame + first, frame + first + 1));
        }
    }
}

/// What stands before a figure hides it, but does not take it out of the take's picture, from which the shadow is measured.
#[test]
fn a_figure_behind_something_does_not_colour_its_shadow() {
    let mut inputs = one_take();
    inputs.push(connected(HOLDOUTS, "left", &["crate"]));
    let passes = prepare(&Passes, "", None, &inputs).ok().unwrap();
    let mut take = Image::clone(&flat(&RGBA, &[0.25, 0.25, 0.25, 1.0]));
    for y in 0..SIZE.1 {
        let row: Vec<f32> = (0..SIZE.0).map(|x| if (40..60).contains(&x) { 30.0 } else { 0.25 }).collect();
        (0..3).for_each(|c| take.write_row(c, y, &row));
    }
    let frames = [
        vec![(7, flat(&RGBA, &[0.5, 0.5, 0.5, 1.0]))],
        vec![(7, Arc::new(take))],
        vec![(7, columns("left", 40, 60))],
        vec![(7, columns("floor", 30, 90))],
        vec![(7, columns("crate", 45, 60))],
    ];
    let out = passes.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
    let at = |x: usize| out.row(0, 50)[x].to_f32();
    assert_eq!(at(42), 30.0);
    assert!((60..90).all(|x| (at(x) - 0.25).abs() < 1e-3), "{}", at(62));
}

#[test]
fn without_takes_there_is_nothing_to_join() {
    let problems = prepare(&Passes, "", None, &wiring()[..1]).err().unwrap();
    assert_eq!(problems.len(), 1, "{problems:?}");
    assert!(problems[0].message.starts_with("no take is connected") && problems[0].help.is_some());
}

#[test]
fn a_file_of_moves_is_known_by_what_can_change_a_picture() {
    use crate::operators::image::trial::prepare_from;
    let read = |settings: &str, moves: &str| {
        let ready = prepare_from(&Passes, settings, &[("register", moves)], &one_take()[..3]);
        ready.unwrap_or_else(|p| panic!("{p:?}")).read_from("register").unwrap()
    };
    let moves = "takes: { left: { time: 1, shift: { 1: [1, 0], 9: [2, 0] } } }";
    let digest = read("", moves);
    assert_eq!(
        read("{ moved: { left: { turn: 1 } } }", moves),
        digest,
        "what the stage says is no part of the file"
    );
    assert_eq!(read("", &moves.replace("time: 1", "time: 1.0, residual: { mean: 0.5 }")), digest);
    assert_ne!(read("", &moves.replace("time: 1", "time: 2")), digest);
    // The digest is of the content's bytes alone, so that no compiler changes it.
    let mut key = KeyHasher::new();
    key.list(1).text("left");
    let mut curve = |values: &[(i64, &[f64])]| {
        key.flag(true).int(1).list(values.len());
        for (frame, numbers) in values {
            key.int(*frame);
            for number in *numbers {
                key.real(*number);
            }
        }
    };
    curve(&[(0, &[1.0])]);
    curve(&[(1, &[1.0, 0.0]), (9, &[2.0, 0.0])]);
    key.flag(false).flag(false).flag(false);
    assert_eq!(key.finish(), digest);
}

/// A picture that is one light, but for the columns that are another, and grain that is the same on every machine.
fn lit(light: f32, columns: std::ops::Range<u32>, other: f32, grain: f32) -> Image {
    let mut image = Image::clone(&flat(&RGBA, &[light, light, light, 1.0]));
    let mut dice = 1u32;
    for y in 0..SIZE.1 {
        let row: Vec<f32> = (0..SIZE.0)
            .map(|x| {
                dice = dice.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let by = 1.0 + grain * ((dice >> 8) as f32 / 8_388_608.0 - 1.0);
                by * if columns.contains(&x) { other } else { light }
            })
            .collect();
        (0..3).for_each(|c| image.write_row(c, y, &row));
    }
    image
}

/// The shadow of one take falls on the floor that another's matte takes in, be it in its own shadow, and not on its figure.
#[test]
fn a_shadow_falls_on_what_a_loose_matte_takes_in_of_the_set() {
    let inputs = [
        (CLEAN, "", "R"),
        (TAKES, "near", "R"),
        (TAKES, "far", "R"),
        (MATTES, "near", "near"),
        (MATTES, "far", "far"),
        (SHADOWS, "far", "floor"),
        (SHADOWS, "near", "floor"),
    ];
    let inputs = inputs.map(|(port, name, channel)| {
        connected(port, name, if channel == "R" { &RGBA } else { std::slice::from_ref(&channel) })
    });
    let passes = prepare(&Passes, "", None, &inputs).ok().unwrap();
    for grain in [0.0, 0.06] {
        // The near man stands in the columns 60 to 80, and what he shades, by a tenth, is all around.
        let near = lit(0.45, 60..80, 0.1, grain);
        let frames = [
            vec![(7, Arc::new(lit(0.5, 0..0, 0.0, grain)))],
            vec![(7, Arc::new(near))],
            vec![(7, Arc::new(lit(0.25, 0..0, 0.0, 0.0)))],
            vec![(7, columns("near", 50, 100))],
            vec![(7, columns("far", 180, 190))],
            vec![(7, columns("floor", 10, 170))],
            vec![(7, columns("floor", 0, 192))],
        ];
        let out = passes.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
        let mean = |from: usize, to: usize| {
            let all = (20..90u32).flat_map(|y| out.row(0, y)[from..to].to_vec()).map(f32::from);
            all.sum::<f32>() / (70 * (to - from)) as f32
        };
        for (from, to) in [(20, 45), (51, 58), (82, 98), (105, 160)] {
            assert!((mean(from, to) - 0.225).abs() < 0.008, "{grain} {from}: {}", mean(from, to));
        }
        assert!((mean(62, 78) - 0.1).abs() < 0.002, "{grain}: {}", mean(62, 78));
    }
}

/// A figure with a soft edge: its quotient goes little by little from the set's to its own, and none of it takes the shadow of others
/// but the edge's outermost part.
#[test]
fn a_soft_edge_is_not_followed_into_a_figure() {
    let pictures =
        [(CLEAN, ""), (TAKES, "near"), (TAKES, "far")].map(|(port, name)| connected(port, name, &RGBA));
    let marks = [(MATTES, "near"), (MATTES, "far"), (SHADOWS, "far")];
    let marks = marks.map(|(port, name)| connected(port, name, &[name]));
    let inputs: Vec<Connected> = pictures.into_iter().chain(marks).collect();
    let passes = prepare(&Passes, "", None, &inputs).ok().unwrap();
    let soft = |x: u32| match x {
        40..60 => 0.5 - (x - 40) as f32 * 0.02,
        60..100 => 0.1,
        _ => 0.5,
    };
    let mut near = Image::clone(&flat(&RGBA, &[0.0, 0.0, 0.0, 1.0]));
    for y in 0..SIZE.1 {
        let row: Vec<f32> = (0..SIZE.0).map(soft).collect();
        (0..3).for_each(|c| near.write_row(c, y, &row));
    }
    let frames = [
        vec![(7, flat(&RGBA, &[0.5, 0.5, 0.5, 1.0]))],
        vec![(7, Arc::new(near))],
        vec![(7, flat(&RGBA, &[0.25, 0.25, 0.25, 1.0]))],
        vec![(7, columns("near", 30, 110))],
        vec![(7, columns("far", 180, 190))],
        vec![(7, columns("far", 10, 170))],
    ];
    let out = passes.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
    let at = |x: u32| out.row(0, 50)[x as usize].to_f32();
    assert!((at(34) - 0.25).abs() < 2e-3 && (at(106) - 0.25).abs() < 2e-3, "{} {}", at(34), at(106));
    assert!((52..98).all(|x| (at(x) - soft(x)).abs() < 2e-3), "{:?}", (30..110).map(at).collect::<Vec<_>>());
}
