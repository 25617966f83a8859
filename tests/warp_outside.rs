//! Carried planes against OpenCV and SciPy, run live.
//!
//! Runs when ENDBOARD_PYTHON names a Python that has numpy, opencv-python-headless and scipy; says so and passes
//! otherwise. Knows the library's results only.

mod outside;

use endboard::operators::image::warp::plane;
use endboard::operators::shape::Matrix;
use outside::outside;

/// Waves of 9 pixels and more, which all three kernels pass.
fn waves(width: usize, height: usize) -> Vec<f32> {
    let at = |i: usize| {
        let (x, y) = ((i % width) as f64, (i / width) as f64);
        0.5 + 0.15 * (x / 1.5).sin() * (y / 2.1).cos() + 0.2 * ((x + 2.0 * y) / 17.0).sin()
    };
    (0..width * height).map(|i| at(i) as f32).collect()
}

/// The three outside planes and ours, without a margin in which edge rules differ.
fn compared(matrix: &Matrix, check: &dyn Fn([f32; 3], f32)) -> Option<usize> {
    let (width, height) = (240usize, 180usize);
    let samples = waves(width, height);
    let mut input = [width as i32, height as i32].map(i32::to_le_bytes).concat();
    input.extend(matrix.iter().flatten().flat_map(|v| v.to_le_bytes()));
    input.extend(samples.iter().flat_map(|v| v.to_le_bytes()));
    let out = outside("warp_check.py", &["carry"], &input)?;
    let theirs: Vec<f32> = out.chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap())).collect();
    let got = plane(&samples, (width, height), matrix, (width, height));
    // Ones show how far what is shown reaches.
    let shown = plane(&vec![1.0; samples.len()], (width, height), matrix, (width, height));
    let count = width * height;
    let is_inner = |i: usize| {
        let (x, y) = (i % width, i / width);
        let corners = [(0, 0), (12, 0), (0, 12), (12, 12)];
        x >= 6
            && y >= 6
            && x + 6 < width
            && y + 6 < height
            && corners.iter().all(|(dx, dy)| shown[(y + dy - 6) * width + x + dx - 6] > 0.5)
    };
    let inner: Vec<usize> = (0..count).filter(|&i| is_inner(i)).collect();
    for &i in &inner {
        check([theirs[i], theirs[count + i], theirs[2 * count + i]], got[i]);
    }
    Some(inner.len())
}

/// Common practice, no source: the tolerances are what the peers themselves are off by. OpenCV rounds places to 1/32
/// pixel, and the waves rise by up to 0.11 a pixel across and 0.08 down: 0.11/64 + 0.08/64 = 3e-3. SciPy's quintic spline is
/// off by less than 1e-4 for these waves, the Lanczos kernel by 2e-3.
#[test]
fn planes_are_where_opencv_and_scipy_carry_them() {
    for matrix in [
        [[1.0, 0.0, 3.37], [0.0, 1.0, -2.71], [0.0, 0.0, 1.0]],
        [[1.02, -0.11, 9.0], [0.11, 1.05, -7.5], [0.0, 0.0, 1.0]],
        [[1.1, 0.05, -6.0], [-0.04, 1.2, 4.0], [3e-4, -2e-4, 1.0]],
    ] {
        let matrix: Matrix = matrix;
        let furthest = std::cell::Cell::new([0.0f32; 2]);
        let Some(count) = compared(&matrix, &|[opencv, scipy, _], got| {
            let [a, b] = furthest.get();
            furthest.set([a.max((opencv - got).abs()), b.max((scipy - got).abs())]);
        }) else {
            return;
        };
        let [opencv, scipy] = furthest.get();
        eprintln!("{count} places: furthest from OpenCV {opencv:.1e}, from SciPy {scipy:.1e}");
        assert!(count > 10_000 && opencv < 5e-3 && scipy < 3e-3, "{matrix:?}: {opencv} {scipy}");
    }
}

/// Made three times smaller, each pixel is close to the mean of what lies under it (16 × 16 samples a pixel). The stretched
/// Lanczos keeps more than a mean does of waves that are a little coarser than two of its pixels, here 0.033 of 0.15.
#[test]
fn what_becomes_smaller_is_near_the_mean_of_what_lies_under_it() {
    let matrix = [[0.33, 0.03, 20.0], [-0.03, 0.34, 30.0], [0.0, 0.0, 1.0]];
    let furthest = std::cell::Cell::new(0.0f32);
    let Some(count) =
        compared(&matrix, &|[_, _, mean], got| furthest.set(furthest.get().max((mean - got).abs())))
    else {
        return;
    };
    eprintln!("{count} places: furthest from the mean {:.1e}", furthest.get());
    assert!(count > 1500 && furthest.get() < 4e-2, "{count}: {}", furthest.get());
}
