//! The film's shots: their frames, plates and stages, with recipe, globs and shot merged.
//!
//! Knows a shot's keys and the order of strength: recipe, then `across`, then the shot. Does not
//! know what a stage's own keys mean.

use std::collections::{HashMap, HashSet};

use indexmap::IndexMap;

use crate::base::problem::{Problem, Span};
use crate::base::value::{Fields, Key, Map, Node, Value};
use crate::declare::across::Across;
use crate::declare::film::{At, From, Plate, Shot, Stage};
use crate::declare::found::{Found, shortened};
use crate::declare::names::{self, Naming, Twins};
use crate::declare::plates::FRAMES_LIMIT;
use crate::declare::ranges;
use crate::declare::recipes::{Declared, Recipe, Recipes, STAGES_LIMIT, read_stages, weight};
use crate::declare::references::Chain;
use crate::declare::stages::{self, Draft};
use crate::declare::whole::Taken;

/// Most shots.
const SHOTS_LIMIT: usize = 50_000;
/// Most bytes that all shots' settings may take together: a long recipe in very many shots must end
/// in a message, not in a full memory.
const WEIGHT_LIMIT: usize = 256 << 20;
/// Most handles.
pub const HANDLES_LIMIT: i64 = 10_000;

/// A shot's own keys; every other key is the name of a stage.
const OWN: [&str; 6] = ["plate", "takes", "frames", "handles", "recipe", "stages"];

/// What shots are read against.
pub struct Surroundings<'f> {
    /// Handles of shots that say none.
    pub handles: i64,
    /// Sound plates.
    pub plates: &'f IndexMap<String, Plate>,
    /// Plates that are declared but could not be read.
    pub unsound_plates: &'f HashSet<String>,
    /// All recipes that shots name.
    pub recipes: &'f Recipes,
    /// The film's pools.
    pub pools: &'f IndexMap<String, At<u32>>,
}

/// Reads all shots; those with an error are left out.
pub fn read(
    map: &Map,
    around: &Surroundings<'_>,
    across: &mut Across<'_>,
    taken: &mut Taken<'_>,
    found: &mut Found,
) -> IndexMap<String, Shot> {
    let mut shots = IndexMap::with_capacity(map.entries.len().min(SHOTS_LIMIT));
    let mut twins = Twins::default();
    let mut room = WEIGHT_LIMIT;
    for (i, (key, value)) in map.entries.iter().enumerate() {
        if i == SHOTS_LIMIT {
            let message = format!("{} shots are too many", map.entries.len());
            found.push("", Problem::error(key.span, message).help(format!("at most {SHOTS_LIMIT}")));
            break;
        }
        names::check(key, "shot", Naming::Dotted, "", found);
        twins.check(key, "shot", "", found);
        if names::is_films(key, found) {
            continue;
        }
        let who = format!("shot {}", key.text);
        let before = found.errors();
        let Some(fields) = found.keep(&who, Fields::of(value, "the shot")) else { continue };
        let reading = Reading { key, value, who: &who, around };
        let shot = reading.shot(fields, across, taken, &mut room, found);
        if let Some(shot) = shot.filter(|_| found.errors() == before) {
            shots.insert(key.text.clone(), shot);
        }
        if room == 0 {
            let message =
                format!("all shots' settings together come to more than {} MiB", WEIGHT_LIMIT >> 20);
            let problem = Problem::error(key.span, message);
            found.push("", problem.help("put what is long into a file and name the file"));
            break;
        }
    }
    shots
}

/// Reads a number of handles.
pub fn handles(value: &Value) -> Result<i64, Problem> {
    let n = value.int()?;
    if (0..=HANDLES_LIMIT).contains(&n) {
        return Ok(n);
    }
    let problem = Problem::error(value.span, format!("there cannot be {n} handles"));
    Err(problem.help(format!("frames rendered beyond each end of a shot, from 0 to {HANDLES_LIMIT}")))
}

/// One shot being read.
struct Reading<'r> {
    key: &'r Key,
    value: &'r Value,
    who: &'r str,
    around: &'r Surroundings<'r>,
}

impl Reading<'_> {
    fn shot(
        &self,
        mut fields: Fields<'_>,
        across: &mut Across<'_>,
        taken: &mut Taken<'_>,
        room: &mut usize,
        found: &mut Found,
    ) -> Option<Shot> {
        let frames = fields.need("frames");
        let frames = frames.and_then(|v| fields.keep(v.frames()).map(|value| At { value, span: v.span }));
        let handles = fields.read("handles", handles).unwrap_or(self.around.handles);
        let recipe =
            fields.read("recipe", |v| v.text().map(|text| At { value: text.to_string(), span: v.span }));
        let (plate, takes, own) = (fields.get("plate"), fields.get("takes"), fields.get("stages"));
        found.extend(self.who, fields.problems);
        let plates = self.plates(plate, takes, found);
        let own = own.and_then(|list| read_stages(list, self.who, self.around.pools, found));
        let own_is_broken = own.is_none()
            && self.value.map().is_some_and(|map| map.get("stages").is_some_and(|v| v.node != Node::Null));
        let from_recipe = self.recipe(recipe.as_ref(), found);
        let known = from_recipe.is_ok() && !own_is_broken;
        let from_recipe = from_recipe.unwrap_or(None);
        let mut stages = self.stages(from_recipe, own.as_ref(), known, across, room, found)?;
        if known {
            taken.meet(self.key, stages.keys().copied());
        }
        self.check_chain(&stages, plates.as_ref(), known, found);
        if let Some(from_recipe) = from_recipe {
            self.bring_home(&mut stages, recipe.as_ref(), from_recipe);
        }
        let sound: Option<IndexMap<String, Stage>> =
            stages.into_iter().map(|(name, draft)| Some((name.to_string(), draft.stage?))).collect();
        let (frames, plates) = (frames?, plates?);
        if frames.value.len() > FRAMES_LIMIT {
            let problem = Problem::error(frames.span, format!("{} frames are too many", frames.value.len()));
            found.push(self.who, problem.help(format!("at most {FRAMES_LIMIT} in one shot")));
            return None;
        }
        let shot =
            Shot { span: self.key.span, frames, handles, plates, recipe, stages: sound.unwrap_or_default() };
        ranges::check(self.who, &shot, self.around.plates, found);
        (known && !shot.stages.is_empty()).then_some(shot)
    }

    /// Where a stage that comes from a recipe stands as far as this shot is concerned, so that what is wrong with it here is
    /// told at the shot's own words for it; where it has none, at its naming of a recipe that nobody can mend.
    fn bring_home(&self, stages: &mut IndexMap<&str, Draft>, named: Option<&At<String>>, recipe: &Recipe) {
        for (name, draft) in stages.iter_mut().filter(|(name, _)| recipe.stages.contains_key(**name)) {
            let shipped = named.filter(|_| recipe.is_shipped).map(|at| at.span);
            let (Some(place), Some(stage)) = (self.own(name).or(shipped), &mut draft.stage) else { continue };
            stage.span = place;
            if !recipe.is_shipped {
                continue;
            }
            for at in stage.from.values_mut() {
                if let From::Many(many) = &mut at.value {
                    let theirs = many.values_mut().filter(|one| one.span.source != place.source);
                    theirs.for_each(|one| one.span = place);
                }
                if at.span.source != place.source {
                    at.span = place;
                }
            }
        }
    }

    /// Where the shot has words for a stage.
    fn own(&self, stage: &str) -> Option<Span> {
        let mut entries = self.value.map()?.entries.iter();
        let own = entries.find(|(key, value)| key.text == stage && matches!(value.node, Node::Map(_)))?;
        Some(own.0.span)
    }

    /// `plate: NAME` or `takes: { NAME: PLATE }`.
    fn plates(
        &self,
        plate: Option<&Value>,
        takes: Option<&Value>,
        found: &mut Found,
    ) -> Option<IndexMap<String, At<String>>> {
        let mut out = IndexMap::new();
        match (plate, takes) {
            (Some(plate), None) => drop(out.insert("plate".to_string(), self.plate(plate, found)?)),
            (None, Some(takes)) => {
                let map = found
                    .keep(self.who, takes.map().ok_or_else(|| takes.wrong("a map of takes and plates")))?;
                let before = found.errors();
                if map.entries.is_empty() {
                    let problem = Problem::error(takes.span, "'takes' names no take");
                    found.push(self.who, problem.help("write takes: { left: PLATE, right: PLATE }"));
                }
                for (key, value) in &map.entries {
                    names::check(key, "take", Naming::Plain, self.who, found);
                    if let Some(plate) = self.plate(value, found) {
                        out.insert(format!("take.{}", key.text), plate);
                    }
                }
                if found.errors() != before {
                    return None;
                }
            }
            (Some(plate), Some(takes)) => {
                let problem = Problem::error(takes.span, "the shot says both 'plate' and 'takes'");
                let problem = problem.related(plate.span, "the other one");
                found.push(
                    self.who,
                    problem.help("a shot made of one plate says 'plate', of several 'takes'"),
                );
                return None;
            }
            (None, None) => {
                let problem = Problem::error(self.key.span, "the shot names no plate");
                found.push(
                    self.who,
                    problem.help("give it plate: NAME, or takes: { left: NAME, right: NAME }"),
                );
                return None;
            }
        }
        Some(out)
    }

    fn plate(&self, value: &Value, found: &mut Found) -> Option<At<String>> {
        let text = found.keep(self.who, value.text().map_err(|_| value.wrong("the name of a plate")))?;
        if self.around.plates.contains_key(text) {
            return Some(At { value: text.to_string(), span: value.span });
        }
        if !self.around.unsound_plates.contains(text) {
            let problem = Problem::error(value.span, format!("there is no plate '{}'", shortened(text, 40)));
            let names = self.around.plates.keys().chain(self.around.unsound_plates);
            let problem =
                found.suggest(problem, text, names.map(String::as_str), "declare it under 'plates'");
            found.push(self.who, problem);
        }
        None
    }

    /// The shot's recipe; an error when it is named but could not be read or is unknown.
    fn recipe(&self, name: Option<&At<String>>, found: &mut Found) -> Result<Option<&Recipe>, ()> {
        let Some(name) = name else { return Ok(None) };
        match self.around.recipes.get(&name.value) {
            Some(Some(recipe)) => Ok(Some(recipe)),
            Some(None) => Err(()),
            None => {
                let message = format!("there is no recipe '{}'", shortened(&name.value, 40));
                let names = self.around.recipes.names();
                let otherwise = format!("known here: {}", shortened(&names.join(", "), 200));
                let problem = Problem::error(name.span, message);
                let problem = found.suggest(problem, &name.value, names.iter().copied(), &otherwise);
                found.push(self.who, problem);
                Err(())
            }
        }
    }

    /// All stages in order with their settings merged, as far as they could be read.
    fn stages<'d>(
        &self,
        recipe: Option<&'d Recipe>,
        own: Option<&'d IndexMap<String, Declared>>,
        known: bool,
        across: &mut Across<'_>,
        room: &mut usize,
        found: &mut Found,
    ) -> Option<IndexMap<&'d str, Draft>> {
        let of_recipe = recipe.into_iter().flat_map(|recipe| recipe.stages.iter());
        let mut all: IndexMap<&str, &Declared> = of_recipe.map(|(name, d)| (name.as_str(), d)).collect();
        for (name, declared) in own.into_iter().flatten() {
            if let Some(other) = all.get(name.as_str()) {
                let problem =
                    Problem::error(declared.draft.span, format!("its recipe already has a stage '{name}'"));
                let problem = problem.related(other.draft.span, "declared here").help(format!(
                    "to change that one write {name}: {{ … }} outside of 'stages', else give the new one another name"
                ));
                found.push(self.who, problem);
                continue;
            }
            all.insert(name, declared);
        }
        if all.len() > STAGES_LIMIT {
            let problem = Problem::error(self.key.span, format!("{} stages are too many", all.len()));
            found.push(self.who, problem.help(format!("at most {STAGES_LIMIT} in one shot")));
            return None;
        }
        let overrides = self.overrides(&all, known, found);
        let has = |name: &str| all.contains_key(name);
        let layers = across.of(&self.key.text, known.then_some(&has as _), all.keys().copied());
        let mut out = IndexMap::with_capacity(all.len());
        for (name, declared) in all {
            let over = layers.get(name).into_iter().flatten().chain(overrides.get(name)).copied();
            out.insert(name, self.stage(name, declared, over, room, found)?);
        }
        Some(out)
    }

    fn stage<'m>(
        &self,
        name: &str,
        declared: &Declared,
        over: impl Iterator<Item = &'m Map>,
        room: &mut usize,
        found: &mut Found,
    ) -> Option<Draft> {
        let mut merged: Option<Map> = None;
        let mut bytes = declared.weight;
        for layer in over {
            bytes += weight(layer);
            if bytes > *room {
                break;
            }
            merged = Some(stages::overlaid(merged.as_ref().unwrap_or(&declared.map), layer));
        }
        *room = room.saturating_sub(bytes);
        if *room == 0 {
            return None;
        }
        let mut draft = match merged {
            None => declared.draft.clone(),
            Some(map) => {
                let span = self.own(name).unwrap_or(declared.draft.span);
                let (draft, problems) = stages::read(span, &map, self.around.pools);
                found.extend(&format!("{}, stage {name}", self.who), problems);
                draft
            }
        };
        draft.stage.iter_mut().for_each(|stage| stages::fill_in_shot(stage, &self.key.text));
        Some(draft)
    }

    /// The shot's settings for stages, by stage.
    fn overrides(
        &self,
        all: &IndexMap<&str, &Declared>,
        known: bool,
        found: &mut Found,
    ) -> HashMap<&str, &Map> {
        let mut out = HashMap::new();
        let entries = self.value.map().into_iter().flat_map(|map| &map.entries);
        for (key, value) in entries.filter(|(key, _)| !OWN.contains(&key.text.as_str())) {
            let name = key.text.as_str();
            if !all.contains_key(name) {
                if known {
                    self.unknown(key, all, found);
                }
                continue;
            }
            match &value.node {
                Node::Null => {}
                Node::Map(map) => drop(out.insert(name, map)),
                _ => found.push(&format!("{}, stage {name}", self.who), value.wrong("a map of settings")),
            }
        }
        out
    }

    fn unknown(&self, key: &Key, all: &IndexMap<&str, &Declared>, found: &mut Found) {
        let name = shortened(&key.text, 40);
        let problem = Problem::error(key.span, format!("the shot has no stage or setting '{name}'"));
        let list: Vec<&str> = all.keys().copied().collect();
        let otherwise = match list.is_empty() {
            true => format!("settings of a shot: {}", OWN.join(", ")),
            false => {
                format!("its stages: {}; settings: {}", shortened(&list.join(", "), 200), OWN.join(", "))
            }
        };
        let problem = found.suggest(problem, &key.text, list.iter().copied().chain(OWN), &otherwise);
        found.push(self.who, problem);
    }

    fn check_chain(
        &self,
        stages: &IndexMap<&str, Draft>,
        plates: Option<&IndexMap<String, At<String>>>,
        known: bool,
        found: &mut Found,
    ) {
        if stages.is_empty() && known {
            let problem = Problem::error(self.key.span, "the shot has no stages");
            found.push(
                self.who,
                problem.help("name a recipe, such as recipe: plain-grade, or give it stages"),
            );
        }
        if !known {
            return;
        }
        let list = stages.iter().map(|(name, draft)| (*name, draft)).collect();
        let span: Span = self.key.span;
        Chain { who: self.who, span, plates, stages: list }.check(found);
    }
}
