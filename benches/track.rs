//! Times following at 1080p on one thread: `cargo bench --bench track`.
//!
//! Prints milliseconds a frame, the median of five: a frame made ready, points and a flat patch followed on it. With
//! `ENDBOARD_PYTHON` naming a Python that has OpenCV, its pyramidal Lucas-Kanade and ECC are timed between two runs of ours.

mod clock;

use std::sync::Arc;

use clock::{beside_opencv, median};
use endboard::operators::track::course::Follower;
use endboard::operators::track::picture::Picture;
use endboard::operators::track::plane::Flat;
use endboard::operators::track::point::Point;

const SIZE: (usize, usize) = (1920, 1080);

/// Light of a sheet with large and small structure, that moved so far.
fn sheet(dx: f32, dy: f32) -> Vec<f32> {
    let wave = |x: f32, y: f32, s: f32| ((x * 0.83 + y * 0.57) / s).sin() * ((y * 0.91 - x * 0.42) / s).cos();
    let light = |x: f32, y: f32| {
        0.4 + 0.1 * wave(x, y, 2.3) + 0.08 * wave(y, x, 3.7) + 0.1 * wave(x, y, 17.0) + 0.1 * wave(y, x, 90.0)
    };
    let places = (0..SIZE.1).flat_map(|y| (0..SIZE.0).map(move |x| (x as f32, y as f32)));
    places.map(|(x, y)| light(x - dx, y - dy)).collect()
}

/// Names and milliseconds of our work.
fn ours(a: &[f32], b: &[f32]) -> [(&'static str, f64); 4] {
    let picture = |light: &[f32]| Arc::new(Picture::new(light, SIZE.0, SIZE.1));
    let ready = median(5, || drop(std::hint::black_box(picture(b))));
    let (first, second) = (picture(a), picture(b));
    let points = |count: usize| {
        median(5, || {
            for i in 0..count {
                let at = [200.5 + 170.0 * (i % 10) as f64, 150.5 + 90.0 * (i / 10) as f64];
                let mut point = Point::start(&first, at, None).expect("a place on the frame");
                std::hint::black_box(point.step(&second, None));
            }
        })
    };
    let corners = [800.0, 400.0, 1200.0, 400.0, 1200.0, 700.0, 800.0, 700.0];
    let plane = median(5, || {
        let mut flat = Flat::start(&first, corners, None).expect("a patch on the frame");
        std::hint::black_box(flat.step(&second, None));
    });
    [
        ("a frame made ready", ready),
        ("1 point, started and followed there and back", points(1)),
        ("100 points, started and followed there and back", points(100)),
        ("a plane of 400x300, started and followed there and back", plane),
    ]
}

fn main() {
    let (a, b) = (sheet(0.0, 0.0), sheet(7.3, -3.6));
    beside_opencv(SIZE, "track_check.py", || ours(&a, &b), |name| format!("OpenCV: {name}"));
}
