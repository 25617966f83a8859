//! Mattes of a shapes file: shapes, and mattes that come from elsewhere.
//!
//! Knows their keys and limits. What a shape does in time is `shape::drawn`'s, path data is `shape::path`'s.

use super::{Reading, ease, follows, within, word};
use crate::base::curve::Curve;
use crate::base::problem::{Problem, Span};
use crate::base::value::{Fields, Node, Value};
use crate::operators::shape::{Cap, Fill, Follows, Layer, Line, Mode, Point, Shape, Stroke, path};

/// The widest feather, in pixels.
pub const FEATHER_LIMIT: f64 = 512.0;
/// The widest line, in pixels.
pub const WIDTH_LIMIT: f64 = 10_000.0;
/// Shapes of one matte.
pub const SHAPE_LIMIT: usize = 1024;
/// Points of one key.
pub const POINT_LIMIT: usize = 1000;
/// Points of one file over all shapes and keys.
pub const TOTAL_LIMIT: usize = 2_000_000;

/// What a shape is at one key.
struct Outline {
    lines: Vec<Line>,
    points: Vec<Point>,
    feathers: Vec<Option<f64>>,
}

/// How points that are written as lists are joined.
#[derive(Clone, Copy)]
struct Joined {
    /// Whether the last joins the first.
    is_closed: bool,
    /// The fewest points that make something.
    least: usize,
}

impl Reading {
    pub(super) fn matte(&mut self, name: &str, value: &Value) -> Option<(Option<Follows>, Vec<Layer>)> {
        let mut fields = self.keep(Fields::of(value, format!("matte {name}")))?;
        let follows = fields.read("follows", follows);
        let list = fields.need("shapes").and_then(|v| fields.keep(v.list().map(|list| (v.span, list))));
        self.problems.extend(fields.finish());
        let (span, list) = list?;
        if list.len() > SHAPE_LIMIT {
            let message = format!("{} shapes are more than the {SHAPE_LIMIT} of one matte", list.len());
            self.problems.push(Problem::error(span, message));
        }
        let layers = list.iter().take(SHAPE_LIMIT).enumerate();
        let layers = layers.filter_map(|(i, value)| self.layer(name, i, value, follows.is_some())).collect();
        Some((follows, layers))
    }

    fn layer(&mut self, matte: &str, index: usize, value: &Value, is_carried: bool) -> Option<Layer> {
        let what = format!("shape {} of matte {matte}", index + 1);
        let mut fields = self.keep(Fields::of(value, what.clone()))?;
        let mode = fields.read("mode", |v| {
            word(v, &[("add", Mode::Add), ("subtract", Mode::Subtract), ("intersect", Mode::Intersect)])
        });
        let mode = mode.unwrap_or_default();
        if let Some(given) = fields.get("matte") {
            let name = fields.keep(given.text());
            self.problems.extend(fields.finish());
            return Some(Layer::Given { name: name?.into(), span: given.span, mode });
        }
        self.shape(&what, fields, mode, is_carried).map(|shape| Layer::Drawn(Box::new(shape)))
    }

    fn shape(&mut self, what: &str, mut fields: Fields<'_>, mode: Mode, is_carried: bool) -> Option<Shape> {
        fields.read("name", Value::text);
        let fill =
            fields.read("fill", |v| word(v, &[("nonzero", Fill::Nonzero), ("even-odd", Fill::EvenOdd)]));
        let ease = fields.read("ease", ease);
        let feather = fields.read("feather", |v| v.keyed(|v| Ok([feather(v)?])));
        let follows = fields.read("follows", follows);
        let width = fields.read("width", |v| v.keyed(width));
        let cap = fields.read("ends", |v| word(v, &[("round", Cap::Round), ("flat", Cap::Flat)]));
        let is_closed = fields.read("closed", Value::flag);
        let of_line = ["ends", "closed"].map(|name| fields.get(name));
        for of_line in of_line.into_iter().flatten().filter(|_| width.is_none()) {
            let problem =
                Problem::error(of_line.span, format!("{what} has no width, so it is closed and has no ends"));
            fields.problems.push(problem.help("width: PIXELS draws its line instead of what it encloses"));
        }
        let joined = match width {
            None => Joined { is_closed: true, least: 3 },
            Some(_) => Joined { is_closed: is_closed.unwrap_or(false), least: 2 },
        };
        let (path, keys) = (fields.get("path"), fields.get("keys"));
        let written = match (path, keys) {
            (Some(path), Some(_)) => {
                fields.problems.push(Problem::error(path.span, format!("{what} has both 'path' and 'keys'")));
                None
            }
            (None, _) => fields.need("keys"),
            (path, None) => path,
        };
        self.problems.extend(fields.finish());
        let written = written?;
        let keys = if let Node::Map(_) = written.node {
            self.keys(written, |reading, value| reading.outline(value, joined))
        } else if path.is_some() {
            if is_carried || follows.is_some() {
                let problem = Problem::error(
                    written.span,
                    format!("{what} follows, so it must say on which frame it is drawn"),
                );
                self.problems.push(problem.help("path: { FRAME: \"M ...\" }"));
            }
            vec![(0, written.span, self.outline(written, joined)?)]
        } else {
            self.keys(written, |_, _| None)
        };
        let stroke = width.map(|width| Stroke { width, cap: cap.unwrap_or_default() });
        let keys = self.alike(what, keys)?;
        let has_own = keys.iter().any(|(_, _, outline)| outline.feathers.iter().any(Option::is_some));
        let feathers =
            keys.iter().filter(|_| has_own).map(|(_, _, outline)| outline.feathers.clone()).collect();
        Some(Shape {
            mode,
            fill: fill.unwrap_or_default(),
            feather: feather.unwrap_or_else(|| Curve::steady([0.0])),
            stroke,
            ease: ease.unwrap_or_default(),
            lines: keys[0].2.lines.clone(),
            feathers,
            follows,
            motion: None,
            keys: keys.into_iter().map(|(frame, _, outline)| (frame, outline.points)).collect(),
        })
    }

    /// The keys that are built like the first one; others are named. None when there is none.
    fn alike(
        &mut self,
        what: &str,
        mut keys: Vec<(i64, Span, Outline)>,
    ) -> Option<Vec<(i64, Span, Outline)>> {
        let wanted = keys.first()?.2.lines.clone();
        for (_, span, outline) in &keys[1..] {
            if outline.lines == wanted {
                continue;
            }
            let points = |lines: &[Line]| lines.iter().map(|line| line.count).sum::<usize>();
            let (got, first) = (points(&outline.lines), points(&wanted));
            let problem = if got == first {
                Problem::error(
                    *span,
                    format!("{what} has lines of another form at this key than at its first"),
                )
                .help("a shape keeps its lines, their points and whether each is closed")
            } else {
                Problem::error(
                    *span,
                    format!("{what} has {got} points at this key, but {first} at its first"),
                )
                .help("a shape keeps the number of its points")
            };
            self.problems.push(problem.related(keys[0].1, "the first key"));
        }
        keys.retain(|(_, _, outline)| outline.lines == wanted);
        Some(keys)
    }

    fn outline(&mut self, value: &Value, joined: Joined) -> Option<Outline> {
        if let Node::Scalar(_) = value.node {
            return self.path(value, joined);
        }
        let list = self.keep(value.list())?;
        let is_nested = list.first().and_then(|v| v.list().ok()?.first()).is_some_and(|v| v.list().is_ok());
        let lists: Vec<&Value> = if is_nested { list.iter().collect() } else { vec![value] };
        let mut out = Outline { lines: Vec::new(), points: Vec::new(), feathers: Vec::new() };
        let before = self.problems.len();
        for one in lists {
            let list = self.keep(one.list())?;
            if list.len() < joined.least || list.len() > POINT_LIMIT {
                let problem = Problem::error(one.span, format!("an outline of {} points", list.len()));
                self.problems.push(problem.help(format!("from {} to {POINT_LIMIT}", joined.least)));
                return None;
            }
            out.lines.push(Line { count: list.len(), is_closed: joined.is_closed });
            for (point, feather) in list.iter().filter_map(|v| self.keep(point(v))) {
                out.points.push(point);
                out.feathers.push(feather);
            }
        }
        self.counted(value.span, out.points.len())?;
        (self.problems.len() == before).then_some(out)
    }

    /// Path data, all of whose lines are closed when it is what they enclose that counts.
    fn path(&mut self, value: &Value, joined: Joined) -> Option<Outline> {
        let text = self.keep(value.text())?;
        let read = path::read(text).map_err(|wrong| {
            Problem::error(value.span, format!("character {} of the path: {}", wrong.at, wrong.what))
                .help("SVG path data, such as M 10 10 L 40 12 C 50 20 50 40 40 50 Z")
        });
        let (mut lines, points) = self.keep(read)?;
        if joined.least > 2 {
            lines.iter_mut().for_each(|line| line.is_closed = true);
        }
        if points.is_empty() || points.len() > POINT_LIMIT {
            let problem = Problem::error(value.span, format!("a path of {} points", points.len()));
            self.problems.push(problem.help(format!("from 1 to {POINT_LIMIT}; an arc has 8")));
            return None;
        }
        for point in &points {
            self.keep(within(value.span, point))?;
        }
        self.counted(value.span, points.len())?;
        Some(Outline { lines, feathers: vec![None; points.len()], points })
    }

    /// Counts points of the whole file; none when they are too many.
    fn counted(&mut self, span: Span, count: usize) -> Option<()> {
        let before = self.points;
        self.points += count;
        if self.points > TOTAL_LIMIT && before <= TOTAL_LIMIT {
            self.problems.push(Problem::error(span, format!("more than {TOTAL_LIMIT} points in one file")));
        }
        (self.points <= TOTAL_LIMIT).then_some(())
    }
}

fn feather(value: &Value) -> Result<f64, Problem> {
    let width = value.number()?;
    if (0.0..=FEATHER_LIMIT).contains(&width) {
        return Ok(width);
    }
    Err(Problem::error(value.span, format!("a feather of {width} px"))
        .help(format!("from 0 to {FEATHER_LIMIT} px")))
}

fn width(value: &Value) -> Result<[f64; 1], Problem> {
    let width = value.number()?;
    if (0.0..=WIDTH_LIMIT).contains(&width) {
        return Ok([width]);
    }
    Err(Problem::error(value.span, format!("a line {width} px wide"))
        .help(format!("from 0 to {WIDTH_LIMIT} px")))
}

/// A point, and the feather that it has of its own.
fn point(value: &Value) -> Result<(Point, Option<f64>), Problem> {
    let list = value.list().map_err(|_| value.wrong("a point [x, y]"))?;
    let (numbers, own) = match list.split_last() {
        Some((last, rest)) if matches!(last.node, Node::Map(_)) => (rest, Some(last)),
        _ => (list, None),
    };
    let mut point = [0.0; 6];
    if numbers.len() != 2 && numbers.len() != 6 {
        return Err(Problem::error(value.span, format!("a point of {} numbers", numbers.len()))
            .help("[x, y], or [x, y, in x, in y, out x, out y] with handles relative to the point"));
    }
    for (to, from) in point.iter_mut().zip(numbers) {
        *to = from.number()?;
    }
    within(value.span, &point)?;
    let Some(own) = own else { return Ok((point, None)) };
    let mut fields = Fields::of(own, "a point")?;
    let width = fields.need("feather").and_then(|v| fields.keep(feather(v)));
    match fields.finish().into_iter().next() {
        Some(problem) => Err(problem),
        None => Ok((point, width)),
    }
}

#[cfg(test)]
mod tests {
    use crate::base::problem::{Problem, SourceId, Sources};
    use crate::operators::shape::file::read;
    use crate::operators::shape::{Layer, Line, Mode, Shapes};

    fn sound(text: &str) -> Shapes {
        let (shapes, problems) = read(SourceId(0), text);
        assert!(problems.is_empty(), "{problems:?}");
        shapes
    }

    #[test]
    fn lines_paths_feathers_and_given_mattes_are_read() {
        let shapes = sound(
            r#"mattes:
  rope:
    shapes:
      - { width: { 1: 3, 9: 5 }, ends: flat, keys: { 1: [[0, 0], [9, 9]], 9: "M 0 0 L 8 9" } }
      - path: M 0 0 H 10 V 10 Z M 3 3 h 4 v 4 z
      - keys: { 1: [[[0, 0], [9, 0], [9, 9]], [[3, 3], [5, 3], [5, 5], [3, 5]]] }
      - { matte: by-hand, mode: subtract }
      - keys: { 1: [[0, 0, { feather: 6 }], [9, 0], [9, 9, -1, 0, 1, 0, { feather: 0 }]] }
"#,
        );
        let layers = &shapes.mattes[0].layers;
        let Layer::Given { name, mode: Mode::Subtract, .. } = &layers[3] else { panic!("{layers:?}") };
        assert_eq!(&**name, "by-hand");
        let drawn: Vec<_> = shapes.mattes[0].shapes().collect();
        let line = |count, is_closed| Line { count, is_closed };
        assert_eq!(drawn[0].lines, [line(2, false)]);
        assert_eq!(drawn[0].at(5.0).stroke.unwrap().0, 4.0);
        assert_eq!(drawn[1].lines, [line(3, true), line(3, true)]);
        assert_eq!(drawn[2].lines, [line(3, true), line(4, true)]);
        assert_eq!(drawn[3].feathers, [[Some(6.0), None, Some(0.0)]]);
        assert_eq!(drawn[3].keys[0].1[2][2..], [-1.0, 0.0, 1.0, 0.0]);
    }

    #[test]
    fn what_cannot_be_drawn_is_named_at_its_place() {
        let text = r#"mattes:
  rope:
    follows: hook
    shapes:
      - { ends: flat, keys: { 1: [[0, 0], [9, 9], [1, 1]] } }
      - { width: 20000, keys: { 1: [[0, 0]] } }
      - { path: M 0 0 L 1 1 2 0 }
      - { path: { 1: M 0 0 X } }
      - { keys: { 1: M 0 0 L 1 1 2 2, 2: M 0 0 L 1 1 L 1 2 L 3 3, 3: M 0 0 1 1 M 2 2 3 3 } }
      - { path: M 0 0 L 1 1, keys: { 1: M 0 0 L 1 1 } }
      - { keys: { 1: [[0, 0, { feather: -1 }], [9, 9, { softness: 1 }], [1, 1]] } }
      - { matte: a, feather: 3 }
points: { hook: { keys: { 1: { at: [1, 1] } } } }
"#;
        let mut sources = Sources::new();
        let id = sources.add("a.yaml", text);
        let place = |p: &Problem| p.span.map(|s| sources.place(s)).unwrap_or_default();
        let found: Vec<String> =
            read(id, text).1.iter().map(|p| format!("{} {}", place(p), p.message)).collect();
        for (line, wanted) in [
            (5, "shape 1 of matte rope has no width"),
            (6, "a line 20000 px wide"),
            (6, "an outline of 1 points"),
            (7, "shape 3 of matte rope follows, so it must say"),
            (8, "character 7 of the path: a command"),
            (9, "shape 5 of matte rope has 4 points at this key, but 3"),
            (10, "shape 6 of matte rope has both"),
            (11, "a feather of -1 px"),
            (11, "a point lacks 'feather'"),
            (12, "shape 8 of matte rope has no setting 'feather'"),
        ] {
            let start = format!("a.yaml:{line}:");
            assert!(
                found.iter().any(|f| f.starts_with(&start) && f.contains(wanted)),
                "{line} {wanted}\nin {found:#?}"
            );
        }
    }
}
