//! `compare`: two stages at one frame, before and after.

use std::sync::Arc;

use super::arguments::{self, Arguments};
use super::rebuild::end_when_told;
use super::sheet::{answer, view, write};
use super::{Answer, Failure};
use crate::graph::NodeId;
use crate::project::frames::{LookError, range};
use crate::project::naming::{one_stage, picked};
use crate::project::sheet::{Layout, Place};
use crate::project::{Project, Status};

/// Writes the comparison.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Compare) -> Answer {
    let told = end_when_told()?;
    let status = project.status(false, &|_, _| {})?;
    let (before, after) = (stage(&status, &options.before)?, stage(&status, &options.after)?);
    // Where both say a frame, each shows its own; where neither does, the middle one of what is after.
    let middle = || {
        let frames = range(&status.declared, after.0);
        frames.first + (frames.last - frames.first) / 2
    };
    let frame = after.1.or(before.1).unwrap_or_else(middle);
    let places = [
        Place { id: before.0, frame: before.1.unwrap_or(frame), channel: before.2 },
        Place { id: after.0, frame, channel: after.2 },
    ];
    let layout = if options.beside { Layout::Beside } else { Layout::Split(options.split) };
    let sheet = project.compare(&status, places, layout, &view(&options.shown, options.width));
    drop(told);
    let sheet = match sheet {
        Err(LookError::Lacking(lacking)) if arguments.json => {
            say!("{}", answer("compare", &status, None, 0, &lacking.0, &[]));
            return Err(Failure::Answered(Box::new(LookError::Lacking(lacking).into())));
        }
        sheet => sheet?,
    };
    write("compare", &status, arguments, &options.out, &sheet)
}

/// A stage, a frame of it when one is said, and a channel's name alike.
type Named = (NodeId, Option<i64>, Option<Arc<str>>);

/// What a text names.
fn stage(status: &Status, text: &str) -> Result<Named, Failure> {
    let graph = &status.declared.graph;
    let (stage, channel) = picked(graph, text).map_err(Failure::Usage)?;
    let (id, frames) = one_stage(&status.declared, &stage, |_| None).map_err(Failure::Usage)?;
    let channel = channel.map(Arc::from);
    if !text.contains('@') {
        return Ok((id, None, channel));
    }
    match frames.runs() {
        [run] if run.len() == 1 => Ok((id, Some(run.first), channel)),
        _ => Err(Failure::Usage(format!("'{text}' names {} frames, and one is shown", frames.len()))),
    }
}
