//! The JSON Schema of endboard.yaml and of recipe files, for editors.
//!
//! Knows the declaration's keys, types and limits, and writes operators' settings from a plain table
//! that the caller fills. Does not know operators. The reader remains the judge: what spans several
//! keys or files (references, loops, frames of plates) no schema can say.
//!
//! Dialect: JSON Schema 2020-12 (<https://json-schema.org/draft/2020-12/schema>).

mod crew;
mod deliveries;
mod inspect;
mod plain;
mod shared;
mod slurm;
mod sound;

use serde_json::{Map, Value, json};

use crate::declare::header::WORKING_SPACES;

/// An operator as the schema describes it.
#[derive(Clone, Debug)]
pub struct OperatorTable {
    /// Its name in recipes.
    pub name: String,
    /// One sentence.
    pub summary: String,
    /// Names of its inputs, each with one sentence.
    pub ports: Vec<(String, String)>,
    /// Its settings.
    pub params: Vec<ParamTable>,
}

/// One setting of an operator.
#[derive(Clone, Debug)]
pub struct ParamTable {
    /// Its name.
    pub name: String,
    /// What it takes.
    pub takes: Takes,
    /// Its unit, empty where there is none.
    pub unit: String,
    /// The default as written, empty when there is none.
    pub default: String,
    /// One sentence.
    pub doc: String,
}

/// What a setting takes.
#[derive(Clone, Debug, PartialEq)]
pub enum Takes {
    /// A number within limits.
    Number(f64, f64),
    /// A number within limits, or a map of frame to number.
    Keyed(f64, f64),
    /// A whole number within limits.
    Whole(i64, i64),
    /// true or false.
    Flag,
    /// One of these words.
    Words(Vec<String>),
    /// Text.
    Text,
    /// A path in the project.
    File,
    /// A list of so many numbers.
    Numbers(usize),
    /// A list of so many numbers, or a map of frame to such a list.
    KeyedNumbers(usize),
    /// Anything; the doc says what.
    Anything,
}

/// The schema: a file with the key `recipe` is a recipe, one with `cues` holds cues, every other is the film. `sounds` are the
/// tables of settings of cues, voices, buses and the target, and of the limits of `inspect`.
pub fn schema(operators: &[OperatorTable], sounds: &[OperatorTable]) -> Value {
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Endboard declaration",
        "description": "endboard.yaml, which declares a film, a recipe file, which declares a chain of stages, or a cue file.",
        "type": "object",
        "if": { "required": ["recipe"] },
        "then": { "$ref": "#/$defs/recipe_file" },
        "else": { "if": { "required": ["cues"] },
            "then": { "$ref": "#/$defs/cue_file" }, "else": { "$ref": "#/$defs/film" } },
        "$defs": definitions(operators, sounds),
    })
}

fn definitions(operators: &[OperatorTable], sounds: &[OperatorTable]) -> Value {
    let mut all = Map::new();
    let parts = [
        plain::plain(),
        json!({ "film": film(operators), "recipe_file": recipe_file(), "plate": plate(), "delivery": deliveries::delivery() }),
    ];
    let parts = parts.into_iter().chain([json!({ "shot": shot(), "stage": stage(operators) })]);
    let own = [json!({ "command": command(), "by_hand": by_hand() }), inspect::inspect(sounds), crew::crew()];
    let own = own.into_iter().chain([shared::shared(), slurm::slurm()]);
    for part in parts.chain(own).chain([sound::sound(sounds)]) {
        if let Value::Object(map) = part {
            all.extend(map);
        }
    }
    Value::Object(all)
}

/// A print: the settings of its operator and places in pools.
fn print(operators: &[OperatorTable]) -> Value {
    let params =
        operators.iter().filter(|operator| operator.name == "print").flat_map(|operator| &operator.params);
    let mut properties: Map<String, Value> =
        params.map(|param| (param.name.clone(), setting(param))).collect();
    properties.insert("pools".into(), json!({ "$ref": "#/$defs/places" }));
    json!({ "type": "object", "properties": properties, "additionalProperties": false })
}

fn film(operators: &[OperatorTable]) -> Value {
    let named = |of: &str, keys: &str| {
        json!({ "type": "object", "propertyNames": { "$ref": format!("#/$defs/{keys}") },
            "additionalProperties": { "$ref": format!("#/$defs/{of}") } })
    };
    let mut shots = named("shot", "name");
    shots["minProperties"] = json!(1);
    json!({
        "type": "object",
        "required": ["film", "rate", "frame_size", "shots"],
        "dependentRequired": { "prints": ["assembly"] },
        "additionalProperties": false,
        "properties": {
            "film": { "type": ["string", "number"], "maxLength": 200, "description": "The film's name." },
            "rate": { "description": "Frames a second: 24, 25, 23.976, 29.97, or a ratio such as 24000/1001.",
                "anyOf": [ { "type": "integer", "minimum": 1, "maximum": 240 },
                    { "enum": [23.976, 23.98, 29.97, 47.952, 47.95, 59.94, 119.88] },
                    { "type": "string", "pattern": "^[0-9]+/[0-9]+$" } ] },
            "frame_size": { "type": "string", "pattern": "^[1-9][0-9]{0,4}x[1-9][0-9]{0,4}$",
                "description": "WIDTHxHEIGHT in pixels." },
            "working_space": { "enum": WORKING_SPACES, "default": WORKING_SPACES[0],
                "description": "The colour space of pixels between stages." },
            "cut": { "$ref": "#/$defs/path", "description": "The edit." },
            "handles": { "$ref": "#/$defs/handles", "default": 0 },
            "recipes": { "type": "array", "items": { "$ref": "#/$defs/path" },
                "description": "Recipe files of the film; those shipped with the tool need no listing." },
            "pools": { "$ref": "#/$defs/places", "description": "What is scarce, and how many may use it at once." },
            "crew": { "$ref": "#/$defs/crew" },
            "slurm": { "$ref": "#/$defs/slurm" },
            "due": { "$ref": "#/$defs/date", "description": "The day by which the film should be done." },
            "plates": named("plate", "name"),
            "shots": shots,
            "across": { "type": "object", "description": "Globs of shots' names to settings of their stages.",
                "additionalProperties": { "type": "object", "additionalProperties": { "$ref": "#/$defs/settings" } } },
            "assembly": { "type": "object", "description": "The film's picture, put together from its shots.",
                "properties": { "pools": { "$ref": "#/$defs/places" },
                    "from": { "$ref": "#/$defs/stage_name",
                        "description": "Stage of each shot that is taken; when not said, its last." },
                    "other_wipes": { "enum": ["refuse", "dissolve"], "default": "refuse",
                        "description": "What a wipe of a pattern that is not drawn is." } } },
            "prints": { "type": "object", "propertyNames": { "$ref": "#/$defs/stage_name" },
                "description": "The film's picture for review, with leaders and words burned in, by name.",
                "additionalProperties": print(operators) },
            "sound": { "$ref": "#/$defs/sound" },
            "inspect": { "$ref": "#/$defs/inspect" },
            "deliveries": { "type": "object", "propertyNames": { "$ref": "#/$defs/stage_name" },
                "additionalProperties": { "$ref": "#/$defs/delivery" }, "description": "What leaves the house, by name." },
            "shared": { "$ref": "#/$defs/shared" },
        }
    })
}

fn recipe_file() -> Value {
    json!({
        "type": "object",
        "required": ["recipe", "stages"],
        "additionalProperties": false,
        "properties": {
            "recipe": { "$ref": "#/$defs/name", "description": "The recipe's name, by which shots take it." },
            "stages": stages(),
        }
    })
}

fn stages() -> Value {
    json!({ "type": "object", "minProperties": 1, "maxProperties": super::recipes::STAGES_LIMIT,
        "propertyNames": { "$ref": "#/$defs/stage_name" },
        "additionalProperties": { "$ref": "#/$defs/stage" },
        "description": "Stages in the order in which they are made." })
}

fn plate() -> Value {
    json!({
        "type": "object",
        "additionalProperties": false,
        "properties": {
            "files": { "$ref": "#/$defs/files" },
            "movie": { "$ref": "#/$defs/path", "description": "A movie file." },
            "first": { "type": "integer", "default": 1, "description": "Number of the movie's first frame." },
            "frames": { "$ref": "#/$defs/frames" },
            "encoding": { "$ref": "#/$defs/encoding" },
            "primaries": { "$ref": "#/$defs/primaries" },
        },
        "oneOf": [
            { "required": ["files", "frames"], "not": { "anyOf": [{ "required": ["first"] }, { "required": ["movie"] }] } },
            { "required": ["movie"], "not": { "required": ["files"] } },
        ]
    })
}

fn shot() -> Value {
    json!({
        "type": "object",
        "required": ["frames"],
        "description": "A shot; keys besides those listed are its stages, with settings that override the recipe's.",
        "properties": {
            "plate": { "$ref": "#/$defs/name", "description": "Its plate." },
            "takes": { "type": "object", "minProperties": 1, "propertyNames": { "$ref": "#/$defs/stage_name" },
                "additionalProperties": { "$ref": "#/$defs/name" },
                "description": "Plates of a shot made of several, by the name that stages use: take.NAME." },
            "frames": { "$ref": "#/$defs/frames", "description": "Frames used in the cut." },
            "handles": { "$ref": "#/$defs/handles" },
            "recipe": { "$ref": "#/$defs/name", "description": "The recipe that its stages come from." },
            "stages": stages(),
        },
        "additionalProperties": { "$ref": "#/$defs/settings" },
        "oneOf": [ { "required": ["plate"] }, { "required": ["takes"] } ]
    })
}

fn stage(operators: &[OperatorTable]) -> Value {
    let names: Vec<&str> = operators.iter().map(|operator| operator.name.as_str()).collect();
    let mut cases: Vec<Value> = operators.iter().map(operator_case).collect();
    cases.push(json!({ "if": { "required": ["command"] }, "then": { "$ref": "#/$defs/command" } }));
    cases.push(json!({ "if": { "required": ["by_hand"] }, "then": { "$ref": "#/$defs/by_hand" } }));
    json!({
        "type": "object",
        "properties": {
            "operator": { "enum": names, "description": "The operator that makes it." },
            "from": { "$ref": "#/$defs/from" },
            "keep": { "$ref": "#/$defs/keep" },
            "pools": { "$ref": "#/$defs/places" },
        },
        "oneOf": [ { "required": ["operator"] }, { "required": ["command"] }, { "required": ["by_hand"] } ],
        "allOf": cases,
    })
}

/// Keys of every stage, with further ones.
fn with_every(more: Vec<(String, Value)>) -> Value {
    let mut all = Map::new();
    for key in ["from", "keep"] {
        all.insert(key.into(), json!({ "$ref": format!("#/$defs/{key}") }));
    }
    all.insert("pools".into(), json!({ "$ref": "#/$defs/places" }));
    all.extend(more);
    Value::Object(all)
}

fn operator_case(operator: &OperatorTable) -> Value {
    let mut own =
        vec![("operator".to_string(), json!({ "const": operator.name, "description": operator.summary }))];
    own.extend(operator.params.iter().map(|param| (param.name.clone(), setting(param))));
    let mut properties = with_every(own);
    if !operator.ports.is_empty() {
        let ports: Map<String, Value> =
            operator.ports.iter().map(|(name, doc)| (name.clone(), json!({ "description": doc }))).collect();
        properties["from"] = json!({ "$ref": "#/$defs/from", "properties": ports });
    }
    json!({
        "if": { "required": ["operator"], "properties": { "operator": { "const": operator.name } } },
        "then": { "properties": properties, "additionalProperties": false },
    })
}

fn setting(param: &ParamTable) -> Value {
    let mut out = match &param.takes {
        Takes::Number(min, max) => limited(json!({ "type": "number" }), *min, *max),
        // Limits say nothing of a map, so they hold for a steady number and, inside, for every key.
        Takes::Keyed(min, max) => {
            let mut out = limited(json!({ "$ref": "#/$defs/number_in_time" }), *min, *max);
            out["patternProperties"] = json!({ "^-?[0-9]+$": limited(json!({}), *min, *max) });
            out
        }
        Takes::Whole(min, max) => json!({ "type": "integer", "minimum": min, "maximum": max }),
        Takes::Flag => json!({ "type": "boolean" }),
        Takes::Words(words) => json!({ "enum": words }),
        Takes::Text => json!({ "type": ["string", "number"] }),
        Takes::File => json!({ "$ref": "#/$defs/path" }),
        Takes::Numbers(count) => {
            json!({ "type": "array", "items": { "type": "number" }, "minItems": count, "maxItems": count })
        }
        Takes::KeyedNumbers(count) => {
            let list = json!({ "type": "array", "items": { "type": "number" }, "minItems": count, "maxItems": count });
            let ease = json!({ "enum": ["hold", "linear", "smooth"] });
            json!({ "oneOf": [list, {
                "type": "object",
                "properties": { "ease": ease },
                "patternProperties": { "^-?[0-9]+$": list },
                "additionalProperties": false,
            }] })
        }
        Takes::Anything => json!({}),
    };
    out["description"] = json!(description(param));
    if !param.default.is_empty() {
        // A default that reads as JSON keeps its type, any other is a word.
        out["default"] = serde_json::from_str(&param.default).unwrap_or_else(|_| json!(param.default));
    }
    out
}

/// What a setting does, and how far it goes where it has a unit, which reads as a sentence with every unit (`s`, `of white`, `times`).
fn description(param: &ParamTable) -> String {
    let (doc, unit) = (param.doc.trim_end_matches('.'), &param.unit);
    match param.takes {
        _ if unit.is_empty() => format!("{doc}."),
        Takes::Number(min, max) | Takes::Keyed(min, max) if min.is_finite() && max.is_finite() => {
            format!("{doc}. From {min} to {max} {unit}.")
        }
        Takes::Whole(min, max) => format!("{doc}. From {min} to {max} {unit}."),
        _ => format!("{doc}. Unit: {unit}."),
    }
}

/// Adds limits; one that is infinite is none.
fn limited(mut out: Value, min: f64, max: f64) -> Value {
    for (key, limit) in [("minimum", min), ("maximum", max)] {
        if limit.is_finite() {
            out[key] = json!(limit);
        }
    }
    out
}

fn command() -> Value {
    let limit = |max: u64, what: &str| json!({ "type": "integer", "minimum": 0, "maximum": max, "description": what });
    let own = [
        (
            "command",
            json!({ "type": "string", "minLength": 1, "description":
            "Program and arguments, split as a shell does; {out}, {shot}, {frame} and the names of inputs and of `with` are filled in." }),
        ),
        (
            "each",
            json!({ "enum": ["frame", "run", "shot"], "default": "frame",
            "description": "How many frames one call makes: one, neighbouring stale ones, or all of the shot." }),
        ),
        ("reach", limit(10_000, "Input frames needed on either side of each frame.")),
        ("delivers", json!({ "$ref": "#/$defs/delivers" })),
        (
            "version_from",
            json!({ "type": "string", "description":
            "A command whose output is the program's version; a new version makes renders stale." }),
        ),
        (
            "depends",
            json!({ "type": "array", "items": { "$ref": "#/$defs/path" },
            "description": "Files whose content matters, besides those named by the command." }),
        ),
        (
            "time_limit",
            json!({ "type": "number", "exclusiveMinimum": 0, "description": "Seconds that one call may take." }),
        ),
        ("retries", limit(100, "Further tries after a failure.")),
        (
            "memory",
            json!({ "type": "string", "pattern": "^[0-9]+([.][0-9]*)? *([kK]B|[MGT]B|[KMGT]iB)$",
            "description": "Memory that one call uses, such as 800MB or 2GB; no more calls run at once than the run's memory holds." }),
        ),
        (
            "with",
            json!({ "type": "object", "propertyNames": { "$ref": "#/$defs/stage_name" },
            "description": "Values that the command's words may name, such as {strength}.",
            "additionalProperties": { "anyOf": [ { "type": ["string", "number", "boolean", "null"] },
                { "$ref": "#/$defs/number_in_time" } ] } }),
        ),
    ];
    let own = own.into_iter().map(|(key, value)| (key.to_string(), value)).collect();
    // A call of several frames can be told one value only.
    let several = json!({ "required": ["each"], "properties": { "each": { "enum": ["run", "shot"] } } });
    let steady =
        json!({ "properties": { "with": { "additionalProperties": { "not": { "type": "object" } } } } });
    json!({ "properties": with_every(own), "additionalProperties": false, "if": several, "then": steady })
}

fn by_hand() -> Value {
    let own = json!({
        "type": "object", "required": ["files"], "additionalProperties": false,
        "description": "A person makes it and puts files into the film's folder.",
        "properties": {
            "files": { "$ref": "#/$defs/files",
                "description": "Where the files are put; {shot} stands for the shot's name." },
            "delivers": { "$ref": "#/$defs/delivers" },
            "encoding": { "$ref": "#/$defs/encoding" },
            "primaries": { "$ref": "#/$defs/primaries" },
        }
    });
    json!({ "properties": with_every(vec![("by_hand".into(), own)]), "additionalProperties": false })
}
