//! `approvals`: which approvals hold as frames look now, which lapsed and why, and what nobody has approved.

use super::arguments::crew::Approvals;
use super::arguments::{self, Arguments};
use super::{Answer, Exit, approve, people, today};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::crew::approvals::Standing;
use crate::project::approving::Told;
use crate::project::{Project, Status};
use crate::report::words;

/// Lists.
pub fn run(project: &Project, arguments: &Arguments, options: &Approvals) -> Answer {
    let status = project.status(false, &|_, _| {})?;
    people::tell_ledger(&status.ledger.1);
    let (graph, selectors) = (&status.declared.graph, &options.selectors);
    let selection = arguments::selection(selectors, None)?;
    people::known(project, &status.ledger.0, &selection)?;
    let told = told(project, &status, &selection, true);
    let not = project.unapproved(&status, &selection);
    if arguments.json {
        let list: Vec<_> = told.iter().map(told_json).collect();
        let not: Vec<_> =
            not.iter().map(|(id, frames)| approve::place_json(&graph.nodes[*id].name(), frames)).collect();
        let all = serde_json::json!({ "format": "endboard approvals 1", "film": graph.film, "approvals": list, "unapproved": not });
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

fn line(told: &Told) -> String {
    let mut text = format!(
        "{}/{}@{} by {} on {}",
        told.shot,
        told.stage,
        told.frames,
        words::fit(&told.by, 30, false),
        today::day_of(told.when)
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
