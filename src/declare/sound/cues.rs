//! Cues as written: what each hangs on, its bus and what is heard.
//!
//! Knows a cue's own keys; all others are settings for whoever plays it.

use std::collections::{HashMap, HashSet};

use indexmap::IndexMap;

use super::read::{CUES, without};
use super::{Anchor, Bus, Cue, Hears, Settings};
use crate::base::problem::Problem;
use crate::base::value::{Fields, Key, Map, Value};
use crate::declare::film::At;
use crate::declare::found::{Found, shortened};
use crate::declare::names::{self, Naming, path};

/// Furthest that a cue may be from what it hangs on, in frames.
const FURTHEST: f64 = 10_000_000.0;
/// Keys of a cue that are no settings of its sound.
const OWN: [&str; 7] = ["at", "with", "after", "plus", "bus", "clip", "voice"];

/// Cues as they are read, of the declaration and of cue files.
pub struct Cues<'a> {
    buses: &'a IndexMap<String, Bus>,
    all: IndexMap<String, Cue>,
    /// Names of cues that have an error of their own, so that nothing is said of those that hang on them.
    unsound: Vec<String>,
}

impl<'a> Cues<'a> {
    /// None yet.
    pub fn new(buses: &'a IndexMap<String, Bus>) -> Self {
        Self { buses, all: IndexMap::new(), unsound: Vec::new() }
    }

    /// Reads a map of cues by name.
    pub fn read(&mut self, value: &Value, found: &mut Found) {
        let map = found.keep("sound", value.map().ok_or_else(|| value.wrong("a map of cues by name")));
        for (key, value) in map.into_iter().flat_map(|map| &map.entries) {
            let named = names::check(key, "cue", Naming::Dotted, "sound", found);
            if let Some(other) = self.all.get(&key.text) {
                let problem = Problem::error(key.span, format!("there are two cues '{}'", key.text));
                found.push(
                    "sound",
                    problem.related(other.span, "the other one").help("give one another name"),
                );
                continue;
            }
            if self.all.len() == CUES {
                let problem = Problem::error(key.span, format!("a film has at most {CUES} cues"));
                return found.push("sound", problem);
            }
            let before = found.errors();
            match self.cue(key, value, found) {
                Some(cue) if named && found.errors() == before => {
                    drop(self.all.insert(key.text.clone(), cue))
                }
                _ => self.unsound.push(key.text.clone()),
            }
        }
    }

    fn cue(&self, key: &Key, value: &Value, found: &mut Found) -> Option<Cue> {
        let context = format!("cue {}", key.text);
        let map = found.keep(&context, value.map().ok_or_else(|| value.wrong("a map of settings")))?;
        // Only its own keys are read here; `Fields` would name all others as unknown.
        let own =
            Map { entries: map.entries.iter().filter(|(k, _)| OWN.contains(&&*k.text)).cloned().collect() };
        let mut fields = Fields::new(&own, key.span, &*context);
        let at = anchor(&mut fields, key);
        let plus = fields.within("plus", -FURTHEST..=FURTHEST, "frames").unwrap_or(0.0);
        let bus = fields.need("bus").and_then(|value| {
            let text = fields.keep(value.text())?;
            Some(At { value: text.to_string(), span: value.span })
        });
        let hears = hears(&mut fields, key);
        // What is said of a key as such tells whose it is; what is said of a value does not.
        for problem in fields.finish() {
            let tells = problem.message.starts_with(&context);
            found.push(if tells { "" } else { &context }, problem);
        }
        let bus = bus?;
        if !self.buses.contains_key(&bus.value) {
            let problem =
                Problem::error(bus.span, format!("there is no bus '{}'", shortened(&bus.value, 40)));
            let problem = found.suggest(problem, &bus.value, self.buses.keys().map(String::as_str), "");
            found.push(&context, problem);
        }
        let settings = without(value, map, &OWN);
        Some(Cue { span: key.span, bus, at: at?, plus, hears: hears?, settings })
    }

    /// All cues; those that hang on cues that are not there, or on themselves, are told of and left out.
    pub fn finish(self, found: &mut Found) -> IndexMap<String, Cue> {
        let hangs = |cue: &'_ Cue| match &cue.at.value {
            Anchor::With(other) | Anchor::After(other) => Some(other.clone()),
            _ => None,
        };
        let mut lost: HashSet<&str> = HashSet::new();
        for (name, cue) in &self.all {
            let Some(other) = hangs(cue).filter(|other| !self.all.contains_key(other)) else { continue };
            if !self.unsound.contains(&other) {
                let other = shortened(&other, 40);
                let problem = Problem::error(cue.at.span, format!("there is no cue '{other}'"));
                let problem = found.suggest(problem, &other, self.all.keys().map(String::as_str), "");
                found.push(&format!("cue {name}"), problem);
            }
            lost.insert(name);
        }
        // Each cue is walked over once: whoever comes to one that was seen in this walk has gone in a circle.
        let mut seen: HashMap<&str, usize> = HashMap::new();
        for (walk, name) in self.all.keys().enumerate() {
            let mut at = self.all.get_key_value(name.as_str());
            while let Some((name, cue)) = at {
                match seen.get(name.as_str()) {
                    Some(&before) if before == walk => {
                        let problem = Problem::error(cue.at.span, "it hangs on a cue that hangs on it");
                        let problem = problem.help("hang one of them on a frame: at: SHOT@FRAME");
                        found.push(&format!("cue {name}"), problem);
                        lost.insert(name);
                        break;
                    }
                    Some(_) => break,
                    None => drop(seen.insert(name, walk)),
                }
                at = hangs(cue).and_then(|other| self.all.get_key_value(other.as_str()));
            }
        }
        let lost: HashSet<String> = lost.into_iter().map(str::to_string).collect();
        let mut all = self.all;
        all.retain(|name, _| !lost.contains(name));
        all
    }
}

/// What it hangs on: one of three keys.
fn anchor(fields: &mut Fields<'_>, key: &Key) -> Option<At<Anchor>> {
    let (at, with, after) = (fields.get("at"), fields.get("with"), fields.get("after"));
    let given: Vec<&Value> = [at, with, after].into_iter().flatten().collect();
    let [one] = given[..] else {
        let problem = match given.get(1) {
            Some(second) => Problem::error(second.span, "it hangs on two things")
                .related(given[0].span, "the other one")
                .help("keep one of at, with and after"),
            None => Problem::error(key.span, "it does not say where it plays")
                .help("at: SHOT@FRAME, or at: a record timecode, or with: or after: another cue"),
        };
        fields.problems.push(problem);
        return None;
    };
    let text = fields.keep(one.text())?.trim();
    let read = match () {
        () if with.is_some() => Ok(Anchor::With(text.into())),
        () if after.is_some() => Ok(Anchor::After(text.into())),
        () => place(text, one),
    };
    let value = fields.keep(read)?;
    Some(At { value, span: one.span })
}

fn place(text: &str, value: &Value) -> Result<Anchor, Problem> {
    if let Some((shot, frame)) = text.rsplit_once('@') {
        let frame = frame.parse::<f64>().ok().filter(|frame| frame.is_finite() && frame.abs() < 1e9);
        if let (Some(frame), false) = (frame, shot.is_empty()) {
            return Ok(Anchor::Shot { shot: shot.into(), frame });
        }
    } else if text.split([':', ';']).count() == 4 {
        return Ok(Anchor::Timecode(text.into()));
    }
    let message = format!("'{}' is no place in the film", shortened(text, 40));
    Err(Problem::error(value.span, message).help("SHOT@FRAME, such as br030@1017, or a record timecode"))
}

/// What is heard: a clip or a voice.
fn hears(fields: &mut Fields<'_>, key: &Key) -> Option<Hears> {
    match (fields.get("clip"), fields.get("voice")) {
        (Some(clip), None) => {
            let file = fields.keep(path(clip))?;
            Some(Hears::Clip(At { value: file.to_string(), span: clip.span }))
        }
        (None, Some(voice)) => {
            let map = fields.keep(voice.map().ok_or_else(|| voice.wrong("a map of a voice's settings")))?;
            Some(Hears::Voice(Settings { span: voice.span, map: map.clone() }))
        }
        (Some(_), Some(voice)) => {
            let problem = Problem::error(voice.span, "it plays a clip and has a voice");
            fields.problems.push(problem.help("keep one of them"));
            None
        }
        (None, None) => {
            let problem = Problem::error(key.span, "it does not say what is heard");
            fields.problems.push(
                problem.help("clip: a sound file in the film's folder, or voice: a sound that is made"),
            );
            None
        }
    }
}
