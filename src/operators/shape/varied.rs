//! Soft edges whose width changes along an outline.
//!
//! Knows a width at places along an outline, and masks. Does not know shapes.
//!
//! Every pixel has a width of its own: the mean of those along the outline, by the inverse fourth power of their distance
//! (D. Shepard, "A Two-Dimensional Interpolation Function for Irregularly-Spaced Data", 1968), found on a grid and straight
//! in between. So it follows the outline's own width at the edge, and changes smoothly along it and away from it. The pixel is
//! then the mask softened by that width: mixed from the mask softened by two widths either side whose squares differ
//! by no more than a factor of 2, in such shares that the variance of the mixed bell is the wanted one. What is wholly inside
//! stays 1 and what is wholly outside 0. Where the width is the same all along it is [`soften`] itself; area is
//! kept as far as the square of the width changes evenly: to within 1 % of what the soft edge covers in the tests.

use super::coverage::{Mask, Window};
use super::outline::Place;
use super::soften::soften;

/// Pixels from node to node of the grid of widths.
const GRID: usize = 8;
/// Distances below this, in pixels, make no more of a difference.
const NEAR: f64 = 2.0;

/// The width of the soft edge at a place of the outline.
#[derive(Clone, Copy, Debug)]
pub struct Sample {
    /// Where.
    pub at: Place,
    /// Pixels.
    pub width: f64,
    /// Pixels of the outline that it stands for.
    pub length: f64,
}

/// Softens a mask, which must hold everything within the widest feather's reach of the window.
pub fn soften_along(mask: &Mask, samples: &[Sample], wanted: &Window) -> Mask {
    let widest = samples.iter().map(|s| s.width).fold(0.0, f64::max);
    let least = samples.iter().map(|s| s.width).fold(widest, f64::min);
    let [left, top, right, bottom] = mask.window.sides();
    let half = widest / 2.0 + 3.0;
    let touched = wanted.touched([left - half, top - half, right + half, bottom + half]);
    let mut out = Mask::new(touched);
    if mask.window.is_empty() || touched.is_empty() {
        return out;
    }
    let squares = squares(samples, &touched);
    let levels = levels(least * least, widest * widest);
    for (i, &level) in levels.iter().enumerate() {
        let layer = soften(mask, level.sqrt(), &touched);
        let below = i.checked_sub(1).map(|i| levels[i]);
        let above = levels.get(i + 1).copied();
        let share = |square: f64| match (below, above) {
            (Some(below), _) if square < level => (square - below) / (level - below),
            (_, Some(above)) if square > level => (above - square) / (above - level),
            _ => 1.0,
        };
        let part = layer.window;
        let (x, y) = ((part.x - touched.x) as usize, (part.y - touched.y) as usize);
        for row in 0..part.height {
            let squares = &squares[(y + row) * touched.width + x..];
            let to = &mut out.row_mut(y + row)[x..x + part.width];
            for ((to, from), square) in to.iter_mut().zip(layer.row(row)).zip(squares) {
                let share = share(f64::from(*square));
                if share > 0.0 {
                    *to += *from * share as f32;
                }
            }
        }
    }
    out.samples.iter_mut().for_each(|s| *s = s.clamp(0.0, 1.0));
    out
}

/// Squares of the widths that the mask is softened by.
fn levels(least: f64, most: f64) -> Vec<f64> {
    let mut levels = vec![least];
    let mut level = least;
    while level < most {
        level = (level * 2.0).max(1.0).min(most);
        levels.push(level);
    }
    levels
}

/// The square of the width at each pixel of a window, held between the least and the most of the samples.
fn squares(samples: &[Sample], window: &Window) -> Vec<f32> {
    let (columns, rows) = (window.width / GRID + 2, window.height / GRID + 2);
    let most = samples.iter().map(|s| s.width).fold(0.0, f64::max);
    let least = samples.iter().map(|s| s.width).fold(most, f64::min);
    let node = |i: usize| {
        let x = window.x as f64 + (i % columns * GRID) as f64 + 0.5;
        let y = window.y as f64 + (i / columns * GRID) as f64 + 0.5;
        let (mut sum, mut weights) = (0.0, 0.0);
        for sample in samples {
            let (dx, dy) = (sample.at[0] - x, sample.at[1] - y);
            let square = dx * dx + dy * dy + NEAR * NEAR;
            let weight = sample.length.max(1e-6) / (square * square);
            sum += weight * sample.width;
            weights += weight;
        }
        (sum / weights).clamp(least, most)
    };
    let nodes: Vec<f64> = (0..columns * rows).map(node).collect();
    let mut out = Vec::with_capacity(window.width * window.height);
    for y in 0..window.height {
        let (row, v) = (y / GRID, (y % GRID) as f64 / GRID as f64);
        for x in 0..window.width {
            let (column, u) = (x / GRID, (x % GRID) as f64 / GRID as f64);
            let at = |dx: usize, dy: usize| nodes[(row + dy) * columns + column + dx];
            let upper = at(0, 0) + (at(1, 0) - at(0, 0)) * u;
            let lower = at(0, 1) + (at(1, 1) - at(0, 1)) * u;
            let width = upper + (lower - upper) * v;
            out.push((width * width) as f32);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operators::shape::Fill;
    use crate::operators::shape::coverage::cover;
    use crate::operators::shape::soften::reach;
    use proptest::prelude::*;

    const FRAME: Window = Window { x: 0, y: 0, width: 160, height: 120 };

    fn bar() -> Mask {
        cover(
            &[vec![[-60.0, 60.2], [220.0, 60.2], [220.0, 300.0], [-60.0, 300.0]]],
            Fill::Nonzero,
            FRAME.widened(reach(40.0)),
        )
    }

    fn along(width: impl Fn(f64) -> f64) -> Vec<Sample> {
        (-15..55)
            .map(|i| f64::from(i) * 4.0)
            .map(|x| Sample { at: [x, 60.2], width: width(x), length: 4.0 })
            .collect()
    }

    #[test]
    fn the_same_width_all_along_is_a_plain_feather() {
        let plain = soften(&bar(), 12.0, &FRAME);
        let got = soften_along(&bar(), &along(|_| 12.0), &FRAME);
        let off = got.samples.iter().zip(&plain.samples).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        assert!(got.window == plain.window && off < 1e-6, "{off}");
    }

    /// Along an edge whose feather grows from 2 to 34 px, each column looks like a plain feather of its own width.
    #[test]
    fn an_edge_is_as_soft_as_its_outline_says_at_each_place() {
        let width = |x: f64| 2.0 + 0.2 * x.clamp(0.0, 160.0);
        let got = soften_along(&bar(), &along(width), &FRAME);
        for x in [20usize, 60, 100, 140] {
            let plain = soften(&bar(), width(x as f64 + 0.5), &FRAME);
            for y in 0..120usize {
                let at = |m: &Mask| {
                    let row = y as i64 - m.window.y;
                    if row < 0 || row >= m.window.height as i64 {
                        0.0
                    } else {
                        m.row(row as usize)[(x as i64 - m.window.x) as usize]
                    }
                };
                assert!((at(&got) - at(&plain)).abs() < 0.03, "{x}, {y}: {} for {}", at(&got), at(&plain));
            }
        }
        // No seams: from column to column nothing jumps.
        for y in 0..got.window.height {
            assert!(got.row(y).windows(2).all(|p| (p[0] - p[1]).abs() < 0.02));
        }
    }

    proptest! {
        #[test]
        fn area_is_kept_to_a_hundredth_of_the_soft_edge(
            a in 0.0f64..24.0, b in 0.0f64..24.0, c in 0.0f64..24.0, d in 0.0f64..24.0, top in 38.0f64..45.0,
        ) {
            let corners = [[40.3, top], [118.8, top], [118.8, 84.4], [40.3, 84.4]];
            let widths = [a, b, c, d];
            let mask = cover(&[corners.to_vec()], Fill::Nonzero, FRAME.widened(reach(24.0)));
            let mut samples = Vec::new();
            for i in 0..4 {
                let (p, q, v, w) = (corners[i], corners[(i + 1) % 4], widths[i], widths[(i + 1) % 4]);
                samples.extend((0..20).map(|k| (k as f64 + 0.5) / 20.0).map(|t| Sample {
                    at: [p[0] + (q[0] - p[0]) * t, p[1] + (q[1] - p[1]) * t], width: v + (w - v) * t, length: 4.0,
                }));
            }
            let got = soften_along(&mask, &samples, &FRAME);
            let sum: f64 = got.samples.iter().map(|&s| f64::from(s)).sum();
            let area = (118.8 - 40.3) * (84.4 - top);
            let around = 2.0 * (118.8 - 40.3 + 84.4 - top);
            let soft = around * widths.iter().sum::<f64>() / 4.0;
            prop_assert!((sum - area).abs() < 0.01 * soft + 0.5, "{sum} for {area}, soft edge {soft}");
            prop_assert!(got.samples.iter().all(|s| (0.0..=1.0).contains(s)));
        }
    }
}
