//! The JSON Schema: that it hangs together, that it knows the keys that the reader knows, and (with a Python that
//! has jsonschema and pyyaml named by ENDBOARD_PYTHON) that an independent validator judges as the reader does.

mod outside;

use std::collections::BTreeSet;

use endboard::base::problem::{Severity, Sources};
use endboard::declare::schema::{OperatorTable, ParamTable, Takes, schema};
use endboard::declare::{self, SHIPPED};
use outside::outside;
use serde_json::Value;

fn param(name: &str, takes: Takes) -> ParamTable {
    ParamTable {
        name: name.into(),
        takes,
        unit: "px".into(),
        default: "0".into(),
        doc: "What it does.".into(),
    }
}

/// A table as the caller would fill it from the operators.
fn operators() -> Vec<OperatorTable> {
    let words = Takes::Words(vec!["a".into(), "b".into()]);
    let params = vec![
        param("exposure", Takes::Keyed(-20.0, 20.0)),
        param("width", Takes::Number(0.0, f64::INFINITY)),
        param("count", Takes::Whole(0, 9)),
        param("flicker", Takes::Flag),
        param("mode", words),
        param("title", Takes::Text),
        param("cdl", Takes::File),
        param("slope", Takes::Numbers(3)),
        param("keeper", Takes::Anything),
    ];
    let ports = vec![("picture".to_string(), "The picture.".to_string())];
    let named = |name: &str, params: Vec<ParamTable>| OperatorTable {
        name: name.into(),
        summary: "Does it.".into(),
        ports: ports.clone(),
        params,
    };
    vec![
        named("grade", params),
        named("roto", vec![param("shapes", Takes::File)]),
        named("blades", vec![param("keeper", Takes::Anything)]),
        named("passes", vec![]),
        named("retime", vec![]),
    ]
}

/// Tables of sound as the caller would fill them.
fn sounds() -> Vec<OperatorTable> {
    let named = |name: &str, params: Vec<ParamTable>| OperatorTable {
        name: name.into(),
        summary: "Does it.".into(),
        ports: vec![],
        params,
    };
    vec![
        named("cue", vec![param("gain", Takes::Keyed(-120.0, 40.0))]),
        named("voice", vec![param("swing", Takes::Number(0.0, 1.0))]),
        named("bus", vec![param("duck", Takes::Anything)]),
        named("target", vec![param("loudness", Takes::Number(-60.0, 0.0))]),
        named("inspect", vec![param("frozen", Takes::Number(2.0, 100.0))]),
    ]
}

/// Calls `see` for every object in a tree.
fn walk(value: &Value, see: &mut impl FnMut(&serde_json::Map<String, Value>)) {
    match value {
        Value::Object(map) => {
            see(map);
            map.values().for_each(|value| walk(value, see));
        }
        Value::Array(items) => items.iter().for_each(|value| walk(value, see)),
        _ => {}
    }
}

#[test]
fn every_reference_leads_somewhere_and_every_definition_is_used() {
    let schema = schema(&operators(), &sounds());
    let mut used = BTreeSet::new();
    walk(&schema, &mut |map| {
        if let Some(Value::String(to)) = map.get("$ref") {
            used.insert(to.strip_prefix("#/$defs/").expect("a reference to a definition").to_string());
        }
        assert!(map.values().all(|value| !value.is_null()), "no keyword is null: {map:?}");
    });
    let defined: BTreeSet<String> = schema["$defs"].as_object().unwrap().keys().cloned().collect();
    assert_eq!(used, defined);
}

/// Units are of all kinds, `s`, `of white`, `times`, and what is said of each reads as a sentence.
#[test]
fn descriptions_name_ranges_with_their_units() {
    let mut params = vec![
        param("fade", Takes::Number(0.0, 3600.0)),
        param("stray", Takes::Keyed(1.5, 1000.0)),
        param("wide", Takes::Number(0.0, f64::INFINITY)),
        param("whole", Takes::Whole(0, 9)),
        param("plain", Takes::Number(0.0, 1.0)),
    ];
    for (param, unit) in params.iter_mut().zip(["s", "times", "px", "frames", ""]) {
        param.unit = unit.into();
    }
    params[0].doc = "How long it fades in".into();
    let mut tables = operators();
    tables[0].params = params;
    let schema = schema(&tables, &sounds());
    let mut told = BTreeSet::new();
    walk(&schema, &mut |map| {
        told.extend(map.get("description").and_then(Value::as_str).map(str::to_string));
    });
    for says in [
        "How long it fades in. From 0 to 3600 s.",
        "What it does. From 1.5 to 1000 times.",
        "What it does. Unit: px.",
        "What it does. From 0 to 9 frames.",
        "What it does.",
    ] {
        assert!(told.contains(says), "{says}: {told:?}");
    }
}

/// The keys that the reader says it knows, from its own message about a key that it does not know.
fn known(text: &str) -> BTreeSet<String> {
    let mut sources = Sources::new();
    let id = sources.add("endboard.yaml", text);
    let (_, problems) = declare::read(&mut sources, id, &mut |_| Err("none".into()));
    let help = problems
        .iter()
        .find(|p| p.message.contains("zzzzzzzzzzzzzzzz"))
        .and_then(|p| p.help.clone())
        .expect("a message about the unknown key");
    let list = help.strip_prefix("known here: ").or(help.strip_prefix("settings of a shot: ")).expect(&help);
    list.split(", ").map(str::to_string).collect()
}

fn keys(value: &Value) -> BTreeSet<String> {
    value["properties"].as_object().expect("properties").keys().cloned().collect()
}

#[test]
fn the_schema_knows_the_keys_that_the_reader_knows() {
    let schema = schema(&operators(), &sounds());
    let defs = &schema["$defs"];
    let z = "zzzzzzzzzzzzzzzz: 1";
    assert_eq!(keys(&defs["film"]), known(z));
    assert_eq!(keys(&defs["plate"]), known(&format!("shots: {{}}\nplates:\n  a: {{ {z} }}")));
    assert_eq!(keys(&defs["slurm"]), known(&format!("shots: {{}}\nslurm: {{ {z} }}")));
    assert_eq!(keys(&defs["sound"]), known(&format!("shots: {{}}\nsound: {{ {z} }}")));
    assert_eq!(keys(&defs["delivery"]), known(&format!("shots: {{}}\ndeliveries:\n  a: {{ {z} }}")));
    assert_eq!(keys(&defs["shot"]), known(&format!("shots:\n  a: {{ {z} }}")));
    let stage = |stage: &str| known(&format!("shots:\n  a: {{ stages: {{ b: {{ {stage} }} }} }}"));
    let other = |kinds: [&str; 2]| -> BTreeSet<String> { kinds.map(str::to_string).into() };
    let command = &stage(&format!("command: 'x {{out}}', {z}")) - &other(["operator", "by_hand"]);
    assert_eq!(keys(&defs["command"]), command);
    let by_hand = &stage(&format!("by_hand: {{ files: 'h.#' }}, {z}")) - &other(["operator", "command"]);
    assert_eq!(keys(&defs["by_hand"]), by_hand);
    let files = known(&format!("shots:\n  a: {{ stages: {{ b: {{ by_hand: {{ {z} }} }} }} }}"));
    assert_eq!(keys(&defs["by_hand"]["properties"]["by_hand"]), files);
}

const SOUND: &str = r##"
film: The Brine Lamp
rate: 23.976
frame_size: 960x540
working_space: acescg
cut: cut/lock-1.edl
handles: 0
pools: { licence: 2 }
slurm: { partition: night, account: salt_works, memory: 8GB, processors: 4, time: "1:30", frames: 24, pools: { licence: { licenses: "keying:1" } } }
plates:
  shed-a: { files: plates/shed-a/shed-a.####.exr, frames: 1001-1072, encoding: linear-rec709 }
  ride: { movie: plates/ride.mp4, first: -5, frames: -5--2 }
shots:
  br030:
    plate: shed-a
    frames: 1009-1056
    recipe: plain-grade
    colour: { exposure: { 1009: 0.5, 1020: 1, ease: smooth }, cdl: ~, slope: [1, 1, 1.1] }
    stages:
      fix:
        command: "python3 tools/x.py {picture} {out} {strength}"
        each: run
        reach: 1
        delivers: [crew, props]
        time_limit: 90
        memory: 1.5GiB
        retries: 2
        depends: [tools/x.py]
        version_from: python3 --version
        with: { strength: 1 }
        pools: { licence: 1 }
      tint: { command: 'x {picture} {out} {strength}', with: { strength: { 1009: 1, ease: hold } } }
      hand: { by_hand: { files: "hands/{shot}/x.####.exr", delivers: picture }, from: { picture: fix.crew, others: { a: plate } } }
      last: { operator: grade, keep: false, mode: b, width: 3, flicker: true, count: 3, title: 7 }
  br040: { takes: { left: shed-a, right: shed-a }, frames: 1009, stages: { one: { operator: grade, from: { picture: take.left } } } }
across: { "br0*": { colour: { exposure: 0.2 } } }
assembly: { pools: { licence: 1 } }
inspect: { frozen: 24, stills: [br040@1009, "film@1-3"], blacks: [br0*], picture: [0, 60, 960, 420] }
sound:
  layout: "5.1"
  buses: { words: , effects: { duck: { by: words } } }
  stems: { all: [words, effects] }
  target: { loudness: -23 }
  cues:
    line: { bus: words, at: br030@1012, clip: sounds/line.wav, gain: { 0: -3, 12: 0 } }
    hit: { bus: effects, after: line, plus: -2.5, voice: { swing: 0.5 } }
"##;

/// Replacements that each make `SOUND` unsound.
const BROKEN: [(&str, &str); 42] = [
    ("partition: night", "partition: '-N 9'"),
    ("time: \"1:30\"", "time: \"1:90\""),
    ("processors: 4", "processors: 0"),
    ("stills: [br040@1009", "stills: [br040/one@1009"),
    ("stills: [br040@1009, \"film@1-3\"]", "stills: br040@1009"),
    ("picture: [0, 60, 960, 420]", "picture: [0, 60, 960]"),
    ("layout: \"5.1\"", "layout: 7.1"),
    ("bus: words, at: br030@1012", "bus: words"),
    ("after: line, plus", "after: line, at: br030@1012, plus"),
    ("voice: { swing: 0.5 }", "voice: { swing: 0.5 }, clip: a.wav"),
    ("{ bus: words, at", "{ at"),
    ("stems: { all", "stem: { all"),
    ("  layout", "  rate: 47000\n  layout"),
    ("film: The Brine Lamp\n", ""),
    ("rate: 23.976", "rate: 23.5"),
    ("frame_size: 960x540", "frame_size: 960"),
    ("acescg", "aces"),
    ("cut/lock-1.edl", "../lock-1.edl"),
    ("cut/lock-1.edl", "/lock-1.edl"),
    ("cut/lock-1.edl", "a/./b"),
    ("handles: 0", "handles: -1"),
    ("licence: 2", "licence: 0"),
    ("shed-a.####.exr, frames", "shed-a.exr, frames"),
    ("shed-a.####.exr, frames", "#.##.exr, frames"),
    (", frames: 1001-1072", ""),
    ("movie: plates/ride.mp4", "files: a.#, movie: a.mp4"),
    ("  br030:", "  .br030:"),
    ("frames: 1009-1056", "frames: 1009-"),
    ("recipe: plain-grade\n", "recipe: plain-grade\n    takes: { a: shed-a }\n"),
    ("    plate: shed-a\n", ""),
    ("each: run", "each: two"),
    ("strength: 1 }", "strength: { 1009: 1 } }"),
    ("delivers: [crew, props]", "delivers: []"),
    ("time_limit: 90", "time_limit: 0"),
    ("memory: 1.5GiB", "memory: 15"),
    ("retries: 2", "retires: 2"),
    ("keep: false", "keep: no"),
    ("by_hand: { files:", "by_hand: { file:"),
    ("picture: fix.crew", "picture: fix.crew.x.y"),
    ("fix:", "fix.x:"),
    ("last: { operator: grade,", "last: { operator: grade, command: 'x {out}',"),
    ("handles: 0", "handels: 0"),
];

fn sound(text: &str) -> bool {
    let mut sources = Sources::new();
    let id = sources.add("endboard.yaml", text);
    let (_, problems) = declare::read(&mut sources, id, &mut |_| Err("none".into()));
    problems.iter().all(|problem| problem.severity == Severity::Warning)
}

#[test]
fn an_independent_validator_agrees_with_the_reader() {
    assert!(sound(SOUND));
    let mut texts = vec![SOUND.to_string()];
    for (what, with) in BROKEN {
        let text = SOUND.replacen(what, with, 1);
        assert!(text != SOUND && !sound(&text), "{what} -> {with}");
        texts.push(text);
    }
    texts.extend(SHIPPED.map(|(_, text)| text.to_string()));
    let work = serde_json::json!({ "schema": schema(&operators(), &sounds()), "texts": texts });
    let work = work.to_string();
    let Some(out) = outside("schema_check.py", &[], work.as_bytes()) else { return };
    let verdicts: Vec<bool> = serde_json::from_slice(&out).unwrap();
    assert_eq!(verdicts.len(), texts.len());
    for (i, (text, valid)) in texts.iter().zip(verdicts).enumerate() {
        let wanted = i == 0 || i > BROKEN.len();
        assert_eq!(valid, wanted, "{text}");
    }
}
