//! The demo film's plates are the same to the last bit, whoever makes them in whatever order.

use endboard::demo::{self, DemoPlate};

fn plate(name: &str) -> &'static DemoPlate {
    demo::plates().iter().find(|plate| plate.name == name).unwrap()
}

/// Digests of a few frames, noted when the film was made. They change when the film's look is
/// changed on purpose, and must not change with the machine, the compiler or its options.
const NOTED: [(&str, i64, &str); 4] = [
    ("shed-wide", 1030, "2cfcd4a1dc746a97d69e146f4c32df5f5ac35cc412d4385525bd48ffda62cefc"),
    ("duel-b", 1016, "5ec9a7071a4ce4d0d9fc0102c9fc735c0d3df53184ca0a4fc656c437f3a7352f"),
    ("rake-clean", 1020, "d624f25f3296671596b8780da57b5e7a90df869a65e951715ef343450f5df79b"),
    ("brine", 1012, "b07c82d1af7ff400b042b445729a2eb35d03e4d1f01eb0dae7d96220e8f0d36b"),
];

#[test]
fn frames_are_the_noted_ones() {
    let made: Vec<(&str, i64, String)> = NOTED
        .iter()
        .map(|&(name, number, _)| (name, number, demo::frame(plate(name), number).digest().whole.to_string()))
        .collect();
    assert_eq!(made, NOTED.map(|(name, number, digest)| (name, number, digest.to_string())));
}

#[test]
fn order_and_threads_make_no_difference() {
    let jobs = [("swing", 1024), ("duel-close", 1010)];
    let alone: Vec<_> = jobs.map(|(name, number)| demo::frame(plate(name), number).digest()).to_vec();
    let together = std::thread::scope(|scope| {
        let started =
            jobs.map(|(name, number)| scope.spawn(move || demo::frame(plate(name), number).digest()));
        started.map(|thread| thread.join().unwrap()).to_vec()
    });
    assert_eq!(alone, together);
}

#[test]
fn takes_differ_only_where_somebody_stands() {
    let (clean, left) = (demo::frame(plate("rake-clean"), 1015), demo::frame(plate("rake-left"), 1015));
    // The man on the left never reaches the right third; grain differs from take to take.
    let mean = |image: &endboard::media::image::Image, from: usize, to: usize| {
        let plane = image.plane_f32(1);
        let rows = plane.chunks(960).flat_map(|row| &row[from..to]);
        rows.sum::<f32>() / (540 * (to - from)) as f32
    };
    let (there, here) =
        (mean(&clean, 700, 960) / mean(&left, 700, 960), mean(&clean, 200, 420) / mean(&left, 200, 420));
    assert!((there - 1.0).abs() < 0.002, "{there}");
    assert!((here - 1.0).abs() > 0.02, "{here}");
}
