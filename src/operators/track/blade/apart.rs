//! What stands out of a frame: thin bright things that were not there before, and light that was not.
//!
//! Knows frames beside each other and how far scenery may have moved between them. Does not know lines.
//!
//! A camera that travels shifts near things against far ones, so that no one map lays one frame on another. So light counts
//! as new only where it is brighter than everything within some samples of its place on other frames: their greatest light there
//! (grey-scale dilation), of which the median over frames is taken. Thin things are what an opening by a small square takes away
//! (the white top-hat; F. Meyer, 1979; J. Serra, "Image Analysis and Mathematical Morphology", 1982).

use super::scene::{Gray, Scene};
use crate::operators::shape::motion::carry;

/// Frames that are held against a frame for thin things, which a rod that rests a while would hide among its own kind nearby.
const THIN: [i64; 10] = [-13, -10, -8, -6, -4, 4, 6, 8, 10, 13];
/// And for light that was not there, as of fans, which come and go in a frame.
const NEW: [i64; 8] = [-5, -4, -3, -2, 2, 3, 4, 5];

/// What a frame's strokes are judged by; 0 where nothing stands out.
pub struct Apart {
    /// Thin things.
    pub thin: Gray,
    /// New light.
    pub new: Gray,
}

/// Of frame number `at`; `sense` is -1 where rods are darker than what is beside them, `width` theirs in samples.
pub fn apart(scene: &Scene, at: usize, sense: f32, width: f64) -> Apart {
    let light = |n: usize| {
        let gray = scene.light(n, false);
        gray.with(gray.samples.iter().map(|v| v * sense).collect())
    };
    // A square that a rod does not fill, whichever way it lies.
    let square = (width / 2.0).ceil() as usize + 1;
    let own = light(at);
    let thin = |gray: &Gray| {
        let opened = spread(&spread(gray, square, f32::min), square, f32::max);
        gray.with(gray.samples.iter().zip(&opened.samples).map(|(a, b)| a - b).collect())
    };
    let beyond = |own: Gray, offsets: &[i64], of: &dyn Fn(usize) -> Gray| {
        let others: Vec<(Gray, usize)> = offsets
            .iter()
            .filter_map(|d| scene.number(at as i64 + d))
            .map(|n| (spread(&of(n), 1 + at.abs_diff(n) / 4, f32::max), n))
            .collect();
        let maps: Vec<_> = others.iter().map(|(_, n)| scene.between(at, *n)).collect();
        let mut seen: Vec<f32> = Vec::with_capacity(others.len());
        let mut out = own;
        let (width, size) = (out.width, out.size);
        for (i, sample) in out.samples.iter_mut().enumerate() {
            let place = [((i % width) as f64 + 0.5) * size, ((i / width) as f64 + 0.5) * size];
            seen.clear();
            let lights = others.iter().zip(&maps);
            seen.extend(lights.filter_map(|((gray, _), map)| gray.nearest(carry(map, place)?)));
            if seen.is_empty() {
                *sample = 0.0;
                continue;
            }
            let middle = seen.len() / 2;
            // What is hidden is NaN, which loses the comparison.
            *sample = (*sample - *seen.select_nth_unstable_by(middle, f32::total_cmp).1).max(0.0);
        }
        out
    };
    let new = beyond(own.clone(), &NEW, &light);
    let thin = beyond(thin(&own), &THIN, &|n| thin(&light(n)));
    Apart { thin, new }
}

/// Each sample becomes what `pick` picks of all within `reach` samples both ways.
fn spread(gray: &Gray, reach: usize, pick: fn(f32, f32) -> f32) -> Gray {
    let (width, height) = (gray.width, gray.height);
    let mut across = gray.samples.clone();
    for (from, to) in gray.samples.chunks(width).zip(across.chunks_mut(width)) {
        for d in 1..=reach.min(width - 1) {
            for x in d..width {
                to[x] = pick(to[x], from[x - d]);
                to[x - d] = pick(to[x - d], from[x]);
            }
        }
    }
    let mut out = across.clone();
    for d in 1..=reach.min(height - 1) {
        for i in d * width..width * height {
            out[i] = pick(out[i], across[i - d * width]);
            out[i - d * width] = pick(out[i - d * width], across[i]);
        }
    }
    gray.with(out)
}
