//! Long systems of linear equations in which only neighbours know one another.
//!
//! Knows Cholesky. Does not know what the unknowns are.

/// A symmetric positive matrix in which only `band` neighbours either side know one another, factored.
pub struct Band {
    band: usize,
    /// Row by row: the entries from `band` before the diagonal on.
    rows: Vec<Vec<f64>>,
}

impl Band {
    /// Nothing but zeros.
    pub fn zeros(n: usize, band: usize) -> Self {
        Self { band, rows: vec![vec![0.0; band + 1]; n] }
    }

    /// Adds to an entry on or below the diagonal.
    pub fn add(&mut self, row: usize, column: usize, value: f64) {
        self.rows[row][column + self.band - row] += value;
    }

    /// Its Cholesky factor.
    pub fn factored(mut self) -> Option<Factor> {
        let band = self.band;
        for i in 0..self.rows.len() {
            for j in i.saturating_sub(band)..=i {
                let from = i.saturating_sub(band).max(j.saturating_sub(band));
                let known: f64 =
                    (from..j).map(|k| self.rows[i][k + band - i] * self.rows[j][k + band - j]).sum();
                let value = self.rows[i][j + band - i] - known;
                self.rows[i][j + band - i] = match i == j {
                    true if value > 0.0 => value.sqrt(),
                    true => return None,
                    false => value / self.rows[j][band],
                };
            }
        }
        Some(Factor(self))
    }
}

/// A factored matrix.
pub struct Factor(Band);

impl Factor {
    /// The solution for a right side.
    pub fn solve(&self, right: &[f64]) -> Vec<f64> {
        let Band { band, rows } = &self.0;
        let (band, n) = (*band, rows.len());
        let mut out = right.to_vec();
        for i in 0..n {
            let known: f64 = (i.saturating_sub(band)..i).map(|k| rows[i][k + band - i] * out[k]).sum();
            out[i] = (out[i] - known) / rows[i][band];
        }
        for i in (0..n).rev() {
            let known: f64 = (i + 1..(i + band + 1).min(n)).map(|k| rows[k][i + band - k] * out[k]).sum();
            out[i] = (out[i] - known) / rows[i][band];
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::linear::solved;

    #[test]
    fn a_band_is_solved_as_the_whole_matrix_is() {
        const N: usize = 12;
        let (n, band) = (N, 3);
        let value = |i: usize, j: usize| match i.abs_diff(j) {
            0 => 8.0 + i as f64,
            d if d <= band => ((i * 7 + j * 7 + d) % 5) as f64 - 2.0,
            _ => 0.0,
        };
        let matrix: [[f64; N]; N] = std::array::from_fn(|i| std::array::from_fn(|j| value(i, j)));
        let right: [f64; N] = std::array::from_fn(|i| (i as f64).sin());
        let mut narrow = Band::zeros(n, band);
        for i in 0..n {
            (i.saturating_sub(band)..=i).for_each(|j| narrow.add(i, j, value(i, j)));
        }
        let (a, b) = (solved(matrix, right).unwrap(), narrow.factored().unwrap().solve(&right));
        assert!(a.iter().zip(&b).all(|(a, b)| (a - b).abs() < 1e-12), "{a:?} {b:?}");
    }
}
