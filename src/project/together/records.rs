//! What is wrong with the files that several people's rows meet in, at its line: the ledger, and the list of cuts taken up.
//!
//! Knows where they lie. Their rows count as far as they can be read, so that nothing here is an error.

use std::collections::HashMap;

use crate::base::conflict;
use crate::base::problem::{Problem, Problems, SourceId, Sources, Span};
use crate::project::Project;
use crate::project::recutting::history;

impl Project {
    /// What is wrong with them. Texts in which something is are added to `sources`.
    pub(super) fn records(&self, sources: &mut Sources) -> Problems {
        let mut problems = self.ledgers(sources);
        let text = std::fs::read(self.folder.join(history::FILE)).unwrap_or_default();
        if let Some(at) = conflict::left_in(&text) {
            let lines = text[..at.start].iter().filter(|&&byte| byte == b'\n').count();
            let source = sources.add(history::FILE, String::from_utf8_lossy(&text));
            let problem = Problem::error(line_of(sources, source, lines + 1), conflict::LEFT).warning();
            problems.push(problem.help(conflict::HELP));
        }
        problems
    }

    fn ledgers(&self, sources: &mut Sources) -> Problems {
        let mut texts: HashMap<String, SourceId> = HashMap::new();
        let (_, found) = self.ledger();
        let faults = found.into_iter().filter(|problem| !problem.is_notice());
        let told = faults.map(|fault| {
            let wrong = fault.wrong.to_string();
            let (message, help) = wrong.split_once("; ").map_or((&*wrong, None), |(m, h)| (m, Some(h)));
            let path = format!("ledger/{}", fault.file);
            let problem = match fault.line {
                0 => Problem::bare(format!("{path}: {message}")),
                line => {
                    let source = *texts.entry(path.clone()).or_insert_with(|| {
                        let bytes = std::fs::read(self.folder.join(&path)).unwrap_or_default();
                        sources.add(path, String::from_utf8_lossy(&bytes))
                    });
                    Problem::error(line_of(sources, source, line), message)
                }
            };
            Problem { help: help.map(Into::into), ..problem.warning() }
        });
        told.collect()
    }
}

/// A line of a text, from 1.
fn line_of(sources: &Sources, source: SourceId, line: usize) -> Span {
    let text = &sources.get(source).text;
    let mut at = 0;
    for (number, whole) in text.split_inclusive('\n').enumerate() {
        if number + 1 == line {
            return Span::new(source, at, at + whole.trim_end().len());
        }
        at += whole.len();
    }
    Span::new(source, at, at)
}
