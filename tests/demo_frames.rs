//! The demo film's plates are the same to the last bit, whoever makes them in whatever order.

use endboard::demo::{self, DemoPlate};
use endboard::media::image::Image;

fn plate(name: &str) -> &'static DemoPlate {
    demo::plates().iter().find(|plate| plate.name == name).unwrap()
}

/// Digests of a few frames, noted when the film was made. They change when the film's look is
/// changed on purpose, and must not change with the machine, the compiler or its options.
const NOTED: [(&str, i64, &str); 4] = [
    ("shed-wide", 1030, "429b3cd5a22e62dfd477cc2afebf58fba924607443a334ae6730c505ea8739c1"),
    ("duel-b", 1016, "c16501945d267e3706d2e323ebe60934e2d74c93a708b949042aacc28df1580b"),
    ("rake-clean", 1020, "75ba584f9fc7ccf56b855821fd49d025d95e64a00470928c63ce073728244c15"),
    ("brine", 1012, "92ad1a973f90f700c28eb870be73baae86e25cf89ff619f7c312be0c0b916b0f"),
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

/// Mean green of the columns `from` to `to`.
fn mean(image: &Image, from: usize, to: usize) -> f32 {
    let plane = image.plane_f32(1);
    let rows = plane.chunks(960).flat_map(|row| &row[from..to]);
    rows.sum::<f32>() / (540 * (to - from)) as f32
}

#[test]
fn takes_differ_only_where_somebody_stands() {
    let (clean, left) = (demo::frame(plate("rake-clean"), 1015), demo::frame(plate("rake-left"), 1015));
    // The man on the left never reaches the right third; grain differs from take to take.
    let (there, here) =
        (mean(&clean, 700, 960) / mean(&left, 700, 960), mean(&clean, 200, 420) / mean(&left, 200, 420));
    assert!((there - 1.0).abs() < 0.002, "{there}");
    assert!((here - 1.0).abs() > 0.02, "{here}");
}

/// Painting out has a level to match: the clean plate is brighter also where nobody stands in either.
#[test]
fn the_duels_clean_plate_is_brighter_and_lacks_the_man_at_the_right() {
    let (clean, duel) = (demo::frame(plate("duel-b-clean"), 1040), demo::frame(plate("duel-b"), 1040));
    let ratio = |from, to| mean(&clean, from, to) / mean(&duel, from, to);
    let (there, here) = (ratio(760, 850), ratio(890, 940));
    assert!((there - 1.06).abs() < 0.01, "{there}");
    assert!((here - 1.06).abs() > 0.05, "{here}");
}
