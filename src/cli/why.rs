//! `why`: from a frame down to what changed.

use super::arguments::{self, Arguments};
use super::{Answer, Exit, afar, people, show};
use crate::base::frames::FrameRange;
use crate::base::state::State;
use crate::graph::Work;
use crate::project::afar::Out;
use crate::project::naming::is_named;
use crate::project::{Project, chosen, wanted};
use crate::stale::explain::Step;

/// Prints the chain of the first frame of each run of frames that share a state.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Why) -> Answer {
    let status = project.status(false, &|_, _| {})?;
    people::tell_ledger(&status.ledger.1);
    let graph = &status.declared.graph;
    let selection = arguments::selection(&options.selectors, Some(graph))?;
    let picked = wanted(graph, &selection);
    let (mut runs, mut firsts) = (Vec::new(), Vec::new());
    for (id, node) in graph.nodes.iter().enumerate() {
        let frames = chosen(picked[id].as_ref(), node.frames);
        let plain_plate =
            matches!(node.work, Work::Plate { .. }) && !is_named(&selection, &node.shot, &node.stage);
        if frames.is_empty() || plain_plate {
            continue;
        }
        for (range, state, _) in status.report.strips[id].runs() {
            let Some(first) = frames.iter().find(|&n| range.contains(n)) else { continue };
            let count = frames.iter().filter(|&n| range.contains(n)).count();
            if state == State::Fresh && count < frames.len() {
                continue;
            }
            runs.push((range, count));
            firsts.push((id, first));
        }
    }
    let steps = project.why(&status, &firsts);
    let all: Vec<Chain> =
        runs.into_iter().zip(steps).map(|((range, count), steps)| (range, count, steps)).collect();
    if arguments.json {
        json(&graph.film, &all, &project.out()?);
    } else {
        all.iter().for_each(text);
        afar::tell_out(&project.out()?, &selection);
    }
    Ok(Exit::Done)
}

/// A run of frames that share a state, how many of them were asked for, and the chain of the first.
type Chain = (FrameRange, usize, Vec<Step>);

fn json(film: &str, all: &[Chain], out: &[Out]) {
    let list: Vec<_> = all
        .iter()
        .map(|(range, count, steps)| {
            let steps: Vec<_> = steps
                .iter()
                .map(|s| {
                    serde_json::json!({ "place": s.place, "state": s.state.word(), "says": s.says,
                    "last_attempt": s.last_attempt, "old": s.old.map(|d| d.to_string()), "new": s.new.map(|d| d.to_string()) })
                })
                .collect();
            serde_json::json!({ "run": range.to_string(), "frames": count, "steps": steps })
        })
        .collect();
    let all = serde_json::json!({ "format": "endboard why 1", "film": film, "chains": list, "out": afar::out_json(out) });
    say!("{all:#}");
}

fn text((range, count, steps): &Chain) {
    for (depth, step) in steps.iter().enumerate() {
        let digests = match (step.old, step.new) {
            (Some(old), Some(new)) if old != new => format!("  [{} → {}]", old.short(), new.short()),
            (Some(old), None) => format!("  [{} → not known yet]", old.short()),
            (None, Some(new)) => format!("  [none → {}]", new.short()),
            _ => String::new(),
        };
        let more = if depth == 0 && *count > 1 {
            format!(" (and {} more in {range})", count - 1)
        } else {
            String::new()
        };
        let indent = "  ".repeat(depth);
        flow!("{indent}{} is {}{more}: {}{digests}", step.place, step.state.word(), step.says);
        if let Some(attempt) = &step.last_attempt {
            flow!("{indent}  {}; the next rebuild tries again", show::clean(attempt));
        }
    }
    say!("");
}
