//! Rebuilding on a Slurm cluster: the plan is parted, submitted, followed, and what came of it put in place.
//!
//! Knows the order of these steps and what a run that is already out means. How parts are cut `plan` knows, what Slurm is
//! told `execute::slurm`.

mod asking;
mod awaited;
mod came;
mod cancelling;
mod fates;
mod following;
mod foreseen;
mod forgotten;
mod gathering;
mod part;
mod refusals;
mod runs;
mod sizing;
mod submitting;
mod troubles;
mod writing;

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

pub use self::awaited::{awaited, awaited_of, tell_shared_pools};
pub use self::following::Followed;
pub use self::foreseen::Foreseen;
pub use self::gathering::{Gathered, Tasks};
pub use self::part::{Came, Opens, Task};
pub use self::runs::Out;
use self::runs::Own;
pub use self::sizing::{GUESS, within};
use self::submitting::told;
use super::rebuild::{Rebuilt, Writer};
use super::{Care, Declared, Project, ProjectError, Status};
use crate::base::selector::Selection;
use crate::declare::slurm::Slurm;
use crate::events::Event;
use crate::execute::slurm::record::Folder;
use crate::execute::slurm::{Bounds, Cluster};
use crate::execute::{Ending, Options, Way, head};
use crate::media::exr::Fact;
use crate::plan::parts::Parts;
use crate::programs::{Halt, Runner};
use crate::store::Store;
use crate::store::lock::Lock;
use crate::store::shared::Shared;

/// How a run on Slurm is asked for.
#[derive(Clone, Debug)]
pub struct Asked {
    /// The selectors as written.
    pub selectors: Vec<String>,
    /// Whether failed frames are tried again.
    pub again: bool,
    /// Whether nothing is waited for once all is submitted.
    pub leave: bool,
    /// This program's file, which the machines of the cluster see under the same name.
    pub program: PathBuf,
    /// Its version.
    pub version: String,
    /// Where renders of others are looked for by tasks, and those of the run go once they are in place.
    pub shared: Option<Arc<Shared>>,
}

/// What became of a run on Slurm.
#[derive(Clone, Debug, Default)]
pub struct Afar {
    /// The run's name; empty when nothing had to be submitted.
    pub run: String,
    /// Whether it was found as submitted before.
    pub found: bool,
    /// Jobs, one an array.
    pub jobs: Vec<u64>,
    /// Tasks.
    pub tasks: usize,
    /// Parts that follow one another at most.
    pub waves: usize,
    /// What went wrong with tasks.
    pub troubles: Vec<String>,
    /// How many of the tasks came to their end, of a run that still goes on.
    pub over: usize,
    /// Whether it still goes on.
    pub is_out: bool,
    /// Whether it was cancelled, so that nothing of it runs.
    pub cancelled: bool,
    /// Whether it was asked to end while it was followed.
    pub is_left: bool,
    /// Frames that were made of what their stages were and are not of what they are, by stage, in words.
    pub changed: Vec<String>,
    /// How many frames those are.
    pub of_before: usize,
    /// Frames of the run that an earlier rebuild put in place.
    pub placed: usize,
    /// Where the disk is full, where tasks ended for that.
    pub full: Option<String>,
    /// How long its tasks were at work, as far as they came to their end.
    pub at_work: Tasks,
}

impl Afar {
    /// Whether it was submitted, and left.
    pub fn is_submitted_only(&self) -> bool {
        self.is_out && !self.is_left
    }
}

impl Project {
    /// Renders what is stale or absent by tasks on a Slurm cluster, and puts it in place.
    ///
    /// # Errors
    /// The declaration has errors, another works on the film, Slurm refuses, or the system does.
    pub fn rebuild_on_slurm(
        &self,
        declared: Declared,
        selection: &Selection,
        asked: &Asked,
        writer: &Writer,
        halt: &Halt,
        events: &(dyn Fn(Event) + Sync),
    ) -> Result<Rebuilt, ProjectError> {
        if !declared.is_sound() {
            return Err(ProjectError::Unsound(Box::new(declared)));
        }
        let began = Instant::now();
        let lock = self.lock(writer)?;
        let cluster = Cluster::here().map_err(|e| ProjectError::System(e.to_string()))?;
        let mut afar = Afar::default();
        let mut own = self.found(head(declared.graph.space), &cluster, writer, events)?;
        let mut selection = selection.clone();
        let keys = refusals::keys(&declared);
        let mut before = Duration::ZERO;
        if let Some(Own { folder, run, .. }) = &own {
            afar.found = true;
            before = since(run.began);
            // What it was submitted for is what it is taken in for.
            selection = Selection::parse(run.selectors.iter().map(String::as_str)).unwrap_or_default();
            events(Event::Told(format!(
                "run {} is out on Slurm since {}, by {}; nothing else is submitted, and it is followed",
                folder.name(),
                run.since,
                run.who
            )));
        } else {
            own = self.write_run(declared, &selection, asked, writer, &cluster, events)?;
        }
        let mut made = HashMap::new();
        if let Some(own) = &own {
            self.submit(own, &cluster, &keys, events, &mut afar)?;
            if asked.leave {
                afar.is_out = true;
            } else {
                made = Self::follow_run(own, &Store::at(&self.folder)?, &cluster, halt, events, &mut afar)?;
            }
        }
        if let Some(out) = own.as_ref().and_then(Own::out).filter(|_| afar.is_out) {
            afar.over = out.parts.0;
        }
        let left = own.as_ref().map(|own| own.folder.job_name()).filter(|_| afar.is_submitted_only());
        let (folder, parts) = own.map(|own| (own.folder, own.parts)).unzip();
        let mut rebuilt = self.settle_run(&lock, &selection, asked, folder, afar, writer, events)?;
        // Last, as Slurm takes its time.
        left.iter().for_each(|name| submitting::tell_waits(name, &cluster, events));
        came::placed_before(&mut rebuilt, &parts.unwrap_or_default());
        came::of_before(&mut rebuilt, &made);
        rebuilt.elapsed = before + began.elapsed();
        Ok(rebuilt)
    }

    /// Follows a run. Gives the frames that its tasks made.
    fn follow_run(
        own: &Own,
        store: &Store,
        cluster: &Cluster,
        halt: &Halt,
        events: &(dyn Fn(Event) + Sync),
        afar: &mut Afar,
    ) -> Result<came::Frames, ProjectError> {
        let asked = Cluster::here().map_err(|e| ProjectError::System(e.to_string()))?;
        let mut following = following::Following::new(own, cluster, &asked, events);
        match following.follow(halt) {
            Followed::Over => {}
            Followed::Cancelled => (afar.cancelled, afar.is_left) = (true, true),
            Followed::Left => (afar.is_out, afar.is_left) = (true, true),
        }
        afar.troubles = following.troubles();
        afar.full = following.full();
        sizing::keep(store, &following.pace())?;
        Ok(following.made())
    }

    /// The film's run that is out. One whose record is damaged is set aside once nothing of it runs.
    fn found(
        &self,
        head: Vec<(String, Fact)>,
        cluster: &Cluster,
        writer: &Writer,
        events: &(dyn Fn(Event) + Sync),
    ) -> Result<Option<Own>, ProjectError> {
        let runs = self.runs()?;
        if let Some(words) = runs.unread.first() {
            return Err(ProjectError::Cannot(words.clone()));
        }
        for (folder, words) in &runs.damaged {
            if !cluster.live(&folder.job_name()).map_err(told)?.is_empty() {
                return Err(ProjectError::Busy(runs::damaged(folder, words)));
            }
        }
        if !runs.damaged.is_empty() || (runs.own.is_empty() && !runs.others.is_empty()) {
            // What can be read of what they made is not made again. Where a run is out, nothing is planned before all is gathered.
            self.gather(head, writer)?;
        }
        for (folder, words) in &runs.damaged {
            let to = folder.set_aside()?;
            events(Event::Told(format!(
                "what was written down of run {} is damaged ({words}); nothing of it runs, what could be read of its work is taken in, \
                 and it is set aside as {}, which may be removed",
                folder.name(),
                to.display()
            )));
        }
        Ok(runs.own.into_iter().next())
    }

    /// Puts in place what was made, and closes the run when nothing of it is out.
    #[allow(clippy::too_many_arguments)] // Each is one thing that the caller decides.
    fn settle_run(
        &self,
        lock: &Lock,
        selection: &Selection,
        asked: &Asked,
        folder: Option<Folder>,
        mut afar: Afar,
        writer: &Writer,
        events: &(dyn Fn(Event) + Sync),
    ) -> Result<Rebuilt, ProjectError> {
        // A run that was asked to end has stopped its programs; what was made is put in place all the same.
        let programs = Runner::alone().map_err(|e| ProjectError::System(e.to_string()))?;
        // Putting in place makes nothing, so that it needs no more than this.
        let options = Options {
            jobs: std::thread::available_parallelism().map_or(1, usize::from),
            memory: writing::USUAL_MEMORY,
            again: asked.again,
            way: Way::Gathers(Default::default()),
            shared: asked.shared.clone(),
            was: Arc::default(),
        };
        let mut rebuilt =
            self.rebuild_under(lock, self.read(), selection, options, writer, programs, &|event| {
                if matches!(event, Event::Told(_)) {
                    events(event);
                }
            })?;
        if afar.is_left {
            rebuilt.outcome.ended.get_or_insert(Ending::Asked);
        }
        if let Some(folder) = folder.filter(|_| !afar.is_out)
            && rebuilt.outcome.ended.as_ref().is_none_or(|ended| *ended == Ending::Asked)
        {
            // A run whose tasks all came to their end is closed already.
            match folder.close() {
                Err(error)
                    if Folder::all(&rebuilt.status.store).iter().any(|f| f.name() == folder.name()) =>
                {
                    return Err(error.into());
                }
                _ => {}
            }
        }
        if let Some(place) = &afar.full {
            rebuilt.outcome.ended.get_or_insert(Ending::Full(place.clone()));
        }
        afar.at_work = std::mem::take(&mut rebuilt.tasks);
        rebuilt.afar = Some(afar);
        Ok(rebuilt)
    }

    /// Plans a run and writes it down; none where nothing is to be made.
    fn write_run(
        &self,
        declared: Declared,
        selection: &Selection,
        asked: &Asked,
        writer: &Writer,
        cluster: &Cluster,
        events: &(dyn Fn(Event) + Sync),
    ) -> Result<Option<Own>, ProjectError> {
        let bounds = asking::patiently(events, asking::SLOW, || cluster.bounds()).map_err(told)?;
        self.finish_taking(writer)?;
        let reading = |done, of| events(Event::Reading(done, of));
        let status = self.status_of(declared, self.recall(Care::Write), Care::Write, &reading)?;
        let slurm = status.declared.film.as_ref().and_then(|film| film.slurm.clone()).unwrap_or_default();
        let parts = self.parted(&status, selection, asked.again, &slurm, bounds);
        if parts.parts.is_empty() {
            return Ok(None);
        }
        let graph = &status.declared.graph;
        let run = writing::run_of(&self.folder, graph, &parts, &slurm, asked, writer);
        writing::of_pools(graph, &parts, &slurm).into_iter().for_each(|words| events(Event::Told(words)));
        let of = writing::parts_of(graph, &parts);
        let name =
            jiff::Timestamp::now().strftime("%Y%m%dT%H%M%S").to_string() + &format!("-{}", writer.process);
        let script = writing::script(&self.folder, &name, &asked.program)?;
        let folder = Folder::make(&status.store, &name, &run, &of, &script)?;
        Ok(Some(Own { folder, run, parts: of }))
    }

    /// The work of a selection in parts.
    pub fn parted(
        &self,
        status: &Status,
        selection: &Selection,
        again: bool,
        slurm: &Slurm,
        bounds: Bounds,
    ) -> Parts {
        let graph = &status.declared.graph;
        // Nothing is submitted while a run is out.
        let plan = self.plan(status, selection, again, &[]);
        let mut due = plan.elsewhere(graph, &status.report, again);
        // What lies in the store already is put in place by whoever gathers.
        for (&id, frames) in &mut due {
            let strip = &status.report.strips[id];
            *frames = frames.iter().filter(|n| !strip.get(*n).is_some_and(|cell| cell.restorable)).collect();
        }
        due.retain(|_, frames| !frames.is_empty());
        let costs = sizing::costs(graph, &status.ledger.0, &sizing::slower(&status.store));
        within(graph, &due, &|id| costs[id], slurm, bounds, sizing::startup(&status.store))
    }
}

/// Time since a moment in seconds since 1970; none where that is not known, or lies ahead.
fn since(began: i64) -> Duration {
    let seconds = if began == 0 { 0 } else { jiff::Timestamp::now().as_second().saturating_sub(began) };
    Duration::from_secs(u64::try_from(seconds).unwrap_or(0))
}
