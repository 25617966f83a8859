//! Coverage, blur and mixing against published and independently computed values.
//!
//! The values are tests/checks/compositing.json, whose `source` field names where each comes from (shoelace and Green's
//! theorem, shapely 2.2.0, scipy 1.17.1 and OpenCV 5.0.0). Knows nothing of how they were computed here.

use endboard::operators::image::gaussian;
use endboard::operators::shape::coverage::{Mask, Window, cover};
use endboard::operators::shape::outline::flatten;
use endboard::operators::shape::{Fill, Point};
use serde_json::Value;

const FRAME: Window = Window { x: 0, y: 0, width: 96, height: 96 };

fn checks() -> Value {
    serde_json::from_str(include_str!("checks/compositing.json")).expect("the checks are JSON")
}

fn place(value: &Value) -> [f64; 2] {
    [value[0].as_f64().unwrap(), value[1].as_f64().unwrap()]
}

fn polygon(value: &Value) -> Vec<[f64; 2]> {
    value.as_array().unwrap().iter().map(place).collect()
}

fn area(polygons: &[Vec<[f64; 2]>], fill: Fill) -> f64 {
    cover(polygons, fill, FRAME).samples.iter().map(|&s| f64::from(s)).sum()
}

/// A closed path of cubic segments as points with handles.
fn outline(segments: &[[[f64; 2]; 4]]) -> Vec<Point> {
    (0..segments.len())
        .map(|i| {
            let before = segments[(i + segments.len() - 1) % segments.len()];
            let [at, out, ..] = segments[i];
            let into = before[2];
            assert!((before[3][0] - at[0]).abs() < 1e-9 && (before[3][1] - at[1]).abs() < 1e-9);
            [at[0], at[1], into[0] - at[0], into[1] - at[1], out[0] - at[0], out[1] - at[1]]
        })
        .collect()
}

/// An ellipse as 32 cubic segments, which is closer to it than 1e-9 of its area.
fn ellipse(centre: [f64; 2], axes: [f64; 2], degrees: f64) -> Vec<Point> {
    const PARTS: usize = 32;
    let step = std::f64::consts::TAU / PARTS as f64;
    let k = 4.0 / 3.0 * (step / 4.0).tan();
    let (sin, cos) = degrees.to_radians().sin_cos();
    let turned = |x: f64, y: f64| [x * cos - y * sin, x * sin + y * cos];
    (0..PARTS)
        .map(|i| {
            let (s, c) = (i as f64 * step).sin_cos();
            let at = turned(axes[0] * c, axes[1] * s);
            let out = turned(-axes[0] * s * k, axes[1] * c * k);
            [centre[0] + at[0], centre[1] + at[1], -out[0], -out[1], out[0], out[1]]
        })
        .collect()
}

#[test]
fn areas_are_exact() {
    let checks = checks();
    let mut seen = 0;
    for shape in checks["shapes"].as_array().unwrap() {
        let id = shape["id"].as_str().unwrap();
        let wanted = shape["area"].as_f64().unwrap();
        let near = |got: f64, wanted: f64, share: f64| {
            assert!((got - wanted).abs() <= share * wanted, "{id}: {got} for {wanted}");
        };
        if let Some(segments) = shape["segments"].as_array() {
            let segments: Vec<[[f64; 2]; 4]> =
                segments.iter().map(|s| [0, 1, 2, 3].map(|i| place(&s[i]))).collect();
            near(area(&[flatten(&outline(&segments), &FRAME)], Fill::Nonzero), wanted, 1e-3);
        } else if let Some(quadratic) = shape["segments_quadratic"].as_array() {
            let [a, b, c] = [0, 1, 2].map(|i| place(&quadratic[0][i]));
            // Degree elevation: the handles of a quadratic lie two thirds of the way to its control point.
            let third = |from: [f64; 2]| [(b[0] - from[0]) * 2.0 / 3.0, (b[1] - from[1]) * 2.0 / 3.0];
            let points = [
                [a[0], a[1], 0.0, 0.0, third(a)[0], third(a)[1]],
                [c[0], c[1], third(c)[0], third(c)[1], 0.0, 0.0],
            ];
            near(area(&[flatten(&points, &FRAME)], Fill::Nonzero), wanted, 1e-3);
        } else if shape["points"].is_array() || shape["contours"].is_array() {
            let polygons: Vec<Vec<[f64; 2]>> = match shape["contours"].as_array() {
                Some(contours) => contours.iter().map(polygon).collect(),
                None => vec![polygon(&shape["points"])],
            };
            near(area(&polygons, Fill::Nonzero), shape["area_nonzero"].as_f64().unwrap_or(wanted), 1e-6);
            near(area(&polygons, Fill::EvenOdd), shape["area_even_odd"].as_f64().unwrap_or(wanted), 1e-6);
        } else {
            let centre = place(&shape["centre"]);
            let axes = match shape["radius"].as_f64() {
                Some(radius) => [radius, radius],
                None => place(&shape["semi_axes"]),
            };
            let turned = shape["rotation_deg"].as_f64().unwrap_or(0.0);
            near(area(&[flatten(&ellipse(centre, axes, turned), &FRAME)], Fill::Nonzero), wanted, 1e-3);
        }
        seen += 1;
    }
    assert_eq!(seen, 14);
}

#[test]
fn every_pixel_has_its_share() {
    let small = Window { x: 0, y: 0, width: 6, height: 6 };
    let shapes: [(Vec<[f64; 2]>, f64); 3] = [
        (vec![[1.25, 1.5], [4.75, 1.5], [4.75, 3.25], [1.25, 3.25]], 1e-9),
        (vec![[1.0, 1.0], [5.0, 1.0], [1.0, 5.0]], 1e-9),
        // The circle's polygon may lie 0.0002 px inside it.
        (flatten(&ellipse([3.0, 3.0], [2.0, 2.0], 0.0), &small), 3e-4),
    ];
    let checks = checks();
    for (check, (polygon, tolerance)) in checks["pixel_coverage"].as_array().unwrap().iter().zip(shapes) {
        let mask = cover(&[polygon], Fill::Nonzero, small);
        for y in 0..6 {
            for x in 0..6 {
                let wanted = check["grid"][y][x].as_f64().unwrap();
                let got = at(&mask, x as i64, y as i64);
                assert!((got - wanted).abs() <= tolerance, "{} ({x}, {y}): {got} for {wanted}", check["id"]);
            }
        }
    }
}

fn at(mask: &Mask, x: i64, y: i64) -> f64 {
    let (x, y) = (x - mask.window.x, y - mask.window.y);
    if x < 0 || y < 0 || x >= mask.window.width as i64 || y >= mask.window.height as i64 {
        return 0.0;
    }
    f64::from(mask.row(y as usize)[x as usize])
}

/// The cases with mirrored edges, which are the ones computed here; their kernels are cut at four sigmas too.
#[test]
fn narrow_gaussians_are_the_reference_to_single_precision() {
    let plane: Vec<f32> = (1..=25).map(|i| i as f32 / 25.0).collect();
    let mut seen = 0;
    for case in checks()["gaussian"]["cases"].as_array().unwrap() {
        let (sigma, row) = (case["sigma"].as_f64().unwrap(), case["output_row0"].as_array());
        if case["edge_mode"] != "mirror" || sigma >= 3.2 {
            continue;
        }
        let got = gaussian::blur(&plane, 5, 5, sigma);
        for (a, b) in got.iter().zip(row.unwrap()) {
            assert!((f64::from(*a) - b.as_f64().unwrap()).abs() < 1e-6, "sigma {sigma}");
        }
        seen += 1;
    }
    assert!(seen >= 2, "{seen}");
}
