//! What a shape is while the shutter is open, and its average over that time.
//!
//! Knows at which times a moving shape is looked at. Does not know how shapes join.
//!
//! The times lie evenly, each in the middle of its share of the exposure. An edge that goes D pixels past a pixel in N steps
//! is off by no more than D / (8 N²) there, the error of the midpoint rule for a ramp that begins and ends within the
//! exposure; N is chosen so that this is a thousandth, which half floats just tell apart near 1.
//!
//! What is held jumps between frames, never while a shutter is open: no frame shows half of each.

use crate::operators::shape::coverage::{Mask, Window};
use crate::operators::shape::stencil::{feathered, sharp, stencil, widest};
use crate::operators::shape::{Layer, Matte, Shape, Still};

/// The error that the number of times is chosen for.
const OFF: f64 = 1.0 / 1024.0;
/// The most times of one exposure.
const MOST: usize = 1024;

/// What one layer is at the times of an exposure: one still where it does not move, none of a given matte.
pub type Seen = Vec<Still>;

/// What each layer of a matte is while the shutter is open for so many frames around one. All layers that move are seen at the
/// same times when there are several of them.
pub fn seen(matte: &Matte, frame: i64, shutter: f64) -> Vec<Seen> {
    let counts: Vec<usize> = matte
        .layers
        .iter()
        .map(|layer| layer.drawn().map_or(0, |shape| count(shape, frame, shutter)))
        .collect();
    let most = counts.iter().copied().max().unwrap_or(0);
    let time = |i: usize, count: usize| frame as f64 + ((i as f64 + 0.5) / count as f64 - 0.5) * shutter;
    let stills = |(layer, &own): (&Layer, &usize)| {
        let Some(shape) = layer.drawn() else { return Vec::new() };
        if own <= 1 {
            return vec![shape.at(frame as f64)];
        }
        (0..most).map(|i| shape.during(frame as f64, time(i, most))).collect()
    };
    matte.layers.iter().zip(&counts).map(stills).collect()
}

/// At how many times a shape is looked at.
fn count(shape: &Shape, frame: i64, shutter: f64) -> usize {
    if shutter <= 0.0 || shape.is_steady() {
        return 1;
    }
    // Keys are on whole frames, so that either half of the exposure lies between two of them.
    let [open, middle, close] =
        [-0.5, 0.0, 0.5].map(|side| shape.during(frame as f64, frame as f64 + side * shutter));
    let way = open.farthest(&middle) + middle.farthest(&close);
    ((way / (8.0 * OFF)).sqrt().ceil() as usize).clamp(1, MOST)
}

/// The average of a shape's matte over its stills.
pub fn average(stills: &[Still], window: &Window) -> Mask {
    let [first, rest @ ..] = stills else { return Mask::new(Window { width: 0, height: 0, ..*window }) };
    if rest.is_empty() {
        return stencil(first, window);
    }
    // A feather that stays the same may come after the average, as both only add up.
    let is_alike = |still: &Still| still.feather == first.feather && still.feathers == first.feathers;
    if first.feathers.is_empty() && rest.iter().all(is_alike) {
        let around = window.widened(widest(first));
        return feathered(&mean(stills, &around, &|still| sharp(still, &around)), first, window);
    }
    mean(stills, window, &|still| stencil(still, window))
}

/// The mean of masks, in a window no larger than what they touch.
fn mean(stills: &[Still], window: &Window, mask: &dyn Fn(&Still) -> Mask) -> Mask {
    let mut sum = Mask::new(Window { width: 0, height: 0, ..*window });
    for still in stills {
        let mask = mask(still);
        let together = sum.window.together(&mask.window);
        if together != sum.window {
            let mut wider = Mask::new(together);
            add(&mut wider, &sum);
            sum = wider;
        }
        add(&mut sum, &mask);
    }
    sum.samples.iter_mut().for_each(|sample| *sample /= stills.len() as f32);
    sum
}

/// Adds a mask that lies inside another.
fn add(sum: &mut Mask, mask: &Mask) {
    if mask.window.is_empty() {
        return;
    }
    let (x, y) = ((mask.window.x - sum.window.x) as usize, (mask.window.y - sum.window.y) as usize);
    for row in 0..mask.window.height {
        let to = &mut sum.row_mut(y + row)[x..x + mask.window.width];
        to.iter_mut().zip(mask.row(row)).for_each(|(sum, sample)| *sum += sample);
    }
}
