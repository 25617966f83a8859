//! A plane of light at falling sizes, with its slopes, for a search from coarse to fine.
//!
//! Knows halving, slopes and borders. Does not know motion.

use crate::base::level::{Level as Vectors, kernel};

/// Samples around a plane that repeat its border, so that what is looked for may lie a little outside.
pub const PAD: usize = 16;

/// A plane with a border.
pub struct Plane {
    /// Width without the border.
    pub width: usize,
    /// Height without the border.
    pub height: usize,
    /// Samples of one row, border included.
    pub stride: usize,
    /// All samples, border included.
    pub samples: Vec<f32>,
}

impl Plane {
    /// Puts a border around `samples`.
    pub fn new(samples: &[f32], width: usize, height: usize) -> Self {
        let stride = width + 2 * PAD;
        let mut plane =
            Self { width, height, stride, samples: Vec::with_capacity(stride * (height + 2 * PAD)) };
        for y in 0..height + 2 * PAD {
            let row = &samples[y.saturating_sub(PAD).min(height - 1) * width..][..width];
            plane.samples.resize(plane.samples.len() + PAD, row[0]);
            plane.samples.extend_from_slice(row);
            plane.samples.resize(plane.samples.len() + PAD, row[width - 1]);
        }
        plane
    }

    /// The samples without the border.
    pub fn inner(&self) -> Vec<f32> {
        (0..self.height as isize).flat_map(|y| &self.row(y)[PAD..][..self.width]).copied().collect()
    }

    /// Index of a sample; both places may be up to [`PAD`] outside.
    #[inline(always)]
    pub fn index(&self, x: isize, y: isize) -> usize {
        (y + PAD as isize) as usize * self.stride + (x + PAD as isize) as usize
    }

    /// Row `y` of the plane, from `PAD` samples before its first on.
    fn row(&self, y: isize) -> &[f32] {
        &self.samples[self.index(-(PAD as isize), y)..][..self.stride]
    }

    /// Half of it in width and height, odd sides rounded up: the binomial 1 3 3 1 over 8 along both sides, whose
    /// middle lies between the two samples that one takes the place of.
    pub fn half(&self, vectors: Vectors) -> Plane {
        let (width, height) = (self.width.div_ceil(2), self.height.div_ceil(2));
        let mut samples = vec![0.0; width * height];
        let mut sums = vec![0.0; self.stride];
        for (y, out) in samples.chunks_exact_mut(width).enumerate() {
            let rows = [-1, 0, 1, 2].map(|d| self.row(2 * y as isize + d));
            binomial(vectors, rows, &mut sums);
            for (x, out) in out.iter_mut().enumerate() {
                let s = &sums[PAD + 2 * x - 1..][..4];
                *out = ((s[0] + s[3]) + 3.0 * (s[1] + s[2])) / 8.0;
            }
        }
        Plane::new(&samples, width, height)
    }
}

kernel! {
    fn binomial(rows: [&[f32]; 4], sums: &mut [f32]) {
        let [a, b, c, d] = rows.map(|row| &row[..sums.len()]);
        for (x, sum) in sums.iter_mut().enumerate() {
            *sum = ((a[x] + d[x]) + 3.0 * (b[x] + c[x])) / 8.0;
        }
    }
}

/// One size of a picture.
pub struct Level {
    /// Its light.
    pub light: Plane,
    /// Slope along rows, as central differences.
    pub across: Plane,
    /// Slope down columns.
    pub down: Plane,
}

impl Level {
    fn new(light: Plane, vectors: Vectors) -> Self {
        let (width, height) = (light.width, light.height);
        let (mut across, mut down) = (vec![0.0; width * height], vec![0.0; width * height]);
        for y in 0..height {
            let rows = [-1, 0, 1].map(|d| &light.row(y as isize + d)[PAD - 1..][..width + 2]);
            slopes(vectors, rows, &mut across[y * width..][..width], &mut down[y * width..][..width]);
        }
        let (across, down) = (Plane::new(&across, width, height), Plane::new(&down, width, height));
        Self { light, across, down }
    }
}

kernel! {
    fn slopes(rows: [&[f32]; 3], across: &mut [f32], down: &mut [f32]) {
        let width = across.len();
        let [above, here, below] = rows.map(|row| &row[..width + 2]);
        let down = &mut down[..width];
        for x in 0..width {
            across[x] = (here[x + 2] - here[x]) * 0.5;
            down[x] = (below[x + 1] - above[x + 1]) * 0.5;
        }
    }
}

/// Sizes of a picture from the largest, after `skip` halvings, down to the last whose sides are at least `least`.
pub fn levels(
    vectors: Vectors,
    samples: &[f32],
    width: usize,
    height: usize,
    skip: usize,
    least: usize,
) -> Vec<Level> {
    let mut plane = Plane::new(samples, width, height);
    for _ in 0..skip {
        plane = plane.half(vectors);
    }
    let mut levels = Vec::new();
    while levels.is_empty() || plane.width.min(plane.height) >= least {
        let half = plane.half(vectors);
        levels.push(Level::new(plane, vectors));
        plane = half;
    }
    levels
}
