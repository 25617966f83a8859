//! `rebuild`: renders, and says what it cost; also keeps and lets go of renders.

use std::sync::Arc;

use tokio::signal::unix::{Signal, SignalKind, signal};

use super::arguments::{self, Arguments, On, Rebuild};
use super::progress::Rebuilding;
use super::{Answer, Exit, Failure, afar, holding, people, planned, share, show, trouble};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::execute::{Ending, Options, Outcome, Way};
use crate::graph::Graph;
use crate::programs::{self, Halt, Runner};
use crate::project::afar::Afar;
use crate::project::rebuild::{Rebuilt, Writer};
use crate::project::trouble::gather;
use crate::project::{Declared, Project, ProjectError};
use crate::report::words;
use crate::stale::Reason;
use crate::store::lock::Lock;

/// How long a rebuild that was told to end at once may take for it.
const GRACE: std::time::Duration = std::time::Duration::from_secs(2);

/// Does what the options say.
pub fn run(project: &Project, arguments: &Arguments, options: &Rebuild) -> Answer {
    let selection = arguments::selection(&options.selectors, None)?;
    if options.hold || options.let_go {
        return holding::hold(project, arguments, &selection, options);
    }
    if options.plan {
        return planned::plan(project, arguments, options);
    }
    let declared = project.read();
    if !declared.is_sound() {
        return Err(ProjectError::Unsound(Box::new(declared)).into());
    }
    // A slip in a selector must not pass for "nothing to do".
    arguments::selection(&options.selectors, Some(&declared.graph))?;
    let rebuilt = match options.on {
        Some(On::Slurm) => afar::on_slurm(project, declared, &selection, options, arguments.json)?,
        None => rebuild(project, None, declared, &selection, options, arguments.json)?,
    };
    Ok(report(&rebuilt, &selection, arguments.json, options.again))
}

/// Rebuilds with progress and with Ctrl-C taken care of; under a lock of the film that is held already where one is given.
pub fn rebuild(
    project: &Project,
    lock: Option<&Lock>,
    declared: Declared,
    selection: &Selection,
    options: &Rebuild,
    quiet: bool,
) -> Result<Rebuilt, Failure> {
    let (_runtime, programs) = programs()?;
    let halt = Arc::clone(&programs.halt);
    share::around(project, declared, options.sharing, &halt, quiet, |declared, shared| {
        let progress = Rebuilding::new(quiet);
        let run = Options {
            jobs: options.jobs.unwrap_or_else(processors),
            memory: memory(options),
            again: options.again,
            shared,
            was: Arc::default(),
            way: if options.here { Way::Besides } else { Way::Alone },
        };
        let (writer, events) = (writer(), |event| progress.take(&event));
        let rebuilt = match lock {
            Some(lock) => project.rebuild_under(lock, declared, selection, run, &writer, programs, &events),
            None => project.rebuild(declared, selection, run, &writer, programs, &events),
        };
        progress.end();
        rebuilt
    })
}

/// What is said where Ctrl-C is pressed while frames are rendered here.
const STOPPING: &str =
    "stopping after the frames being rendered and the commands that run; press Ctrl-C again to stop now";

/// What starts programs, with Ctrl-C taken care of as long as the runtime is kept.
pub(super) fn programs() -> Result<(tokio::runtime::Runtime, Runner), Failure> {
    programs_saying(STOPPING, None)
}

/// The same, which says this where it is pressed, and this where the process ends before its work does.
pub(super) fn programs_saying(
    words: &'static str,
    last: Option<&'static str>,
) -> Result<(tokio::runtime::Runtime, Runner), Failure> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(|e| Failure::System(e.to_string()))?;
    let halt = Arc::new(Halt::default());
    let asked_to = Arc::clone(&halt);
    let signals = signals(&runtime).map_err(|e| Failure::System(e.to_string()))?;
    runtime.spawn(async move {
        obey(&asked_to, signals, words).await;
        show::clear_line();
        last.iter().for_each(|words| tell!("endboard: {words}"));
        std::process::exit(Exit::Interrupted as i32);
    });
    let programs = Runner::new(halt, runtime.handle().clone());
    Ok((runtime, programs))
}

/// SIGINT, SIGTERM and SIGHUP.
pub(super) type Signals = (Signal, Signal, Option<Signal>);

/// The signals from now on; none that comes while another is dealt with is lost. A run that was started to outlive its
/// terminal goes on when that goes away.
pub(super) fn signals(runtime: &tokio::runtime::Runtime) -> std::io::Result<Signals> {
    let _context = runtime.enter();
    let left = if programs::outlives_its_terminal() { None } else { Some(signal(SignalKind::hangup())?) };
    Ok((signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?, left))
}

/// From now on a signal to stop ends this process at once and says that nothing was written, for as long as what comes back is
/// kept: for work that writes only at its end, before which it is let go of. Once a rebuild has listened to signals they end nothing by themselves.
pub fn end_when_told() -> Result<tokio::runtime::Runtime, Failure> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(|e| Failure::System(e.to_string()))?;
    let (mut asked, mut told, left) = signals(&runtime).map_err(|e| Failure::System(e.to_string()))?;
    runtime.spawn(async move {
        let left = async {
            match left {
                Some(mut left) => left.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! { _ = asked.recv() => {} _ = told.recv() => {} _ = left => {} }
        show::clear_line();
        tell!("endboard: interrupted; nothing was written");
        std::process::exit(Exit::Interrupted as i32);
    });
    Ok(runtime)
}

/// Ctrl-C lets the frames and commands in hand come to their end; once more, or the signals that a system sends before it
/// ends a process by force, ends the commands with all their children, and the process soon after.
async fn obey(halt: &Halt, (mut asked, mut told, mut left): Signals, words: &str) {
    let mut forced = async || {
        let left = async {
            match &mut left {
                Some(left) => left.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! { _ = told.recv() => {} _ = left => {} }
    };
    tokio::select! {
        _ = asked.recv() => {
            halt.ask();
            tell!("{words}");
            tokio::select! { _ = asked.recv() => {} () = forced() => {} }
        }
        () = forced() => {}
    }
    halt.hurry();
    // What the frames in hand need to come to their end, and the ledger to be written. Then whatever is under way is
    // dropped; nothing half-made has a final name, and no program runs any more.
    tokio::select! { () = tokio::time::sleep(GRACE) => {} _ = asked.recv() => {} }
}

/// What should be known of frames that were made: of each stage the first in full, and which others there are.
fn remarks(graph: &Graph, outcome: &Outcome) {
    let mut all = outcome.remarks.iter().peekable();
    while let Some((id, frame, text)) = all.next() {
        let node = &graph.nodes[*id];
        tell!("{}: {text}", crate::stale::place(node, *frame));
        let mut more = FrameSet::new();
        while let Some((_, frame, _)) = all.next_if(|(next, ..)| next == id) {
            more.insert(*frame);
        }
        if !more.is_empty() {
            let frames = words::count(more.len() as u64, "more frame");
            tell!("{}/{}@{}: the like on {frames}", node.shot, node.stage, more);
        }
    }
}

/// Workers when nobody says how many.
pub(super) fn processors() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

/// Memory when nobody says how much: a quarter of the machine's.
pub(super) fn usual_memory() -> usize {
    (rustix::system::sysinfo().totalram as usize / 4).min(8 << 30)
}

fn memory(options: &Rebuild) -> usize {
    options.memory.map_or_else(usual_memory, |bytes| bytes as usize)
}

/// Whose ledger file it is: ENDBOARD_WRITER, or the user's name, and the machine's.
pub fn writer() -> Writer {
    let sound = |text: String| -> String {
        let is_kept = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
        let name: String = text.chars().map(|c| if is_kept(c) { c } else { '-' }).take(60).collect();
        let name = name.trim_start_matches('.').to_string();
        // Two people whose names are written in other letters must not write into one file.
        match name == text {
            true => name,
            false => format!("{name}-{}", &Digest::of(text.as_bytes()).to_string()[..6]),
        }
    };
    let machine = sound(rustix::system::uname().nodename().to_string_lossy().into_owned());
    let machine = if machine.is_empty() { "machine".to_string() } else { machine };
    let name = std::env::var("ENDBOARD_WRITER")
        .or_else(|_| std::env::var("USER").map(|user| format!("{user}@{machine}")));
    let name = name.map_or_else(
        |_| machine.clone(),
        |n| n.split('@').map(|part| sound(part.into())).collect::<Vec<_>>().join("@"),
    );
    Writer {
        name: if name.is_empty() { machine.clone() } else { name },
        machine,
        process: std::process::id(),
    }
}

/// Prints what came of it; `again` says that failed frames were tried again.
pub fn report(rebuilt: &Rebuilt, selection: &Selection, json: bool, again: bool) -> Exit {
    let outcome = &rebuilt.outcome;
    let graph = &rebuilt.status.declared.graph;
    let afar = rebuilt.afar.as_ref();
    let is_out = afar.is_some_and(|afar| afar.is_out);
    let is_lacking =
        !is_out && (!outcome.left.is_empty() || afar.is_some_and(|afar| !afar.troubles.is_empty()));
    let is_whole = !is_lacking
        && outcome.failures.is_empty()
        && rebuilt.out.is_empty()
        && rebuilt.failed_before.is_empty()
        && rebuilt.blocked.is_empty();
    let exit = match (&outcome.ended, is_whole) {
        (Some(Ending::Asked), _) => Exit::Interrupted,
        (Some(_), _) => Exit::System,
        (None, false) => Exit::Unsound,
        (None, true) => Exit::Done,
    };
    let tell_of_ledger = || {
        if let Some(trouble) = &rebuilt.ledger_trouble {
            tell!("the ledger could not be written, so the time of this run is missing from it: {trouble}");
        }
    };
    if json {
        as_json(rebuilt);
        tell_of_ledger();
        return exit;
    }
    // Of a run that was only submitted nothing is to be counted yet.
    if !afar.is_some_and(Afar::is_submitted_only) || has_settled(outcome) {
        flow!(
            "{}; {}, {} of work, {} of processor time",
            counts(rebuilt),
            words::time(rebuilt.elapsed),
            words::time(rebuilt.spent.0),
            words::time(rebuilt.spent.1)
        );
    }
    if rebuilt.trimmed > 0 {
        let files = words::count(rebuilt.trimmed as u64, "file");
        flow!("{files} of frames that the film no longer has removed from renders/film");
    }
    people::tell_ledger(&rebuilt.status.ledger.1);
    remarks(graph, outcome);
    rebuilt.missed.iter().for_each(|says| tell!("film/mix: {says}"));
    trouble::tell_lapsed(&rebuilt.lapsed);
    rebuilt.taken.iter().for_each(|says| tell!("{}", show::clean(says)));
    rebuilt.gathered.iter().for_each(|words| tell!("{words}"));
    afar.iter().for_each(|afar| afar::tell(afar, outcome.left.len()));
    afar::tell_left_out(graph, &rebuilt.out);
    let failures = outcome
        .failures
        .iter()
        .map(|f| (f.node, f.frame, f.reason.clone(), f.log.as_ref().map(|log| log.display().to_string())));
    trouble::failures(graph, &gather(failures));
    trouble::failed_then(graph, &rebuilt.failed_then);
    trouble::failed(graph, &rebuilt.failed_before, again);
    trouble::blocked(graph, &rebuilt.blocked);
    super::status::tell_by_hand(&rebuilt.status, selection);
    tell_of_ledger();
    if let Some(reason) = outcome.ended.as_ref().filter(|_| !is_out) {
        tell!(
            "the run ended early: {reason}; what was made is kept, and the next rebuild goes on from there"
        );
    }
    exit
}

/// Whether any frame was settled, well or not.
fn has_settled(outcome: &Outcome) -> bool {
    let counts = [outcome.rendered, outcome.restored, outcome.shared, outcome.same, outcome.blocked];
    counts.iter().any(|n| *n > 0) || !outcome.failures.is_empty() || !outcome.failed_before.is_empty()
}

/// `20 frames rendered, 4 of them the same as others, 12 put back`.
fn counts(rebuilt: &Rebuilt) -> String {
    let outcome = &rebuilt.outcome;
    // A file that cannot be used was never tried, whatever the state of its frame is called.
    let strips = &rebuilt.status.report.strips;
    let is_unfit =
        |(id, n): &&(usize, i64)| strips[*id].get(*n).is_some_and(|c| c.reason == Reason::FileUnfit);
    let unfit = outcome.failed_before.iter().filter(is_unfit).count();
    // What sound has in place of frames are blocks.
    let nodes = &rebuilt.status.declared.graph.nodes;
    let (blocks, [plates, clips]) =
        (outcome.ran.iter().filter(|(id, _)| nodes[*id].is_heard()).count(), outcome.read);
    let sound = format!("{} of sound", words::count(blocks as u64, "block"));
    let rendered = match (outcome.rendered - blocks.min(outcome.rendered), blocks) {
        (frames, 0) => show::frames(frames),
        (0, _) => sound,
        (frames, _) => format!("{} and {sound}", show::frames(frames)),
    };
    let mut parts = vec![format!("{rendered} rendered")];
    for (n, word) in [
        (outcome.alike, "of them the same as others"),
        (outcome.restored, "put back"),
        (outcome.shared, "taken from the shared store"),
        (outcome.same, "found the same"),
        (
            if rebuilt.afar.as_ref().is_some_and(|afar| !afar.is_out) { outcome.left.len() } else { 0 },
            "not made",
        ),
        (rebuilt.afar.as_ref().map_or(0, |afar| afar.placed), "in place before"),
        (plates, if plates == 1 { "plate frame read" } else { "plate frames read" }),
        (clips, if clips == 1 { "clip read" } else { "clips read" }),
        (outcome.failures.len(), "failed"),
        (unfit, if unfit == 1 { "whose file cannot be used" } else { "whose files cannot be used" }),
        (outcome.failed_before.len() - unfit, "failed before"),
        (outcome.blocked, "blocked"),
    ] {
        if n > 0 {
            parts.push(format!("{n} {word}"));
        }
    }
    parts.join(", ")
}

fn as_json(rebuilt: &Rebuilt) {
    let (outcome, graph) = (&rebuilt.outcome, &rebuilt.status.declared.graph);
    let ran: Vec<String> =
        outcome.ran.iter().map(|&(id, n)| crate::stale::place(&graph.nodes[id], n)).collect();
    let failures: Vec<_> = outcome
        .failures
        .iter()
        .map(|f| serde_json::json!({ "place": f.place, "reason": f.reason, "log": f.log.as_ref().map(|l| l.display().to_string()) }))
        .collect();
    let remarks: Vec<_> = outcome
        .remarks
        .iter()
        .map(|(id, n, text)| serde_json::json!({ "place": crate::stale::place(&graph.nodes[*id], *n), "text": text }))
        .collect();
    let all = serde_json::json!({
        "format": "endboard rebuild 1", "film": graph.film, "rendered": ran, "alike": outcome.alike,
        "restored": outcome.restored, "shared": outcome.shared, "same": outcome.same, "taken_in": outcome.read[0],
        "clips": outcome.read[1], "missed": rebuilt.missed, "taken": rebuilt.taken, "blocked": outcome.blocked,
        "blocked_by": trouble::blocked_json(graph, &rebuilt.blocked), "failures": failures, "remarks": remarks,
        "failed_before": trouble::failed_json(graph, &rebuilt.failed_before), "ended": outcome.ended.as_ref().map(ToString::to_string),
        "failed_then": trouble::failed_json(graph, &rebuilt.failed_then),
        "on_slurm": rebuilt.afar.as_ref().map(afar::as_json),
        "left": outcome.left.len(), "out": planned::places_json(graph, &rebuilt.out), "gathered": rebuilt.gathered,
        "trimmed": rebuilt.trimmed, "lapsed": trouble::lapsed_json(&rebuilt.lapsed), "elapsed_seconds": rebuilt.elapsed.as_secs_f64(),
        "wall_seconds": rebuilt.spent.0.as_secs_f64(), "processor_seconds": rebuilt.spent.1.as_secs_f64(),
    });
    say!("{all:#}");
}
