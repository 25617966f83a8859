//! Tracks as text: the `points`, `planes` and `rods` of a shapes file, and which of their keys a person set.
//!
//! Knows how keys are read and written. Does not know how things are followed, nor the rest of a shapes file, which it leaves
//! as it is to the letter.
//!
//! A key without `sure` was set by hand: it is what things are followed from, and never changed. A key with `sure` was
//! followed, and is replaced when it is followed again. So whoever corrects a key takes its `sure` out.

use std::fmt::Write;

use super::course::Key;
use crate::base::frames::FRAME_LIMIT;
use crate::base::problem::{Problem, Problems, Severity, SourceId};
use crate::base::value::{Fields, Map, Value};
use crate::base::yaml;

/// Keys of one thing.
#[derive(Clone, Debug, PartialEq)]
pub struct Thing<const N: usize> {
    /// Its name.
    pub name: String,
    /// How it moves between keys, as written.
    pub ease: Option<String>,
    /// In rising order.
    pub keys: Vec<Key<N>>,
}

/// All that a file says of tracks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sheet {
    /// Places.
    pub points: Vec<Thing<2>>,
    /// Flat patches: top left, top right, bottom right, bottom left.
    pub planes: Vec<Thing<8>>,
    /// Rods: base, tip.
    pub rods: Vec<Thing<4>>,
}

/// What keys of a thing are written as.
struct Form<const N: usize> {
    title: &'static str,
    what: &'static str,
    read: fn(&mut Fields<'_>) -> Option<[f64; N]>,
    write: fn(&[f64; N], &dyn Fn(f64) -> String) -> String,
}

const POINTS: Form<2> = Form {
    title: "points",
    what: "point",
    read: |fields| {
        let value = fields.need("at")?;
        fields.keep(value.numbers::<2>())
    },
    write: |at, n| format!("at: [{}, {}]", n(at[0]), n(at[1])),
};

const PLANES: Form<8> = Form {
    title: "planes",
    what: "plane",
    read: |fields| {
        let value = fields.need("corners")?;
        let list = fields.keep(value.list())?;
        if list.len() != 4 {
            let problem = Problem::error(value.span, format!("{} corners", list.len()));
            fields.problems.push(problem.help("four: top left, top right, bottom right, bottom left"));
            return None;
        }
        let mut out = [0.0; 8];
        for (to, corner) in out.chunks_mut(2).zip(list) {
            to.copy_from_slice(&fields.keep(corner.numbers::<2>())?);
        }
        Some(out)
    },
    write: |at, n| {
        let corners: Vec<String> = at.chunks(2).map(|c| format!("[{}, {}]", n(c[0]), n(c[1]))).collect();
        format!("corners: [{}]", corners.join(", "))
    },
};

const RODS: Form<4> = Form {
    title: "rods",
    what: "rod",
    read: |fields| {
        let base = fields.need("base").and_then(|v| fields.keep(v.numbers::<2>()));
        let tip = fields.need("tip").and_then(|v| fields.keep(v.numbers::<2>()));
        let ([a, b], [c, d]) = (base?, tip?);
        Some([a, b, c, d])
    },
    write: |at, n| format!("base: [{}, {}], tip: [{}, {}]", n(at[0]), n(at[1]), n(at[2]), n(at[3])),
};

/// Reads the tracks of a shapes file. They are complete when no problem is an error.
pub fn read(source: SourceId, text: &str) -> (Sheet, Problems) {
    let (value, mut problems) = yaml::parse(source, text);
    let mut sheet = Sheet::default();
    let Some(map) = value.as_ref().and_then(|value| value.map()) else {
        let fault = value.as_ref().map(|value| value.wrong("a map of points, planes and rods"));
        problems.extend(fault);
        return (sheet, problems);
    };
    sheet.points = things(map, &POINTS, &mut problems);
    sheet.planes = things(map, &PLANES, &mut problems);
    sheet.rods = things(map, &RODS, &mut problems);
    (sheet, problems)
}

fn things<const N: usize>(map: &Map, form: &Form<N>, problems: &mut Problems) -> Vec<Thing<N>> {
    let Some(value) = map.get(form.title) else { return Vec::new() };
    let Some(named) = value.map() else {
        problems.push(value.wrong("a map of names"));
        return Vec::new();
    };
    let mut out = Vec::new();
    for (name, value) in &named.entries {
        let what = format!("{} {}", form.what, name.text);
        let mut fields = match Fields::of(value, what.clone()) {
            Ok(fields) => fields,
            Err(problem) => {
                problems.push(problem);
                continue;
            }
        };
        let ease = fields.read("ease", Value::text).map(str::to_string);
        let keys = fields.need("keys").and_then(|keys| match keys.map() {
            Some(map) => Some(map),
            None => fields.keep(Err(keys.wrong("a map of frames"))),
        });
        let keys = keys.map(|map| self::keys(map, form, &what, &mut fields.problems)).unwrap_or_default();
        problems.extend(fields.finish());
        out.push(Thing { name: name.text.clone(), ease, keys });
    }
    out
}

fn keys<const N: usize>(map: &Map, form: &Form<N>, what: &str, problems: &mut Problems) -> Vec<Key<N>> {
    let mut keys: Vec<Key<N>> = Vec::new();
    for (key, value) in &map.entries {
        let Some(frame) = key.text.parse::<i64>().ok().filter(|n| n.abs() <= FRAME_LIMIT) else {
            let problem = Problem::error(key.span, format!("'{}' is not a frame number", key.text));
            problems.push(problem.help("keys are written FRAME: value"));
            continue;
        };
        let mut fields = match Fields::of(value, format!("a key of {what}")) {
            Ok(fields) => fields,
            Err(problem) => {
                problems.push(problem);
                continue;
            }
        };
        let sure = fields.read("sure", |v| match v.number()? {
            n if (0.0..=1.0).contains(&n) => Ok(n),
            n => Err(Problem::error(v.span, format!("{n} is out of range for 'sure'")).help("from 0 to 1")),
        });
        let at = (form.read)(&mut fields);
        problems.extend(fields.finish());
        if keys.iter().any(|key| key.frame == frame) {
            problems.push(Problem::error(key.span, format!("frame {frame} has a key already")));
            continue;
        }
        keys.extend(at.map(|at| Key { frame, at, sure }));
    }
    keys.sort_by_key(|key| key.frame);
    keys
}

/// A shapes file with these tracks in the place of its own. All else in `text` stays as it is; nothing where its first
/// level is written in braces, so that no line of it is its own.
pub fn put(text: &str, sheet: &Sheet) -> Option<String> {
    let mut out = String::new();
    let mut is_ours = false;
    for line in text.split_inclusive('\n') {
        let title = line.chars().next().is_some_and(|c| !c.is_whitespace() && c != '#');
        if title && line.trim_end() != "---" {
            let name = line.split(':').next().unwrap_or("").trim_matches(['"', '\'', ' ']);
            is_ours = [POINTS.title, PLANES.title, RODS.title].contains(&name);
        } else if !title && line.starts_with('#') {
            // A remark at the margin belongs to what comes after it.
            is_ours = false;
        }
        if !is_ours {
            out.push_str(line);
        }
    }
    if !out.is_empty() && !out.ends_with('\n') {
        out.push('\n');
    }
    block(&mut out, &sheet.points, &POINTS);
    block(&mut out, &sheet.planes, &PLANES);
    block(&mut out, &sheet.rods, &RODS);
    let (read, problems) = read(SourceId(0), &out);
    let is_sound = problems.iter().all(|p| p.severity != Severity::Error);
    (is_sound && read == *sheet).then_some(out)
}

fn block<const N: usize>(out: &mut String, things: &[Thing<N>], form: &Form<N>) {
    if things.is_empty() {
        return;
    }
    let _ = writeln!(out, "{}:", form.title);
    for thing in things {
        let _ = writeln!(out, "  {}:", thing.name);
        if let Some(ease) = &thing.ease {
            let _ = writeln!(out, "    ease: {ease}");
        }
        if thing.keys.is_empty() {
            let _ = writeln!(out, "    keys: {{}}");
            continue;
        }
        let _ = writeln!(out, "    keys:");
        for key in &thing.keys {
            let at = (form.write)(&key.at, &|n| n.to_string());
            let sure = key.sure.map(|sure| format!(", sure: {sure}")).unwrap_or_default();
            let _ = writeln!(out, "      {}: {{ {at}{sure} }}", key.frame);
        }
    }
}

/// A followed key as it is written: places to a thousandth of a pixel, which is finer than any follower, and `sure` to a
/// hundredth.
pub fn rounded<const N: usize>(key: Key<N>) -> Key<N> {
    let to = |n: f64, parts: f64| (n * parts).round() / parts + 0.0;
    match key.sure {
        None => key,
        Some(sure) => {
            Key { at: key.at.map(|n| to(n, 1e3)), sure: Some(to(sure.clamp(0.0, 1.0), 1e2)), ..key }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const TEXT: &str = "# The duel.\nmattes:\n  crew:\n    shapes:\n      - keys: { 1: [[0, 0], [1, 0], [1, 1]] }\n\
                        points:\n  hook:\n    keys: { 1009: { at: [412.25, 300.5] }, 1010: { at: [1, 2], sure: 0.9 } }\n\
                        # Moves.\nmoves: { lean: { rotate: 3 } }\nrods:\n  keeper:\n    ease: linear\n    keys:\n      \
                        1009: { base: [1, 2], tip: [3, 4.5] }\n";

    #[test]
    fn what_is_not_a_track_stays_to_the_letter() {
        let (mut sheet, problems) = read(SourceId(0), TEXT);
        assert!(problems.is_empty(), "{problems:?}");
        assert_eq!(sheet.points[0].keys[1], Key { frame: 1010, at: [1.0, 2.0], sure: Some(0.9) });
        assert_eq!((sheet.rods[0].ease.as_deref(), sheet.rods[0].keys[0].sure), (Some("linear"), None));
        sheet.points[0].keys.push(Key { frame: 1011, at: [-0.5, 7.0], sure: Some(0.5) });
        let text = put(TEXT, &sheet).unwrap();
        assert!(text.starts_with("# The duel.\nmattes:\n  crew:\n    shapes:\n      - keys: { 1: [[0, 0], [1, 0], [1, 1]] }\n# Moves.\nmoves: { lean: { rotate: 3 } }\npoints:\n"), "{text}");
        assert_eq!(read(SourceId(0), &text).0, sheet);
        assert_eq!(put(&text, &sheet).unwrap(), text);
        assert!(put("{ points: { hook: { keys: {} } } }", &sheet).is_none());
    }

    #[test]
    fn every_problem_is_named() {
        let text = "points:\n  hook: { keys: { x: { at: [1, 2] }, 3: { at: [1] }, 4: { at: [1, 2], sure: 2 } } }\n\
                    planes: { wall: { keys: { 1: { corners: [[0, 0]] } } } }\nrods: { keeper: { keys: { 1: { base: [0, 0] } } } }\n";
        let said: Vec<String> = read(SourceId(0), text).1.into_iter().map(|p| p.message).collect();
        assert_eq!(said.len(), 5, "{said:?}");
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            places in proptest::collection::vec(-3000f64..3000.0, 16), sures in proptest::collection::vec(0f64..=1.0, 3), hand in any::<bool>(),
        ) {
            let sure = |i: usize| (!hand).then_some(sures[i]);
            let key = |frame, i: usize| rounded(Key { frame, at: std::array::from_fn::<f64, 8, _>(|k| places[i + k]), sure: sure(i / 8) });
            let planes = vec![Thing { name: "wall".into(), ease: None, keys: vec![key(-3, 0), key(1009, 8)] }];
            let point = rounded(Key { frame: 5, at: [places[3], places[4]], sure: sure(2) });
            let rod = rounded(Key { frame: 5, at: [places[3], places[4], places[5], places[6]], sure: sure(1) });
            let sheet = Sheet {
                points: vec![Thing { name: "hook".into(), ease: None, keys: vec![point] }],
                planes,
                rods: vec![Thing { name: "keeper".into(), ease: Some("hold".into()), keys: vec![rod] }],
            };
            let text = put("", &sheet).unwrap();
            prop_assert_eq!(read(SourceId(0), &text).0, sheet);
        }
    }
}
