//! `blades`: prop rods become glowing blades.
//!
//! Knows the stage: its settings, inputs and what goes into a key. How a rod shines is `look`'s, how it blurs while
//! moving is `sweep`'s, its light over the picture is `light`'s; rods are read from a shapes file by `operators::shape`.
//!
//! Everything is added in linear light and alpha stays as it is: light holds nothing out. A rod is a coloured tube
//! with a whiter, thinner middle. Around it lies its halo: Gaussians whose standard deviations halve from
//! `halo_size` widths down to half a width, all of the same energy. A lens that scatters light by the inverse
//! square of the distance spreads the same energy over every doubling of distance, so their sum follows it.

mod light;
mod look;
mod sweep;

use std::sync::Arc;

use self::light::{Light, add};
use self::look::{Look, Shine};
use self::sweep::{Moment, exposure};
use super::matte;
use crate::base::curve::Ease;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems};
use crate::media::image::{Image, RGBA};
use crate::operators::shape::coverage::{Mask, Window};
use crate::operators::shape::{Pace, Rod, file};
use crate::operators::{
    Carries, Connected, Inputs, Kind, Operator, OperatorError, Param, Port, Prepared, Reader, Setup, Spec,
};

/// The operator.
pub struct Blades;

const PICTURE: usize = 0;
const HOLDOUT: usize = 2;

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
    keyed("light", (0.0, 1000.0), "", "12", "Light of a rod's middle; 1 is diffuse white."),
    keyed("white", (0.0, 1.0), "", "0.35", "How white the middle is: 0 has the rod's colour, 1 is white."),
    keyed("halo", (0.0, 20.0), "", "0.5", "Light scattered around a rod, as a share of the rod's own."),
    keyed("halo_size", (0.0, 200.0), "widths", "12", "Standard deviation of the widest part of the halo."),
    keyed(
        "flicker",
        (0.0, 1.0),
        "",
        "0.08",
        "The largest share of light that a frame loses by chance. Keep it low: see Safety. `check` warns above 0.25.",
    ),
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
        doc: "How much of the halo lies over what holds the rods out, as a lens scatters light over everything.",
    },
    Param {
        name: "rods",
        kind: Kind::Structure,
        unit: "",
        default: "",
        doc: "Settings of single rods by name: colour, width, light, white, halo, halo_size, flicker, taper, seed.",
    },
];

static SPEC: Spec = Spec {
    name: "blades",
    version: 4,
    summary: "Turns prop rods into glowing blades: a swept white middle, a halo, flicker, held out by a matte.",
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
    source: "Additive light, Porter & Duff 1984 (plus, alpha 0); halo as equal-energy Gaussians an octave apart.",
};

impl Operator for Blades {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        // Without a file that can be read it is not known which rods there are, but settings are still read.
        let rods = match reader.file("shapes") {
            Some(attached) => match file::read_bytes(attached.source, &attached.bytes, setup.span) {
                Ok(shapes) => Some(shapes.rods),
                Err(problems) => {
                    reader.problems.extend(problems);
                    None
                }
            },
            None => {
                reader.problems.push(
                    Problem::error(setup.span, "blades needs to know where the rods are")
                        .help("connect `shapes` to a roto stage, or name a file: shapes: roto/SHOT.yaml"),
                );
                None
            }
        };
        let looks = look::read(&mut reader, &PARAMS, rods.as_deref(), setup.working_space);
        let rods = rods.unwrap_or_default();
        let shutter = reader.number("shutter") / 360.0;
        let wrap = reader.number("wrap");
        let on = |port: usize| setup.inputs.iter().position(|c| c.port == port);
        let picture = on(PICTURE);
        if picture.is_none() {
            reader.problems.push(Problem::error(setup.span, "blades needs a picture").help("picture: plate"));
        }
        let holdout = on(HOLDOUT).map(|i| (i, setup.inputs[i].clone()));
        let mut cautions = look::flashes(setup.settings);
        if rods.is_empty() {
            let problem = Problem::error(setup.span, "the shapes file has no rods").warning();
            cautions.push(problem.help("rods: { NAME: { keys: { FRAME: { base: [x, y], tip: [x, y] } } } }"));
        }
        reader.finish(|| Lighting {
            rods: rods.into_iter().zip(looks).collect(),
            shutter,
            wrap,
            picture: picture.unwrap_or_default(),
            holdout,
            cautions,
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
    cautions: Problems,
}

impl Lighting {
    /// Every rod that shines on a frame: its way through the exposure and its look.
    fn lit(&self, frame: i64) -> impl Iterator<Item = (Vec<Moment>, Shine)> {
        self.rods.iter().filter_map(move |(rod, look)| {
            let shine = look.at(frame);
            let (open, close) = (frame as f64 - self.shutter / 2.0, frame as f64 + self.shutter / 2.0);
            let path = match rod.pace {
                // A rod that jumps from key to key sweeps over nothing in between.
                Pace::Eased(Ease::Hold) => vec![Moment { time: 0.0, ends: rod.at(frame as f64) }],
                _ => exposure(|t| rod.at(t), open, close),
            };
            (shine.light > 0.0).then_some((path, shine))
        })
    }
}

impl Prepared for Lighting {
    fn cautions(&self) -> Problems {
        self.cautions.clone()
    }

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
            for moment in path {
                key.real(moment.time);
                moment.ends.iter().for_each(|value| {
                    key.real(*value);
                });
            }
            shine.feed(key);
        }
    }

    fn read_from(&self, parameter: &str) -> Option<Digest> {
        let mut hasher = KeyHasher::new();
        for (rod, _) in &self.rods {
            rod.feed(&mut hasher);
        }
        (parameter == "shapes").then(|| hasher.finish())
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

#[cfg(test)]
mod tests;
