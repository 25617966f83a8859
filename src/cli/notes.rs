//! `notes`: what people noted on frames, and what of it is settled.

use super::arguments::crew::{Notes as Options, NotesVerb};
use super::arguments::{self, Arguments};
use super::{Answer, Exit, Failure, clock, people, rebuild, today};
use crate::base::selector::Selection;
use crate::crew::naming::Names;
use crate::crew::notes::{Noted, notes};
use crate::ledger::row::Entry;
use crate::project::noting::{self, NoteOn};
use crate::project::{Project, ProjectError};
use crate::report::words;

/// Does what the verb says; without one, lists what is open.
pub fn run(project: &Project, arguments: &Arguments, options: &Options) -> Answer {
    let (entries, problems) = project.ledger();
    people::tell_ledger(&problems);
    match &options.verb {
        None => list(project, &entries, (&options.selectors, options.all), arguments.json),
        Some(NotesVerb::List { selectors, all }) => {
            list(project, &entries, (selectors, *all), arguments.json)
        }
        Some(NotesVerb::Add { place, words, person, handles }) => {
            add(project, &entries, (place, *handles, words), person.as_deref(), arguments)
        }
        Some(NotesVerb::Settle { name, words, person }) => {
            settle(project, &entries, (name, words), person.as_deref(), arguments)
        }
    }
}

/// How many notes on the frames selected are open.
pub(super) fn open(entries: &[Entry], selection: &Selection) -> usize {
    notes(entries).iter().filter(|noted| noted.settled.is_none() && is_on(noted, selection)).count()
}

fn is_on(noted: &Noted<'_>, selection: &Selection) -> bool {
    people::is_on(&noted.entry.row, selection)
}

fn list(project: &Project, entries: &[Entry], (selectors, all): (&[String], bool), json: bool) -> Answer {
    let selection = arguments::selection(selectors, None)?;
    people::known(project, entries, &selection)?;
    let noted = notes(entries);
    let names = Names::of(noted.iter().map(|noted| noted.entry.id));
    let is_meant = |noted: &&Noted<'_>| (all || noted.settled.is_none()) && is_on(noted, &selection);
    let shown: Vec<&Noted<'_>> = noted.iter().filter(is_meant).collect();
    if json {
        let list: Vec<_> = shown.iter().map(|noted| one_json(noted, &names)).collect();
        let all = serde_json::json!({ "format": "endboard notes 1", "notes": list });
        say!("{all:#}");
        return Ok(Exit::Done);
    }
    let mut last = None;
    for noted in &shown {
        let row = &noted.entry.row;
        if last != Some(&row.shot) {
            flow!("{}", words::fit(&row.shot, 60, false));
            last = Some(&row.shot);
        }
        let (by, text) = (words::fit(&row.by, 30, false), words::fit(noted.words, 1000, false));
        let name = names.short(noted.entry.id);
        flow!(
            "  {name}  {}@{}  {text} ({by}, {})",
            words::fit(&row.stage, 40, false),
            row.frames,
            today::day_of(row.when)
        );
        if let Some((entry, words)) = &noted.settled {
            let words = if words.is_empty() {
                String::new()
            } else {
                format!(": {}", words::fit(words, 1000, false))
            };
            let (by, when) = (words::fit(&entry.row.by, 30, false), today::day_of(entry.row.when));
            flow!("        settled by {by} on {when}{words}");
        }
    }
    if shown.is_empty() {
        flow!("{}", if all { "no notes" } else { "no open notes" });
    }
    Ok(Exit::Done)
}

fn one_json(noted: &Noted<'_>, names: &Names) -> serde_json::Value {
    let row = &noted.entry.row;
    let settled = noted.settled.map(|(entry, words)| {
        serde_json::json!({ "by": entry.row.by, "when": entry.row.when.to_string(), "words": words })
    });
    serde_json::json!({ "name": names.short(noted.entry.id), "row": noted.entry.id.to_string(), "shot": row.shot,
        "stage": row.stage, "frames": row.frames.to_string(), "by": row.by, "when": row.when.to_string(),
        "words": noted.words, "settled": settled })
}

fn add(
    project: &Project,
    entries: &[Entry],
    (place, handles, text): (&str, bool, &str),
    person: Option<&str>,
    arguments: &Arguments,
) -> Answer {
    if text.is_empty() {
        return people::usage("a note says something");
    }
    let declared = project.read();
    if declared.film.is_none() {
        return Err(ProjectError::Unsound(Box::new(declared)).into());
    }
    let graph = &declared.graph;
    let (id, frames) = noting::place(&declared, place, handles).map_err(Failure::Usage)?;
    let (node, who) = (&graph.nodes[id], people::who(person));
    if person.is_some() {
        people::tell_if_new(&who, clock::known(entries));
    }
    let on = NoteOn { film: &graph.film, shot: &node.shot, stage: &node.stage, frames: frames.clone() };
    let row = project.note(on, (&who, text), &rebuild::writer())?;
    let noted = notes(entries);
    let name = Names::of(noted.iter().map(|noted| noted.entry.id).chain([row])).short(row);
    if arguments.json {
        let all = serde_json::json!({ "format": "endboard notes 1", "did": "added", "name": name, "row": row.to_string(),
            "shot": node.shot, "stage": node.stage, "frames": frames.to_string() });
        say!("{all:#}");
    } else {
        flow!("{name}: noted on {}@{frames}", node.name());
    }
    Ok(Exit::Done)
}

fn settle(
    project: &Project,
    entries: &[Entry],
    (name, text): (&str, &str),
    person: Option<&str>,
    arguments: &Arguments,
) -> Answer {
    let noted = notes(entries);
    let names = Names::of(noted.iter().map(|noted| noted.entry.id));
    let id =
        names.find(name).map_err(|none| Failure::Usage(format!("{none}; `endboard notes` names them")))?;
    let note = noted.iter().find(|noted| noted.entry.id == id).expect("a name of one of them");
    if let Some((by, _)) = &note.settled {
        return people::usage(format!(
            "{name} was settled by {} on {}",
            words::fit(&by.row.by, 30, false),
            today::day_of(by.row.when)
        ));
    }
    let row = project.settle(note.entry, (&people::who(person), text), &rebuild::writer())?;
    if arguments.json {
        let all = serde_json::json!({ "format": "endboard notes 1", "did": "settled", "row": row.to_string(), "of": id.to_string() });
        say!("{all:#}");
    } else {
        let of = &note.entry.row;
        flow!("settled: {}/{}@{}  {}", of.shot, of.stage, of.frames, words::fit(note.words, 1000, false));
    }
    Ok(Exit::Done)
}
