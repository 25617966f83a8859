//! `part`: what a task of a run on a cluster starts. Nobody types it.

use std::sync::Arc;

use super::arguments::Part;
use super::arguments::share::Way;
use super::{Answer, Exit, rebuild, share, show};
use crate::bucket::credentials::Asks;
use crate::project::afar::{Came, Task};
use crate::project::{Declared, Project};
use crate::store::shared::Tell;

/// Makes the part, and says in the task's log what came of it.
pub fn run(project: &Project, part: &Part) -> Answer {
    let (_runtime, programs) = rebuild::programs()?;
    let task = Task {
        run: part.run.clone(),
        array: part.array,
        index: part.index,
        // What the cluster calls the machine; several may share one, as in tests.
        node: std::env::var("SLURMD_NODENAME").unwrap_or_else(|_| rebuild::writer().machine),
        version: env!("CARGO_PKG_VERSION").into(),
    };
    let halt = Arc::clone(&programs.halt);
    // A slip in the environment of a machine stops no task.
    let opens = |declared: &Declared, tell: Tell| {
        let tell: Arc<dyn Fn(String) + Send + Sync> = Arc::from(tell);
        let tell = move |words: String| {
            tell!("{words}");
            tell(words);
        };
        share::open(project, declared, Some(Way::Take), Asks::Task, &halt, tell).ok().flatten()
    };
    let outcome = match project.make_part(&task, programs, &opens)? {
        Came::Made(outcome) => outcome,
        Came::Refused(words) => {
            tell!("endboard: {}: {words}", task.node);
            return Ok(Exit::Unsound);
        }
    };
    say!("{}: {} rendered, {} put back", task.node, show::frames(outcome.rendered), outcome.restored);
    for failure in &outcome.failures {
        tell!("{}: {}", failure.place, failure.reason);
    }
    if let Some(ended) = &outcome.ended {
        tell!("the task ended early: {ended}");
        return Ok(Exit::Interrupted);
    }
    // Frames that failed are told by whoever follows; to Slurm the task did what it could.
    Ok(Exit::Done)
}
