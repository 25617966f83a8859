//! Areas against shapely and Gaussian sums against OpenCV, run live.
//!
//! Runs when ENDBOARD_PYTHON names a Python that has numpy, opencv-python-headless and shapely; says so and passes
//! otherwise. Knows the library's results only.

mod outside;

use endboard::operators::image::gaussian::{Edge, Term, sum};
use endboard::operators::shape::coverage::{Window, cover};
use endboard::operators::shape::stroke::outlines;
use endboard::operators::shape::{Cap, Fill};
use outside::outside;

fn chance(i: u32) -> f64 {
    let mut h = i.wrapping_mul(0x9E37_79B1);
    h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
    h = (h ^ (h >> 12)).wrapping_mul(0x297A_2D39);
    f64::from(h ^ (h >> 15)) / f64::from(u32::MAX)
}

#[test]
fn self_crossing_polygons_have_the_areas_that_shapely_finds() {
    let polygons: Vec<Vec<[f64; 2]>> = (0..60u32)
        .map(|p| {
            let place = |i: u32| chance(p * 1000 + i) * 84.0 - 10.0;
            (0..3 + p % 9).map(|i| [place(2 * i), place(2 * i + 1)]).collect()
        })
        .collect();
    let json = serde_json::to_vec(&polygons).unwrap();
    let Some(out) = outside("shape_check.py", &["areas"], &json) else { return };
    let wanted: Vec<[f64; 2]> = serde_json::from_slice(&out).unwrap();
    let window = Window { x: 0, y: 0, width: 64, height: 64 };
    for (polygon, wanted) in polygons.iter().zip(wanted) {
        for (fill, wanted) in [Fill::Nonzero, Fill::EvenOdd].into_iter().zip(wanted) {
            let mask = cover(std::slice::from_ref(polygon), fill, window);
            let got: f64 = mask.samples.iter().map(|&s| f64::from(s)).sum();
            // Samples are 32-bit floats, of which up to 4096 are summed.
            assert!((got - wanted).abs() < 1e-4 + 1e-6 * wanted, "{fill:?} {polygon:?}: {got} for {wanted}");
        }
    }
}

/// Crossing, kinked and closed lines, thin and thick. Shapely's discs have 1024 sides, ours are within 0.0002 px of round.
#[test]
fn strokes_have_the_areas_that_shapely_finds() {
    let lines: Vec<(Vec<[f64; 2]>, bool, bool, f64)> = (0..60u32)
        .map(|p| {
            let place = |i: u32| chance(p * 777 + i) * 74.0 - 5.0;
            let line = (0..3 + p % 6).map(|i| [place(2 * i), place(2 * i + 1)]).collect();
            (line, p % 3 == 0, p % 2 == 0, 0.5 + chance(p) * 20.0)
        })
        // Where a flat end's piece is shorter than its width, a whole disc at the turn would stick out of the end.
        .filter(|(line, closed, round, width): &(Vec<[f64; 2]>, bool, bool, f64)| {
            let is_long = |p: &[[f64; 2]]| (p[1][0] - p[0][0]).hypot(p[1][1] - p[0][1]) > *width;
            *closed || *round || line.windows(2).all(is_long)
        })
        .collect();
    let json: Vec<serde_json::Value> = lines
        .iter()
        .map(|(line, closed, round, width)| {
            serde_json::json!({ "line": line, "closed": closed, "round": round, "width": width })
        })
        .collect();
    let Some(out) = outside("shape_check.py", &["strokes"], &serde_json::to_vec(&json).unwrap()) else {
        return;
    };
    let wanted: Vec<f64> = serde_json::from_slice(&out).unwrap();
    let window = Window { x: 0, y: 0, width: 64, height: 64 };
    let mut furthest = 0.0f64;
    for ((line, closed, round, width), wanted) in lines.iter().zip(wanted) {
        let cap = if *round { Cap::Round } else { Cap::Flat };
        let mask = cover(&outlines(line, *closed, *width, cap), Fill::Nonzero, window);
        let got: f64 = mask.samples.iter().map(|&s| f64::from(s)).sum();
        furthest = furthest.max((got - wanted).abs());
        // Along each round of length 2πr both are off by up to 0.0002 px times it.
        assert!((got - wanted).abs() < 0.02 + 1e-5 * wanted, "{line:?} {closed} {width}: {got} for {wanted}");
    }
    eprintln!("furthest from shapely {furthest:.1e} px²");
}

#[test]
fn gaussian_sums_are_opencvs_to_a_thousandth() {
    let (width, height) = (411usize, 300usize);
    for kind in 0..3 {
        let plane: Vec<f32> = (0..width * height)
            .map(|i| match kind {
                0 => chance(i as u32) as f32,
                1 => f32::from(i % width > 150 && i / width > 100),
                _ => {
                    (0.5 + 0.5 * ((i % width) as f64 / 9.0).sin() * ((i / width) as f64 / 23.0).cos()) as f32
                }
            })
            .collect();
        let mut input = [width as i32, height as i32].map(i32::to_le_bytes).concat();
        input.extend(plane.iter().flat_map(|v| v.to_le_bytes()));
        let Some(out) = outside("shape_check.py", &["glow"], &input) else { return };
        let terms = [4.0, 16.0, 64.0].map(|sigma| Term { sigma, weight: 1.0 });
        let got = sum(&plane, width, height, Edge::Mirror, &terms);
        let wanted = out.chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap()));
        let furthest = got.iter().zip(wanted).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        eprintln!("plane {kind}: furthest from OpenCV {furthest:.2e}");
        assert!(furthest < 1e-3, "plane {kind}: {furthest}");
    }
}
