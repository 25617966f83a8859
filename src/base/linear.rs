//! Small systems of linear equations.
//!
//! Knows elimination with pivots. Does not know what the unknowns are.

/// A pivot smaller than this is none.
const LEAST: f64 = 1e-30;

/// The solution of `N` equations, whose numbers are `rows` and whose right sides are `right`; none where they have no
/// single one, or where anything is no finite number.
pub fn solved<const N: usize>(mut rows: [[f64; N]; N], mut right: [f64; N]) -> Option<[f64; N]> {
    for i in 0..N {
        let pivot = (i..N).max_by(|&a, &b| rows[a][i].abs().total_cmp(&rows[b][i].abs()))?;
        let size = rows[pivot][i].abs();
        if !size.is_finite() || size < LEAST {
            return None;
        }
        rows.swap(i, pivot);
        right.swap(i, pivot);
        let (head, told) = (rows[i], right[i]);
        for (row, right) in rows.iter_mut().zip(&mut right).skip(i + 1) {
            let factor = row[i] / head[i];
            row.iter_mut().zip(&head).skip(i).for_each(|(v, h)| *v -= factor * h);
            *right -= factor * told;
        }
    }
    for i in (0..N).rev() {
        let known: f64 = (i + 1..N).map(|k| rows[i][k] * right[k]).sum();
        right[i] = (right[i] - known) / rows[i][i];
    }
    right.iter().all(|v| v.is_finite()).then_some(right)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn systems_without_a_single_solution_have_none() {
        // Worked by hand: the first row has no number for the first unknown, so that rows must change places.
        let found = solved([[0.0, 2.0, 1.0], [1.0, 1.0, 0.0], [2.0, 0.0, 1.0]], [7.0, 3.0, 5.0]).unwrap();
        assert!(found.iter().zip([1.0, 2.0, 3.0]).all(|(a, b)| (a - b).abs() < 1e-12), "{found:?}");
        assert_eq!(solved([[1.0, 2.0], [2.0, 4.0]], [1.0, 2.0]), None);
        assert_eq!(solved([[1.0, f64::NAN], [0.0, 1.0]], [1.0, 1.0]), None);
        assert_eq!(solved([[f64::INFINITY]], [1.0]), None);
    }

    proptest! {
        #[test]
        fn a_solution_fulfils_its_equations(
            rows in proptest::array::uniform4(proptest::array::uniform4(-1f64..1.0)),
            wanted in proptest::array::uniform4(-9f64..9.0),
        ) {
            // A heavy diagonal keeps the system far from singular.
            let rows: [[f64; 4]; 4] = std::array::from_fn(|i| std::array::from_fn(|j| rows[i][j] + if i == j { 5.0 } else { 0.0 }));
            let right = rows.map(|row| row.iter().zip(&wanted).map(|(a, b)| a * b).sum());
            let found = solved(rows, right).unwrap();
            prop_assert!(found.iter().zip(&wanted).all(|(a, b)| (a - b).abs() < 1e-9), "{found:?}");
        }
    }
}
