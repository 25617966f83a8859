//! People as the command line names them: whose time, whose word.
//!
//! Knows who is meant. Does not know what they do.

use super::{Failure, rebuild};
use crate::base::problem::nearest;
use crate::base::selector::Selection;
use crate::ledger::intake::LedgerProblem;
use crate::ledger::row::{Entry, Row};
use crate::project::Project;

/// Who is meant: the person named, or the one at this machine, whose ledger file it is.
pub fn who(named: Option<&str>) -> String {
    named.map_or_else(|| rebuild::writer().person().to_string(), str::to_string)
}

/// Says so when a person is named of whom the ledger knows nothing, and who may be meant: time under a name that is off by a letter
/// is lost from sight.
pub fn tell_if_new<'a>(person: &str, known: impl IntoIterator<Item = &'a str>) {
    let known: Vec<&str> = known.into_iter().collect();
    if known.is_empty() || known.contains(&person) {
        return;
    }
    if let Some(near) = nearest(person, known) {
        tell!(
            "the ledger knows no '{person}' so far; if you mean {near}, say --person {near} and take this one away"
        );
    }
}

/// True of a row on frames that are selected.
pub fn is_on(row: &Row, selection: &Selection) -> bool {
    let chosen = selection.matches(&row.shot, &row.stage);
    chosen.is_some_and(|chosen| row.frames.iter().any(|n| chosen.contains(n)))
}

/// Selectors that name neither a stage of the film nor what a row of the ledger is of: refused where all are such, or else told. A
/// slip would otherwise read as good news.
pub fn known(project: &Project, entries: &[Entry], selection: &Selection) -> Result<(), Failure> {
    if selection.is_everything() {
        return Ok(());
    }
    let declared = project.read();
    if !declared.is_sound() {
        return Ok(());
    }
    let stages = declared.graph.nodes.iter().map(|node| (&*node.shot, &*node.stage));
    let rows = entries.iter().map(|entry| (&*entry.row.shot, &*entry.row.stage));
    let unknown: Vec<&str> =
        selection.unmatched(stages.chain(rows)).iter().map(|selector| selector.text()).collect();
    let words = || format!("'{}' matches nothing of the film, nor of its ledger", unknown.join("', '"));
    match unknown.len() {
        0 => {}
        n if n == selection.selectors.len() => return Err(Failure::Usage(words())),
        _ => tell!("{}", words()),
    }
    Ok(())
}

/// The most faults of the ledger that are told one by one.
const TOLD: usize = 12;

/// Says what of the ledger could not be read: what was written there is not among what a command shows.
pub fn tell_ledger(problems: &[LedgerProblem]) {
    let faults: Vec<&LedgerProblem> = problems.iter().filter(|problem| !problem.is_notice()).collect();
    for problem in faults.iter().take(TOLD) {
        tell!("ledger: {problem}");
    }
    if faults.len() > TOLD {
        tell!("ledger: and {} more", faults.len() - TOLD);
    }
}

/// A failure of the command line.
pub fn usage<T>(words: impl std::fmt::Display) -> Result<T, Failure> {
    Err(Failure::Usage(words.to_string()))
}
