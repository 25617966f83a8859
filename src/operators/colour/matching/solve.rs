//! The ten numbers of a grade, bettered by least squares.
//!
//! Knows Levenberg's and Marquardt's method and how odd differences are weighed down. Does not know what the differences
//! are of.

use crate::base::linear::solved;
use crate::operators::colour::cdl::Cdl;

/// How many numbers there are.
pub const COUNT: usize = 10;
/// Logarithms of slopes, offsets, logarithms of powers and of the saturation: steps of all are of a size.
pub type Numbers = [f64; COUNT];

/// Most steps.
const STEPS: usize = 8;
/// How far a number is moved to see what it does.
const NUDGE: f64 = 1e-3;
/// A pull of every number to nothing, per difference: what the pictures leave open stays as it is. Thirty times as much
/// would outweigh a difference of half a stop.
const PULL: f64 = 3e-6;
/// Deviations beyond which a difference does not count (Beaton and Tukey 1974).
const BEYOND: f64 = 4.685;
/// The least that a deviation counts as: differences below it are no picture's.
const FLOOR: f64 = 2e-4;

/// The grade of ten numbers.
pub fn cdl(numbers: &Numbers) -> Cdl {
    let held = |v: f64| v.clamp(-6.0, 6.0).exp();
    Cdl {
        slope: [0, 1, 2].map(|c| held(numbers[c])),
        offset: [0, 1, 2].map(|c| numbers[3 + c].clamp(-2.0, 2.0)),
        power: [0, 1, 2].map(|c| numbers[6 + c].clamp(-2.0, 2.0).exp()),
        saturation: numbers[9].clamp(-2.0, 2.0).exp(),
    }
}

/// Sum of squares.
fn cost(differences: &[f64]) -> f64 {
    differences.iter().map(|d| d * d).sum()
}

/// Weights of differences, by how far each lies from what is usual among them.
fn weights(differences: &[f64]) -> Vec<f64> {
    let mut sizes: Vec<f64> = differences.iter().map(|d| d.abs()).collect();
    sizes.sort_unstable_by(f64::total_cmp);
    // The median of sizes, times 1.4826, is a normal distribution's deviation.
    let deviation = (sizes[sizes.len() / 2] * 1.4826).max(FLOOR);
    let weight = |d: &f64| {
        let share = d / (BEYOND * deviation);
        let inside = (1.0 - share * share).max(0.0);
        inside * inside
    };
    differences.iter().map(weight).collect()
}

/// Numbers at which the differences are smaller than at `start`, or `start`.
pub fn bettered(start: Numbers, differences: &dyn Fn(&Numbers) -> Vec<f64>) -> Numbers {
    let mut best = start;
    let mut here = differences(&best);
    let weights = weights(&here);
    let pull = PULL * here.len() as f64;
    let weighed = |list: &[f64], numbers: &Numbers| {
        let of_list: f64 = list.iter().zip(&weights).map(|(d, w)| d * d * w).sum();
        of_list + pull * cost(numbers)
    };
    let mut now = weighed(&here, &best);
    let mut damping = 1e-3;
    for _ in 0..STEPS {
        let slopes: Vec<Vec<f64>> = (0..COUNT)
            .map(|i| {
                let mut moved = best;
                moved[i] += NUDGE;
                differences(&moved).iter().zip(&here).map(|(a, b)| (a - b) / NUDGE).collect()
            })
            .collect();
        let dot =
            |a: &[f64], b: &[f64]| a.iter().zip(b).zip(&weights).map(|((a, b), w)| a * b * w).sum::<f64>();
        let mut better = None;
        while better.is_none() && damping < 1e6 {
            let (mut rows, mut right) = ([[0.0; COUNT]; COUNT], [0.0; COUNT]);
            for i in 0..COUNT {
                for j in 0..COUNT {
                    rows[i][j] = dot(&slopes[i], &slopes[j]);
                }
                rows[i][i] += pull;
                rows[i][i] *= 1.0 + damping;
                right[i] = -dot(&slopes[i], &here) - pull * best[i];
            }
            if let Some(step) = solved(rows, right) {
                let moved: Numbers = std::array::from_fn(|i| best[i] + step[i]);
                let there = differences(&moved);
                let then = weighed(&there, &moved);
                if then < now {
                    better = Some((moved, there, then));
                    damping = (damping * 0.2).max(1e-9);
                    continue;
                }
            }
            damping *= 8.0;
        }
        let Some((moved, there, then)) = better else { break };
        let gained = now - then;
        (best, here, now) = (moved, there, then);
        if gained <= now * 1e-5 {
            break;
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn straight_problems_are_solved_and_odd_differences_do_not_count() {
        let wanted: Numbers = std::array::from_fn(|i| 0.05 * i as f64 - 0.2);
        let differences = |n: &Numbers| {
            let mut list: Vec<f64> = (0..200)
                .map(|k| (0..COUNT).map(|i| ((k * (i + 3)) as f64).sin() * (n[i] - wanted[i])).sum())
                .collect();
            list.extend([9.0, -7.0]);
            list
        };
        let mut got = [0.0; COUNT];
        for _ in 0..4 {
            got = bettered(got, &differences);
        }
        for i in 0..COUNT {
            assert!((got[i] - wanted[i]).abs() < 2e-4, "{i}: {got:?}");
        }
    }
}
