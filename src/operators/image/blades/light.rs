//! One rod's light, from its way through the exposure to values added to a picture.
//!
//! Knows middle, tube, halo and hold-out. Does not know settings nor time.

use super::look::Shine;
use super::sweep::{Moment, sweep};
use crate::media::image::Image;
use crate::operators::image::gaussian::{self, Edge, Term};
use crate::operators::shape::coverage::{Mask, Window};

/// The part of a rod's width that its white middle takes.
const MIDDLE_WIDTH: f64 = 0.6;
/// The light of the tube around the middle, as a share of the middle's.
const TUBE_LIGHT: f64 = 0.45;
/// The widest halo, as a share of the frame's longer side: wider ones would be flat over the whole frame.
const HALO_LIMIT: f64 = 0.125;
/// The largest value that a half float holds.
const HALF_LIMIT: f32 = 65504.0;

/// One rod's light over the frame: planes and what each channel has of them.
pub struct Light {
    layers: Vec<(Mask, [f32; 3])>,
}

impl Light {
    /// The light of a rod on its way `path` through the exposure. What `held` covers hides the rod; of its halo it
    /// hides all but the share `wrap`.
    pub fn new(path: &[Moment], shine: &Shine, frame: &Window, held: Option<&Mask>, wrap: f64) -> Self {
        let radius = shine.width / 2.0;
        let sigmas = sigmas(shine, frame);
        // Light outside the frame glows into it, so the tube is drawn as far out as its halo reaches in.
        let reach = sigmas.first().map_or(0, |sigma| (3.0 * sigma).ceil() as usize);
        let around = frame.widened(reach);
        let mut tube = sweep(path, radius, shine.taper, &around);
        let mut middle = sweep(path, radius * MIDDLE_WIDTH, shine.taper, frame);
        if let Some(held) = held {
            hold_out(&mut tube, held);
            hold_out(&mut middle, held);
        }
        let tint = |white: f64, light: f64| {
            shine.colour.map(|c| ((c + (1.0 - c) * white) * light * shine.light) as f32)
        };
        // The middle lies on the tube, so with the tube's own light beneath it has the stated light.
        let mut layers = vec![(middle, tint(shine.white, 1.0 - TUBE_LIGHT)), (tube, tint(0.0, TUBE_LIGHT))];
        if let Some(mut halo) = halo(&layers[1].0, &sigmas, frame) {
            if let Some(held) = held {
                dim(&mut halo, held, (1.0 - wrap) as f32);
            }
            layers.push((halo, tint(0.0, shine.halo)));
        }
        Self { layers }
    }
}

/// Standard deviations of a rod's halo in pixels, widest first; none when it has none.
fn sigmas(shine: &Shine, frame: &Window) -> Vec<f64> {
    let longer = frame.width.max(frame.height) as f64;
    let widest = (shine.halo_size * shine.width).min(HALO_LIMIT * longer);
    if shine.halo <= 0.0 || widest <= 0.0 {
        return Vec::new();
    }
    let narrowest = (shine.width / 2.0).max(0.5);
    let mut out = vec![widest];
    while out.len() < 12 && out[out.len() - 1] / 2.0 >= narrowest {
        out.push(out[out.len() - 1] / 2.0);
    }
    out
}

/// The halo over the frame: the tube's light blurred by every sigma, equal energies adding up to the tube's own.
fn halo(tube: &Mask, sigmas: &[f64], frame: &Window) -> Option<Mask> {
    let widest = *sigmas.first()?;
    if tube.window.is_empty() || tube.samples.iter().all(|&s| s == 0.0) {
        return None;
    }
    let [left, top, right, bottom] = tube.window.sides();
    let reach = 4.0 * widest + 1.0;
    let shown = frame.touched([left - reach, top - reach, right + reach, bottom + reach]);
    if shown.is_empty() {
        return None;
    }
    // Light exists in the tube only and is wanted in the frame only; all around is dark.
    let window = shown.together(&tube.window);
    let mut source = Mask::new(window);
    let x = (tube.window.x - window.x) as usize;
    let y = (tube.window.y - window.y) as usize;
    for row in 0..tube.window.height {
        source.row_mut(y + row)[x..x + tube.window.width].copy_from_slice(tube.row(row));
    }
    let weight = 1.0 / sigmas.len() as f32;
    let terms: Vec<Term> = sigmas.iter().map(|&sigma| Term { sigma, weight }).collect();
    source.samples = gaussian::sum(&source.samples, window.width, window.height, Edge::Dark, &terms);
    let mut out = Mask::new(shown);
    let (x, y) = ((shown.x - window.x) as usize, (shown.y - window.y) as usize);
    for row in 0..shown.height {
        // A blur computed in floats may undershoot zero by a rounding; light does not.
        let from = &source.row(y + row)[x..x + shown.width];
        out.row_mut(row).iter_mut().zip(from).for_each(|(o, s)| *o = s.max(0.0));
    }
    Some(out)
}

/// Takes out of a mask what the matte covers. Outside the frame the matte goes on as it ends at the edge.
fn hold_out(mask: &mut Mask, held: &Mask) {
    dim(mask, held, 1.0);
}

/// Multiplies a mask by `1 - matte * share`.
fn dim(mask: &mut Mask, held: &Mask, share: f32) {
    let window = mask.window;
    let last = (held.window.width as i64 - 1, held.window.height as i64 - 1);
    for row in 0..window.height {
        let matte = held.row((window.y + row as i64).clamp(0, last.1) as usize);
        for (column, sample) in mask.row_mut(row).iter_mut().enumerate() {
            let at = (window.x + column as i64).clamp(0, last.0) as usize;
            *sample *= 1.0 - matte[at] * share;
        }
    }
}

/// Adds all light to one channel of the picture; rows without light keep their bits.
pub fn add(lights: &[Light], channel: usize, out: &mut Image) {
    let (width, height) = (out.width() as usize, out.height() as usize);
    let mut sum = vec![0.0f32; width];
    let mut line = vec![0.0f32; width];
    for y in 0..height {
        let mut is_lit = false;
        for (mask, tint) in lights.iter().flat_map(|light| &light.layers) {
            let window = mask.window;
            let Some(row) = usize::try_from(y as i64 - window.y).ok().filter(|&r| r < window.height) else {
                continue;
            };
            let left = window.x.max(0);
            let right = (window.x + window.width as i64).min(width as i64);
            if left >= right || tint[channel] == 0.0 {
                continue;
            }
            is_lit = true;
            let from = &mask.row(row)[(left - window.x) as usize..(right - window.x) as usize];
            let k = tint[channel];
            sum[left as usize..right as usize].iter_mut().zip(from).for_each(|(s, m)| *s += k * m);
        }
        if is_lit {
            out.read_row(channel, y as u32, &mut line);
            for (l, s) in line.iter_mut().zip(&mut sum) {
                if *s != 0.0 {
                    *l = (*l + *s).min(HALF_LIMIT);
                }
                *s = 0.0;
            }
            out.write_row(channel, y as u32, &line);
        }
    }
}
