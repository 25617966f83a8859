//! `hours`: where the time went.

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
