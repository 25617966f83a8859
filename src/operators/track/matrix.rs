//! Three by three matrices that carry places of one picture to those of another, and small linear systems.
//!
//! Knows projective maps of the plane (R. Hartley and A. Zisserman, "Multiple View Geometry", 2nd edition, sections 2.3 and
//! 4.1). Does not know pictures.

/// Rows of a projective map; places are columns `(x, y, 1)`.
pub type Matrix = [[f64; 3]; 3];

/// The map that moves nothing.
pub const STILL: Matrix = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// `b` first, then `a`.
pub fn product(a: &Matrix, b: &Matrix) -> Matrix {
    std::array::from_fn(|i| std::array::from_fn(|j| (0..3).map(|k| a[i][k] * b[k][j]).sum()))
}

/// Where a place goes; nothing when it goes to infinity or behind it.
#[inline(always)]
pub fn carry(m: &Matrix, [x, y]: [f64; 2]) -> Option<[f64; 2]> {
    let w = m[2][0] * x + m[2][1] * y + m[2][2];
    (w > 1e-9).then(|| [(m[0][0] * x + m[0][1] * y + m[0][2]) / w, (m[1][0] * x + m[1][1] * y + m[1][2]) / w])
}

/// The way back, scaled so that its last number is 1.
pub fn inverse(m: &Matrix) -> Option<Matrix> {
    let minor = |i: usize, j: usize| {
        let (a, b, c, d) = ((i + 1) % 3, (i + 2) % 3, (j + 1) % 3, (j + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant: f64 = (0..3).map(|j| m[0][j] * minor(0, j)).sum();
    if determinant.abs() < 1e-300 || !determinant.is_finite() {
        return None;
    }
    scaled(std::array::from_fn(|i| std::array::from_fn(|j| minor(j, i) / determinant)))
}

/// The same map with a last number of 1.
pub fn scaled(m: Matrix) -> Option<Matrix> {
    let by = m[2][2];
    let out = m.map(|row| row.map(|v| v / by));
    out.iter().flatten().all(|v| v.is_finite()).then_some(out)
}

/// The projective map that carries four places to four others: the 4-point linear system in double precision.
pub fn of_corners(from: &[[f64; 2]; 4], to: &[[f64; 2]; 4]) -> Option<Matrix> {
    let mut rows = [[0.0; 8]; 8];
    let mut right = [0.0; 8];
    for (i, ([x, y], [u, v])) in from.iter().zip(to).enumerate() {
        rows[2 * i] = [*x, *y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y];
        rows[2 * i + 1] = [0.0, 0.0, 0.0, *x, *y, 1.0, -v * x, -v * y];
        right[2 * i] = *u;
        right[2 * i + 1] = *v;
    }
    let h = solve(rows, right)?;
    Some([[h[0], h[1], h[2]], [h[3], h[4], h[5]], [h[6], h[7], 1.0]])
}

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
    fn four_corners_give_the_map_that_others_give() {
        // Computed by OpenCV's getPerspectiveTransform and scikit-image's ProjectiveTransform alike; tolerance 1e-6.
        let unit = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
        let quad = [[10.0, 20.0], [110.0, 30.0], [95.0, 140.0], [5.0, 120.0]];
        let map = of_corners(&unit, &quad).unwrap();
        let wanted = [
            [88.137254902, -4.53431372549, 10.0],
            [6.76470588235, 111.176470588, 20.0],
            [-0.107843137255, 0.093137254902, 1.0],
        ];
        for (got, wanted) in map.iter().flatten().zip(wanted.iter().flatten()) {
            assert!((got - wanted).abs() < 1e-6, "{map:?}");
        }
        for (p, q) in
            [([0.7, 0.7], [69.234769688, 103.625557207]), ([0.5, 0.5], [52.1851851852, 79.5555555556])]
        {
            let got = carry(&map, p).unwrap();
            assert!((got[0] - q[0]).abs() < 1e-6 && (got[1] - q[1]).abs() < 1e-6, "{got:?}");
        }
        assert!(of_corners(&[[0.0; 2]; 4], &quad).is_none());
    }

    proptest! {
        #[test]
        fn there_and_back_is_where_one_was(
            moves in proptest::collection::vec(-20f64..20.0, 8), x in 0f64..200.0, y in 0f64..100.0,
        ) {
            let from = [[0.0, 0.0], [200.0, 0.0], [200.0, 100.0], [0.0, 100.0]];
            let to = std::array::from_fn(|i| [from[i][0] + moves[2 * i], from[i][1] + moves[2 * i + 1]]);
            let map = of_corners(&from, &to).unwrap();
            let back = carry(&inverse(&map).unwrap(), carry(&map, [x, y]).unwrap()).unwrap();
            prop_assert!((back[0] - x).abs() < 1e-7 && (back[1] - y).abs() < 1e-7);
        }
    }
}
