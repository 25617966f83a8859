//! `blades`: prop rods become glowing blades.
//!
//! Knows how a rod's light is laid on a picture: core, fringe, glow, hold-out. How a rod shines is `look`'s, how it
//! blurs while moving is `sweep`'s, where rods are is read from a shapes file by `operators::shape`.
//!
//! Everything is added in linear light and alpha stays as it is: light holds nothing out. A rod is a coloured tube
//! with a whiter, thinner core. Around it lies its glow: Gaussians whose standard deviations halve from
//! `glow_size` widths down to half a width, all of the same energy. A lens that scatters light by the inverse
//! square of the distance spreads the same energy over every doubling of distance, so their sum follows it.

mod look;
mod sweep;

use std::sync::Arc;

use self::look::{Look, Shine};
use self::sweep::{Ends, bounds, exposure, sweep};
use super::gaussian::{self, Term};
use super::matte;
use crate::base::curve::Ease;
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems};
use crate::media::image::{Image, RGBA};
use crate::operators::shape::coverage::{Mask, Window};
use crate::operators::shape::{Rod, file};
use crate::operators::{
    Carries, Connected, Inputs, Kind, Operator, OperatorError, Param, Port, Prepared, Reader, Setup, Spec,
};

/// The operator.
pub struct Blades;

const PICTURE: usize = 0;
const HOLDOUT: usize = 2;

/// The part of a rod's width that its white core takes.
const CORE_WIDTH: f64 = 0.6;
/// The light of the tube around the core, as a share of the core's.
const TUBE_LIGHT: f64 = 0.45;
/// The widest glow, as a share of the frame's longer side: wider ones would be flat over the whole frame.
const GLOW_LIMIT: f64 = 0.125;
/// The largest value that a half float holds.
const HALF_LIMIT: f32 = 65504.0;

const fn keyed(
    name: &'static str,
    (min, max): (f64, f64),
    unit: &'static str,
    default: &'static str,
    doc: &'static str,
) -> Param {
    Param { name, kind: Kind::Keyed { min, max }, unit, default, doc }
}

static PARAMS: [Param; 13] = [
    Param {
        name: "shapes",
        kind: Kind::File,
        unit: "",
        default: "",
        doc: "Shapes file that holds the rods; comes from the port `shapes` when that is connected.",
    },
    Param {
        name: "colour",
        kind: Kind::Structure,
        unit: "",
        default: "amber",
        doc: "amber, teal, ember, rose, lime, violet, ice, pearl, or [red, green, blue] in linear light.",
    },
    keyed("width", (0.1, 500.0), "px", "7", "Width of a rod at its base."),
    keyed("intensity", (0.0, 1000.0), "", "12", "Light of a rod's core; 1 is diffuse white."),
    keyed("core", (0.0, 1.0), "", "0.35", "How white the core is: 0 has the rod's colour, 1 is white."),
    keyed("glow", (0.0, 20.0), "", "0.5", "Light scattered around a rod, as a share of the rod's own."),
    keyed("glow_size", (0.0, 200.0), "widths", "12", "Standard deviation of the widest part of the glow."),
    keyed("flicker", (0.0, 1.0), "", "0.08", "The largest share of light that a frame loses by chance."),
    keyed("taper", (0.0, 1.0), "", "0.3", "How much thinner the tip is than the base."),
    Param {
        name: "seed",
        kind: Kind::Whole { min: i64::MIN / 2, max: i64::MAX / 2 },
        unit: "",
        default: "1",
        doc: "Picks the flicker's chance; the same seed flickers the same on every machine.",
    },
    Param {
        name: "shutter",
        kind: Kind::Number { min: 0.0, max: 360.0 },
        unit: "degrees",
        default: "180",
        doc: "How long the shutter is open, 360 being a whole frame; the exposure is centred on the frame.",
    },
    Param {
        name: "wrap",
        kind: Kind::Number { min: 0.0, max: 1.0 },
        unit: "",
        default: "0.35",
        doc: "How much of the glow lies over what holds the rods out, as a lens scatters light over everything.",
    },
    Param {
        name: "rods",
        kind: Kind::Structure,
        unit: "",
        default: "",
        doc: "Settings of single rods by name: colour, width, intensity, core, glow, glow_size, flicker, taper, seed.",
    },
];

static SPEC: Spec = Spec {
    name: "blades",
    version: 1,
    summary: "Turns prop rods into glowing blades: swept core, glow, flicker, held out by a matte.",
    ports: &[
        Port {
            name: "picture",
            carries: Carries::Picture,
            required: true,
            doc: "What the light is added to.",
        },
        Port {
            name: "shapes",
            carries: Carries::Shapes,
            required: false,
            doc: "The roto stage whose shapes file holds the rods.",
        },
        Port {
            name: "holdout",
            carries: Carries::Matte,
            required: false,
            doc: "Matte of what passes in front of the rods.",
        },
    ],
    params: &PARAMS,
    source: "Additive light, Porter & Duff 1984 (plus, alpha 0); glow as equal-energy Gaussians an octave apart.",
};

impl Operator for Blades {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let mut rods = Vec::new();
        match reader.file("shapes") {
            Some(attached) => match file::read_bytes(attached.source, &attached.bytes, setup.span) {
                Ok(shapes) => rods = shapes.rods,
                Err(problems) => reader.problems.extend(problems),
            },
            None => reader.problems.push(
                Problem::error(setup.span, "blades needs to know where the rods are")
                    .help("connect `shapes` to a roto stage, or name a file: shapes: roto/SHOT.yaml"),
            ),
        }
        if rods.is_empty() && reader.problems.is_empty() {
            let problem = Problem::error(setup.span, "the shapes file has no rods").warning();
            reader
                .problems
                .push(problem.help("rods: { NAME: { keys: { FRAME: { base: [x, y], tip: [x, y] } } } }"));
        }
        let looks = look::read(&mut reader, &PARAMS, &rods, setup.working_space);
        let shutter = reader.number("shutter") / 360.0;
        let wrap = reader.number("wrap");
        let on = |port: usize| setup.inputs.iter().position(|c| c.port == port);
        let picture = on(PICTURE);
        if picture.is_none() {
            reader.problems.push(Problem::error(setup.span, "blades needs a picture").help("picture: plate"));
        }
        let holdout = on(HOLDOUT).map(|i| (i, setup.inputs[i].clone()));
        reader.finish(|| Lighting {
            rods: rods.into_iter().zip(looks).collect(),
            shutter,
            wrap,
            picture: picture.unwrap_or_default(),
            holdout,
        })
    }
}

struct Lighting {
    rods: Vec<(Rod, Look)>,
    /// Open time in frames.
    shutter: f64,
    wrap: f64,
    picture: usize,
    holdout: Option<(usize, Connected)>,
}

impl Lighting {
    /// Every rod that shines on a frame: its ends through the exposure and its look.
    fn lit(&self, frame: i64) -> impl Iterator<Item = (Vec<Ends>, Shine)> {
        self.rods.iter().filter_map(move |(rod, look)| {
            let shine = look.at(frame);
            let (open, close) = (frame as f64 - self.shutter / 2.0, frame as f64 + self.shutter / 2.0);
            let path = match rod.ends.ease() {
                // A rod that jumps from key to key sweeps over nothing in between.
                Ease::Hold => vec![rod.ends.at(frame as f64)],
                _ => exposure(|t| rod.ends.at(t), open, close),
            };
            (shine.intensity > 0.0).then_some((path, shine))
        })
    }
}

impl Prepared for Lighting {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.map(Arc::from).to_vec()
    }

    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        let used = input == self.picture || self.holdout.as_ref().is_some_and(|(i, _)| *i == input);
        if used { FrameRange::one(frame) } else { FrameRange::none() }
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        key.flag(self.holdout.is_some());
        if self.holdout.is_some() {
            key.real(self.wrap);
        }
        for (path, shine) in self.lit(frame) {
            key.list(path.len());
            path.iter().flatten().for_each(|value| {
                key.real(*value);
            });
            shine.feed(key);
        }
    }

    fn apply(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Image, OperatorError> {
        let picture = inputs.frame(self.picture, frame)?;
        let size = (picture.width(), picture.height());
        let planes = RGBA.map(|name| picture.channel(name));
        let [Some(r), Some(g), Some(b), Some(a)] = planes else {
            return Err(OperatorError::WrongInput("the picture lacks one of R, G, B, A".into()));
        };
        let mut out = Image::new(size.0, size.1, &RGBA);
        for (to, from) in [r, g, b, a].into_iter().enumerate() {
            out.samples_mut(to).copy_from_slice(&picture.channels()[from].samples);
        }
        let frame_window = Window { x: 0, y: 0, width: size.0 as usize, height: size.1 as usize };
        let held = match &self.holdout {
            Some((input, connected)) => {
                let samples = matte::plane(connected, inputs.frame(*input, frame)?, size)?;
                Some(Mask { window: frame_window, samples })
            }
            None => None,
        };
        let lights: Vec<Light> = self
            .lit(frame)
            .map(|(path, shine)| Light::new(&path, &shine, &frame_window, held.as_ref(), self.wrap))
            .collect();
        for channel in 0..3 {
            add(&lights, channel, &mut out);
        }
        Ok(out)
    }
}

/// One rod's light over the frame: planes and what each channel has of them.
struct Light {
    layers: Vec<(Mask, [f32; 3])>,
}

impl Light {
    fn new(path: &[Ends], shine: &Shine, frame: &Window, held: Option<&Mask>, wrap: f64) -> Self {
        let radius = shine.width / 2.0;
        let sigmas = sigmas(shine, frame);
        // Light outside the frame glows into it, so the tube is drawn as far out as its glow reaches in.
        let reach = sigmas.first().map_or(0, |sigma| (3.0 * sigma).ceil() as usize);
        let around = frame.widened(reach);
        let mut tube = sweep(path, radius, shine.taper, &around);
        let mut core = sweep(path, radius * CORE_WIDTH, shine.taper, frame);
        if let Some(held) = held {
            hold_out(&mut tube, held);
            hold_out(&mut core, held);
        }
        let tint = |white: f64, light: f64| {
            shine.colour.map(|c| ((c + (1.0 - c) * white) * light * shine.intensity) as f32)
        };
        // The core lies on the tube, so with the tube's own light beneath it has the stated intensity.
        let mut layers = vec![(core, tint(shine.core, 1.0 - TUBE_LIGHT)), (tube, tint(0.0, TUBE_LIGHT))];
        if let Some(mut halo) = halo(&layers[1].0, &sigmas, &around, frame, path, radius) {
            if let Some(held) = held {
                dim(&mut halo, held, (1.0 - wrap) as f32);
            }
            layers.push((halo, tint(0.0, shine.glow)));
        }
        Self { layers }
    }
}

/// Standard deviations of a rod's glow in pixels, widest first; none when it does not glow.
fn sigmas(shine: &Shine, frame: &Window) -> Vec<f64> {
    let longer = frame.width.max(frame.height) as f64;
    let widest = (shine.glow_size * shine.width).min(GLOW_LIMIT * longer);
    if shine.glow <= 0.0 || widest <= 0.0 {
        return Vec::new();
    }
    let narrowest = (shine.width / 2.0).max(0.5);
    let mut out = vec![widest];
    while out.len() < 12 && out[out.len() - 1] / 2.0 >= narrowest {
        out.push(out[out.len() - 1] / 2.0);
    }
    out
}

/// The glow over the frame: the tube's light blurred by every sigma, equal energies adding up to the tube's own.
fn halo(
    tube: &Mask,
    sigmas: &[f64],
    around: &Window,
    frame: &Window,
    path: &[Ends],
    radius: f64,
) -> Option<Mask> {
    let widest = *sigmas.first()?;
    if tube.window.is_empty() || tube.samples.iter().all(|&s| s == 0.0) {
        return None;
    }
    let [left, top, right, bottom] = bounds(path, radius);
    let reach = 4.0 * widest + 1.0;
    let window = around.touched([left - reach, top - reach, right + reach, bottom + reach]);
    let mut source = Mask::new(window);
    let x = (tube.window.x - window.x) as usize;
    let y = (tube.window.y - window.y) as usize;
    for row in 0..tube.window.height {
        source.row_mut(y + row)[x..x + tube.window.width].copy_from_slice(tube.row(row));
    }
    let weight = 1.0 / sigmas.len() as f32;
    let terms: Vec<Term> = sigmas.iter().map(|&sigma| Term { sigma, weight }).collect();
    source.samples = gaussian::sum(&source.samples, window.width, window.height, &terms);
    let shown = frame.touched(window.sides());
    let mut out = Mask::new(shown);
    for row in 0..shown.height {
        let from = source.row((shown.y - window.y) as usize + row);
        let start = (shown.x - window.x) as usize;
        out.row_mut(row).copy_from_slice(&from[start..start + shown.width]);
    }
    // A blur computed in floats may undershoot zero by a rounding; light does not.
    out.samples.iter_mut().for_each(|s| *s = s.max(0.0));
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
fn add(lights: &[Light], channel: usize, out: &mut Image) {
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

#[cfg(test)]
mod tests;
