//! `rebuild --on slurm`: rendering on a cluster, and what is said of it.

use std::collections::BTreeMap;
use std::path::Path;

use super::arguments::Rebuild;
use super::progress::Rebuilding;
use super::{Failure, rebuild, share, show};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::declare::slurm;
use crate::graph::{Graph, NodeId};
use crate::project::afar::{Afar, Asked, Foreseen, GUESS, Out};
use crate::project::rebuild::Rebuilt;
use crate::project::{Declared, Project};
use crate::report::words;

/// What is said where Ctrl-C is pressed while a run is followed.
const CANCELLING: &str =
    "cancelling the run, and taking in what it made; press Ctrl-C again to leave at once";

/// What is said where the process ends before that is done.
const LEFT: &str =
    "left; what was submitted and is not cancelled goes on, and `endboard rebuild --on slurm` follows it";

/// Rebuilds by tasks on a Slurm cluster, and follows them.
pub fn on_slurm(
    project: &Project,
    declared: Declared,
    selection: &Selection,
    options: &Rebuild,
    quiet: bool,
) -> Result<Rebuilt, Failure> {
    configured()?;
    tell_short_of_memory(&declared);
    let (_runtime, programs) = rebuild::programs_saying(CANCELLING, Some(LEFT))?;
    let program = std::env::current_exe().map_err(|e| Failure::System(e.to_string()))?;
    share::around(project, declared, options.sharing, &programs.halt, quiet, |declared, shared| {
        let asked = Asked {
            selectors: options.selectors.clone(),
            again: options.again,
            leave: options.leave,
            program,
            version: env!("CARGO_PKG_VERSION").into(),
            shared,
        };
        let progress = Rebuilding::of_others(quiet);
        let (writer, events) = (rebuild::writer(), |event| progress.take(&event));
        let rebuilt = project.rebuild_on_slurm(declared, selection, &asked, &writer, &programs.halt, &events);
        progress.end();
        rebuilt
    })
}

/// Refuses where the environment leads Slurm's programs to a file that is not there: they wait a minute for it and say nothing
/// meanwhile.
pub fn configured() -> Result<(), Failure> {
    let Some(file) = std::env::var_os("SLURM_CONF") else { return Ok(()) };
    let file = Path::new(&file);
    let is_lacking =
        || std::fs::metadata(file).is_err_and(|error| error.kind() == std::io::ErrorKind::NotFound);
    let fault = match file.as_os_str().is_empty() {
        true => "is set and empty".to_string(),
        false if is_lacking() => {
            format!("names {}, and there is no such file", show::clean(&file.display().to_string()))
        }
        false => return Ok(()),
    };
    Err(Failure::Usage(format!(
        "SLURM_CONF {fault}: name the cluster's slurm.conf, or take the variable away where Slurm's programs find theirs by \
         themselves, or render here, without '--on slurm'"
    )))
}

/// Tells of commands that say that they take more memory than tasks have.
pub fn tell_short_of_memory(declared: &Declared) {
    let Some(film) = &declared.film else { return };
    for (span, words) in slurm::short_of_memory(film.slurm.as_ref(), &film.shots) {
        tell!("{}: {}", declared.sources.place(span), show::clean(&words));
    }
}

/// What went wrong with tasks elsewhere, and what is left to do.
pub fn tell(afar: &Afar, left: usize) {
    let work = &afar.at_work;
    if work.count > 0 {
        let machines = words::count(work.machines.len() as u64, "machine");
        let were = if work.count == 1 { "was" } else { "were" };
        flow!(
            "{} on {machines} {were} at work for {}, {} of it until their first frames",
            words::count(work.count as u64, "task"),
            words::time(work.wall),
            words::time(work.startup)
        );
    }
    afar.troubles.iter().for_each(|words| tell!("{words}"));
    if afar.is_out {
        let over = match afar.over {
            0 => String::new(),
            over => format!(", {over} of them over"),
        };
        let tasks = words::count(afar.tasks as u64, "task");
        flow!("run {} goes on on Slurm ({tasks}{over}); `endboard rebuild --on slurm` follows it", afar.run);
        return;
    }
    afar.changed.iter().for_each(|words| tell!("{words}"));
    if left > 0 {
        let (frames, them) = (show::frames(left), if left == 1 { "it" } else { "them" });
        tell!(
            "{frames} not made; `endboard rebuild --on slurm` goes on from there, and `endboard rebuild` makes {them} here"
        );
    }
}

/// Frames that were left to a cluster, and how to have them here all the same.
pub fn tell_left_out(graph: &Graph, out: &BTreeMap<NodeId, FrameSet>) {
    let count: usize = out.values().map(FrameSet::len).sum();
    if count > 0 {
        let places: Vec<String> =
            out.iter().map(|(&id, set)| format!("{}@{set}", graph.nodes[id].name())).collect();
        let (are, them) = if count == 1 { ("is", "it") } else { ("are", "them") };
        tell!(
            "{} {are} out on a cluster, or wait for what is, and left to it: {}; `--here` renders {them} here as well",
            show::frames(count),
            listed(&places)
        );
    }
}

/// The first places of a list, and how many more there are.
fn listed(places: &[String]) -> String {
    const SHOWN: usize = 6;
    let shown = places.iter().take(SHOWN).cloned().collect::<Vec<_>>().join(", ");
    match places.len().saturating_sub(SHOWN) {
        0 => shown,
        more => format!("{shown} and {}", words::count(more as u64, "more stage")),
    }
}

/// Says which runs are out, and of which of the selected frames.
pub fn tell_out(out: &[Out], selection: &Selection) {
    for out in out {
        let of = |((shot, stage), set): (&(String, String), &FrameSet)| {
            let chosen = selection.matches(shot, stage)?;
            let picked: FrameSet = set.iter().filter(|&n| chosen.contains(n)).collect();
            (!picked.is_empty()).then(|| format!("{shot}/{stage}@{picked}"))
        };
        let places: Vec<String> = out.frames.iter().filter_map(of).collect();
        if out.unreadable.is_some() {
            tell!("{}", show::clean(&out.words()));
        }
        if !places.is_empty() {
            flow!("{}; out are {}; `endboard rebuild --on slurm` follows it", out.words(), listed(&places));
            out.waits.iter().for_each(|words| flow!("{words}"));
        }
    }
}

/// The same for the JSON.
pub fn out_json(out: &[Out]) -> Vec<serde_json::Value> {
    let frames = |((shot, stage), set): (&(String, String), &FrameSet)| serde_json::json!({ "shot": shot, "stage": stage, "frames": set.to_string() });
    let one = |out: &Out| {
        serde_json::json!({
            "run": out.run, "since": out.since, "by": out.who, "parts_over": out.parts.0, "parts": out.parts.1,
            "frames": out.frames.iter().map(frames).collect::<Vec<_>>(),
            "unreadable": out.unreadable, "waits": out.waits,
        })
    };
    out.iter().map(one).collect()
}

/// What a rebuild on a cluster would submit.
pub fn tell_foreseen(foreseen: &Foreseen) {
    let time = |seconds: f64| words::time(std::time::Duration::from_secs_f64(seconds));
    flow!(
        "on Slurm: {} in {} of {}; by {}, {} of work of one processor, {} of it one task after the other",
        show::frames(foreseen.frames),
        words::count(foreseen.tasks as u64, "task"),
        words::count(foreseen.jobs as u64, "job"),
        measure(foreseen),
        time(foreseen.seconds),
        time(foreseen.longest)
    );
}

/// By what times were foreseen.
fn measure(foreseen: &Foreseen) -> String {
    match foreseen.guessed {
        0 => "what frames took before".into(),
        n if n == foreseen.frames => {
            format!("a guess of {} a frame, as none was rendered before", words::time(GUESS))
        }
        n => format!("what frames took before, and a guess of {} for {n} of them", words::time(GUESS)),
    }
}

/// The same for the JSON.
pub fn foreseen_json(foreseen: &Foreseen) -> serde_json::Value {
    serde_json::json!({
        "frames": foreseen.frames, "tasks": foreseen.tasks, "jobs": foreseen.jobs,
        "guessed_frames": foreseen.guessed, "processor_seconds": foreseen.seconds, "longest_seconds": foreseen.longest,
    })
}

/// What the JSON says of it.
pub fn as_json(afar: &Afar) -> serde_json::Value {
    serde_json::json!({
        "run": afar.run, "found": afar.found, "jobs": afar.jobs, "tasks": afar.tasks, "waves": afar.waves,
        "changed": afar.changed, "placed_before": afar.placed, "out": afar.is_out, "cancelled": afar.cancelled, "troubles": afar.troubles,
        "tasks_over": afar.at_work.count, "machines": afar.at_work.machines,
        "task_seconds": afar.at_work.wall.as_secs_f64(), "startup_seconds": afar.at_work.startup.as_secs_f64(),
    })
}
