//! Settings of the grade as read: every number over time, every file made ready.
//!
//! Knows which settings belong together and what cannot be. Does not know what becomes of them (`order`).

use super::corrected::{Correction, KeyedCdl, corrections, refused};
use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::problem::{Problem, Problems};
use crate::base::value::{Node, Value};
use crate::operators::colour::cdl::{Cdl, Part, Style};
use crate::operators::colour::encoding::Encoding;
use crate::operators::colour::look::{self, Look};
use crate::operators::colour::white::TEMPERATURES;
use crate::operators::colour::{cdl_xml, power};
use crate::operators::{Reader, Setup};

/// A light over time.
pub enum Light {
    /// By its temperature.
    Kelvin(Curve<1>),
    /// By its CIE x, y.
    Place(Curve<2>),
}

impl Light {
    fn is_steady(&self) -> bool {
        match self {
            Self::Kelvin(curve) => curve.is_steady(),
            Self::Place(curve) => curve.is_steady(),
        }
    }
}

/// The vignette over time.
pub struct Vignette {
    /// Change at the rim.
    pub stops: Curve<1>,
    /// Its middle, in widths and heights of the frame.
    pub centre: Curve<2>,
    /// Where it begins, in half diagonals.
    pub radius: Curve<1>,
    /// How far it takes from there.
    pub softness: Curve<1>,
    /// Width over height.
    pub aspect: Curve<1>,
}

/// All settings.
pub struct Settings {
    pub working: Encoding,
    pub picture_in: Encoding,
    pub picture_out: Encoding,
    pub grade_in: Encoding,
    pub look_in: Encoding,
    pub look_out: Encoding,
    exposure: Curve<1>,
    /// The light of the scene and what becomes of it, when either is said.
    pub white: Option<(Light, Light)>,
    pub tint: Curve<1>,
    pub cdl: KeyedCdl,
    pub style: Style,
    pub corrections: Vec<Correction>,
    pub vignette: Vignette,
    pub look: Option<Look>,
    /// The soft clip's knee, when there is one.
    pub knee: Option<Curve<1>>,
    pub limit: Curve<1>,
    /// Digests of what was read from files, by parameter.
    files: Vec<(&'static str, Digest)>,
    /// Warnings.
    pub cautions: Problems,
}

impl Settings {
    /// Reads all settings.
    pub fn read(reader: &mut Reader<'_>, setup: &Setup<'_>) -> Self {
        let working = setup.working_space.encoding();
        let mut space = |name: &str| reader.word(name).checked_sub(1).map_or(working, |i| Encoding::ALL[i]);
        let (picture_in, picture_out, grade_in, look_in) =
            (space("picture_in"), space("picture_out"), space("grade_in"), space("look_in"));
        let end = |word: usize| word.checked_sub(1).map_or(working, |i| Encoding::ALL[i]);
        let look_out = reader.word("look_out").checked_sub(1).map_or(look_in, end);
        let (cdl, graded) = read_cdl(reader);
        let style = if reader.word("cdl_style") == 1 { Style::Clamp } else { Style::NoClamp };
        let look = read_look(reader);
        let mut files: Vec<_> = graded.map(|digest| ("cdl", digest)).into_iter().collect();
        files.extend(look.as_ref().map(|look| ("look", look.digest())));
        let mut cautions = Problems::new();
        let corrections = corrections(reader, setup, &mut cautions);
        let (knee, limit) = soft_clip(reader);
        Self {
            working,
            picture_in,
            picture_out,
            grade_in,
            look_in,
            look_out,
            exposure: reader.curve("exposure"),
            white: white(reader, working.primaries.chromaticities()[3]),
            tint: reader.curve("white_tint"),
            cdl,
            style,
            corrections,
            vignette: Vignette {
                stops: reader.curve("vignette"),
                centre: reader.curve_of("vignette_centre", [0.5, 0.5]),
                radius: reader.curve("vignette_radius"),
                softness: reader.curve("vignette_softness"),
                aspect: reader.curve("vignette_aspect"),
            },
            look,
            knee,
            limit,
            files,
            cautions,
        }
    }

    /// True when every frame is graded alike.
    pub fn is_steady(&self) -> bool {
        let v = &self.vignette;
        self.exposure.is_steady()
            && self.white.as_ref().is_none_or(|(from, to)| from.is_steady() && to.is_steady())
            && self.tint.is_steady()
            && self.cdl.is_steady()
            && self.corrections.iter().all(Correction::is_steady)
            && v.centre.is_steady()
            && [&v.stops, &v.radius, &v.softness, &v.aspect, &self.limit].iter().all(|c| c.is_steady())
            && self.knee.as_ref().is_none_or(Curve::is_steady)
    }

    /// The factor of light at a time.
    pub fn gain(&self, time: f64) -> f64 {
        power::exp2_exact(self.exposure.at(time)[0])
    }

    /// Digest of what was read from the file of a parameter.
    pub fn read_from(&self, parameter: &str) -> Option<Digest> {
        self.files.iter().find(|(name, _)| *name == parameter).map(|(_, digest)| *digest)
    }
}

/// The grade over time, with the parts written in the settings in place of the file's; and a digest of the grade that the
/// file holds.
fn read_cdl(reader: &mut Reader<'_>) -> (KeyedCdl, Option<Digest>) {
    let mut cdl = Cdl::default();
    let mut of_file = None;
    let id = match reader.value("cdl_id").map(Value::text) {
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
    let mut three = |name: &str, part: Part, default: [f64; 3]| {
        let curve = reader.curve_of(name, default);
        reader.problems.extend(refused(name, part, &curve, reader.value(name)));
        curve
    };
    let (slope, offset) = (three("slope", Part::Slope, cdl.slope), three("offset", Part::Offset, cdl.offset));
    let power = three("power", Part::Power, cdl.power);
    let saturation = match reader.value("saturation") {
        Some(_) => reader.curve("saturation"),
        None => Curve::steady([cdl.saturation]),
    };
    (KeyedCdl { slope, offset, power, saturation }, of_file)
}

fn read_look(reader: &mut Reader<'_>) -> Option<Look> {
    match (reader.file("look"), reader.value("look")) {
        (Some(file), _) => match look::read(file) {
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

/// The light of the scene and what becomes of it; one of them unsaid is `white`.
fn white(reader: &mut Reader<'_>, white: [f64; 2]) -> Option<(Light, Light)> {
    let mut read = |name: &str| {
        let read = reader.value(name).map(light);
        match read? {
            Ok(light) => Some(light),
            Err(problem) => {
                reader.problems.push(problem);
                None
            }
        }
    };
    let (from, to) = (read("white_from"), read("white_to"));
    if let Some(value) = reader.value("white_tint")
        && !matches!(from, Some(Light::Kelvin(_)))
        && reader.problems.is_empty()
    {
        let problem = Problem::error(value.span, "a tint says how far a light lies off its temperature's");
        reader.problems.push(problem.help("give white_from a temperature in kelvin, such as 3200"));
    }
    if from.is_none() && to.is_none() {
        return None;
    }
    let known = || Light::Place(Curve::steady(white));
    Some((from.unwrap_or_else(known), to.unwrap_or_else(known)))
}

/// A temperature, or a place in CIE x, y; either may be keyed.
fn light(value: &Value) -> Result<Light, Problem> {
    let first = match &value.node {
        Node::Map(map) => map.entries.iter().find(|(key, _)| key.text != "ease").map(|(_, value)| value),
        _ => Some(value),
    };
    let wrong = |message: &str, help: String| Err(Problem::error(value.span, message).help(help));
    if first.is_some_and(|value| value.list().is_ok()) {
        let curve = value.keyed(Value::numbers::<2>)?;
        let is_place =
            |[x, y]: &[f64; 2]| (0.05..=0.8).contains(x) && (0.05..=0.9).contains(y) && x + y < 1.0;
        if !curve.keys().iter().all(|(_, place)| is_place(place)) {
            return wrong(
                "this is not the place of a light",
                "such as [0.3127, 0.3290], CIE 1931 x, y".into(),
            );
        }
        return Ok(Light::Place(curve));
    }
    let curve = value.curve()?;
    let [least, most] = TEMPERATURES;
    if !curve.keys().iter().all(|(_, [kelvin])| (least..=most).contains(kelvin)) {
        return wrong("this is not the temperature of a light", format!("from {least} to {most} K"));
    }
    Ok(Light::Kelvin(curve))
}

fn soft_clip(reader: &mut Reader<'_>) -> (Option<Curve<1>>, Curve<1>) {
    let knee = reader.value("soft_clip").map(|_| reader.curve("soft_clip"));
    let limit = reader.curve("soft_clip_limit");
    match (&knee, reader.value("soft_clip"), reader.value("soft_clip_limit")) {
        (None, _, Some(value)) => {
            let problem = Problem::error(value.span, "soft_clip_limit is set, but no soft clip is given");
            reader.problems.push(problem.help("soft_clip: 0.8"));
        }
        (Some(knee), Some(value), _) => {
            let keys = |curve: &Curve<1>| curve.keys().iter().map(|(_, [n])| *n).collect::<Vec<_>>();
            let highest = keys(knee).into_iter().fold(0.0, f64::max);
            let lowest = keys(&limit).into_iter().fold(f64::INFINITY, f64::min);
            if highest >= lowest {
                let message = format!("the soft clip begins at {highest} and its limit is {lowest}");
                let problem = Problem::error(value.span, message);
                reader.problems.push(problem.help("soft_clip lies below soft_clip_limit at every frame"));
            }
        }
        _ => {}
    }
    (knee, limit)
}
