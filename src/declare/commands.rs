//! The keys of a stage that a command of the user's makes.
//!
//! Knows how a command line is split into words and which names its braces may hold. Runs nothing.

use std::collections::HashSet;

use indexmap::IndexMap;

use crate::base::braces::{Piece, pieces};
use crate::base::problem::{Problem, nearest};
use crate::base::value::{Fields, Map, Node, Value};
use crate::declare::film::{At, Command, Delivers, Each, From};
use crate::declare::found::shortened;
use crate::declare::names::{Naming, fault, path};

/// Names in braces that every command knows, besides its inputs and the keys of its `with`.
pub const PLACES: [&str; 9] = ["out", "shot", "stage", "frame", "first", "last", "film", "width", "height"];

/// Longest reach, in frames.
const REACH_LIMIT: i64 = 10_000;
/// Most tries after the first.
const RETRY_LIMIT: i64 = 100;
/// Longest time limit, in seconds: thirty days.
const TIME_LIMIT: f64 = 30.0 * 86_400.0;

/// Reads a command stage's own keys; `from` holds its inputs. Problems go to `fields`.
pub fn read(
    fields: &mut Fields<'_>,
    line: &Value,
    from: &IndexMap<String, At<From>>,
) -> Option<(Command, Map)> {
    let line = fields.keep(words(line, "command"));
    let each = fields.read("each", each).unwrap_or(Each::Frame);
    let reach = fields.read("reach", |v| whole(v, "'reach', in frames,", REACH_LIMIT)).unwrap_or(0);
    let delivers = delivers(fields);
    let version_from = fields.read("version_from", |v| words(v, "version_from"));
    let depends = depends(fields);
    let time_limit = fields.read("time_limit", seconds);
    let retries = fields.read("retries", |v| whole(v, "'retries'", RETRY_LIMIT)).unwrap_or(0);
    let memory = fields.read("memory", bytes);
    let with = with(fields, from, each);
    let words = line?;
    places(fields, &words, each, from, &with);
    let command = Command {
        words,
        each,
        reach,
        delivers,
        version_from,
        depends,
        time_limit,
        retries: retries as u32,
        memory,
    };
    Some((command, with))
}

/// Splits a command line into words as a shell would, without expanding anything.
fn words(line: &Value, what: &str) -> Result<At<Vec<String>>, Problem> {
    let text = line.text().map_err(|_| line.wrong("a command line"))?;
    if text.contains('\0') {
        return Err(Problem::error(line.span, format!("'{what}' holds a zero byte")));
    }
    match shlex::split(text) {
        Some(words) if words.is_empty() => {
            Err(Problem::error(line.span, format!("'{what}' is empty"))
                .help("name a program and its arguments"))
        }
        Some(words) => Ok(At { value: words, span: line.span }),
        None => Err(Problem::error(line.span, format!("'{what}' has a quote that is not closed"))
            .help("words are split as a shell does; write \\' or \\\" for a quote that is meant as such")),
    }
}

fn each(value: &Value) -> Result<Each, Problem> {
    match value.text()? {
        "frame" => Ok(Each::Frame),
        "run" => Ok(Each::Run),
        "shot" => Ok(Each::Shot),
        _ => Err(value.wrong("frame, run or shot").help(
            "frame: one call a frame; run: one call for neighbouring stale frames; shot: one call for all",
        )),
    }
}

fn whole(value: &Value, what: &str, limit: i64) -> Result<i64, Problem> {
    let n = value.int()?;
    if (0..=limit).contains(&n) {
        return Ok(n);
    }
    Err(Problem::error(value.span, format!("{what} cannot be {n}")).help(format!("from 0 to {limit}")))
}

fn seconds(value: &Value) -> Result<f64, Problem> {
    match value.number() {
        Ok(n) if n > 0.0 && n <= TIME_LIMIT => Ok(n),
        Ok(n) => Err(Problem::error(value.span, format!("'time_limit' cannot be {n} seconds"))
            .help(format!("more than 0 and at most {TIME_LIMIT}"))),
        Err(_) => Err(value.wrong("a number of seconds").help("write 300 for five minutes")),
    }
}

/// Reads an amount of memory with its unit.
pub(super) fn bytes(value: &Value) -> Result<u64, Problem> {
    let amount = value.text().ok().and_then(crate::base::bytes::parse);
    amount.ok_or_else(|| {
        value.wrong("an amount of memory").help("write it with its unit, such as 800MB, 2GB or 1.5GiB")
    })
}

/// Reads `delivers: picture`, or a list of mattes' names.
pub fn delivers(fields: &mut Fields<'_>) -> Delivers {
    let Some(value) = fields.get("delivers") else { return Delivers::Picture };
    let Node::List(items) = &value.node else {
        if !matches!(value.text(), Ok("picture")) {
            fields.problems.push(value.wrong("'picture' or a list of mattes' names"));
        }
        return Delivers::Picture;
    };
    let mut names: Vec<std::sync::Arc<str>> = Vec::new();
    if items.is_empty() {
        let problem = Problem::error(value.span, "'delivers' names no matte");
        fields.problems.push(problem.help("write picture, or [crew, props]"));
    }
    let mut seen = HashSet::new();
    for item in items {
        let Some(name) = fields.keep(item.text()) else { continue };
        if let Some(rule) = fault(name, Naming::Plain) {
            let message = format!("'{}' cannot be the name of a matte", shortened(name, 40));
            fields.problems.push(Problem::error(item.span, message).help(rule));
        } else if ["R", "G", "B", "A"].contains(&name) {
            let message = format!("'{name}' is a picture's channel and cannot be the name of a matte");
            fields.problems.push(Problem::error(item.span, message));
        } else if !seen.insert(name) {
            fields.problems.push(Problem::error(item.span, format!("matte '{name}' is named twice")));
        } else {
            names.push(name.into());
        }
    }
    Delivers::Mattes(names)
}

fn depends(fields: &mut Fields<'_>) -> Vec<At<String>> {
    let Some(items) = fields.read("depends", Value::list) else { return Vec::new() };
    let mut files = Vec::new();
    for item in items {
        if let Some(file) = fields.keep(path(item)) {
            files.push(At { value: file.to_string(), span: item.span });
        }
    }
    files
}

/// Reads the values that the command's words may name.
fn with(fields: &mut Fields<'_>, from: &IndexMap<String, At<From>>, each: Each) -> Map {
    let Some(value) = fields.get("with") else { return Map::default() };
    let Node::Map(map) = &value.node else {
        fields.problems.push(value.wrong("a map of names and values"));
        return Map::default();
    };
    let mut out = Map::default();
    for (key, value) in map.entries.iter().filter(|(_, value)| value.node != Node::Null) {
        if let Some(rule) = fault(&key.text, Naming::Plain) {
            let message = format!("'{}' cannot be the name of a value", shortened(&key.text, 40));
            fields.problems.push(Problem::error(key.span, message).help(rule));
            continue;
        }
        if PLACES.contains(&key.text.as_str()) || from.contains_key(&key.text) {
            let message = format!("{{{}}} already stands for something else", key.text);
            fields.problems.push(Problem::error(key.span, message).help("give the value another name"));
            continue;
        }
        match &value.node {
            Node::Scalar(_) => {}
            // Keys in time: the value at the frame that a call makes.
            Node::Map(_) if each == Each::Frame => drop(fields.keep(value.curve())),
            Node::Map(_) => {
                let message = format!("{{{}}} has no one value, for a call makes several frames", key.text);
                fields
                    .problems
                    .push(Problem::error(value.span, message).help("write one value, or each: frame"));
            }
            _ => fields.problems.push(value.wrong("one value, or numbers keyed in time,")),
        }
        out.entries.push((key.clone(), value.clone()));
    }
    out
}

/// Checks the names in braces. A command that says no `from` has one input, `picture`.
fn places(
    fields: &mut Fields<'_>,
    words: &At<Vec<String>>,
    each: Each,
    from: &IndexMap<String, At<From>>,
    with: &Map,
) {
    let mut known: Vec<String> = PLACES.iter().map(|name| name.to_string()).collect();
    known.extend(with.entries.iter().map(|(key, _)| key.text.clone()));
    if from.is_empty() {
        known.push("picture".into());
    }
    for (port, at) in from {
        if PLACES.contains(&port.as_str()) {
            let message =
                format!("an input cannot be called '{port}', for {{{port}}} stands for something else");
            fields.problems.push(Problem::error(at.span, message).help("give the input another name"));
        }
        match &at.value {
            From::One(_) => known.push(port.clone()),
            From::Many(named) => known.extend(named.keys().map(|name| format!("{port}.{name}"))),
        }
    }
    // The list is for messages, in a sensible order; a long one is looked up by its hash.
    let names: HashSet<&str> = known.iter().map(String::as_str).collect();
    let mut told = HashSet::new();
    let mut writes = false;
    for word in &words.value {
        let list = match pieces(word) {
            Ok(list) => list,
            Err(bad) => {
                let message = format!("in the command's word '{}', {bad}", shortened(word, 60));
                fields.problems.push(Problem::error(words.span, message));
                continue;
            }
        };
        for piece in list {
            let Piece::Name(name) = piece else { continue };
            writes |= name == "out";
            if !told.insert(name) {
                continue;
            }
            if name == "frame" && each != Each::Frame {
                let problem =
                    Problem::error(words.span, "{frame} has no one value, for a call makes several frames");
                fields.problems.push(problem.help("write {first} and {last}, or each: frame"));
            } else if !names.contains(name) {
                fields.problems.push(unknown(words, name, &known));
            }
        }
    }
    if !writes {
        let problem = Problem::error(words.span, "the command never names {out}, the place it must write to");
        fields.problems.push(problem.help("put {out} where the program takes its output"));
    }
}

fn unknown(words: &At<Vec<String>>, name: &str, known: &[String]) -> Problem {
    let message = format!("the command names {{{}}}, which is unknown", shortened(name, 40));
    let problem = Problem::error(words.span, message);
    match nearest(name, known.iter().take(200).map(String::as_str)) {
        Some(near) => problem.help(format!("did you mean {{{near}}}?")),
        None => {
            let list: Vec<String> = known.iter().take(40).map(|name| format!("{{{name}}}")).collect();
            problem.help(format!("known here: {}; more values go under 'with'", list.join(" ")))
        }
    }
}
