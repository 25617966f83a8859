//! `slurm:` as written → what tasks on a Slurm cluster ask for.
//!
//! Knows which words may stand in the options of Slurm's programs. Starts none of them.

use std::time::Duration;

use indexmap::IndexMap;

use crate::base::problem::{Problem, Span};
use crate::base::value::{Fields, Node, Value};
use crate::declare::commands::bytes;
use crate::declare::film::{At, Command, Shot, Work};
use crate::declare::found::{Found, shortened};

/// Most processors of a task.
const PROCESSORS: i64 = 4096;
/// Most frames of a stage that a task may be told to take at most.
const FRAMES: i64 = 1_000_000;
/// Longest time limit, in minutes: thirty days.
const MINUTES: i64 = 30 * 24 * 60;
/// Longest word.
const WORD: usize = 200;

/// What tasks ask for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Slurm {
    /// The partition; the cluster's usual one when not said.
    pub partition: Option<String>,
    /// The account that is charged.
    pub account: Option<String>,
    /// The quality of service.
    pub qos: Option<String>,
    /// Memory of a task, in bytes.
    pub memory: Option<u64>,
    /// Processors of a task.
    pub processors: Option<u32>,
    /// The longest that a task may take.
    pub time: Option<Duration>,
    /// The most frames of a stage that one task takes.
    pub frames: Option<u32>,
    /// What a task asks for whose stages take places in a pool, by the pool's name.
    pub pools: IndexMap<String, Asks>,
    /// Its keys, with the pool that they are of where they are, and where they stand.
    pub at: Vec<(String, Option<String>, Span)>,
}

/// What stands for a pool.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Asks {
    /// Generic resources, such as `gpu:1`.
    pub gres: Option<String>,
    /// Licences, such as `keying:1`.
    pub licenses: Option<String>,
}

/// Reads it.
pub fn read(value: &Value, pools: &IndexMap<String, At<u32>>, found: &mut Found) -> Option<Slurm> {
    let mut fields = found.keep("", Fields::of(value, "slurm"))?;
    let [partition, account, qos] = ["partition", "account", "qos"].map(|key| fields.read(key, word));
    let memory = fields.read("memory", bytes);
    let mut whole = |key, limit| fields.read(key, |v| between(v, key, limit));
    let processors = whole("processors", PROCESSORS).map(|n| n as u32);
    let frames = whole("frames", FRAMES).map(|n| n as u32);
    let time = fields.read("time", time);
    let asked = fields.get("pools");
    found.extend("slurm", fields.finish());
    let pools = asked.map(|value| asks(value, pools, found)).unwrap_or_default();
    Some(Slurm { partition, account, qos, memory, processors, time, frames, pools, at: at(value) })
}

/// Where its keys stand.
fn at(value: &Value) -> Vec<(String, Option<String>, Span)> {
    let entries = |value: &Value| value.map().map(|map| map.entries.clone()).unwrap_or_default();
    let mut all = Vec::new();
    for (key, value) in entries(value) {
        if key.text != "pools" {
            all.push((key.text, None, key.span));
            continue;
        }
        for (pool, asks) in entries(&value) {
            let of = entries(&asks).into_iter();
            all.extend(of.map(|(key, _)| (key.text, Some(pool.text.clone()), key.span)));
        }
    }
    all
}

/// The share of a task's memory that pictures between stages may take; commands may take as much.
pub const PICTURES: f64 = 0.4;

/// Stages whose commands say that they take more memory than a task has beside its pictures: where, and in words.
pub fn short_of_memory(slurm: Option<&Slurm>, shots: &IndexMap<String, Shot>) -> Vec<(Span, String)> {
    let Some(has) = slurm.and_then(|slurm| slurm.memory) else { return Vec::new() };
    let mega = |bytes: u64| bytes.div_ceil(1_000_000);
    let mut told: Vec<(Span, String)> = Vec::new();
    for (shot, stages) in shots {
        for (name, stage) in &stages.stages {
            let Work::Command(Command { memory: Some(takes), .. }) = &stage.work else { continue };
            // A stage of a recipe stands in one place, however many shots have it.
            if *takes as f64 > has as f64 * (1.0 - PICTURES) && told.iter().all(|(at, _)| *at != stage.span) {
                told.push((
                    stage.span,
                    format!(
                        "{shot}/{name} says that a call takes {} MB, and a task on Slurm has {} MB, two fifths of which hold pictures: it \
                         would run out of memory there",
                        mega(*takes),
                        mega(has)
                    ),
                ));
            }
        }
    }
    told
}

/// Warns of them.
pub fn check_memory(slurm: Option<&Slurm>, shots: &IndexMap<String, Shot>, found: &mut Found) {
    for (span, words) in short_of_memory(slurm, shots) {
        let problem = Problem::error(span, words).warning();
        found.push("slurm", problem.help("say more with 'memory' in 'slurm', or less in the stage"));
    }
}

/// A word that cannot be taken for an option, nor for anything else than itself in a shell.
fn word(value: &Value) -> Result<String, Problem> {
    let text = value.text()?;
    let is_sound = |c: char| c.is_ascii_alphanumeric() || "_-.:,=/@+".contains(c);
    if !text.is_empty() && text.len() <= WORD && !text.starts_with('-') && text.chars().all(is_sound) {
        return Ok(text.to_string());
    }
    Err(Problem::error(value.span, format!("'{}' cannot be said to Slurm", shortened(text, 40)))
        .help("one word of letters, digits and _ - . : , = / @ +, which does not begin with -"))
}

fn between(value: &Value, what: &str, limit: i64) -> Result<i64, Problem> {
    match value.int()? {
        n if (1..=limit).contains(&n) => Ok(n),
        n => {
            Err(Problem::error(value.span, format!("'{what}' cannot be {n}"))
                .help(format!("from 1 to {limit}")))
        }
    }
}

/// `90` minutes, or `HOURS:MINUTES`.
fn time(value: &Value) -> Result<Duration, Problem> {
    let wrong = || {
        value
            .wrong("a time")
            .help("write minutes, such as 90, or hours and minutes in quotes, such as \"1:30\"")
    };
    let minutes = match value.text().ok().and_then(|text| text.split_once(':')) {
        Some((hours, minutes)) => {
            let (hours, minutes): (i64, i64) =
                (hours.parse().map_err(|_| wrong())?, minutes.parse().map_err(|_| wrong())?);
            if hours < 0 || !(0..60).contains(&minutes) {
                return Err(wrong());
            }
            hours.saturating_mul(60) + minutes
        }
        None => value.int().map_err(|_| wrong())?,
    };
    if !(1..=MINUTES).contains(&minutes) {
        return Err(Problem::error(value.span, format!("'time' cannot be {minutes} minutes"))
            .help(format!("from 1 to {MINUTES}")));
    }
    Ok(Duration::from_secs(minutes as u64 * 60))
}

fn asks(value: &Value, pools: &IndexMap<String, At<u32>>, found: &mut Found) -> IndexMap<String, Asks> {
    let mut out = IndexMap::new();
    let Node::Map(map) = &value.node else {
        found.push("slurm", value.wrong("a map of pools and what they ask for"));
        return out;
    };
    for (key, value) in &map.entries {
        let span: Span = key.span;
        if !pools.contains_key(&key.text) {
            let problem = Problem::error(span, format!("there is no pool '{}'", shortened(&key.text, 40)));
            let names = pools.keys().map(String::as_str);
            let problem = found.suggest(problem, &key.text, names, "name it in 'pools' of the film first");
            found.push("slurm", problem);
        }
        let Some(mut fields) = found.keep("slurm", Fields::of(value, "what a pool asks for")) else {
            continue;
        };
        let [gres, licenses] = ["gres", "licenses"].map(|key| fields.read(key, word));
        found.extend("slurm", fields.finish());
        out.insert(key.text.clone(), Asks { gres, licenses });
    }
    out
}

#[cfg(test)]
mod tests {
    use crate::base::problem::{Severity, Sources};
    use std::time::Duration;

    fn read(slurm: &str) -> (Option<super::Slurm>, Vec<String>) {
        let text = format!(
            "film: The Brine Lamp\nrate: 24\nframe_size: 8x8\npools: {{ gpu: 2 }}\nplates:\n  shed: {{ files: s.####.exr, frames: 1-4 }}\n\
             shots:\n  br010: {{ plate: shed, frames: 1-4, stages: {{ colour: {{ operator: grade }} }} }}\nslurm:\n{slurm}"
        );
        let mut sources = Sources::default();
        let main = sources.add("endboard.yaml", text);
        let (film, problems) = crate::declare::read(&mut sources, main, &mut |_| Err("none".into()));
        let at = |span: crate::base::problem::Span| {
            sources.get(span.source).text[..span.start as usize].lines().count()
        };
        let told = problems.iter().map(|p| format!("{}: {}", p.span.map_or(0, at), p.message)).collect();
        (film.and_then(|film| film.slurm), told)
    }

    #[test]
    fn what_tasks_ask_for_is_read() {
        let (slurm, problems) = read(
            "  partition: night\n  account: salt_works\n  memory: 4GB\n  processors: 8\n  time: \"1:30\"\n  frames: 24\n  pools: { gpu: { gres: \"gpu:1\", licenses: \"keying:2\" } }\n",
        );
        let slurm = slurm.unwrap();
        assert_eq!(problems, Vec::<String>::new());
        assert_eq!((slurm.partition.as_deref(), slurm.memory), (Some("night"), Some(4_000_000_000)));
        assert_eq!((slurm.time, slurm.processors), (Some(Duration::from_secs(5400)), Some(8)));
        assert_eq!(slurm.pools["gpu"].gres.as_deref(), Some("gpu:1"));
    }

    #[test]
    fn a_command_that_takes_more_than_a_task_has_is_warned_of_once() {
        let told = |takes: &str, has: &str| {
            let stages =
                format!("stages: {{ slow: {{ command: 'sh t.sh {{picture}} {{out}}', memory: {takes} }} }}");
            let text = format!(
                "film: The Brine Lamp\nrate: 24\nframe_size: 8x8\nplates:\n  shed: {{ files: s.####.exr, frames: 1-4 }}\n\
                 shots:\n  br010: {{ plate: shed, frames: 1-4, {stages} }}\nslurm: {{ memory: {has} }}\n"
            );
            let mut sources = Sources::default();
            let main = sources.add("endboard.yaml", text);
            let (_, problems) = crate::declare::read(&mut sources, main, &mut |_| Err("none".into()));
            problems.iter().map(|p| (p.severity, p.message.clone())).collect::<Vec<_>>()
        };
        let said = told("800MB", "400MB");
        assert!(said.len() == 1 && said[0].0 == Severity::Warning, "{said:?}");
        assert!(
            said[0].1.contains("br010/slow says that a call takes 800 MB, and a task on Slurm has 400 MB")
        );
        assert_eq!(told("800MB", "2GB"), []);
    }

    #[test]
    fn nothing_that_could_be_another_option_gets_through() {
        for bad in ["\"-N99\"", "\"a b\"", "\"a;b\"", "\"$(x)\"", "\"\"", "\"a\\nb\"", "\"é\""] {
            let (_, problems) = read(&format!("  partition: {bad}\n"));
            assert_eq!(problems.len(), 1, "{bad}: {problems:?}");
            assert!(problems[0].starts_with("10: "), "{problems:?}");
        }
        let (_, problems) =
            read("  time: 0\n  processors: 0\n  pools: { gpus: { gres: x } }\n  patrition: x\n");
        assert_eq!(problems.len(), 4, "{problems:?}");
    }
}
