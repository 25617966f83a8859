//! Recipes: chains of stages that shots share, from the project's files or shipped with the tool.
//!
//! Knows a recipe file's keys and reads each stage once, so that a shot that changes nothing only
//! copies it. Does not look at the disk: the caller hands texts over.

use std::collections::HashMap;

use indexmap::IndexMap;

use crate::base::problem::{Problem, SourceId, Sources, Span};
use crate::base::value::{Fields, Key, Map, Node, Value};
use crate::base::yaml;
use crate::declare::film::At;
use crate::declare::found::{Found, shortened};
use crate::declare::names::{self, Naming, Twins, path};
use crate::declare::references::Chain;
use crate::declare::stages::{self, Draft};

/// Most stages that one shot may have.
pub const STAGES_LIMIT: usize = 256;

/// Words that a shot's own keys or a reference use, which no stage may be called.
const TAKEN: [&str; 7] = ["plate", "take", "takes", "frames", "handles", "recipe", "stages"];

/// Recipes that ship with the tool: name and text.
pub const SHIPPED: [(&str, &str); 4] = [
    ("blade-duel", include_str!("../../pipelines/blade-duel.yaml")),
    ("joined-takes", include_str!("../../pipelines/joined-takes.yaml")),
    ("plain-grade", include_str!("../../pipelines/plain-grade.yaml")),
    ("speed-ramp", include_str!("../../pipelines/speed-ramp.yaml")),
];

/// Hands over the text of a project file, or says why it cannot.
pub type Load<'l> = &'l mut dyn FnMut(&str) -> Result<String, String>;

/// One recipe.
#[derive(Debug)]
pub struct Recipe {
    /// Its stages in order.
    pub stages: IndexMap<String, Declared>,
    /// Whether it ships with the tool, so that nobody can mend it.
    pub is_shipped: bool,
}

/// One stage as a recipe or shot declares it.
#[derive(Debug)]
pub struct Declared {
    /// Its keys.
    pub map: Map,
    /// The stage as it stands.
    pub draft: Draft,
    /// Roughly how many bytes a copy takes.
    pub weight: usize,
}

/// All recipes that the film may name.
#[derive(Debug, Default)]
pub struct Recipes {
    named: HashMap<String, Option<Recipe>>,
}

impl Recipes {
    /// Reads the project's recipe files.
    pub fn read(
        list: Option<&Value>,
        sources: &mut Sources,
        load: Load<'_>,
        pools: &IndexMap<String, At<u32>>,
        found: &mut Found,
    ) -> Self {
        let mut recipes = Self::default();
        let Some(items) = list.and_then(|list| found.keep("recipes", list.list())) else { return recipes };
        let mut paths = HashMap::new();
        let mut places: HashMap<String, Span> = HashMap::new();
        for item in items {
            let Some(file) = found.keep("recipes", path(item)) else { continue };
            if let Some(before) = paths.insert(file, item.span) {
                let problem = Problem::error(item.span, format!("recipe file {file} is named twice"));
                found.push("", problem.related(before, "the first time"));
                continue;
            }
            let text = match load(file) {
                Ok(text) => text,
                Err(why) => {
                    let message = format!("recipe file {file} cannot be read: {}", shortened(&why, 200));
                    found.push("", Problem::error(item.span, message));
                    continue;
                }
            };
            let source = sources.add(file, text.as_str());
            let Some((name, recipe)) = read_text(source, &text, pools, found) else { continue };
            if let Some(&before) = places.get(&name.text) {
                let problem = Problem::error(name.span, format!("there are two recipes '{}'", name.text));
                found.push("", problem.related(before, "the other one").help("give one another name"));
                continue;
            }
            places.insert(name.text.clone(), name.span);
            recipes.named.insert(name.text, recipe);
        }
        recipes
    }

    /// Makes sure that the shipped recipe of that name is read, when the project has none of that name.
    pub fn want(
        &mut self,
        name: &str,
        sources: &mut Sources,
        pools: &IndexMap<String, At<u32>>,
        found: &mut Found,
    ) {
        if self.named.contains_key(name) {
            return;
        }
        let Some((_, text)) = SHIPPED.iter().find(|(shipped, _)| *shipped == name) else { return };
        let source = sources.add(format!("shipped recipe {name}"), *text);
        let recipe = read_text(source, text, pools, found).and_then(|(_, recipe)| recipe);
        let recipe = recipe.map(|recipe| Recipe { is_shipped: true, ..recipe });
        self.named.insert(name.to_string(), recipe);
    }

    /// The recipe of that name; `Some(None)` when there is one that could not be read.
    pub fn get(&self, name: &str) -> Option<Option<&Recipe>> {
        self.named.get(name).map(Option::as_ref)
    }

    /// Names of all recipes, sorted.
    pub fn names(&self) -> Vec<&str> {
        let shipped = SHIPPED.iter().map(|(name, _)| *name);
        let mut names: Vec<&str> = self.named.keys().map(String::as_str).chain(shipped).collect();
        names.sort_unstable();
        names.dedup();
        names
    }
}

/// Reads one recipe file: its name, if it says one, and the recipe, unless its form is wrong.
fn read_text(
    source: SourceId,
    text: &str,
    pools: &IndexMap<String, At<u32>>,
    found: &mut Found,
) -> Option<(Key, Option<Recipe>)> {
    let (value, problems) = yaml::parse(source, text);
    found.extend("", problems);
    let value = value?;
    let mut fields = found.keep("", Fields::of(&value, "a recipe file"))?;
    let name = fields.need("recipe").and_then(|value| fields.keep(value.text()).map(|text| (value, text)));
    let list = fields.need("stages");
    found.extend("", fields.finish());
    let (at, name) = name?;
    let key = Key { text: name.to_string(), span: at.span };
    names::check(&key, "recipe", Naming::Dotted, "", found);
    let who = format!("recipe {name}");
    let recipe = list.and_then(|list| {
        let stages = read_stages(list, &who, pools, found)?;
        let chain = stages.iter().map(|(name, declared)| (name.as_str(), &declared.draft)).collect();
        Chain { who: &who, span: key.span, plates: None, stages: chain }.check(found);
        Some(Recipe { stages, is_shipped: false })
    });
    Some((key, recipe))
}

/// Reads a map of stages, each as it stands.
pub fn read_stages(
    list: &Value,
    who: &str,
    pools: &IndexMap<String, At<u32>>,
    found: &mut Found,
) -> Option<IndexMap<String, Declared>> {
    let map = found.keep(who, list.map().ok_or_else(|| list.wrong("a map of stages by name")))?;
    if map.entries.is_empty() {
        found.push(who, Problem::error(list.span, "'stages' names no stage"));
    }
    if map.entries.len() > STAGES_LIMIT {
        let message = format!("{} stages are too many", map.entries.len());
        found.push(who, Problem::error(list.span, message).help(format!("at most {STAGES_LIMIT}")));
        return None;
    }
    let mut out = IndexMap::new();
    let mut twins = Twins::default();
    for (key, value) in &map.entries {
        let named = names::check(key, "stage", Naming::Plain, who, found);
        twins.check(key, "stage", who, found);
        if TAKEN.contains(&key.text.as_str()) {
            let problem = Problem::error(key.span, format!("a stage cannot be called '{}'", key.text));
            found.push(
                who,
                problem.help("the word means something else in a shot; give the stage another name"),
            );
            continue;
        }
        let context = format!("{who}, stage {}", key.text);
        let nothing = Map::default();
        let (map, draft) = match &value.node {
            Node::Map(map) => {
                let (mut draft, problems) = stages::read(key.span, map, pools);
                found.extend(&context, problems);
                draft.stage = draft.stage.filter(|_| named);
                (map, draft)
            }
            _ => {
                found.push(&context, value.wrong("a map of settings"));
                (&nothing, Draft { span: key.span, from: IndexMap::new(), stage: None })
            }
        };
        let declared = Declared { map: map.clone(), draft, weight: weight(map) };
        out.insert(key.text.clone(), declared);
    }
    Some(out)
}

/// Roughly how many bytes a copy of a map takes.
pub fn weight(map: &Map) -> usize {
    map.entries.iter().map(|(key, value)| 64 + key.text.len() + value_weight(value)).sum()
}

fn value_weight(value: &Value) -> usize {
    64 + match &value.node {
        Node::Null => 0,
        Node::Scalar(scalar) => scalar.text.len(),
        Node::List(items) => items.iter().map(value_weight).sum(),
        Node::Map(map) => weight(map),
    }
}
