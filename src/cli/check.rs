//! `check`: every problem at once.

use super::arguments::Arguments;
use super::progress::Reading;
use super::{Answer, Exit, show};
use crate::base::problem::{Problem, Severity};
use crate::declare::schema::{self, OperatorTable, ParamTable, Takes};
use crate::graph::Work;
use crate::operators::{self, Kind, Spec};
use crate::project::{Declared, Project, inspecting};
use crate::report::words;

/// Reads everything and reports.
pub fn run(project: &Project, arguments: &Arguments) -> Answer {
    let reading = Reading::new("looking at plates");
    let programs = std::env::var_os("PATH").unwrap_or_default();
    let programs: Vec<_> = std::env::split_paths(&programs).collect();
    let declared = project.check(&programs, &|done, of| reading.at(done, of))?;
    reading.end();
    report(&declared, arguments);
    Ok(if declared.is_sound() { Exit::Done } else { Exit::Unsound })
}

/// Every problem, for an answer in JSON.
pub fn listed(declared: &Declared) -> Vec<serde_json::Value> {
    let one = |p: &Problem| {
        let place =
            p.span.map(|s| (declared.sources.get(s.source).path.clone(), declared.sources.position(s)));
        serde_json::json!({
            "severity": p.severity.to_string(),
            "message": p.message,
            "help": p.help,
            "file": place.as_ref().map(|(path, _)| path),
            "line": place.as_ref().map(|(_, (line, _))| line),
            "column": place.as_ref().map(|(_, (_, column))| column),
        })
    };
    declared.problems.iter().map(one).collect()
}

/// Prints the problems.
pub fn report(declared: &Declared, arguments: &Arguments) {
    let (errors, warnings) = counts(declared);
    if arguments.json {
        let list = listed(declared);
        let all = serde_json::json!({ "format": "endboard check 1", "errors": errors, "warnings": warnings, "problems": list });
        say!("{all:#}");
        return;
    }
    for problem in &declared.problems {
        show::say_problem(&declared.sources, problem);
        say!("");
    }
    flow!("{}", summary(declared));
}

/// Says why nothing can be done with the film: of a command that is not about problems, they are no answer, and go to
/// the standard error. JSON is an answer of its own form.
pub fn refuse(declared: &Declared, arguments: &Arguments) {
    if arguments.json {
        return report(declared, arguments);
    }
    for problem in &declared.problems {
        show::tell_problem(&declared.sources, problem);
        show::tell_so(format_args!("\n"));
    }
    tell!("{}", summary(declared));
}

/// How many errors and warnings there are.
fn counts(declared: &Declared) -> (usize, usize) {
    let of = |severity| declared.problems.iter().filter(|p| p.severity == severity).count();
    (of(Severity::Error), of(Severity::Warning))
}

/// `no problems: 5 shots, 12 stages`, or how many errors and warnings there are.
fn summary(declared: &Declared) -> String {
    let (errors, warnings) = counts(declared);
    let shots = declared.film.as_ref().map_or(0, |f| f.shots.len());
    let stages = declared.graph.nodes.iter().filter(|n| !matches!(n.work, Work::Plate { .. })).count();
    let film = format!("{}, {}", words::count(shots as u64, "shot"), words::count(stages as u64, "stage"));
    let count = |n: usize, thing: &str| (n > 0).then(|| words::count(n as u64, thing));
    let told: Vec<String> = count(errors, "error").into_iter().chain(count(warnings, "warning")).collect();
    match (errors, warnings) {
        (0, 0) => format!("no problems: {film}"),
        (0, _) => format!("{}: {film}", told.join(", ")),
        _ => told.join(", "),
    }
}

/// Prints the schema for editors, with every operator's settings.
pub fn schema() -> Answer {
    let tables: Vec<OperatorTable> = operators::all().iter().map(|operator| table(operator.spec())).collect();
    let mut sounds: Vec<OperatorTable> = operators::sound::specs().into_iter().map(table).collect();
    sounds.push(limits());
    say!("{:#}", schema::schema(&tables, &sounds));
    Ok(Exit::Done)
}

fn table(spec: &Spec) -> OperatorTable {
    let params = spec.params.iter().map(|param| ParamTable {
        name: param.name.into(),
        takes: takes(param.kind),
        unit: param.unit.into(),
        default: param.default.into(),
        doc: param.doc.into(),
    });
    OperatorTable {
        name: spec.name.into(),
        summary: spec.summary.into(),
        ports: spec.ports.iter().map(|port| (port.name.into(), port.doc.into())).collect(),
        params: params.collect(),
    }
}

/// The limits of `inspect`.
fn limits() -> OperatorTable {
    let params = inspecting::judged::limits().iter().map(|rule| ParamTable {
        name: rule.name.into(),
        takes: Takes::Number(rule.range.0, rule.range.1),
        unit: rule.unit.into(),
        default: rule.default.to_string(),
        doc: rule.says.into(),
    });
    let (name, summary) = ("inspect".into(), "By what the film is judged.".into());
    OperatorTable { name, summary, ports: Vec::new(), params: params.collect() }
}

fn takes(kind: Kind) -> Takes {
    match kind {
        Kind::Number { min, max } => Takes::Number(min, max),
        Kind::Keyed { min, max } => Takes::Keyed(min, max),
        Kind::Whole { min, max } => Takes::Whole(min, max),
        Kind::Flag => Takes::Flag,
        Kind::Word(words) => Takes::Words(words.iter().map(ToString::to_string).collect()),
        Kind::Text => Takes::Text,
        Kind::File => Takes::File,
        Kind::Numbers(count) => Takes::Numbers(count),
        Kind::KeyedNumbers(count) => Takes::KeyedNumbers(count),
        Kind::Structure => Takes::Anything,
    }
}
