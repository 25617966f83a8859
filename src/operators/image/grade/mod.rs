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

use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::level::Level;
use crate::base::problem::{Problem, Problems};
use crate::media::image::{Channel, Image, RGBA};
use crate::operators::colour::block::{
    BLOCK, all_one, append_half, from_half, repremultiply, scale, unpremultiply,
};
use crate::operators::colour::cdl::{Cdl, LIMIT, Part, Style, refusal};
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::{self, Encoding};
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
            doc: "Doubles linear light for every stop; may change in time.",
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
        let (cdl, graded) = read_cdl(&mut reader);
        let style = if reader.word("cdl_style") == 1 { Style::Clamp } else { Style::NoClamp };
        let working = setup.working_space.encoding();
        let space = |word: usize| word.checked_sub(1).map_or(working, |i| Encoding::ALL[i]);
        let grade_in = space(reader.word("grade_in"));
        let look_in = space(reader.word("look_in"));
        let look_out = reader.word("look_out").checked_sub(1).map_or(look_in, space);
        let look = read_look(&mut reader);
        let mut files: Vec<_> = graded.map(|digest| ("cdl", digest)).into_iter().collect();
        files.extend(look.as_ref().map(|look| ("look", look.digest())));

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
        reader.finish(|| Ready::new(exposure, chain, size, files))
    }
}

/// The grade of the file, if any, with the parts written in the settings in place of the file's; and a digest of the
/// grade that the file holds.
fn read_cdl(reader: &mut Reader<'_>) -> (Cdl, Option<Digest>) {
    let mut cdl = Cdl::default();
    let mut of_file = None;
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
                Ok(chosen) => {
                    let mut hasher = KeyHasher::new();
                    chosen.feed(Style::NoClamp, &mut hasher);
                    (cdl, of_file) = (chosen, Some(hasher.finish()));
                }
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
    (cdl, of_file)
}

fn three(reader: &mut Reader<'_>, name: &str, part: Part, default: [f64; 3]) -> [f64; 3] {
    let numbers = reader.numbers(name, default);
    let reason = numbers.iter().find_map(|n| refusal(part, *n));
    if let (Some(value), Some(reason)) = (reader.value(name), reason) {
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
    /// Digests of what was read from files, by parameter.
    files: Vec<(&'static str, Digest)>,
}

impl Ready {
    fn new(exposure: Curve<1>, chain: Chain, size: (u32, u32), files: Vec<(&'static str, Digest)>) -> Self {
        let mut black = [[0.0f32]; 3];
        let [r, g, b] = &mut black;
        chain.apply(Level::best(), [r, g, b]);
        Self { exposure, chain, black: black.map(|[v]| v), size, files }
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
                from_half(&from[start..start + n], to);
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

    fn read_from(&self, parameter: &str) -> Option<Digest> {
        self.files.iter().find(|(name, _)| *name == parameter).map(|(_, digest)| *digest)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::frames::FrameRange;
    use crate::base::problem::{SourceId, Span};
    use crate::base::yaml;
    use crate::operators::{Attachment, Connected, WorkingSpace};
    use std::collections::BTreeMap;

    const CC: &str = "<ColorCorrection id=\"br030\"><SOPNode><Slope>1.1 1 0.9</Slope><Offset>0.02 0 -0.03</Offset>\
                      <Power>0.95 1 1.1</Power></SOPNode><SatNode><Saturation>1.2</Saturation></SatNode></ColorCorrection>";
    const CUBE: &str = "LUT_1D_SIZE 2\n0 0 0\n0.5 0.25 1\n";

    fn prepare(
        settings: &str,
        files: &[(&str, &str)],
        space: WorkingSpace,
    ) -> Result<Box<dyn Prepared>, Problems> {
        let (value, problems) = yaml::parse(SourceId(0), settings);
        assert!(problems.is_empty(), "{problems:?}");
        let map = value.and_then(|v| v.map().cloned()).unwrap_or_default();
        let files: BTreeMap<String, Attachment> = files
            .iter()
            .map(|(name, text)| {
                let path = format!("{name}.txt");
                (
                    name.to_string(),
                    Attachment { path, bytes: text.as_bytes().into(), source: Some(SourceId(1)) },
                )
            })
            .collect();
        let frames = FrameRange::new(1, 20);
        let channels = RGBA.iter().map(|&c| c.into()).collect();
        Grade.prepare(&Setup {
            settings: &map,
            span: Span::new(SourceId(0), 0, 0),
            files: &files,
            frames,
            frame_size: (600, 3),
            rate: 24.0,
            working_space: space,
            inputs: &[Connected { port: 0, name: String::new(), channels, frames }],
            cut: &[],
        })
    }

    fn ready(settings: &str, files: &[(&str, &str)]) -> Box<dyn Prepared> {
        prepare(settings, files, WorkingSpace::LinearRec709).unwrap_or_else(|p| panic!("{p:?}"))
    }

    fn key(ready: &dyn Prepared, frame: i64) -> Digest {
        let mut key = KeyHasher::new();
        ready.at(frame, &mut key);
        key.finish()
    }

    /// Grades one colour, which fills a picture; every pixel must come out alike.
    fn colour(ready: &dyn Prepared, rgba: [f32; 4]) -> [f32; 4] {
        let mut image = Image::new(600, 3, &RGBA);
        for (c, value) in rgba.into_iter().enumerate() {
            image.samples_mut(c).fill(f16::from_f32(value));
        }
        let frames = [vec![(7, Arc::new(image))]];
        let out = ready.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
        std::array::from_fn(|c| {
            let samples = &out.channels()[c].samples;
            assert!(samples.iter().all(|s| s.to_bits() == samples[0].to_bits()), "channel {c}");
            samples[0].to_f32()
        })
    }

    fn near(got: [f32; 4], want: [f64; 4]) {
        for (got, want) in got.into_iter().zip(want) {
            assert!((f64::from(got) - want).abs() <= 6e-4 * want.abs() + 1e-5, "{got} not {want}");
        }
    }

    #[test]
    fn a_neutral_grade_changes_no_bit() {
        let neutral = ready("{}", &[]);
        assert!(neutral.is_steady());
        let source = [0.1, -3.0, 40000.0, 0.3];
        assert_eq!(colour(&*neutral, source), source.map(|v| f16::from_f32(v).to_f32()));
    }

    /// Values of the outside checks C for grade 'warm', to within the rounding of half floats.
    #[test]
    fn a_file_grades_as_the_outside_checks_say() {
        let text = include_str!("../../../tests/checks/cdl.json");
        let all: serde_json::Value = serde_json::from_str(text).unwrap();
        let number = |v: &serde_json::Value| v.as_f64().unwrap();
        let mut seen = 0;
        for case in all["cases"].as_array().unwrap().iter().filter(|c| c["grade"] == "warm") {
            for (settings, name) in [("{}", "no_clamp"), ("cdl_style: clamp", "asc_v1_2")] {
                let rgba = [0, 1, 2, 3].map(|c| if c < 3 { number(&case["rgb"][c]) as f32 } else { 1.0 });
                let got = colour(&*ready(settings, &[("cdl", CC)]), rgba);
                for c in 0..3 {
                    let want = number(&case[name][c]);
                    // Half floats carry 11 bits, in and out.
                    assert!((f64::from(got[c]) - want).abs() < 1.2e-3 * want.abs().max(0.3), "{case} {c}");
                }
                seen += 1;
            }
        }
        assert_eq!(seen, 16);
    }

    #[test]
    fn settings_stand_in_place_of_the_files_numbers() {
        let file = [("cdl", CC)];
        let own = ready(
            "slope: [1.1, 1, 0.9]\noffset: [0.02, 0, -0.03]\npower: [0.95, 1, 1.1]\nsaturation: 1.2",
            &[],
        );
        assert_eq!(key(&*own, 1), key(&*ready("{}", &file), 1));
        let other = ready("saturation: 1", &file);
        assert_ne!(key(&*own, 1), key(&*other, 1));
    }

    #[test]
    fn steps_run_in_their_order() {
        // Exposure doubles, then the CDL halves and adds a quarter, then the look halves red.
        let all = "exposure: 1\nslope: [0.5, 0.5, 0.5]\noffset: [0.25, 0.25, 0.25]";
        near(colour(&*ready(all, &[("look", CUBE)]), [0.5, 0.5, 0.5, 1.0]), [0.375, 0.1875, 0.75, 1.0]);
    }

    #[test]
    fn spaces_are_gone_into_and_out_of() {
        let grey = ready("grade_in: acescct\noffset: [0.057077625, 0.057077625, 0.057077625]", &[]);
        // One stop in ACEScct is 1/17.52.
        near(colour(&*grey, [0.18, 0.18, 0.18, 1.0]), [0.36, 0.36, 0.36, 1.0]);
        let look = "LUT_1D_SIZE 2\n0 0 0\n1 1 1\n";
        let same = ready("look_in: srgb", &[("look", look)]);
        near(colour(&*same, [0.18, 0.5, 0.9, 1.0]), [0.18, 0.5, 0.9, 1.0]);
        let other = ready("look_in: srgb\nlook_out: working", &[("look", look)]);
        near(colour(&*other, [0.18, 0.18, 0.18, 1.0]), [0.46135613, 0.46135613, 0.46135613, 1.0]);
    }

    #[test]
    fn colour_is_graded_as_if_not_premultiplied() {
        let lift = ready("offset: [0.1, 0.1, 0.1]\npower: [2, 2, 2]", &[]);
        // (0.2/0.5 + 0.1)² · 0.5
        near(colour(&*lift, [0.2, 0.2, 0.2, 0.5]), [0.125, 0.125, 0.125, 0.5]);
        // Nothing stays nothing, and light that covers nothing takes its own change: 0.5² − 0.1².
        assert_eq!(colour(&*lift, [0.0; 4]), [0.0; 4]);
        near(colour(&*lift, [0.4, 0.4, 0.4, 0.0]), [0.24, 0.24, 0.24, 0.0]);
    }

    #[test]
    fn keys_hold_evaluated_numbers_only() {
        let keyed = ready("exposure: { 5: 0, 10: 1 }", &[]);
        assert!(!keyed.is_steady());
        assert_eq!(key(&*keyed, 1), key(&*keyed, 5));
        assert_ne!(key(&*keyed, 6), key(&*keyed, 5));
        assert_eq!(key(&*keyed, 10), key(&*ready("exposure: 1", &[]), 3));
        let look = |text: &str| key(&*ready("{}", &[("look", text)]), 1);
        assert_eq!(look(CUBE), look(&format!("# the lamp\nTITLE \"lamp\"\n{CUBE}")));
        assert_ne!(look(CUBE), look(&CUBE.replace("0.25", "0.26")));
        let commented = CC.replace("<SOPNode>", "<Description>warm &amp; low</Description><SOPNode>");
        assert_eq!(key(&*ready("{}", &[("cdl", CC)]), 1), key(&*ready("{}", &[("cdl", &commented)]), 1));
        // A space in which nothing is done is not gone into.
        assert_eq!(key(&*ready("grade_in: acescct", &[]), 1), key(&*ready("{}", &[]), 1));
        let in_space = |space| {
            let settings = "grade_in: acescct\nsaturation: 0.5";
            key(&*prepare(settings, &[], space).unwrap_or_else(|p| panic!("{p:?}")), 1)
        };
        assert_ne!(in_space(WorkingSpace::LinearRec709), in_space(WorkingSpace::AcesCg));
    }

    #[test]
    fn problems_are_named() {
        let say = |settings: &str, files: &[(&str, &str)]| {
            let problems = prepare(settings, files, WorkingSpace::LinearRec709).err().unwrap();
            assert_eq!(problems.len(), 1, "{problems:?}");
            (problems[0].message.clone(), problems[0].span)
        };
        assert!(say("slope: [1, -1, 1]", &[]).0.contains("'slope'"));
        assert!(say("power: [1, 0, 1]", &[]).0.contains("'power'"));
        assert!(say("saturation: -1", &[]).0.contains("out of range"));
        assert!(say("cdl_id: a", &[]).0.contains("no file is given"));
        assert!(say("look_in: srgb", &[]).0.contains("no look is given"));
        let (message, span) = say("cdl: cdl.txt\ncdl_id: br031", &[("cdl", CC)]);
        assert!(message.contains("no grade 'br031'") && span.unwrap().source == SourceId(0), "{message}");
        let (_, span) = say("look: look.txt", &[("look", "LUT_1D_SIZE 2\n0 0 0\n0 0\n0 0 0\n")]);
        assert_eq!(span, Some(Span::new(SourceId(1), 20, 23)));
    }
}
