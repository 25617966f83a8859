//! `clashes`: what stages found by themselves, such as blades that meet.

use super::arguments::{self, Arguments};
use super::{Answer, Exit};
use crate::graph::Work;
use crate::operators::Found;
use crate::project::{Project, ProjectError, chosen, wanted};

/// Prints a line for each, in the order of stages and time.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Clashes) -> Answer {
    let declared = project.read();
    if !declared.is_sound() {
        return Err(ProjectError::Unsound(Box::new(declared)).into());
    }
    let graph = &declared.graph;
    let selection = arguments::selection(&options.selectors, Some(graph))?;
    let picked = wanted(graph, &selection);
    let mut all: Vec<(String, Found)> = Vec::new();
    for (id, node) in graph.nodes.iter().enumerate() {
        let Work::Operator { prepared, .. } = &node.work else { continue };
        let frames = chosen(picked[id].as_ref(), node.frames);
        if frames.is_empty() {
            continue;
        }
        let mut found = prepared.finds();
        found.retain(|found| frames.contains((found.time + 0.5).floor() as i64));
        all.extend(found.into_iter().map(|found| (format!("{}/{}", node.shot, node.stage), found)));
    }
    if arguments.json {
        let list: Vec<_> = all
            .iter()
            .map(|(stage, found)| {
                serde_json::json!({ "stage": stage, "name": found.name, "time": found.time,
                    "at": found.at, "says": found.says })
            })
            .collect();
        let all = serde_json::json!({ "format": "endboard clashes 1", "film": graph.film, "clashes": list });
        say!("{all:#}");
        return Ok(Exit::Done);
    }
    if all.is_empty() {
        say!("no clashes");
    }
    for (stage, Found { name, time, at, says, .. }) in &all {
        flow!("{stage}  {name}  at frame {time:.2}, [{:.1}, {:.1}]: {says}", at[0], at[1]);
    }
    Ok(Exit::Done)
}
