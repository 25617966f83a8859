//! `rebuild --on slurm`: rendering on a cluster, and what is said of it.

use super::arguments::Rebuild;
use super::progress::Rebuilding;
use super::{Failure, rebuild, show};
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
    let progress = Rebuilding::new(quiet);
    let asked = Asked {
        selectors: options.selectors.clone(),
        again: options.again,
        leave: options.leave,
        program: std::env::current_exe().map_err(|e| Failure::System(e.to_string()))?,
        version: env!("CARGO_PKG_VERSION").into(),
    };
    let events = |event| progress.take(&event);
    let rebuilt =
        project.rebuild_on_slurm(declared, selection, &asked, &rebuild::writer(), &programs.halt, &events);
    progress.end();
    Ok(rebuilt?)
}

/// What went wrong with tasks elsewhere, and what is left to do.
pub fn tell(afar: &Afar, left: usize) {
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
    })
}
