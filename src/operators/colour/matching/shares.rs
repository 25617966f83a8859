//! How far samples of two shots have the same colours.
//!
//! Knows densities in cells of colour. Does not know what samples are.

use std::collections::HashMap;

use super::Planes;

/// Densities at the corners of cells; a sample counts at the eight around it, by its nearness.
struct Density(HashMap<[i32; 3], f32>);

/// Corners around a colour and its share of each.
fn corners(colour: [f32; 3], cell: f32) -> impl Iterator<Item = ([i32; 3], f32)> {
    let at = colour.map(|v| v / cell);
    let low = at.map(f32::floor);
    let part = [0, 1, 2].map(|c| at[c] - low[c]);
    (0..8).map(move |i| {
        let bit = |c: usize| (i >> c) & 1;
        let share = [0, 1, 2].map(|c| if bit(c) == 1 { part[c] } else { 1.0 - part[c] });
        ([0, 1, 2].map(|c| low[c] as i32 + bit(c)), share[0] * share[1] * share[2])
    })
}

impl Density {
    fn of(planes: &Planes, cell: f32) -> Self {
        let mut map = HashMap::new();
        let each = 1.0 / planes[0].len() as f32;
        let [r, g, b] = planes;
        for ((r, g), b) in r.iter().zip(g).zip(b) {
            for (corner, share) in corners([*r, *g, *b], cell) {
                *map.entry(corner).or_insert(0.0) += share * each;
            }
        }
        Self(map)
    }

    fn at(&self, colour: [f32; 3], cell: f32) -> f32 {
        corners(colour, cell).map(|(corner, share)| share * self.0.get(&corner).copied().unwrap_or(0.0)).sum()
    }
}

/// The least mean weight at which there is something in common.
pub const SOME: f64 = 0.02;

/// Weights of the samples of both, as [`common`] finds them. Shots without a common colour leave nothing to approach each other
/// by: then all count.
pub fn shares(a: &Planes, b: &Planes, cell: f32) -> (Vec<f32>, Vec<f32>) {
    let found = common(a, b, cell);
    if mean(&found.0).min(mean(&found.1)) > SOME {
        found
    } else {
        (vec![1.0; a[0].len()], vec![1.0; b[0].len()])
    }
}

/// The mean of weights.
pub fn mean(weights: &[f32]) -> f64 {
    weights.iter().map(|&w| f64::from(w)).sum::<f64>() / weights.len() as f64
}

/// Weights of the samples of both: the lesser of the two densities at their colour, of their own.
pub fn common(a: &Planes, b: &Planes, cell: f32) -> (Vec<f32>, Vec<f32>) {
    let (of_a, of_b) = (Density::of(a, cell), Density::of(b, cell));
    let weights = |planes: &Planes, own: &Density, other: &Density| {
        let weight = |i: usize| {
            let colour = [0, 1, 2].map(|c| planes[c][i]);
            (other.at(colour, cell) / own.at(colour, cell).max(f32::MIN_POSITIVE)).min(1.0)
        };
        (0..planes[0].len()).map(weight).collect::<Vec<f32>>()
    };
    (weights(a, &of_a, &of_b), weights(b, &of_b, &of_a))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_one_shot_alone_shows_does_not_count() {
        let plane = |list: &[f32]| [list.to_vec(), list.to_vec(), list.to_vec()];
        let a = plane(&[0.1, 0.1, 0.1, 0.9]);
        let b = plane(&[0.1, 0.1, 0.1, 0.1]);
        let (of_a, of_b) = shares(&a, &b, 0.05);
        assert_eq!(of_a, [1.0, 1.0, 1.0, 0.0]);
        assert!(of_b.iter().all(|w| (w - 0.75).abs() < 1e-6), "{of_b:?}");
        assert_eq!(shares(&a, &a, 0.05).0, [1.0; 4]);
        assert_eq!(shares(&plane(&[0.1]), &plane(&[0.9]), 0.05).0, [1.0]);
        assert_eq!(common(&plane(&[0.1]), &plane(&[0.9]), 0.05).0, [0.0]);
    }
}
