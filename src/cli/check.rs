//! `check`: every problem at once.

use super::arguments::Arguments;
use super::progress::Reading;
use super::{Answer, Exit, show};
use crate::base::problem::Severity;
use crate::declare::schema::{self, OperatorTable, ParamTable, Takes};
use crate::operators::{self, Kind, Spec};
use crate::project::{Declared, Project};

/// Reads everything and reports.
pub fn run(project: &Project, arguments: &Arguments) -> Answer {
    let reading = Reading::new("looking at plates");
    let declared = project.check(&|done, of| reading.at(done, of))?;
    reading.end();
    report(&declared, arguments);
    Ok(if declared.is_sound() { Exit::Done } else { Exit::Unsound })
}

/// Prints the problems.
pub fn report(declared: &Declared, arguments: &Arguments) {
    let of = |severity| declared.problems.iter().filter(|p| p.severity == severity).count();
    let (errors, warnings) = (of(Severity::Error), of(Severity::Warning));
    if arguments.json {
        let list: Vec<_> = declared
            .problems
            .iter()
            .map(|p| {
                let place = p
                    .span
                    .map(|s| (declared.sources.get(s.source).path.clone(), declared.sources.position(s)));
                serde_json::json!({
                    "severity": p.severity.to_string(),
                    "message": p.message,
                    "help": p.help,
                    "file": place.as_ref().map(|(path, _)| path),
                    "line": place.as_ref().map(|(_, (line, _))| line),
                    "column": place.as_ref().map(|(_, (_, column))| column),
                })
            })
            .collect();
        let all = serde_json::json!({ "format": "endboard check 1", "errors": errors, "warnings": warnings, "problems": list });
        anstream::println!("{all:#}");
        return;
    }
    for problem in &declared.problems {
        anstream::println!("{}", show::problem(&declared.sources, problem));
    }
    anstream::println!("{}", verdict(declared));
}

/// Says why nothing can be done with the film: of a command that is not about problems, they are no answer, and go to
/// the standard error. JSON is an answer of its own form.
pub fn refuse(declared: &Declared, arguments: &Arguments) {
    if arguments.json {
        return report(declared, arguments);
    }
    for problem in &declared.problems {
        anstream::eprintln!("{}", show::problem(&declared.sources, problem));
    }
    anstream::eprintln!("{}", verdict(declared));
}

fn verdict(declared: &Declared) -> String {
    let of = |severity| declared.problems.iter().filter(|p| p.severity == severity).count();
    let shots = declared.film.as_ref().map_or(0, |f| f.shots.len());
    match (of(Severity::Error), of(Severity::Warning)) {
        (0, 0) => format!("sound: {shots} shots, {} stages", declared.graph.nodes.len()),
        (0, w) => format!("sound, with {w} warnings: {shots} shots"),
        (e, 0) => format!("not sound: {e} errors"),
        (e, w) => format!("not sound: {e} errors, {w} warnings"),
    }
}

/// Prints the schema for editors, with every operator's settings.
pub fn schema() -> Answer {
    let tables: Vec<OperatorTable> = operators::all().iter().map(|operator| table(operator.spec())).collect();
    anstream::println!("{:#}", schema::schema(&tables));
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
        Kind::Structure => Takes::Anything,
    }
}
