//! How far two shots lie apart, as eyes see it.
//!
//! Knows CIELAB (CIE 15:2004, 8.2.1) and zones of lightness. Does not know what brought the shots together.

use super::{Planes, Samples};
use crate::base::level::Level;
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::Encoding;
use crate::operators::colour::power::pow_exact;
use crate::operators::colour::primaries::{Matrix, apply};

/// Zones of lightness.
const ZONES: usize = 16;

/// Mean ΔE*ab (1976) of the mean colours of zones of equal weight, from the darkest to the lightest. `shot` is in the space
/// `grade_in`, the reference in `working`.
pub fn mean(
    shot: &Planes,
    shot_weights: &[f32],
    reference: &Samples,
    reference_weights: &[f32],
    working: Encoding,
    grade_in: Encoding,
) -> f64 {
    let mut shot = shot.clone();
    let [r, g, b] = &mut shot;
    Chain::new().convert(grade_in, working).apply(Level::best(), [r, g, b]);
    let matrix = working.primaries.to_xyz();
    let a = zones(&shot, shot_weights, matrix);
    let b = zones(&reference.converted(working, working), reference_weights, matrix);
    let apart =
        |a: &[f64; 3], b: &[f64; 3]| (0..3).map(|c| (a[c] - b[c]) * (a[c] - b[c])).sum::<f64>().sqrt();
    a.iter().zip(&b).map(|(a, b)| apart(a, b)).sum::<f64>() / ZONES as f64
}

/// Mean L*, a*, b* of each zone.
fn zones(planes: &Planes, weights: &[f32], matrix: Matrix) -> Vec<[f64; 3]> {
    let white = apply(matrix, [1.0; 3]);
    let mut colours: Vec<([f64; 3], f64)> = (0..weights.len())
        .map(|i| {
            let light = [0, 1, 2].map(|c| f64::from(planes[c][i]));
            (lab(apply(matrix, light), white), f64::from(weights[i]))
        })
        .collect();
    colours.sort_unstable_by(|a, b| a.0[0].total_cmp(&b.0[0]).then(a.0[1].total_cmp(&b.0[1])));
    let total: f64 = colours.iter().map(|(_, w)| w).sum();
    let mut sums = vec![([0.0; 3], 0.0); ZONES];
    let mut before = 0.0;
    for (lab, weight) in colours {
        let zone = ((before + weight / 2.0) / total * ZONES as f64) as usize;
        let (sum, of_zone) = &mut sums[zone.min(ZONES - 1)];
        (0..3).for_each(|c| sum[c] += lab[c] * weight);
        *of_zone += weight;
        before += weight;
    }
    sums.into_iter().map(|(sum, weight)| sum.map(|v| if weight > 0.0 { v / weight } else { 0.0 })).collect()
}

/// L*, a*, b*.
pub(super) fn lab(xyz: [f64; 3], white: [f64; 3]) -> [f64; 3] {
    let f = |t: f64| {
        if t > (6.0f64 / 29.0).powi(3) { pow_exact(t, 1.0 / 3.0) } else { t * 841.0 / 108.0 + 4.0 / 29.0 }
    };
    let [x, y, z] = [0, 1, 2].map(|c| f(xyz[c] / white[c]));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}
