//! `sound:` as written → buses, stems, target and cues.
//!
//! Knows which keys are for whom. Cue files are handed over by the caller.

use indexmap::IndexMap;

use super::{Bus, RATES, Settings, Sound, Stem, cues};
use crate::base::layout::Layout;
use crate::base::problem::{Problem, Sources};
use crate::base::value::{Fields, Map, Node, Value};
use crate::base::yaml;
use crate::declare::film::At;
use crate::declare::found::{Found, shortened};
use crate::declare::names::{self, Naming, Twins, path};
use crate::declare::recipes::Load;

/// Most buses, and most stems.
const BUSES: usize = 64;
/// Most cues of a film.
pub(super) const CUES: usize = 20_000;

/// Reads `sound:`; `load` hands over the texts of cue files, which join `sources`.
pub fn read(value: &Value, sources: &mut Sources, load: Load<'_>, found: &mut Found) -> Option<Sound> {
    let mut fields = found.keep("", Fields::of(value, "the sound"))?;
    let rate = fields.get("rate").and_then(|value| found.keep("sound", rate(value)));
    let layout = fields.get("layout").and_then(|value| found.keep("sound", layout(value)));
    let (buses, stems) = (fields.need("buses"), fields.get("stems"));
    let target = fields.get("target").filter(|value| value.node != Node::Null);
    let (inline, files) = (fields.get("cues"), fields.get("cue_files"));
    found.extend("sound", fields.finish());
    let buses = buses.map(|value| read_buses(value, found)).unwrap_or_default();
    let stems = stems.map(|value| read_stems(value, &buses, found)).unwrap_or_default();
    let target = target.and_then(|value| {
        let map = found.keep("sound, target", value.map().ok_or_else(|| value.wrong("a map of settings")))?;
        Some(Settings { span: value.span, map: map.clone() })
    });
    let mut all = cues::Cues::new(&buses);
    if let Some(value) = inline {
        all.read(value, found);
    }
    let mut named = Vec::new();
    for item in files.and_then(|files| found.keep("sound", files.list())).into_iter().flatten() {
        named.extend(item.text().ok().map(|file| At { value: file.to_string(), span: item.span }));
        if let Some(value) = loaded(item, sources, &mut *load, found) {
            all.read(&value, found);
        }
    }
    Some(Sound {
        span: value.span,
        rate: rate.unwrap_or(RATES[0]),
        layout: layout.unwrap_or(Layout::Stereo),
        files: named,
        cues: all.finish(found),
        buses,
        stems,
        target,
    })
}

/// The map of cues that a cue file holds.
fn loaded(item: &Value, sources: &mut Sources, load: Load<'_>, found: &mut Found) -> Option<Value> {
    let file = found.keep("sound", path(item))?;
    let text = match load(file) {
        Ok(text) => text,
        Err(why) => {
            let message = format!("cue file {file} cannot be read: {}", shortened(&why, 200));
            let problem = Problem::error(item.span, message);
            found.push(
                "sound",
                problem.help("put it there, or take it out; `endboard hum` writes one for blades"),
            );
            return None;
        }
    };
    let source = sources.add(file, text.as_str());
    let (value, problems) = yaml::parse(source, &text);
    found.extend("", problems);
    let value = value?;
    let mut fields = found.keep("", Fields::of(&value, "a cue file"))?;
    let cues = fields.need("cues").cloned();
    found.extend("", fields.finish());
    cues
}

fn rate(value: &Value) -> Result<u32, Problem> {
    let hertz = value.int()?;
    RATES.into_iter().find(|&rate| i64::from(rate) == hertz).ok_or_else(|| {
        let rates: Vec<String> = RATES.iter().map(u32::to_string).collect();
        Problem::error(value.span, format!("sound of {hertz} samples a second cannot be made"))
            .help(format!("one of: {}", rates.join(", ")))
    })
}

fn layout(value: &Value) -> Result<Layout, Problem> {
    let text = value.text()?;
    Layout::named(text).ok_or_else(|| {
        Problem::error(value.span, format!("'{}' is not a channel layout", shortened(text, 40)))
            .help(format!("one of: {}", Layout::ALL.map(Layout::name).join(", ")))
    })
}

/// The settings of a map without some of its keys.
pub(super) fn without(value: &Value, map: &Map, keys: &[&str]) -> Settings {
    let entries = map.entries.iter();
    let kept = entries.filter(|(key, value)| !keys.contains(&key.text.as_str()) && value.node != Node::Null);
    Settings { span: value.span, map: Map { entries: kept.cloned().collect() } }
}

fn read_buses(value: &Value, found: &mut Found) -> IndexMap<String, Bus> {
    let mut buses = IndexMap::new();
    let mut under = Vec::new();
    let map = found.keep("sound", value.map().ok_or_else(|| value.wrong("a map of buses by name")));
    let mut twins = Twins::default();
    for (key, value) in map.into_iter().flat_map(|map| &map.entries) {
        let named = names::check(key, "bus", Naming::Plain, "sound", found);
        twins.check(key, "bus", "sound", found);
        let context = format!("sound, bus {}", key.text);
        let nothing = Map::default();
        let map = match &value.node {
            Node::Map(map) => map,
            Node::Null => &nothing,
            _ => {
                found.push(&context, value.wrong("a map of settings"));
                continue;
            }
        };
        let inside = |outer: &str, inner: &str| map.get(outer).and_then(Value::map)?.get(inner);
        let by = inside("duck", "by").and_then(|value| {
            let text = found.keep(&context, value.text())?;
            Some(At { value: text.to_string(), span: value.span })
        });
        let room = inside("room", "response").and_then(|value| {
            let text = found.keep(&context, path(value))?;
            Some(At { value: text.to_string(), span: value.span })
        });
        under.extend(by.clone().map(|by| (key.text.clone(), by)));
        if named {
            let settings = without(value, map, &[]);
            buses.insert(key.text.clone(), Bus { settings, under: by, room });
        }
    }
    for (name, by) in under {
        if !buses.contains_key(&by.value) {
            let problem = Problem::error(by.span, format!("there is no bus '{}'", shortened(&by.value, 40)));
            let problem = found.suggest(problem, &by.value, buses.keys().map(String::as_str), "");
            found.push(&format!("sound, bus {name}"), problem);
        }
    }
    circles(&buses, found);
    if buses.len() > BUSES {
        let problem = Problem::error(value.span, format!("{} buses are too many", buses.len()));
        found.push("sound", problem.help(format!("at most {BUSES}")));
    }
    buses
}

/// Finds buses that go down under one another in a circle.
fn circles(buses: &IndexMap<String, Bus>, found: &mut Found) {
    for (name, bus) in buses {
        let mut at = bus.under.as_ref();
        for _ in 0..buses.len() {
            let Some(by) = at else { break };
            if by.value == *name {
                let message = format!("bus {name} goes down under a bus that goes down under it");
                found.push("sound", Problem::error(by.span, message).help("let one of them be"));
                break;
            }
            at = buses.get(&by.value).and_then(|bus| bus.under.as_ref());
        }
    }
}

fn read_stems(value: &Value, buses: &IndexMap<String, Bus>, found: &mut Found) -> IndexMap<String, Stem> {
    let mut stems: IndexMap<String, Stem> = IndexMap::new();
    let map = found.keep("sound", value.map().ok_or_else(|| value.wrong("a map of stems by name")));
    let mut twins = Twins::default();
    let mut taken: IndexMap<String, At<String>> = IndexMap::new();
    for (key, value) in map.into_iter().flat_map(|map| &map.entries) {
        let named = names::check(key, "stem", Naming::Plain, "sound", found);
        twins.check(key, "stem", "sound", found);
        let context = format!("sound, stem {}", key.text);
        let items = found.keep(&context, value.list().map_err(|_| value.wrong("a list of buses")));
        let mut of = Vec::new();
        for item in items.into_iter().flatten() {
            let Some(text) = found.keep(&context, item.text()) else { continue };
            if !buses.contains_key(text) {
                let problem = Problem::error(item.span, format!("there is no bus '{}'", shortened(text, 40)));
                let problem = found.suggest(problem, text, buses.keys().map(String::as_str), "");
                found.push(&context, problem);
                continue;
            }
            let at = At { value: key.text.clone(), span: item.span };
            if let Some(other) = taken.insert(text.to_string(), at) {
                let message = format!("bus {text} is in stem {} already", other.value);
                let problem = Problem::error(item.span, message).related(other.span, "there");
                found
                    .push(&context, problem.help("stems together are the mix, so that a bus is in one only"));
            }
            of.push(At { value: text.to_string(), span: item.span });
        }
        if named {
            stems.insert(key.text.clone(), Stem { span: key.span, buses: of });
        }
    }
    if !stems.is_empty() {
        let left: Vec<&str> =
            buses.keys().map(String::as_str).filter(|bus| !taken.contains_key(*bus)).collect();
        if !left.is_empty() {
            let message = format!("no stem takes these buses: {}", left.join(", "));
            let problem = Problem::error(value.span, message);
            found.push("sound", problem.help("stems together are the mix: put each bus into one"));
        }
    }
    stems
}
