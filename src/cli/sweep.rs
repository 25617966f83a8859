//! `sweep`: space that nothing current uses.

use super::arguments::{Arguments, Sweep};
use super::{Answer, Exit, rebuild};
use crate::project::Project;
use crate::report::words;

/// Says what would go, or removes it.
pub fn run(project: &Project, arguments: &Arguments, options: &Sweep) -> Answer {
    let (found, gone) = if options.remove {
        project.sweep(options.budget, &rebuild::writer())?
    } else {
        let found = project.look_for_unused()?.1;
        let mut total = found.total;
        let would = found.unused.iter().take_while(|u| {
            let goes = total > options.budget;
            total -= u.size.min(total);
            goes
        });
        let would = would.cloned().collect();
        (found, would)
    };
    let bytes: u64 = gone.iter().map(|u| u.size).sum();
    if arguments.json {
        let all = serde_json::json!({ "format": "endboard sweep 1", "stored_bytes": found.total, "stored": found.count,
            "unused": found.unused.len(), "removed": options.remove, "files": gone.len(), "bytes": bytes });
        anstream::println!("{all:#}");
        return Ok(Exit::Done);
    }
    anstream::println!(
        "{} renders stored, {}; {} of them unused by the film as it is",
        found.count,
        words::bytes(found.total),
        found.unused.len()
    );
    match (options.remove, gone.len()) {
        (_, 0) => anstream::println!("nothing to remove"),
        (true, n) => anstream::println!("{n} removed, {} free again", words::bytes(bytes)),
        (false, n) => {
            anstream::println!("`endboard sweep --remove` would remove {n}, {}", words::bytes(bytes))
        }
    }
    Ok(Exit::Done)
}
