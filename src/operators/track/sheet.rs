//! Tracks as text: the keys of `points`, `planes` and `rods` of a shapes file, and which of them a person set.
//!
//! Knows which keys are whose, and how followed keys are put into a text whose other words stay as they are to the letter.
//! What a shapes file may say is `shape::file`'s, which reads it. Does not know how things are followed.
//!
//! A key without `sure` was set by hand: it is what things are followed from, and never changed. A key with `sure` was
//! followed, and is replaced when it is followed again. So whoever corrects a key takes its `sure` out.

mod edit;

use super::course::Key;
use crate::base::problem::{Problems, Severity, SourceId};
use crate::base::value::Value;
use crate::base::yaml;
use crate::operators::shape::file;
use crate::operators::shape::motion::Motion;
use crate::operators::shape::sure::Sure;

/// Keys of one thing.
#[derive(Clone, Debug, PartialEq)]
pub struct Thing<const N: usize> {
    /// Its name.
    pub name: String,
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

/// Reads the tracks of a shapes file. They are complete when no problem is an error.
pub fn read(source: SourceId, text: &str) -> (Sheet, Problems) {
    let (shapes, problems) = file::read(source, text);
    let tree = yaml::parse(source, text).0;
    let Some(tree) = tree.filter(|_| problems.iter().all(|p| p.severity != Severity::Error)) else {
        return (Sheet::default(), problems);
    };
    let motion = |name: &str| shapes.motions.named(name).map(|motion| &**motion);
    let points = |name: &str| match motion(name) {
        Some(Motion::Point(track)) => track.places.keys().to_vec(),
        _ => Vec::new(),
    };
    let planes = |name: &str| match motion(name) {
        Some(Motion::Plane(track)) => track.places.keys().to_vec(),
        _ => Vec::new(),
    };
    let rods = |name: &str| {
        shapes.rods.iter().find(|rod| *rod.name == *name).map_or(Vec::new(), |rod| rod.keys.clone())
    };
    let sheet = Sheet {
        points: things(&tree, "points", &points),
        planes: things(&tree, "planes", &planes),
        rods: things(&tree, "rods", &rods),
    };
    (sheet, problems)
}

/// The value of a thing's keys.
fn keys_of<'v>(tree: &'v Value, title: &str, name: &str) -> Option<&'v Value> {
    tree.map()?.get(title)?.map()?.get(name)?.map()?.get("keys")
}

/// Frames of a thing and its places there.
type Placed<const N: usize> = Vec<(i64, [f64; N])>;

/// Things of a section, in the order written: places as the reader of shapes files has them, and whose they are.
fn things<const N: usize>(tree: &Value, title: &str, places: &dyn Fn(&str) -> Placed<N>) -> Vec<Thing<N>> {
    let section = tree.map().and_then(|map| map.get(title)).and_then(Value::map);
    let names = section.iter().flat_map(|map| map.entries.iter().map(|(key, _)| key.text.clone()));
    let thing = |name: String| {
        let written = keys_of(tree, title, &name).and_then(Value::map);
        let sure = |frame: i64| {
            let entries = &written?.entries;
            let (_, value) = entries.iter().find(|(key, _)| key.text.parse() == Ok(frame))?;
            Sure::of_rod(value.map()?.get("sure")?).ok()
        };
        let keys =
            places(&name).into_iter().map(|(frame, at)| Key { frame, at, sure: sure(frame) }).collect();
        Thing { name, keys }
    };
    names.map(thing).collect()
}

/// What a key of so many numbers says of its place: a point, a rod, a plane.
fn place<const N: usize>(at: &[f64; N]) -> String {
    let pair = |i: usize| format!("[{}, {}]", at[i], at[i + 1]);
    match N {
        2 => format!("at: {}", pair(0)),
        4 => format!("base: {}, tip: {}", pair(0), pair(2)),
        _ => format!("corners: [{}]", [0, 2, 4, 6].map(pair).join(", ")),
    }
}

/// A key's value as text.
fn value<const N: usize>(key: &Key<N>) -> String {
    let sure = key.sure.map(|sure| format!(", sure: {sure}")).unwrap_or_default();
    format!("{{ {}{sure} }}", place(&key.at))
}

/// A shapes file with these tracks in the place of its own: only keys that are others than before change, and all other words
/// of `text` stay. Nothing where its first level is written in braces, or its keys in some form that cannot be added to.
pub fn put(text: &str, sheet: &Sheet) -> Option<String> {
    let (before, problems) = read(SourceId(0), text);
    if problems.iter().any(|p| p.severity == Severity::Error) {
        return None;
    }
    let mut text = text.to_string();
    for thing in sheet.points.iter().filter(|thing| !before.points.contains(thing)) {
        text = edit::put(&text, "points", thing)?;
    }
    for thing in sheet.planes.iter().filter(|thing| !before.planes.contains(thing)) {
        text = edit::put(&text, "planes", thing)?;
    }
    for thing in sheet.rods.iter().filter(|thing| !before.rods.contains(thing)) {
        text = edit::put(&text, "rods", thing)?;
    }
    let (read, problems) = read(SourceId(0), &text);
    let is_sound = problems.iter().all(|p| p.severity != Severity::Error);
    (is_sound && read == *sheet).then_some(text)
}

/// A followed key as it is written: places to a thousandth of a pixel, which is finer than any follower, and `sure` to a
/// hundredth.
pub fn rounded<const N: usize>(key: Key<N>) -> Key<N> {
    let to = |n: f64, parts: f64| (n * parts).round() / parts + 0.0;
    match key.sure {
        None => key,
        Some(Sure { whole, base }) => {
            let [whole, base] = [whole, base].map(|sure| to(sure.clamp(0.0, 1.0), 1e2));
            Key { at: key.at.map(|n| to(n, 1e3)), sure: Some(Sure { whole, base }), ..key }
        }
    }
}

#[cfg(test)]
mod tests;
