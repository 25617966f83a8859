//! How each take is moved onto the clean plate: offsets in time and space and factors on light, as written by hand or
//! measured.
//!
//! Knows the file of measured moves and its limits. Does not know how they are measured nor how a take is moved.
//!
//! ```yaml
//! between: nearest                  # how a part of a frame was shown while it was measured
//! takes:
//!   left:
//!     time: 2.4                     # frame 1009 of the clean plate shows frame 1011.4 of the take
//!     shift: { 1009: [0.8, -0.3] }  # px right and down
//!     turn: 0                       # degrees clockwise about the middle of the frame; 0 when not said
//!     scale: 1                      # about the middle; 1 when not said
//!     exposure: [1.05, 1.05, 1.05]  # factors on the take's red, green and blue, or one for all
//!     residual: { mean: 0.03, p95: 0.05, frames: { 1009: 0.03 } }  # px; what is left
//! ```

use std::collections::BTreeMap;

use super::moment::Between;
use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Severity, SourceId, Span};
use crate::base::value::{Fields, Map, Node, Value};
use crate::base::yaml;
use crate::operators::Attachment;

/// Farthest that a take is moved, in pixels and in frames.
const FARTHEST: f64 = 32_768.0;
/// Furthest that a take is turned, in degrees.
const TURN: f64 = 45.0;
/// Takes of one file.
const MOST_TAKES: usize = 1000;

/// What is said of a take; what is not said leaves it as it is.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Said {
    /// Frames that the take is ahead.
    pub time: Option<Curve<1>>,
    /// Pixels right and down.
    pub shift: Option<Curve<2>>,
    /// Degrees clockwise.
    pub turn: Option<Curve<1>>,
    /// Factor on its size.
    pub scale: Option<Curve<1>>,
    /// Factors on its red, green and blue.
    pub exposure: Option<Curve<3>>,
    /// What is left of misalignment, in pixels.
    pub residual: Option<Curve<1>>,
}

/// Where a take lies at one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Pixels right and down.
    pub shift: [f64; 2],
    /// Degrees clockwise about the middle of the frame.
    pub turn: f64,
    /// Factor on its size about the middle.
    pub scale: f64,
    /// Factors on red, green and blue.
    pub exposure: [f64; 3],
}

impl Place {
    /// Where it was.
    pub const UNMOVED: Place = Place { shift: [0.0; 2], turn: 0.0, scale: 1.0, exposure: [1.0; 3] };

    /// Feeds all of it.
    pub fn feed(&self, key: &mut KeyHasher) {
        for number in self.shift.iter().chain([&self.turn, &self.scale]).chain(&self.exposure) {
            key.real(*number);
        }
    }
}

impl Said {
    /// This, and of `under` what this does not say.
    pub fn over(self, under: Said) -> Said {
        Said {
            time: self.time.or(under.time),
            shift: self.shift.or(under.shift),
            turn: self.turn.or(under.turn),
            scale: self.scale.or(under.scale),
            exposure: self.exposure.or(under.exposure),
            residual: self.residual.or(under.residual),
        }
    }

    /// Frames that the take is ahead at a frame of the clean plate.
    pub fn ahead(&self, frame: i64) -> f64 {
        self.time.as_ref().map_or(0.0, |curve| curve.at(frame as f64)[0])
    }

    /// Where the take lies at a frame of the clean plate.
    pub fn place(&self, frame: i64) -> Place {
        let time = frame as f64;
        let one = |curve: &Option<Curve<1>>, usual: f64| curve.as_ref().map_or(usual, |c| c.at(time)[0]);
        Place {
            shift: self.shift.as_ref().map_or([0.0; 2], |c| c.at(time)),
            turn: one(&self.turn, 0.0),
            scale: one(&self.scale, 1.0),
            exposure: self.exposure.as_ref().map_or([1.0; 3], |c| c.at(time)),
        }
    }

    /// Feeds all that can change a picture: what is left of misalignment is only told.
    pub fn feed(&self, key: &mut KeyHasher) {
        fn one<const N: usize>(curve: &Option<Curve<N>>, key: &mut KeyHasher) {
            key.flag(curve.is_some());
            curve.iter().for_each(|curve| curve.feed(key));
        }
        one(&self.time, key);
        one(&self.shift, key);
        one(&self.turn, key);
        one(&self.scale, key);
        one(&self.exposure, key);
    }

    /// The frames that its keys lie in; none when nothing of it changes in time.
    pub(super) fn frames(&self) -> Option<FrameRange> {
        let one = |curve: &Option<Curve<1>>| curve.as_ref().and_then(Curve::frames);
        let shift = self.shift.as_ref().and_then(Curve::frames);
        let exposure = self.exposure.as_ref().and_then(Curve::frames);
        let all = [one(&self.time), shift, one(&self.turn), one(&self.scale), exposure];
        all.into_iter().flatten().reduce(FrameRange::hull)
    }

    /// True when it is the same at every frame.
    pub fn is_steady(&self) -> bool {
        let one = |curve: &Option<Curve<1>>| curve.as_ref().is_none_or(Curve::is_steady);
        one(&self.time)
            && one(&self.turn)
            && one(&self.scale)
            && self.shift.as_ref().is_none_or(Curve::is_steady)
            && self.exposure.as_ref().is_none_or(Curve::is_steady)
    }
}

/// What a register file says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Moves {
    /// How a part of a frame was shown while it was measured.
    pub between: Option<String>,
    /// By take; where its name stands.
    pub takes: BTreeMap<String, (Span, Said)>,
}

impl Moves {
    /// Digest of what can change a picture.
    pub fn digest(&self) -> Digest {
        let mut key = KeyHasher::new();
        key.list(self.takes.len());
        self.takes.iter().for_each(|(name, (_, said))| said.feed(key.text(name)));
        key.finish()
    }

    /// Where the first take with keys in time stands, and the frames that the keys of all lie in.
    pub fn keyed(&self) -> Option<(Span, FrameRange)> {
        let keyed = self.takes.values().filter_map(|(span, said)| Some((*span, said.frames()?)));
        keyed.reduce(|(a, frames), (b, more)| (if b.start < a.start { b } else { a }, frames.hull(more)))
    }
}

/// Reads a register file.
///
/// # Errors
/// Every problem of the file, when one of them is an error. `span` is where the file is named.
pub fn read(file: &Attachment, span: Span) -> Result<Moves, Problems> {
    let Ok(text) = std::str::from_utf8(&file.bytes) else {
        return Err(vec![Problem::error(span, "the register file is not text (UTF-8)")]);
    };
    let (moves, mut problems) = read_text(file.source.unwrap_or(span.source), text);
    if file.source.is_none() {
        // Without a name the text cannot be pointed into, so everything is said where the file is named.
        for problem in &mut problems {
            problem.span = Some(span);
            problem.related = None;
        }
    }
    if problems.iter().any(|p| p.severity == Severity::Error) { Err(problems) } else { Ok(moves) }
}

fn read_text(source: SourceId, text: &str) -> (Moves, Problems) {
    let (value, mut problems) = yaml::parse(source, text);
    let mut moves = Moves::default();
    let Some(value) = value else { return (moves, problems) };
    let mut fields = match Fields::of(&value, "a register file") {
        Ok(fields) => fields,
        Err(problem) => {
            problems.push(problem);
            return (moves, problems);
        }
    };
    moves.between = fields.read("between", |value| {
        let word = value.text()?;
        let words = Between::ALL.map(Between::word);
        match words.contains(&word) {
            true => Ok(word.to_string()),
            false => Err(Problem::error(value.span, format!("'{word}' is not a choice for 'between'"))
                .help(format!("one of: {}", words.join(", ")))),
        }
    });
    if let Some(takes) = fields.get("takes") {
        moves.takes = named(takes, true, &mut problems);
    }
    problems.extend(fields.finish());
    (moves, problems)
}

/// Takes by name, from a file (`measured`) or from a setting, with every problem.
pub fn named(value: &Value, measured: bool, problems: &mut Problems) -> BTreeMap<String, (Span, Said)> {
    let empty = Map::default();
    let map = match &value.node {
        Node::Map(map) => map,
        Node::Null => &empty,
        _ => {
            problems.push(value.wrong("a map of takes by name"));
            &empty
        }
    };
    if map.entries.len() > MOST_TAKES {
        let message = format!("{} takes are more than the {MOST_TAKES} allowed here", map.entries.len());
        problems.push(Problem::error(value.span, message));
    }
    let entries = map.entries.iter().take(MOST_TAKES);
    entries.map(|(key, value)| (key.text.clone(), (key.span, said(value, measured, problems)))).collect()
}

fn said(value: &Value, measured: bool, problems: &mut Problems) -> Said {
    let mut fields = match Fields::of(value, "a take") {
        Ok(fields) => fields,
        Err(problem) => {
            problems.push(problem);
            return Said::default();
        }
    };
    let within = |low: f64, high: f64, unit: &'static str| {
        move |value: &Value| {
            let number = value.number()?;
            if (low..=high).contains(&number) {
                return Ok([number]);
            }
            let problem = Problem::error(value.span, format!("{number} is out of range"));
            Err(problem.help(format!("from {low} to {high}{unit}")))
        }
    };
    let mut said = Said {
        time: fields.read("time", |v| v.keyed(within(-FARTHEST, FARTHEST, " frames"))),
        shift: fields.read("shift", |v| v.keyed(shift)),
        turn: fields.read("turn", |v| v.keyed(within(-TURN, TURN, " degrees"))),
        scale: fields.read("scale", |v| v.keyed(within(0.5, 2.0, ""))),
        exposure: fields.read("exposure", |v| v.keyed(exposure)),
        residual: None,
    };
    if measured && let Some(value) = fields.get("residual") {
        said.residual = residual(value, &mut fields.problems);
    }
    problems.extend(fields.finish());
    said
}

fn shift(value: &Value) -> Result<[f64; 2], Problem> {
    let by = value.numbers::<2>()?;
    match by.iter().all(|v| v.abs() <= FARTHEST) {
        true => Ok(by),
        false => Err(Problem::error(value.span, "a take is not moved that far")
            .help(format!("from -{FARTHEST} to {FARTHEST} px"))),
    }
}

fn exposure(value: &Value) -> Result<[f64; 3], Problem> {
    let factors = match &value.node {
        Node::List(_) => value.numbers::<3>()?,
        _ => [value.number().map_err(|_| value.wrong("a factor, or a list of three"))?; 3],
    };
    match factors.iter().all(|f| (1.0 / 64.0..=64.0).contains(f)) {
        true => Ok(factors),
        false => {
            Err(Problem::error(value.span, "an exposure is a factor on light").help("from 0.015625 to 64"))
        }
    }
}

fn residual(value: &Value, problems: &mut Problems) -> Option<Curve<1>> {
    let mut fields = Fields::of(value, "residual").map_err(|problem| problems.push(problem)).ok()?;
    fields.read("mean", Value::number);
    fields.read("p95", Value::number);
    let frames = fields.read("frames", Value::curve);
    problems.extend(fields.finish());
    frames
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(text: &str) -> (Moves, Vec<String>) {
        let (moves, problems) = read_text(SourceId(0), text);
        (moves, problems.into_iter().map(|p| p.message).collect())
    }

    #[test]
    fn a_file_says_where_takes_lie_in_time() {
        let (moves, problems) = parsed(
            "between: flow
takes:
  left:
    time: { 1009: 2.5, 1019: 3.5 }
    shift: { 1009: [1, -2], 1011: [3, -2] }
    exposure: 1.5
    residual: { mean: 0.02, p95: 0.05, frames: { 1009: 0.02, 1010: 0.7 } }
  right: { turn: 2, scale: 0.99, exposure: [1, 1.1, 1.2] }
",
        );
        assert_eq!(problems, Vec::<String>::new());
        assert_eq!(moves.between.as_deref(), Some("flow"));
        let left = &moves.takes["left"].1;
        assert_eq!((left.ahead(1009), left.ahead(1014)), (2.5, 3.0));
        let place = Place { shift: [2.0, -2.0], exposure: [1.5; 3], ..Place::UNMOVED };
        assert_eq!(left.place(1010), place);
        assert!(!left.is_steady());
        assert_eq!(left.residual.as_ref().unwrap().at(1010.0), [0.7]);
        let right = &moves.takes["right"].1;
        assert_eq!(
            right.place(7),
            Place { turn: 2.0, scale: 0.99, exposure: [1.0, 1.1, 1.2], ..Place::UNMOVED }
        );
        assert!(right.is_steady());
    }

    #[test]
    fn between_is_one_of_its_words() {
        let (moves, problems) = read_text(SourceId(0), "between: fast\ntakes: { left: { time: 1 } }\n");
        assert_eq!(moves.between, None);
        assert_eq!(problems[0].message, "'fast' is not a choice for 'between'");
        assert_eq!(problems[0].help.as_deref(), Some("one of: nearest, blended, flow"));
        assert_eq!(problems[0].severity, Severity::Error);
    }

    #[test]
    fn every_slip_of_a_file_is_told_at_once() {
        let (_, problems) = parsed(
            "betwen: flow
takes:
  left: { tim: 2, shift: [1, 2, 3], turn: 90, scale: 0 }
  right: 7
",
        );
        let wanted = [
            "2 numbers are wanted here, not 3",
            "90 is out of range",
            "0 is out of range",
            "a take has no setting 'tim'",
            "a take is a map of settings, not a single value",
            "a register file has no setting 'betwen'",
        ];
        for wanted in wanted {
            assert!(problems.iter().any(|p| p.starts_with(wanted)), "{wanted}: {problems:?}");
        }
        assert_eq!(problems.len(), 6, "{problems:?}");
    }
}
