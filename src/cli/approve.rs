//! `approve`: a person's word on renders, given or taken back. What is left of it lists `approvals`.

use super::arguments::crew::Approve;
use super::arguments::{self, Arguments};
use super::{Answer, Exit, Failure, clock, people, rebuild, show};
use crate::base::frames::FrameSet;
use crate::graph::NodeId;
use crate::project::approving::{Given, NotApproved};
use crate::project::{Project, Status};

/// Approves or withdraws.
pub fn run(project: &Project, arguments: &Arguments, options: &Approve) -> Answer {
    if options.selectors.is_empty() {
        let what = if options.withdraw { "which approvals are withdrawn" } else { "which renders" };
        return people::usage(format!(
            "say {what}, such as br030/colour@1012-1019; `endboard approvals` lists what is approved"
        ));
    }
    if options.withdraw {
        return withdraw(project, arguments, options);
    }
    let status = project.status(false, &|_, _| {})?;
    people::tell_ledger(&status.ledger.1);
    listed_before(&status, &options.selectors)?;
    let selection = arguments::selection(&options.selectors, Some(&status.declared.graph))?;
    let asked = project.to_approve(&status, &selection, options.handles);
    let person = people::who(options.person.as_deref());
    let given =
        project.approve(&status, &asked, (&person, &options.note), &rebuild::writer()).map_err(refused)?;
    if options.person.is_some() {
        people::tell_if_new(&person, clock::known(&status.ledger.0));
    }
    told_of(&status, &given, &person, arguments.json);
    Ok(Exit::Done)
}

/// Refuses the words by which approvals were listed once, in a film that has no shot of that name.
fn listed_before(status: &Status, selectors: &[String]) -> Result<(), Failure> {
    match selectors {
        [first, more @ ..] if first == "list" && !status.declared.graph.has_shot(first) => {
            let words = format!("endboard approvals {}", more.join(" "));
            people::usage(format!("a command of its own lists approvals: `{}`", words.trim_end()))
        }
        _ => Ok(()),
    }
}

/// Why nothing was approved, with the way on.
fn refused(none: NotApproved) -> Failure {
    match none {
        NotApproved::Project(error) => Failure::Project(error),
        NotApproved::Nothing => Failure::Usage(none.to_string()),
        NotApproved::NotFresh(lacking) => {
            lacking.iter().for_each(|line| tell!("{line}"));
            let words = "nothing was approved, as these are not as the declaration says; `endboard rebuild` them, or name the frames \
                         that are fresh";
            Failure::Unready(words.into())
        }
    }
}

fn told_of(status: &Status, given: &Given, person: &str, json: bool) {
    let graph = &status.declared.graph;
    if json {
        let places = |list: &[(NodeId, FrameSet)]| -> Vec<_> {
            list.iter().map(|(id, frames)| place_json(&graph.nodes[*id].name(), frames)).collect()
        };
        let all = serde_json::json!({ "format": "endboard approve 1", "film": graph.film, "did": "approved", "person": person,
            "approved": places(&given.new), "already": places(&given.already) });
        say!("{all:#}");
        return;
    }
    for (id, frames) in &given.new {
        let count = show::frames(frames.len());
        flow!("{}@{frames}: {count} approved by {person}", graph.nodes[*id].name());
    }
    for (id, frames) in &given.already {
        flow!("{}@{frames}: approved already by {person}", graph.nodes[*id].name());
    }
}

pub(super) fn place_json(stage: &str, frames: &FrameSet) -> serde_json::Value {
    serde_json::json!({ "stage": stage, "frames": frames.to_string() })
}

fn withdraw(project: &Project, arguments: &Arguments, options: &Approve) -> Answer {
    let selection = arguments::selection(&options.selectors, None)?;
    let (entries, _) = project.ledger();
    let person = people::who(options.person.as_deref());
    let gone = project.withdraw(&entries, &selection, (&person, &options.note), &rebuild::writer())?;
    if gone.is_empty() {
        return people::usage("nothing of this is approved");
    }
    if arguments.json {
        let list: Vec<_> = gone.iter().map(|(stage, frames)| place_json(stage, frames)).collect();
        let all = serde_json::json!({ "format": "endboard approve 1", "did": "withdrawn", "person": person, "withdrawn": list });
        say!("{all:#}");
    } else {
        gone.iter().for_each(|(stage, frames)| flow!("{stage}@{frames}: no longer approved"));
    }
    Ok(Exit::Done)
}
