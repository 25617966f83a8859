//! Straight strokes of a frame that could be a rod.
//!
//! Knows how every line of a frame is walked along and what speaks for a rod on it. Does not know other frames, except
//! through the scenery.
//!
//! A line's evidence is summed over stretches of about the rod's length (a Radon transform over pieces of lines; J. Radon,
//! 1917): how far it is thin and bright, as a rod is, and how far its light is new, as that of a fan is (`apart`).

use super::apart::apart;
use super::scene::{Gray, Scene};
use super::{Ends, Mark};

/// A stroke.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stroke {
    /// Its base and tip.
    pub ends: Ends,
    /// What speaks for it: about 1 for a rod that is plainly there.
    pub worth: f64,
}

/// Directions over half a turn.
const DIRECTIONS: usize = 96;
/// Samples from line to line.
const BETWEEN: f64 = 2.0;
/// Samples from start to start.
const STARTS: usize = 3;
/// Lengths that are tried, against the one expected.
const LENGTHS: [f64; 5] = [0.6, 0.75, 0.9, 1.0, 1.12];
/// Strokes of one frame, at most.
const MOST: usize = 64;
/// Encoded light below which nothing counts, however faint the rod.
const FAINT: f32 = 0.008;
/// The least worth.
const LEAST: f64 = 0.12;

/// What a stroke of a frame is judged by: 0 to 1 a sample.
struct Evidence {
    thin: Gray,
    new: Gray,
    /// Samples to either side where a body is as new as on the line.
    aside: f64,
}

/// Strokes of frame number `at`, the likeliest first. `length` is the rod's, in pixels, as expected.
pub fn strokes(scene: &Scene, mark: &Mark, at: usize, length: f64) -> Vec<Stroke> {
    let light = scene.light(at, false);
    let width = mark.width / light.size;
    let apart = apart(scene, at, mark.sense, width);
    // Less of a thin rod is left at a small size, and less of one that moves.
    let left = width.min(1.0) as f32;
    let plain = |gray: &Gray, share: f32| {
        let by = (share * left * mark.contrast).max(FAINT);
        let soft = gray.soft();
        soft.with(soft.samples.iter().map(|v| (v / by).min(1.0)).collect())
    };
    let evidence = Evidence {
        thin: plain(&apart.thin, 0.3),
        new: plain(&apart.new, 0.2),
        aside: (0.2 * length / light.size).max(4.0),
    };
    let length = length / light.size;
    let mut all: Vec<Stroke> = Vec::new();
    for direction in 0..DIRECTIONS {
        let turn = std::f64::consts::PI * direction as f64 / DIRECTIONS as f64;
        lines(&evidence, turn, length, &mut all);
    }
    thinned(all, length * 0.06)
        .into_iter()
        .map(|s| Stroke { ends: s.ends.map(|v| v * light.size), ..s })
        .collect()
}

/// All lines of one direction.
fn lines(evidence: &Evidence, turn: f64, length: f64, all: &mut Vec<Stroke>) {
    let (width, height) = (evidence.thin.width as f64, evidence.thin.height as f64);
    let (sin, cos) = turn.sin_cos();
    let reach = 0.5 * width.hypot(height);
    let mut sums: Vec<f32> = Vec::new();
    let count = (reach / BETWEEN) as i32;
    for k in -count..=count {
        let off = f64::from(k) * BETWEEN;
        let start = [width / 2.0 - sin * off, height / 2.0 + cos * off];
        // Where the line is on the frame.
        let (mut from, mut to) = (-reach, reach);
        for (at, way, side) in [(start[0], cos, width), (start[1], sin, height)] {
            if way.abs() < 1e-9 {
                if at < 0.0 || at > side {
                    to = from - 1.0;
                }
            } else {
                let (a, b) = (-at / way, (side - at) / way);
                from = f64::max(from, a.min(b));
                to = f64::min(to, a.max(b));
            }
        }
        let steps = (to - from).floor();
        if steps < 0.3 * length || steps < 6.0 {
            continue;
        }
        let first = [start[0] + cos * from, start[1] + sin * from];
        walk(evidence, first, [cos, sin], steps as usize, &mut sums);
        stretches(&sums, length, first, [cos, sin], all);
    }
}

/// Sums of evidence along a line, one a sample.
fn walk(evidence: &Evidence, first: [f64; 2], way: [f64; 2], steps: usize, sums: &mut Vec<f32>) {
    sums.clear();
    sums.push(0.0);
    let (width, height) = (evidence.thin.width, evidence.thin.height);
    let index = |x: f64, y: f64| {
        let x = (x as isize).clamp(0, width as isize - 1) as usize;
        let y = (y as isize).clamp(0, height as isize - 1) as usize;
        y * width + x
    };
    let side = [-way[1] * evidence.aside, way[0] * evidence.aside];
    let mut sum = 0.0;
    for step in 0..steps {
        let (x, y) = (first[0] + way[0] * (step as f64 + 0.5), first[1] + way[1] * (step as f64 + 0.5));
        let here = index(x, y);
        let sides = [1.0, -1.0].map(|s| evidence.new.samples[index(x + s * side[0], y + s * side[1])]);
        // What is as new on both sides is a body.
        let new = evidence.new.samples[here] - sides[0].min(sides[1]);
        sum += 0.6 * evidence.thin.samples[here] + 0.5 * new - 0.1;
        sums.push(sum);
    }
}

/// The best stretches of a line, either way round.
fn stretches(sums: &[f32], length: f64, first: [f64; 2], way: [f64; 2], all: &mut Vec<Stroke>) {
    let last = sums.len() as i64 - 1;
    let within = |a: i64, b: i64| {
        let (a, b) = (a.clamp(0, last), b.clamp(0, last));
        (f64::from(sums[b as usize] - sums[a as usize]), (b - a) as f64)
    };
    let mut best: [Option<(f64, i64, i64)>; 2] = [None; 2];
    let cell = (length * 0.5).max(1.0);
    let mut cell_at = i64::MIN;
    let mut settle = |best: &mut [Option<(f64, i64, i64)>; 2]| {
        for (worth, base, tip) in best.iter_mut().filter_map(Option::take) {
            let [b, t] = [base, tip].map(|s| [first[0] + way[0] * s as f64, first[1] + way[1] * s as f64]);
            all.push(Stroke { ends: [b[0], b[1], t[0], t[1]], worth });
        }
    };
    let longest = (length * LENGTHS[4]) as i64;
    for start in (-(longest * 2 / 3)..last - (length * 0.3) as i64).step_by(STARTS) {
        let now = (start as f64 / cell).floor() as i64;
        if now != cell_at {
            settle(&mut best);
            cell_at = now;
        }
        for share in LENGTHS {
            let long = length * share;
            let end = start + long as i64;
            let (sum, seen) = within(start, end);
            if seen < 0.3 * long {
                continue;
            }
            // What is off the frame speaks a little for it, or no rod would leave.
            let mean = (sum + 0.15 * (long - seen)) / long;
            if mean < LEAST {
                continue;
            }
            let over = (long * 0.15).max(3.0) as i64;
            for (side, beyond, base, tip) in [
                (0, within(end + 1, end + 1 + over), start, end),
                (1, within(start - 1 - over, start - 1), end, start),
            ] {
                let beyond = if beyond.1 > 0.0 { (beyond.0 / beyond.1).max(0.0) } else { 0.0 };
                let worth = (mean - 0.35 * beyond) * share.sqrt();
                if worth >= LEAST && best[side].is_none_or(|(w, ..)| worth > w) {
                    best[side] = Some((worth, base, tip));
                }
            }
        }
    }
    settle(&mut best);
}

/// The likeliest, none of them as good as the same as a likelier one.
fn thinned(mut all: Vec<Stroke>, near: f64) -> Vec<Stroke> {
    all.sort_by(|a, b| b.worth.total_cmp(&a.worth));
    let near = near.max(2.5);
    let mut out: Vec<Stroke> = Vec::new();
    for stroke in all {
        let same = |other: &Stroke| (0..4).all(|i| (other.ends[i] - stroke.ends[i]).abs() < near);
        if !out.iter().any(same) {
            out.push(stroke);
            if out.len() == MOST {
                break;
            }
        }
    }
    out
}
