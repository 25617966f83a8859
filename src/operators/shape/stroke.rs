//! A line with width → the polygons whose union it is.
//!
//! Knows offsets, turns and ends. Does not know curves or pixels.
//!
//! Each side of each straight piece is a rectangle from the line outwards, each turn a wedge of a disc on its outer side. They
//! are put together into one outline (two of a closed line) whose windings are the sum of those of the pieces, all of which
//! run the same way round; so under the nonzero rule the outline is exactly their union, however tight the line
//! bends or crosses itself. On the inner side of a turn the outline goes through the line itself, unless the turn is so slight
//! that both rectangles cover what is cut off.

use super::Cap;
use super::outline::{Place, TOLERANCE};

/// The outlines of a line (an open one, or a polygon) of so much width.
pub fn outlines(line: &[Place], is_closed: bool, width: f64, cap: Cap) -> Vec<Vec<Place>> {
    let half = width / 2.0;
    let mut places: Vec<Place> = Vec::with_capacity(line.len());
    for place in line {
        if places.last() != Some(place) {
            places.push(*place);
        }
    }
    if is_closed && places.len() > 1 && places.first() == places.last() {
        places.pop();
    }
    if half <= 0.0 || places.is_empty() {
        return Vec::new();
    }
    if places.len() == 1 {
        let mut dot = Vec::new();
        if cap == Cap::Round || is_closed {
            arc(places[0], [half, 0.0], std::f64::consts::TAU, half, &mut dot);
        }
        return vec![dot];
    }
    let back: Vec<Place> = places.iter().rev().copied().collect();
    if is_closed {
        return [places, back].map(|way| side(&way, true, half)).to_vec();
    }
    let mut outline = Vec::new();
    for way in [&places, &back] {
        outline.extend(side(way, false, half));
        let last = way.len() - 1;
        if cap == Cap::Round {
            let out = offset(way[last - 1], way[last], half);
            arc(way[last], out, std::f64::consts::PI, half, &mut outline);
        }
    }
    vec![outline]
}

/// The left side of a line as one walks along it with y up (the right one on screen, where y is down).
fn side(way: &[Place], is_closed: bool, half: f64) -> Vec<Place> {
    let count = way.len();
    let pieces = if is_closed { count } else { count - 1 };
    let mut out = Vec::with_capacity(2 * pieces);
    for i in 0..pieces {
        let (a, b) = (way[i], way[(i + 1) % count]);
        let by = offset(a, b, half);
        out.extend([[a[0] + by[0], a[1] + by[1]], [b[0] + by[0], b[1] + by[1]]]);
        if i + 1 == pieces && !is_closed {
            break;
        }
        let c = way[(i + 2) % count];
        let next = offset(b, c, half);
        let (cross, dot) = (by[0] * next[1] - by[1] * next[0], by[0] * next[0] + by[1] * next[1]);
        let angle = cross.atan2(dot);
        let is_back = cross == 0.0 && dot < 0.0;
        if angle > 0.0 || is_back {
            arc(b, by, angle.abs(), half, &mut out);
        } else {
            let shorter = length(a, b).min(length(b, c));
            // What is cut off lies this far along both pieces.
            if half * (angle / 2.0).tan().abs() * 2.0 > shorter {
                out.push(b);
            }
        }
    }
    out
}

/// Places on a circle between a radius and it turned by an angle, so close that the circle is met.
fn arc(middle: Place, by: Place, angle: f64, half: f64, out: &mut Vec<Place>) {
    // A chord over an angle s lies half s² / 8 inside.
    let steps = (angle.abs() / (8.0 * TOLERANCE / half).sqrt()).ceil().clamp(1.0, 4096.0) as usize;
    out.extend((1..steps).map(|i| {
        let (sin, cos) = (angle * i as f64 / steps as f64).sin_cos();
        [middle[0] + by[0] * cos - by[1] * sin, middle[1] + by[0] * sin + by[1] * cos]
    }));
}

/// From a piece of the line out to its side.
fn offset(a: Place, b: Place, half: f64) -> Place {
    let length = length(a, b);
    [(b[1] - a[1]) / length * half, (a[0] - b[0]) / length * half]
}

fn length(a: Place, b: Place) -> f64 {
    (b[0] - a[0]).hypot(b[1] - a[1])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operators::shape::Fill;
    use crate::operators::shape::coverage::{Window, cover};
    use proptest::prelude::*;
    use std::f64::consts::PI;

    const FRAME: Window = Window { x: 0, y: 0, width: 120, height: 100 };

    fn area(line: &[Place], is_closed: bool, width: f64, cap: Cap) -> f64 {
        let mask = cover(&outlines(line, is_closed, width, cap), Fill::Nonzero, FRAME);
        mask.samples.iter().map(|&s| f64::from(s)).sum()
    }

    #[test]
    fn areas_of_strokes_are_those_of_geometry() {
        let near = |got: f64, wanted: f64| assert!((got - wanted).abs() < 2e-2, "{got} for {wanted}");
        let straight = [[20.0, 30.0], [80.0, 30.0]];
        near(area(&straight, false, 10.0, Cap::Flat), 600.0);
        near(area(&straight, false, 10.0, Cap::Round), 600.0 + 25.0 * PI);
        // A right angle: two bars, whose overlap counts once, and a quarter disc outside the corner.
        let bent = [[20.0, 80.0], [20.0, 30.0], [80.0, 30.0]];
        near(area(&bent, false, 10.0, Cap::Flat), 10.0 * 110.0 - 25.0 + 25.0 * PI / 4.0);
        // There and back again: one bar, and a half disc where it turns.
        near(area(&[[20.0, 30.0], [80.0, 30.0], [20.0, 30.0]], false, 10.0, Cap::Flat), 600.0 + 12.5 * PI);
        let square = [[30.0, 30.0], [70.0, 30.0], [70.0, 70.0], [30.0, 70.0]];
        near(area(&square, true, 4.0, Cap::Flat), 160.0 * 4.0 - 4.0 * 4.0 + 4.0 * PI);
        near(area(&[[50.0, 50.0]], false, 9.0, Cap::Round), 20.25 * PI);
        // A circle tighter than the width is wide fills its own middle.
        let round: Vec<Place> = (0..400)
            .map(|i| (f64::from(i) * PI / 200.0).sin_cos())
            .map(|(s, c)| [60.0 + 6.0 * c, 50.0 + 6.0 * s])
            .collect();
        near(area(&round, true, 20.0, Cap::Flat), 256.0 * PI - 256.0 * PI * (PI / 200.0).powi(2) / 24.0);
    }

    proptest! {
        /// The distance to the line tells what is inside.
        #[test]
        fn a_stroke_covers_what_is_near_its_line(
            line in proptest::collection::vec([10.0f64..110.0, 10.0f64..90.0], 2..7), width in 1.0f64..30.0, is_closed: bool,
        ) {
            let mask = cover(&outlines(&line, is_closed, width, Cap::Round), Fill::Nonzero, FRAME);
            let pieces = if is_closed { line.len() } else { line.len() - 1 };
            for y in 0..mask.window.height {
                for x in 0..mask.window.width {
                    let at = [(mask.window.x + x as i64) as f64 + 0.5, (mask.window.y + y as i64) as f64 + 0.5];
                    let away = (0..pieces).map(|i| {
                        let (a, b) = (line[i], line[(i + 1) % line.len()]);
                        let way = [b[0] - a[0], b[1] - a[1]];
                        let square = (way[0] * way[0] + way[1] * way[1]).max(1e-300);
                        let t = (((at[0] - a[0]) * way[0] + (at[1] - a[1]) * way[1]) / square).clamp(0.0, 1.0);
                        (a[0] + t * way[0] - at[0]).hypot(a[1] + t * way[1] - at[1])
                    }).fold(f64::INFINITY, f64::min);
                    let got = mask.row(y)[x];
                    if away < width / 2.0 - 0.75 {
                        prop_assert!(got > 0.999, "{at:?}: {got}");
                    } else if away > width / 2.0 + 0.75 {
                        prop_assert!(got < 0.001, "{at:?}: {got}");
                    }
                }
            }
        }
    }
}
