//! Primaries, white points and the matrices between them.
//!
//! Knows chromaticities as published and how matrices follow from them. Does not know curves.

/// A 3 × 3 matrix, by rows.
pub type Matrix = [[f64; 3]; 3];

/// White D65 as ITU-R BT.709-6 writes it.
const D65: [f64; 2] = [0.3127, 0.3290];
/// The white of ACES (Academy S-2014-004).
const ACES: [f64; 2] = [0.32168, 0.33767];

/// The Bradford cone matrix (Lam 1985); the test below holds what it gives against `tests/checks/transfer.json`.
const BRADFORD: Matrix = [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];

/// Sets of primaries with their white.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Primaries {
    /// ITU-R BT.709-6, D65; also of IEC 61966-2-1.
    Rec709,
    /// ITU-R BT.2020-2, D65.
    Rec2020,
    /// SMPTE RP 431-2 primaries with D65.
    P3D65,
    /// AP1, ACES white (Academy S-2014-004).
    Ap1,
    /// AP0, ACES white (SMPTE ST 2065-1).
    Ap0,
    /// Camera primaries published with the LogC3 curve (2012 white paper).
    WideGamut3,
    /// Camera primaries published with the LogC4 curve (2022 specification).
    WideGamut4,
    /// Camera primaries published with the S-Log3 curve (technical summary of S-Gamut3).
    SGamut3,
    /// The smaller camera primaries of the same paper.
    SGamut3Cine,
    /// Camera primaries published with the V-Log curve (V-Log/V-Gamut reference manual).
    VGamut,
}

/// Names of primaries in the order of [`Primaries::ALL`].
pub const NAMES: [&str; 10] = [
    "rec709",
    "rec2020",
    "p3-d65",
    "ap1",
    "ap0",
    "wide-gamut-3",
    "wide-gamut-4",
    "s-gamut3",
    "s-gamut3-cine",
    "v-gamut",
];

impl Primaries {
    /// All of them.
    pub const ALL: [Primaries; 10] = [
        Primaries::Rec709,
        Primaries::Rec2020,
        Primaries::P3D65,
        Primaries::Ap1,
        Primaries::Ap0,
        Primaries::WideGamut3,
        Primaries::WideGamut4,
        Primaries::SGamut3,
        Primaries::SGamut3Cine,
        Primaries::VGamut,
    ];

    /// CIE 1931 x, y of red, green, blue and white. The camera sets agree in several independent public copies.
    pub fn chromaticities(self) -> [[f64; 2]; 4] {
        match self {
            Primaries::Rec709 => [[0.64, 0.33], [0.30, 0.60], [0.15, 0.06], D65],
            Primaries::Rec2020 => [[0.708, 0.292], [0.170, 0.797], [0.131, 0.046], D65],
            Primaries::P3D65 => [[0.680, 0.320], [0.265, 0.690], [0.150, 0.060], D65],
            Primaries::Ap1 => [[0.713, 0.293], [0.165, 0.830], [0.128, 0.044], ACES],
            Primaries::Ap0 => [[0.7347, 0.2653], [0.0, 1.0], [0.0001, -0.0770], ACES],
            Primaries::WideGamut3 => [[0.6840, 0.3130], [0.2210, 0.8480], [0.0861, -0.1020], D65],
            Primaries::WideGamut4 => [[0.7347, 0.2653], [0.1424, 0.8576], [0.0991, -0.0308], D65],
            Primaries::SGamut3 => [[0.730, 0.280], [0.140, 0.855], [0.100, -0.050], D65],
            Primaries::SGamut3Cine => [[0.766, 0.275], [0.225, 0.800], [0.089, -0.087], D65],
            Primaries::VGamut => [[0.730, 0.280], [0.165, 0.840], [0.100, -0.030], D65],
        }
    }

    /// Linear RGB of these primaries to CIE XYZ with white at Y = 1 (SMPTE RP 177).
    pub fn to_xyz(self) -> Matrix {
        let [r, g, b, white] = self.chromaticities().map(xyz);
        let columns = transpose([r, g, b]);
        let shares = apply(inverse(columns), white);
        columns.map(|row| std::array::from_fn(|i| row[i] * shares[i]))
    }

    /// Linear RGB of these primaries to linear RGB of `to`, white to white by Bradford adaptation.
    pub fn matrix_to(self, to: Primaries) -> Matrix {
        if self == to {
            return [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        }
        let (from_white, to_white) = (self.chromaticities()[3], to.chromaticities()[3]);
        let to_rgb = inverse(to.to_xyz());
        if from_white == to_white {
            return times(to_rgb, self.to_xyz());
        }
        times(to_rgb, times(adapting(from_white, to_white), self.to_xyz()))
    }

    /// Linear RGB under the white `from` to linear RGB of the same primaries under the white `to`, both as CIE x, y.
    pub fn adapted(self, from: [f64; 2], to: [f64; 2]) -> Matrix {
        times(inverse(self.to_xyz()), times(adapting(from, to), self.to_xyz()))
    }
}

/// CIE XYZ under one white to XYZ under another, both as CIE x, y: each cone response of Bradford's in the proportion of
/// the whites (von Kries).
pub fn adapting(from: [f64; 2], to: [f64; 2]) -> Matrix {
    let (from_cone, to_cone) = (apply(BRADFORD, xyz(from)), apply(BRADFORD, xyz(to)));
    let mut scaled = BRADFORD;
    for (i, row) in scaled.iter_mut().enumerate() {
        *row = row.map(|v| v * to_cone[i] / from_cone[i]);
    }
    times(inverse(BRADFORD), scaled)
}

fn xyz([x, y]: [f64; 2]) -> [f64; 3] {
    [x / y, 1.0, (1.0 - x - y) / y]
}

fn transpose(m: Matrix) -> Matrix {
    std::array::from_fn(|i| std::array::from_fn(|j| m[j][i]))
}

/// A matrix times a vector.
pub fn apply(m: Matrix, v: [f64; 3]) -> [f64; 3] {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// A matrix times a matrix.
fn times(a: Matrix, b: Matrix) -> Matrix {
    let columns = transpose(b);
    a.map(|row| columns.map(|column| row[0] * column[0] + row[1] * column[1] + row[2] * column[2]))
}

/// The inverse, by cofactors; primaries are never on one line, so the determinant is not zero.
fn inverse(m: Matrix) -> Matrix {
    let minor = |i: usize, j: usize| {
        let (a, b, c, d) = ((i + 1) % 3, (i + 2) % 3, (j + 1) % 3, (j + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant = (0..3).map(|j| m[0][j] * minor(0, j)).sum::<f64>();
    std::array::from_fn(|i| std::array::from_fn(|j| minor(j, i) / determinant))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(name: &str, got: Matrix) {
        let text = include_str!("../../../tests/checks/transfer.json");
        let all: serde_json::Value = serde_json::from_str(text).unwrap();
        let want = &all["data"]["matrices"][name];
        for i in 0..3 {
            for j in 0..3 {
                let wanted = want[i][j].as_f64().unwrap();
                assert!((got[i][j] - wanted).abs() < 2e-11, "{name}[{i}][{j}]: {} not {wanted}", got[i][j]);
            }
        }
    }

    #[test]
    fn matrices_are_those_of_the_outside_checks() {
        check("acescg_to_linear_rec709_bradford", Primaries::Ap1.matrix_to(Primaries::Rec709));
        check("linear_rec709_to_acescg_bradford", Primaries::Rec709.matrix_to(Primaries::Ap1));
        check("acescg_to_aces2065_1", Primaries::Ap1.matrix_to(Primaries::Ap0));
        check("rec709_rgb_to_xyz_d65", Primaries::Rec709.to_xyz());
        let text = include_str!("../../../tests/checks/transfer.json");
        let all: serde_json::Value = serde_json::from_str(text).unwrap();
        let row = &all["data"]["matrices"]["acescg_luminance_row"];
        for (c, got) in Primaries::Ap1.to_xyz()[1].into_iter().enumerate() {
            assert!((got - row[c].as_f64().unwrap()).abs() < 2e-11, "luminance {c}: {got}");
        }
    }

    #[test]
    fn every_white_stays_white_and_every_way_leads_back() {
        for from in Primaries::ALL {
            for to in Primaries::ALL {
                let there = from.matrix_to(to);
                let white = apply(there, [1.0; 3]);
                let back = apply(to.matrix_to(from), apply(there, [0.2, 0.5, 0.9]));
                for i in 0..3 {
                    assert!((white[i] - 1.0).abs() < 1e-12, "{from:?} to {to:?}");
                    assert!((back[i] - [0.2, 0.5, 0.9][i]).abs() < 1e-12, "{from:?} to {to:?}");
                }
            }
        }
    }
}
