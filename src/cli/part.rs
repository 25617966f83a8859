//! `part`: what a task of a run on a cluster starts. Nobody types it.

use super::arguments::Part;
use super::{Answer, Exit, rebuild, show};
use crate::project::Project;
use crate::project::afar::{Came, Task};

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
    let outcome = match project.make_part(&task, programs)? {
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
