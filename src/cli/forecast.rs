//! `forecast`: when the film will be done, and what holds it up.

use std::sync::Arc;

use clap::Args;
use jiff::Zoned;

use super::arguments::Arguments;
use super::progress::Reading;
use super::{Answer, Exit, Failure, amounts, show};
use crate::forecast::outlook::{Ask, Change};
use crate::graph::Node;
use crate::project::{Project, Status};
use crate::report::forecast_forms;
use crate::report::forecast_text::{self, Told};

/// Options of `forecast`.
#[derive(Debug, Args)]
pub struct Options {
    /// How many runs are played
    #[arg(long, value_name = "N", default_value_t = 1000, value_parser = clap::value_parser!(u64).range(20..=100_000), allow_negative_numbers = true)]
    pub runs: u64,
    /// The number that all draws follow from
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Count from this day instead of today, written 2026-12-01
    #[arg(long, value_name = "DATE", value_parser = amounts::day)]
    pub from: Option<jiff::civil::Date>,
    /// Try it without this shot. This and the next two may stand several times: each is tried by itself, and all together
    #[arg(long, value_name = "SHOT")]
    pub drop: Vec<String>,
    /// Try it with one more person for this stage
    #[arg(long, value_name = "STAGE")]
    pub more: Vec<String>,
    /// Try it with this stage so many times as fast
    #[arg(long, value_name = "STAGE=TIMES", value_parser = amounts::times)]
    pub faster: Vec<(String, f64)>,
}

/// Looks, plays the runs and prints.
pub fn run(project: &Project, arguments: &Arguments, options: &Options) -> Answer {
    let reading = Reading::new("reading plates");
    let status = project.status(false, &|done, of| reading.at(done, of))?;
    reading.end();
    for problem in status.ledger.1.iter().filter(|problem| !problem.is_notice()) {
        tell!("ledger: {problem}");
    }
    let ask = Ask { runs: options.runs, seed: options.seed, changes: changes(&status, options)? };
    let from = options.from.unwrap_or_else(|| Zoned::now().date());
    let forecast = project.forecast(&status, from, &ask)?;
    let told = Told {
        film: &status.declared.graph.film,
        work: &forecast.work,
        outlook: forecast.outlook.as_ref(),
        from,
        due: forecast.due,
        has_crew: forecast.has_crew,
        has_machines: forecast.has_machines,
        strangers: &forecast.strangers,
    };
    if arguments.json {
        say!("{}", forecast_forms::json(&told, &forecast.rates, ask.runs, ask.seed));
    } else {
        show::say_whole(&forecast_text::text(&told, show::look()));
    }
    Ok(Exit::Done)
}

/// The changes that are asked for; names that the film has not are refused.
fn changes(status: &Status, options: &Options) -> Result<Vec<Change>, Failure> {
    let nodes = &status.declared.graph.nodes;
    let has = |name: &str, of: fn(&Node) -> &Arc<str>| nodes.iter().any(|node| **of(node) == *name);
    for shot in &options.drop {
        if !has(shot, |node| &node.shot) {
            return Err(Failure::Usage(format!("--drop {shot}: the film has no shot of this name")));
        }
    }
    let more = options.more.iter().map(|stage| ("--more", stage));
    for (option, stage) in more.chain(options.faster.iter().map(|(stage, _)| ("--faster", stage))) {
        if !has(stage, |node| &node.stage) {
            return Err(Failure::Usage(format!("{option} {stage}: no shot has a stage of this name")));
        }
    }
    let without = options.drop.iter().map(|shot| Change::Without(shot.as_str().into()));
    let more = options.more.iter().map(|stage| Change::More(stage.as_str().into()));
    let faster = options.faster.iter().map(|(stage, times)| Change::Faster(stage.as_str().into(), *times));
    Ok(without.chain(more).chain(faster).collect())
}
