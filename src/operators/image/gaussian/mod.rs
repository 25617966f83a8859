//! Sums of Gaussian blurs of one plane.
//!
//! Knows when a blur is computed directly and when on a pyramid of halved planes, and what lies past the edges.
//! Does not know what the plane shows.
//!
//! Narrow blurs are plain separable convolutions with the kernel cut at four sigmas. A wide blur needs no
//! full resolution: the plane is halved with a binomial filter until its sigma is between 1.6 and 3.2
//! samples, blurred there, and brought back with the same binomial as interpolator (Burt & Adelson, "The
//! Laplacian Pyramid as a Compact Image Code", IEEE Trans. Comm. 1983, for halving and expanding). The kernel
//! used there is the quotient of the wanted Gaussian's frequency response by that of all the binomials on the
//! way, so the whole chain is the Gaussian, to within the aliasing that the binomials let through: below 2.5e-4
//! of the plane's range at 1.6 samples, below 5e-5 from 2 samples on (measured over all phases as the sum of the
//! absolute differences of both kernels, halved, for planes between 0 and 1). All sigmas of a sum share one pyramid.

mod kernel;
mod pyramid;

use kernel::Kernel;

/// The smallest sigma, in samples of a pyramid's level, that is blurred at that level.
const SIGMA_AT_LEVEL: f64 = 1.6;

/// One Gaussian of a sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Term {
    /// Standard deviation in pixels. Zero, or anything that is not a positive number, leaves the plane as it is.
    pub sigma: f64,
    /// What the blurred plane is multiplied by.
    pub weight: f32,
}

/// What lies past the edges of a plane.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edge {
    /// The plane mirrored about its end samples: `d c b | a b c d | c b a`.
    Mirror,
    /// Zeros.
    Dark,
}

/// `plane` (rows top down, `width * height` samples) blurred by a Gaussian of standard deviation `sigma` pixels, mirrored at
/// the edges.
///
/// # Panics
/// When `plane` has not `width * height` samples.
pub fn blur(plane: &[f32], width: usize, height: usize, sigma: f64) -> Vec<f32> {
    sum(plane, width, height, Edge::Mirror, &[Term { sigma, weight: 1.0 }])
}

/// The weighted sum of `plane` blurred by each of `terms`. Costs little more than the narrowest term alone when
/// all sigmas are above 3.2 px; sigmas that are large for the plane (half its shorter side) are computed the long way.
///
/// # Panics
/// When `plane` has not `width * height` samples.
pub fn sum(plane: &[f32], width: usize, height: usize, edge: Edge, terms: &[Term]) -> Vec<f32> {
    assert_eq!(plane.len(), width * height, "a plane of {width} by {height} samples");
    if plane.is_empty() {
        return Vec::new();
    }
    let halved: Vec<Term> = terms.iter().copied().filter(|t| is_halved(t.sigma, width, height)).collect();
    let mut out = match pyramid::sum(plane, (width, height), edge, &halved) {
        Some(out) => out,
        None => vec![0.0; plane.len()],
    };
    for term in terms.iter().filter(|t| !is_halved(t.sigma, width, height)) {
        direct(plane, (width, height), edge, *term, &mut out);
    }
    out
}

/// Whether a blur is done on the pyramid. The mirrored surroundings that a wide sigma reaches are held in
/// memory there, so sigmas that are large for the plane are kept off it.
fn is_halved(sigma: f64, width: usize, height: usize) -> bool {
    sigma >= 2.0 * SIGMA_AT_LEVEL && sigma <= width.min(height) as f64 / 2.0
}

/// Adds one blur at full resolution to `out`.
fn direct(plane: &[f32], (width, height): (usize, usize), edge: Edge, term: Term, out: &mut [f32]) {
    if term.sigma.is_nan() || term.sigma <= 0.0 {
        out.iter_mut().zip(plane).for_each(|(o, p)| *o += term.weight * p);
        return;
    }
    let kernel = |length: usize| match edge {
        // Past twice the length of a side the mirrored signal has become its mean to 3e-9, whatever the sigma.
        Edge::Mirror => Kernel::gaussian(term.sigma.min(2.0 * length as f64)),
        Edge::Dark => Kernel::gaussian_within(term.sigma, length),
    };
    let (across, down) = (kernel(width), kernel(height));
    let blank = vec![0.0; width];
    let mut padded = vec![0.0; width + 2 * across.radius()];
    let mut row = vec![0.0; width];
    for y in 0..height {
        let line = |dy: isize| {
            let at = y as isize + dy;
            match edge {
                Edge::Dark if at < 0 || at >= height as isize => &blank[..],
                _ => &plane[mirror(at, height) * width..][..width],
            }
        };
        down.combine(line, &mut padded[across.radius()..][..width]);
        if edge == Edge::Mirror {
            pad_mirrored(&mut padded, across.radius());
        }
        across.along(&padded, &mut row);
        out[y * width..][..width].iter_mut().zip(&row).for_each(|(o, v)| *o += term.weight * v);
    }
}

/// Fills `pad` samples on both sides of a row by mirroring its middle about its end samples.
fn pad_mirrored(padded: &mut [f32], pad: usize) {
    let length = padded.len() - 2 * pad;
    for i in 0..pad {
        padded[i] = padded[pad + mirror(i as isize - pad as isize, length)];
        padded[pad + length + i] = padded[pad + mirror((length + i) as isize, length)];
    }
}

/// Index in `0..length` of position `at` of a signal mirrored about its end samples.
fn mirror(at: isize, length: usize) -> usize {
    if length <= 1 {
        return 0;
    }
    let last = length as isize - 1;
    let at = at.rem_euclid(2 * last);
    (if at > last { 2 * last - at } else { at }) as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Blur in 64-bit floats, the plain way, with the kernel out to six sigmas.
    fn plain(plane: &[f32], width: usize, height: usize, sigma: f64) -> Vec<f64> {
        let radius = (6.0 * sigma).ceil() as isize;
        let mut kernel: Vec<f64> =
            (-radius..=radius).map(|i| (-(i * i) as f64 / (2.0 * sigma * sigma)).exp()).collect();
        let total: f64 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= total);
        let mut half = vec![0.0; plane.len()];
        let mut out = vec![0.0; plane.len()];
        for y in 0..height {
            for x in 0..width {
                for (k, i) in kernel.iter().zip(-radius..) {
                    half[y * width + x] += k * f64::from(plane[y * width + mirror(x as isize + i, width)]);
                }
            }
        }
        for y in 0..height {
            for x in 0..width {
                for (k, i) in kernel.iter().zip(-radius..) {
                    out[y * width + x] += k * half[mirror(y as isize + i, height) * width + x];
                }
            }
        }
        out
    }

    fn furthest(plane: &[f32], width: usize, height: usize, sigma: f64) -> f64 {
        let ours = blur(plane, width, height, sigma);
        let truth = plain(plane, width, height, sigma);
        ours.iter().zip(&truth).map(|(a, b)| (f64::from(*a) - b).abs()).fold(0.0, f64::max)
    }

    /// Samples that only an integer hash decides, so that the test needs no generator.
    fn noise(count: usize) -> Vec<f32> {
        (0..count as u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 31) as f32).collect()
    }

    #[test]
    fn mirrors_as_the_reference_does() {
        assert_eq!((-3..8).map(|i| mirror(i, 4)).collect::<Vec<_>>(), [3, 2, 1, 0, 1, 2, 3, 2, 1, 0, 1]);
        assert_eq!(mirror(-7, 1), 0);
    }

    #[test]
    fn black_and_white_noise_and_steps_stay_within_the_stated_error() {
        for (width, height) in [(96, 61), (61, 96), (64, 64), (65, 33)] {
            for sigma in [0.7, 3.1, 3.2, 4.0, 5.9, 6.4, 9.0, 16.0] {
                let off = furthest(&noise(width * height), width, height, sigma);
                assert!(off < 5e-4, "noise {width}x{height} sigma {sigma}: {off}");
                let step: Vec<f32> = (0..width * height).map(|i| f32::from(i % width > width / 3)).collect();
                let off = furthest(&step, width, height, sigma);
                assert!(off < 5e-4, "step {width}x{height} sigma {sigma}: {off}");
            }
        }
    }

    #[test]
    fn odd_sizes_and_odd_sigmas_are_fine() {
        assert!(blur(&[], 0, 5, 3.0).is_empty());
        assert!((blur(&[2.0], 1, 1, 1e9)[0] - 2.0).abs() < 1e-5);
        assert_eq!(blur(&[2.0, 3.0], 2, 1, f64::NAN), [2.0, 3.0]);
        for v in blur(&[1.0; 21], 7, 3, 40.0) {
            assert!((v - 1.0).abs() < 1e-6);
        }
    }

    proptest! {
        #[test]
        fn a_flat_plane_stays_flat(width in 1usize..70, height in 1usize..70, sigma in 0.0f64..60.0) {
            for v in blur(&vec![0.25; width * height], width, height, sigma) {
                prop_assert!((v - 0.25).abs() < 1e-5);
            }
        }

        #[test]
        fn darkness_past_the_edges_is_zeros_past_the_edges(
            width in 1usize..50, height in 1usize..50, sigma in 0.0f64..14.0,
        ) {
            let plane = noise(width * height);
            let pad = 60;
            let (wide, high) = (width + 2 * pad, height + 2 * pad);
            let mut padded = vec![0.0; wide * high];
            for y in 0..height {
                padded[(y + pad) * wide + pad..][..width].copy_from_slice(&plane[y * width..][..width]);
            }
            let wanted = blur(&padded, wide, high, sigma);
            let got = sum(&plane, width, height, Edge::Dark, &[Term { sigma, weight: 1.0 }]);
            for y in 0..height {
                for x in 0..width {
                    let off = got[y * width + x] - wanted[(y + pad) * wide + pad + x];
                    prop_assert!(off.abs() < 5e-4, "{} at {}, {}", off, x, y);
                }
            }
        }

        #[test]
        fn a_sum_is_the_sum(a in 0.5f64..12.0, b in 0.5f64..12.0) {
            let plane = noise(48 * 40);
            let (a, b) = (Term { sigma: a, weight: 0.5 }, Term { sigma: b, weight: 2.0 });
            let both = sum(&plane, 48, 40, Edge::Mirror, &[a, b]);
            let (one, two) = (sum(&plane, 48, 40, Edge::Mirror, &[a]), sum(&plane, 48, 40, Edge::Mirror, &[b]));
            for ((v, p), q) in both.iter().zip(&one).zip(&two) {
                prop_assert!((v - p - q).abs() < 1e-4);
            }
        }
    }
}
