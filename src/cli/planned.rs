//! `rebuild --plan`: what would be rendered, and what stands in the way.

use std::collections::BTreeMap;

use super::arguments::{self, Arguments, Rebuild};
use super::{Answer, Exit, afar, show};
use crate::base::frames::FrameSet;
use crate::graph::{Graph, NodeId};
use crate::project::Project;
use crate::stale::Reason;

/// Looks, says, and renders nothing.
pub fn plan(project: &Project, arguments: &Arguments, options: &Rebuild) -> Answer {
    let status = project.status(false, &|_, _| {})?;
    let graph = &status.declared.graph;
    let selection = arguments::selection(&options.selectors, Some(graph))?;
    let out = project.out()?;
    let left_to_it = if options.here { &[][..] } else { &out };
    let plan = project.plan(&status, &selection, options.again, left_to_it);
    let due = plan.with_needs(graph, &status.report, options.again);
    let mut blocked: BTreeMap<usize, FrameSet> = BTreeMap::new();
    for (id, frames) in project.blocked(&status, &selection).into_iter().flat_map(|by| by.frames) {
        blocked.entry(id).or_default().insert_all(&frames);
    }
    if options.on.is_some() {
        afar::configured()?;
        afar::tell_short_of_memory(&status.declared);
    }
    // Nothing is submitted while a run is out.
    let foreseen = match options.on {
        Some(_) if out.is_empty() => Some(project.foresee_on_slurm(&status, &selection, options.again)?),
        _ => None,
    };
    if arguments.json {
        let list = |sets| places_json(graph, sets);
        let all = serde_json::json!({
            "format": "endboard plan 1", "film": graph.film, "stages": list(&due), "failed_before": list(&plan.failed),
            "blocked": list(&blocked), "out": afar::out_json(&out), "on_slurm": foreseen.as_ref().map(afar::foreseen_json),
        });
        say!("{all:#}");
        return Ok(Exit::Done);
    }
    for (&id, set) in &due {
        let is_put_back = |n: &i64| status.report.strips[id].get(*n).is_some_and(|cell| cell.restorable);
        let put_back = match set.iter().filter(is_put_back).count() {
            0 => String::new(),
            n if n == set.len() => ", put back from the store".into(),
            n => format!(", {n} of them put back from the store"),
        };
        flow!("{}@{set}: {}{put_back}", graph.nodes[id].name(), show::frames(set.len()));
    }
    for (&id, set) in &plan.failed {
        let reason = |n: i64| status.report.strips[id].get(n).map(|cell| cell.reason);
        let those = |is_unfit: bool| -> FrameSet {
            set.iter().filter(|n| (reason(*n) == Some(Reason::FileUnfit)) == is_unfit).collect()
        };
        let (unfit, failed) = (those(true), those(false));
        for (set, why) in [(unfit, "its file cannot be used"), (failed, "failed before, and is not tried")] {
            if !set.is_empty() {
                flow!("{}@{set}: {why}", graph.nodes[id].name());
            }
        }
    }
    for (&id, set) in &blocked {
        flow!("{}@{set}: blocked", graph.nodes[id].name());
    }
    if due.is_empty() {
        say!("nothing to render");
    }
    foreseen.iter().for_each(afar::tell_foreseen);
    afar::tell_out(&out, &selection);
    Ok(Exit::Done)
}

/// Frames by stage, for the JSON.
pub(super) fn places_json(graph: &Graph, sets: &BTreeMap<NodeId, FrameSet>) -> Vec<serde_json::Value> {
    let one = |(&id, set): (&NodeId, &FrameSet)| {
        let node = &graph.nodes[id];
        serde_json::json!({ "shot": &*node.shot, "stage": &*node.stage, "frames": set.to_string() })
    };
    sets.iter().map(one).collect()
}
