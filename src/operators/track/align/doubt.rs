//! How far noise leaves open where a patch lies.
//!
//! Knows the normal equations of a fit. Does not know how it was found, nor what hides a patch.

use super::{Patch, Sample};
use crate::base::linear::solved;

impl Patch {
    /// Standard deviation of the place along its worst direction, in pixels, from the curvature that light gives it.
    pub(super) fn doubt<const N: usize>(
        &self,
        rows: &[[f64; N]; N],
        noise: f64,
        gain: f64,
        whole: f64,
    ) -> f64 {
        let (a, b, c) = (rows[2][2], rows[2][3], rows[3][3]);
        // Light of one tone says nothing; what is left after taking its mean does.
        let mean = [rows[0][2], rows[0][3]].map(|v| v / whole.max(1e-12));
        let (a, b, c) =
            (a - mean[0] * mean[0] * whole, b - mean[0] * mean[1] * whole, c - mean[1] * mean[1] * whole);
        let least = 0.5 * (a + c) - (0.25 * (a - c) * (a - c) + b * b).sqrt();
        // Noise slopes too, by as much each way: that much light does not tell. The square sum of the slope's weights is
        // 130/144; a seventh more than is expected, because so many samples' noise comes out as much by chance.
        let unit = self.reach / f64::from(1u32 << self.level);
        let least = least - 1.15 * 130.0 / 144.0 * (self.grain * unit).powi(2) * whole;
        // Neighbours of a smooth picture share their noise, so that four count about as one.
        if least > 0.0 { 2.0 * noise / (gain * least.sqrt()) * self.reach } else { f64::INFINITY }
    }

    /// Standard deviation of the worst corner's place, in pixels: the normal equations' inverse is the variance of the unknowns
    /// but for the noise's, and a corner goes along with them as it does in `normal`.
    pub(super) fn swing<const N: usize>(&self, rows: &[[f64; N]; N], noise: f64, gain: f64) -> f64 {
        let middle = |axis: fn(&Sample) -> f32| {
            self.samples.iter().fold(0.0, |most, sample| f64::from(axis(sample).abs()).max(most))
        };
        let (right, bottom) = (middle(|s| s.u), middle(|s| s.v));
        let mut worst: f64 = 0.0;
        for [u, v] in [[-right, -bottom], [right, -bottom], [right, bottom], [-right, bottom]] {
            let across = [0.0, 0.0, 1.0, 0.0, u, v, 0.0, 0.0, -u * u, -u * v];
            let down = [0.0, 0.0, 0.0, 1.0, 0.0, 0.0, u, v, -u * v, -v * v];
            let variance = [across, down].map(|along| {
                let along: [f64; N] = std::array::from_fn(|k| along[k]);
                let Some(whole) = solved(*rows, along) else { return f64::INFINITY };
                along.iter().zip(whole).map(|(a, b)| a * b).sum::<f64>().max(0.0)
            });
            worst = worst.max(variance[0] + variance[1]);
        }
        // Four samples count as one, as for the place.
        2.0 * noise / gain * worst.sqrt() * self.reach
    }
}
