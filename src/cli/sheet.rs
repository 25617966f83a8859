//! `sheet`: a contact sheet of frames that are made.

use std::path::{Path, PathBuf};

use super::arguments::{self, Arguments, Shown};
use super::rebuild::end_when_told;
use super::{Answer, Exit, Failure};
use crate::graph::{NodeId, Work};
use crate::project::frames::{Lack, range};
use crate::project::naming::{is_named, looked_at};
use crate::project::sheet::{Sheet, View, finished, may_be_written};
use crate::project::{Project, Status, chosen, wanted};
use crate::report::words;

/// Writes the sheet and says what it lacks.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Sheet) -> Answer {
    let told = end_when_told()?;
    let status = project.status(false, &|_, _| {})?;
    let places = places(&status, options)?;
    let view = view(&options.shown, 320);
    let sheet = project.sheet(&status, &places, options.across, &view)?;
    drop(told);
    write("sheet", &status, arguments, &options.shown, &sheet)
}

/// How frames are shown, as the options have it.
pub(super) fn view(shown: &Shown, width: u32) -> View {
    View { width: shown.width.unwrap_or(width), part: shown.part, stops: shown.stops, named: !shown.unnamed }
}

/// Writes the file and says so. Where nothing can be shown, there is none.
pub(super) fn write(
    command: &str,
    status: &Status,
    arguments: &Arguments,
    shown: &Shown,
    sheet: &Sheet,
) -> Answer {
    let file: PathBuf = shown.out.clone().unwrap_or_else(|| Path::new(command).with_extension("png"));
    for Lack { place, why, way } in &sheet.lacking {
        tell!("{place} is not shown: {why}; {way}");
    }
    sheet.remarks.iter().for_each(|remark| tell!("{remark}"));
    if sheet.shown > 0 {
        may_be_written(&file)?;
        crate::store::write_whole(&file, &sheet.bytes).map_err(|e| Failure::System(e.to_string()))?;
    }
    if arguments.json {
        let file = (sheet.shown > 0).then_some(&*file);
        say!("{}", answer(command, status, file, sheet.shown, &sheet.lacking, &sheet.remarks));
    } else if sheet.shown > 0 {
        say!("{} in {}", words::count(sheet.shown as u64, "frame"), file.display());
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

/// The frames that the options choose.
fn places(status: &Status, options: &arguments::Sheet) -> Result<Vec<(NodeId, i64)>, Failure> {
    let graph = &status.declared.graph;
    let selection = looked_at(&options.selectors, &status.declared).map_err(Failure::Usage)?;
    let picked = wanted(graph, &selection);
    let nodes: Vec<NodeId> = match options.selectors.is_empty() {
        true => finished(graph),
        false => (0..graph.nodes.len()).collect(),
    };
    let mut places = Vec::new();
    for id in nodes {
        let node = &graph.nodes[id];
        let plain_plate =
            matches!(node.work, Work::Plate { .. }) && !is_named(&selection, &node.shot, &node.stage);
        let set = chosen(picked[id].as_ref(), range(&status.declared, id));
        // Frames that are named one by one are all meant.
        let is_list = set.runs().iter().all(|run| run.len() == 1);
        let frames: Vec<i64> = set.iter().collect();
        if frames.is_empty() || plain_plate {
            continue;
        }
        match options.every {
            Some(every) => places.extend(frames.iter().step_by(every as usize).map(|&n| (id, n))),
            None if is_list => places.extend(frames.iter().map(|&n| (id, n))),
            None => places.push((id, frames[frames.len() / 2])),
        }
    }
    Ok(places)
}
