//! `hours`: where the time went.

use std::collections::BTreeSet;

use super::arguments::{self, Arguments, Hours as Options};
use super::{Answer, Exit, show};
use crate::project::Project;
use crate::report::hours::Hours;
use crate::report::{hours_forms, hours_table};

/// Reads the ledger and prints.
pub fn run(project: &Project, arguments: &Arguments, options: &Options) -> Answer {
    let selection = arguments::selection(&options.selectors, None)?;
    let (entries, problems) = project.ledger();
    for problem in &problems {
        tell!("ledger: {problem}");
    }
    let unmatched = selection.unmatched(entries.iter().map(|e| (&*e.row.shot, &*e.row.stage)));
    let unknown: Vec<&str> = unmatched.iter().map(|selector| selector.text()).collect();
    if !entries.is_empty() && !unknown.is_empty() {
        let shots: BTreeSet<&str> = entries.iter().map(|e| &*e.row.shot).collect();
        let shots: Vec<&str> = shots.into_iter().collect();
        tell!("the ledger has no time of '{}'; it has that of {}", unknown.join("', '"), shots.join(", "));
        if !arguments.json && !options.csv && unknown.len() == selection.selectors.len() {
            return Ok(Exit::Unsound);
        }
    }
    let hours = Hours::of(
        entries.iter().map(|e| &e.row).filter(|row| selection.matches(&row.shot, &row.stage).is_some()),
    );
    if arguments.json {
        say!("{}", hours_forms::json(&hours));
    } else if options.csv {
        show::say(format_args!("{}", hours_forms::csv(&hours)));
    } else {
        say!("{}", hours_table::table(&hours, show::look()));
    }
    Ok(Exit::Done)
}
