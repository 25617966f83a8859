//! Registration: how a take of a repeated move lies against the clean plate, in time, in space and in light.
//!
//! Knows the order of the work for a few frames at a time; whoever asks holds the shot's frames. The result is a file of
//! moves (`written`), which a person may edit and `passes` applies.

pub mod align;
pub mod light;
mod solve;
pub mod steps;
pub mod when;
pub mod written;

use self::align::{Fit, Model, Pair, fit, relit};
use self::light::{Light, Sizes};
use self::solve::Band;
use self::steps::Along;
use self::when::Compared;
use super::flow::Motion;
use super::passes::place::Place;
use crate::media::image::Image;

/// Halvings of what is looked at while whole offsets are compared.
const COARSE: usize = 2;

/// A frame as whole offsets are compared on it.
pub fn coarse(light: &Light) -> Sizes {
    light.sizes(COARSE)
}

/// How two frames agree at a whole offset.
pub fn compare(clean: (i64, &Sizes), take: (i64, &Sizes)) -> Option<Compared> {
    let fit = fit(clean.1, take.1, Model::default(), None, [0.0; 7])?;
    let scale = (1u32 << COARSE) as f64;
    let shift = [fit.found[0] * scale, fit.found[1] * scale];
    Some(Compared { frame: clean.0, ahead: take.0 - clean.0, shift, off: fit.off * scale })
}

/// The motion of the set around a frame of the clean plate, from its neighbours; none at a cut.
pub fn along(before: &Light, here: &Light, after: &Light) -> Option<Along> {
    let [a, b, c] = [before, here, after].map(Light::for_flow);
    let (width, height) = (b.1, b.2);
    let earlier = Motion::between(&a.0, &b.0, width, height)?;
    let later = Motion::between(&b.0, &c.0, width, height)?;
    let (back, on) = (&earlier.flows[1], &later.flows[0]);
    let mean = |on: &[f32], back: &[f32]| on.iter().zip(back).map(|(a, b)| (a - b) / 2.0).collect();
    Some(Along {
        size: (on.width, on.height),
        planes: [mean(&on.across, &back.across), mean(&on.down, &back.down)],
    })
}

/// How a frame of a take lies against one of the clean plate, and how far along the motion of the set.
pub fn timed(clean: &Light, take: &Light, model: Model, along: &Along) -> Option<Fit> {
    fit(&clean.sizes(0), &take.sizes(0), model, Some(along), [0.0; 7])
}

/// How a take as it is shown at a frame lies against the clean plate.
pub fn placed(clean: &Light, take: &Light, model: Model) -> Option<Fit> {
    fit(&clean.sizes(0), &take.sizes(0), model, None, [0.0; 7])
}

/// How far right, down, turn and growth may stray in a frame, in pixels of the size looked at and shares.
const STRAY: [f64; 4] = [0.15, 0.15, 3e-4, 3e-4];

/// Right, down, turn and growth of frames in rising order, in pixels of the size looked at: each as its own frame tells,
/// held together by how little a rig strays from one to the next where the frame tells little. `breaks` says before which
/// of them it may jump.
pub fn steadied(fits: &[(i64, Fit)], breaks: &dyn Fn(usize) -> bool) -> Vec<[f64; 4]> {
    let mut band = Band::zeros(4 * fits.len(), 7);
    let mut right = vec![0.0; 4 * fits.len()];
    for (i, (n, fit)) in fits.iter().enumerate() {
        for a in 0..4 {
            for b in 0..4 {
                right[4 * i + a] += fit.information[a][b] * fit.found[b];
                if b <= a {
                    band.add(4 * i + a, 4 * i + b, fit.information[a][b]);
                }
            }
            band.add(4 * i + a, 4 * i + a, 1e-6);
            if i > 0 && !breaks(i) {
                let stiff = 1.0 / (STRAY[a] * STRAY[a] * (n - fits[i - 1].0).max(1) as f64);
                let (here, before) = (4 * i + a, 4 * (i - 1) + a);
                band.add(here, here, stiff);
                band.add(before, before, stiff);
                band.add(here, before, -stiff);
            }
        }
    }
    let own = || fits.iter().map(|(_, fit)| std::array::from_fn(|i| fit.found[i])).collect();
    let Some(factor) = band.factored() else { return own() };
    let all = factor.solve(&right);
    all.chunks_exact(4).map(|four| std::array::from_fn(|i| four[i])).collect()
}

/// What is left between a take, which lies as `found` says and differs in contrast and light by about `lit`, and the clean plate,
/// in pixels of the picture: the mean over tiles of the frame that show enough to tell; none where no tile does.
pub fn left(clean: &Light, take: &Light, found: [f64; 4], lit: [f64; 2]) -> Option<f64> {
    let (a, b) = (clean.sizes(0), take.sizes(0));
    let pair = Pair::largest(&a, &b);
    let [right, down, turn, growth] = found;
    let mut all = [right, down, turn, growth, 0.0, lit[0], lit[1]];
    // A factor on light must pass for no shift.
    relit(&pair, &mut all)?;
    let tiles = pair.left(&all);
    (!tiles.is_empty()).then(|| tiles.iter().sum::<f64>() / tiles.len() as f64 * clean.scale())
}

/// Where a take lies so that it covers the clean plate, from what was found in pixels of the size looked at.
pub fn place(found: [f64; 4], scale: f64) -> Place {
    let [dx, dy, turn, growth] = found;
    let (a, b) = (1.0 + growth, turn);
    let size = a * a + b * b;
    let shift = [-(a * dx + b * dy) / size * scale, -(a * dy - b * dx) / size * scale];
    Place { shift, turn: -b.atan2(a).to_degrees(), scale: 1.0 / size.sqrt(), ..Place::UNMOVED }
}

/// About how many pixels across are looked at for factors on light.
const LOOKED_AT: usize = 480;
/// The set counts from so many pixels beyond a matte.
const CLEAR: usize = 4;

/// Factors on a take's red, green and blue that give the clean plate's, the medians over the set where it is not dark;
/// the take's pixel for one of the clean plate's lies `by` further. None where hardly any set is seen.
pub fn exposure(clean: &Image, take: &Image, matte: &[f32], by: [f64; 2]) -> Option<[f64; 3]> {
    let (width, height) = (clean.width() as i64, clean.height() as i64);
    let step = (clean.width() as usize / LOOKED_AT).max(1);
    let by = by.map(|v| v.round() as i64);
    let channels = |image: &Image| ["R", "G", "B"].map(|name| image.channel(name));
    let (from, to) = (channels(take), channels(clean));
    let mut seen: Vec<([f32; 3], [f32; 3])> = Vec::new();
    for y in (0..height).step_by(step) {
        for x in (0..width).step_by(step) {
            let (tx, ty) = (x + by[0], y + by[1]);
            let inside = |x: i64, y: i64| x >= 0 && y >= 0 && x < width && y < height;
            let clear = CLEAR as i64;
            let is_set = |dx: i64, dy: i64| {
                !inside(tx + dx, ty + dy) || matte[((ty + dy) * width + tx + dx) as usize] <= 0.0
            };
            if !inside(tx, ty)
                || ![(0, 0), (clear, 0), (-clear, 0), (0, clear), (0, -clear)]
                    .iter()
                    .all(|d| is_set(d.0, d.1))
            {
                continue;
            }
            let light = |image: &Image, channel: Option<usize>, x: i64, y: i64| {
                channel.map_or(0.0, |c| image.channels()[c].samples[(y * width + x) as usize].to_f32())
            };
            let a = to.map(|c| light(clean, c, x, y));
            let b = from.map(|c| light(take, c, tx, ty));
            if a.iter().chain(&b).all(|v| v.is_finite() && *v > 1e-4) {
                seen.push((a, b));
            }
        }
    }
    // In the dark, noise makes quotients of anything.
    let mut lights: Vec<f32> = seen.iter().map(|(a, b)| a[1] + b[1]).collect();
    if lights.len() < 100 {
        return None;
    }
    let half = lights.len() / 2;
    let middle = *lights.select_nth_unstable_by(half, f32::total_cmp).1;
    seen.retain(|(a, b)| a[1] + b[1] >= middle);
    Some([0, 1, 2].map(|c| {
        let mut quotients: Vec<f32> = seen.iter().map(|(a, b)| a[c] / b[c]).collect();
        let half = quotients.len() / 2;
        f64::from(*quotients.select_nth_unstable_by(half, f32::total_cmp).1)
    }))
}

#[cfg(test)]
mod tests;
