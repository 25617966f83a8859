//! Bézier outlines → polygons that differ from them by less than can be seen in a pixel's coverage.
//!
//! Knows cubic Bézier curves, with weights too, and which of their pieces cannot matter inside a window.
//! Does not know fill rules nor pixels.

use super::Point;
use super::coverage::Window;

/// How far a polygon may lie from its curve, in pixels.
pub const TOLERANCE: f64 = 0.0002;

/// The most straight pieces that one stretch of a curve becomes before it is cut in two.
const PIECES: f64 = 64.0;
/// How often a curve is cut in two at most.
const DEPTH: u32 = 24;

/// A place: right and down, in pixels.
pub type Place = [f64; 2];

/// The polygon of a closed outline. Pieces of curve that lie wholly on one side of the window become straight
/// lines: that moves no edge inside it, and makes curves far outside cheap.
pub fn flatten(points: &[Point], window: &Window) -> Vec<Place> {
    flatten_line(points, &[], true, window)
}

/// The polygon, or the open line, of points with weights (those of each point, its first and its second handle; none when
/// all are 1).
pub fn flatten_line(points: &[Point], weights: &[[f64; 3]], is_closed: bool, window: &Window) -> Vec<Place> {
    let mut polygon = Vec::with_capacity(points.len());
    for (i, from) in points.iter().enumerate() {
        polygon.push([from[0], from[1]]);
        if i + 1 == points.len() && !is_closed {
            break;
        }
        let next = (i + 1) % points.len();
        if let Some(curve) = curve(from, &points[next]) {
            if weights.is_empty() {
                pieces(curve, window, DEPTH, &mut polygon);
            } else {
                let [w, z] = [weights[i], weights[next]];
                rational(curve, [w[0], w[2], z[1], z[0]], window, DEPTH, &mut polygon);
            }
        }
    }
    polygon
}

/// The curve from a point to the next; none when it is a straight line.
pub fn curve(from: &Point, to: &Point) -> Option<[Place; 4]> {
    if from[4..6] == [0.0; 2] && to[2..4] == [0.0; 2] {
        return None;
    }
    let ends = ([from[0], from[1]], [to[0], to[1]]);
    Some([ends.0, [from[0] + from[4], from[1] + from[5]], [to[0] + to[2], to[1] + to[3]], ends.1])
}

/// Pushes the places between both ends of a rational curve: cut in two until the weights of a piece are so much alike that
/// it is a plain curve to within a quarter of the tolerance.
fn rational(curve: [Place; 4], weights: [f64; 4], window: &Window, depth: u32, polygon: &mut Vec<Place>) {
    if is_aside(&curve, window) {
        return;
    }
    let [left, top, right, bottom] =
        curve.iter().fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |b, p| {
            [b[0].min(p[0]), b[1].min(p[1]), b[2].max(p[0]), b[3].max(p[1])]
        });
    let least = weights.into_iter().fold(f64::INFINITY, f64::min);
    let most = weights.into_iter().fold(0.0, f64::max);
    // A point of the curve is a mean of its control points, and no share of one changes by more than the weights do.
    if (right - left).hypot(bottom - top) * (most / least - 1.0) <= TOLERANCE / 4.0 || depth == 0 {
        return pieces(curve, window, depth, polygon);
    }
    let lifted = std::array::from_fn(|i| [curve[i][0] * weights[i], curve[i][1] * weights[i], weights[i]]);
    let (first, second) = halves(lifted);
    let lowered = |half: [[f64; 3]; 4]| (half.map(|[x, y, w]| [x / w, y / w]), half.map(|[.., w]| w));
    let ((first, w), (second, z)) = (lowered(first), lowered(second));
    rational(first, w, window, depth - 1, polygon);
    polygon.push(second[0]);
    rational(second, z, window, depth - 1, polygon);
}

/// Pushes the places between both ends of the curve.
fn pieces(curve: [Place; 4], window: &Window, depth: u32, polygon: &mut Vec<Place>) {
    if is_aside(&curve, window) {
        return;
    }
    // Wang's bound (value from memory): n pieces of a cubic are within
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

fn middle<const N: usize>(a: [f64; N], b: [f64; N]) -> [f64; N] {
    std::array::from_fn(|i| (a[i] + b[i]) / 2.0)
}

/// De Casteljau's cut at the middle.
fn halves<const N: usize>([a, b, c, d]: [[f64; N]; 4]) -> ([[f64; N]; 4], [[f64; N]; 4]) {
    let (ab, bc, cd) = (middle(a, b), middle(b, c), middle(c, d));
    let (abc, bcd) = (middle(ab, bc), middle(bc, cd));
    let m = middle(abc, bcd);
    ([a, ab, abc, m], [m, bcd, cd, d])
}

/// The place on a curve after share `t` of its parameter.
pub fn on_curve(curve: &[Place; 4], t: f64) -> Place {
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

    /// A quarter circle is a rational cubic with weights 1, (1 + √2) / 3, the same and 1, twice degree-raised from the
    /// conic with weight √½ (Piegl & Tiller, "The NURBS Book", 7.3; worked out by hand).
    #[test]
    fn curves_with_weights_are_exact() {
        let root = std::f64::consts::FRAC_1_SQRT_2;
        // The conic 100,0 → 100,100 (weight √½) → 0,100, raised to a cubic in homogeneous coordinates.
        let inner = (1.0 + 2.0 * root) / 3.0;
        let raised = |end: [f64; 2]| [0, 1].map(|i| (end[i] + 2.0 * root * 100.0) / 3.0 / inner);
        let (a, b) = (raised([100.0, 0.0]), raised([0.0, 100.0]));
        let points = [[100.0, 0.0, 0.0, 0.0, a[0] - 100.0, a[1]], [0.0, 100.0, b[0], b[1] - 100.0, 0.0, 0.0]];
        let weights = [[1.0, 1.0, inner], [1.0, inner, 1.0]];
        let line = flatten_line(&points, &weights, false, &WINDOW);
        assert!(line.len() > 20);
        for pair in line.windows(2) {
            let m = middle(pair[0], pair[1]);
            assert!((pair[0][0].hypot(pair[0][1]) - 100.0).abs() < TOLERANCE, "{:?}", pair[0]);
            assert!((m[0].hypot(m[1]) - 100.0).abs() < 2.0 * TOLERANCE, "{m:?}");
        }
    }
}
