//! Bézier outlines → polygons that differ from them by less than can be seen in a pixel's coverage.
//!
//! Knows cubic Bézier curves and which of their pieces cannot matter inside a window.
//! Does not know fill rules nor pixels.

use super::Point;
use super::coverage::Window;

/// How far a polygon may lie from its curve, in pixels.
pub const TOLERANCE: f64 = 0.0002;

/// The most straight pieces that one stretch of a curve becomes before it is cut in two.
const PIECES: f64 = 64.0;
/// How often a curve is cut in two at most.
const DEPTH: u32 = 24;

type Place = [f64; 2];

/// The polygon of a closed outline. Pieces of curve that lie wholly on one side of the window become straight
/// lines: that moves no edge inside it, and makes curves far outside cheap.
pub fn flatten(points: &[Point], window: &Window) -> Vec<Place> {
    let mut polygon = Vec::with_capacity(points.len());
    for (i, from) in points.iter().enumerate() {
        let to = &points[(i + 1) % points.len()];
        let ends = ([from[0], from[1]], [to[0], to[1]]);
        polygon.push(ends.0);
        if from[4..6] != [0.0; 2] || to[2..4] != [0.0; 2] {
            let curve =
                [ends.0, [from[0] + from[4], from[1] + from[5]], [to[0] + to[2], to[1] + to[3]], ends.1];
            pieces(curve, window, DEPTH, &mut polygon);
        }
    }
    polygon
}

/// Pushes the places between both ends of the curve.
fn pieces(curve: [Place; 4], window: &Window, depth: u32, polygon: &mut Vec<Place>) {
    if is_aside(&curve, window) {
        return;
    }
    // Wang's bound (value from memory, not looked up): n pieces of a cubic are within
    // max|second difference| * 6/8 / n² of it.
    let bend = |a: Place, b: Place, c: Place| (a[0] - 2.0 * b[0] + c[0]).hypot(a[1] - 2.0 * b[1] + c[1]);
    let most = bend(curve[0], curve[1], curve[2]).max(bend(curve[1], curve[2], curve[3]));
    let count = (0.75 * most / TOLERANCE).sqrt().ceil().max(1.0);
    if count > PIECES && depth > 0 {
        let (first, second) = halves(curve);
        pieces(first, window, depth - 1, polygon);
        polygon.push(second[0]);
        pieces(second, window, depth - 1, polygon);
        return;
    }
    let count = count.min(PIECES) as usize;
    polygon.extend((1..count).map(|i| on_curve(&curve, i as f64 / count as f64)));
}

/// True when all four control points, hence the curve, lie on one side of the window.
fn is_aside(curve: &[Place; 4], window: &Window) -> bool {
    let [left, top, right, bottom] = window.sides();
    curve.iter().all(|p| p[0] <= left)
        || curve.iter().all(|p| p[0] >= right)
        || curve.iter().all(|p| p[1] <= top)
        || curve.iter().all(|p| p[1] >= bottom)
}

fn middle(a: Place, b: Place) -> Place {
    [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]
}

/// De Casteljau's cut at the middle.
fn halves([a, b, c, d]: [Place; 4]) -> ([Place; 4], [Place; 4]) {
    let (ab, bc, cd) = (middle(a, b), middle(b, c), middle(c, d));
    let (abc, bcd) = (middle(ab, bc), middle(bc, cd));
    let m = middle(abc, bcd);
    ([a, ab, abc, m], [m, bcd, cd, d])
}

fn on_curve(curve: &[Place; 4], t: f64) -> Place {
    let u = 1.0 - t;
    let [k0, k1, k2, k3] = [u * u * u, 3.0 * u * u * t, 3.0 * u * t * t, t * t * t];
    std::array::from_fn(|i| k0 * curve[0][i] + k1 * curve[1][i] + k2 * curve[2][i] + k3 * curve[3][i])
}

#[cfg(test)]
mod tests {
    use super::*;

    const WINDOW: Window = Window { x: 0, y: 0, width: 960, height: 540 };

    #[test]
    fn corners_stay_and_curves_bend() {
        let square =
            [[1.0, 1.0], [9.0, 1.0], [9.0, 9.0], [1.0, 9.0]].map(|[x, y]| [x, y, 0.0, 0.0, 0.0, 0.0]);
        assert_eq!(flatten(&square, &WINDOW).len(), 4);
        let k = 55.22847498;
        let round = [
            [400.0, 200.0, 0.0, -k, 0.0, k],
            [300.0, 300.0, k, 0.0, -k, 0.0],
            [200.0, 200.0, 0.0, k, 0.0, -k],
            [300.0, 100.0, -k, 0.0, k, 0.0],
        ];
        let polygon = flatten(&round, &WINDOW);
        for pair in polygon.windows(2) {
            let m = middle(pair[0], pair[1]);
            let off = (m[0] - 300.0).hypot(m[1] - 200.0) - 100.0;
            // A circle of four cubics is itself up to 2.7e-4 of the radius off.
            assert!(off.abs() < 0.0273 + TOLERANCE, "{off}");
        }
    }

    #[test]
    fn enormous_curves_are_cheap() {
        let far = 1e6;
        let around = [
            [far, 0.0, 0.0, -far, 0.0, far],
            [0.0, far, far, 0.0, -far, 0.0],
            [-far, 0.0, 0.0, far, 0.0, -far],
            [0.0, -far, -far, 0.0, far, 0.0],
        ];
        assert!(flatten(&around, &WINDOW).len() < 400);
        let through = around.map(|[x, y, a, b, c, d]| [x + far, y, a, b, c, d]);
        assert!(flatten(&through, &WINDOW).len() < 1500);
    }
}
