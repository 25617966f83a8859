//! The shapes file: YAML text → shapes, rods and motions, with every problem at its place.
//!
//! Knows the file's keys and limits; mattes are `drawn`'s part, points, planes and moves
//! `motion`'s. Does not know what becomes of shapes.
//!
//! ```yaml
//! mattes:
//!   crew:                                # a channel
//!     follows: wall                      # optional: a point, a plane or a move, or two points [a, b]
//!     shapes:
//!       - name: body                     # optional
//!         mode: add                      # add (default) | subtract | intersect, in order
//!         fill: nonzero                  # nonzero (default) | even-odd
//!         feather: 3                     # px, a number or { frame: number }
//!         width: 4                       # px, keyed too: a line of this width instead of what it encloses
//!         ends: round                    # round (default) | flat: of a line with width
//!         closed: false                  # whether a line with width comes back to its first point; false
//!         ease: linear                   # hold | linear | smooth between keys
//!         follows: hook                  # optional, instead of what the matte follows
//!         keys:
//!           1009: [[10, 20], [40, 22], [38, 90]]
//!           1020: [[12, 20, -3, 0, 3, 0], [41, 22, { feather: 9 }], [38, 92]]
//!       - path: "M 10 10 h 30 v 20 z"    # SVG path data, or { frame: path data }; keys may be path data as well
//!       - { matte: by-hand, mode: subtract }       # a matte that is connected under this name
//! rods:
//!   keeper:
//!     ease: flowing                      # flowing (default) | hold | linear | smooth between keys
//!     keys:
//!       1009: { base: [412, 300], tip: [455, 120], sure: 0.9 }   # sure: 0 to 1, or [base, tip]; optional
//! ```
//!
//! A point is `[x, y]`, a corner, or `[x, y, in x, in y, out x, out y]` with handles relative to the point; either may end in
//! `{ feather: px }`, the width of the soft edge there. Several outlines of one shape are a list of such lists.

mod drawn;
mod motion;

use std::sync::Arc;

use super::motions::Follows;
use super::sure::Sure;
use super::{Matte, Pace, Rod, Shapes};
use crate::base::curve::Ease;
use crate::base::frames::{FRAME_LIMIT, FrameRange};
use crate::base::problem::{Problem, Problems, Severity, SourceId, Span};
use crate::base::value::{Fields, Value};
use crate::base::yaml;

/// The largest coordinate, in pixels either side of the origin.
pub const COORDINATE_LIMIT: f64 = 1e6;
/// Mattes, and rods, of one file.
pub const NAME_LIMIT: usize = 256;

/// Reads a shapes file. The shapes are complete when no problem is an error.
pub fn read(source: SourceId, text: &str) -> (Shapes, Problems) {
    let (value, problems) = yaml::parse(source, text);
    let mut reading = Reading { problems, points: 0, keyed: None };
    let shapes = value.map(|value| reading.shapes(&value)).unwrap_or_default();
    (shapes, reading.problems)
}

/// Reads a shapes file from its bytes, which must be UTF-8. `span` is where a file that is no text is named.
///
/// # Errors
/// Every problem of the file, when one of them is an error.
pub fn read_bytes(source: Option<SourceId>, bytes: &[u8], span: Span) -> Result<Shapes, Problems> {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return Err(vec![Problem::error(span, "the shapes file is not text (UTF-8)")]);
    };
    let (shapes, mut problems) = read(source.unwrap_or(span.source), text);
    if source.is_none() {
        // Without a name the text cannot be pointed into, so everything is said where the file is named.
        for problem in &mut problems {
            problem.span = Some(span);
            problem.related = None;
        }
    }
    if problems.iter().any(|p| p.severity == Severity::Error) { Err(problems) } else { Ok(shapes) }
}

/// Reads one rod that is written outside a shapes file, in the form that it has there.
pub fn rod(name: &str, span: Span, value: &Value) -> (Option<Rod>, Problems) {
    let mut reading = Reading { problems: Problems::new(), points: 0, keyed: None };
    let rod = reading.rod(name.into(), span, value);
    (rod, reading.problems)
}

struct Reading {
    problems: Problems,
    points: usize,
    keyed: Option<(Span, FrameRange)>,
}

impl Reading {
    fn keep<T>(&mut self, read: Result<T, Problem>) -> Option<T> {
        read.map_err(|problem| self.problems.push(problem)).ok()
    }

    fn shapes(&mut self, value: &Value) -> Shapes {
        let Some(mut fields) = self.keep(Fields::of(value, "a shapes file")) else {
            return Shapes::default();
        };
        let mattes = fields.get("mattes");
        let rods = fields.get("rods");
        let motions = ["points", "planes", "moves"].map(|section| fields.get(section));
        self.problems.extend(fields.finish());
        let mut out = Shapes { motions: self.motions(motions), ..Shapes::default() };
        for (name, span, value) in self.named(mattes, "a matte") {
            if ["R", "G", "B", "A"].contains(&&*name) {
                let problem = Problem::error(span, format!("a matte cannot be called '{name}'"));
                self.problems.push(problem.help("R, G, B and A are the channels of pictures"));
            }
            let (follows, layers) = self.matte(&name, value).unwrap_or_default();
            out.mattes.push(Matte { name, span, follows, layers });
        }
        for (name, span, value) in self.named(rods, "a rod") {
            out.rods.extend(self.rod(name, span, value));
        }
        out.keyed = self.keyed;
        out
    }

    /// The entries of a map of names.
    fn named<'a>(&mut self, value: Option<&'a Value>, what: &str) -> Vec<(Arc<str>, Span, &'a Value)> {
        let Some(value) = value else { return Vec::new() };
        let Some(map) = value.map() else {
            self.problems.push(value.wrong("a map of names"));
            return Vec::new();
        };
        if map.entries.len() > NAME_LIMIT {
            let message = format!("{} names are more than the {NAME_LIMIT} allowed here", map.entries.len());
            self.problems.push(Problem::error(value.span, message));
        }
        let mut out = Vec::new();
        for (key, value) in map.entries.iter().take(NAME_LIMIT) {
            let fine = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
            if key.text.is_empty() || key.text.len() > 64 || !key.text.chars().all(fine) {
                let problem = Problem::error(key.span, format!("'{}' cannot name {what}", key.text));
                self.problems.push(problem.help("letters, digits, - and _, at most 64 of them"));
            }
            out.push((key.text.as_str().into(), key.span, value));
        }
        out
    }

    /// Takes note of keys in time.
    fn lies(&mut self, span: Span, frames: FrameRange) {
        let (_, so_far) = self.keyed.get_or_insert((span, frames));
        *so_far = so_far.hull(frames);
    }

    /// Keys in rising order; what cannot be read is left out and named.
    fn keys<T>(
        &mut self,
        value: &Value,
        mut one: impl FnMut(&mut Self, &Value) -> Option<T>,
    ) -> Vec<(i64, Span, T)> {
        let Some(map) = value.map() else {
            self.problems.push(value.wrong("a map of frames"));
            return Vec::new();
        };
        if map.entries.is_empty() {
            self.problems.push(Problem::error(value.span, "at least one key is needed here"));
        }
        let mut keys: Vec<(i64, Span, T)> = Vec::new();
        for (key, value) in &map.entries {
            let plain = key.text.strip_prefix('-').unwrap_or(&key.text).bytes().all(|b| b.is_ascii_digit());
            match key.text.parse::<i64>() {
                Ok(frame) if plain && frame.abs() <= FRAME_LIMIT => {
                    if let Some(read) = one(self, value) {
                        keys.push((frame, key.span, read));
                    }
                }
                _ => {
                    let problem = Problem::error(key.span, format!("'{}' is not a frame number", key.text));
                    self.problems.push(problem.help("keys are written FRAME: value"));
                }
            }
        }
        keys.sort_by_key(|&(frame, ..)| frame);
        if let [(first, span, _), ..] = keys[..] {
            self.lies(span, FrameRange::new(first, keys[keys.len() - 1].0));
        }
        // Two spellings of one number (7 and 07) are different keys to YAML.
        for i in (1..keys.len()).rev() {
            if keys[i].0 == keys[i - 1].0 {
                let (frame, span, _) = keys.remove(i);
                let problem = Problem::error(span, format!("frame {frame} has a key already"));
                self.problems.push(problem.related(keys[i - 1].1, "the other key"));
            }
        }
        keys
    }

    fn rod(&mut self, name: Arc<str>, span: Span, value: &Value) -> Option<Rod> {
        let what = format!("rod {name}");
        let mut fields = self.keep(Fields::of(value, what.clone()))?;
        let pace = fields.read("ease", pace).unwrap_or_default();
        let follows = fields.read("follows", follows);
        let keys = fields.need("keys");
        self.problems.extend(fields.finish());
        let keys = self.keys(keys?, |reading, value| {
            let mut fields = reading.keep(Fields::of(value, format!("a key of {what}")))?;
            let base = fields.need("base").and_then(|v| fields.keep(place(v)));
            let tip = fields.need("tip").and_then(|v| fields.keep(place(v)));
            let sure = fields.read("sure", Sure::of_rod).unwrap_or(Sure::from(1.0));
            reading.problems.extend(fields.finish());
            let ([a, b], [c, d]) = (base?, tip?);
            Some(([a, b, c, d], sure))
        });
        let (keys, sure): (Vec<_>, Vec<_>) =
            keys.into_iter().map(|(frame, _, (ends, sure))| ((frame, ends), sure)).unzip();
        (!keys.is_empty()).then_some(Rod { sure, follows, ..Rod::new(name, span, pace, keys) })
    }
}

fn word<T: Copy>(value: &Value, words: &[(&str, T)]) -> Result<T, Problem> {
    let text = value.text()?;
    words.iter().find(|(w, _)| *w == text).map(|&(_, t)| t).ok_or_else(|| {
        let all: Vec<&str> = words.iter().map(|(w, _)| *w).collect();
        Problem::error(value.span, format!("'{text}' is not a choice here"))
            .help(format!("one of: {}", all.join(", ")))
    })
}

fn ease(value: &Value) -> Result<Ease, Problem> {
    word(value, &[("hold", Ease::Hold), ("linear", Ease::Linear), ("smooth", Ease::Smooth)])
}

/// How a rod moves: as a shape does, or through its keys.
fn pace(value: &Value) -> Result<Pace, Problem> {
    let words = [
        ("flowing", Pace::Flowing),
        ("hold", Pace::Eased(Ease::Hold)),
        ("linear", Pace::Eased(Ease::Linear)),
        ("smooth", Pace::Eased(Ease::Smooth)),
    ];
    word(value, &words)
}

/// One name, or two of points.
///
/// # Errors
/// When it is neither.
pub fn follows(value: &Value) -> Result<Follows, Problem> {
    let name = |one: &Value| match one.text() {
        Ok(text) => Ok((text.into(), one.span)),
        Err(_) => Err(one.wrong("a name, or two names of points [A, B],")),
    };
    let names = match value.list() {
        Err(_) => vec![name(value)?],
        Ok(list) if list.len() == 2 => list.iter().map(name).collect::<Result<_, _>>()?,
        Ok(list) => {
            let message = match list.len() {
                1 => "a single name is followed without brackets".to_string(),
                n => format!("{n} names cannot be followed together"),
            };
            let problem = Problem::error(value.span, message);
            return Err(problem.help("follows: NAME, or follows: [A, B] with two points"));
        }
    };
    Ok(Follows { names })
}

fn place(value: &Value) -> Result<[f64; 2], Problem> {
    let place = value.numbers::<2>()?;
    within(value.span, &place)?;
    Ok(place)
}

fn within(span: Span, numbers: &[f64]) -> Result<(), Problem> {
    if numbers.iter().all(|n| n.abs() <= COORDINATE_LIMIT) {
        return Ok(());
    }
    Err(Problem::error(span, "a coordinate is out of range")
        .help(format!("from -{COORDINATE_LIMIT} to {COORDINATE_LIMIT} px")))
}

#[cfg(test)]
mod tests {
    use super::drawn::POINT_LIMIT;
    use super::*;
    use crate::base::problem::Sources;
    use crate::operators::shape::{Fill, Mode};
    use proptest::prelude::*;

    fn problems(text: &str) -> Vec<String> {
        let mut sources = Sources::new();
        let id = sources.add("roto/br030.yaml", text);
        let place = |p: &Problem| p.span.map(|s| sources.place(s)).unwrap_or_default();
        read(id, text).1.iter().map(|p| format!("{} {}", place(p), p.message)).collect()
    }

    const SOUND: &str = "
mattes:
  crew:
    shapes:
      - name: body
        feather: { 1009: 1, 1020: 3 }
        keys:
          1020: [[12, 20, -3, 0, 3, 0], [41, 22], [38, 92]]
          1009: [[10, 20], [40, 22], [38, 90]]
      - { mode: subtract, fill: even-odd, ease: hold, keys: { 1009: [[0, 0], [1, 0], [1, 1]] } }
rods:
  keeper:
    ease: smooth
    keys: { 1009: { base: [412, 300], tip: [455, 120], sure: 0.5 } }
points: { hook: { keys: { 1009: { at: [412.25, 300.5], sure: 0.98 }, 1010: { at: [413, 300] } } } }
planes: { wall: { keys: { 1009: { corners: [[10, 10], [90, 12], [88, 70], [11, 68]] } } } }
moves: { lean: { about: [48, 27], rotate: { 1009: 0, 1020: 15 }, follows: wall } }
";

    #[test]
    fn a_sound_file_reads() {
        let (shapes, problems) = read(SourceId(0), SOUND);
        assert!(problems.is_empty(), "{problems:?}");
        let body = shapes.mattes[0].shapes().next().unwrap();
        assert_eq!(body.keys.iter().map(|k| k.0).collect::<Vec<_>>(), [1009, 1020]);
        assert_eq!(body.keys[1].1[0], [12.0, 20.0, -3.0, 0.0, 3.0, 0.0]);
        assert_eq!(shapes.mattes[0].shapes().nth(1).unwrap().mode, Mode::Subtract);
        assert_eq!(shapes.mattes[0].shapes().nth(1).unwrap().fill, Fill::EvenOdd);
        assert_eq!(shapes.rods[0].at(1e3), [412.0, 300.0, 455.0, 120.0]);
        assert_eq!(shapes.rods[0].sure, [0.5.into()]);
        assert_eq!(shapes.motions.names().collect::<Vec<_>>(), ["hook", "lean", "wall"]);
    }

    #[test]
    fn every_problem_is_named_at_its_place() {
        let found = problems(
            "mattes:
  R:
    shapes:
      - mode: ad
        feather: 900
        colour: red
        keys:
          1009: [[10, 20], [40, 22], [38, 90]]
          1010: [[10, 20], [40, 22], [38, 90], [1, 1]]
          01009: [[10, 20], [40, 22], [38, 90]]
          x: [[10, 20], [40, 22], [38, 90]]
          1011: [[10, 20, 3], [40, 2e9], [38, up]]
rods:
  keeper: { keys: { 1: { base: [1, 2] } } }
  two words: { keys: {} }
",
        );
        let wanted = [
            "2:3 a matte cannot be called 'R'",
            "4:15 'ad' is not a choice",
            "5:18 a feather of 900 px",
            "6:9 shape 1 of matte R has no setting 'colour'",
            "11:11 'x' is not a frame number",
            "12:18 a point of 3 numbers",
            "12:31 a coordinate is out of range",
            "12:47 a number is wanted here, not 'up'",
            "10:11 frame 1009 has a key already",
            "9:11 shape 1 of matte R has 4 points",
            "15:3 'two words' cannot name a rod",
            "14:24 a key of rod keeper lacks 'tip'",
            "15:22 at least one key is needed here",
        ];
        for line in wanted {
            let line = format!("roto/br030.yaml:{line}");
            assert!(found.iter().any(|f| f.starts_with(&line)), "{line}\nin {found:#?}");
        }
        assert_eq!(found.len(), wanted.len(), "{found:#?}");
    }

    #[test]
    fn hostile_sizes_end_in_an_error() {
        let outline = format!("[{}]", "[0, 0],".repeat(POINT_LIMIT + 1));
        let text = format!("mattes: {{ a: {{ shapes: [{{ keys: {{ 1: {outline} }} }}] }} }}");
        assert!(problems(&text)[0].contains("an outline of 1001 points"));
        let names: String = (0..300).map(|i| format!("  m{i}: {{ shapes: [] }}\n")).collect();
        assert!(problems(&format!("mattes:\n{names}"))[0].contains("300 names are more"));
    }

    proptest! {
        #[test]
        fn any_text_reads_or_is_refused(text in "[a-z0-9:{}\\[\\], \n'\"&*!|>-]{0,200}") {
            read(SourceId(0), &text);
        }

        #[test]
        fn a_damaged_file_reads_or_is_refused(at in 0usize..800, with in "\\PC{0,4}", gone in 0usize..20) {
            let at = at.min(SOUND.len());
            let end = (at + gone).min(SOUND.len());
            let text = format!("{}{with}{}", &SOUND[..at], &SOUND[end..]);
            let (mut shapes, problems) = read(SourceId(0), &text);
            if problems.is_empty() && shapes.follow(None).is_empty() {
                for motion in shapes.motions.names().filter_map(|name| shapes.motions.named(name)) {
                    prop_assert!(motion.at(1012.5).iter().flatten().all(|n| n.is_finite()));
                }
                for shape in shapes.mattes.iter().flat_map(|m| m.shapes()) {
                    prop_assert!(shape.at(1012.5).points.iter().flatten().all(|n| n.is_finite()));
                }
            }
        }
    }
}
