//! A parted plan → what is written down of a run before it is submitted: arrays, parts, what they ask for, the tasks' script.
//!
//! Knows the declaration's words for Slurm. Starts nothing and writes nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use jiff::tz::TimeZone;

use super::Asked;
use crate::base::frames::FrameSet;
use crate::declare::slurm::{PICTURES, Slurm};
use crate::execute::slurm::record::{ArrayOf, FORMAT, PartOf, Run};
use crate::graph::{Graph, NodeId};
use crate::plan::parts::Parts;
use crate::project::ProjectError;
use crate::project::rebuild::Writer;
use crate::report::words;

/// That memory where the declaration says nothing, in bytes.
pub(super) const USUAL_MEMORY: usize = 1 << 30;

pub(super) fn run_of(
    folder: &Path,
    graph: &Graph,
    parts: &Parts,
    slurm: &Slurm,
    asked: &Asked,
    writer: &Writer,
) -> Run {
    let mut arrays: Vec<ArrayOf> = parts
        .arrays
        .iter()
        .map(|array| ArrayOf {
            first: array.parts.start,
            count: array.parts.len(),
            after: array.after.iter().copied().collect(),
            beside: array.beside.iter().copied().collect(),
            asks: asks(graph, slurm, &parts.parts[array.parts.start].pools),
            at_once: None,
        })
        .collect();
    hold_pools(graph, parts, slurm, &mut arrays);
    let now = jiff::Timestamp::now();
    let memory = slurm.memory.map_or(USUAL_MEMORY, |bytes| (bytes as f64 * PICTURES) as usize);
    Run {
        format: FORMAT.into(),
        version: asked.version.clone(),
        since: words::clock_told(now, &TimeZone::system()),
        began: now.as_second(),
        who: format!("{} on {}", writer.name, writer.machine),
        folder: folder.to_path_buf(),
        selectors: asked.selectors.clone(),
        again: asked.again,
        frames: frames_of(graph, parts, &|_| true),
        arrays,
        jobs: slurm.processors.unwrap_or(1) as usize,
        memory,
        shared: asked.shared.is_some(),
    }
}

/// How many frames are to be made, of the nodes that this says; plates that are only passed on are none.
pub(super) fn frames_of(graph: &Graph, parts: &Parts, is_of: &dyn Fn(NodeId) -> bool) -> usize {
    let targets = parts.parts.iter().flat_map(|part| &part.targets);
    let counted = targets.filter(|(id, _)| !graph.nodes[**id].is_passed_on() && is_of(**id));
    counted.map(|(_, set)| set.len()).sum()
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

/// Pools of a part that nothing stands for at Slurm, so that they are held by the arrays themselves.
fn unasked<'p>(
    graph: &'p Graph,
    slurm: &'p Slurm,
    pools: &'p BTreeSet<usize>,
) -> impl Iterator<Item = usize> + 'p {
    pools.iter().copied().filter(|pool| !slurm.pools.contains_key(&graph.pools[*pool].0))
}

/// Holds pools that nothing stands for at Slurm: of an array whose stages take places there so many tasks run at once that the places
/// are enough, and arrays that take places in the same one follow one another.
fn hold_pools(graph: &Graph, parts: &Parts, slurm: &Slurm, arrays: &mut [ArrayOf]) {
    let workers = slurm.processors.unwrap_or(1);
    let mut last: BTreeMap<usize, usize> = BTreeMap::new();
    for (number, array) in arrays.iter_mut().enumerate() {
        let own = &parts.parts[array.first..array.first + array.count];
        for pool in unasked(graph, slurm, &own[0].pools) {
            let taken =
                |id: &NodeId| graph.nodes[*id].pools.iter().filter(|(of, _)| *of == pool).map(|(_, n)| *n);
            let places = own.iter().flat_map(|part| part.targets.keys()).flat_map(taken).max().unwrap_or(1);
            let limit = graph.pools[pool].1.max(1);
            // A task holds the pool among its own workers.
            let of_task = places.saturating_mul(workers).clamp(1, limit);
            let at_once = (limit / of_task) as usize;
            array.at_once = Some(array.at_once.map_or(at_once, |n| n.min(at_once)));
            if let Some(before) = last.insert(pool, number)
                && !array.after.contains(&before)
            {
                array.after.push(before);
            }
        }
        array.at_once = array.at_once.filter(|n| *n < array.count);
        array.after.sort_unstable();
    }
}

/// What is to be known of pools that a run holds so, in words.
pub(super) fn of_pools(graph: &Graph, parts: &Parts, slurm: &Slurm) -> Option<String> {
    let used: BTreeSet<usize> =
        parts.parts.iter().flat_map(|part| unasked(graph, slurm, &part.pools)).collect();
    let names: Vec<String> = used.iter().map(|pool| format!("'{}'", graph.pools[*pool].0)).collect();
    let (pools, have, them) =
        if names.len() == 1 { ("pool", "has", "it") } else { ("pools", "have", "them") };
    (!names.is_empty()).then(|| {
        format!(
            "{pools} {} {have} no entry in 'pools' of 'slurm': tasks with places in {them} take turns, by the limit that 'pools' of the film gives",
            names.join(", ")
        )
    })
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

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::plan::parts::{Array, Part};
    use crate::project::Project;

    /// Of two arrays of four parts: how many tasks run at once, and what they wait for.
    fn held(pool: u32, taken: u32, processors: u32, asked: bool) -> Vec<(Option<usize>, Vec<usize>)> {
        let folder = tempfile::tempdir().unwrap();
        let text = format!(
            "film: The Brine Lamp\nrate: 24\nframe_size: 8x8\npools: {{ key: {pool} }}\n\
             plates: {{ shed: {{ files: shed.####.exr, frames: 1-8 }} }}\n\
             shots: {{ br010: {{ plate: shed, frames: 1-8, stages: {{ keyed: {{ operator: grade, pools: {{ key: {taken} }} }} }} }} }}\n"
        );
        std::fs::write(folder.path().join(crate::project::DECLARATION), text).unwrap();
        let graph = Project::find(folder.path()).unwrap().read().graph;
        let keyed = graph.find("br010", "keyed").unwrap();
        let part = |n: i64| Part {
            targets: BTreeMap::from([(keyed, [n].into_iter().collect())]),
            pools: BTreeSet::from([0]),
            ..Part::default()
        };
        let array = |parts| Array { parts, ..Array::default() };
        let parts = Parts { parts: (1..=8).map(part).collect(), arrays: vec![array(0..4), array(4..8)] };
        let mut slurm =
            Slurm { processors: Some(processors), time: Some(Duration::from_secs(60)), ..Slurm::default() };
        if asked {
            slurm.pools.insert("key".into(), Default::default());
        }
        assert_eq!(of_pools(&graph, &parts, &slurm).is_some(), !asked);
        let mut arrays: Vec<ArrayOf> = (parts.arrays.iter())
            .map(|array| ArrayOf { first: array.parts.start, count: 4, ..ArrayOf::default() })
            .collect();
        hold_pools(&graph, &parts, &slurm, &mut arrays);
        arrays.into_iter().map(|array| (array.at_once, array.after)).collect()
    }

    #[test]
    fn no_more_tasks_run_at_once_than_a_pool_has_places_for() {
        let turns = |at_once| vec![(at_once, vec![]), (at_once, vec![0])];
        assert_eq!(held(1, 1, 1, false), turns(Some(1)));
        assert_eq!(held(3, 1, 1, false), turns(Some(3)));
        // Each task may take two at a time, by its two workers or by one that takes two.
        assert_eq!(held(5, 1, 2, false), turns(Some(2)));
        assert_eq!(held(5, 2, 1, false), turns(Some(2)));
        // A task with more workers than places has the pool to itself.
        assert_eq!(held(3, 1, 16, false), turns(Some(1)));
        // There are fewer tasks than places; the next array takes some as well.
        assert_eq!(held(9, 1, 1, false), turns(None));
        // What Slurm is asked for, it holds.
        assert_eq!(held(1, 1, 1, true), vec![(None, vec![]), (None, vec![])]);
    }
}
