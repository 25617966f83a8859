//! Soft edges: a mask convolved with a bell of a stated width.
//!
//! Knows box filters of real width. Does not know shapes.
//!
//! A feather of `w` px convolves the exact coverage with a box of `w/3` px three times along each axis: the
//! quadratic B-spline, a bell of total width `w`. Across a straight upright or level edge the matte rises from 0 at
//! `w/2` outside over exactly one half on the edge to 1 at `w/2` inside (to within a pixel, because pixels have width
//! themselves), never falling; an oblique edge has the same standard deviation, `w/6`. A feather of zero leaves the coverage as it is, and small ones start from it
//! without a jump.

use super::coverage::{Mask, Window};

/// Pixels beyond a window that a feather of `width` px looks at.
pub fn reach(width: f64) -> usize {
    if width > 0.0 { (width / 2.0).ceil() as usize + 3 } else { 0 }
}

/// Softens a mask by `width` px. `wanted` is the window that the result is for; the mask must hold everything
/// within [`reach`] of it.
pub fn soften(mask: &Mask, width: f64, wanted: &Window) -> Mask {
    if width <= 0.0 || mask.window.is_empty() {
        return mask.clone();
    }
    let [left, top, right, bottom] = mask.window.sides();
    let half = width / 2.0 + 3.0;
    let mut out = Mask::new(wanted.touched([left - half, top - half, right + half, bottom + half]));
    let reach = reach(width);
    // Zeros all round, so that all three boxes find what they read.
    let around = out.window.widened(reach);
    let mut work = Mask::new(around);
    let (dx, dy) = (mask.window.x - around.x, mask.window.y - around.y);
    for y in 0..mask.window.height {
        let Some(to) = usize::try_from(y as i64 + dy).ok().filter(|&to| to < around.height) else { continue };
        let skip = (-dx).max(0) as usize;
        let start = dx.max(0) as usize;
        if skip >= mask.window.width || start >= around.width {
            continue;
        }
        let count = (mask.window.width - skip).min(around.width - start);
        work.row_mut(to)[start..start + count].copy_from_slice(&mask.row(y)[skip..skip + count]);
    }
    for _ in 0..3 {
        box_along_rows(&mut work, width / 3.0);
        box_down_columns(&mut work, width / 3.0);
    }
    for y in 0..out.window.height {
        let width = out.window.width;
        let from = &work.row(y + reach)[reach..reach + width];
        out.row_mut(y).iter_mut().zip(from).for_each(|(o, v)| *o = v.clamp(0.0, 1.0));
    }
    out
}

/// A box of real width, sampled so that its variance is exact (Gwosdek, Grewenig, Bruhn & Weickert, "Theoretical
/// Foundations of Gaussian Convolution by Extended Box Filtering", 2011): equal whole samples and two lesser ends.
struct Box {
    /// Whole samples on either side of the middle.
    whole: usize,
    /// Weight of the sample past the whole ones on either side.
    end: f64,
    /// Weight of each whole sample.
    inner: f64,
}

impl Box {
    fn of(width: f64) -> Self {
        let whole = (((width * width + 1.0).sqrt() - 1.0) / 2.0) as usize;
        let r = whole as f64;
        let thirds = r * (r + 1.0) / 3.0;
        let end = (width * width / 12.0 - thirds) / (2.0 * ((r + 1.0) * (r + 1.0) - thirds));
        Self { whole, end, inner: (1.0 - 2.0 * end) / (2.0 * r + 1.0) }
    }
}

fn box_along_rows(mask: &mut Mask, width: f64) {
    let Box { whole, end, inner } = Box::of(width);
    let length = mask.window.width;
    let mut line = vec![0.0f64; length + 2 * (whole + 1)];
    let pad = whole + 1;
    for y in 0..mask.window.height {
        let row = mask.row_mut(y);
        line[pad..pad + length].iter_mut().zip(&*row).for_each(|(l, r)| *l = f64::from(*r));
        let mut sum: f64 = line[1..1 + 2 * whole].iter().sum();
        for (x, out) in row.iter_mut().enumerate() {
            sum += line[x + 2 * whole + 1];
            *out = (inner * sum + end * (line[x] + line[x + 2 * whole + 2])) as f32;
            sum -= line[x + 1];
        }
    }
}

fn box_down_columns(mask: &mut Mask, width: f64) {
    let Box { whole, end, inner } = Box::of(width);
    let (length, height) = (mask.window.width, mask.window.height);
    let source = mask.samples.clone();
    let blank = vec![0.0; length];
    let row = |y: isize| match usize::try_from(y) {
        Ok(y) if y < height => &source[y * length..][..length],
        _ => &blank[..],
    };
    let mut sums = vec![0.0f64; length];
    for y in 0..whole {
        sums.iter_mut().zip(row(y as isize)).for_each(|(s, v)| *s += f64::from(*v));
    }
    for y in 0..height {
        let at = y as isize;
        let reach = whole as isize;
        let (before, first) = (row(at - reach - 1), row(at - reach));
        let (last, after) = (row(at + reach), row(at + reach + 1));
        let out = mask.row_mut(y);
        for x in 0..length {
            sums[x] += f64::from(last[x]);
            out[x] = (inner * sums[x] + end * f64::from(before[x] + after[x])) as f32;
            sums[x] -= f64::from(first[x]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operators::shape::Fill;
    use crate::operators::shape::coverage::cover;
    use proptest::prelude::*;

    const FRAME: Window = Window { x: 0, y: 0, width: 80, height: 60 };

    fn soft(polygon: &[[f64; 2]], width: f64) -> Mask {
        let mask = cover(&[polygon.to_vec()], Fill::Nonzero, FRAME.widened(reach(width)));
        soften(&mask, width, &FRAME)
    }

    #[test]
    fn an_edge_is_half_on_the_outline_and_as_wide_as_stated() {
        // The edge lies on the middle of column 40.
        let mask = soft(&[[40.5, -200.0], [300.0, -200.0], [300.0, 200.0], [40.5, 200.0]], 12.0);
        let row: Vec<f32> = (0..80)
            .map(|x| if x < mask.window.x { 0.0 } else { mask.row(30)[(x - mask.window.x) as usize] })
            .collect();
        assert!((row[40] - 0.5).abs() < 1e-6, "{}", row[40]);
        assert!(row.windows(2).all(|p| p[1] >= p[0] - 1e-7));
        assert!(
            row[33] < 1e-7 && row[35] > 0.0 && row[45] < 1.0 && row[47] > 1.0 - 1e-7,
            "{:?}",
            &row[30..50]
        );
    }

    #[test]
    fn a_shape_outside_the_frame_reaches_in_by_its_feather() {
        let mask = soft(&[[-30.0, 10.0], [-2.0, 10.0], [-2.0, 50.0], [-30.0, 50.0]], 20.0);
        assert!(mask.row(30 - mask.window.y as usize)[0] > 0.05);
    }

    proptest! {
        #[test]
        fn area_is_kept_and_widths_follow_each_other(width in 0.0f64..20.0) {
            let square = [[30.2, 25.1], [50.7, 25.1], [50.7, 38.4], [30.2, 38.4]];
            let sum = |w: f64| soft(&square, w).samples.iter().map(|&s| f64::from(s)).sum::<f64>();
            prop_assert!((sum(width) - 20.5 * 13.3).abs() < 1e-3);
            let (a, b) = (soft(&square, width), soft(&square, width + 1e-3));
            let at = |m: &Mask, x: i64, y: i64| {
                let (x, y) = (x - m.window.x, y - m.window.y);
                if x < 0 || y < 0 || x >= m.window.width as i64 || y >= m.window.height as i64 { return 0.0 }
                m.row(y as usize)[x as usize]
            };
            for y in 0..60 {
                for x in 0..80 {
                    prop_assert!((at(&a, x, y) - at(&b, x, y)).abs() < 2e-3);
                }
            }
        }
    }
}
