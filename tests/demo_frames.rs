//! The demo film's plates are the same to the last bit, whoever makes them in whatever order.

use endboard::demo::{self, DemoPlate};

fn plate(name: &str) -> &'static DemoPlate {
    demo::plates().iter().find(|plate| plate.name == name).unwrap()
}

/// Digests of a few frames, noted when the film was made. They change when the film's look is
/// changed on purpose, and must not change with the machine, the compiler or its options.
const NOTED: [(&str, i64, &str); 4] = [
    ("shed-wide", 1030, "40c206cd7f214541ec240c1170df8607b82e0b145b1fb45cc3ab8fc148617e13"),
    ("duel-b", 1016, "c12562946365805e8e35053e01dd7c957b957cf1939643a20d96709b4e0c54bd"),
    ("rake-clean", 1020, "0f33675fc71be21782b4b5aa66bd1f70ec2e908bd7bfeb4d61f4c1cd1f421f14"),
    ("brine", 1012, "e09aaf498a8754d401962bd9ba408e027f574e95b2248fbfdfb03252677855a9"),
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
