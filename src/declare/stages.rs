//! One stage: the keys that every stage has, and how it is made.
//!
//! Knows how settings lie on top of each other and reads the result. Does not know operators'
//! parameters (they stay a located map), nor the other stages of the shot.

use indexmap::IndexMap;

use crate::base::problem::{Problem, Problems, Severity, Span, nearest};
use crate::base::value::{Fields, Map, Node, Value};
use crate::declare::commands;
use crate::declare::film::{At, ByHand, Coding, Delivers, Each, FilePattern, From, Stage, Work};
use crate::declare::found::shortened;
use crate::declare::names::path;
use crate::declare::places::own_folder;
use crate::declare::references;

/// Ways a stage is made; exactly one is written.
const KINDS: [&str; 3] = ["operator", "command", "by_hand"];
/// Keys that every stage has.
const EVERY: [&str; 3] = ["from", "keep", "pools"];

/// Puts `over` on top of a stage. Settings merge key by key; but when `over` says another way of
/// making it (a hand stage instead of an operator, or another operator), what belonged to the old
/// way goes, and only `from`, `keep` and `pools` stay.
pub fn overlaid(base: &Map, over: &Map) -> Map {
    let kind = |map: &Map| KINDS.into_iter().find(|kind| written(map, kind).is_some());
    let (old, new) = (kind(base), kind(over));
    let same_operator = || match (written(base, "operator"), written(over, "operator")) {
        (Some(a), Some(b)) => a.node == b.node,
        _ => true,
    };
    if new.is_none() || (old == new && same_operator()) {
        return base.overlaid(over);
    }
    let kept = base.entries.iter().filter(|(key, _)| EVERY.contains(&key.text.as_str()));
    Map { entries: kept.cloned().collect() }.overlaid(over)
}

fn written<'a>(map: &'a Map, key: &str) -> Option<&'a Value> {
    map.get(key).filter(|value| value.node != Node::Null)
}

/// A stage as far as it could be read.
#[derive(Clone, Debug)]
pub struct Draft {
    /// Where it is named.
    pub span: Span,
    /// Its inputs, those that could be read.
    pub from: IndexMap<String, At<From>>,
    /// The stage, when all of it is sound.
    pub stage: Option<Stage>,
}

impl Draft {
    /// True when it surely takes the stage before it because it says no input. Not known, and so not
    /// said, of an operator, which may have no input at all, nor of an unsound stage, which may say what
    /// could not be read.
    pub fn starts_from_the_one_before(&self) -> bool {
        let takes_something = |stage: &Stage| !matches!(stage.work, Work::Operator(_));
        self.from.is_empty() && self.stage.as_ref().is_some_and(takes_something)
    }
}

/// Reads a stage from its merged keys.
pub fn read(span: Span, map: &Map, pools: &IndexMap<String, At<u32>>) -> (Draft, Problems) {
    let mut fields = Fields::new(map, span, "the stage");
    let from = match fields.get("from") {
        Some(value) => references::read_from(value, &mut fields.problems),
        None => IndexMap::new(),
    };
    let keep = fields.read("keep", Value::flag).unwrap_or(true);
    let places = read_pools(&mut fields, pools);
    let Some((kind, value)) = way(&mut fields, span) else {
        return (Draft { span, from, stage: None }, fields.problems);
    };
    let (made, problems) = match kind {
        "operator" => {
            let name = fields.keep(value.text());
            let settings = rest(map);
            (
                name.map(|name| (Work::Operator(At { value: name.into(), span: value.span }), settings)),
                fields.problems,
            )
        }
        "command" => {
            let made = commands::read(&mut fields, value, &from);
            if let Some((command, _)) = made.as_ref().filter(|_| !keep) {
                calls_are_kept(&mut fields, command.each);
            }
            (made.map(|(command, with)| (Work::Command(command), with)), fields.finish())
        }
        _ => {
            let made = by_hand(value, &mut fields.problems);
            (made.map(|hand| (Work::ByHand(hand), Map::default())), fields.finish())
        }
    };
    let sound = !problems.iter().any(|problem| problem.severity == Severity::Error);
    let stage = made.filter(|_| sound).map(|(work, settings)| {
        let from = from.clone();
        Stage { span, work, from, settings, keep, pools: places }
    });
    (Draft { span, from, stage }, problems)
}

/// One frame of a call of many cannot be made again alone, so that what such calls deliver must be kept.
fn calls_are_kept(fields: &mut Fields<'_>, each: Each) {
    let (Some(keep), Some(word)) = (fields.get("keep"), fields.get("each")) else { return };
    if each != Each::Frame {
        let problem = Problem::error(keep.span, "renders of a call that makes several frames must be kept");
        let problem = problem.related(word.span, "the call makes several frames");
        fields.problems.push(problem.help("leave out 'keep', or write each: frame"));
    }
}

/// Which of the ways is written: exactly one.
fn way<'a>(fields: &mut Fields<'a>, span: Span) -> Option<(&'static str, &'a Value)> {
    let all: Vec<_> =
        KINDS.into_iter().filter_map(|kind| fields.get(kind).map(|value| (kind, value))).collect();
    match all[..] {
        [one] => Some(one),
        [] => {
            let problem = Problem::error(span, "the stage does not say how it is made");
            fields.problems.push(problem.help("give it one of: operator, command, by_hand"));
            None
        }
        [(first, value), (second, other), ..] => {
            let message = format!("the stage says both '{first}' and '{second}'");
            let problem = Problem::error(other.span, message).related(value.span, "the other one");
            fields.problems.push(problem.help("exactly one of: operator, command, by_hand"));
            None
        }
    }
}

/// An operator's settings: all that is not a key of every stage. Those taken away stay, so that the operator
/// can say which of them it never had.
fn rest(map: &Map) -> Map {
    let own = |key: &str| !EVERY.contains(&key) && !KINDS.contains(&key);
    let settings = map.entries.iter().filter(|(key, _)| own(&key.text));
    Map { entries: settings.cloned().collect() }
}

/// Reads `pools: { licence: 1 }` against the film's pools.
pub fn read_pools(fields: &mut Fields<'_>, pools: &IndexMap<String, At<u32>>) -> Vec<(At<String>, u32)> {
    let Some(value) = fields.get("pools") else { return Vec::new() };
    let Node::Map(map) = &value.node else {
        let problem = value.wrong("a map of pools");
        fields.problems.push(problem.help("write pools: { NAME: PLACES }"));
        return Vec::new();
    };
    let mut taken = Vec::new();
    for (key, value) in map.entries.iter().filter(|(_, value)| value.node != Node::Null) {
        let Some(places) = fields.keep(value.int()) else { continue };
        let name = shortened(&key.text, 40);
        let Some(pool) = pools.get(&key.text) else {
            let problem = Problem::error(key.span, format!("there is no pool '{name}'"));
            let near = nearest(&key.text, pools.keys().take(200).map(String::as_str));
            fields.problems.push(problem.help(match near {
                Some(near) => format!("did you mean '{near}'?"),
                None => format!("declare it in the film: pools: {{ {name}: {} }}", places.max(1)),
            }));
            continue;
        };
        if places < 1 || places > i64::from(pool.value) {
            let message = format!("{places} places cannot be taken in pool '{name}'");
            let problem = Problem::error(value.span, message).related(pool.span, "the pool");
            fields.problems.push(problem.help(format!("from 1 to the {} that it has", pool.value)));
            continue;
        }
        taken.push((At { value: key.text.clone(), span: key.span }, places as u32));
    }
    taken
}

fn by_hand(value: &Value, problems: &mut Problems) -> Option<ByHand> {
    let mut fields = Fields::of(value, "by_hand").map_err(|problem| problems.push(problem)).ok()?;
    let files = fields.need("files");
    let files =
        files.and_then(|files| fields.keep(hand_files(files).map(|p| At { value: p, span: files.span })));
    let delivers = commands::delivers(&mut fields);
    let coding = coding(&mut fields);
    if let (Some(files), Delivers::Mattes(names)) = (&files, &delivers) {
        fields.problems.extend(too_many_mattes(files, names));
    }
    problems.extend(fields.finish());
    Some(ByHand { files: files?, delivers, coding })
}

/// Several mattes in one file are told apart by the names of its channels, which OpenEXR alone has.
fn too_many_mattes(files: &At<FilePattern>, names: &[std::sync::Arc<str>]) -> Option<Problem> {
    let is_named = files.value.after.to_ascii_lowercase().ends_with(".exr");
    if names.len() < 2 || is_named {
        return None;
    }
    let message = format!(
        "{} mattes are to be in one file, and only OpenEXR names the channels that tell them apart: they could never come in",
        names.len()
    );
    let help = "let the files end in .exr, or make a stage of each matte";
    Some(Problem::error(files.span, message).help(help))
}

fn hand_files(value: &Value) -> Result<FilePattern, Problem> {
    let pattern = pattern(value)?;
    let whole = format!("{}#{}", pattern.before, pattern.after);
    let unnamed = whole.replace("{shot}", "");
    if unnamed.contains(['{', '}']) {
        let problem =
            Problem::error(value.span, "only {shot} may stand in braces in the files of a hand stage");
        return Err(problem.help("the stage's name is known where it is written"));
    }
    if let Some(own) = own_folder(&whole) {
        let message = format!("files made by hand cannot be put into {own}");
        return Err(Problem::error(value.span, message).help("for example hands/{shot}/NAME.####.exr"));
    }
    Ok(pattern)
}

/// Reads a path with one run of `#` for the frame number.
pub fn pattern(value: &Value) -> Result<FilePattern, Problem> {
    let text = path(value)?;
    FilePattern::parse(text).map_err(|rule| {
        let message = format!("'{}' is no pattern of files, one a frame", shortened(text, 80));
        Problem::error(value.span, message).help(format!("{rule}, as in plates/NAME.####.exr"))
    })
}

/// Reads how the colour of files is coded: names that whoever decodes them checks.
pub fn coding(fields: &mut Fields<'_>) -> Coding {
    let mut name = |key: &'static str, what: &str| {
        fields.read(key, |value| {
            let text = value.text().map_err(|_| value.wrong(what))?;
            Ok(At { value: text.to_string(), span: value.span })
        })
    };
    Coding {
        encoding: name("encoding", "the name of an encoding"),
        primaries: name("primaries", "the name of a set of primaries"),
    }
}

/// Puts the shot's name in place of `{shot}`, in files and in an operator's settings.
/// (A command's words keep it, for they are filled in when it runs.)
pub fn fill_in_shot(stage: &mut Stage, shot: &str) {
    fill_map(&mut stage.settings, shot);
    match &mut stage.work {
        Work::Operator(_) => {}
        Work::Command(command) => {
            for file in &mut command.depends {
                fill(&mut file.value, shot);
            }
        }
        Work::ByHand(hand) => {
            fill(&mut hand.files.value.before, shot);
            fill(&mut hand.files.value.after, shot);
        }
    }
}

fn fill_map(map: &mut Map, shot: &str) {
    for (_, value) in &mut map.entries {
        fill_value(value, shot);
    }
}

fn fill_value(value: &mut Value, shot: &str) {
    match &mut value.node {
        Node::Null => {}
        Node::Scalar(scalar) => fill(&mut scalar.text, shot),
        Node::List(items) => items.iter_mut().for_each(|item| fill_value(item, shot)),
        Node::Map(map) => fill_map(map, shot),
    }
}

fn fill(text: &mut String, shot: &str) {
    if text.contains("{shot}") {
        *text = text.replace("{shot}", shot);
    }
}
