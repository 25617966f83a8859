//! `sweep`: space that nothing current uses.

use super::arguments::{Arguments, Sweep};
use super::{Answer, Exit, rebuild};
use crate::project::Project;
use crate::project::rebuild::Swept;
use crate::report::words;

/// Says what would go, or removes it.
pub fn run(project: &Project, arguments: &Arguments, options: &Sweep) -> Answer {
    let budget = options.budget.unwrap_or(0);
    let Swept { found, gone, left, logs } = if options.remove {
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
        Swept { gone, left, logs: project.old_logs(&status), found }
    };
    let bytes: u64 = gone.iter().map(|u| u.size).sum();
    let log_bytes: u64 = logs.iter().map(|log| log.size).sum();
    if arguments.json {
        let all = serde_json::json!({ "format": "endboard sweep 1", "stored_bytes": found.total, "stored": found.count,
            "unused": found.unused.len(), "removed": options.remove, "files": gone.len(), "bytes": bytes,
            "left_behind": left, "logs": logs.len(), "log_bytes": log_bytes });
        say!("{all:#}");
        return Ok(Exit::Done);
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
    let of_logs = format!("{}, {}", words::count(logs.len() as u64, "log"), words::bytes(log_bytes));
    match (options.remove, logs.len()) {
        (_, 0) => {}
        (true, _) => flow!("{of_logs}, removed: their frames are made, or have later ones"),
        (false, _) => {
            flow!(
                "{of_logs}, of frames that are made, or have later ones; `endboard sweep --remove` takes them away"
            )
        }
    }
    match (options.remove, gone.len()) {
        (_, 0) if left + logs.len() > 0 => {}
        (_, 0) => say!("nothing to remove"),
        (true, n) => say!("{n} removed, {} free again", words::bytes(bytes)),
        (false, n) => {
            flow!("`endboard sweep --remove` would remove {n}, {}", words::bytes(bytes))
        }
    }
    Ok(Exit::Done)
}
