//! `sweep`: space that nothing current uses.

use std::collections::BTreeSet;

use super::arguments::{Arguments, Sweep};
use super::{Answer, Exit, rebuild};
use crate::project::Project;
use crate::project::logs::{OldLog, Why};
use crate::project::rebuild::Swept;
use crate::report::words;
use crate::store::StoreError;

/// Says what would go, or removes it.
pub fn run(project: &Project, arguments: &Arguments, options: &Sweep) -> Answer {
    let budget = options.budget.unwrap_or(0);
    let Swept { found, gone, left, logs, stuck } = if options.remove {
        project.sweep(budget, &rebuild::writer())?
    } else {
        let (status, found) = project.look_for_unused()?;
        let left = project.folders_left(&status).values().sum();
        let mut total = found.total;
        let would = found.unused.iter().take_while(|u| {
            let goes = total > budget;
            total -= u.size.min(total);
            goes
        });
        let gone = would.cloned().collect();
        Swept { gone, left, logs: project.old_logs(&status), stuck: Vec::new(), found }
    };
    let bytes: u64 = gone.iter().map(|u| u.size).sum();
    let log_bytes: u64 = logs.iter().map(|log| log.size).sum();
    if arguments.json {
        let all = serde_json::json!({ "format": "endboard sweep 1", "stored_bytes": found.total, "stored": found.count,
            "unused": found.unused.len(), "removed": options.remove, "files": gone.len(), "bytes": bytes,
            "left_behind": left, "logs": logs.len(), "log_bytes": log_bytes,
            "logs_left": stuck.iter().map(ToString::to_string).collect::<Vec<_>>() });
        say!("{all:#}");
        return Ok(end(&stuck));
    }
    flow!(
        "{} stored, {}; {} of them unused by the film as it is",
        words::count(found.count as u64, "render"),
        words::bytes(found.total),
        found.unused.len()
    );
    let files = words::count(left as u64, "file");
    match (options.remove, left) {
        (_, 0) => {}
        (true, _) => {
            flow!("{files} removed from renders/, of frames that the film no longer has")
        }
        (false, _) => flow!("renders/ holds {files} of frames that the film no longer has"),
    }
    tell_logs(&logs, options.remove);
    for why in &stuck {
        flow!("a log could not be removed: {why}");
    }
    match (options.remove, gone.len()) {
        (_, 0) if left + logs.len() > 0 => {}
        (_, 0) => say!("nothing to remove"),
        (true, n) => say!("{n} removed, {} free again", words::bytes(bytes)),
        (false, n) => {
            flow!("`endboard sweep --remove` would remove {n}, {}", words::bytes(bytes))
        }
    }
    Ok(end(&stuck))
}

/// How it ends where these could not be removed.
fn end(stuck: &[StoreError]) -> Exit {
    if stuck.is_empty() { Exit::Done } else { Exit::System }
}

/// How many logs go, or went, and why.
fn tell_logs(logs: &[OldLog], is_removed: bool) {
    if logs.is_empty() {
        return;
    }
    let bytes = words::bytes(logs.iter().map(|log| log.size).sum());
    let of_what: BTreeSet<Why> = logs.iter().map(|log| log.why).collect();
    let of_what = of_what.into_iter().map(|why| match why {
        Why::Frames => "frames that are made or have later ones",
        Why::Stage => "stages that the film no longer has",
        Why::Run => "runs on a cluster that are over",
    });
    let of_what = of_what.collect::<Vec<_>>().join(", and of ");
    let of_logs = format!("{}, {bytes}", words::count(logs.len() as u64, "log"));
    if is_removed {
        flow!("{of_logs}, removed: of {of_what}");
    } else {
        flow!("{of_logs}, of {of_what}; `endboard sweep --remove` takes them away");
    }
}
