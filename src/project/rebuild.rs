//! Rebuilding and sweeping: what changes the film's store.

use std::collections::{BTreeMap, HashSet};
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::tz::TimeZone;

use super::afar::{Afar, Gathered, Tasks, awaited, awaited_of, tell_shared_pools};
use super::approving::{self, Lapsed};
use super::logs::{self, OldLog};
use super::past::Here;
use super::trouble::{Blocked, Failed};
use super::{Care, Declared, Project, ProjectError, Status, left};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::crew::approvals::Approvals;
use crate::events::Event;
use crate::execute::tally::Tally;
use crate::execute::{Ending, Engine, Options, Outcome, Way, head};
use crate::graph::{FILM, MIX, Node, NodeId, Work};
use crate::ledger::file::{Ledger, LedgerError};
use crate::ledger::holds::Holds;
use crate::plan::Plan;
use crate::programs::Runner;
use crate::report::words;
use crate::stale::Reason;
use crate::store::lock::Lock;
use crate::store::{StoreError, sweep};

/// Who writes, for the ledger and the lock.
#[derive(Clone, Debug)]
pub struct Writer {
    /// Name of the ledger's file.
    pub name: String,
    /// The machine's name.
    pub machine: String,
    /// The process.
    pub process: u32,
}

impl Writer {
    /// The person whose ledger it is, without the machine.
    pub fn person(&self) -> &str {
        self.name.split('@').next().unwrap_or_default()
    }
}

/// What a rebuild did.
pub struct Rebuilt {
    /// What came of the frames.
    pub outcome: Outcome,
    /// The film; the states of its frames are those before the run, or after it where frames are blocked.
    pub status: Status,
    /// The work as planned.
    pub plan: Plan,
    /// Frames that failed in an earlier run and were not tried: of the selected and of what those need.
    pub failed_before: Vec<Failed>,
    /// Frames among the selected that cannot be made, after the run, by what stands in their way.
    pub blocked: Vec<Blocked>,
    /// What of its target the mix misses, where it was made in this run.
    pub missed: Vec<String>,
    /// Files removed from the film's folder, of frames that the film no longer has.
    pub trimmed: usize,
    /// Frames that were as a person approved them, and are not any more.
    pub lapsed: Vec<Lapsed>,
    /// What is to be known of a takeback that was cut short and is at its end now.
    pub taken: Vec<String>,
    /// Time on the clock from the reading of sources to the end.
    pub elapsed: Duration,
    /// Wall and processor time over all frames.
    pub spent: (Duration, Duration),
    /// How long tasks elsewhere were at work whose renders were taken in.
    pub tasks: Tasks,
    /// Frames among the selected that a cluster is making, or that need those, and that were left to it.
    pub out: BTreeMap<NodeId, FrameSet>,
    /// What became of the run on Slurm, where there was one.
    pub afar: Option<Afar>,
    /// Frames that failed on a cluster as what their stage was then, and that were not tried since it changed.
    pub failed_then: Vec<Failed>,
    /// What a person should know of what was made elsewhere and taken in.
    pub gathered: Vec<String>,
    /// The ledger's trouble, when rows could not be written.
    pub ledger_trouble: Option<String>,
}

impl Project {
    /// Renders what is stale or absent of the film as `declared`.
    ///
    /// # Errors
    /// The declaration has errors, another works on the film, or the system refuses.
    pub fn rebuild(
        &self,
        declared: Declared,
        selection: &Selection,
        options: Options,
        writer: &Writer,
        programs: Runner,
        events: &(dyn Fn(Event) + Sync),
    ) -> Result<Rebuilt, ProjectError> {
        if !declared.is_sound() {
            return Err(ProjectError::Unsound(Box::new(declared)));
        }
        let lock = self.lock(writer)?;
        self.rebuild_under(&lock, declared, selection, options, writer, programs, events)
    }

    /// Does so for whoever has the film's lock already.
    ///
    /// # Errors
    /// The declaration has errors, or the system refuses.
    #[allow(clippy::too_many_arguments)] // Each is one thing that the caller decides.
    pub fn rebuild_under(
        &self,
        _lock: &Lock,
        declared: Declared,
        selection: &Selection,
        options: Options,
        writer: &Writer,
        programs: Runner,
        events: &(dyn Fn(Event) + Sync),
    ) -> Result<Rebuilt, ProjectError> {
        if !declared.is_sound() {
            return Err(ProjectError::Unsound(Box::new(declared)));
        }
        let began = Instant::now();
        let taken = self.finish_taking(writer)?;
        let mut gathered = self.gather(head(declared.graph.space), writer)?;
        if let Some(shared) = &options.shared {
            shared.expect(gathered.elsewhere.made.iter().copied());
        }
        let options = prepared(options, &mut gathered, events);
        let (spent_elsewhere, gathers) = (gathered.spent, matches!(options.way, Way::Gathers(_)));
        let recalled = self.recall(Care::Write);
        let reading = |done, of| events(Event::Reading(done, of));
        let mut status = self.status_of(declared, recalled, Care::Write, &reading)?;
        self.clear_left_over(&status);
        let trimmed = self.trim_film(&status, selection)?;
        let again = options.again;
        let beside = gathered.out.clone();
        // What a cluster is making is not made here as well.
        let out =
            if matches!(options.way, Way::Alone) { std::mem::take(&mut gathered.out) } else { Vec::new() };
        let waits = awaited(&status, &out);
        let plan = self.plan_with_made(&status, selection, &options, &waits);
        if !gathers {
            tell_shared_pools(&status.declared.graph, &plan, &beside, events);
        }
        let out = awaited_of(&status, selection, again, waits);
        let (mut outcome, lapsed, tally) =
            self.run_over(&mut status, &plan, options, writer, programs, events)?;
        let mut spent = *tally.total.lock().expect("the run ended");
        let mut failed_then = Vec::new();
        if gathers {
            spent = (spent.0 + spent_elsewhere.0, spent.1 + spent_elsewhere.1);
            failed_then = self.failed_elsewhere(&status, &mut outcome, &gathered);
        }
        let ledger_trouble = tally.trouble.lock().expect("the run ended").clone();
        let failed_before = self.why_failed(&status, outcome.failed_before.iter().copied());
        let blocked = self.blocked_after(&mut status, &mut outcome, selection, again);
        let missed = self.missed_after(&mut status, &outcome);
        if outcome.ended.is_none() {
            gathered.close(gathers, &status.store)?;
        }
        let elapsed = began.elapsed();
        Ok(Rebuilt {
            outcome,
            status,
            plan,
            failed_before,
            blocked,
            missed,
            trimmed,
            lapsed,
            taken,
            elapsed,
            spent,
            tasks: gathered.tasks,
            out,
            afar: None,
            failed_then,
            gathered: gathered.troubles.into_iter().collect(),
            ledger_trouble,
        })
    }

    /// Runs the engine over a plan; `status` has the last keys afterwards. Gives also which approvals lapsed, and the time spent.
    fn run_over(
        &self,
        status: &mut Status,
        plan: &Plan,
        options: Options,
        writer: &Writer,
        programs: Runner,
        events: &(dyn Fn(Event) + Sync),
    ) -> Result<(Outcome, Vec<Lapsed>, Tally), ProjectError> {
        let ledger = match Ledger::open(&self.folder.join("ledger"), &writer.name) {
            // The writer's name is for a person to put right; what the system refuses stops no render.
            Err(error @ LedgerError::BadWriter(_)) => return Err(error.into()),
            opened => opened,
        };
        Here::add(&self.folder, &writer.name);
        let tally = Tally::new(&status.declared.graph.film, &writer.machine, ledger, &status.ledger.0);
        let mut state = std::mem::take(&mut status.state);
        let as_approved = approving::as_approved(&status.ledger.0, &state);
        state.open_journal(&status.store)?;
        let engine = Engine::new(
            &status.declared.graph,
            &status.report,
            plan,
            &status.seen,
            self.folder.clone(),
            status.store.clone(),
            &status.actions,
            &status.packets,
            state,
            tally,
            options,
            programs,
            events,
        );
        let (mut outcome, mut state, tally) = engine.run();
        tally.flush();
        if let Err(error) = state.settle(&status.store) {
            outcome.ended.get_or_insert(Ending::of(&error));
        }
        status.state = state;
        let lapsed = approving::lapsed(as_approved, &status.ledger.0, &status.state);
        Ok((outcome, lapsed, tally))
    }

    /// What of its target the mix misses once the run is over that made any of it.
    fn missed_after(&self, status: &mut Status, outcome: &Outcome) -> Vec<String> {
        let mix = status.declared.graph.find(FILM, MIX);
        if outcome.ended.is_some() || !outcome.ran.iter().any(|(id, _)| Some(*id) == mix) {
            return Vec::new();
        }
        self.look(status);
        self.missed_target(status)
    }

    /// What is blocked among the selected once the run is over, and how much that is.
    fn blocked_after(
        &self,
        status: &mut Status,
        outcome: &mut Outcome,
        selection: &Selection,
        again: bool,
    ) -> Vec<Blocked> {
        if outcome.ended.is_some() {
            return Vec::new();
        }
        let by_hand = |node: &Node| matches!(node.work, Work::Hand { .. });
        let has_hands = status.declared.graph.nodes.iter().any(by_hand);
        if again || has_hands || !outcome.failures.is_empty() || outcome.blocked > 0 {
            self.look(status);
        }
        let mut blocked = self.blocked(status, selection);
        // What stands in the way of others is told there.
        let lacking = self.lacking_files(status, selection);
        let stands: HashSet<(usize, i64)> = blocked
            .iter()
            .flat_map(|of| of.frames.iter().flat_map(|(id, set)| set.iter().map(|n| (*id, n))))
            .collect();
        outcome.left.retain(|place| !stands.contains(place));
        blocked.extend(
            lacking.into_iter().filter(|of| !blocked.iter().any(|told| told.by == of.by)).collect::<Vec<_>>(),
        );
        outcome.blocked = blocked.iter().map(Blocked::count).sum();
        blocked
    }

    /// Takes the writer's lock, making the store where there is none.
    ///
    /// # Errors
    /// Another has it, which is told, or the store cannot be made.
    pub fn lock(&self, writer: &Writer) -> Result<Lock, ProjectError> {
        let store = crate::store::Store::at(&self.folder)?;
        store.create()?;
        let who = format!(
            "process {} on {} ({}) since {}",
            writer.process,
            writer.machine,
            writer.name,
            words::clock_told(jiff::Timestamp::now(), &TimeZone::system())
        );
        Ok(Lock::take(&store, &who)?)
    }

    /// Folders of calls and half-written files that a killed run left behind.
    fn clear_left_over(&self, status: &Status) {
        let entries = |name: &str| std::fs::read_dir(status.store.path(name)).into_iter().flatten().flatten();
        for entry in entries("work") {
            let path = entry.path();
            let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
            let remove =
                || if is_folder { std::fs::remove_dir_all(&path) } else { std::fs::remove_file(&path) };
            // A killed run's command may still be writing into its folder; what it writes is never taken.
            let _ = (0..8).find(|_| remove().is_ok());
        }
        for entry in entries("").filter(|e| e.file_name().to_string_lossy().starts_with(".tmp")) {
            let _ = std::fs::remove_file(entry.path());
        }
    }

    /// What a sweep would find: stored renders that no current frame uses, oldest first.
    pub fn look_for_unused(&self) -> Result<(Status, sweep::Found), ProjectError> {
        let status = self.status_of(self.read(), self.recall(Care::Write), Care::Write, &|_, _| {})?;
        let found = sweep::look(&status.store, &used(&status))?;
        Ok((status, found))
    }

    /// Removes unused renders, oldest first, down to `budget` bytes, and what lies in `renders/` of frames that the film
    /// no longer has, and logs that nobody need read any more.
    pub fn sweep(&self, budget: u64, writer: &Writer) -> Result<Swept, ProjectError> {
        let _lock = self.lock(writer)?;
        let runs = self.runs()?;
        let own = runs.own.iter().map(|own| &own.folder).chain(runs.damaged.iter().map(|(folder, _)| folder));
        if let Some(run) = own.min_by_key(|folder| folder.name()) {
            // What its tasks make is named by nothing yet.
            return Err(ProjectError::Busy(format!(
                "run {} is out on Slurm; nothing is swept until `endboard rebuild --on slurm` has followed it to its end",
                run.name()
            )));
        }
        let (status, found) = self.look_for_unused()?;
        let left = self.left_behind(&status);
        left::remove(&left)?;
        let gone = sweep::remove(&found, budget)?;
        let lost: HashSet<Digest> = gone.iter().map(|u| u.pixels).collect();
        status.actions.retain(|action| !lost.contains(&action.pixels))?;
        let logs = self.old_logs(&status);
        let (logs, stuck) = logs::remove(logs);
        Ok(Swept { found, gone, left: left.len(), logs, stuck })
    }
}

/// What a sweep removed, or would.
pub struct Swept {
    /// What is stored, and what of it is unused.
    pub found: sweep::Found,
    /// Renders.
    pub gone: Vec<sweep::Unused>,
    /// How many files in `renders/` of frames that the film no longer has.
    pub left: usize,
    /// Logs.
    pub logs: Vec<OldLog>,
    /// Why logs that were to go did not.
    pub stuck: Vec<StoreError>,
}

/// Renders that must stay: what frames show now or showed last, what a person keeps, and what a person approved.
pub(super) fn used(status: &Status) -> HashSet<Digest> {
    let mut used: HashSet<Digest> = HashSet::new();
    for node in &status.declared.graph.nodes {
        let table = status.state.table(&node.shot, &node.stage);
        let rows = table.iter().flat_map(|table| table.rows());
        used.extend(rows.filter(|(n, _)| node.frames.contains(*n)).map(|(_, row)| row.pixels));
    }
    for strip in &status.report.strips {
        used.extend(
            strip
                .iter()
                .map(|(_, c)| c)
                .filter(|c| c.reason != Reason::New || c.restorable)
                .map(|c| c.pixels),
        );
    }
    // What a person keeps is kept, also while the film does without its frames.
    used.extend(Holds::after(&status.ledger.0).digests());
    // What a person approved stays too, also where it lapsed: going back to it must not need rendering.
    used.extend(Approvals::after(&status.ledger.0).digests());
    used
}

/// The options of a run that begins with what was gathered, and says what is still out.
fn prepared(options: Options, gathered: &mut Gathered, events: &(dyn Fn(Event) + Sync)) -> Options {
    let options = Options { was: Arc::new(std::mem::take(&mut gathered.was)), ..options };
    if let Way::Gathers(_) = options.way {
        return Options { way: Way::Gathers(Arc::new(std::mem::take(&mut gathered.elsewhere))), ..options };
    }
    gathered.troubles.append(&mut gathered.early);
    for out in &gathered.out {
        let words = format!("{} and taken in; `endboard rebuild --on slurm` follows it", out.words());
        events(Event::Told(words));
    }
    options
}
