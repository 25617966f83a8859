//! Settings for many shots at once: `across`, globs of shots' names to stages' settings.
//!
//! Knows which entries fit a shot and in which order they lie. Does not know what stages are.

use std::collections::{BTreeSet, HashMap};

use crate::base::problem::Problem;
use crate::base::selector::Glob;
use crate::base::value::{Key, Map, Node, Value};
use crate::declare::found::{Found, shortened};

/// Most entries; each is held against every shot.
const ENTRIES_LIMIT: usize = 500;

/// All entries in order.
#[derive(Debug, Default)]
pub struct Across<'v> {
    entries: Vec<Entry<'v>>,
    /// Entries that are plain names, which need no comparing.
    exact: HashMap<&'v str, usize>,
    globs: Vec<(Glob, usize)>,
}

#[derive(Debug)]
struct Entry<'v> {
    key: &'v Key,
    stages: Vec<Layer<'v>>,
    fitted: bool,
    /// Stages of the shots it fitted, to suggest from.
    known: BTreeSet<String>,
}

#[derive(Debug)]
struct Layer<'v> {
    stage: &'v Key,
    settings: &'v Map,
    met: bool,
}

impl<'v> Across<'v> {
    /// Reads the entries.
    pub fn read(value: Option<&'v Value>, found: &mut Found) -> Self {
        let mut across = Self::default();
        let Some(value) = value else { return across };
        let Node::Map(map) = &value.node else {
            found.push("across", value.wrong("a map of globs and settings"));
            return across;
        };
        if map.entries.len() > ENTRIES_LIMIT {
            let message = format!("{} entries of 'across' are too many", map.entries.len());
            found.push("", Problem::error(value.span, message).help(format!("at most {ENTRIES_LIMIT}")));
            return across;
        }
        for (key, value) in &map.entries {
            let glob = match Glob::parse(&key.text) {
                Ok(glob) => glob,
                Err(why) => {
                    let message = format!("'{}' cannot fit the name of any shot", shortened(&key.text, 40));
                    found.push(
                        "across",
                        Problem::error(key.span, message).help(shortened(&why.to_string(), 200)),
                    );
                    continue;
                }
            };
            let Some(stages) = layers(key, value, found) else { continue };
            let at = across.entries.len();
            across.entries.push(Entry { key, stages, fitted: false, known: BTreeSet::new() });
            match glob.is_plain() {
                true => drop(across.exact.insert(&key.text, at)),
                false => across.globs.push((glob, at)),
            }
        }
        across
    }

    /// Settings for the stages of a shot, weakest first. `stages` are the names that the shot has;
    /// none when they are not known because its recipe could not be read.
    pub fn of<'s>(
        &mut self,
        shot: &str,
        stages: Option<&dyn Fn(&str) -> bool>,
        names: impl Iterator<Item = &'s str> + Clone,
    ) -> HashMap<&'v str, Vec<&'v Map>> {
        let fits = self.globs.iter().filter(|(glob, _)| glob.matches(shot)).map(|(_, at)| *at);
        let mut fitting: Vec<usize> = fits.chain(self.exact.get(shot).copied()).collect();
        fitting.sort_unstable();
        let mut out: HashMap<&str, Vec<&Map>> = HashMap::new();
        for at in fitting {
            let entry = &mut self.entries[at];
            entry.fitted = true;
            for layer in &mut entry.stages {
                match stages {
                    None => layer.met = true,
                    Some(has) if has(&layer.stage.text) => {
                        layer.met = true;
                        out.entry(&layer.stage.text).or_default().push(layer.settings);
                    }
                    // Some names to suggest from are enough.
                    Some(_) if !layer.met && entry.known.len() < 500 => {
                        entry.known.extend(names.clone().map(str::to_string));
                    }
                    Some(_) => {}
                }
            }
        }
        out
    }

    /// Ends: names the entries that fitted no shot and the stages that no fitting shot has.
    pub fn finish<'s>(self, shots: impl Iterator<Item = &'s str> + Clone, found: &mut Found) {
        for entry in self.entries {
            if !entry.fitted {
                let problem =
                    Problem::error(entry.key.span, format!("'{}' fits no shot", entry.key.text)).warning();
                let problem = found.suggest(problem, &entry.key.text, shots.clone(), "");
                found.push("across", problem);
                continue;
            }
            for layer in entry.stages.iter().filter(|layer| !layer.met) {
                let name = shortened(&layer.stage.text, 40);
                let message = format!("no shot that '{}' fits has a stage '{name}'", entry.key.text);
                let known = entry.known.iter().map(String::as_str);
                let list: Vec<&str> = known.clone().take(20).collect();
                let otherwise = format!("their stages: {}", list.join(", "));
                let problem = Problem::error(layer.stage.span, message);
                let problem = found.suggest(problem, &layer.stage.text, known, &otherwise);
                found.push("across", problem);
            }
        }
    }
}

fn layers<'v>(key: &Key, value: &'v Value, found: &mut Found) -> Option<Vec<Layer<'v>>> {
    let context = format!("across '{}'", key.text);
    let Node::Map(map) = &value.node else {
        found.push(&context, value.wrong("a map of stages and settings"));
        return None;
    };
    let mut out = Vec::new();
    for (stage, value) in &map.entries {
        match &value.node {
            Node::Null => {}
            Node::Map(settings) => out.push(Layer { stage, settings, met: false }),
            _ => found.push(&format!("{context}, stage {}", stage.text), value.wrong("a map of settings")),
        }
    }
    Some(out)
}
