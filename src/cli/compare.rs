//! `compare`: two stages at one frame, before and after.

use super::arguments::{self, Arguments};
use super::sheet::{view, write};
use super::{Answer, Exit, Failure};
use crate::graph::{Graph, NodeId};
use crate::project::sheet::Layout;
use crate::project::{Project, chosen, wanted};

/// Writes the comparison.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Compare) -> Answer {
    let status = project.status(false, &|_, _| {})?;
    let graph = &status.declared.graph;
    let (before, after) = (stage(graph, &options.before)?, stage(graph, &options.after)?);
    // Where both say a frame, each shows its own; where neither does, the middle one of what is after.
    let middle = || {
        let frames = graph.nodes[after.0].frames;
        frames.first + (frames.last - frames.first) / 2
    };
    let frame = after.1.or(before.1).unwrap_or_else(middle);
    let places = [(before.0, before.1.unwrap_or(frame)), (after.0, frame)];
    let layout = if options.beside { Layout::Beside } else { Layout::Split(options.split) };
    match project.compare(&status, places, layout, &view(&options.shown, 960)) {
        Ok(sheet) => write("compare", &status, arguments, &options.shown, &sheet),
        Err(why) => {
            tell!("endboard: nothing to compare: {why}");
            Ok(Exit::Unsound)
        }
    }
}

/// The one stage that a text names, and its frame when it says one.
fn stage(graph: &Graph, text: &str) -> Result<(NodeId, Option<i64>), Failure> {
    let selection = arguments::selection(&[text.to_string()], Some(graph))?;
    let picked = wanted(graph, &selection);
    let mut nodes = (0..graph.nodes.len()).filter(|&id| picked[id].is_some());
    let (Some(id), None) = (nodes.next(), nodes.next()) else {
        return Err(Failure::Usage(format!("'{text}' names more than one stage: write SHOT/STAGE@FRAME")));
    };
    if !text.contains('@') {
        return Ok((id, None));
    }
    let frames: Vec<i64> = chosen(picked[id].as_ref(), graph.nodes[id].frames).iter().collect();
    match frames.as_slice() {
        [frame] => Ok((id, Some(*frame))),
        _ => Err(Failure::Usage(format!("'{text}' names {} frames, and one is shown", frames.len()))),
    }
}
