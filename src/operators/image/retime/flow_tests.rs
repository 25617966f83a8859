//! Frames made by flow: scenes whose truth is known, what hides and what is hidden, cuts, every size, every processor.
//!
//! Knows scenes drawn from formulas.

use super::tests::prepare;
use super::*;
use crate::base::level::Level;
use crate::media::image::RGBA;

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
    let Made { image, remark } = ready.make(&inputs, 5).unwrap();
    (image, remark)
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
            assert!(
                inner < 0.01 && all < 0.07 && remark.is_none(),
                "{name} {share}: {inner} inside, {all} to the edges"
            );
            assert!(inner < apart / 20.0, "{name} {share}: {inner}, {apart} without motion");
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
    // Left of the disc only the second picture sees the sheet, right of it only the first.
    let off = |made: &Image, columns: std::ops::Range<usize>| {
        let (a, b) = (made.plane_f32(1), truth.plane_f32(1));
        let places = (44..64).flat_map(|y| columns.clone().map(move |x| y * SIZE.0 as usize + x));
        let count = places.clone().count() as f32;
        places.map(|at| (a[at] - b[at]).abs()).sum::<f32>() / count
    };
    let (first, second) = (scene(0.0), scene(1.0));
    for (columns, hides) in [(38..44, &first), (90..96, &second)] {
        let (made, hidden) = (off(&made, columns.clone()), off(hides, columns.clone()));
        assert!(made < hidden / 8.0, "{columns:?}: {made}, {hidden}");
    }
    assert!(off(&made, 48..86) < 0.01);
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
