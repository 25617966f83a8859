//! Where rods begin, by all frames of a range together.
//!
//! Knows how long a rod is on the frames on which a person set it, where its light ends on the others, and what that
//! leaves open. Does not know pictures.
//!
//! A hand hides where a rod begins, so light that ends there tells of the hand; and a rod that points away is shorter. Both look
//! alike, so where light and length agree a base is sure, and where they do not it lies between them and nobody is sure. Base and
//! belief are mean and deviation of the two, each as far as it is likely (a mixture; common practice, no source).

use super::Search;
use super::settle::Settled;

/// A deviation in pixels at which a base is believed half.
const HALF: f64 = 4.0;
/// Frames to both sides of which lengths count half.
const NEAR: f64 = 3.0;
/// How far light may end from where the length has it and still be the rod's, as a share of the length.
const ALIKE: f64 = 0.07;
/// What the length may change in a frame for which nothing tells it, as a share.
const DRIFT: f64 = 0.006;

/// A length that a frame shows.
struct Shown {
    frame: i64,
    /// Pixels beyond what hand-set lengths make it, and those as a share of it.
    beyond: f64,
    share: f64,
    weight: f64,
}

/// The base of each frame, and how far it is to be believed.
pub fn bases(search: &Search, settled: &[Option<Settled>]) -> Vec<([f64; 2], f64)> {
    let frames = || search.frames.iter().zip(settled);
    let by_hand = |frame: i64| Shown { frame, beyond: 0.0, share: 0.0, weight: 1.0 };
    let mut shown: Vec<Shown> = search.hand.iter().map(|key| by_hand(key.frame)).collect();
    shown.extend(frames().filter_map(|(frame, settled)| {
        let Settled { tip, line, begins: Some((from_tip, plain)), .. } = (*settled)? else { return None };
        let expected = search.length(frame);
        let beyond = from_tip - expected;
        Some(Shown { frame, beyond, share: beyond / expected.max(1.0), weight: plain * plain * tip * line })
    }));
    let based = |(frame, settled): (i64, &Option<Settled>)| {
        settled.map_or(([0.0; 2], 0.0), |settled| based(search, &shown, frame, &settled))
    };
    frames().map(based).collect()
}

/// The deviation of a frame's length from what hand-set ones make it, by all frames but this one.
fn deviation(search: &Search, shown: &[Shown], frame: i64) -> f64 {
    let others = || shown.iter().filter(|shown| shown.frame != frame);
    let near = |shown: &Shown| shown.weight / (1.0 + ((shown.frame - frame) as f64 / NEAR).powi(2));
    let all: f64 = others().map(near).sum();
    let square: f64 = others().map(|shown| near(shown) * shown.beyond.powi(2)).sum();
    let gap = others()
        .filter(|shown| shown.weight > 0.3 && shown.share.abs() < ALIKE)
        .map(|shown| (shown.frame - frame).abs())
        .min()
        .unwrap_or(search.frames.len() as i64);
    (square / all.max(1e-9)).sqrt().hypot(DRIFT * search.length(frame) * gap as f64)
}

/// One frame's base.
fn based(search: &Search, shown: &[Shown], frame: i64, settled: &Settled) -> ([f64; 2], f64) {
    let Settled { ends: [x, y, tip_x, tip_y], line, tip, size, .. } = *settled;
    let length = search.length(frame);
    let of_length = deviation(search, shown, frame).hypot((1.0 - tip) * 0.1 * length).hypot(size);
    let (from_tip, variance) = match settled.begins {
        None => (length, of_length.powi(2)),
        Some((begins, plain)) => {
            let apart = begins - length;
            let alike = (-(apart / (ALIKE * length)).powi(2)).exp();
            // Where nobody knows, halfway is the least wrong.
            let share = (plain * alike.max(0.5 * plain)).min(0.9);
            let of_light = size + (1.0 - plain) * 0.05 * length;
            let within = share * of_light.powi(2) + (1.0 - share) * of_length.powi(2);
            (length + share * apart, within + 0.25 * plain * apart.powi(2))
        }
    };
    let (dx, dy) = (x - tip_x, y - tip_y);
    let share = from_tip / dx.hypot(dy).max(1e-6);
    let sure = line / (1.0 + variance / HALF.powi(2));
    ([tip_x + dx * share, tip_y + dy * share], sure)
}
