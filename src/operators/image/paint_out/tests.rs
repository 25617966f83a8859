//! The operator whole: its settings, its reach, its key and what it leaves.

use super::*;
use crate::operators::image::trial::{SIZE, connected, key, prepare};

pub(super) const WIDTH: usize = SIZE.0 as usize;

pub(super) fn wiring() -> Vec<Connected> {
    vec![
        connected(PICTURE, "", &RGBA),
        connected(MATTE, "", &["crew"]),
        connected(CLEAN, "", &RGBA),
        connected(HOLDOUT, "", &["actors"]),
    ]
}

pub(super) fn picture(light: impl Fn(usize, usize) -> [f32; 4]) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for y in 0..SIZE.1 {
        for c in 0..4 {
            let row: Vec<f32> = (0..WIDTH).map(|x| light(x, y as usize)[c]).collect();
            image.write_row(c, y, &row);
        }
    }
    Arc::new(image)
}

pub(super) fn matte(name: &str, share: impl Fn(usize, usize) -> f32) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, &[name]);
    for y in 0..SIZE.1 {
        let row: Vec<f32> = (0..WIDTH).map(|x| share(x, y as usize)).collect();
        image.write_row(0, y, &row);
    }
    Arc::new(image)
}

fn inside(x: usize, y: usize) -> bool {
    (150..192).contains(&x) && (30..80).contains(&y)
}

/// A slope of light, 0.25 dimmer when `clean`, with something bright in the hole when not.
fn scene(is_clean: bool) -> Arc<Image> {
    picture(|x, y| {
        let light = 0.5 + x as f32 / 400.0 + y as f32 / 800.0;
        match (is_clean, inside(x, y)) {
            (true, _) => [light - 0.25, light, light * 0.5, 1.0],
            (false, false) => [light, light, light * 0.5, 1.0],
            (false, true) => [f32::NAN, 3.0, 3.0, 1.0],
        }
    })
}

fn run(settings: &str, wires: &[Connected], images: &[Vec<(i64, Arc<Image>)>], frame: i64) -> Image {
    let ready = prepare(&PaintOut, settings, None, wires).unwrap();
    ready.apply(&Inputs { frames: images, raster: None }, frame).unwrap()
}

fn hole() -> Arc<Image> {
    matte("crew", |x, y| f32::from(inside(x, y)))
}

pub(super) fn value(image: &Image, c: usize, x: usize, y: usize) -> f32 {
    image.row(c, y as u32)[x].to_f32()
}

#[test]
fn a_clean_plate_takes_the_pictures_level() {
    let frames = [vec![(7, scene(false))], vec![(7, hole())], vec![(7, scene(true))]];
    let wires = &wiring()[..3];
    let joined = run("{ fill: clean, grain: 0 }", wires, &frames, 7);
    let plain = run("{ fill: clean, grain: 0, seams: plain }", wires, &frames, 7);
    for (x, y) in [(151, 31), (170, 55), (191, 79)] {
        let light = 0.5 + x as f32 / 400.0 + y as f32 / 800.0;
        assert!((value(&joined, 0, x, y) - light).abs() < 1e-3, "{x}, {y}: {}", value(&joined, 0, x, y));
        assert!((value(&plain, 0, x, y) - (light - 0.25)).abs() < 1e-3);
        assert!((value(&joined, 2, x, y) - light * 0.5).abs() < 1e-3 && value(&joined, 3, x, y) == 1.0);
    }
    let before = scene(false);
    for y in 0..SIZE.1 as usize {
        for x in (0..WIDTH).filter(|&x| !inside(x, y)) {
            assert_eq!(value(&joined, 1, x, y), value(&before, 1, x, y));
        }
    }
}

/// 3/4 of a fill and 1/4 of a premultiplied picture, exactly.
#[test]
fn soft_mattes_mix_premultiplied() {
    let frames = [
        vec![(7, picture(|_, _| [0.5, 0.25, 0.0, 0.5]))],
        vec![(7, matte("crew", |x, y| if inside(x, y) { 0.75 } else { 0.0 }))],
        vec![(7, picture(|_, _| [1.0, 0.5, 0.25, 1.0]))],
    ];
    let out = run("{ fill: clean, grain: 0, seams: plain }", &wiring()[..3], &frames, 7);
    assert_eq!([0, 1, 2, 3].map(|c| value(&out, c, 160, 40)), [0.875, 0.4375, 0.1875, 0.875]);
    assert_eq!([0, 1, 2, 3].map(|c| value(&out, c, 20, 40)), [0.5, 0.25, 0.0, 0.5]);
}

#[test]
fn what_is_held_out_stays_and_gives_no_level() {
    // The held-out thing covers the whole left edge of the hole, as bright as the sun.
    let actor = |x: usize, _: usize| (140..152).contains(&x);
    let seen = scene(false);
    let with_actor =
        picture(|x, y| if actor(x, y) { [50.0; 4] } else { [0, 1, 2, 3].map(|c| value(&seen, c, x, y)) });
    let frames = [
        vec![(7, with_actor)],
        vec![(7, hole())],
        vec![(7, scene(true))],
        vec![(7, matte("actors", |x, y| f32::from(actor(x, y))))],
    ];
    let out = run("{ fill: clean, grain: 0 }", &wiring(), &frames, 7);
    assert_eq!(value(&out, 1, 151, 50), 50.0);
    let light = 0.5 + 170.0 / 400.0 + 55.0 / 800.0;
    assert!((value(&out, 0, 170, 55) - light).abs() < 1e-3);
}

#[test]
fn other_frames_show_what_this_one_hides() {
    // The background moves by (3, −1) pixels a frame; a bystander stands where the hole is from frame 3 on, and leaves
    // uncovered by then what was hidden before.
    let background = |x: i64, y: i64| 0.25 + ((x * 7 + y * 13).rem_euclid(32)) as f32 / 64.0;
    let frame = |n: i64| {
        picture(move |x, y| {
            if inside(x, y) {
                return [9.0; 4];
            }
            let light = background(x as i64 - 3 * n, y as i64 + n);
            [light, light * 0.5, 0.125, 1.0]
        })
    };
    let pictures: Vec<(i64, Arc<Image>)> = (1..=24).map(|n| (n, frame(n))).collect();
    let mattes: Vec<(i64, Arc<Image>)> = (1..=24).map(|n| (n, hole())).collect();
    let settings = "{ fill: time, reach: 20, grain: 0, offset: { 1: [3, -1], 24: [72, -24] } }";
    let mut wires = wiring()[..2].to_vec();
    wires.iter_mut().for_each(|w| w.frames = FrameRange::new(1, 24));
    let ready = prepare(&PaintOut, settings, None, &wires).unwrap();
    assert_eq!(ready.reach(0, 20), FrameRange::new(1, 24));
    assert_eq!(ready.reach(1, 22), FrameRange::new(2, 24));
    let within = |range: FrameRange, list: &[(i64, Arc<Image>)]| -> Vec<(i64, Arc<Image>)> {
        list.iter().filter(|(n, _)| range.covers(FrameRange::one(*n))).cloned().collect()
    };
    let images = [within(ready.reach(0, 20), &pictures), within(ready.reach(1, 20), &mattes)];
    let out = ready.apply(&Inputs { frames: &images, raster: None }, 20).unwrap();
    for (x, y) in [(150, 30), (160, 44), (187, 79), (191, 40)] {
        let light = background(x as i64 - 60, y as i64 + 20);
        assert!(
            (value(&out, 0, x, y) - light).abs() < 1e-3,
            "{x}, {y}: {} for {light}",
            value(&out, 0, x, y)
        );
    }
}

#[test]
fn a_still_serves_every_frame_and_moves_with_its_offset() {
    let mut wires = wiring()[..3].to_vec();
    wires[2].frames = FrameRange::one(31);
    let settings = "{ fill: clean, grain: 0, seams: plain, offset: { 1: [0, 0], 11: [10, 5] } }";
    let ready = prepare(&PaintOut, settings, None, &wires).unwrap();
    assert_eq!(ready.reach(2, 7), FrameRange::one(31));
    assert_ne!(key(&*ready, 3), key(&*ready, 4));
    assert_eq!(key(&*ready, 40), key(&*ready, 41), "the offset stays after its last key");
    let still = picture(|x, _| [(x / 2) as f32; 4]);
    let frames = [vec![(11, scene(false))], vec![(11, hole())], vec![(31, still)]];
    let out = ready.apply(&Inputs { frames: &frames, raster: None }, 11).unwrap();
    assert_eq!(value(&out, 0, 180, 50), 85.0);
}

#[test]
fn problems_are_told_where_they_are() {
    let told = |settings: &str, wires: &[Connected]| -> Vec<String> {
        let problems = prepare(&PaintOut, settings, None, wires).err().unwrap();
        problems.iter().map(|p| p.message.clone()).collect()
    };
    assert_eq!(told("{ fill: clean }", &wiring()[..2]), ["fill: clean needs a clean plate"]);
    let mut wires = wiring();
    wires[2].frames = FrameRange::new(1, 50);
    assert_eq!(told("{ fill: clean }", &wires), ["the clean plate has no frame 51"]);
    assert_eq!(told("{ fill: clean, clean_frame: 60 }", &wires), ["the clean plate has no frame 60"]);
    assert!(prepare(&PaintOut, "{ fill: clean, clean_frame: 50 }", None, &wires).is_ok());
    assert_eq!(told("{ offset: 4, grain: 2 }", &wiring()[..2]).len(), 2);
    let unused = prepare(&PaintOut, "", None, &wiring()).unwrap();
    assert_eq!(unused.cautions().len(), 1);
    assert!(unused.reach(2, 5).is_empty());
}

#[test]
fn an_empty_matte_leaves_every_bit() {
    let frames = [vec![(7, scene(false))], vec![(7, matte("crew", |_, _| 0.0))]];
    let out = run("", &wiring()[..2], &frames, 7);
    assert_eq!(out.digest(), scene(false).digest());
}

/// What comes out is noted, so that it changes on purpose only.
#[test]
fn golden() {
    let speck = |x: usize, y: usize, k: usize| {
        ((x * 7919 + y * 104_729 + k * 1_299_709).wrapping_mul(2_654_435_761) >> 7 & 255) as f32 / 255.0 - 0.5
    };
    let seen = picture(|x, y| {
        if inside(x, y) {
            return [2.0; 4];
        }
        let plank = if y / 9 % 2 == 0 { 0.3 } else { 0.2 };
        [0, 1, 2, 3].map(|c| if c == 3 { 1.0 } else { plank + 0.02 * speck(x, y, c) })
    });
    let frames = [vec![(7, seen)], vec![(7, hole())], vec![(7, scene(true))]];
    let of = |settings: &str, wires: usize| {
        run(settings, &wiring()[..wires], &frames[..wires], 7).digest().whole.to_string()[..16].to_string()
    };
    let got = [of("{ fill: around, seed: 3 }", 2), of("{ fill: clean, widen: 2.5, offset: [0.25, 1] }", 3)];
    assert_eq!(got, ["731914aec5d68117", "800c2c56363d8908"]);
}

#[test]
fn grain_changes_from_frame_to_frame_and_the_fill_does_not() {
    let with = prepare(&PaintOut, "", None, &wiring()[..2]).unwrap();
    let without = prepare(&PaintOut, "{ grain: 0 }", None, &wiring()[..2]).unwrap();
    assert_ne!(key(&*with, 1), key(&*with, 2));
    assert_eq!(key(&*without, 1), key(&*without, 2));
    assert!(without.is_steady() && !with.is_steady());
}

/// The fill's variance beside the picture's, at two brightnesses, whatever grain the clean plate brings: none, half, all.
#[test]
fn grain_agrees_with_the_surroundings_within_a_tenth() {
    let speck = |i: usize, salt: usize| {
        let bits = speck::scramble((i + salt) as u64).to_le_bytes();
        (bits.iter().map(|&b| f32::from(b)).sum::<f32>() - 1020.0) / 209.02
    };
    let light = |y: usize| if y < 54 { 0.1f32 } else { 0.4 };
    let bystander = |x: usize, y: usize| (60..140).contains(&x) && (10..98).contains(&y);
    let with = |strength: f32, salt: usize, covered: bool| {
        picture(move |x, y| {
            if covered && bystander(x, y) {
                return [3.0, 3.0, 3.0, 1.0];
            }
            let deviation = strength * 0.03 * light(y).sqrt();
            let value = |c: usize| light(y) + deviation * speck((y * WIDTH + x) * 3 + c, salt);
            [value(0), value(1), value(2), 1.0]
        })
    };
    for strength in [0.0, 0.5, 1.0] {
        let frames = [
            vec![(7, with(1.0, 0, true))],
            vec![(7, matte("crew", |x, y| f32::from(bystander(x, y))))],
            vec![(7, with(strength, 50_000_017, false))],
        ];
        let out = run("{ fill: clean }", &wiring()[..3], &frames, 7);
        for rows in [14..50, 58..94] {
            let mut mean = 0.0;
            for c in 0..3 {
                let (mut sum, mut square, mut count) = (0.0f64, 0.0f64, 0.0f64);
                for y in rows.clone() {
                    for x in 64..136 {
                        let off = f64::from(value(&out, c, x, y) - light(y));
                        (sum, square, count) = (sum + off, square + off * off, count + 1.0);
                    }
                }
                let variance = square / count - (sum / count).powi(2);
                let wanted = f64::from(0.03f32 * 0.03 * light(rows.start));
                let ratio = variance / wanted;
                // Some thousand pixels tell a variance to some hundredths, here and where grain is measured.
                assert!((ratio - 1.0).abs() < 0.2, "of {strength}, rows {rows:?}, channel {c}: {ratio}");
                mean += ratio / 3.0;
            }
            assert!((mean - 1.0).abs() < 0.1, "of {strength}, rows {rows:?}: {mean}");
        }
    }
}

/// A matte that covers all, as the alpha of an opaque plate does, leaves nothing to fill from; a hole without it that
/// something held out surrounds neither.
#[test]
fn a_hole_with_nothing_around_is_refused() {
    let told = |settings: &str, frames: &[Vec<(i64, Arc<Image>)>], wires: &[Connected]| {
        let ready = prepare(&PaintOut, settings, None, wires).unwrap();
        ready.apply(&Inputs { frames, raster: None }, 7).map(|_| ()).unwrap_err().to_string()
    };
    let all = || matte("crew", |_, _| 1.0);
    let frames = [vec![(7, scene(false))], vec![(7, all())]];
    for settings in ["", "{ seams: plain }", "{ fill: time, reach: 1 }"] {
        let frames: Vec<Vec<_>> =
            frames.iter().map(|list| (6..=8).map(|n| (n, Arc::clone(&list[0].1))).collect()).collect();
        let words = told(settings, &frames, &wiring()[..2]);
        assert!(words.contains("covers 20736 of the frame's 20736 pixels"), "{words}");
        assert!(words.contains("connect a matte"), "{words}");
    }
    let wires: Vec<Connected> = [0, 1, 3].map(|at| wiring()[at].clone()).to_vec();
    let held = matte("actors", |x, y| f32::from(!inside(x, y)));
    let words = told("", &[vec![(7, scene(false))], vec![(7, hole())], vec![(7, held)]], &wires);
    assert!(words.contains("neither covered nor held out borders on it"), "{words}");
    assert!(!words.contains("covers 20736"), "{words}");
    // A clean plate that shows all of it needs nothing around.
    let frames = [vec![(7, scene(false))], vec![(7, all())], vec![(7, scene(true))]];
    let out = run("{ fill: clean, grain: 0 }", &wiring()[..3], &frames, 7);
    assert_eq!(value(&out, 0, 170, 55), value(&scene(true), 0, 170, 55));
}

#[test]
fn a_pocket_beside_a_hold_out_never_falls_below_black() {
    // The holdout leaves of the hole's edge only a few pixels, beside which the clean plate is brighter than the picture.
    let hole = |x: usize, y: usize| (60..90).contains(&x) && (30..60).contains(&y);
    let edge = |x: usize, y: usize| (57..60).contains(&x) && (42..46).contains(&y);
    let clean = picture(|x, _| if x < 66 { [0.4, 0.4, 0.4, 1.0] } else { [0.03, 0.03, 0.03, 1.0] });
    let frames = [
        vec![(7, picture(|_, _| [0.15, 0.15, 0.15, 1.0]))],
        vec![(7, matte("crew", |x, y| f32::from(hole(x, y))))],
        vec![(7, clean)],
        vec![(7, matte("actors", |x, y| f32::from(!hole(x, y) && !edge(x, y))))],
    ];
    let out = run("{ fill: clean, grain: 0, evened: 0, widen: 0 }", &wiring(), &frames, 7);
    let least = (30..60).flat_map(|y| out.row(0, y)[60..90].iter().map(|v| v.to_f32())).fold(1.0, f32::min);
    assert!(least > 0.0 && least < 0.03, "{least}");
}
