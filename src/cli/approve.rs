//! `approve`: a person's word on renders, and what is left of it.

use super::arguments::crew::{Approve, ApproveVerb};
use super::arguments::{self, Arguments};
use super::{Answer, Exit, Failure, clock, people, rebuild, show};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::crew::approvals::Standing;
use crate::graph::NodeId;
use crate::project::approving::{Given, NotApproved, Told};
use crate::project::{Project, Status};
use crate::report::words;

/// Approves, withdraws, or lists.
pub fn run(project: &Project, arguments: &Arguments, options: &Approve) -> Answer {
    if options.withdraw {
        return withdraw(project, arguments, options);
    }
    let status = project.status(false, &|_, _| {})?;
    people::tell_ledger(&status.ledger.1);
    let says_more = options.note.is_some() || options.person.is_some() || options.handles;
    if options.selectors.is_empty() && says_more {
        return people::usage("say which renders, such as br030/colour@1012-1019");
    }
    if let Some(ApproveVerb::List { selectors }) = &options.verb {
        return list(project, &status, arguments, selectors);
    }
    if options.selectors.is_empty() {
        return list(project, &status, arguments, &[]);
    }
    let selection = arguments::selection(&options.selectors, Some(&status.declared.graph))?;
    let asked = project.to_approve(&status, &selection, options.handles);
    let person = people::who(options.person.as_deref());
    let note = options.note.as_deref().unwrap_or_default();
    let given = project.approve(&status, &asked, (&person, note), &rebuild::writer()).map_err(refused)?;
    if options.person.is_some() {
        people::tell_if_new(&person, clock::known(&status.ledger.0));
    }
    told_of(&status, &given, &person, arguments.json);
    Ok(Exit::Done)
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

fn place_json(stage: &str, frames: &FrameSet) -> serde_json::Value {
    serde_json::json!({ "stage": stage, "frames": frames.to_string() })
}

fn withdraw(project: &Project, arguments: &Arguments, options: &Approve) -> Answer {
    if options.selectors.is_empty() {
        return people::usage("say which approvals are withdrawn, such as br030/colour@1012-1019");
    }
    let selection = arguments::selection(&options.selectors, None)?;
    let (entries, _) = project.ledger();
    let person = people::who(options.person.as_deref());
    let note = options.note.as_deref().unwrap_or_default();
    let gone = project.withdraw(&entries, &selection, (&person, note), &rebuild::writer())?;
    if arguments.json {
        let list: Vec<_> = gone.iter().map(|(stage, frames)| place_json(stage, frames)).collect();
        let all = serde_json::json!({ "format": "endboard approve 1", "did": "withdrawn", "person": person, "withdrawn": list });
        say!("{all:#}");
    } else {
        gone.iter().for_each(|(stage, frames)| flow!("{stage}@{frames}: no longer approved"));
    }
    if gone.is_empty() {
        return people::usage("nothing of this is approved");
    }
    Ok(Exit::Done)
}

/// What of approvals is selected; with what made them lapse, when asked.
pub(super) fn told(project: &Project, status: &Status, selection: &Selection, causes: bool) -> Vec<Told> {
    let all = project.approvals(status, causes).into_iter();
    all.filter_map(|told| {
        let chosen = selection.matches(&told.shot, &told.stage)?;
        let frames: FrameSet = told.frames.iter().filter(|&n| chosen.contains(n)).collect();
        (!frames.is_empty()).then_some(Told { frames, ..told })
    })
    .collect()
}

fn list(project: &Project, status: &Status, arguments: &Arguments, selectors: &[String]) -> Answer {
    let graph = &status.declared.graph;
    let selection = arguments::selection(selectors, None)?;
    people::known(project, &status.ledger.0, &selection)?;
    let told = told(project, status, &selection, true);
    let not = project.unapproved(status, &selection);
    if arguments.json {
        let list: Vec<_> = told.iter().map(told_json).collect();
        let not: Vec<_> =
            not.iter().map(|(id, frames)| place_json(&graph.nodes[*id].name(), frames)).collect();
        let all = serde_json::json!({ "format": "endboard approve 1", "film": graph.film, "approvals": list, "unapproved": not });
        say!("{all:#}");
        return Ok(Exit::Done);
    }
    for (standing, title) in [
        (Standing::Lapsed, "lapsed, as the pixels are others now:"),
        (Standing::InDoubt, "in doubt, as the frames are stale, and a rebuild decides:"),
        (Standing::Lost, "without a render now:"),
        (Standing::InForce, "in force:"),
    ] {
        let those: Vec<&Told> = told.iter().filter(|told| told.standing == standing).collect();
        if !those.is_empty() {
            flow!("{title}");
        }
        those.iter().for_each(|told| flow!("  {}", line(told)));
    }
    let has_lapsed =
        told.iter().any(|told| told.standing == Standing::Lapsed || told.standing == Standing::InDoubt);
    if has_lapsed {
        flow!("`endboard why SHOT/STAGE@FRAME` follows a stale frame down to what changed");
    }
    match not.len() {
        0 if selectors.is_empty() => flow!("everything that the film shows is approved"),
        0 => {
            let of = words::fit(&selectors.join(" "), 60, false);
            flow!("all that the film shows of {of} is approved");
        }
        _ => flow!("not approved yet:"),
    }
    for (id, frames) in &not {
        flow!("  {}@{frames}", graph.nodes[*id].name());
    }
    Ok(Exit::Done)
}

fn line(told: &Told) -> String {
    let mut text = format!(
        "{}/{}@{} by {} on {}",
        told.shot,
        told.stage,
        told.frames,
        words::fit(&told.by, 30, false),
        told.when.strftime("%F")
    );
    if !told.note.is_empty() {
        text += &format!(" ({})", words::fit(&told.note, 60, false));
    }
    if let Some(cause) = &told.cause {
        text += &format!(": {}", words::fit(cause, 100, false));
    }
    text
}

/// The word for a standing.
pub(super) fn standing(standing: Standing) -> &'static str {
    match standing {
        Standing::InForce => "in force",
        Standing::InDoubt => "in doubt",
        Standing::Lapsed => "lapsed",
        Standing::Lost => "lost",
    }
}

fn told_json(told: &Told) -> serde_json::Value {
    serde_json::json!({ "shot": told.shot, "stage": told.stage, "frames": told.frames.to_string(), "by": told.by,
        "when": told.when.to_string(), "note": told.note, "standing": standing(told.standing), "cause": told.cause,
        "row": told.row.to_string() })
}
