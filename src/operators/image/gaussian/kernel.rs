//! Symmetric kernels and how they run over rows.
//!
//! Knows the sampled Gaussian and the kernel that turns a chain of binomials into a Gaussian.
//! Does not know edges: callers hand in rows that are long enough.

use std::f64::consts::PI;

/// How many samples are summed side by side, so that the sums stay in registers.
const BLOCK: usize = 16;

/// The binomial filter 1 6 15 20 15 6 1 over 64, from its middle outwards.
pub const BINOMIAL: [f32; 4] = [20.0 / 64.0, 15.0 / 64.0, 6.0 / 64.0, 1.0 / 64.0];

/// A symmetric kernel, held from its middle outwards.
#[derive(Clone, Debug)]
pub struct Kernel {
    half: Vec<f32>,
}

impl Kernel {
    /// The Gaussian of standard deviation `sigma` samples, cut at four sigmas and normalised.
    pub fn gaussian(sigma: f64) -> Self {
        let radius = (4.0 * sigma + 0.5) as usize;
        Self::normalised((0..=radius).map(|i| (-((i * i) as f64) / (2.0 * sigma * sigma)).exp()).collect())
    }

    /// The same Gaussian without the taps that lie `length` samples or more from its middle, which a row of that
    /// length between zeros never needs.
    pub fn gaussian_within(sigma: f64, length: usize) -> Self {
        // The whole sum is the Gaussian's integral when sigma is not small; taps are few when it is.
        let radius = (4.0 * sigma.min(1e6) + 0.5) as usize;
        let tap = |i: usize| (-((i * i) as f64) / (2.0 * sigma * sigma)).exp();
        let total = 1.0 + 2.0 * (1..=radius).map(tap).sum::<f64>();
        Self { half: (0..=radius.min(length - 1)).map(|i| (tap(i) / total) as f32).collect() }
    }

    /// The kernel which, run on a plane that was halved `levels` times by [`BINOMIAL`] and is to be doubled as
    /// often, makes the whole a Gaussian of standard deviation `sigma` samples of the full plane.
    pub fn remainder(sigma: f64, levels: usize) -> Self {
        const STEPS: usize = 512;
        let scale = (1u64 << levels) as f64;
        let radius = (4.2 * sigma / scale).ceil() as usize;
        let binomial = |w: f64| {
            let [a, b, c, d] = BINOMIAL.map(f64::from);
            a + 2.0 * (b * w.cos() + c * (2.0 * w).cos() + d * (3.0 * w).cos())
        };
        let response: Vec<f64> = (0..STEPS)
            .map(|i| {
                let w = (i as f64 + 0.5) * PI / STEPS as f64 / scale;
                let chain: f64 = (0..levels).map(|l| binomial(w * (1u64 << l) as f64).powi(2)).product();
                (-(sigma * w).powi(2) / 2.0).exp() / chain
            })
            .collect();
        let tap = |j: usize| {
            let angle = |i: usize| (i as f64 + 0.5) * PI / STEPS as f64 * j as f64;
            response.iter().enumerate().map(|(i, r)| r * angle(i).cos()).sum::<f64>() / STEPS as f64
        };
        Self::normalised((0..=radius).map(tap).collect())
    }

    fn normalised(half: Vec<f64>) -> Self {
        let total = half[0] + 2.0 * half[1..].iter().sum::<f64>();
        Self { half: half.iter().map(|k| (k / total) as f32).collect() }
    }

    /// Samples on either side of the middle.
    pub fn radius(&self) -> usize {
        self.half.len() - 1
    }

    /// The weighted sum of rows: `row(d)` is the row `d` places further on, each as long as `out`.
    pub fn combine<'a>(&self, row: impl Fn(isize) -> &'a [f32], out: &mut [f32]) {
        let length = out.len();
        let middle = &row(0)[..length];
        let pairs: Vec<(f32, &[f32], &[f32])> = (1..self.half.len())
            .map(|j| (self.half[j], &row(-(j as isize))[..length], &row(j as isize)[..length]))
            .collect();
        let mut start = 0;
        while start + BLOCK <= length {
            let mut sums = [0.0; BLOCK];
            add_scaled(&mut sums, self.half[0], &middle[start..]);
            for (k, a, b) in &pairs {
                add_pair(&mut sums, *k, &a[start..], &b[start..]);
            }
            out[start..start + BLOCK].copy_from_slice(&sums);
            start += BLOCK;
        }
        for x in start..length {
            out[x] = pairs.iter().fold(self.half[0] * middle[x], |sum, (k, a, b)| sum + k * (a[x] + b[x]));
        }
    }

    /// Convolves along a row. `padded` has the kernel's radius more samples than `out` on both sides.
    pub fn along(&self, padded: &[f32], out: &mut [f32]) {
        let radius = self.radius();
        debug_assert_eq!(padded.len(), out.len() + 2 * radius);
        self.combine(|d| &padded[radius.wrapping_add_signed(d)..], out);
    }
}

#[inline]
fn add_scaled(sums: &mut [f32; BLOCK], k: f32, a: &[f32]) {
    let a: &[f32; BLOCK] = a[..BLOCK].try_into().expect("a whole block");
    for i in 0..BLOCK {
        sums[i] += k * a[i];
    }
}

#[inline]
fn add_pair(sums: &mut [f32; BLOCK], k: f32, a: &[f32], b: &[f32]) {
    let a: &[f32; BLOCK] = a[..BLOCK].try_into().expect("a whole block");
    let b: &[f32; BLOCK] = b[..BLOCK].try_into().expect("a whole block");
    for i in 0..BLOCK {
        sums[i] += k * (a[i] + b[i]);
    }
}
