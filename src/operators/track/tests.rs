//! Followers on textures whose motion is known.
//!
//! Knows the truth by formula. Compiled for tests only.

use std::sync::Arc;

use super::course::{Course, Follower, Key, Track, Way};
use super::picture::Picture;
use super::plane::Flat;
use super::point::Point;
use crate::base::frames::FrameRange;
use crate::operators::shape::motion::{Matrix, carry, homography, inverse};

const SIZE: (usize, usize) = (240, 160);

/// Light of an endless sheet, smooth enough to be sampled: sums of waves of five pixels and longer.
fn sheet(x: f64, y: f64) -> f64 {
    let wave = |a: f64, b: f64, p: f64| ((a * x + b * y) + p).sin();
    0.5 + 0.09 * wave(0.61, 0.32, 0.3) * wave(-0.25, 0.7, 1.0)
        + 0.1 * wave(0.23, -0.19, 2.0)
        + 0.1 * wave(0.11, 0.14, 4.0) * wave(0.07, -0.16, 0.0)
        + 0.08 * wave(0.02, 0.05, 1.0)
        + 0.06 * wave(-0.9, 0.45, 3.0) * wave(0.5, 0.8, 5.0)
}

fn chance(i: u64) -> f64 {
    let mut z = i.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ (z >> 31)) as f64 / u64::MAX as f64
}

/// A frame: `back` takes its places to those of the sheet; noise is uniform with this standard deviation.
fn frame(n: i64, noise: f64, light: impl Fn(f64, f64) -> f64) -> Arc<Picture> {
    let samples = (0..SIZE.0 * SIZE.1).map(|i| {
        let (x, y) = ((i % SIZE.0) as f64 + 0.5, (i / SIZE.0) as f64 + 0.5);
        let grain = (chance(n as u64 * 1_000_003 + i as u64) - 0.5) * noise * 12f64.sqrt();
        (light(x, y) + grain) as f32
    });
    Arc::new(Picture::new(&samples.collect::<Vec<_>>(), SIZE.0, SIZE.1))
}

/// Follows one thing through frames 1 to `last`.
fn follow<const N: usize, F: Follower<N>>(
    hand: &[(i64, [f64; N])],
    last: i64,
    picture: impl Fn(i64) -> Arc<Picture>,
) -> Track<N> {
    let keys = hand.iter().map(|&(frame, at)| Key { frame, at, sure: None });
    let mut course: Course<N, F> = Course::new(keys);
    (1..=last).for_each(|n| course.see(Way::On, n, &picture(n), None));
    (1..=last).rev().for_each(|n| course.see(Way::Back, n, &picture(n), None));
    course.finish(FrameRange::new(1, last), 0.3)
}

/// A handheld camera's way: fractions of a pixel and a few pixels.
fn way(n: i64) -> [f64; 2] {
    let t = (n - 1) as f64;
    [1.37 * t + 2.0 * (t * 0.7).sin(), -0.83 * t + 1.5 * (t * 0.5).sin()]
}

fn furthest<const N: usize>(track: &Track<N>, truth: impl Fn(i64) -> [f64; N]) -> f64 {
    let miss = |key: &Key<N>| {
        let truth = truth(key.frame);
        (0..N / 2)
            .map(|i| (key.at[2 * i] - truth[2 * i]).hypot(key.at[2 * i + 1] - truth[2 * i + 1]))
            .fold(0.0, f64::max)
    };
    track.keys.iter().map(miss).fold(0.0, f64::max)
}

#[test]
fn a_point_is_followed_to_a_twentieth_of_a_pixel() {
    for (noise, bound) in [(0.0, 0.03), (0.01, 0.05)] {
        let moved = |n: i64| frame(n, noise, |x, y| sheet(x - way(n)[0], y - way(n)[1]));
        let at = |n: i64| [101.3 + way(n)[0], 92.7 + way(n)[1]];
        let track = follow::<2, Point>(&[(1, at(1))], 20, moved);
        let miss = furthest(&track, at);
        eprintln!("noise {noise}: {miss:.4} px, sure {:.3} to {:.3}", track.least, track.mean);
        assert!(track.lost.is_empty() && miss < bound, "{miss} {:?}", track.lost);
        assert!(track.least > 0.8, "{}", track.least);
    }
}

#[test]
fn a_point_keeps_its_place_while_its_light_changes_and_it_grows_and_turns() {
    let turned = |n: i64| {
        let (sin, cos) = (0.02 * (n - 1) as f64).sin_cos();
        let size = 1.0 + 0.012 * (n - 1) as f64;
        (sin * size, cos * size)
    };
    let middle = [118.0, 81.0];
    let picture = |n: i64| {
        let (sin, cos) = turned(n);
        let area = sin * sin + cos * cos;
        frame(n, 0.005, |x, y| {
            let (x, y) = (x - middle[0] - way(n)[0], y - middle[1] - way(n)[1]);
            let light = sheet(middle[0] + (cos * x + sin * y) / area, middle[1] + (cos * y - sin * x) / area);
            light * (1.0 + 0.03 * (n - 1) as f64) - 0.01 * n as f64
        })
    };
    let at = |n: i64| {
        let (sin, cos) = turned(n);
        let (x, y) = (7.25, -4.5);
        [middle[0] + way(n)[0] + cos * x - sin * y, middle[1] + way(n)[1] + sin * x + cos * y]
    };
    let track = follow::<2, Point>(&[(1, at(1))], 16, picture);
    let miss = furthest(&track, at);
    eprintln!("grows and turns: {miss:.4} px, sure from {:.3}", track.least);
    assert!(track.lost.is_empty() && miss < 0.1, "{miss} {:?}", track.lost);
}

#[test]
fn a_point_that_is_hidden_is_lost_and_never_sure_of_a_wrong_place() {
    // A dark post goes across it from frame 8 to 12 or so.
    let picture = |n: i64| {
        frame(n, 0.004, |x, y| {
            let post = 210.0 - 14.0 * n as f64;
            if (post..post + 34.0).contains(&x) {
                0.12 + 0.05 * (y * 0.3).sin()
            } else {
                sheet(x - 0.4 * n as f64, y)
            }
        })
    };
    let at = |n: i64| [92.0 + 0.4 * n as f64, 77.5];
    let track = follow::<2, Point>(&[(1, at(1))], 24, picture);
    let miss = furthest(&track, at);
    eprintln!("hidden on {}; otherwise {miss:.3} px", track.lost);
    // The place itself lies behind the post on 9; on 7, 8 and 10 to 12 the post covers some of what is around it. What was
    // hidden is not always found again: a key set by hand behind the gap goes on from there.
    assert!(track.lost.contains(9) && (1..=6).all(|n| !track.lost.contains(n)), "{}", track.lost);
    assert!(miss < 0.1, "{miss}");
}

#[test]
fn nothing_to_hold_on_to_is_not_believed() {
    let even = |n: i64| frame(n, 0.01, |_, _| 0.4);
    assert!(follow::<2, Point>(&[(1, [120.0, 80.0])], 5, even).sound.is_empty());
    // An edge tells nothing along itself.
    let edge = |n: i64| frame(n, 0.01, |x, _| 0.3 + 0.3 / (1.0 + (-(x - 120.0)).exp()));
    assert!(follow::<2, Point>(&[(1, [120.0, 80.0])], 5, edge).sound.is_empty());
    assert!(follow::<2, Point>(&[(1, [-90.0, 80.0])], 5, edge).sound.is_empty());
}

/// A flat thing that leans away.
fn lean(n: i64) -> Matrix {
    let t = (n - 1) as f64;
    let shift = way(n);
    let from = [0.0, 0.0, 240.0, 0.0, 240.0, 160.0, 0.0, 160.0];
    let by = [1.1, 0.9, -0.6, -0.5, 0.9, 0.7, -0.4, -0.8];
    homography(&from, &std::array::from_fn(|i| from[i] + shift[i % 2] + by[i] * t))
}

const CORNERS: [[f64; 2]; 4] = [[60.0, 42.0], [168.0, 36.0], [176.0, 122.0], [52.0, 118.0]];

fn leant(n: i64) -> [f64; 8] {
    let to = CORNERS.map(|c| carry(&lean(n), c).unwrap());
    std::array::from_fn(|i| to[i / 2][i % 2])
}

#[test]
fn a_planes_corners_are_followed_to_a_fifth_of_a_pixel_under_noise() {
    for (noise, bound) in [(0.0, 0.05), (0.02, 0.2)] {
        let picture = |n: i64| {
            let back = inverse(&lean(n)).unwrap();
            frame(n, noise, |x, y| {
                let [x, y] = carry(&back, [x, y]).unwrap();
                sheet(x, y)
            })
        };
        let track = follow::<8, Flat>(&[(1, leant(1))], 14, picture);
        let miss = furthest(&track, leant);
        eprintln!("plane, noise {noise}: {miss:.4} px, sure from {:.3}", track.least);
        assert!(track.lost.is_empty() && miss < bound, "{miss} {}", track.lost);
    }
}

#[test]
fn who_passes_in_front_of_a_plane_does_not_take_it_along() {
    let passing = |n: i64, x: f64| (x - 16.0 * n as f64).abs() < 16.0;
    let picture = |n: i64| {
        let back = inverse(&lean(n)).unwrap();
        frame(n, 0.005, |x, y| {
            let [u, v] = carry(&back, [x, y]).unwrap();
            if passing(n, x) {
                0.15 + 0.1 * ((x - 16.0 * n as f64) * 0.4).sin() * (y * 0.3).cos()
            } else {
                sheet(u, v)
            }
        })
    };
    let track = follow::<8, Flat>(&[(1, leant(1))], 14, picture);
    let miss = furthest(&track, leant);
    eprintln!("plane behind somebody: {miss:.4} px, sure from {:.3}, lost on {}", track.least, track.lost);
    // Where the passer hides a good part of it, it may be given up, though it would have been right.
    assert!(
        track.lost.iter().all(|n| (4..=10).contains(&n)) && track.lost.len() <= 3 && miss < 0.3,
        "{miss} {}",
        track.lost
    );
}

#[test]
fn a_plane_half_of_which_somebody_covers_has_no_wrong_key() {
    // Somebody comes in from the left, stops before half of the patch and stays there.
    let edge = |n: i64| (12.0 * n as f64).min(150.0);
    let picture = |n: i64| {
        let back = inverse(&lean(n)).unwrap();
        frame(n, 0.005, |x, y| {
            let [u, v] = carry(&back, [x, y]).unwrap();
            match x < edge(n) {
                // Clothes, about as strong as the wall.
                true => 0.4 + 0.2 * (0.45 * (x - edge(n))).sin() * (0.33 * y + 0.1 * x).cos(),
                false => sheet(u, v),
            }
        })
    };
    let track = follow::<8, Flat>(&[(1, leant(1))], 20, picture);
    let miss = furthest(&track, leant);
    eprintln!("plane half covered: {miss:.4} px, lost on {}", track.lost);
    assert!((1..=3).all(|n| !track.lost.contains(n)), "{}", track.lost);
    assert!(miss < 1.0, "{miss} {}", track.lost);
}

#[test]
fn a_plane_that_is_wholly_covered_is_lost_and_goes_on_once_it_shows_again() {
    // Somebody wider than the patch walks past: before all of it on 13 to 15, and gone from 24 on.
    let picture = |n: i64| {
        let back = inverse(&lean(n)).unwrap();
        let left = 16.0 * (n - 1) as f64 - 170.0;
        frame(n, 0.005, |x, y| {
            let [u, v] = carry(&back, [x, y]).unwrap();
            match (left..left + 170.0).contains(&x) {
                true => 0.4 + 0.2 * (0.45 * (x - left)).sin() * (0.33 * y + 0.1 * x).cos(),
                false => sheet(u, v),
            }
        })
    };
    // The key lies before that, or behind it, or there is one on either side.
    for keys in [&[1][..], &[28], &[1, 28]] {
        let hand: Vec<_> = keys.iter().map(|&key| (key, leant(key))).collect();
        let track = follow::<8, Flat>(&hand, 28, picture);
        let miss = furthest(&track, leant);
        eprintln!("plane wholly covered, keys on {keys:?}: {miss:.4} px, lost on {}", track.lost);
        assert!((13..=15).all(|n| track.lost.contains(n)), "{keys:?}: {}", track.lost);
        assert!((1..=4).chain(25..=28).all(|n| !track.lost.contains(n)), "{keys:?}: {}", track.lost);
        assert!(miss < 1.0, "{keys:?}: {miss} {}", track.lost);
    }
}

#[test]
fn what_is_not_flat_is_not_believed_once_its_parts_go_apart() {
    // The right third of the patch lies nearer, and goes on by itself.
    let picture = |n: i64| {
        let nearer = 132.0 + (n - 1) as f64;
        frame(
            n,
            0.005,
            |x, y| if x < nearer { sheet(x, y) } else { sheet(x - (n - 1) as f64 + 40.0, y - 31.0) },
        )
    };
    let at = [60.0, 42.0, 168.0, 36.0, 176.0, 122.0, 52.0, 118.0];
    let track = follow::<8, Flat>(&[(1, at)], 16, picture);
    eprintln!("plane of two depths: lost on {}", track.lost);
    assert!((2..=3).all(|n| !track.lost.contains(n)), "{}", track.lost);
    assert!((10..=16).all(|n| track.lost.contains(n)), "{}", track.lost);
}

#[test]
fn two_keys_are_met_and_what_drifts_is_spread() {
    let moved = |n: i64| frame(n, 0.005, |x, y| sheet(x - way(n)[0], y - way(n)[1]));
    let at = |n: i64| [101.3 + way(n)[0], 92.7 + way(n)[1]];
    // The second key was set a pixel off.
    let off = [at(11)[0] + 1.0, at(11)[1]];
    let track = follow::<2, Point>(&[(1, at(1)), (11, off)], 15, moved);
    let miss = |n: i64| track.keys.iter().find(|k| k.frame == n).map(|k| k.at[0] - at(n)[0]).unwrap();
    assert_eq!(track.keys.iter().find(|k| k.frame == 11).unwrap().at, off);
    assert!((miss(6) - 0.5).abs() < 0.15 && miss(2).abs() < 0.2 && (miss(15) - 1.0).abs() < 0.1);
    assert!(track.keys.iter().filter(|k| k.frame <= 11).all(|k| k.sure.is_none_or(|s| s.whole < 0.97)));
}
