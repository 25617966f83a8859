//! What only shows when all shots are read: the film's length, files that two stages share, the assembly
//! and its prints.
//!
//! Knows the declared film. Does not look at the disk.

use std::collections::{BTreeSet, HashMap, HashSet};

use indexmap::IndexMap;

use crate::base::problem::{Problem, Span};
use crate::base::value::{Fields, Key, Map, Node, Value};
use crate::declare::film::{At, Media, Plate, Shot, Stage, Work};
use crate::declare::found::{Found, shortened};
use crate::declare::names::{self, Naming};
use crate::declare::stages::read_pools;

/// Most frames rendered of one stage over all shots: more than nine days at 24 frames a second.
const FILM_LIMIT: usize = 20_000_000;

/// Checks the whole length.
pub fn check_length(
    span: Span,
    shots: &IndexMap<String, Shot>,
    plates: &IndexMap<String, Plate>,
    found: &mut Found,
) {
    let total: usize = shots.values().map(|shot| shot.rendered(plates).len()).sum();
    if total > FILM_LIMIT {
        let problem =
            Problem::error(span, format!("all shots together have {total} frames, handles included"));
        found.push("", problem.help(format!("at most {FILM_LIMIT}")));
    }
}

/// Finds hand stages whose files are another's, or a plate's: one would take the other's for its own.
pub fn check_hands(shots: &IndexMap<String, Shot>, plates: &IndexMap<String, Plate>, found: &mut Found) {
    // Names are compared without regard to capitals and width, as `x.###` may be `X.####` on disk.
    let key = |before: &str, after: &str| format!("{before}#{after}").to_ascii_lowercase();
    let mut owners: HashMap<String, (String, Span)> = HashMap::new();
    for (name, plate) in plates {
        if let Media::Files(files) = &plate.media {
            let at = key(&files.value.before, &files.value.after);
            owners.entry(at).or_insert_with(|| (format!("plate {name}"), files.span));
        }
    }
    let mut told: HashSet<Span> = HashSet::new();
    for (shot, declared) in shots {
        for (stage, made) in &declared.stages {
            let Work::ByHand(hand) = &made.work else { continue };
            let files = &hand.files;
            let at = key(&files.value.before, &files.value.after);
            let Some((other, span)) = owners.get(&at) else {
                owners.insert(at, (format!("shot {shot}, stage {stage}"), files.span));
                continue;
            };
            if !told.insert(files.span) {
                continue;
            }
            let message = format!("its files are those of {other} as well");
            let problem = Problem::error(files.span, message).related(*span, "the other one");
            let help = match other.starts_with("plate ") {
                true => "put what is made by hand elsewhere, such as hands/{shot}/NAME.####.exr",
                false => "put {shot} into the path, so that each shot has its own",
            };
            found.push(&format!("shot {shot}, stage {stage}"), problem.help(help));
        }
    }
}

/// The film's picture as a stage, and the stage of each shot that it takes.
pub fn read_assembly(
    value: &Value,
    pools: &IndexMap<String, At<u32>>,
    found: &mut Found,
) -> Option<(Stage, Option<At<String>>)> {
    let mut fields = found.keep("", Fields::of(value, "the assembly"))?;
    let from = fields.read("from", |value| {
        let text = value.text().map_err(|_| value.wrong("the name of a stage"))?;
        Ok(At { value: text.to_string(), span: value.span })
    });
    let stage = own_stage("assemble", "from", value, &mut fields, pools);
    found.extend("assembly", std::mem::take(&mut fields.problems));
    Some((stage, from))
}

/// The film's prints by name.
pub fn read_prints(
    value: &Value,
    is_assembled: bool,
    pools: &IndexMap<String, At<u32>>,
    found: &mut Found,
) -> IndexMap<String, Stage> {
    let mut prints = IndexMap::new();
    let map = found.keep("prints", value.map().ok_or_else(|| value.wrong("a map of prints by name")));
    if !is_assembled {
        let problem = Problem::error(value.span, "prints show the film's picture, which is not put together");
        found.push("prints", problem.help("declare `assembly: {}` as well"));
    }
    for (key, value) in map.into_iter().flat_map(|map| &map.entries) {
        if !names::check(key, "print", Naming::Plain, "prints", found) {
            continue;
        }
        let own = ["assembly", "mix", "sum", "meter", "level"];
        if let Some(own) = own.into_iter().find(|own| key.text.eq_ignore_ascii_case(own)) {
            let message = format!("the film has a stage of its own called {own}, so that no print can be");
            found.push("prints", Problem::error(key.span, message));
            continue;
        }
        let Some(mut fields) = found.keep("prints", Fields::of(value, "the print")) else { continue };
        let stage = own_stage("print", "pools", value, &mut fields, pools);
        found.extend("prints", std::mem::take(&mut fields.problems));
        prints.insert(key.text.clone(), stage);
    }
    prints
}

/// A stage of the film itself: all fields but `pools` and one of its own are settings of its operator.
fn own_stage(
    operator: &str,
    own: &str,
    value: &Value,
    fields: &mut Fields<'_>,
    pools: &IndexMap<String, At<u32>>,
) -> Stage {
    let places = read_pools(fields, pools);
    let entries = value.map().into_iter().flat_map(|map| &map.entries);
    let settings =
        entries.filter(|(key, value)| key.text != own && key.text != "pools" && value.node != Node::Null);
    Stage {
        span: value.span,
        work: Work::Operator(At { value: operator.into(), span: value.span }),
        from: IndexMap::new(),
        settings: Map { entries: settings.cloned().collect() },
        keep: true,
        pools: places,
    }
}

/// The stage that the assembly takes, held against every shot whose stages are known, sound or not.
#[derive(Debug)]
pub struct Taken<'a> {
    from: Option<&'a At<String>>,
    without: Vec<(String, Span)>,
    some_have: bool,
    /// Stages of shots that lack it, to suggest from.
    known: BTreeSet<String>,
}

impl<'a> Taken<'a> {
    /// Begins; `from` is what the assembly says.
    pub fn new(from: Option<&'a At<String>>) -> Self {
        Self { from, without: Vec::new(), some_have: false, known: BTreeSet::new() }
    }

    /// Takes a shot's stages into account.
    pub fn meet<'s>(&mut self, shot: &Key, mut stages: impl Iterator<Item = &'s str> + Clone) {
        let Some(from) = self.from else { return };
        if stages.clone().any(|stage| stage == from.value) {
            self.some_have = true;
            return;
        }
        self.without.push((shot.text.clone(), shot.span));
        // Some names to suggest from are enough.
        while self.known.len() < 500 {
            let Some(stage) = stages.next() else { break };
            self.known.insert(stage.to_string());
        }
    }

    /// Ends: names the shots that lack the stage.
    pub fn finish(self, found: &mut Found) {
        let Some((from, (_, first))) = self.from.zip(self.without.first()) else { return };
        let name = shortened(&from.value, 40);
        if !self.some_have {
            let problem = Problem::error(from.span, format!("no shot has a stage '{name}'"));
            let known = self.known.iter().map(String::as_str);
            let list: Vec<&str> = known.clone().collect();
            let otherwise = format!("stages of the shots: {}", shortened(&list.join(", "), 200));
            let problem = found.suggest(problem, &from.value, known, &otherwise);
            return found.push("assembly", problem);
        }
        let names: Vec<&str> = self.without.iter().take(8).map(|(name, _)| name.as_str()).collect();
        let more = self.without.len().saturating_sub(8);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        let message = format!("these shots have no stage '{name}': {}{more}", names.join(", "));
        let problem = Problem::error(from.span, message).related(*first, "the first of them");
        found.push("assembly", problem.help("leave 'from' out to take each shot's last stage"));
    }
}
