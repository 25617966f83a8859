//! Quantiles of colours seen from several directions.
//!
//! Knows directions and weighted means of bands of equal weight. Does not know what is compared.

use super::Planes;

/// Bands of each direction.
const BANDS: usize = 24;
/// The axes, the diagonals of faces and of the cube; among them the differences of channels, which show the grey axis,
/// and their sum.
const DIRECTIONS: [[f32; 3]; 13] = {
    const F: f32 = std::f32::consts::FRAC_1_SQRT_2;
    const C: f32 = 0.577_350_26;
    [
        [1.0, 0.0, 0.0],
        [0.0, 1.0, 0.0],
        [0.0, 0.0, 1.0],
        [F, F, 0.0],
        [F, -F, 0.0],
        [F, 0.0, F],
        [F, 0.0, -F],
        [0.0, F, F],
        [0.0, F, -F],
        [C, C, C],
        [C, C, -C],
        [C, -C, C],
        [-C, C, C],
    ]
};

/// Means of the bands of every direction.
pub struct Bands(Vec<f64>);

impl Bands {
    /// Bands of colours with weights, of which some are above 0.
    pub fn of(planes: &Planes, weights: &[f32]) -> Self {
        let [r, g, b] = planes;
        let mut means = Vec::with_capacity(DIRECTIONS.len() * BANDS);
        let mut row: Vec<(f32, f32)> = Vec::with_capacity(weights.len());
        for [x, y, z] in DIRECTIONS {
            row.clear();
            row.extend((0..weights.len()).map(|i| (x * r[i] + y * g[i] + z * b[i], weights[i])));
            row.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
            banded(&row, &mut means);
        }
        Self(means)
    }

    /// How far each band lies above the same of `other`.
    pub fn differences(&self, other: &Bands) -> Vec<f64> {
        self.0.iter().zip(&other.0).map(|(a, b)| a - b).collect()
    }
}

/// Means of bands of equal weight of sorted values; a value on a border belongs to both bands by its parts.
fn banded(row: &[(f32, f32)], means: &mut Vec<f64>) {
    let total: f64 = row.iter().map(|&(_, w)| f64::from(w)).sum();
    let each = (total / BANDS as f64).max(f64::MIN_POSITIVE);
    let (mut sum, mut room, mut left) = (0.0, each, BANDS);
    for &(value, weight) in row {
        let mut weight = f64::from(weight);
        while left > 1 && weight >= room {
            means.push((sum + f64::from(value) * room) / each);
            weight -= room;
            (sum, room, left) = (0.0, each, left - 1);
        }
        sum += f64::from(value) * weight;
        room -= weight;
    }
    // What rounding left of the last band's weight does not move its mean.
    means.push(sum / (each - room).max(f64::MIN_POSITIVE));
    for _ in 1..left {
        means.push(means.last().copied().unwrap_or_default());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_share_what_lies_on_a_border() {
        let row: Vec<(f32, f32)> = (0..48).map(|i| (i as f32, 1.0)).collect();
        let mut means = Vec::new();
        banded(&row, &mut means);
        assert_eq!(means.len(), BANDS);
        for (i, mean) in means.iter().enumerate() {
            assert!((mean - (2 * i) as f64 - 0.5).abs() < 1e-9, "{i}: {mean}");
        }
        means.clear();
        banded(&[(1.0, 1.0), (3.0, 1.0)], &mut means);
        assert_eq!(means.len(), BANDS);
        assert!((means[0] - 1.0).abs() < 1e-9 && (means[BANDS - 1] - 3.0).abs() < 1e-9);
    }
}
