//! Handing a run's arrays over to Slurm, and taking back what cannot be handed over as a whole.
//!
//! Knows that whoever submitted before may have ended between a submission and its note. Plans and follows nothing.

use std::time::{Duration, Instant};

use super::refusals::{self, Keys};
use super::runs::Own;
use super::{Afar, fates, writing};
use crate::events::Event;
use crate::execute::slurm::record::Folder;
use crate::execute::slurm::{Cluster, Submission, Trouble};
use crate::project::{Project, ProjectError};
use crate::report::words;

/// How long Slurm may take to look at what was submitted before it is left to it.
const JUDGED: Duration = Duration::from_secs(3);

impl Project {
    /// Submits the arrays of a run that were not, under the numbers of those that were.
    pub(super) fn submit(
        &self,
        Own { folder, run, .. }: &Own,
        cluster: &Cluster,
        keys: &Keys,
        events: &(dyn Fn(Event) + Sync),
        afar: &mut Afar,
    ) -> Result<(), ProjectError> {
        let mut jobs = folder.jobs();
        let count = run.arrays.len();
        if afar.found {
            match cluster.tasks(&folder.job_name()) {
                // Whoever submitted may have ended between a submission and its note, and a note may be wrong.
                Ok(tasks) => {
                    for task in tasks {
                        if jobs.insert(task.array, task.job) != Some(task.job) {
                            folder.submitted(task.array, task.job)?;
                        }
                    }
                }
                // It is followed all the same.
                Err(Trouble::Away(_)) if jobs.len() >= count => {}
                Err(trouble) => return Err(told(trouble)),
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
                at_once: array.at_once,
            };
            match cluster.submit(&submission, &self.folder, &folder.script(), &folder.log_of(number)) {
                Ok(job) => {
                    folder.submitted(number, job)?;
                    jobs.insert(number, job);
                }
                Err(trouble) => return Err(undo(folder, cluster, jobs.len(), trouble, keys)),
            }
        }
        afar.run = folder.name();
        afar.jobs = jobs.values().copied().collect();
        afar.tasks = run.parts();
        afar.waves = writing::depth(&run.arrays);
        if !afar.found {
            events(Event::Told(format!(
                "submitted to Slurm: {} in {} of {}",
                words::count(run.frames as u64, "frame"),
                words::count(afar.tasks as u64, "task"),
                words::count(count as u64, "job")
            )));
        }
        Ok(())
    }
}

/// Tells why tasks of a run wait that nobody follows, once Slurm has looked at them.
pub(super) fn tell_waits(name: &str, cluster: &Cluster, events: &(dyn Fn(Event) + Sync)) {
    let began = Instant::now();
    while let Ok(tasks) = cluster.glance(name) {
        if tasks.iter().any(fates::is_to_be_judged) && began.elapsed() < JUDGED {
            std::thread::sleep(JUDGED / 6);
            continue;
        }
        fates::waits_unfollowed(&tasks).into_iter().for_each(|words| events(Event::Told(words)));
        return;
    }
}

/// Takes back a run that could not be submitted as a whole, of which so many jobs were.
fn undo(folder: &Folder, cluster: &Cluster, submitted: usize, trouble: Trouble, keys: &Keys) -> ProjectError {
    let name = folder.job_name();
    if matches!(trouble, Trouble::Away(_)) && submitted > 0 {
        return ProjectError::System(format!(
            "{trouble}; {submitted} of the run's jobs were submitted and go on; once it answers, `endboard rebuild --on slurm` submits the \
             others, and `scancel --name={name}` cancels them"
        ));
    }
    let cancelled = match submitted {
        0 => Ok(()),
        _ => cluster.cancel(&name),
    };
    if let Err(error) = cancelled {
        return ProjectError::System(format!(
            "{trouble}; what was submitted before could not be cancelled ({error}): `scancel --name={name}` does"
        ));
    }
    // What its first tasks may have made lies in the store; nothing else is lost with the folder.
    if let Err(error) = folder.close() {
        tracing::warn!(%error, "the run's folder could not be removed");
    }
    match &trouble {
        Trouble::Refused { words, .. } => {
            ProjectError::Cannot(format!("{trouble}; {}", refusals::way(words, keys)))
        }
        _ => told(trouble),
    }
}

/// What is told of Slurm's refusals: where to look, and a way on.
pub(super) fn told(trouble: Trouble) -> ProjectError {
    match &trouble {
        Trouble::Refused { .. } => {
            ProjectError::Cannot(format!("{trouble}; see 'slurm' in the declaration, and what `sinfo` shows"))
        }
        Trouble::Lacking(_) | Trouble::Unnamed(_) => ProjectError::Cannot(trouble.to_string()),
        Trouble::Away(_) => ProjectError::System(format!(
            "{trouble}; `scontrol ping` says whether it is up; try again once it is, or render here, without '--on slurm'"
        )),
    }
}
