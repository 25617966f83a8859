//! What shapes go along with: tracked points and flat patches, and moves keyed by hand.
//!
//! Knows where a motion carries a place from one time to another. Reading motions is `file`'s; what becomes of shapes
//! that follow them is not known here.
//!
//! A point carries by translation, two points by translation, rotation and scale in proportion, a plane by the
//! homography between two sets of four corners, a move by its own translation, rotation and scale. The homography is
//! that of the unit square to one quadrilateral after the inverse of that to the other (P. Heckbert, "Fundamentals of
//! Texture Mapping and Image Warping", UCB/CSD 89/516, 1989, section 2.2.3), in closed form. Between keys, places and corners go
//! straight and evenly, so that a shutter may look at any time.
//!
//! [`Motion::between`] depends on what the motion is at its two times and on nothing else: a key changed elsewhere, be it the
//! first one, changes not one bit of it, which is what keeps staleness exact.

use std::sync::Arc;

use crate::base::curve::Curve;
use crate::base::digest::KeyHasher;

/// Rows of a matrix that takes `[x, y, 1]` to a place in homogeneous coordinates.
pub type Matrix = [[f64; 3]; 3];

/// The matrix that leaves everything where it is.
pub const STILL: Matrix = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// The smallest weight with which a place is carried. One at or beyond a plane's horizon has no place in the picture, and
/// is taken to lie this close before it; 1 is the weight of the middle of the plane.
pub const NEAREST_WEIGHT: f64 = 1e-4;

/// The least that the corners of a plane must turn: twice the area, in pixels, of the triangle of a corner and its
/// neighbours.
const LEAST_TURN: f64 = 1e-2;
/// Corners whose ways differ by less, in pixels, go the same way.
const SAME_WAY: f64 = 1e-9;
/// Sines are rounded to this part, because mathematical libraries differ in their last bit.
const SINE_PARTS: f64 = 1_099_511_627_776.0;

/// Places keyed in time, and how sure each of them is.
#[derive(Clone, Debug, PartialEq)]
pub struct Track<const N: usize> {
    /// The places.
    pub places: Curve<N>,
    /// From 0 to 1 for each key. It changes no pixels.
    pub sure: Vec<f64>,
}

/// What things may follow.
#[derive(Clone, Debug, PartialEq)]
pub enum Motion {
    /// A tracked place.
    Point(Track<2>),
    /// A tracked flat patch: top left, top right, bottom right, bottom left, x and y.
    Plane(Track<8>),
    /// Two tracked places.
    Pair(Curve<2>, Curve<2>),
    /// A move keyed by hand.
    Move(ByHand),
    /// A move that goes on top of another motion.
    Onto(Arc<Motion>, ByHand),
}

/// A move keyed by hand: scale and rotation about a place, then translation.
#[derive(Clone, Debug, PartialEq)]
pub struct ByHand {
    /// The place that scale and rotation leave alone, in pixels.
    pub about: [f64; 2],
    /// Pixels right and down.
    pub translate: Curve<2>,
    /// Degrees, clockwise on screen.
    pub rotate: Curve<1>,
    /// Factors across and down.
    pub scale: Curve<2>,
}

impl Motion {
    /// Where the motion's reference places (a point's or plane's own at its first key; a move's before it moves them) are
    /// at a time in frames.
    pub fn at(&self, time: f64) -> Matrix {
        match self {
            Motion::Point(Track { places, .. }) => self.between(places.keys()[0].0 as f64, time),
            Motion::Plane(Track { places, .. }) => self.between(places.keys()[0].0 as f64, time),
            Motion::Pair(a, b) => {
                let [from, to] = [(a.keys()[0].1, b.keys()[0].1), (a.at(time), b.at(time))];
                turned(from, to)
            }
            Motion::Move(by_hand) => by_hand.at(time),
            Motion::Onto(under, by_hand) => product(&by_hand.at(time), &under.at(time)),
        }
    }

    /// Where what is seen at time `from` is at time `to`: `at(to)` after the inverse of `at(from)`, but depending on nothing
    /// that the motion is at other times. It is [`STILL`] to the bit when both are alike.
    pub fn between(&self, from: f64, to: f64) -> Matrix {
        self.during(from, to, to)
    }

    /// The same, for a time `to` that the shutter of a frame sees: what is held is the frame's own.
    pub fn during(&self, from: f64, frame: f64, to: f64) -> Matrix {
        match self {
            Motion::Point(Track { places, .. }) => {
                let (from, to) = (places.at(from), places.during(frame, to));
                translation([to[0] - from[0], to[1] - from[1]])
            }
            Motion::Plane(Track { places, .. }) => homography(&places.at(from), &places.during(frame, to)),
            Motion::Pair(a, b) => {
                turned((a.at(from), b.at(from)), (a.during(frame, to), b.during(frame, to)))
            }
            Motion::Move(by_hand) => by_hand.between(from, [frame, to], &STILL),
            Motion::Onto(under, by_hand) => {
                by_hand.between(from, [frame, to], &under.during(from, frame, to))
            }
        }
    }

    /// True when nothing that follows it ever moves.
    pub fn is_steady(&self) -> bool {
        match self {
            Motion::Point(track) => track.places.is_steady(),
            Motion::Plane(track) => track.places.is_steady(),
            Motion::Pair(a, b) => a.is_steady() && b.is_steady(),
            Motion::Move(by_hand) => by_hand.is_steady(),
            Motion::Onto(under, by_hand) => under.is_steady() && by_hand.is_steady(),
        }
    }

    /// Feeds its keys: everything that it is at any time.
    pub fn feed(&self, key: &mut KeyHasher) {
        match self {
            Motion::Point(track) => track.places.feed(key.text("point")),
            Motion::Plane(track) => track.places.feed(key.text("plane")),
            Motion::Pair(a, b) => [a, b].into_iter().for_each(|place| place.feed(key.text("pair"))),
            Motion::Move(by_hand) => by_hand.feed(key),
            Motion::Onto(under, by_hand) => {
                by_hand.feed(key);
                under.feed(key);
            }
        }
    }
}

impl ByHand {
    /// At a time that the shutter of a frame sees.
    fn parts(&self, [frame, time]: [f64; 2]) -> ([f64; 2], f64, [f64; 2]) {
        let (rotate, scale) = (self.rotate.during(frame, time)[0], self.scale.during(frame, time));
        (self.translate.during(frame, time), rotate, scale)
    }

    fn at(&self, time: f64) -> Matrix {
        self.during([time; 2])
    }

    fn during(&self, to: [f64; 2]) -> Matrix {
        let ([right, down], turn, [across, tall]) = self.parts(to);
        let [x, y] = self.about;
        let (sin, cos) = turn.to_radians().sin_cos();
        let [sin, cos] = [sin, cos].map(|part| (part * SINE_PARTS).round() / SINE_PARTS);
        let ([a, b], [c, d]) = ([cos * across, -sin * tall], [sin * across, cos * tall]);
        [[a, b, x - a * x - b * y + right], [c, d, y - c * x - d * y + down], [0.0, 0.0, 1.0]]
    }

    /// From one time to another that the shutter of a frame sees, over what carries it in between.
    fn between(&self, from: f64, to: [f64; 2], under: &Matrix) -> Matrix {
        let (before, behind) = (self.parts([from; 2]), self.parts(to));
        if before == behind && (*under == STILL || before == ([0.0; 2], 0.0, [1.0; 2])) {
            return *under;
        }
        if *under == STILL && (before.1, before.2) == (behind.1, behind.2) {
            return translation([behind.0[0] - before.0[0], behind.0[1] - before.0[1]]);
        }
        let back = inverse(&self.at(from)).unwrap_or(STILL);
        product(&self.during(to), &product(under, &back))
    }

    fn is_steady(&self) -> bool {
        self.translate.is_steady() && self.rotate.is_steady() && self.scale.is_steady()
    }

    fn feed(&self, key: &mut KeyHasher) {
        key.text("move").real(self.about[0]).real(self.about[1]);
        self.translate.feed(key);
        self.rotate.feed(key);
        self.scale.feed(key);
    }
}

/// Where a matrix takes a place, and its weight there.
#[inline(always)]
pub fn carried(matrix: &Matrix, [x, y]: [f64; 2]) -> ([f64; 2], f64) {
    let [u, v, w] = matrix.map(|[a, b, c]| a * x + b * y + c);
    if w == 1.0 {
        return ([u, v], w);
    }
    let w = if w > NEAREST_WEIGHT { w } else { NEAREST_WEIGHT };
    ([u / w, v / w], w)
}

/// Where a matrix takes a place; nothing at and beyond the horizon.
#[inline(always)]
pub fn carry(matrix: &Matrix, place: [f64; 2]) -> Option<[f64; 2]> {
    let (to, weight) = carried(matrix, place);
    (weight > NEAREST_WEIGHT).then_some(to)
}

/// The same map, with weight 1 at the origin; nothing when that lies beyond the horizon or a number has no bounds.
pub fn scaled(matrix: Matrix) -> Option<Matrix> {
    let by = matrix[2][2];
    let out = matrix.map(|row| row.map(|part| part / by));
    out.iter().flatten().all(|part| part.is_finite()).then_some(out)
}

/// `a` after `b`.
pub fn product(a: &Matrix, b: &Matrix) -> Matrix {
    std::array::from_fn(|i| std::array::from_fn(|j| (0..3).map(|k| a[i][k] * b[k][j]).sum()))
}

/// The matrix that takes back what this one does; none when it flattens the picture.
pub fn inverse(matrix: &Matrix) -> Option<Matrix> {
    let cofactors = adjugate(matrix);
    let size: f64 = (0..3).map(|k| matrix[0][k] * cofactors[k][0]).sum();
    (size != 0.0 && size.is_finite()).then(|| cofactors.map(|row| row.map(|part| part / size)))
}

fn adjugate(m: &Matrix) -> Matrix {
    let minor = |a: usize, b: usize, c: usize, d: usize| m[a][c] * m[b][d] - m[a][d] * m[b][c];
    [
        [minor(1, 2, 1, 2), -minor(0, 2, 1, 2), minor(0, 1, 1, 2)],
        [-minor(1, 2, 0, 2), minor(0, 2, 0, 2), -minor(0, 1, 0, 2)],
        [minor(1, 2, 0, 1), -minor(0, 2, 0, 1), minor(0, 1, 0, 1)],
    ]
}

fn translation([x, y]: [f64; 2]) -> Matrix {
    [[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]]
}

/// The similarity that takes two places to two others, by the quotient of their differences as complex numbers.
fn turned((a, b): ([f64; 2], [f64; 2]), (c, d): ([f64; 2], [f64; 2])) -> Matrix {
    let ([x, y], [u, v]) = ([b[0] - a[0], b[1] - a[1]], [d[0] - c[0], d[1] - c[1]]);
    let square = x * x + y * y;
    if ([x, y] == [u, v]) || square == 0.0 {
        return translation([c[0] - a[0], c[1] - a[1]]);
    }
    let (cos, sin) = ((u * x + v * y) / square, (v * x - u * y) / square);
    [[cos, -sin, c[0] - cos * a[0] + sin * a[1]], [sin, cos, c[1] - sin * a[0] - cos * a[1]], [0.0, 0.0, 1.0]]
}

/// The homography that takes four corners to four others, with weight 1 in the middle of the first. Corners that make no
/// quadrilateral give numbers without bounds.
pub fn homography(from: &[f64; 8], to: &[f64; 8]) -> Matrix {
    let by = [to[0] - from[0], to[1] - from[1]];
    if (0..8).all(|i| (to[i] - from[i] - by[i % 2]).abs() <= SAME_WAY) {
        return translation(by);
    }
    let over = adjugate(&square_to(from));
    let matrix = product(&square_to(to), &over);
    let middle = square_to(from).map(|[a, b, c]| (a + b) / 2.0 + c);
    let weight = (0..3).map(|k| matrix[2][k] * middle[k]).sum::<f64>() / middle[2];
    let weight = if weight == 0.0 { 1.0 } else { weight };
    matrix.map(|row| row.map(|part| part / weight))
}

/// The homography that takes the unit square's corners to these.
fn square_to(&[x0, y0, x1, y1, x2, y2, x3, y3]: &[f64; 8]) -> Matrix {
    let (sx, sy) = (x0 - x1 + x2 - x3, y0 - y1 + y2 - y3);
    let (mut g, mut h) = (0.0, 0.0);
    if (sx, sy) != (0.0, 0.0) {
        let ((ax, ay), (bx, by)) = ((x1 - x2, y1 - y2), (x3 - x2, y3 - y2));
        let size = ax * by - bx * ay;
        (g, h) = ((sx * by - bx * sy) / size, (ax * sy - sx * ay) / size);
    }
    [[x1 - x0 + g * x1, x3 - x0 + h * x3, x0], [y1 - y0 + g * y1, y3 - y0 + h * y3, y0], [g, h, 1.0]]
}

/// Which way round four corners run, as +1 or −1; none when they make no convex quadrilateral.
pub fn way_round(corners: &[f64; 8]) -> Option<f64> {
    let turns: [f64; 4] = std::array::from_fn(|i| {
        let (a, b) = (side(corners, i), side(corners, i + 1));
        a[0] * b[1] - a[1] * b[0]
    });
    let way = turns[0].signum();
    turns.iter().all(|turn| turn * way >= LEAST_TURN).then_some(way)
}

/// True when corners that go straight from one quadrilateral to another stay one, the same way round.
pub fn stays_whole(from: &[f64; 8], to: &[f64; 8]) -> bool {
    let Some(way) = way_round(from).filter(|&way| way_round(to) == Some(way)) else { return false };
    (0..4).all(|i| {
        let (a, c) = (side(from, i), side(from, i + 1));
        let to = (side(to, i), side(to, i + 1));
        let (b, d) = ([to.0[0] - a[0], to.0[1] - a[1]], [to.1[0] - c[0], to.1[1] - c[1]]);
        let cross = |a: [f64; 2], b: [f64; 2]| way * (a[0] * b[1] - a[1] * b[0]);
        // The turn at this corner after share u is a parabola in u; its ends are known to be fine.
        let (start, rise, bend) = (cross(a, c), cross(a, d) + cross(b, c), cross(b, d));
        let u = -rise / (2.0 * bend);
        !(u > 0.0 && u < 1.0) || start + u * (rise + u * bend) >= LEAST_TURN
    })
}

/// From a corner to the next.
fn side(corners: &[f64; 8], i: usize) -> [f64; 2] {
    let place = |i: usize| [corners[i % 4 * 2], corners[i % 4 * 2 + 1]];
    let (a, b) = (place(i), place(i + 1));
    [b[0] - a[0], b[1] - a[1]]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn track<const N: usize>(keys: &[(i64, [f64; N])]) -> Track<N> {
        Track {
            sure: vec![1.0; keys.len()],
            places: Curve::new(keys.to_vec(), crate::base::curve::Ease::Linear),
        }
    }

    fn corner(of: &[f64; 8], i: usize) -> [f64; 2] {
        [of[2 * i], of[2 * i + 1]]
    }

    const SQUARE: [f64; 8] = [100.0, 100.0, 300.0, 100.0, 300.0, 260.0, 100.0, 260.0];

    #[test]
    fn a_plane_that_stays_or_slides_is_exact() {
        let slid = std::array::from_fn(|i| SQUARE[i] + [7.0, -3.0][i % 2]);
        let plane = Motion::Plane(track(&[(1, SQUARE), (3, slid), (5, SQUARE)]));
        assert_eq!(plane.between(1.0, 5.0), STILL);
        assert_eq!(plane.between(1.0, 3.0), translation([7.0, -3.0]));
        assert_eq!(plane.at(2.0), translation([3.5, -1.5]));
        assert!(!plane.is_steady() && Motion::Plane(track(&[(1, SQUARE), (3, SQUARE)])).is_steady());
    }

    /// The matrix that takes the unit square's corners in order to (0,0), (2,0), (3,3), (0,2), by hand from section 2.2.3
    /// of the source: sums (1, 1); sides (-1, -3) and (-3, -1); determinant -8; g = h = -2/8.
    #[test]
    fn a_homography_worked_by_hand() {
        let unit = [0.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0];
        let to = [0.0, 0.0, 2.0, 0.0, 3.0, 3.0, 0.0, 2.0];
        let by_hand = [[1.5, 0.0, 0.0], [0.0, 1.5, 0.0], [-0.25, -0.25, 1.0]];
        assert_eq!(square_to(&to), by_hand);
        // With weight 1 in the middle of the square instead of its first corner.
        assert_eq!(homography(&unit, &to), by_hand.map(|row| row.map(|part| part / 0.75)));
    }

    /// The same as OpenCV's getPerspectiveTransform and scikit-image's ProjectiveTransform give; tolerance 1e-6.
    #[test]
    fn a_homography_that_others_give_alike() {
        let unit = [0.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0];
        let quad = [10.0, 20.0, 110.0, 30.0, 95.0, 140.0, 5.0, 120.0];
        let map = scaled(homography(&unit, &quad)).unwrap();
        let wanted = [
            [88.137254902, -4.53431372549, 10.0],
            [6.76470588235, 111.176470588, 20.0],
            [-0.107843137255, 0.093137254902, 1.0],
        ];
        for (got, wanted) in map.iter().flatten().zip(wanted.iter().flatten()) {
            assert!((got - wanted).abs() < 1e-6, "{map:?}");
        }
        for (p, q) in
            [([0.7, 0.7], [69.234769688, 103.625557207]), ([0.5, 0.5], [52.1851851852, 79.5555555556])]
        {
            let got = carry(&map, p).unwrap();
            assert!((got[0] - q[0]).abs() < 1e-6 && (got[1] - q[1]).abs() < 1e-6, "{got:?}");
        }
        assert!(scaled(homography(&[0.0; 8], &quad)).is_none() && carry(&map, [1e4, 0.0]).is_none());
    }

    #[test]
    fn two_points_turn_clockwise_on_screen_and_grow() {
        let (a, b) =
            (track(&[(1, [10.0, 10.0]), (2, [20.0, 10.0])]), track(&[(1, [30.0, 10.0]), (2, [20.0, 50.0])]));
        let pair = Motion::Pair(a.places, b.places);
        // From pointing right to pointing down, and twice as long.
        assert_eq!(carried(&pair.between(1.0, 2.0), [30.0, 10.0]).0, [20.0, 50.0]);
        assert_eq!(carried(&pair.at(2.0), [10.0, 20.0]).0, [0.0, 10.0]);
        let quarter = ByHand {
            about: [10.0, 10.0],
            translate: Curve::steady([0.0; 2]),
            rotate: Curve::new(vec![(1, [0.0]), (2, [90.0])], crate::base::curve::Ease::Linear),
            scale: Curve::steady([1.0; 2]),
        };
        let ([x, y], w) = carried(&Motion::Move(quarter).at(2.0), [30.0, 10.0]);
        assert!((x - 10.0).abs() < 1e-9 && (y - 30.0).abs() < 1e-9 && w == 1.0, "{x} {y}");
    }

    #[test]
    fn a_key_elsewhere_changes_not_one_bit() {
        let other = |first: f64| {
            let mut start = SQUARE;
            start[0] += first;
            let bent = [90.0, 104.0, 310.0, 95.0, 290.0, 270.0, 103.0, 250.0];
            let late = [80.0, 104.0, 300.0, 99.0, 290.0, 290.0, 103.0, 240.0];
            Motion::Plane(track(&[(1, start), (5, bent), (9, late)]))
        };
        assert_eq!(other(0.0).between(5.0, 8.0), other(3.7).between(5.0, 8.0));
        assert_ne!(other(0.0).between(4.0, 8.0), other(3.7).between(4.0, 8.0));
    }

    fn quad() -> impl Strategy<Value = [f64; 8]> {
        proptest::array::uniform8(-60.0f64..60.0).prop_map(|by| std::array::from_fn(|i| SQUARE[i] + by[i]))
    }

    proptest! {
        #[test]
        fn a_homography_takes_corners_to_corners_and_goes_back(from in quad(), to in quad(), x in 120.0f64..280.0, y in 120.0f64..240.0) {
            prop_assume!(way_round(&from).is_some() && way_round(&to).is_some());
            let plane = Motion::Plane(track(&[(1, from), (2, to)]));
            let matrix = plane.between(1.0, 2.0);
            for i in 0..4 {
                let ([u, v], w) = carried(&matrix, corner(&from, i));
                prop_assert!((u - to[2 * i]).hypot(v - to[2 * i + 1]) < 1e-8 && w > 0.0, "{u} {v} {w}");
            }
            let there = carried(&matrix, [x, y]);
            let back = carried(&plane.between(2.0, 1.0), there.0).0;
            // Beyond the horizon nothing comes back.
            if there.1 > 0.01 {
                prop_assert!((back[0] - x).hypot(back[1] - y) < 1e-6, "{back:?}");
            }
            let inverse = inverse(&matrix).unwrap();
            let back = carried(&inverse.map(|row| row.map(|part| part * there.1)), there.0).0;
            prop_assert!(there.1 < 0.01 || (back[0] - x).hypot(back[1] - y) < 1e-6);
        }

        #[test]
        fn what_stays_whole_is_convex_all_along(from in quad(), to in quad(), step in 0u32..=20) {
            prop_assume!(stays_whole(&from, &to));
            let u = f64::from(step) / 20.0;
            let between = std::array::from_fn(|i| from[i] + (to[i] - from[i]) * u);
            let way = way_round(&between);
            prop_assert!(way == way_round(&from), "{between:?}");
        }
    }
}
