//! `forecast`: when the film will be done, and what holds it up.

use std::mem::ManuallyDrop;
use std::sync::Arc;

use clap::Args;
use jiff::Zoned;

use super::arguments::{self, Arguments};
use super::progress::Reading;
use super::{Answer, Exit, Failure, amounts, deliver, people, show, today};
use crate::forecast::outlook::{Ask, Change};
use crate::graph::{FILM, Node};
use crate::project::forecasting::{self, Kept};
use crate::project::{Project, Status};
use crate::report::{forecast_forms, forecast_text};

/// Options of `forecast`.
#[derive(Debug, Args)]
#[command(after_help = DATES)]
pub struct Options {
    /// Shots, stages and frames: when they are done, while the same people do the rest of the film too; all when not given
    pub selectors: Vec<String>,
    /// How many runs to simulate, from 20 to 100000
    #[arg(long, value_name = "N", default_value_t = Ask::default().runs, value_parser = clap::value_parser!(u64).range(20..=100_000), allow_negative_numbers = true)]
    pub runs: u64,
    /// The number that all draws follow from
    #[arg(long, value_name = "N", default_value_t = Ask::default().seed)]
    pub seed: u64,
    /// Count from this day; today when not given
    #[arg(long, value_name = "DAY", value_parser = today::day)]
    pub from: Option<jiff::civil::Date>,
    /// Try it without this shot; may be given several times
    #[arg(long, value_name = "SHOT")]
    pub drop: Vec<String>,
    /// Try it with one more person for this stage; may be given several times
    #[arg(long, value_name = "STAGE")]
    pub more: Vec<String>,
    /// Try it with this stage so many times as fast; may be given several times
    #[arg(long, value_name = "STAGE=TIMES", value_parser = amounts::times)]
    pub faster: Vec<(String, f64)>,
}

const DATES: &str = "Dates and times have three names: by P50 half of all runs end, as likely as not; by P80 four in five, the day to \
 promise; by P95 nineteen in twenty, the one that little can upset.\n\
Changes (--drop, --more, --faster) are tried each by itself, and all together where there are several.";

/// Looks, plays the runs and prints.
pub fn run(project: &Project, arguments: &Arguments, options: &Options) -> Answer {
    let reading = Reading::new("reading plates");
    let status = project.status(false, &|done, of| reading.at(done, of))?;
    // The process ends with this command: giving a large film's memory back bit by bit would only make it last longer.
    let status = &*ManuallyDrop::new(status);
    reading.end();
    people::tell_ledger(&status.ledger.1);
    let graph = &status.declared.graph;
    let selection = arguments::selection(&options.selectors, Some(graph))?;
    let ask = Ask { runs: options.runs, seed: options.seed, changes: changes(status, options)? };
    let from = options.from.unwrap_or_else(|| Zoned::now().date());
    let dues = deliver::standing(project, status)?;
    let forecast = forecasting::forecast(status, &dues, &selection, from, &ask, &Kept::default());
    let part = options.selectors.join(" ");
    let told = forecast.told(&graph.film, (!part.is_empty()).then_some(&part), &ask.changes);
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
        let is_part = shot.contains(['/', '@']);
        if is_part || shot == FILM || !has(shot, |node| &node.shot) {
            let why = match is_part {
                true => "a shot is left out as a whole; name the shot alone",
                false => "the film has no shot of this name",
            };
            return Err(Failure::Usage(format!("--drop {shot}: {why}")));
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
