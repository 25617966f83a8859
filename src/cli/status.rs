//! `status`: the film as ribbons.

use std::collections::{BTreeMap, HashSet};
use std::mem::ManuallyDrop;

use super::arguments::{self, Arguments};
use super::progress::Reading;
use super::{Answer, Exit, afar, approvals, deliver, notes, packets, people, show, trouble};
use crate::base::frames::FrameSet;
use crate::base::problem::Problems;
use crate::base::selector::{Chosen, Selection};
use crate::base::state::FrameState;
use crate::crew::approvals::Standing;
use crate::graph::NodeId;
use crate::observe;
use crate::project::afar::Out;
use crate::project::delivering::Due;
use crate::project::holding::Kept;
use crate::project::naming::is_named;
use crate::project::trouble::{Blocked, Failed};
use crate::project::{Project, Status, chosen, picks, ribbons, wanted};
use crate::report::ribbon;
use crate::report::states::{self, Counts, Delivery, Elsewhere, Hold, Said};
use crate::report::words;

/// Looks and prints.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::Status) -> Answer {
    let reading = Reading::new("reading plates");
    let status = project.status(options.thorough, &|done, of| reading.at(done, of))?;
    // The process ends with this command: giving a large film's memory back bit by bit would only make it last longer.
    let status = &*ManuallyDrop::new(status);
    reading.end();
    let graph = &status.declared.graph;
    let selection = arguments::selection(&options.selectors, Some(graph))?;
    let picked = wanted(graph, &selection);
    let kept: Vec<Kept> =
        project.kept(status).into_iter().filter_map(|kept| of_picked(kept, &picked)).collect();
    let fresh = |id: usize| {
        let all = kept.iter().filter(|kept| kept.node == id).flat_map(|kept| kept.fresh.runs());
        all.flat_map(|run| run.iter()).collect()
    };
    let shown = |id: usize| {
        if is_shown(status, &selection, id) {
            chosen(picked[id].as_ref(), graph.nodes[id].frames)
        } else {
            FrameSet::new()
        }
    };
    let mut out = project.out()?;
    project.ask_why_waits(&mut out);
    let out = out;
    let strips = || ribbons::strips(graph, &status.report, &shown, &fresh);
    if arguments.json {
        let strips = strips();
        let holds: Vec<Hold> = kept.iter().map(|kept| hold(status, kept)).collect();
        let deliveries = deliver::standing(project, status)?;
        let deliveries: Vec<Delivery> = deliveries.iter().map(Due::told).collect();
        let said = standing(project, status, &selection);
        let packets = packets::standing(project, status);
        let out = afar::out_json(&out);
        let elsewhere = Elsewhere { packets, on_slurm: out };
        let failed = trouble::failed_json(graph, &project.failed_last(status, &selection));
        say!("{}", states::json(&graph.film, &strips, &holds, &deliveries, &said, elsewhere, failed));
        return Ok(Exit::Done);
    }
    let in_colour = show::takes_colour();
    let ((strips, ribbons), besides) = rayon::join(
        || {
            let strips = strips();
            let lines = states::lines(&strips, show::look()).into_iter();
            let text: String = lines.map(|line| show::pieces(&line, in_colour) + "\n").collect();
            (strips, text)
        },
        || Besides::of(project, status, &selection, &out),
    );
    // All at once: a call of the system for every line of a large film takes longer than making the lines.
    show::say_whole(&ribbons);
    let mut drawn: Vec<FrameState> =
        strips.iter().flat_map(|s| s.runs.iter().map(|(_, state)| *state)).collect();
    drawn.sort_by_key(|s| std::cmp::Reverse(s.urgency()));
    drawn.dedup();
    say!("");
    say!("{}", show::pieces(&ribbon::legend(&drawn, show::look().ascii), in_colour));
    let what = if selection.is_everything() { graph.film.clone() } else { options.selectors.join(" ") };
    flow!("{what}: {}", Counts::of_all(&strips).words());
    notices(status, &besides.faults);
    kept.iter().for_each(|kept| tell_held(&hold(status, kept)));
    trouble::failed(graph, &besides.failed, false);
    trouble::failed_last(graph, &besides.failed_last);
    trouble::blocked(graph, &besides.blocked);
    tell_left(&besides.left);
    tell_crew(project, status, &selection);
    tell_by_hand(status, &selection);
    packets::say_standing(project, status, &selection);
    afar::tell_out(&out, &selection);
    next(besides.to_make, besides.to_put_back, &options.selectors);
    if out.iter().any(|out| out.unreadable.is_some()) && besides.to_make > 0 {
        flow!("        some of them may be under way on a cluster, by the run that cannot be read");
    }
    if selection.is_everything() {
        deliver::say_standing(&deliver::standing(project, status)?);
    }
    Ok(Exit::Done)
}

/// What is told besides the ribbons.
struct Besides {
    faults: Problems,
    failed: Vec<Failed>,
    /// What failed last time and is tried again.
    failed_last: Vec<Failed>,
    blocked: Vec<Blocked>,
    /// Folders with files of frames that the film no longer has, and how many.
    left: BTreeMap<String, usize>,
    /// Frames that a rebuild would see to.
    to_make: usize,
    /// Those of them that need no rendering.
    to_put_back: usize,
}

impl Besides {
    fn of(project: &Project, status: &Status, selection: &Selection, out: &[Out]) -> Self {
        let graph = &status.declared.graph;
        let plan = project.plan(status, selection, false, out);
        let frames = plan.frames.iter().flat_map(|(&id, set)| set.iter().map(move |n| (id, n)));
        let is_put_back =
            |&(id, n): &(NodeId, i64)| status.report.strips[id].get(n).is_some_and(|cell| cell.restorable);
        Self {
            faults: observe::faults::of(&project.folder, &graph.sources, &status.seen, graph.frame_size),
            failed: project.failed(status, selection),
            failed_last: project.failed_last(status, selection),
            blocked: project.blocked(status, selection),
            left: project.folders_left(status),
            to_make: plan.count,
            to_put_back: frames.filter(is_put_back).count(),
        }
    }
}

/// Plates that are only passed on are shown when they are named, or when something is wrong with them.
fn is_shown(status: &Status, selection: &Selection, id: NodeId) -> bool {
    let node = &status.declared.graph.nodes[id];
    ribbons::is_told(status, id) || is_named(selection, &node.shot, &node.stage)
}

/// What of a hold is selected.
fn of_picked(kept: Kept, picked: &[Option<Chosen>]) -> Option<Kept> {
    let chosen = picked[kept.node].as_ref()?;
    let within = |frames: &FrameSet| frames.iter().filter(|&n| chosen.contains(n)).collect::<FrameSet>();
    let kept = Kept { frames: within(&kept.frames), fresh: within(&kept.fresh), ..kept };
    (!kept.frames.is_empty()).then_some(kept)
}

fn hold(status: &Status, kept: &Kept) -> Hold {
    let node = &status.declared.graph.nodes[kept.node];
    Hold {
        shot: node.shot.to_string(),
        stage: node.stage.to_string(),
        frames: kept.frames.to_string(),
        count: kept.frames.len() as u64,
        fresh: kept.fresh.len() as u64,
        kept: kept.words.clone(),
    }
}

fn tell_held(hold: &Hold) {
    let Hold { shot, stage, frames, count, fresh, kept } = hold;
    let fresh = match (*count, *fresh) {
        (_, 0) => String::new(),
        (all, n) if n == all => "; fresh now, and later changes will not render them".into(),
        (_, n) => format!("; {n} of them fresh now, and later changes will not render those"),
    };
    flow!("held: {shot}/{stage}@{frames} {}{fresh}", show::clean(kept));
}

/// What people said of the frames selected, counted: a frame of which two said the same counts once, and as approved where one of
/// the approvals is in force.
fn standing(project: &Project, status: &Status, selection: &Selection) -> Said {
    let mut told = approvals::told(project, status, selection, false);
    // The best standing comes first.
    told.sort_by_key(|told| told.standing);
    let mut said = Said { open_notes: notes::open(&status.ledger.0, selection) as u64, ..Said::default() };
    let mut counted = HashSet::new();
    for told in &told {
        let new = told.frames.iter().filter(|&n| counted.insert((&told.shot, &told.stage, n))).count() as u64;
        match told.standing {
            Standing::InForce => said.in_force += new,
            Standing::InDoubt => said.in_doubt += new,
            Standing::Lapsed => said.lapsed += new,
            Standing::Lost => said.lost += new,
        }
    }
    said
}

fn tell_crew(project: &Project, status: &Status, selection: &Selection) {
    let Said { in_force, in_doubt, lapsed, lost, open_notes } = standing(project, status, selection);
    if in_force + in_doubt + lapsed + lost > 0 {
        let also = [(in_doubt, "in doubt"), (lapsed, "lapsed"), (lost, "without a render")];
        let also: String =
            also.iter().filter(|(n, _)| *n > 0).map(|(n, word)| format!(", {n} {word}")).collect();
        let hint = if also.is_empty() { "" } else { "; `endboard approvals` lists them" };
        flow!("approved: {}{also}{hint}", words::count(in_force, "frame"));
    }
    if open_notes > 0 {
        flow!("{}; `endboard notes` lists them", words::count(open_notes, "open note"));
    }
}

fn notices(status: &Status, faults: &Problems) {
    for problem in faults {
        show::tell_problem(&status.declared.sources, problem);
    }
    people::tell_ledger(&status.ledger.1);
    for damaged in &status.damaged {
        flow!("{damaged}");
    }
}

fn tell_left(folders: &BTreeMap<String, usize>) {
    let told =
        |(folder, files): (&String, &usize)| format!("{folder} ({})", words::count(*files as u64, "file"));
    let folders: Vec<String> = folders.iter().map(told).collect();
    if !folders.is_empty() {
        flow!(
            "left behind, of frames that the film no longer has: {}; `endboard sweep --remove` takes them away",
            folders.join(", ")
        );
    }
}

/// What comes next, in words.
fn next(to_make: usize, to_put_back: usize, selectors: &[String]) {
    let words = std::iter::once("endboard rebuild".to_string()).chain(selectors.iter().cloned());
    let command = words.collect::<Vec<_>>().join(" ");
    match (to_make, to_put_back) {
        (0, _) => flow!("nothing to render"),
        (n, 0) => flow!("next: `{command}` makes up to {}", show::frames(n)),
        (n, r) if n == r => {
            flow!("next: `{command}` puts {} back without rendering", show::frames(n))
        }
        (n, r) => {
            flow!("next: `{command}` makes up to {}, {r} of them put back without rendering", show::frames(n))
        }
    }
}

/// Tells what waits for a person.
pub(super) fn tell_by_hand(status: &Status, selection: &Selection) {
    let hands = ribbons::by_hand(status, &picks(&status.declared.graph, selection));
    if !hands.is_empty() {
        flow!("next, by hand: {}", hands.join(", "));
    }
}
