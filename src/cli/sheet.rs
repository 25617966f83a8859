//! `sheet`: a contact sheet of frames that are made.

use std::collections::HashSet;
use std::path::Path;

use super::arguments::{self, Arguments, Shown};
use super::rebuild::end_when_told;
use super::{Answer, Exit, Failure};
use crate::base::selector::Selector;
use crate::graph::{NodeId, Work};
use crate::project::frames::{Lack, range};
use crate::project::naming::{is_named, looked_at, picked};
use crate::project::sheet::{Place, Sheet, View, finished, may_be_written};
use crate::project::{Project, Status, chosen, wanted};
use crate::report::words;

/// Writes the sheet and says what it lacks.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Sheet) -> Answer {
    let told = end_when_told()?;
    let status = project.status(false, &|_, _| {})?;
    let places = places(&status, options)?;
    let view = view(&options.shown, options.width);
    let sheet = project.sheet(&status, &places, options.across, &view)?;
    drop(told);
    write("sheet", &status, arguments, &options.out, &sheet)
}

/// How frames are shown, as the options have it.
pub(super) fn view(shown: &Shown, width: u32) -> View {
    View { width, part: shown.part, stops: shown.stops, named: !shown.unnamed }
}

/// Writes the file and says so. Where nothing can be shown, there is none.
pub(super) fn write(
    command: &str,
    status: &Status,
    arguments: &Arguments,
    file: &Path,
    sheet: &Sheet,
) -> Answer {
    for Lack { place, why, way } in &sheet.lacking {
        tell!("{place} is not shown: {why}; {way}");
    }
    sheet.remarks.iter().for_each(|remark| tell!("{remark}"));
    if sheet.shown > 0 {
        may_be_written(file, "--out")?;
        crate::store::write_whole(file, &sheet.bytes).map_err(|e| Failure::System(e.to_string()))?;
    }
    if arguments.json {
        let file = (sheet.shown > 0).then_some(file);
        say!("{}", answer(command, status, file, sheet.shown, &sheet.lacking, &sheet.remarks));
    } else if sheet.shown > 0 {
        flow!("{} in {}", words::count(sheet.shown as u64, "frame"), file.display());
    } else {
        tell!("endboard: nothing to show");
    }
    Ok(if sheet.shown > 0 { Exit::Done } else { Exit::Unsound })
}

/// The answer as JSON.
pub(super) fn answer(
    command: &str,
    status: &Status,
    file: Option<&Path>,
    shown: usize,
    lacking: &[Lack],
    remarks: &[String],
) -> serde_json::Value {
    let lacking: Vec<_> = lacking
        .iter()
        .map(|lack| serde_json::json!({ "place": lack.place, "says": lack.why, "way": lack.way }))
        .collect();
    serde_json::json!({ "format": format!("endboard {command} 1"), "film": status.declared.graph.film,
        "file": file.map(|file| file.display().to_string()), "shown": shown, "lacking": lacking, "remarks": remarks })
}

/// The frames that the options choose, in the order in which they are named, each once.
fn places(status: &Status, options: &arguments::Sheet) -> Result<Vec<Place>, Failure> {
    let graph = &status.declared.graph;
    if options.selectors.is_empty() {
        return selected(status, &[], None, options.every);
    }
    let (mut places, mut named) = (Vec::new(), HashSet::new());
    for text in &options.selectors {
        let (stages, channel) = picked(graph, text).map_err(Failure::Usage)?;
        let more = selected(status, &[stages], channel.as_deref(), options.every)?;
        places.extend(more.into_iter().filter(|place| named.insert(place.clone())));
    }
    Ok(places)
}

/// Frames of the stages that a text selects, or of one channel of those that have it, in the film's order.
fn selected(
    status: &Status,
    texts: &[String],
    channel: Option<&str>,
    every: Option<u32>,
) -> Result<Vec<Place>, Failure> {
    let graph = &status.declared.graph;
    let selection = looked_at(texts, &status.declared).map_err(Failure::Usage)?;
    let stages = wanted(graph, &selection);
    let nodes: Vec<NodeId> = match texts.is_empty() {
        true => finished(graph),
        false => (0..graph.nodes.len()).collect(),
    };
    let is_one_by_one =
        |text: &String| text.rsplit_once('@').is_some_and(|(_, frames)| !frames.contains('-'));
    let one_by_one = !texts.is_empty() && texts.iter().all(is_one_by_one);
    let mut places = Vec::new();
    for id in nodes {
        let node = &graph.nodes[id];
        let plain_plate =
            matches!(node.work, Work::Plate { .. }) && !is_named(&selection, &node.shot, &node.stage);
        // Sound has no picture to show: of it is told only where it is named.
        let spells = |selector: &Selector| selector.spells_stage() && graph.meant(node, selector).is_some();
        let plain_sound = node.is_heard() && !selection.selectors.iter().any(spells);
        let set = chosen(stages[id].as_ref(), range(&status.declared, id));
        // Frames that are named one by one are all meant.
        let is_list = one_by_one || set.runs().iter().all(|run| run.len() == 1);
        let frames: Vec<i64> = set.iter().collect();
        let at = channel.map(|name| node.channels.iter().find(|c| ***c == *name));
        if frames.is_empty() || plain_plate || plain_sound || at == Some(None) {
            continue;
        }
        let place = |frame: &i64| Place { id, frame: *frame, channel: at.flatten().cloned() };
        match every {
            Some(every) => places.extend(frames.iter().step_by(every as usize).map(place)),
            None if is_list => places.extend(frames.iter().map(place)),
            None => places.push(place(&frames[frames.len() / 2])),
        }
    }
    Ok(places)
}
