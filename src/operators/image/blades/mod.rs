//! `blades`: prop rods become glowing blades.
//!
//! Knows the stage: its settings and inputs. Where rods are is `rods`'s, how they shine `look`'s, what hides them `hold`'s, how
//! they blur while moving `sweep`'s, their light `light`'s, what it does to surfaces `spill`'s; where rods meet is `clash`'s,
//! which clashes burst `edit`'s, and how `burst`'s; warnings of flashes are `caution`'s. `lighting` puts a frame together.
//!
//! Everything is added in linear light and alpha stays as it is: light holds nothing out. A rod is a coloured tube
//! with a thinner middle that may be whiter. Around it lies its halo: Gaussians whose standard deviations halve from
//! `halo_size` widths down to half a width, all of the same energy. A lens that scatters light by the inverse
//! square of the distance spreads the same energy over every doubling of distance, so their sum follows it.

mod burst;
mod caution;
mod clash;
mod course;
mod edit;
mod hold;
mod light;
mod lighting;
mod look;
mod rods;
mod spill;
mod sweep;

use self::lighting::{Lighting, Lit};
use crate::base::problem::{Problem, Problems};
use crate::operators::shape::coverage::Window;
use crate::operators::{Carries, Kind, Operator, Param, Port, Prepared, Reader, Setup, Spec};

/// The operator.
pub struct Blades;

const PICTURE: usize = 0;
const HOLDOUT: usize = 2;
const HOLDOUTS: usize = 3;
const SURFACES: usize = 4;

const fn keyed(
    name: &'static str,
    (min, max): (f64, f64),
    unit: &'static str,
    default: &'static str,
    doc: &'static str,
) -> Param {
    Param { name, kind: Kind::Keyed { min, max }, unit, default, doc }
}

const fn number(
    name: &'static str,
    (min, max): (f64, f64),
    unit: &'static str,
    default: &'static str,
    doc: &'static str,
) -> Param {
    Param { name, kind: Kind::Number { min, max }, unit, default, doc }
}

const fn structure(name: &'static str, default: &'static str, doc: &'static str) -> Param {
    Param { name, kind: Kind::Structure, unit: "", default, doc }
}

const fn file(name: &'static str, doc: &'static str) -> Param {
    Param { name, kind: Kind::File, unit: "", default: "", doc }
}

static PARAMS: [Param; 25] = [
    file("shapes", "Shapes file that holds the rods; comes from the port `shapes` when that is connected."),
    file("track", "Shapes file of tracked rods; a rod of the same name in `shapes` comes before its track."),
    structure(
        "colour",
        "amber",
        "amber, teal, ember, rose, lime, violet, ice, pearl, or [red, green, blue] in linear light; may change in time.",
    ),
    keyed("width", (0.1, 500.0), "px", "7", "Width of a rod at its base."),
    keyed(
        "light",
        (0.0, 1000.0),
        "",
        "0.8",
        "Light of a rod's middle, averaged over its width; 1 is diffuse white.",
    ),
    keyed("white", (0.0, 1.0), "", "0", "How white the middle is: 0 has the rod's colour, 1 is white."),
    keyed("halo", (0.0, 20.0), "", "0.6", "Light scattered around a rod, as a share of the rod's own."),
    keyed("halo_size", (0.0, 200.0), "widths", "9", "Standard deviation of the widest part of the halo."),
    keyed(
        "flicker",
        (0.0, 1.0),
        "",
        "0.05",
        "The largest share of light that a frame loses by chance. Keep it low: see Safety. `check` warns above 0.25.",
    ),
    keyed("taper", (0.0, 1.0), "", "0", "How much thinner the tip is than the base, and how softly it ends."),
    keyed(
        "length",
        (0.0, 1.0),
        "",
        "1",
        "How much of a rod is lit, counted from its base. Where it is lit in part, its end is brighter.",
    ),
    keyed("held", (0.0, 1.0), "", "1", "How much of a rod `holdout` hides."),
    Param {
        name: "seed",
        kind: Kind::Whole { min: i64::MIN / 2, max: i64::MAX / 2 },
        unit: "",
        default: "1",
        doc: "Picks the chance of flicker and sparks; the same seed gives the same on every machine.",
    },
    keyed(
        "shutter",
        (0.0, 360.0),
        "degrees",
        "180",
        "How long the shutter is open, 360 being a whole frame; the exposure is centred on the frame.",
    ),
    number(
        "wrap",
        (0.0, 1.0),
        "",
        "0.35",
        "How much of the halo lies over what holds the rods out, as a lens scatters light over everything.",
    ),
    keyed(
        "spill",
        (0.0, 100.0),
        "",
        "1",
        "Light thrown on `surfaces`, 1 being what a rod of that light would throw.",
    ),
    keyed(
        "ambient",
        (0.001, 100.0),
        "",
        "0.3",
        "What a white surface has in the picture: the picture divided by it is how much light surfaces throw back.",
    ),
    structure(
        "surfaces",
        "",
        "Surfaces by name: a gain, or { gain: 1, distance: 8 }, both may change in time; distance behind the rods in widths.",
    ),
    keyed(
        "burst",
        (0.0, 4.0),
        "",
        "0",
        "Light of the bursts where two rods clash; 0 has none. Keep it low: see Safety.",
    ),
    keyed("sparks", (0.0, 400.0), "", "70", "Sparks of a hard clash."),
    number("gravity", (-100.0, 100.0), "px/frame²", "2.4", "How fast sparks fall faster."),
    number(
        "life",
        (0.5, 200.0),
        "frames",
        "10",
        "How long the longest spark lives; the flash takes a third of it, four frames at most.",
    ),
    number(
        "touch",
        (0.1, 20.0),
        "",
        "1",
        "How near rods must come to clash, as a share of their radii together.",
    ),
    structure(
        "clashes",
        "",
        "What becomes of single clashes by name: keep, drop, or { move: [x, y], frames: N, light: FACTOR }. `endboard clashes` lists them.",
    ),
    structure(
        "rods",
        "",
        "Settings of single rods by name: colour, width, light, white, halo, halo_size, flicker, taper, length, held, spill, seed; \
         `holdout`, a matte of `holdouts`, a list of them, or { NAME: AMOUNT }; `keys` and `ease` as in a shapes file.",
    ),
];

const fn port(name: &'static str, carries: Carries, doc: &'static str) -> Port {
    Port { name, carries, required: false, doc }
}

static SPEC: Spec = Spec {
    name: "blades",
    version: 7,
    summary: "Turns prop rods into glowing blades: lit glass, haloes, light on what is around, bursts where they clash.",
    ports: &[
        Port {
            name: "picture",
            carries: Carries::Picture,
            required: true,
            doc: "What the light is added to.",
        },
        port("shapes", Carries::Shapes, "The roto stage whose shapes file holds the rods."),
        port(
            "holdout",
            Carries::Matte,
            "Matte of what passes in front of all rods that name none of their own; a surface of the same channel gets no light from behind.",
        ),
        port("holdouts", Carries::Mattes, "Mattes by name, for rods that name what passes in front of them."),
        port("surfaces", Carries::Mattes, "Mattes by name of what rods and bursts throw light on."),
    ],
    params: &PARAMS,
    source: "Additive light, Porter & Duff 1984 (plus, alpha 0); halo as equal-energy Gaussians an octave apart; \
             light on surfaces from a line of points by Lambert's law (Nishita, Okamura & Nakamae 1985), in closed form.",
};

impl Operator for Blades {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        // Without a file that can be read it is not known which rods there are, but settings are still read.
        let gathered = rods::gather(&mut reader, setup);
        let known = gathered.as_ref().map(|(rods, _)| rods.as_slice());
        let looks = look::read(&mut reader, &PARAMS, known, setup.working_space);
        let (rods, files) = gathered.unwrap_or_default();
        let holds = hold::read(&mut reader, setup, &rods, HOLDOUT, HOLDOUTS);
        let surfaces = spill::read(&mut reader, setup, SURFACES);
        let style = edit::read(&mut reader);
        let (shutter, ambient, wrap) =
            (reader.curve("shutter"), reader.curve("ambient"), reader.number("wrap"));
        let picture = setup.inputs.iter().position(|c| c.port == PICTURE);
        if picture.is_none() {
            reader.problems.push(Problem::error(setup.span, "blades needs a picture").help("picture: plate"));
        }
        let mut cautions = caution::flickers(setup.settings);
        if rods.is_empty() {
            let problem = Problem::error(setup.span, "the shapes file has no rods").warning();
            cautions.push(problem.help("rods: { NAME: { keys: { FRAME: { base: [x, y], tip: [x, y] } } } }"));
        }
        let rods = rods.into_iter().zip(looks).zip(holds);
        let rods = rods.map(|((rod, look), holds)| Lit { rod, look, holds }).collect();
        let frame =
            Window { x: 0, y: 0, width: setup.frame_size.0 as usize, height: setup.frame_size.1 as usize };
        let burst_span = setup.settings.get("burst").map_or(setup.span, |value| value.span);
        reader.finish(|| {
            let picture = picture.unwrap_or_default();
            let inputs = setup.inputs.to_vec();
            let mut lighting = Lighting::new(rods, inputs, picture, surfaces, style, setup.frames);
            (lighting.shutter, lighting.ambient, lighting.wrap) = (shutter, ambient, wrap);
            if lighting.style.is_used() {
                cautions.extend(lighting.style.lost(lighting.clashes()));
                cautions.extend(caution::bursts(
                    lighting.bursts(),
                    setup.working_space,
                    setup.rate,
                    &frame,
                    burst_span,
                ));
            }
            (lighting.cautions, lighting.files) = (cautions, files);
            lighting
        })
    }
}

#[cfg(test)]
mod tests;
