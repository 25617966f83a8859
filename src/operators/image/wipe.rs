//! Patterns of wipes: how much of each pixel what comes in covers.
//!
//! Patterns have their numbers of SMPTE ST 258 (258M-1993), as W3C SMIL 2.0 lists them in its taxonomy of transition effects;
//! how fast an edge moves is common practice, no source: evenly, so that a pattern's shape at share s is its last shape scaled
//! by s. Knows places in a frame, of pixels whose centres lie at whole numbers and a half, rows top down. Edges along rows and
//! columns cover exact areas; other edges are soft over one pixel. Does not know pictures.

/// Numbers and shapes of the patterns that are drawn.
const PATTERNS: [(u16, Shape); 21] = [
    (1, Shape::Box { x: Grow::FromLow, y: Grow::Whole }),
    (2, Shape::Box { x: Grow::Whole, y: Grow::FromLow }),
    (3, Shape::Box { x: Grow::FromLow, y: Grow::FromLow }),
    (4, Shape::Box { x: Grow::FromHigh, y: Grow::FromLow }),
    (5, Shape::Box { x: Grow::FromHigh, y: Grow::FromHigh }),
    (6, Shape::Box { x: Grow::FromLow, y: Grow::FromHigh }),
    (21, Shape::Box { x: Grow::FromMiddle, y: Grow::Whole }),
    (22, Shape::Box { x: Grow::Whole, y: Grow::FromMiddle }),
    (23, Shape::Box { x: Grow::FromMiddle, y: Grow::FromLow }),
    (24, Shape::Box { x: Grow::FromHigh, y: Grow::FromMiddle }),
    (25, Shape::Box { x: Grow::FromMiddle, y: Grow::FromHigh }),
    (26, Shape::Box { x: Grow::FromLow, y: Grow::FromMiddle }),
    (41, Shape::Diagonal { from_right: false }),
    (42, Shape::Diagonal { from_right: true }),
    (101, Shape::Box { x: Grow::FromMiddle, y: Grow::FromMiddle }),
    (102, Shape::Diamond),
    (119, Shape::Circle),
    (201, Shape::Clock { from: 0.0 }),
    (202, Shape::Clock { from: 0.25 }),
    (203, Shape::Clock { from: 0.5 }),
    (204, Shape::Clock { from: 0.75 }),
];

/// Where along rows or columns a box begins to grow.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Grow {
    Whole,
    /// From the left or the top.
    FromLow,
    /// From the right or the bottom.
    FromHigh,
    FromMiddle,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Shape {
    Box {
        x: Grow,
        y: Grow,
    },
    /// From an upper corner to the lower one across.
    Diagonal {
        from_right: bool,
    },
    Diamond,
    Circle,
    /// A hand that turns clockwise, from so many turns after twelve.
    Clock {
        from: f64,
    },
}

/// True when wipes of this pattern are drawn.
pub fn is_drawn(pattern: u16) -> bool {
    drawn().any(|drawn| drawn == pattern)
}

/// The patterns that are drawn, in order.
pub fn drawn() -> impl Iterator<Item = u16> {
    PATTERNS.iter().map(|(pattern, _)| *pattern)
}

/// A wipe at a moment.
pub struct Wipe {
    shape: Shape,
    width: f64,
    height: f64,
    share: f64,
}

impl Wipe {
    /// A pattern in frames of this size, at `share` of its way, from 0 to 1. A pattern that is not drawn is the first.
    pub fn of(pattern: u16, size: (u32, u32), share: f64) -> Self {
        let shape = PATTERNS.iter().find(|(number, _)| *number == pattern).unwrap_or(&PATTERNS[0]).1;
        Self { shape, width: size.0.into(), height: size.1.into(), share }
    }

    /// How much of each pixel of row `y` what comes in covers, from 0 to 1.
    pub fn row(&self, y: u32, row: &mut [f32]) {
        for (x, share) in row.iter_mut().enumerate() {
            *share = self.covers(x as f64, f64::from(y)) as f32;
        }
    }

    /// How much of the pixel whose upper left corner is `x`, `y`.
    fn covers(&self, x: f64, y: f64) -> f64 {
        let (w, h, share) = (self.width, self.height, self.share);
        let (from_left, from_top) = (x + 0.5 - w / 2.0, y + 0.5 - h / 2.0);
        let inside = match self.shape {
            Shape::Box { x: across, y: down } => {
                return along(across, x, w, share) * along(down, y, h, share);
            }
            Shape::Diagonal { from_right } => {
                let x = if from_right { w - x - 0.5 } else { x + 0.5 };
                (2.0 * share - x / w - (y + 0.5) / h) / slope(w, h)
            }
            Shape::Diamond => (share - from_left.abs() / w - from_top.abs() / h) / slope(w, h),
            Shape::Circle => share * (w * w + h * h).sqrt() / 2.0 - from_left.hypot(from_top),
            Shape::Clock { from } => hand(from_left, from_top, from, share),
        };
        (inside + 0.5).clamp(0.0, 1.0)
    }
}

/// How much of the pixel from `at` on a stretch covers that grows along `size` pixels.
fn along(grow: Grow, at: f64, size: f64, share: f64) -> f64 {
    let (first, end) = match grow {
        Grow::Whole => (0.0, size),
        Grow::FromLow => (0.0, size * share),
        Grow::FromHigh => (size * (1.0 - share), size),
        Grow::FromMiddle => (size * (1.0 - share) / 2.0, size * (1.0 + share) / 2.0),
    };
    (end.min(at + 1.0) - first.max(at)).clamp(0.0, 1.0)
}

/// How fast x / w + y / h grows in its own direction, each pixel.
fn slope(w: f64, h: f64) -> f64 {
    (1.0 / w).hypot(1.0 / h)
}

/// How far within the part that a hand has swept a place lies, in pixels; outside it is below 0. `x` and `y` are from the middle.
fn hand(x: f64, y: f64, from: f64, share: f64) -> f64 {
    // Turned so that the hand begins at twelve, pointing up.
    let (sin, cos) = (from * std::f64::consts::TAU).sin_cos();
    let (x, y) = (x * cos + y * sin, y * cos - x * sin);
    let (sin, cos) = (share * std::f64::consts::TAU).sin_cos();
    // On the right of where the hand began, and on the left of where it is.
    let (begun, now) = (x, -(x * cos + y * sin));
    if share <= 0.5 { begun.min(now) } else { begun.max(now) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(pattern: u16, share: f64) -> Vec<Vec<f32>> {
        let wipe = Wipe::of(pattern, (12, 8), share);
        (0..8)
            .map(|y| {
                let mut row = vec![0.0; 12];
                wipe.row(y, &mut row);
                row
            })
            .collect()
    }

    fn sum(frame: &[Vec<f32>]) -> f32 {
        frame.iter().flatten().sum()
    }

    #[test]
    fn patterns_are_in_order_and_grow_from_nothing_to_all() {
        assert!(drawn().zip(drawn().skip(1)).all(|(a, b)| a < b));
        for pattern in drawn() {
            let steps: Vec<Vec<Vec<f32>>> =
                (0..=48).map(|step| frame(pattern, f64::from(step) / 48.0)).collect();
            assert!(sum(&steps[0]) <= 1.5, "{pattern}: {}", sum(&steps[0]));
            assert!(sum(&steps[48]) >= 94.5, "{pattern}: {}", sum(&steps[48]));
            for pair in steps.windows(2) {
                let grows =
                    pair[0].iter().flatten().zip(pair[1].iter().flatten()).all(|(a, b)| a <= &(b + 1e-6));
                assert!(grows, "{pattern}");
            }
        }
    }

    /// Areas in closed form. Exact along rows and columns; elsewhere within the softness of the edge.
    #[test]
    fn outside_check_areas() {
        for (pattern, share, area, tolerance) in [
            (1, 0.3, 0.3 * 96.0, 1e-4),
            (2, 0.7, 0.7 * 96.0, 1e-4),
            (3, 0.35, 0.35 * 0.35 * 96.0, 1e-4),
            (21, 0.45, 0.45 * 96.0, 1e-4),
            (101, 0.6, 0.36 * 96.0, 1e-4),
            (41, 0.25, 0.125 * 96.0, 0.5),
            (102, 0.5, 2.0 * 0.25 * 96.0, 1.0),
            (119, 0.3, std::f64::consts::PI * 0.09 * 52.0, 0.5),
            (201, 0.25, 24.0, 0.6),
            (202, 0.75, 72.0, 0.6),
        ] {
            let found = f64::from(sum(&frame(pattern, share)));
            assert!((found - area).abs() < tolerance, "{pattern}: {found}, not {area}");
        }
    }

    /// Corners and sides as the list of patterns names them.
    #[test]
    fn patterns_begin_where_they_are_named_for() {
        for (pattern, (x, y), (far_x, far_y)) in [
            (1, (0, 4), (11, 4)),
            (2, (6, 0), (6, 7)),
            (3, (0, 0), (11, 7)),
            (4, (11, 0), (0, 7)),
            (5, (11, 7), (0, 0)),
            (6, (0, 7), (11, 0)),
            (21, (6, 0), (0, 0)),
            (22, (0, 4), (0, 0)),
            (23, (6, 0), (6, 7)),
            (24, (11, 4), (0, 4)),
            (25, (6, 7), (6, 0)),
            (26, (0, 4), (11, 4)),
            (41, (0, 0), (11, 7)),
            (42, (11, 0), (0, 7)),
            (101, (6, 4), (0, 0)),
            (102, (6, 4), (0, 0)),
            (119, (6, 4), (0, 0)),
            (201, (7, 0), (0, 0)),
            (202, (11, 5), (0, 0)),
            (203, (4, 7), (11, 0)),
            (204, (0, 2), (11, 7)),
        ] {
            let frame = frame(pattern, 0.25);
            assert!(frame[y][x] > 0.9 && frame[far_y][far_x] < 0.1, "{pattern}: {frame:?}");
        }
    }
}
