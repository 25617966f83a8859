//! Polygons → the exact share of each pixel that lies inside.
//!
//! Knows fill rules, pixels and windows of them. Does not know curves, feathers or how shapes join.
//!
//! Each row of pixels is cut into bands at every corner and every crossing of edges within it. In a band the edges
//! keep their order from left to right, so walking along it tells by the winding number where inside begins and
//! ends, and only those edges count: overlaps are not counted twice and opposite windings do not cancel. Area is
//! summed as signed trapezoids, each edge's share of every pixel in closed form (exact signed-area accumulation), in
//! 64-bit floats; `tests/shape_outside.rs` holds areas against another library.

use super::Fill;

/// More crossings than this in one band are not resolved one by one: the band is cut into slices instead.
const CROSSING_LIMIT: usize = 2048;
/// Slices of a band with too many crossings.
const SLICES: usize = 64;

/// A rectangle of pixels: pixel `(x, y)` covers `[x, x+1] × [y, y+1]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// First column.
    pub x: i64,
    /// First row.
    pub y: i64,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Window {
    /// Left, top, right, bottom as coordinates.
    pub fn sides(&self) -> [f64; 4] {
        let (x, y) = (self.x as f64, self.y as f64);
        [x, y, x + self.width as f64, y + self.height as f64]
    }

    /// The pixels that touch the rectangle `[left, top, right, bottom]` and lie in this window.
    pub fn touched(&self, [left, top, right, bottom]: [f64; 4]) -> Window {
        let [l, t, r, b] = self.sides();
        let (x, y) = (left.clamp(l, r).floor(), top.clamp(t, b).floor());
        let span = |from: f64, to: f64| (to - from).max(0.0) as usize;
        Window {
            x: x as i64,
            y: y as i64,
            width: span(x, right.clamp(l, r).ceil()),
            height: span(y, bottom.clamp(t, b).ceil()),
        }
    }

    /// `by` more pixels on every side.
    pub fn widened(&self, by: usize) -> Window {
        Window {
            x: self.x - by as i64,
            y: self.y - by as i64,
            width: self.width + 2 * by,
            height: self.height + 2 * by,
        }
    }

    /// The smallest window that holds both; one of them when the other is empty.
    pub fn together(&self, other: &Window) -> Window {
        if self.is_empty() || other.is_empty() {
            return if self.is_empty() { *other } else { *self };
        }
        let (x, y) = (self.x.min(other.x), self.y.min(other.y));
        let right = (self.x + self.width as i64).max(other.x + other.width as i64);
        let bottom = (self.y + self.height as i64).max(other.y + other.height as i64);
        Window { x, y, width: (right - x) as usize, height: (bottom - y) as usize }
    }

    /// True when it holds no pixel.
    pub fn is_empty(&self) -> bool {
        self.width == 0 || self.height == 0
    }
}

/// Samples over a window, rows top down; outside it everything is zero.
#[derive(Clone, Debug, PartialEq)]
pub struct Mask {
    /// Where the samples lie.
    pub window: Window,
    /// `width * height` samples.
    pub samples: Vec<f32>,
}

impl Mask {
    /// A mask of zeros.
    pub fn new(window: Window) -> Self {
        Self { window, samples: vec![0.0; window.width * window.height] }
    }

    /// Row by its index in the window.
    pub fn row(&self, y: usize) -> &[f32] {
        &self.samples[y * self.window.width..][..self.window.width]
    }

    /// Writable row by its index in the window.
    pub fn row_mut(&mut self, y: usize) -> &mut [f32] {
        &mut self.samples[y * self.window.width..][..self.window.width]
    }
}

/// An edge, top to bottom. `turn` is +1 when the polygon runs down along it, else −1.
#[derive(Clone, Copy)]
struct Edge {
    x: f64,
    top: f64,
    bottom: f64,
    /// Change of x for a change of 1 in y.
    slope: f64,
    turn: i32,
    /// Both ends' x, which bound every x on it.
    ends: (f64, f64),
}

impl Edge {
    fn x_at(&self, y: f64) -> f64 {
        (self.x + (y - self.top) * self.slope).clamp(self.ends.0, self.ends.1)
    }
}

/// The covered share of each pixel of `window` by closed polygons, taken together as one outline. Only the part
/// of the window that the polygons may touch comes back. Coordinates must be finite.
pub fn cover(polygons: &[Vec<[f64; 2]>], fill: Fill, window: Window) -> Mask {
    let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for &[x, y] in polygons.iter().flatten() {
        bounds = [bounds[0].min(x), bounds[1].min(y), bounds[2].max(x), bounds[3].max(y)];
    }
    let touched = if bounds[0] <= bounds[2] { window.touched(bounds) } else { Window { width: 0, ..window } };
    let mut mask = Mask::new(touched);
    if touched.is_empty() {
        return mask;
    }
    let edges = edges(polygons, &touched);
    let mut sweep = Sweep {
        fill,
        width: touched.width,
        area: vec![0.0; touched.width + 2],
        order: Vec::new(),
        cuts: Vec::new(),
    };
    let mut active: Vec<Edge> = Vec::new();
    let mut waiting = edges.into_iter().peekable();
    for y in 0..touched.height {
        let (top, bottom) = (y as f64, y as f64 + 1.0);
        active.retain(|edge| edge.bottom > top);
        while let Some(edge) = waiting.next_if(|edge| edge.top < bottom) {
            active.push(edge);
        }
        if !active.is_empty() {
            sweep.row(&active, top, bottom);
            sweep.write(mask.row_mut(y));
        }
    }
    mask
}

/// The edges that cross the window's rows, in the window's coordinates, sorted by their top.
fn edges(polygons: &[Vec<[f64; 2]>], window: &Window) -> Vec<Edge> {
    let (left, top) = (window.x as f64, window.y as f64);
    let (right, height) = (window.width as f64, window.height as f64);
    let mut edges = Vec::new();
    for polygon in polygons {
        for (i, &a) in polygon.iter().enumerate() {
            let b = polygon[(i + 1) % polygon.len()];
            let (turn, a, b) = if a[1] < b[1] { (1, a, b) } else { (-1, b, a) };
            let (a, b) = ([a[0] - left, a[1] - top], [b[0] - left, b[1] - top]);
            // What lies wholly to the right covers nothing to its right inside the window.
            if a[1] == b[1] || b[1] <= 0.0 || a[1] >= height || a[0].min(b[0]) >= right {
                continue;
            }
            let slope = (b[0] - a[0]) / (b[1] - a[1]);
            let ends = (a[0].min(b[0]), a[0].max(b[0]));
            edges.push(Edge { x: a[0], top: a[1], bottom: b[1], slope, turn, ends });
        }
    }
    edges.sort_by(|a, b| a.top.total_cmp(&b.top));
    edges
}

/// An edge within one band: its x at the band's top and bottom.
#[derive(Clone, Copy)]
struct Crossing {
    top: f64,
    bottom: f64,
    turn: i32,
}

struct Sweep {
    fill: Fill,
    width: usize,
    /// For each column, what its pixel has more than the one before it; summed along, it is coverage.
    area: Vec<f64>,
    order: Vec<Crossing>,
    cuts: Vec<f64>,
}

impl Sweep {
    /// Sums up one row of pixels.
    fn row(&mut self, active: &[Edge], top: f64, bottom: f64) {
        let mut cuts = std::mem::take(&mut self.cuts);
        cuts.clear();
        cuts.extend([top, bottom]);
        cuts.extend(active.iter().flat_map(|e| [e.top, e.bottom]).filter(|&y| y > top && y < bottom));
        cuts.sort_by(f64::total_cmp);
        cuts.dedup();
        for pair in cuts.windows(2) {
            self.band(active, pair[0], pair[1]);
        }
        self.cuts = cuts;
    }

    /// A band without corners inside.
    fn band(&mut self, active: &[Edge], top: f64, bottom: f64) {
        self.arrange(active, top, bottom);
        if self.order.windows(2).all(|pair| pair[0].bottom <= pair[1].bottom) {
            self.fill_band(bottom - top);
            return;
        }
        let mut cuts = vec![top, bottom];
        'all: for (i, a) in self.order.iter().enumerate() {
            for b in &self.order[i + 1..] {
                if a.bottom > b.bottom {
                    // Both distances are positive or zero, so the share lies between 0 and 1.
                    let (above, below) = (b.top - a.top, a.bottom - b.bottom);
                    cuts.push(top + (bottom - top) * (above / (above + below)));
                    if cuts.len() > CROSSING_LIMIT {
                        break 'all;
                    }
                }
            }
        }
        if cuts.len() > CROSSING_LIMIT {
            cuts = (0..=SLICES).map(|i| top + (bottom - top) * i as f64 / SLICES as f64).collect();
        }
        cuts.sort_by(f64::total_cmp);
        cuts.dedup();
        for pair in cuts.windows(2) {
            self.arrange(active, pair[0], pair[1]);
            // Rounding at the crossing may leave two edges the wrong way round at one end; by the middle of the
            // band they are right.
            self.order.sort_by(|a, b| (a.top + a.bottom).total_cmp(&(b.top + b.bottom)));
            self.fill_band(pair[1] - pair[0]);
        }
    }

    /// The edges of a band from left to right along its top.
    fn arrange(&mut self, active: &[Edge], top: f64, bottom: f64) {
        self.order.clear();
        self.order.extend(active.iter().filter(|e| e.top < bottom && e.bottom > top).map(|e| Crossing {
            top: e.x_at(top),
            bottom: e.x_at(bottom),
            turn: e.turn,
        }));
        self.order.sort_by(|a, b| a.top.total_cmp(&b.top).then(a.bottom.total_cmp(&b.bottom)));
    }

    /// Adds a band in which the edges are in order.
    fn fill_band(&mut self, height: f64) {
        let mut winding = 0;
        for i in 0..self.order.len() {
            let edge = self.order[i];
            let was = self.is_inside(winding);
            winding += edge.turn;
            match (was, self.is_inside(winding)) {
                (false, true) => self.add_edge(edge.top, edge.bottom, height),
                (true, false) => self.add_edge(edge.top, edge.bottom, -height),
                _ => {}
            }
        }
    }

    fn is_inside(&self, winding: i32) -> bool {
        match self.fill {
            Fill::Nonzero => winding != 0,
            Fill::EvenOdd => winding % 2 != 0,
        }
    }

    /// Adds everything to the right of an edge that goes from `a` to `b` over a band of so much height.
    fn add_edge(&mut self, a: f64, b: f64, height: f64) {
        let (left, right) = (a.min(b), a.max(b));
        let end = self.width as f64;
        if left >= end {
            return;
        }
        if right <= 0.0 {
            self.area[0] += height;
            return;
        }
        if left < 0.0 {
            let share = -left / (right - left);
            self.area[0] += height * share;
            return self.add_edge(0.0, right, height * (1.0 - share));
        }
        if right > end {
            let share = (end - left) / (right - left);
            return self.add_edge(left, end, height * share);
        }
        let first = left as usize;
        if right <= first as f64 + 1.0 {
            // Inside one pixel: it gets what lies right of the edge, all further ones the whole band.
            let kept = height * (first as f64 + 1.0 - (left + right) / 2.0);
            self.area[first] += kept;
            self.area[first + 1] += height - kept;
            return;
        }
        // The edge runs through several columns: cumulative area left of each column's right side.
        let rate = height / (right - left);
        let mut before = 0.0;
        let mut given = 0.0;
        let last = (right.ceil() as usize).min(self.width);
        for column in first..last {
            let to = (column as f64 + 1.0).min(right);
            let from = (column as f64).max(left);
            let passed = rate * (to - from);
            let coverage = before + passed * (column as f64 + 1.0 - (from + to) / 2.0);
            self.area[column] += coverage - given;
            given = coverage;
            before += passed;
        }
        self.area[last] += height - given;
    }

    /// Turns the sums of a row into coverage and clears them.
    fn write(&mut self, row: &mut [f32]) {
        let mut sum = 0.0;
        for (out, area) in row.iter_mut().zip(&mut self.area) {
            sum += *area;
            *area = 0.0;
            *out = sum.clamp(0.0, 1.0) as f32;
        }
        self.area[self.width..].fill(0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const FRAME: Window = Window { x: 0, y: 0, width: 64, height: 64 };

    fn total(mask: &Mask) -> f64 {
        mask.samples.iter().map(|&s| f64::from(s)).sum()
    }

    fn triangle(points: &[[f64; 2]; 3]) -> f64 {
        let [a, b, c] = points;
        ((b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])).abs() / 2.0
    }

    #[test]
    fn a_polygon_is_cut_at_the_frame() {
        let big = vec![[-1e6, -1e6], [1e6, -1e6], [1e6, 1e6], [-1e6, 1e6]];
        assert_eq!(total(&cover(&[big], Fill::Nonzero, FRAME)), 64.0 * 64.0);
        let corner = vec![[-10.0, -10.0], [2.5, -10.0], [2.5, 3.25], [-10.0, 3.25]];
        assert_eq!(total(&cover(&[corner], Fill::Nonzero, FRAME)), 2.5 * 3.25);
        let outside = vec![[70.0, 1.0], [90.0, 1.0], [80.0, 20.0]];
        assert_eq!(total(&cover(&[outside], Fill::Nonzero, FRAME)), 0.0);
        let across = vec![[-64.0, 0.0], [128.0, 0.0], [128.0, 64.0]];
        let mask = cover(&[across], Fill::Nonzero, FRAME);
        // Its hypotenuse passes (0, 21.33) and (64, 42.67).
        assert!((total(&mask) - 64.0 * 32.0).abs() < 1e-3);
    }

    #[test]
    fn opposite_windings_do_not_cancel() {
        let one = vec![[10.0, 10.0], [30.0, 10.0], [30.0, 30.0], [10.0, 30.0]];
        let other = vec![[20.0, 20.0], [20.0, 40.0], [40.0, 40.0], [40.0, 20.0]];
        let both = [one, other];
        // Over the overlap the windings add up to zero, which is outside by the rule itself.
        assert!((total(&cover(&both, Fill::Nonzero, FRAME)) - 600.0).abs() < 1e-9);
        let bow = vec![[10.0, 10.0], [30.0, 30.0], [30.0, 10.0], [10.0, 30.0]];
        assert!((total(&cover(&[bow], Fill::Nonzero, FRAME)) - 200.0).abs() < 1e-4);
    }

    #[test]
    fn a_tangle_is_bounded_in_time_and_range() {
        let tangle: Vec<[f64; 2]> = (0..1000u32)
            .map(|i| {
                let h = i.wrapping_mul(2_654_435_761);
                [f64::from(h >> 16) / 1000.0, f64::from(i % 2) * 64.0 + f64::from(h & 7) / 16.0]
            })
            .collect();
        let mask = cover(&[tangle], Fill::EvenOdd, FRAME);
        assert!(mask.samples.iter().all(|s| (0.0..=1.0).contains(s)));
    }

    fn place() -> impl Strategy<Value = [f64; 2]> {
        [-20.0f64..84.0, -20.0f64..84.0]
    }

    proptest! {
        #[test]
        fn the_sum_of_a_triangle_is_its_area(points in [[1.0f64..63.0, 1.0f64..63.0], [1.0f64..63.0, 1.0f64..63.0], [1.0f64..63.0, 1.0f64..63.0]]) {
            let mask = cover(&[points.to_vec()], Fill::Nonzero, FRAME);
            prop_assert!((total(&mask) - triangle(&points)).abs() < 1e-4);
        }

        #[test]
        fn windows_agree_and_coverage_is_a_share(points in proptest::collection::vec(place(), 3..12)) {
            let polygons = [points];
            for fill in [Fill::Nonzero, Fill::EvenOdd] {
                let whole = cover(&polygons, fill, FRAME.widened(30));
                prop_assert!(whole.samples.iter().all(|s| (0.0..=1.0).contains(s)));
                let part = cover(&polygons, fill, FRAME);
                for y in 0..part.window.height {
                    for x in 0..part.window.width {
                        let wx = (part.window.x - whole.window.x) as usize + x;
                        let wy = (part.window.y - whole.window.y) as usize + y;
                        prop_assert!((part.row(y)[x] - whole.row(wy)[wx]).abs() < 1e-5);
                    }
                }
            }
        }

        #[test]
        fn both_rules_differ_by_doubly_wound_parts_only(points in proptest::collection::vec(place(), 3..9)) {
            let window = FRAME.widened(30);
            let nonzero = total(&cover(std::slice::from_ref(&points), Fill::Nonzero, window));
            let odd = total(&cover(&[points], Fill::EvenOdd, window));
            prop_assert!(odd <= nonzero + 1e-3);
        }
    }
}
