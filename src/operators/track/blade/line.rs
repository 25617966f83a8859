//! Straight strokes of a frame that could be a rod.
//!
//! Knows how every line of a frame is walked along and what speaks for a rod on it. Does not know other frames, except
//! through the scenery.
//!
//! A line's evidence is summed over stretches of about the rod's length (a Radon transform over pieces of lines; J. Radon,
//! 1917): how far a place stands out of the scenery, which fans do and which a rod that rests does not; and how far it stands
//! out of both its sides, which a rod that rests does and fans do not.

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
/// The least worth.
const LEAST: f64 = 0.12;

/// What a stroke of a frame is judged by.
struct Evidence {
    light: Gray,
    apart: Gray,
    sense: f32,
    /// What counts as standing out plainly, of the scenery and of both sides.
    plain: [f32; 2],
    /// Samples to either side of a rod.
    aside: f64,
}

/// Strokes of frame number `at`, the likeliest first. `length` is the rod's, in pixels, as expected.
pub fn strokes(scene: &Scene, mark: &Mark, at: usize, length: f64) -> Vec<Stroke> {
    let light = scene.light(at, false);
    let whole = [0.0, 0.0, light.width as f64 * light.size, light.height as f64 * light.size];
    let scenery = scene.scenery(at, false, whole);
    let mut apart = light.clone();
    for (a, s) in apart.samples.iter_mut().zip(&scenery.samples) {
        *a = if s.is_nan() { 0.0 } else { (*a - s) * mark.sense };
    }
    let mut sizes: Vec<f32> = apart.samples.iter().map(|v| v.abs()).collect();
    let middle = sizes.len() / 2;
    let noise = 1.4826 * *sizes.select_nth_unstable_by(middle, f32::total_cmp).1;
    // Less of a thin rod is left at a small size.
    let left = (mark.width / light.size / 2.0).min(1.0) as f32;
    let evidence = Evidence {
        light: light.soft(),
        apart: apart.soft(),
        sense: mark.sense,
        plain: [(0.3 * left * mark.contrast).max(2.0 * noise), (0.4 * left * mark.contrast).max(2.0 * noise)],
        aside: (mark.width / light.size * 0.75 + 2.0).max(2.5),
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
    let (width, height) = (evidence.light.width as f64, evidence.light.height as f64);
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
    let (width, height) = (evidence.light.width, evidence.light.height);
    let index = |x: f64, y: f64| {
        let x = (x as isize).clamp(0, width as isize - 1) as usize;
        let y = (y as isize).clamp(0, height as isize - 1) as usize;
        y * width + x
    };
    let side = [-way[1] * evidence.aside, way[0] * evidence.aside];
    let light = |i: usize| evidence.light.samples[i] * evidence.sense;
    let mut sum = 0.0;
    for step in 0..steps {
        let (x, y) = (first[0] + way[0] * (step as f64 + 0.5), first[1] + way[1] * (step as f64 + 0.5));
        let here = index(x, y);
        let beside = light(index(x + side[0], y + side[1])).max(light(index(x - side[0], y - side[1])));
        let ridge = ((light(here) - beside) / evidence.plain[1]).clamp(-0.5, 1.0);
        let apart = (evidence.apart.samples[here] / evidence.plain[0]).clamp(-0.5, 1.0);
        sum += 0.55 * ridge + 0.55 * apart - 0.1;
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
