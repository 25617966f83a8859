//! Rebuilding on a Slurm cluster: the plan is parted, submitted, followed, and what came of it put in place.
//!
//! Knows the order of these steps and what a run that is already out means. How parts are cut `plan` knows, what Slurm is
//! told `execute::slurm`.

mod following;
mod gathering;
mod part;
mod sizing;
mod writing;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

pub use self::following::Followed;
pub use self::gathering::{Gathered, Tasks};
pub use self::part::{Came, Opens, Task};
pub use self::sizing::within;
use super::rebuild::{Rebuilt, Writer};
use super::{Care, Declared, Project, ProjectError, Status};
use crate::base::selector::Selection;
use crate::declare::slurm::Slurm;
use crate::events::Event;
use crate::execute::slurm::record::{Folder, Run};
use crate::execute::slurm::{Bounds, Cluster, Submission, Trouble};
use crate::execute::{Ending, Options, Way};
use crate::plan::parts::Parts;
use crate::programs::{Halt, Runner};
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
    /// Whether it still goes on.
    pub is_out: bool,
    /// How it ended.
    pub cancelled: bool,
    /// How long its tasks were at work, as far as they came to their end.
    pub at_work: Tasks,
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
        let store = crate::store::Store::at(&self.folder)?;
        let mut folder = Folder::all(&store).into_iter().next();
        let mut selection = selection.clone();
        let mut before = Duration::ZERO;
        if let Some(folder) = &folder {
            afar.found = true;
            let run = folder.run().map_err(ProjectError::System)?;
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
            folder = self.write_run(declared, &selection, asked, writer, &cluster, events)?;
        }
        if let Some(folder) = &folder {
            let run = self.submit(folder, &cluster, events, &mut afar)?;
            if asked.leave {
                afar.is_out = true;
            } else {
                let mut following = following::Following::new(folder, &run, &cluster, events)?;
                match following.follow(halt) {
                    Followed::Over => {}
                    Followed::Cancelled => afar.cancelled = true,
                    Followed::Left => afar.is_out = true,
                }
                afar.troubles = following.troubles();
            }
        }
        let mut rebuilt = self.settle_run(&lock, &selection, asked, folder, afar, writer, events)?;
        rebuilt.elapsed = before + began.elapsed();
        Ok(rebuilt)
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
        };
        let mut rebuilt =
            self.rebuild_under(lock, self.read(), selection, options, writer, programs, &|event| {
                if matches!(event, Event::Told(_)) {
                    events(event);
                }
            })?;
        if afar.cancelled {
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
    ) -> Result<Option<Folder>, ProjectError> {
        let bounds = cluster.bounds().map_err(told)?;
        self.finish_taking(writer)?;
        let reading = |done, of| events(Event::Reading(done, of));
        let status = self.status_of(declared, self.recall(Care::Write), Care::Write, &reading)?;
        let slurm = status.declared.film.as_ref().and_then(|film| film.slurm.clone()).unwrap_or_default();
        let parts = self.parted(&status, selection, asked.again, &slurm, bounds);
        if parts.parts.is_empty() {
            return Ok(None);
        }
        let graph = &status.declared.graph;
        let run = writing::run_of(graph, &parts, &slurm, asked, writer);
        let of = writing::parts_of(graph, &parts);
        let name =
            jiff::Timestamp::now().strftime("%Y%m%dT%H%M%S").to_string() + &format!("-{}", writer.process);
        let script = writing::script(&self.folder, &name, &asked.program)?;
        Ok(Some(Folder::make(&status.store, &name, &run, &of, &script)?))
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
        let plan = self.plan(status, selection, again);
        let mut due = plan.elsewhere(graph, &status.report, again);
        // What lies in the store already is put in place by whoever gathers.
        for (&id, frames) in &mut due {
            let strip = &status.report.strips[id];
            *frames = frames.iter().filter(|n| !strip.get(*n).is_some_and(|cell| cell.restorable)).collect();
        }
        due.retain(|_, frames| !frames.is_empty());
        let costs = sizing::costs(graph, &status.ledger.0);
        within(graph, &due, &|id| costs[id], slurm, bounds, gathering::startup(&status.store))
    }

    /// Submits the arrays of a run that were not, under the numbers of those that were. Gives the run.
    fn submit(
        &self,
        folder: &Folder,
        cluster: &Cluster,
        events: &(dyn Fn(Event) + Sync),
        afar: &mut Afar,
    ) -> Result<Run, ProjectError> {
        let run = folder.run().map_err(ProjectError::System)?;
        let mut jobs = folder.jobs();
        let count = run.arrays.len();
        if jobs.len() < count && afar.found {
            // Whoever submitted may have ended between a submission and its note.
            for task in cluster.tasks(&folder.job_name()).map_err(told)? {
                if let std::collections::btree_map::Entry::Vacant(place) = jobs.entry(task.array) {
                    folder.submitted(task.array, task.job)?;
                    place.insert(task.job);
                }
            }
        }
        for (number, array) in run.arrays.iter().enumerate() {
            if jobs.contains_key(&number) {
                continue;
            }
            let of = |arrays: &[usize]| arrays.iter().filter_map(|of| jobs.get(of).copied()).collect();
            let submission = Submission {
                name: folder.job_name(),
                number,
                tasks: array.count,
                after: of(&array.after),
                beside: of(&array.beside),
                asks: array.asks.clone(),
            };
            let log = self.folder.join(format!(".endboard/logs/slurm-{}-{number}-%a.log", folder.name()));
            match cluster.submit(&submission, &self.folder, &folder.script(), &log) {
                Ok(job) => {
                    folder.submitted(number, job)?;
                    jobs.insert(number, job);
                }
                Err(trouble) => return Err(self.undo(folder, cluster, &jobs, trouble)),
            }
        }
        afar.run = folder.name();
        afar.jobs = jobs.values().copied().collect();
        afar.tasks = run.arrays.iter().map(|array| array.count).sum();
        afar.waves = writing::depth(&run.arrays);
        if !afar.found {
            events(Event::Told(format!(
                "submitted to Slurm: {} frames in {} tasks of {} jobs",
                run.frames, afar.tasks, count
            )));
        }
        Ok(run)
    }

    /// Takes back a run that could not be submitted as a whole.
    fn undo(
        &self,
        folder: &Folder,
        cluster: &Cluster,
        jobs: &BTreeMap<usize, u64>,
        trouble: Trouble,
    ) -> ProjectError {
        let jobs: Vec<u64> = jobs.values().copied().collect();
        if matches!(trouble, Trouble::Away(_)) && !jobs.is_empty() {
            return ProjectError::System(format!(
                "{trouble}; {} of the run's jobs were submitted and go on; `endboard rebuild --on slurm` submits the others",
                jobs.len()
            ));
        }
        if let Err(error) = cluster.cancel(&jobs) {
            tracing::warn!(%error, "what was submitted could not be cancelled");
        }
        // What its first tasks may have made lies in the store; nothing else is lost with the folder.
        if let Err(error) = folder.close() {
            tracing::warn!(%error, "the run's folder could not be removed");
        }
        told(trouble)
    }
}

/// Time since a moment in seconds since 1970; none where that is not known, or lies ahead.
fn since(began: i64) -> Duration {
    let seconds = if began == 0 { 0 } else { jiff::Timestamp::now().as_second().saturating_sub(began) };
    Duration::from_secs(u64::try_from(seconds).unwrap_or(0))
}

fn told(trouble: Trouble) -> ProjectError {
    ProjectError::System(match &trouble {
        Trouble::Refused { .. } => {
            format!("{trouble}; see 'slurm' in the declaration, and what `sinfo` shows")
        }
        Trouble::Lacking(_) | Trouble::Away(_) => trouble.to_string(),
    })
}
