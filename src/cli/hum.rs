//! `hum`: a first sound of blades, as cues.

use super::arguments::{self, Arguments};
use super::{Answer, Exit, Failure, paths};
use crate::project::Project;
use crate::project::frames::LookError;
use crate::project::hum::{Wish, Written};

/// The cue file, where none is named.
const USUAL: &str = "cues/blades.yaml";

/// Writes the cues and says what there is.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Hum) -> Answer {
    let wish = Wish {
        bus: options.bus.clone(),
        file: match &options.file {
            Some(file) => paths::inside(project, file)?,
            None => USUAL.into(),
        },
        least: options.least,
        replace: options.replace,
    };
    let selection = |declared: &crate::project::Declared| {
        let read = arguments::selection(&options.selectors, Some(&declared.graph));
        read.map_err(|failure| match failure {
            Failure::Usage(words) => LookError::Words(words),
            other => LookError::Words(other.to_string()),
        })
    };
    let written = project.hum(&selection, &wish)?;
    if arguments.json {
        let stages: Vec<_> = written
            .stages
            .iter()
            .map(|(stage, [hums, swings, clashes])| {
                serde_json::json!({ "stage": stage, "hums": hums, "swings": swings, "clashes": clashes })
            })
            .collect();
        let all = serde_json::json!({ "format": "endboard hum 1", "file": written.file, "kept": written.kept,
            "bus": written.bus, "is_named": written.is_named, "stages": stages });
        say!("{all:#}");
        return Ok(Exit::Done);
    }
    text(&written);
    Ok(Exit::Done)
}

fn text(written: &Written) {
    let count =
        |n: usize, one: &str, many: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {many}") };
    for (stage, [hums, swings, clashes]) in &written.stages {
        flow!(
            "{stage}  {}, {}, {}",
            count(*hums, "hum", "hums"),
            count(*swings, "swing", "swings"),
            count(*clashes, "clash", "clashes")
        );
    }
    if let Some(kept) = &written.kept {
        flow!("the file that stood there is {kept} now");
    }
    flow!("written: {}, for bus {}", written.file, written.bus);
    if !written.is_named {
        flow!("to hear them, name the file in endboard.yaml: sound: {{ cue_files: [{}] }}", written.file);
    }
}
