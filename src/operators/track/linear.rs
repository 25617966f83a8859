//! Small linear systems.
//!
//! Knows elimination. Does not know what the unknowns are.

/// Solves a linear system by elimination with the largest pivot of each column; nothing when it has no one solution.
pub fn solve<const N: usize>(mut rows: [[f64; N]; N], mut right: [f64; N]) -> Option<[f64; N]> {
    for column in 0..N {
        let pivot = (column..N).max_by(|&a, &b| rows[a][column].abs().total_cmp(&rows[b][column].abs()))?;
        let largest = rows[pivot].iter().fold(0.0f64, |m, v| m.max(v.abs()));
        if rows[pivot][column].abs() <= 1e-12 * largest || !rows[pivot][column].is_finite() {
            return None;
        }
        rows.swap(column, pivot);
        right.swap(column, pivot);
        for row in column + 1..N {
            let factor = rows[row][column] / rows[column][column];
            for k in column..N {
                rows[row][k] -= factor * rows[column][k];
            }
            right[row] -= factor * right[column];
        }
    }
    for row in (0..N).rev() {
        let known: f64 = (row + 1..N).map(|k| rows[row][k] * right[k]).sum();
        right[row] = (right[row] - known) / rows[row][row];
    }
    Some(right)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_has_no_one_solution_has_none() {
        assert_eq!(solve([[0.0, 2.0], [4.0, 0.0]], [6.0, 4.0]), Some([1.0, 3.0]));
        assert_eq!(solve([[1.0, 2.0], [2.0, 4.0]], [1.0, 1.0]), None);
        assert_eq!(solve([[f64::NAN, 0.0], [0.0, 1.0]], [1.0, 1.0]), None);
    }

    proptest! {
        #[test]
        fn a_solution_solves(rows in proptest::array::uniform4(proptest::array::uniform4(-9f64..9.0)), x in proptest::array::uniform4(-9f64..9.0)) {
            let sum = |row: &[f64; 4]| row.iter().zip(x).map(|(a, b)| a * b).sum::<f64>();
            // A strong diagonal, so that a solution is well determined.
            let rows: [[f64; 4]; 4] = std::array::from_fn(|i| std::array::from_fn(|j| rows[i][j] + if i == j { 40.0 } else { 0.0 }));
            let right = std::array::from_fn(|i| sum(&rows[i]));
            let got = solve(rows, right).unwrap();
            prop_assert!(got.iter().zip(x).all(|(a, b)| (a - b).abs() < 1e-9), "{got:?}");
        }
    }
}
