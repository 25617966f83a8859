//! `sweep`: space that nothing current uses.

use super::arguments::{Arguments, Sweep};
use super::{Answer, Exit, rebuild};
use crate::project::Project;
use crate::report::words;

/// Says what would go, or removes it.
pub fn run(project: &Project, arguments: &Arguments, options: &Sweep) -> Answer {
    let budget = options.budget.unwrap_or(0);
    let (found, gone, left) = if options.remove {
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
        let would = would.cloned().collect();
        (found, would, left)
    };
    let bytes: u64 = gone.iter().map(|u| u.size).sum();
    if arguments.json {
        let all = serde_json::json!({ "format": "endboard sweep 1", "stored_bytes": found.total, "stored": found.count,
            "unused": found.unused.len(), "removed": options.remove, "files": gone.len(), "bytes": bytes,
            "left_behind": left });
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
    match (options.remove, gone.len()) {
        (_, 0) if left > 0 => {}
        (_, 0) => say!("nothing to remove"),
        (true, n) => say!("{n} removed, {} free again", words::bytes(bytes)),
        (false, n) => {
            flow!("`endboard sweep --remove` would remove {n}, {}", words::bytes(bytes))
        }
    }
    Ok(Exit::Done)
}
