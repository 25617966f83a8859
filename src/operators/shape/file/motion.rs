//! Points, planes and moves of a shapes file.
//!
//! Knows their keys and limits, and which corners make no plane. What a motion does is `shape::motion`'s.
//!
//! ```yaml
//! points:                                # tracked places
//!   hook:
//!     keys:
//!       1009: { at: [412.25, 300.5], sure: 0.98 }      # sure: 0 to 1, optional; it changes no pixels
//! planes:                                # tracked flat patches
//!   wall:
//!     keys:                              # top left, top right, bottom right, bottom left
//!       1009: { corners: [[10, 10], [90, 12], [88, 70], [11, 68]], sure: 0.97 }
//! moves:                                 # keyed by hand
//!   lean:
//!     about: [480, 270]                  # px; needed where something turns or grows
//!     translate: { 1009: [0, 0], 1020: [12, 3] }       # px
//!     rotate: { 1009: 0, 1020: 15 }      # degrees, clockwise on screen
//!     scale: 1.0                         # a factor or [across, down]; all three may be keyed
//!     follows: wall                      # optional: the move goes on top of what it follows
//! ```

use std::sync::Arc;

use super::{Reading, follows, place, within};
use crate::base::curve::{Curve, Ease};
use crate::base::problem::{Problem, Span};
use crate::base::value::{Fields, Value};
use crate::operators::shape::motion::{ByHand, Motion, Track, stays_whole, way_round};
use crate::operators::shape::sure;
use crate::operators::shape::{Follows, Motions};

/// The farthest that a move turns, in degrees either way.
const TURN_LIMIT: f64 = 1e5;
/// Factors by which a move may scale.
const SCALES: std::ops::RangeInclusive<f64> = 1e-3..=1e3;

impl Reading {
    /// The motions of the sections `points`, `planes` and `moves`.
    pub(super) fn motions(&mut self, [points, planes, moves]: [Option<&Value>; 3]) -> Motions {
        let mut out = Motions::default();
        let mut read: Vec<(Arc<str>, Span, Motion, Option<Follows>)> = Vec::new();
        for (name, span, value) in self.named(points, "a point") {
            let track = self.track(&format!("point {name}"), value, "at", place);
            read.extend(track.map(|(track, _)| (name, span, Motion::Point(track), None)));
        }
        for (name, span, value) in self.named(planes, "a plane") {
            let what = format!("plane {name}");
            if let Some((track, spans)) = self.track(&what, value, "corners", corners) {
                self.whole(&what, &track, &spans);
                read.push((name, span, Motion::Plane(track), None));
            }
        }
        for (name, span, value) in self.named(moves, "a move") {
            let by_hand = self.by_hand(&name, value);
            read.extend(by_hand.map(|(by_hand, follows)| (name, span, Motion::Move(by_hand), follows)));
        }
        for (name, span, motion, follows) in read {
            self.problems.extend(out.add(name, span, motion, follows));
        }
        out
    }

    /// Keys of places, each under the word `word`, and where they stand.
    fn track<const N: usize>(
        &mut self,
        what: &str,
        value: &Value,
        word: &'static str,
        one: fn(&Value) -> Result<[f64; N], Problem>,
    ) -> Option<(Track<N>, Vec<Span>)> {
        let mut fields = self.keep(Fields::of(value, what))?;
        let keys = fields.need("keys");
        self.problems.extend(fields.finish());
        let keys = self.keys(keys?, |reading, value| {
            let mut fields = reading.keep(Fields::of(value, format!("a key of {what}")))?;
            let read = fields.need(word).and_then(|value| fields.keep(one(value)));
            let sure = fields.read("sure", sure::one).unwrap_or(1.0);
            reading.problems.extend(fields.finish());
            Some((read?, sure))
        });
        if keys.is_empty() {
            return None;
        }
        let spans = keys.iter().map(|&(_, span, _)| span).collect();
        let (places, sure) = keys.into_iter().map(|(frame, _, (place, sure))| ((frame, place), sure)).unzip();
        Some((Track { places: Curve::new(places, Ease::Linear), sure }, spans))
    }

    /// Names keys between which a plane turns over or folds.
    fn whole(&mut self, what: &str, track: &Track<8>, spans: &[Span]) {
        for (i, pair) in track.places.keys().windows(2).enumerate() {
            if !stays_whole(&pair[0].1, &pair[1].1) {
                let message =
                    format!("{what} folds or turns over between frames {} and {}", pair[0].0, pair[1].0);
                let problem = Problem::error(spans[i + 1], message).related(spans[i], "the key before");
                self.problems.push(
                    problem.help(
                        "corners go straight from key to key: check their order, or add a key in between",
                    ),
                );
            }
        }
    }

    fn by_hand(&mut self, name: &str, value: &Value) -> Option<(ByHand, Option<Follows>)> {
        let mut fields = self.keep(Fields::of(value, format!("move {name}")))?;
        let about = fields.read("about", place);
        let translate = fields.read("translate", |v| v.keyed(place));
        let rotate = fields.read("rotate", |v| v.keyed(turn));
        let scale = fields.read("scale", |v| v.keyed(factors));
        let has_about = fields.get("about").is_some();
        let follows = fields.read("follows", follows);
        self.problems.extend(fields.finish());
        let is_moving =
            rotate.as_ref().is_some_and(|c| !c.is_steady()) || scale.as_ref().is_some_and(|c| !c.is_steady());
        if is_moving && !has_about {
            let problem =
                Problem::error(value.span, format!("move {name} turns or grows, and lacks 'about'"));
            self.problems.push(problem.help("about: [x, y], the place that turning and growing leave alone"));
        }
        let keyed = [
            translate.as_ref().and_then(Curve::frames),
            rotate.as_ref().and_then(Curve::frames),
            scale.as_ref().and_then(Curve::frames),
        ];
        keyed.into_iter().flatten().for_each(|frames| self.lies(value.span, frames));
        let by_hand = ByHand {
            about: about.unwrap_or_default(),
            translate: translate.unwrap_or_else(|| Curve::steady([0.0; 2])),
            rotate: rotate.unwrap_or_else(|| Curve::steady([0.0])),
            scale: scale.unwrap_or_else(|| Curve::steady([1.0; 2])),
        };
        Some((by_hand, follows))
    }
}

fn corners(value: &Value) -> Result<[f64; 8], Problem> {
    let list = value.list().map_err(|_| value.wrong("four corners [[x, y], ...]"))?;
    if list.len() != 4 {
        return Err(Problem::error(value.span, format!("a plane has 4 corners, not {}", list.len()))
            .help("top left, top right, bottom right, bottom left"));
    }
    let mut out = [0.0; 8];
    for (to, from) in out.chunks_exact_mut(2).zip(list) {
        to.copy_from_slice(&place(from)?);
    }
    match way_round(&out) {
        Some(_) => Ok(out),
        None => Err(Problem::error(
            value.span,
            "these corners make no plane: they fold, lie in a line or enclose nothing",
        )
        .help("in this order: top left, top right, bottom right, bottom left")),
    }
}

fn turn(value: &Value) -> Result<[f64; 1], Problem> {
    let turn = value.number()?;
    if turn.abs() <= TURN_LIMIT {
        return Ok([turn]);
    }
    Err(Problem::error(value.span, format!("a rotation by {turn} degrees"))
        .help(format!("from -{TURN_LIMIT} to {TURN_LIMIT} degrees")))
}

fn factors(value: &Value) -> Result<[f64; 2], Problem> {
    let factors = match value.list() {
        Ok(_) => value.numbers::<2>()?,
        Err(_) => [value.number().map_err(|_| value.wrong("a factor, or [across, down],"))?; 2],
    };
    within(value.span, &factors)?;
    if factors.iter().all(|factor| SCALES.contains(factor)) {
        return Ok(factors);
    }
    Err(Problem::error(value.span, format!("a scale by {} and {}", factors[0], factors[1])).help(format!(
        "from {} to {}",
        SCALES.start(),
        SCALES.end()
    )))
}

#[cfg(test)]
mod tests {
    use crate::base::problem::{Problem, Sources};
    use crate::operators::shape::file::read;
    use crate::operators::shape::motion::carried;

    fn problems(text: &str) -> Vec<String> {
        let mut sources = Sources::new();
        let id = sources.add("roto/br030.yaml", text);
        let place = |p: &Problem| p.span.map(|s| sources.place(s)).unwrap_or_default();
        let (mut shapes, mut problems) = read(id, text);
        if problems.is_empty() {
            problems = shapes.follow(None);
        }
        problems.iter().map(|p| format!("{} {}", place(p), p.message)).collect()
    }

    fn told(text: &str, wanted: &[&str]) {
        let found = problems(text);
        for line in wanted {
            let line = format!("roto/br030.yaml:{line}");
            assert!(found.iter().any(|f| f.starts_with(&line)), "{line}\nin {found:#?}");
        }
        assert_eq!(found.len(), wanted.len(), "{found:#?}");
    }

    #[test]
    fn what_is_no_motion_is_named_at_its_place() {
        told(
            "points:
  hook: { keys: { 1: { at: [1, 2], sure: 1.5 }, 2: { at: [1] }, 3: {} } }
planes:
  hook: { keys: { 1: { corners: [[0, 0], [9, 0], [9, 9], [0, 9]] } } }
  bow: { keys: { 1: { corners: [[0, 0], [9, 9], [9, 0], [0, 9]] } } }
  line: { keys: { 1: { corners: [[0, 0], [3, 0], [6, 0], [9, 0]] } } }
  three: { keys: { 1: { corners: [[0, 0], [3, 0], [6, 7]] } } }
  over:
    keys:
      1: { corners: [[0, 0], [9, 0], [9, 9], [0, 9]] }
      5: { corners: [[9, 9], [0, 9], [0, 0], [9, 0]] }
moves:
  spin: { rotate: { 1: 0, 9: 90 } }
  none: { scale: 0, about: [1, 1], speed: 3 }
",
            &[
                "2:42 a key cannot be 1.5 sure",
                "2:58 2 numbers are wanted here",
                "2:68 a key of point hook lacks 'at'",
                "4:3 'hook' is the name of two motions",
                "5:32 these corners make no plane",
                "6:33 these corners make no plane",
                "7:34 a plane has 4 corners, not 3",
                "11:7 plane over folds or turns over between frames 1 and 5",
                "13:9 move spin turns or grows",
                "14:18 a scale by 0 and 0",
                "14:36 move none has no setting 'speed'",
            ],
        );
    }

    #[test]
    fn names_that_lead_nowhere_or_round_are_named() {
        told(
            "points:
  a: { keys: { 1: { at: [0, 0] }, 9: { at: [8, 0] } } }
  b: { keys: { 1: { at: [8, 0] }, 9: { at: [0, 0] } } }
moves:
  one: { follows: two }
  two: { follows: three }
  three: { follows: one }
  four: { follows: wal }
mattes:
  crew: { follows: wall, shapes: [ { follows: [a, b], keys: { 1: [[0, 0], [1, 0], [1, 1]] } } ] }
  lamp: { follows: [a, one], shapes: [] }
",
            &[
                "7:21 'one' follows itself",
                "8:20 there is no motion 'wal' to follow",
                "10:20 there is no motion 'wall' to follow",
                "10:48 'a' and 'b' meet after frame 1",
                "11:24 'one' is no point",
            ],
        );
    }

    #[test]
    fn a_move_goes_on_top_of_what_it_follows() {
        let text = "
points: { a: { keys: { 1: { at: [5, 5] }, 9: { at: [13, 1] } } } }
moves: { lean: { about: [0, 0], scale: { 1: 1, 9: 3 }, translate: { 1: [0, 0], 9: [1, 0] }, follows: a } }
";
        let (mut shapes, problems) = read(crate::base::problem::SourceId(0), text);
        assert!(problems.is_empty() && shapes.follow(None).is_empty());
        let lean = shapes.motions.named("lean").unwrap();
        assert_eq!(carried(&lean.at(9.0), [10.0, 10.0]).0, [55.0, 18.0]);
        let [x, y] = carried(&lean.between(9.0, 1.0), [55.0, 18.0]).0;
        assert!((x - 10.0).abs() < 1e-12 && (y - 10.0).abs() < 1e-12, "{x} {y}");
        assert_eq!(carried(&lean.between(1.0, 5.0), [10.0, 10.0]).0, [28.5, 16.0]);
    }
}
