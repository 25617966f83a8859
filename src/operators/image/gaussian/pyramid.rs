//! Wide Gaussians on planes of a half, a quarter, an eighth … of the resolution.
//!
//! Knows how planes are halved and doubled and how far each must reach beyond the frame so that
//! mirroring at the frame's edges is exact. Does not know narrow blurs.

use super::kernel::{BINOMIAL, Kernel};
use super::{Edge, SIGMA_AT_LEVEL, Term, mirror, pad_mirrored};

/// Samples beyond the frame, at every level, that doubling reads.
const REACH: usize = 2;
/// Samples that halving reads on either side.
const SIDE: usize = 3;

/// One level: samples from `-margin` to `last + margin` both ways, sample 0 lying on the frame's first pixel.
struct Level {
    last: (usize, usize),
    margin: usize,
    samples: Vec<f32>,
}

impl Level {
    fn new(last: (usize, usize), margin: usize) -> Self {
        let mut level = Self { last, margin, samples: Vec::new() };
        level.samples = vec![0.0; level.width() * level.height()];
        level
    }

    fn width(&self) -> usize {
        self.last.0 + 1 + 2 * self.margin
    }

    fn height(&self) -> usize {
        self.last.1 + 1 + 2 * self.margin
    }

    /// Row by its index in memory.
    fn row(&self, y: usize) -> &[f32] {
        let width = self.width();
        &self.samples[y * width..][..width]
    }

    fn row_mut(&mut self, y: usize) -> &mut [f32] {
        let width = self.width();
        &mut self.samples[y * width..][..width]
    }
}

/// How often a plane is halved for a sigma: as often as leaves it [`SIGMA_AT_LEVEL`] samples.
fn levels_for(sigma: f64) -> usize {
    ((sigma / SIGMA_AT_LEVEL).log2() as usize).max(1)
}

/// The sum of all terms, or nothing when there is none. Every sigma is at least twice [`SIGMA_AT_LEVEL`].
pub fn sum(plane: &[f32], size: (usize, usize), edge: Edge, terms: &[Term]) -> Option<Vec<f32>> {
    let depth = terms.iter().map(|t| levels_for(t.sigma)).max()?;
    let mut kernels: Vec<Vec<(Kernel, f32)>> = vec![Vec::new(); depth + 1];
    for term in terms {
        let level = levels_for(term.sigma);
        kernels[level].push((Kernel::remainder(term.sigma, level), term.weight));
    }
    let mut margins = vec![0; depth + 1];
    for level in (1..=depth).rev() {
        let radius = kernels[level].iter().map(|(k, _)| k.radius()).max().unwrap_or(0);
        let below = margins.get(level + 1).map_or(0, |m| 2 * m + SIDE + 1);
        margins[level] = (REACH + radius).max(below);
    }
    let mut levels = vec![match edge {
        Edge::Mirror => halve_mirrored(plane, size, margins[1]),
        Edge::Dark => halve_dark(plane, size, margins[1]),
    }];
    for &margin in &margins[2..] {
        let next = halve(levels.last().expect("the first level"), margin);
        levels.push(next);
    }
    let mut sum: Option<Level> = None;
    for (level, source) in levels.iter().enumerate().rev() {
        let mut here = match sum.take() {
            Some(below) => double(&below, source.last, REACH),
            None => Level::new(source.last, REACH),
        };
        for (kernel, weight) in &kernels[level + 1] {
            blur_into(source, kernel, *weight, &mut here);
        }
        sum = Some(here);
    }
    sum.map(|first| double(&first, (size.0 - 1, size.1 - 1), 0).samples)
}

/// Halves the frame itself and mirrors the result out to `margin`. Mirroring the frame about its end pixels
/// mirrors the even positions onto themselves, so at this level, and only here, it can be done afterwards.
fn halve_mirrored(plane: &[f32], (width, height): (usize, usize), margin: usize) -> Level {
    let mut out = Level::new((width / 2, height / 2), margin);
    let (kept_x, kept_y) = (width.div_ceil(2), height.div_ceil(2));
    let out_width = out.width();
    let mut padded = vec![0.0; width + 2 * SIDE];
    let mut scratch = Scratch::default();
    for k in 0..kept_y {
        let row = |d: isize| &plane[mirror(2 * k as isize + d, height) * width..][..width];
        combine_rows(row, &mut padded[SIDE..][..width]);
        pad_mirrored(&mut padded, SIDE);
        halve_row(&padded, &mut scratch, &mut out.row_mut(margin + k)[margin..][..kept_x]);
    }
    let fold = |i: usize, length: usize| {
        let period = (length - 1).max(1);
        let at = (i as isize - margin as isize).rem_euclid(period as isize) as usize;
        margin + at.min(period - at).min(length.div_ceil(2) - 1)
    };
    let columns: Vec<usize> = (0..out_width).map(|x| fold(x, width)).collect();
    for k in margin..margin + kept_y {
        let row = out.row_mut(k);
        for x in (0..margin).chain(margin + kept_x..out_width) {
            row[x] = row[columns[x]];
        }
    }
    for y in (0..margin).chain(margin + kept_y..out.height()) {
        let from = fold(y, height);
        out.samples.copy_within(from * out_width..(from + 1) * out_width, y * out_width);
    }
    out
}

/// Halves the frame itself between zeros.
fn halve_dark(plane: &[f32], (width, height): (usize, usize), margin: usize) -> Level {
    let mut out = Level::new((width / 2, height / 2), margin);
    // Two samples beyond either end still see the frame; further out there is nothing to compute.
    let (across, down) = (width / 2 + 1 + 2 * REACH, height / 2 + 1 + 2 * REACH);
    let pad = 2 * REACH + SIDE;
    let mut padded = vec![0.0; width + 2 * pad + 1];
    let mut scratch = Scratch::default();
    let blank = vec![0.0; width];
    for k in 0..down {
        let middle = 2 * (k as isize - REACH as isize);
        let row = |d: isize| match usize::try_from(middle + d) {
            Ok(y) if y < height => &plane[y * width..][..width],
            _ => &blank[..],
        };
        combine_rows(row, &mut padded[pad..][..width]);
        let line = &mut out.row_mut(margin - REACH + k)[margin - REACH..][..across];
        halve_row(&padded, &mut scratch, line);
    }
    out
}

/// Halves a level; `level` reaches far enough for `margin` samples around the next.
fn halve(level: &Level, margin: usize) -> Level {
    let mut out = Level::new((level.last.0.div_ceil(2), level.last.1.div_ceil(2)), margin);
    // Sample -margin of the next level lies on sample -2 margin of this one.
    let first = level.margin - 2 * margin;
    let span = 2 * out.width() - 1 + 2 * SIDE;
    let mut line = vec![0.0; span];
    let mut scratch = Scratch::default();
    for k in 0..out.height() {
        let row = |d: isize| &level.row((first + 2 * k).wrapping_add_signed(d))[first - SIDE..][..span];
        combine_rows(row, &mut line);
        halve_row(&line, &mut scratch, out.row_mut(k));
    }
    out
}

/// The binomial over seven rows.
fn combine_rows<'a>(row: impl Fn(isize) -> &'a [f32], out: &mut [f32]) {
    let [k0, k1, k2, k3] = BINOMIAL;
    let n = out.len();
    let [a, b, c, d, e, f, g] = [-3, -2, -1, 0, 1, 2, 3].map(|i| &row(i)[..n]);
    for x in 0..n {
        out[x] = k0 * d[x] + k1 * (c[x] + e[x]) + k2 * (b[x] + f[x]) + k3 * (a[x] + g[x]);
    }
}

/// Even and odd samples of a row, kept apart so that all arithmetic runs over neighbours in memory.
#[derive(Default)]
struct Scratch {
    even: Vec<f32>,
    odd: Vec<f32>,
}

/// The binomial at every other sample; `padded` reaches [`SIDE`] samples beyond both ends.
fn halve_row(padded: &[f32], scratch: &mut Scratch, out: &mut [f32]) {
    let [k0, k1, k2, k3] = BINOMIAL;
    let n = out.len();
    let Scratch { even, odd } = scratch;
    even.resize(n + 3, 0.0);
    odd.resize(n + 3, 0.0);
    for ((pair, e), o) in padded.chunks_exact(2).zip(even.iter_mut()).zip(odd.iter_mut()) {
        *e = pair[0];
        *o = pair[1];
    }
    if padded.len() % 2 == 1 {
        even[padded.len() / 2] = padded[padded.len() - 1];
    }
    // The middle of output k is padded sample 2k + 3, an odd one.
    let (e0, e1, e2, e3) = (&even[..n], &even[1..][..n], &even[2..][..n], &even[3..][..n]);
    let (o0, o1, o2) = (&odd[..n], &odd[1..][..n], &odd[2..][..n]);
    for x in 0..n {
        out[x] = k0 * o1[x] + k1 * (e1[x] + e2[x]) + k2 * (o0[x] + o2[x]) + k3 * (e0[x] + e3[x]);
    }
}

/// Doubles a level, giving `margin` samples around a frame that ends at `last`.
fn double(level: &Level, last: (usize, usize), margin: usize) -> Level {
    let mut out = Level::new(last, margin);
    let [k0, k1, k2, k3] = BINOMIAL.map(|k| 2.0 * k);
    let width = out.width();
    // Both margins are even, so output row 0 lies on a row of the level; it is row `first` there.
    let first = level.margin - margin / 2;
    let mut interleaver = Scratch::default();
    let mut wide: [Vec<f32>; 4] = std::array::from_fn(|_| vec![0.0; width]);
    for (i, row) in wide.iter_mut().enumerate().skip(1) {
        double_row(level.row(first + i - 2), first, &mut interleaver, row);
    }
    for k in 0..out.height().div_ceil(2) {
        wide.rotate_left(1);
        if let Some(below) = (first + k + 2 < level.height()).then(|| level.row(first + k + 2)) {
            double_row(below, first, &mut interleaver, &mut wide[3]);
        }
        let [a, b, c, d] = wide.each_ref().map(|row| &row[..width]);
        let even = out.row_mut(2 * k);
        for x in 0..width {
            even[x] = k0 * b[x] + k2 * (a[x] + c[x]);
        }
        if 2 * k + 1 < out.height() {
            let odd = out.row_mut(2 * k + 1);
            for x in 0..width {
                odd[x] = k1 * (b[x] + c[x]) + k3 * (a[x] + d[x]);
            }
        }
    }
    out
}

/// Doubles one row: `out[0]` lies on `row[first]`.
fn double_row(row: &[f32], first: usize, scratch: &mut Scratch, out: &mut [f32]) {
    let [k0, k1, k2, k3] = BINOMIAL.map(|k| 2.0 * k);
    let (evens, odds) = (out.len().div_ceil(2), out.len() / 2);
    let Scratch { even, odd } = scratch;
    even.resize(evens, 0.0);
    odd.resize(odds, 0.0);
    let at = |d: usize, n: usize| &row[first + d - 1..][..n];
    let (a, b, c) = (at(0, evens), at(1, evens), at(2, evens));
    for x in 0..evens {
        even[x] = k0 * b[x] + k2 * (a[x] + c[x]);
    }
    let (a, b, c, d) = (at(0, odds), at(1, odds), at(2, odds), at(3, odds));
    for x in 0..odds {
        odd[x] = k1 * (b[x] + c[x]) + k3 * (a[x] + d[x]);
    }
    for ((pair, e), o) in out.chunks_exact_mut(2).zip(even.iter()).zip(odd.iter()) {
        pair[0] = *e;
        pair[1] = *o;
    }
    if evens > odds {
        out[evens + odds - 1] = even[evens - 1];
    }
}

/// Adds `weight` times the blurred level to `out`, which has a margin of [`REACH`].
fn blur_into(level: &Level, kernel: &Kernel, weight: f32, out: &mut Level) {
    let radius = kernel.radius();
    let start = level.margin - REACH - radius;
    let mut line = vec![0.0; out.width() + 2 * radius];
    let mut row = vec![0.0; out.width()];
    for y in 0..out.height() {
        let middle = level.margin - REACH + y;
        kernel.combine(|d| &level.row(middle.wrapping_add_signed(d))[start..], &mut line);
        kernel.along(&line, &mut row);
        out.row_mut(y).iter_mut().zip(&row).for_each(|(o, v)| *o += weight * v);
    }
}
