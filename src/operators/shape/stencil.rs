//! A shape at one time → its matte.
//!
//! Knows the order of the work: lines to polygons, polygons to covered area, area to a soft edge. Does not know how
//! shapes join.

use super::Fill;
use super::coverage::{Mask, Window, cover};
use super::drawn::Still;
use super::outline::{Place, curve, flatten_line, on_curve};
use super::soften::{reach, soften};
use super::stroke::outlines;
use super::varied::{Sample, soften_along};

/// Places along a shape's lines whose feathers count, about this far apart in pixels.
const APART: f64 = 4.0;
/// The most of them.
const SAMPLES: f64 = 1500.0;

/// A shape's matte inside a window: exact coverage, then its feather. A feather looks past the frame's edges, so
/// shapes that lie across them soften as if the frame went on.
pub fn stencil(still: &Still, window: &Window) -> Mask {
    feathered(&sharp(still, &window.widened(widest(still))), still, window)
}

/// Pixels beyond a window that a shape's feather looks at.
pub fn widest(still: &Still) -> usize {
    still.feathers.iter().map(|&width| reach(width)).fold(reach(still.feather), usize::max)
}

/// The exact coverage of a shape inside a window.
pub fn sharp(still: &Still, window: &Window) -> Mask {
    let Some((width, cap)) = still.stroke else {
        let polygons: Vec<Vec<Place>> = still
            .each_line()
            .map(|(_, points, weights)| flatten_line(points, weights, true, window))
            .collect();
        return cover(&polygons, still.fill, *window);
    };
    // What lies beside the window by no more than half the width still reaches into it.
    let around = window.widened((width / 2.0).ceil() as usize + 1);
    let lines = still.each_line().flat_map(|(line, points, weights)| {
        outlines(&flatten_line(points, weights, line.is_closed, &around), line.is_closed, width, cap)
    });
    cover(&lines.collect::<Vec<_>>(), Fill::Nonzero, *window)
}

/// Coverage with the shape's feather. The mask must hold everything within [`widest`] of the window.
pub fn feathered(sharp: &Mask, still: &Still, window: &Window) -> Mask {
    let is_even = still.feathers.windows(2).all(|pair| pair[0] == pair[1]);
    let width = still.feathers.first().copied().unwrap_or(still.feather);
    let mask = match is_even {
        true if width > 0.0 => soften(sharp, width, window),
        true => sharp.clone(),
        false => soften_along(sharp, &samples(still), window),
    };
    // A shape that lies wholly beside the frame may leave an empty window out there.
    if mask.window.is_empty() { Mask::new(Window { width: 0, height: 0, ..*window }) } else { mask }
}

/// Places along the lines, with the feather there: from point to point it goes evenly with the curve's parameter.
fn samples(still: &Still) -> Vec<Sample> {
    let mut stretches = Vec::new();
    let mut first = 0;
    for (line, points, _) in still.each_line() {
        let count = if line.is_closed || still.stroke.is_none() { points.len() } else { points.len() - 1 };
        for i in 0..count {
            let next = (i + 1) % points.len();
            let ends = ([points[i][0], points[i][1]], [points[next][0], points[next][1]]);
            let third = |t: f64| [0, 1].map(|k| ends.0[k] + (ends.1[k] - ends.0[k]) * t);
            let curve = curve(&points[i], &points[next]).unwrap_or([
                ends.0,
                third(1.0 / 3.0),
                third(2.0 / 3.0),
                ends.1,
            ]);
            let length: f64 = curve.windows(2).map(|p| (p[1][0] - p[0][0]).hypot(p[1][1] - p[0][1])).sum();
            stretches.push((curve, length, still.feathers[first + i], still.feathers[first + next]));
        }
        first += points.len();
    }
    let apart = APART.max(stretches.iter().map(|s| s.1).sum::<f64>() / SAMPLES);
    let mut out = Vec::new();
    for (curve, length, from, to) in stretches {
        let count = (length / apart).ceil().max(1.0) as usize;
        out.extend((0..count).map(|i| {
            let t = (i as f64 + 0.5) / count as f64;
            Sample { at: on_curve(&curve, t), width: from + (to - from) * t, length: length / count as f64 }
        }));
    }
    out
}
