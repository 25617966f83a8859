//! A parted plan → what is written down of a run before it is submitted: arrays, parts, what they ask for, the tasks' script.
//!
//! Knows the declaration's words for Slurm. Starts nothing and writes nothing.

use std::collections::BTreeSet;
use std::path::Path;

use super::Asked;
use crate::base::frames::FrameSet;
use crate::declare::slurm::Slurm;
use crate::execute::slurm::record::{ArrayOf, FORMAT, PartOf, Run};
use crate::graph::{Graph, NodeId};
use crate::plan::parts::Parts;
use crate::project::ProjectError;
use crate::project::rebuild::Writer;

/// The share of a task's memory that pictures between stages may take; commands may take as much.
const PICTURES: f64 = 0.4;
/// That memory where the declaration says nothing, in bytes.
pub(super) const USUAL_MEMORY: usize = 1 << 30;

pub(super) fn run_of(graph: &Graph, parts: &Parts, slurm: &Slurm, asked: &Asked, writer: &Writer) -> Run {
    let arrays = parts.arrays.iter().map(|array| ArrayOf {
        first: array.parts.start,
        count: array.parts.len(),
        after: array.after.iter().copied().collect(),
        beside: array.beside.iter().copied().collect(),
        asks: asks(graph, slurm, &parts.parts[array.parts.start].pools),
    });
    let is_counted = |id: &NodeId| !graph.nodes[*id].is_passed_on();
    let frames = parts.parts.iter().flat_map(|part| &part.targets).filter(|(id, _)| is_counted(id));
    let now = jiff::Timestamp::now();
    let memory = slurm.memory.map_or(USUAL_MEMORY, |bytes| (bytes as f64 * PICTURES) as usize);
    Run {
        format: FORMAT.into(),
        version: asked.version.clone(),
        since: now.strftime("%F %H:%M:%S UTC").to_string(),
        began: now.as_second(),
        who: format!("{} on {}", writer.name, writer.machine),
        selectors: asked.selectors.clone(),
        again: asked.again,
        frames: frames.map(|(_, set)| set.len()).sum(),
        arrays: arrays.collect(),
        jobs: slurm.processors.unwrap_or(1) as usize,
        memory,
        shared: asked.shared.is_some(),
    }
}

pub(super) fn parts_of(graph: &Graph, parts: &Parts) -> Vec<PartOf> {
    let target = |(&id, frames): (&NodeId, &FrameSet)| {
        let node = &graph.nodes[id];
        (node.shot.to_string(), node.stage.to_string(), frames.to_string(), node.identity.to_string())
    };
    let mut before: Vec<BTreeSet<usize>> = Vec::with_capacity(parts.parts.len());
    let mut all = Vec::with_capacity(parts.parts.len());
    for part in &parts.parts {
        // Whatever a part needs has a lower number.
        let far: BTreeSet<usize> =
            part.needs.iter().flat_map(|need| &before[*need] | &parts.parts[*need].needs).collect();
        all.push(PartOf {
            targets: part.targets.iter().map(target).collect(),
            needs: part.needs.iter().copied().collect(),
            before: far.iter().copied().collect(),
        });
        before.push(far);
    }
    all
}

/// What tasks ask for, whose stages take places in these pools.
fn asks(graph: &Graph, slurm: &Slurm, pools: &BTreeSet<usize>) -> Vec<String> {
    let mut words = Vec::new();
    let named = [("partition", &slurm.partition), ("account", &slurm.account), ("qos", &slurm.qos)];
    words
        .extend(named.iter().filter_map(|(name, word)| word.as_ref().map(|word| format!("--{name}={word}"))));
    words.push(format!("--cpus-per-task={}", slurm.processors.unwrap_or(1)));
    words.extend(slurm.memory.map(|bytes| format!("--mem={}M", bytes.div_ceil(1 << 20))));
    words.extend(slurm.time.map(|time| format!("--time={}", time.as_secs().div_ceil(60))));
    let asked = || pools.iter().filter_map(|pool| slurm.pools.get(&graph.pools[*pool].0));
    let joined = |words: Vec<&str>| (!words.is_empty()).then(|| words.join(","));
    let gres = joined(asked().filter_map(|asks| asks.gres.as_deref()).collect());
    let licences = joined(asked().filter_map(|asks| asks.licenses.as_deref()).collect());
    words.extend(gres.map(|list| format!("--gres={list}")));
    words.extend(licences.map(|list| format!("--licenses={list}")));
    words
}

/// Arrays that follow one another at most.
pub(super) fn depth(arrays: &[ArrayOf]) -> usize {
    let mut depths: Vec<usize> = Vec::with_capacity(arrays.len());
    for array in arrays {
        let before = array.after.iter().chain(&array.beside).filter_map(|of| depths.get(*of)).max();
        depths.push(before.map_or(1, |deep| deep + 1));
    }
    depths.into_iter().max().unwrap_or(0)
}

/// What each task runs. Its words are quoted, so that no name of a folder is taken for anything else.
pub(super) fn script(folder: &Path, run: &str, program: &Path) -> Result<String, ProjectError> {
    let quoted = |path: &Path| {
        let text = path.to_str().and_then(|text| shlex::try_quote(text).ok().map(|q| q.into_owned()));
        text.ok_or_else(|| {
            ProjectError::System(format!("{} cannot be named in a script; rename it", path.display()))
        })
    };
    Ok(format!(
        "#!/bin/sh\n# Makes one part of a run; the number of its array comes with the submission.\nexec {} -C {} part {run} \"$1\" \"$SLURM_ARRAY_TASK_ID\"\n",
        quoted(program)?,
        quoted(folder)?
    ))
}
