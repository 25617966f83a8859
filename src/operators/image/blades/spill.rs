//! Light that blades and bursts throw on what stands around them.
//!
//! Knows surfaces, each a matte with its distance from the rods, and how much light reaches them. Does not know rods'
//! own light.
//!
//! The picture has no depth, so a surface is taken to face the camera at a stated distance `h` behind the rods. A rod is a
//! line of points, each of which falls off with the inverse square of its distance; by Lambert's cosine law what falls
//! on a place of the surface is the integral of `h / r³` along the line, which in closed form is
//! `h / ρ² (b / √(ρ² + b²) − a / √(ρ² + a²))`: `ρ² = d² + h²`, `d` the distance in the picture from the rod's axis, `a` and
//! `b` the ways along it to base and tip (linear light sources: T. Nishita, I. Okamura and E. Nakamae, "Shading Models
//! for Point and Linear Sources", ACM Transactions on Graphics 4, 1985). A surface throws back its own share: the picture divided
//! by the light that it was taken in, at most 1.
//!
//! Both are smooth, so light is computed on a grid as fine as a sixth of the distance and interpolated between.

use super::hold::Mattes;
use super::light::Canvas;
use super::sweep::{Ends, Moment};
use crate::base::curve::Curve;
use crate::base::digest::KeyHasher;
use crate::base::problem::{Problem, Problems, nearest};
use crate::base::value::{Fields, Node, Value};
use crate::media::image::Image;
use crate::operators::{OperatorError, Reader, Setup};

/// Distance of a surface that says none, in widths of the rod.
const DISTANCE: f64 = 8.0;
/// Limits of a surface's gain and distance.
const GAIN_LIMIT: f64 = 100.0;
const DISTANCE_LIMITS: [f64; 2] = [0.5, 1000.0];
/// The coarsest grid, in pixels.
const GRID_LIMIT: f64 = 32.0;
/// Most moments at which a moving rod is looked at.
const MOMENTS: f64 = 48.0;

/// A surface that light falls on.
#[derive(Clone, Debug)]
pub struct Surface {
    /// Its name.
    pub name: String,
    /// The connected input of its matte.
    pub input: usize,
    gain: Curve<1>,
    distance: Curve<1>,
}

/// A surface on one frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Caught {
    /// The connected input of its matte.
    pub input: usize,
    gain: f64,
    /// In widths of the rod.
    distance: f64,
}

/// Something that throws light: moments of an exposure that each have their share of it.
#[derive(Clone, Debug)]
pub struct Lamp {
    /// Where it is, and the share of the light from there. A point has its base at its tip.
    pub moments: Vec<(Ends, f64)>,
    /// Light of each pixel of a line's length, or of a point; divided by pi already.
    pub power: [f64; 3],
    /// What distances count in, in pixels.
    pub width: f64,
    /// Surfaces, by their place in the list, that it lights in part only.
    pub behind: Vec<(usize, f64)>,
}

/// The connected surfaces with their settings under `surfaces`.
pub fn read(reader: &mut Reader<'_>, setup: &Setup<'_>, port: usize) -> Vec<Surface> {
    let steady = |value: f64| Curve::steady([value]);
    let connected = setup.inputs.iter().enumerate().filter(|(_, c)| c.port == port);
    let mut out: Vec<Surface> = connected
        .map(|(input, c)| Surface {
            name: c.name.clone(),
            input,
            gain: steady(1.0),
            distance: steady(DISTANCE),
        })
        .collect();
    let Some(value) = reader.value("surfaces") else { return out };
    let Some(map) = value.map() else {
        reader.problems.push(value.wrong("a map of surfaces"));
        return out;
    };
    for (key, value) in &map.entries {
        let mut unknown =
            Surface { name: String::new(), input: 0, gain: steady(1.0), distance: steady(DISTANCE) };
        let named = out.iter().position(|surface| surface.name == key.text);
        if named.is_none() {
            let message = format!("no matte '{}' is connected to `surfaces`", key.text);
            let problem = Problem::error(key.span, message);
            reader.problems.push(match nearest(&key.text, out.iter().map(|s| s.name.as_str())) {
                Some(near) => problem.help(format!("did you mean '{near}'?")),
                None => problem.help(format!("from: {{ surfaces: {{ {}: STAGE.CHANNEL }} }}", key.text)),
            });
        }
        let surface = named.map_or(&mut unknown, |at| &mut out[at]);
        settle(surface, &key.text, value, &mut reader.problems);
    }
    out
}

fn settle(surface: &mut Surface, name: &str, value: &Value, problems: &mut Problems) {
    let gain = |value: &Value| within(value, [0.0, GAIN_LIMIT], "gain");
    if !matches!(value.node, Node::Map(_)) {
        match gain(value) {
            Ok(gain) => surface.gain = gain,
            Err(problem) => problems.push(problem.help("a gain, or { gain: GAIN, distance: WIDTHS }")),
        }
        return;
    }
    let Ok(mut fields) = Fields::of(value, format!("surface {name}")) else { return };
    if let Some(gain) = fields.read("gain", gain) {
        surface.gain = gain;
    }
    if let Some(distance) = fields.read("distance", |v| within(v, DISTANCE_LIMITS, "distance")) {
        surface.distance = distance;
    }
    problems.extend(fields.finish());
}

fn within(value: &Value, [min, max]: [f64; 2], name: &str) -> Result<Curve<1>, Problem> {
    let curve = value.curve()?;
    match curve.keys().iter().find(|(_, [n])| !(min..=max).contains(n)) {
        Some((_, [n])) => Err(Problem::error(value.span, format!("{n} is out of range for '{name}'"))
            .help(format!("from {min} to {max}"))),
        None => Ok(curve),
    }
}

impl Surface {
    /// The surface on a frame; none when it catches nothing.
    pub fn at(&self, frame: i64) -> Option<Caught> {
        let [gain] = self.gain.at(frame as f64);
        let [distance] = self.distance.at(frame as f64);
        (gain > 0.0).then_some(Caught { input: self.input, gain, distance })
    }
}

impl Caught {
    /// Its distance from rods, in widths.
    pub fn nearest(&self) -> f64 {
        self.distance
    }

    /// Feeds everything that the pixels depend on into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.int(self.input as i64).real(self.gain).real(self.distance);
    }
}

/// Moments of a rod's way through the exposure, evenly spaced in time and close together for a surface at a distance.
pub fn moments(path: &[Moment], distance: f64) -> Vec<(Ends, f64)> {
    if let [still] = path {
        return vec![(still.ends, still.lit)];
    }
    let way = |a: &Ends, b: &Ends| (b[0] - a[0]).hypot(b[1] - a[1]).max((b[2] - a[2]).hypot(b[3] - a[3]));
    let way: f64 = path.windows(2).map(|pair| way(&pair[0].ends, &pair[1].ends)).sum();
    let count = (3.0 * way / distance).ceil().clamp(1.0, MOMENTS) as usize;
    let mut span = 0;
    (0..count)
        .map(|i| {
            let time = (i as f64 + 0.5) / count as f64;
            while span + 2 < path.len() && path[span + 1].time <= time {
                span += 1;
            }
            let (from, to) = (&path[span], &path[span + 1]);
            let u = (time - from.time) / (to.time - from.time);
            let ends = std::array::from_fn(|k| from.ends[k] + (to.ends[k] - from.ends[k]) * u);
            (ends, (from.lit + (to.lit - from.lit) * u) / count as f64)
        })
        .collect()
}

/// What falls on a place of a surface at distance `h` from a line of light, or from a point.
fn falls([bx, by, tx, ty]: &Ends, x: f64, y: f64, h: f64) -> f64 {
    let (ux, uy) = (tx - bx, ty - by);
    let (px, py) = (x - bx, y - by);
    let square = ux * ux + uy * uy;
    if square == 0.0 {
        let far = px * px + py * py + h * h;
        return h / (far * far.sqrt());
    }
    let length = square.sqrt();
    let (s, d) = ((px * ux + py * uy) / length, (px * uy - py * ux) / length);
    let rho = d * d + h * h;
    let b = length - s;
    h / rho * (b / (rho + b * b).sqrt() + s / (rho + s * s).sqrt())
}

/// Adds what all lamps throw on all surfaces to the canvas.
///
/// # Errors
/// When a matte does not fit.
pub fn throw(
    lamps: &[Lamp],
    surfaces: &[Caught],
    ambient: f64,
    picture: &Image,
    mattes: &mut Mattes<'_>,
    canvas: &mut Canvas,
) -> Result<(), OperatorError> {
    for (index, surface) in surfaces.iter().enumerate() {
        let Some(grid) = Grid::new(lamps, index, surface, canvas) else { continue };
        let matte = mattes.one(surface.input)?;
        let width = canvas.frame.width;
        let mut own = vec![0.0f32; width];
        let mut line = vec![0.0f32; grid.columns];
        let by = (1.0 / ambient) as f32;
        for y in 0..canvas.frame.height {
            let matte = matte.row(y);
            if matte.iter().all(|&m| m == 0.0) {
                continue;
            }
            let planes = canvas.row_mut(y);
            for (channel, to) in planes.into_iter().enumerate() {
                picture.read_row(channel, y as u32, &mut own);
                grid.row(channel, y, &mut line);
                grid.catch(&line, matte, &own, by, to);
            }
        }
    }
    Ok(())
}

/// Light on a surface at places some pixels apart.
struct Grid {
    step: f32,
    columns: usize,
    planes: [Vec<f32>; 3],
}

impl Grid {
    fn new(lamps: &[Lamp], index: usize, surface: &Caught, canvas: &Canvas) -> Option<Self> {
        let nearest = lamps.iter().map(|lamp| lamp.width * surface.distance).fold(f64::INFINITY, f64::min);
        if nearest == f64::INFINITY {
            return None;
        }
        let step = (nearest / 6.0).floor().clamp(1.0, GRID_LIMIT);
        let count = |pixels: usize| (pixels as f64 / step).ceil() as usize + 2;
        let (columns, rows) = (count(canvas.frame.width), count(canvas.frame.height));
        let mut planes: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; columns * rows]);
        for lamp in lamps {
            let behind = lamp.behind.iter().find(|(at, _)| *at == index).map_or(0.0, |(_, share)| *share);
            let gain = surface.gain * (1.0 - behind);
            let h = lamp.width * surface.distance;
            let power = lamp.power.map(|p| p * gain);
            if power.iter().all(|&p| p == 0.0) {
                continue;
            }
            for at in 0..columns * rows {
                let (x, y) = ((at % columns) as f64 * step, (at / columns) as f64 * step);
                let light: f64 = lamp.moments.iter().map(|(ends, share)| share * falls(ends, x, y, h)).sum();
                for (plane, p) in planes.iter_mut().zip(power) {
                    plane[at] += (p * light) as f32;
                }
            }
        }
        Some(Self { step: step as f32, columns, planes })
    }

    /// The grid's columns at the middle of a row of pixels.
    fn row(&self, channel: usize, y: usize, line: &mut [f32]) {
        let at = (y as f32 + 0.5) / self.step;
        let (row, part) = (at as usize, at.fract());
        let (upper, lower) = self.planes[channel][row * self.columns..].split_at(self.columns);
        line.iter_mut().zip(upper.iter().zip(lower)).for_each(|(l, (a, b))| *l = a + (b - a) * part);
    }

    /// Adds what a row's pixels throw back.
    fn catch(&self, line: &[f32], matte: &[f32], own: &[f32], by: f32, to: &mut [f32]) {
        let step = 1.0 / self.step;
        for (x, ((t, m), o)) in to.iter_mut().zip(matte).zip(own).enumerate() {
            let at = (x as f32 + 0.5) * step;
            let column = at as usize;
            let light = line[column] + (line[column + 1] - line[column]) * (at - column as f32);
            *t += light * m * (o * by).clamp(0.0, 1.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_closed_form_is_the_sum_of_many_points() {
        let ends = [12.0, 30.0, 90.0, -25.0];
        for (x, y, h) in [(40.0, 10.0, 5.0), (-30.0, 80.0, 20.0), (90.0, -25.0, 3.0), (400.0, 300.0, 60.0)] {
            let count = 20_000;
            let length = (78f64 * 78.0 + 55.0 * 55.0).sqrt();
            let sum: f64 = (0..count)
                .map(|i| {
                    let u = (f64::from(i) + 0.5) / f64::from(count);
                    let at = [ends[0] + 78.0 * u, ends[1] - 55.0 * u];
                    falls(&[at[0], at[1], at[0], at[1]], x, y, h) * length / f64::from(count)
                })
                .sum();
            let got = falls(&ends, x, y, h);
            assert!((got - sum).abs() < 1e-6 * sum, "{x} {y} {h}: {got} for {sum}");
        }
    }

    #[test]
    fn a_moving_rod_throws_the_mean_of_where_it_was() {
        let at = |time: f64, y: f64| Moment { time, ends: [0.0, y, 100.0, y], lit: 1.0, surge: 0.0 };
        let path = [at(0.0, 0.0), at(0.25, 10.0), at(1.0, 100.0)];
        let list = moments(&path, 10.0);
        assert!((list.iter().map(|(_, share)| share).sum::<f64>() - 1.0).abs() < 1e-12);
        let mean: f64 = list.iter().map(|(ends, share)| ends[1] * share).sum();
        // A quarter of the time 5 on average, three quarters 55.
        assert!((mean - 42.5).abs() < 0.2, "{mean}");
    }
}
