//! `status`: the film as ribbons.

use super::arguments::{self, Arguments};
use super::progress::Reading;
use super::{Answer, Exit, show};
use crate::base::state::{FrameState, State};
use crate::graph::Work;
use crate::observe;
use crate::project::{Project, Status, wanted};
use crate::report::ribbon;
use crate::report::states::{self, Counts};

/// Looks and prints.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Status) -> Answer {
    let reading = Reading::new("reading plates");
    let status = project.status(options.thorough, &|done, of| reading.at(done, of))?;
    reading.end();
    let graph = &status.declared.graph;
    let selection = arguments::selection(&options.selectors, Some(graph))?;
    let chosen = wanted(graph, &selection);
    let everything = selection.is_everything();
    let is_shown = |id: usize| {
        let Some(_) = &chosen[id] else { return false };
        // Plates that are only passed on are shown when asked for, or when something is wrong with them.
        let passed_on = matches!(graph.nodes[id].work, Work::Plate { .. }) && !graph.nodes[id].keep;
        !everything
            || !passed_on
            || status.report.strips[id]
                .unsettled()
                .any(|(_, c)| matches!(c.state, State::Failed | State::Blocked))
    };
    let strips = show::strips(graph, &status.report, &is_shown);
    if arguments.json {
        anstream::println!("{}", states::json(&graph.film, &strips));
        return Ok(Exit::Done);
    }
    for line in states::lines(&strips, show::look()) {
        anstream::println!("{}", show::pieces(&line));
    }
    let mut shown: Vec<FrameState> =
        strips.iter().flat_map(|s| s.runs.iter().map(|(_, state)| *state)).collect();
    shown.sort_by_key(|s| std::cmp::Reverse(s.urgency()));
    shown.dedup();
    anstream::println!();
    anstream::println!("{}", show::pieces(&ribbon::legend(&shown, show::look().ascii)));
    anstream::println!("{}: {}", graph.film, Counts::of_all(&strips).words());
    notices(project, &status);
    next(&status, project);
    Ok(Exit::Done)
}

fn notices(_project: &Project, status: &Status) {
    let graph = &status.declared.graph;
    for problem in observe::faults(&graph.sources, &status.seen, graph.frame_size) {
        anstream::println!("{}", show::problem(&status.declared.sources, &problem).trim_end());
    }
    for problem in status.ledger.1.iter().filter(|p| !p.is_notice()) {
        anstream::eprintln!("ledger: {problem}");
    }
    for damaged in &status.damaged {
        anstream::println!("damaged, to be rendered again: {damaged}");
    }
}

/// What comes next, in words.
fn next(status: &Status, project: &Project) {
    let plan = project.plan(status, &Default::default(), false);
    let graph = &status.declared.graph;
    let restorable = plan.frames.iter().flat_map(|(&id, set)| set.iter().map(move |n| (id, n)));
    let restorable =
        restorable.filter(|&(id, n)| status.report.strips[id].get(n).is_some_and(|c| c.restorable)).count();
    let kept = plan
        .frames
        .iter()
        .filter(|&(&id, _)| !matches!(graph.nodes[id].work, Work::Plate { .. }))
        .map(|(_, s)| s.len())
        .sum::<usize>();
    let hands: Vec<String> = graph
        .nodes
        .iter()
        .enumerate()
        .filter(|(_, node)| matches!(node.work, Work::Hand { .. }))
        .filter_map(|(id, node)| {
            use crate::stale::Reason;
            let set: crate::base::frames::FrameSet = status.report.strips[id]
                .unsettled()
                .filter(|(_, c)| matches!(c.reason, Reason::Redo | Reason::FileMissing))
                .map(|(n, _)| n)
                .collect();
            (!set.is_empty()).then(|| format!("{}@{set}", node.name()))
        })
        .collect();
    if !hands.is_empty() {
        anstream::println!("next, by hand: {}", hands.join(", "));
    }
    match (kept, restorable) {
        (0, _) => anstream::println!("nothing to render"),
        (n, 0) => anstream::println!("next: `endboard rebuild` makes up to {}", show::frames(n)),
        (n, r) => anstream::println!(
            "next: `endboard rebuild` makes up to {}, {r} of them put back without rendering",
            show::frames(n)
        ),
    }
}
