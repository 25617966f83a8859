//! `rebuild --on slurm`: rendering on a cluster, and what is said of it.

use super::arguments::Rebuild;
use super::progress::Rebuilding;
use super::{Failure, rebuild, share, show};
use crate::base::selector::Selection;
use crate::project::afar::{Afar, Asked};
use crate::project::rebuild::Rebuilt;
use crate::project::{Declared, Project};
use crate::report::words;

/// Rebuilds by tasks on a Slurm cluster, and follows them.
pub fn on_slurm(
    project: &Project,
    declared: Declared,
    selection: &Selection,
    options: &Rebuild,
    quiet: bool,
) -> Result<Rebuilt, Failure> {
    let (_runtime, programs) = rebuild::programs()?;
    let program = std::env::current_exe().map_err(|e| Failure::System(e.to_string()))?;
    share::around(project, declared, options.sharing, &programs.halt, quiet, |declared, shared| {
        let asked = Asked {
            selectors: options.selectors.clone(),
            again: options.again,
            leave: options.leave,
            program,
            version: env!("CARGO_PKG_VERSION").into(),
            shared,
        };
        let progress = Rebuilding::new(quiet);
        let (writer, events) = (rebuild::writer(), |event| progress.take(&event));
        let rebuilt = project.rebuild_on_slurm(declared, selection, &asked, &writer, &programs.halt, &events);
        progress.end();
        rebuilt
    })
}

/// What went wrong with tasks elsewhere, and what is left to do.
pub fn tell(afar: &Afar, left: usize) {
    let work = &afar.at_work;
    if work.count > 0 {
        let machines = words::count(work.machines.len() as u64, "machine");
        say!(
            "{} on {machines} were at work for {}, {} of it until their first frames",
            words::count(work.count as u64, "task"),
            words::time(work.wall),
            words::time(work.startup)
        );
    }
    afar.troubles.iter().for_each(|words| tell!("{words}"));
    if afar.is_out {
        let tasks = words::count(afar.tasks as u64, "task");
        say!("run {} goes on on Slurm ({tasks}); `endboard rebuild --on slurm` follows it", afar.run);
    } else if left > 0 {
        tell!(
            "{} not made; `endboard rebuild --on slurm` goes on from there, and `endboard rebuild` makes them here",
            show::frames(left)
        );
    }
}

/// What the JSON says of it.
pub fn as_json(afar: &Afar) -> serde_json::Value {
    serde_json::json!({
        "run": afar.run, "found": afar.found, "jobs": afar.jobs, "tasks": afar.tasks, "waves": afar.waves,
        "out": afar.is_out, "cancelled": afar.cancelled, "troubles": afar.troubles,
        "tasks_over": afar.at_work.count, "machines": afar.at_work.machines,
        "task_seconds": afar.at_work.wall.as_secs_f64(), "startup_seconds": afar.at_work.startup.as_secs_f64(),
    })
}
