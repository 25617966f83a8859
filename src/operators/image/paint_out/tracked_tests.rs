//! Shots with a moving camera: clean plates that go along with a track, and frames laid over one another by it.

use super::tests::{WIDTH, matte, picture, value, wiring};
use super::*;
use crate::operators::image::trial::{key, prepare_from};
use crate::operators::shape::motion::{carried, inverse};

/// Where the scene's wall lies on a frame: a camera that pans, closes in, rolls and looks ever more from the side.
fn camera(n: i64) -> [[f64; 3]; 3] {
    let t = (n - 1) as f64;
    let (sin, cos) = (0.006 * t).sin_cos();
    let grown = 1.0 + 0.008 * t;
    [[cos * grown, -sin * grown, 1.7 * t], [sin * grown, cos * grown, -0.9 * t], [4e-5 * t, -2e-5 * t, 1.0]]
}

/// The wall, with nothing finer than four pixels.
fn wall(x: f64, y: f64) -> f32 {
    let fine = (x / 2.1).sin() * (y / 2.7).cos() * 0.06 + ((x + y) / 3.3).sin() * 0.05;
    (0.4 + 0.2 * (x / 31.0).sin() * (y / 23.0).cos() + fine) as f32
}

fn bystander(n: i64, x: usize, y: usize) -> bool {
    let left = 20.0 + 5.5 * (n - 1) as f64;
    (left..left + 22.0).contains(&(x as f64)) && (30..85).contains(&y)
}

/// What the camera sees on a frame, with or without the bystander.
fn seen_by_camera(n: i64, is_clean: bool) -> Arc<Image> {
    let back = inverse(&camera(n)).unwrap();
    picture(move |x, y| {
        if !is_clean && bystander(n, x, y) {
            return [2.0, 0.0, 0.0, 1.0];
        }
        let ([u, v], _) = carried(&back, [x as f64 + 0.5, y as f64 + 0.5]);
        // Weights come back other than 1, and `carried` divides by them.
        let light = wall(u, v);
        [light, light * 0.5, 0.25, 1.0]
    })
}

fn track_of_camera() -> String {
    let corners = [[30.0, 20.0], [160.0, 20.0], [160.0, 90.0], [30.0, 90.0]];
    let keys: String = (1..=24)
        .map(|n| {
            let at = corners.map(|c| carried(&camera(n), c).0);
            format!("      {n}: {{ corners: {at:?} }}\n")
        })
        .collect();
    format!("planes:\n  wall:\n    keys:\n{keys}")
}

/// The mean and the greatest distance of red from the truth inside the bystander.
fn residual(out: &Image, n: i64) -> (f32, f32) {
    let truth = seen_by_camera(n, true);
    let (mut sum, mut most, mut count) = (0.0, 0.0f32, 0);
    for y in 30..85 {
        for x in (0..WIDTH).filter(|&x| bystander(n, x, y)) {
            let off = (value(out, 0, x, y) - value(&truth, 0, x, y)).abs();
            (sum, most, count) = (sum + off, most.max(off), count + 1);
        }
    }
    assert!(count > 900, "{count}");
    (sum / count as f32, most)
}

#[test]
fn a_held_clean_plate_goes_along_with_the_track() {
    let mut wires = wiring()[..3].to_vec();
    wires.iter_mut().for_each(|w| w.frames = FrameRange::new(1, 24));
    wires[2].frames = FrameRange::one(4);
    let track = track_of_camera();
    let ready = |settings: &str| prepare_from(&PaintOut, settings, &[("track", &track)], &wires).unwrap();
    let run = |ready: &dyn Prepared, n: i64| {
        let frames = [
            vec![(n, seen_by_camera(n, false))],
            vec![(n, matte("crew", move |x, y| f32::from(bystander(n, x, y))))],
            vec![(4, seen_by_camera(4, true))],
        ];
        let inputs = Inputs { frames: &frames, raster: None };
        let Made { image, remark } = ready.make(&inputs, n).unwrap();
        (image, remark)
    };
    let follows = ready("{ fill: clean, follows: wall, grain: 0, evened: 0, seams: plain }");
    for n in [4, 9, 18] {
        assert_eq!(follows.reach(2, n), FrameRange::one(4));
        let ((mean, most), remark) = {
            let (out, remark) = run(&*follows, n);
            (residual(&out, n), remark)
        };
        // A half float's step is 5e-4 here; the kernel keeps the wall's finest waves to about a hundredth of their height.
        assert!(mean < 1.5e-3 && most < 8e-3 && remark.is_none(), "frame {n}: {mean} {most} {remark:?}");
    }
    let (still, _) =
        run(&*ready("{ fill: clean, follows: wall, clean_view: 18, grain: 0, evened: 0, seams: plain }"), 18);
    assert!(residual(&still, 18).0 > 0.03);
    assert_ne!(key(&*follows, 9), key(&*follows, 10));
    assert!(follows.cautions().is_empty());
}

#[test]
fn frames_of_a_tracked_shot_lie_over_one_another() {
    let mut wires = wiring()[..2].to_vec();
    wires.iter_mut().for_each(|w| w.frames = FrameRange::new(1, 24));
    let track = track_of_camera();
    let ready =
        |settings: &str, track: &str| prepare_from(&PaintOut, settings, &[("track", track)], &wires).unwrap();
    let settings = "{ fill: time, reach: 6, follows: wall, grain: 0, seams: plain }";
    let time = ready(settings, &track);
    assert_eq!(time.reach(0, 12), FrameRange::new(6, 18));
    let list = |range: FrameRange, of: &dyn Fn(i64) -> Arc<Image>| {
        range.iter().map(|n| (n, of(n))).collect::<Vec<_>>()
    };
    let run = |ready: &dyn Prepared, n: i64| {
        let range = ready.reach(0, n);
        let mattes = |n: i64| matte("crew", move |x, y| f32::from(bystander(n, x, y)));
        let frames = [list(range, &|n| seen_by_camera(n, false)), list(range, &mattes)];
        let inputs = Inputs { frames: &frames, raster: None };
        let Made { image, remark } = ready.make(&inputs, n).unwrap();
        (image, remark)
    };
    let (out, remark) = run(&*time, 12);
    let (mean, most) = residual(&out, 12);
    assert!(mean < 1.5e-3 && most < 8e-3 && remark.is_none(), "{mean} {most} {remark:?}");
    // Two frames either side do not see past the bystander, and that is told.
    let (_, remark) = run(&*ready("{ fill: time, reach: 1, follows: wall, grain: 0 }", &track), 12);
    assert!(remark.unwrap().starts_with("no frame within reach shows "));
    // A key of the track changes the frames that look at its frame, and no other.
    let moved = track.replacen("      20: { corners: [[", "      20: { corners: [[1", 1);
    let other = ready(settings, &moved);
    let changed: Vec<i64> = (1..=24).filter(|&n| key(&*time, n) != key(&*other, n)).collect();
    assert_eq!(changed, (14..=24).collect::<Vec<_>>());
}

#[test]
fn what_cannot_be_followed_is_told() {
    let track = track_of_camera();
    let told = |settings: &str, files: &[(&str, &str)]| -> Vec<String> {
        let ready = prepare_from(&PaintOut, settings, files, &wiring()[..2]);
        match ready {
            Ok(ready) => ready.cautions().iter().map(|p| p.message.clone()).collect(),
            Err(problems) => problems.iter().map(|p| p.message.clone()).collect(),
        }
    };
    let files = [("track", track.as_str())];
    assert_eq!(told("{ follows: wall }", &[]), ["there is no track to follow"]);
    assert_eq!(told("", &files), ["a track is named and nothing of it is followed"]);
    assert_eq!(told("{ fill: time, follows: wal }", &files), ["there is no motion 'wal' to follow"]);
    assert!(told("{ follows: wall }", &files)[0].starts_with("nothing follows: the fill is from around"));
}
