//! One rod's light, from its way through the exposure to values added to a picture.
//!
//! Knows middle, tube, lit end, halo and holdout. Does not know settings nor time.

use super::look::Shine;
use super::sweep::{Moment, sweep};
use crate::media::image::Image;
use crate::operators::colour::block::{HALF_MAX, is_beyond};
use crate::operators::image::gaussian::{self, Edge, Term};
use crate::operators::shape::coverage::{Mask, Window};

/// The part of a rod's width that its white middle takes.
pub const MIDDLE_WIDTH: f64 = 0.6;
/// The light of the tube around the middle, as a share of the middle's.
pub const TUBE_LIGHT: f64 = 0.45;
/// How much brighter a rod is at its lit end while that is on its way.
const END_LIGHT: f32 = 1.0;
/// The length of that end, in widths.
const END_LENGTH: f64 = 2.5;
/// The widest halo, as a share of the frame's longer side: wider ones would be flat over the whole frame.
const HALO_LIMIT: f64 = 0.125;

/// Light to be added to a picture.
pub struct Canvas {
    /// The whole frame.
    pub frame: Window,
    planes: [Vec<f32>; 3],
    /// Rows that got light.
    lit: Vec<bool>,
}

impl Canvas {
    /// A dark frame.
    pub fn new(frame: Window) -> Self {
        let planes = std::array::from_fn(|_| vec![0.0; frame.width * frame.height]);
        Self { frame, planes, lit: vec![false; frame.height] }
    }

    /// Adds the part of a mask that lies in the frame, times a colour.
    pub fn add(&mut self, mask: &Mask, tint: [f32; 3]) {
        let Window { x, y, width, height } = mask.window;
        let (left, right) = (x.max(0), (x + width as i64).min(self.frame.width as i64));
        if left >= right {
            return;
        }
        for row in 0..height {
            let Some(at) = usize::try_from(y + row as i64).ok().filter(|&at| at < self.frame.height) else {
                continue;
            };
            let from = &mask.row(row)[(left - x) as usize..(right - x) as usize];
            self.lit[at] = true;
            for (plane, k) in self.planes.iter_mut().zip(tint).filter(|(_, k)| *k != 0.0) {
                let to = &mut plane[at * self.frame.width..][left as usize..right as usize];
                to.iter_mut().zip(from).for_each(|(t, m)| *t += k * m);
            }
        }
    }

    /// A row of each channel to be added to.
    pub fn row_mut(&mut self, y: usize) -> [&mut [f32]; 3] {
        self.lit[y] = true;
        let width = self.frame.width;
        self.planes.each_mut().map(|plane| &mut plane[y * width..][..width])
    }

    /// Adds all light to a picture; pixels without light keep their bits. Gives how many values come out larger than half
    /// floats can be.
    pub fn lay_on(&self, out: &mut Image) -> usize {
        let mut beyond = 0;
        let mut line = vec![0.0f32; self.frame.width];
        for (channel, plane) in self.planes.iter().enumerate() {
            for y in (0..self.frame.height).filter(|&y| self.lit[y]) {
                out.read_row(channel, y as u32, &mut line);
                for (l, s) in line.iter_mut().zip(&plane[y * self.frame.width..]) {
                    if *s != 0.0 {
                        // What is no number stays none, for it is no light of the largest value.
                        let sum = *l + *s;
                        beyond += usize::from(is_beyond(sum));
                        *l = if sum > HALF_MAX { HALF_MAX } else { sum };
                    }
                }
                out.write_row(channel, y as u32, &line);
            }
        }
        beyond
    }
}

/// Adds the light of a rod on its way `path` through the exposure. What `held` covers hides the rod; of its halo it
/// hides all but the share `wrap`.
pub fn shine(path: &[Moment], shine: &Shine, held: Option<&Mask>, wrap: f64, canvas: &mut Canvas) {
    let radius = shine.width / 2.0;
    let frame = canvas.frame;
    let sigmas = sigmas(shine.halo_size * shine.width, shine.width, &frame);
    let sigmas = if shine.halo > 0.0 { sigmas } else { Vec::new() };
    // Light outside the frame glows into it, so the tube is drawn as far out as its halo reaches in.
    let reach = sigmas.first().map_or(0, |sigma| (3.0 * sigma).ceil() as usize);
    let around = frame.widened(reach);
    let mut tube = sweep(path, radius, shine.taper, &around);
    let mut middle = sweep(path, radius * MIDDLE_WIDTH, shine.taper, &frame);
    if let Some(end) = lit_end(path, shine) {
        let radius = radius * (1.0 - shine.taper);
        gather(&mut tube, &sweep(&end, radius, 0.0, &around));
        gather(&mut middle, &sweep(&end, radius * MIDDLE_WIDTH, 0.0, &frame));
    }
    if let Some(held) = held {
        dim(&mut tube, held, 1.0);
        dim(&mut middle, held, 1.0);
    }
    let tint =
        |white: f64, light: f64| shine.colour.map(|c| ((c + (1.0 - c) * white) * light * shine.light) as f32);
    // The middle lies on the tube, so with the tube's own light beneath it has the stated light.
    canvas.add(&middle, tint(shine.white, 1.0 - TUBE_LIGHT));
    canvas.add(&tube, tint(0.0, TUBE_LIGHT));
    if let Some(mut halo) = halo(tube, &sigmas, &frame) {
        if let Some(held) = held {
            dim(&mut halo, held, (1.0 - wrap) as f32);
        }
        canvas.add(&halo, tint(0.0, shine.halo));
    }
}

/// The end of a rod that is lit in part only, through the exposure: how much brighter it is fades towards both ends of
/// its way. None of a rod that is lit as a whole.
fn lit_end(path: &[Moment], shine: &Shine) -> Option<Vec<Moment>> {
    let reach = END_LENGTH * shine.width;
    let end = |moment: &Moment| {
        let e = moment.ends;
        let (x, y) = (e[2] - e[0], e[3] - e[1]);
        let length = (x * x + y * y).sqrt();
        let k = if length > reach { 1.0 - reach / length } else { 0.0 };
        Moment { ends: [e[0] + x * k, e[1] + y * k, e[2], e[3]], lit: moment.surge, ..*moment }
    };
    path.iter().any(|moment| moment.surge > 0.0).then(|| path.iter().map(end).collect())
}

/// Adds a brighter part to a rod's own mask.
fn gather(mask: &mut Mask, part: &Mask) {
    let window = mask.window;
    for row in 0..part.window.height {
        let y = part.window.y + row as i64 - window.y;
        let Some(y) = usize::try_from(y).ok().filter(|&y| y < window.height) else { continue };
        for (column, value) in part.row(row).iter().enumerate() {
            let x = part.window.x + column as i64 - window.x;
            if (0..window.width as i64).contains(&x) {
                mask.row_mut(y)[x as usize] += END_LIGHT * value;
            }
        }
    }
}

/// Standard deviations in pixels of the halo around something so wide, widest first; none when it has none.
pub fn sigmas(widest: f64, width: f64, frame: &Window) -> Vec<f64> {
    let longer = frame.width.max(frame.height) as f64;
    let widest = widest.min(HALO_LIMIT * longer);
    if widest <= 0.0 {
        return Vec::new();
    }
    let narrowest = (width / 2.0).max(0.5);
    let mut out = vec![widest];
    while out.len() < 12 && out[out.len() - 1] / 2.0 >= narrowest {
        out.push(out[out.len() - 1] / 2.0);
    }
    out
}

/// The halo over the frame: a light blurred by every sigma, equal energies adding up to its own.
pub fn halo(tube: Mask, sigmas: &[f64], frame: &Window) -> Option<Mask> {
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
    drop(tube);
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

/// Multiplies a mask by `1 - matte * share`. Outside the frame the matte goes on as it ends at the edge.
pub fn dim(mask: &mut Mask, held: &Mask, share: f32) {
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
