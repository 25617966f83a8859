//! One way through the strokes of all frames.
//!
//! Knows how a hand moves a rod from frame to frame. Does not know pictures.
//!
//! The way of the greatest worth less the cost of its moves, by dynamic programming over frames (A. J. Viterbi, "Error
//! Bounds for Convolutional Codes and an Asymptotically Optimum Decoding Algorithm", 1967). Frames may be passed over, at a
//! cost, where the rod is hidden. What moves cost is common practice, no source.

use super::Ends;
use super::line::Stroke;

/// Frames that may be passed over at once, and what each costs.
const OVER: usize = 12;
const PASSED: f64 = 0.35;
/// Moves in one frame that cost some of a plain stroke: of the base in lengths of the rod, of the direction in radians. Beyond
/// the second of each no hand goes.
const BASE: [f64; 2] = [0.12, 0.4];
const TURN: [f64; 2] = [0.35, 1.4];
const PRICE: f64 = 0.25;
/// How far beside a rod, in its lengths, a stroke is still the same one.
const BESIDE: f64 = 0.1;

/// A sum, and the frame and stroke that it comes from.
type Sum = (f64, Option<(usize, usize)>);

/// For each frame the stroke that is on the way, if it is not passed over, and what speaks for the way. `diagonal` is the frame's, in pixels.
pub fn through(strokes: &[Vec<Stroke>], diagonal: f64) -> (Vec<Option<Stroke>>, f64) {
    // The best sum that ends with each stroke, and where it comes from.
    let mut sums: Vec<Vec<Sum>> = Vec::with_capacity(strokes.len());
    for (frame, here) in strokes.iter().enumerate() {
        let row = here.iter().map(|stroke| {
            // Everything before may also have been passed over.
            let mut best = (-PASSED * frame as f64, None);
            for back in 1..=(OVER + 1).min(frame) {
                let passed = PASSED * (back - 1) as f64;
                for (i, before) in strokes[frame - back].iter().enumerate() {
                    let sum = sums[frame - back][i].0 - passed - cost(before, stroke, back as f64, diagonal);
                    if sum > best.0 {
                        best = (sum, Some((frame - back, i)));
                    }
                }
            }
            (best.0 + stroke.worth + if stroke.worth >= 2.0 { 100.0 } else { 0.0 }, best.1)
        });
        let row: Vec<_> = row.collect();
        sums.push(row);
    }
    let mut way = vec![None; strokes.len()];
    let last = (0..strokes.len()).flat_map(|f| (0..strokes[f].len()).map(move |i| (f, i)));
    let worth = |&(f, i): &(usize, usize)| sums[f][i].0 - PASSED * (strokes.len() - 1 - f) as f64;
    let mut at = last.max_by(|a, b| worth(a).total_cmp(&worth(b)));
    let all = at.map_or(0.0, |at| worth(&at));
    while let Some((frame, i)) = at {
        way[frame] = Some(strokes[frame][i]);
        at = sums[frame][i].1;
    }
    (way, all)
}

fn length(e: &Ends) -> f64 {
    (e[2] - e[0]).hypot(e[3] - e[1])
}

/// What it costs to come from one stroke to another in so many frames.
fn cost(from: &Stroke, to: &Stroke, frames: f64, diagonal: f64) -> f64 {
    let (a, b) = (&from.ends, &to.ends);
    let (long, longer) = (length(a).max(1.0), length(b).max(1.0));
    let scale = (0.5 * (long + longer)).min(diagonal);
    let base = (b[0] - a[0]).hypot(b[1] - a[1]) / scale;
    let cross = (a[2] - a[0]) * (b[3] - b[1]) - (a[3] - a[1]) * (b[2] - b[0]);
    let dot = (a[2] - a[0]) * (b[2] - b[0]) + (a[3] - a[1]) * (b[3] - b[1]);
    let turn = cross.atan2(dot).abs();
    let grown = (longer / long).ln().abs();
    let price = |gone: f64, [usual, most]: [f64; 2]| {
        // A hand that is not seen for some frames does not go as far as one that goes straight on.
        PRICE * (gone / frames / usual).powi(2).ln_1p() + (gone / most).powi(2) / frames
    };
    price(base, BASE) + price(turn, TURN) + 0.4 * grown
}

/// Strokes that do not lie along other rods.
pub fn untaken(strokes: &[Stroke], others: &[Ends]) -> Vec<Stroke> {
    let lies_along = |stroke: &Stroke, other: &Ends| {
        let long = length(other).max(1.0);
        let way = [(other[2] - other[0]) / long, (other[3] - other[1]) / long];
        let place = |i: usize| {
            let [x, y] = [stroke.ends[i] - other[0], stroke.ends[i + 1] - other[1]];
            (x * way[0] + y * way[1], (x * way[1] - y * way[0]).abs())
        };
        let ((a, off_a), (b, off_b)) = (place(0), place(2));
        let overlap = a.max(b).min(long) - a.min(b).max(0.0);
        off_a.max(off_b) < BESIDE * long && overlap > 0.3 * long
    };
    strokes.iter().filter(|stroke| !others.iter().any(|other| lies_along(stroke, other))).copied().collect()
}
