//! The grade operator: exposure, an ASC CDL and a look-up table.
//!
//! Knows the order of its steps and the spaces that they work in. Does not know what the steps do (`operators::colour`)
//! nor where files lie.
//!
//! The order is fixed: exposure in linear light; into the space `grade_in`; slope, offset, power and saturation; into
//! the space `look_in`; the look; out of the space `look_out`, back into the working space. Colour is
//! divided by alpha before and multiplied after. Where alpha is 0 the picture is light that covers nothing, such as a
//! glow: its own change is kept and what the grade would make of black is not added.

use std::sync::Arc;

use half::f16;
use half::slice::HalfFloatSliceExt;

use crate::base::curve::Curve;
use crate::base::digest::KeyHasher;
use crate::base::problem::{Problem, Problems};
use crate::media::image::{Channel, Image, RGBA};
use crate::operators::colour::block::{BLOCK, all_one, append_half, repremultiply, scale, unpremultiply};
use crate::operators::colour::cdl::{Cdl, LIMIT, Part, Style, refusal};
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::{self, Encoding};
use crate::operators::colour::level::Level;
use crate::operators::colour::{cdl_xml, cube, power};
use crate::operators::{
    Carries, Inputs, Kind, Operator, OperatorError, Param, Port, Prepared, Reader, Setup, Spec,
};

/// Words for the space of a step: the working space, or an encoding.
const SPACES: [&str; 15] = with_first("working");
/// Words for the space that a look ends in: the one it starts in, the working space, or an encoding.
const ENDS: [&str; 16] = {
    let mut words = ["as-look-in"; 16];
    let mut i = 0;
    while i < SPACES.len() {
        words[i + 1] = SPACES[i];
        i += 1;
    }
    words
};

const fn with_first(first: &'static str) -> [&'static str; 15] {
    let mut words = [first; 15];
    let mut i = 0;
    while i < encoding::NAMES.len() {
        words[i + 1] = encoding::NAMES[i];
        i += 1;
    }
    words
}

const fn param(name: &'static str, kind: Kind, default: &'static str, doc: &'static str) -> Param {
    Param { name, kind, unit: "", default, doc }
}

static SPEC: Spec = Spec {
    name: "grade",
    version: 1,
    summary: "Grades a picture: exposure, then an ASC CDL, then a look-up table.",
    ports: &[Port {
        name: "picture",
        carries: Carries::Picture,
        required: true,
        doc: "The picture to grade.",
    }],
    params: &[
        Param {
            name: "exposure",
            kind: Kind::Keyed { min: -20.0, max: 20.0 },
            unit: "stops",
            default: "0",
            doc: "Doubles linear light for every stop; may be keyed.",
        },
        param("cdl", Kind::File, "", "A .cdl, .ccc or .cc file with the grade."),
        param("cdl_id", Kind::Text, "", "Which grade of the file, where it holds several."),
        param(
            "slope",
            Kind::Numbers(3),
            "[1, 1, 1]",
            "Slope of red, green and blue, in place of the file's.",
        ),
        param(
            "offset",
            Kind::Numbers(3),
            "[0, 0, 0]",
            "Offset of red, green and blue, in place of the file's.",
        ),
        param(
            "power",
            Kind::Numbers(3),
            "[1, 1, 1]",
            "Power of red, green and blue, in place of the file's.",
        ),
        param(
            "saturation",
            Kind::Number { min: 0.0, max: LIMIT },
            "1",
            "Saturation, in place of the file's.",
        ),
        param(
            "cdl_style",
            Kind::Word(&["no-clamp", "clamp"]),
            "no-clamp",
            "clamp holds values from 0 to 1 as the ASC's text does; no-clamp keeps light above 1.",
        ),
        param("grade_in", Kind::Word(&SPACES), "working", "The space that the CDL was made for."),
        param("look", Kind::File, "", "A .cube file, 1D or 3D."),
        param("look_in", Kind::Word(&SPACES), "working", "The space that the look takes."),
        param("look_out", Kind::Word(&ENDS), "as-look-in", "The space that the look gives."),
    ],
    source: "ASC CDL v1.2 (slope, offset, power, saturation by BT.709 luma); Cube LUT Specification 1.0 (2013); \
             tetrahedral interpolation",
};

/// The operator.
pub struct Grade;

impl Operator for Grade {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let exposure = reader.curve("exposure");
        let cdl = read_cdl(&mut reader);
        let style = if reader.word("cdl_style") == 1 { Style::Clamp } else { Style::NoClamp };
        let working = setup.working_space.encoding();
        let space = |word: usize| word.checked_sub(1).map_or(working, |i| Encoding::ALL[i]);
        let grade_in = space(reader.word("grade_in"));
        let look_in = space(reader.word("look_in"));
        let look_out = reader.word("look_out").checked_sub(1).map_or(look_in, space);
        let look = read_look(&mut reader);

        let mut chain = Chain::new();
        let mut here = working;
        if !cdl.is_neutral(style) {
            chain.convert(here, grade_in).cdl(cdl, style);
            here = grade_in;
        }
        if let Some(look) = look {
            chain.convert(here, look_in).look(look);
            here = look_out;
        }
        chain.convert(here, working);
        let size = setup.frame_size;
        reader.finish(|| Ready::new(exposure, chain, size))
    }
}

/// The grade of the file, if any, with the parts written in the settings in place of the file's.
fn read_cdl(reader: &mut Reader<'_>) -> Cdl {
    let mut cdl = Cdl::default();
    let id = match reader.value("cdl_id").map(|value| value.text()) {
        Some(Ok(id)) => Some(id),
        Some(Err(problem)) => {
            reader.problems.push(problem);
            None
        }
        None => None,
    };
    match (reader.file("cdl"), reader.value("cdl")) {
        (Some(file), _) => match cdl_xml::read(file) {
            Ok(grades) => match cdl_xml::choose(file, &grades, id) {
                Ok(chosen) => cdl = chosen,
                Err(mut problem) => {
                    // Which grade is meant is settled where the file is named, not in the file.
                    if let Some(value) = reader.value("cdl_id").or(reader.value("cdl")) {
                        problem.message = format!("{}: {}", file.path, problem.message);
                        problem.span = Some(value.span);
                    }
                    reader.problems.push(problem);
                }
            },
            Err(problems) => reader.problems.extend(problems),
        },
        (None, Some(value)) => {
            reader.problems.push(Problem::error(value.span, "the grade's file could not be read"))
        }
        (None, None) => {
            if let Some(value) = reader.value("cdl_id") {
                let problem = Problem::error(value.span, "cdl_id names a grade, but no file is given");
                reader.problems.push(problem.help("name the file under 'cdl'"));
            }
        }
    }
    cdl.slope = three(reader, "slope", Part::Slope, cdl.slope);
    cdl.offset = three(reader, "offset", Part::Offset, cdl.offset);
    cdl.power = three(reader, "power", Part::Power, cdl.power);
    if reader.value("saturation").is_some() {
        cdl.saturation = reader.number("saturation");
    }
    cdl
}

fn three(reader: &mut Reader<'_>, name: &str, part: Part, default: [f64; 3]) -> [f64; 3] {
    let numbers = reader.numbers(name, default);
    if let Some(value) = reader.value(name)
        && let Some(reason) = numbers.iter().find_map(|n| refusal(part, *n))
    {
        reader.problems.push(Problem::error(value.span, format!("'{name}' cannot be this")).help(reason));
    }
    numbers
}

fn read_look(reader: &mut Reader<'_>) -> Option<cube::Look> {
    match (reader.file("look"), reader.value("look")) {
        (Some(file), _) => match cube::read(file) {
            Ok(look) => return Some(look),
            Err(problems) => reader.problems.extend(problems),
        },
        (None, Some(value)) => {
            reader.problems.push(Problem::error(value.span, "the look's file could not be read"))
        }
        (None, None) => {
            for name in ["look_in", "look_out"] {
                if let Some(value) = reader.value(name) {
                    let problem = Problem::error(value.span, format!("{name} is set, but no look is given"));
                    reader.problems.push(problem.help("name the look's file under 'look'"));
                }
            }
        }
    }
    None
}

struct Ready {
    exposure: Curve<1>,
    chain: Chain,
    /// What the chain makes of black.
    black: [f32; 3],
    size: (u32, u32),
}

impl Ready {
    fn new(exposure: Curve<1>, chain: Chain, size: (u32, u32)) -> Self {
        let mut black = [[0.0f32]; 3];
        let [r, g, b] = &mut black;
        chain.apply(Level::best(), [r, g, b]);
        Self { exposure, chain, black: black.map(|[v]| v), size }
    }

    fn gain(&self, frame: i64) -> f32 {
        power::exp2_exact(self.exposure.at(frame as f64)[0]) as f32
    }

    fn grade(&self, source: [&[f16]; 4], gain: f32) -> [Vec<f16>; 3] {
        let level = Level::best();
        let samples = source[3].len();
        let mut planes: [Vec<f16>; 3] = std::array::from_fn(|_| Vec::with_capacity(samples));
        let mut block = [[0.0f32; BLOCK]; 4];
        for start in (0..samples).step_by(BLOCK) {
            let n = BLOCK.min(samples - start);
            let mut parts = block.each_mut().map(|plane| &mut plane[..n]);
            for (to, from) in parts.iter_mut().zip(source) {
                from[start..start + n].convert_to_f32_slice(to);
            }
            let [r, g, b, a] = parts;
            let divide = !self.chain.is_empty() && !all_one(a);
            for plane in [&mut *r, &mut *g, &mut *b] {
                if gain != 1.0 {
                    scale(level, plane, gain);
                }
                if divide {
                    unpremultiply(level, plane, a);
                }
            }
            self.chain.apply(level, [&mut *r, &mut *g, &mut *b]);
            for ((plane, samples), black) in planes.iter_mut().zip([r, g, b]).zip(self.black) {
                if divide {
                    repremultiply(level, samples, a, black);
                }
                append_half(level, samples, plane);
            }
        }
        planes
    }
}

impl Prepared for Ready {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.iter().map(|&name| name.into()).collect()
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        key.real(self.gain(frame).into());
        self.chain.feed(key);
    }

    fn is_steady(&self) -> bool {
        self.exposure.is_steady()
    }

    fn apply(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Image, OperatorError> {
        let image = inputs.frame(0, frame)?;
        let wrong = |text: String| OperatorError::WrongInput(format!("frame {frame}: {text}"));
        if (image.width(), image.height()) != self.size {
            let (width, height) = self.size;
            return Err(wrong(format!(
                "the picture is {}x{} and the film's frame {width}x{height}",
                image.width(),
                image.height()
            )));
        }
        let plane = |name: &str| {
            let index =
                image.channel(name).ok_or_else(|| wrong(format!("the picture has no channel {name}")))?;
            Ok(image.channels()[index].samples.as_slice())
        };
        let source = [plane("R")?, plane("G")?, plane("B")?, plane("A")?];
        let colour = self.grade(source, self.gain(frame));
        let planes = colour.into_iter().chain([source[3].to_vec()]);
        let channels =
            RGBA.iter().zip(planes).map(|(&name, samples)| Channel { name: name.into(), samples }).collect();
        Ok(Image::from_channels(self.size.0, self.size.1, channels))
    }
}
