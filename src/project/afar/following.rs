//! Following a run on Slurm: what its tasks say, what Slurm says of them, until all are over.
//!
//! Knows when a part is over and what is to be said of one that went wrong. Makes nothing and gathers nothing.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::base::frames::FrameSet;
use crate::events::{Event, How};
use crate::execute::slurm::record::{Attempt, End, Folder, PartOf, Run, Said};
use crate::execute::slurm::{Cluster, Task, Trouble};
use crate::programs::Halt;
use crate::project::ProjectError;

/// How often the shared disk is looked at.
const LOOK: Duration = Duration::from_millis(300);
/// How often Slurm is asked at most. Where it takes long to answer it is asked less often.
const ASK: Duration = Duration::from_millis(900);
const SPARE: u32 = 20;
/// How long a task may be over and the shared disk not show its end.
const LATE: Duration = Duration::from_secs(10);
/// How long cancelled tasks are waited for.
const CANCELLING: Duration = Duration::from_secs(60);

/// What to do for a task that ran out of memory.
const MEMORY: &str = "it ran out of memory; ask for more with 'memory' in 'slurm', then rebuild again";

/// How following came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Followed {
    /// All tasks are over.
    Over,
    /// It was asked to end, and what it had submitted was cancelled.
    Cancelled,
    /// This process has to go; the tasks go on.
    Left,
}

/// One part as followed.
#[derive(Default)]
struct Part {
    /// What is known of it is all there will be.
    is_over: bool,
    trouble: Option<String>,
    /// Since when Slurm had it over and no end was seen.
    missed: Option<Instant>,
    /// How far what its attempts say was read.
    read: HashMap<usize, u64>,
    node: String,
}

/// Follows one run.
pub struct Following<'f> {
    folder: &'f Folder,
    run: &'f Run,
    cluster: &'f Cluster,
    events: &'f (dyn Fn(Event) + Sync),
    /// What each part makes, by array.
    made: Vec<PartOf>,
    parts: Vec<Part>,
    counted: HashMap<(String, String), FrameSet>,
    /// Since when Slurm did not answer.
    is_away: bool,
}

impl<'f> Following<'f> {
    /// Of a run that was submitted.
    ///
    /// # Errors
    /// Its parts cannot be read.
    pub fn new(
        folder: &'f Folder,
        run: &'f Run,
        cluster: &'f Cluster,
        events: &'f (dyn Fn(Event) + Sync),
    ) -> Result<Self, ProjectError> {
        let mut made = Vec::new();
        for array in 0..run.arrays.len() {
            made.extend(folder.parts(array).map_err(ProjectError::System)?);
        }
        let parts = made.iter().map(|_| Part::default()).collect();
        Ok(Self { folder, run, cluster, events, made, parts, counted: HashMap::new(), is_away: false })
    }

    /// Follows it to its end, or until this process is asked to end.
    pub fn follow(&mut self, halt: &Halt) -> Followed {
        (self.events)(Event::Began(self.run.frames));
        let (mut asked, mut pause) = (None::<Instant>, Duration::ZERO);
        loop {
            let ends = self.look();
            if asked.is_none_or(|at| at.elapsed() >= pause) {
                let began = Instant::now();
                let tasks = self.ask();
                pause = (began.elapsed() * SPARE).max(ASK);
                asked = Some(Instant::now());
                if let Some(tasks) = tasks {
                    self.judge(&tasks, &ends);
                }
            }
            if self.parts.iter().all(|part| part.is_over) {
                return Followed::Over;
            }
            let began = Instant::now();
            while began.elapsed() < LOOK {
                if halt.is_hurried() {
                    return Followed::Left;
                }
                if halt.is_asked() {
                    self.cancel(halt);
                    return Followed::Cancelled;
                }
                std::thread::sleep(LOOK / 6);
            }
        }
    }

    /// What went wrong, part by part, once each.
    pub fn troubles(&self) -> Vec<String> {
        let troubles = self.parts.iter().filter_map(|part| part.trouble.clone());
        troubles.collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// Looks at what tasks have written; gives the last end of each part.
    fn look(&mut self) -> HashMap<usize, End> {
        let mut ends = HashMap::new();
        for attempt in self.folder.attempts() {
            let Some(part) = self.parts.get_mut(attempt.part) else { continue };
            if part.is_over {
                continue;
            }
            // First whether it has ended, so that what it said before is all read.
            let end = attempt.end();
            let at = part.read.entry(attempt.number).or_default();
            let said = attempt.said(at);
            if let Some(end) = end {
                part.node.clone_from(&end.node);
                ends.insert(attempt.part, end);
            }
            self.tell(said, &attempt);
        }
        ends
    }

    fn tell(&mut self, said: Vec<Said>, _attempt: &Attempt) {
        for said in said {
            let counted = self.counted.entry((said.shot.clone(), said.stage.clone())).or_default();
            if counted.contains(said.frame) {
                continue;
            }
            counted.insert(said.frame);
            let how = match said.how.as_str() {
                "rendered" => How::Rendered,
                "alike" => How::Alike,
                "restored" => How::Restored,
                "shared" => How::Shared,
                "same" => How::Same,
                "blocked" => How::Blocked,
                _ => How::Failed(said.reason.unwrap_or_default()),
            };
            let (shot, stage) = (Arc::from(said.shot), Arc::from(said.stage));
            (self.events)(Event::Frame { shot, stage, frame: said.frame, how });
        }
    }

    /// The tasks as Slurm has them; none while it does not answer, which is told once.
    fn ask(&mut self) -> Option<BTreeMap<usize, Task>> {
        match self.cluster.tasks(&self.folder.job_name()) {
            Ok(tasks) => {
                if std::mem::take(&mut self.is_away) {
                    (self.events)(Event::Told("Slurm's controller answers again".into()));
                }
                let part = |task: &Task| {
                    let array = self.run.arrays.get(task.array)?;
                    task.index.filter(|index| *index < array.count).map(|index| array.first + index)
                };
                Some(tasks.into_iter().filter_map(|task| Some((part(&task)?, task))).collect())
            }
            Err(trouble) => {
                if !std::mem::replace(&mut self.is_away, true) {
                    let words = format!("{trouble}; what runs goes on, and it is asked again and again");
                    (self.events)(Event::Told(words));
                }
                None
            }
        }
    }

    /// Finds which parts are over.
    fn judge(&mut self, tasks: &BTreeMap<usize, Task>, ends: &HashMap<usize, End>) {
        for number in 0..self.parts.len() {
            if self.parts[number].is_over {
                continue;
            }
            let task = tasks.get(&number);
            let state = task.filter(|task| task.is_over()).map(|task| task.state.as_str());
            if let Some(end) = ends.get(&number) {
                // A task that was ended from outside may have had the time to say so itself; why, Slurm says.
                let why = match (&end.refused, &end.ended, state) {
                    (Some(words), ..) => Some(words.clone()),
                    (None, Some(_), None) if task.is_some() => continue,
                    (None, Some(words), None) => Some(format!("it ended early: {words}")),
                    (None, Some(_), Some(state)) => Some(self.fate(number, state, task)),
                    (None, None, _) => None,
                };
                self.close(number, why.map(|words| (words, end.node.clone())));
                continue;
            }
            if task.is_some_and(|task| !task.is_over()) {
                self.parts[number].missed = None;
                continue;
            }
            // It is over, or forgotten; the disk may show its end a little later.
            let since = *self.parts[number].missed.get_or_insert_with(Instant::now);
            let is_told = state.is_some_and(|state| state != "COMPLETED");
            if is_told || since.elapsed() > LATE {
                let node = task.map(|task| task.node.clone()).unwrap_or_default();
                let words = match state {
                    Some(state) => self.fate(number, state, task),
                    None => "Slurm knows nothing of its task any more; rebuild again".to_string(),
                };
                self.close(number, Some((words, node)));
            }
        }
    }

    fn close(&mut self, number: usize, why: Option<(String, String)>) {
        let log = self.log(number);
        let part = &mut self.parts[number];
        part.is_over = true;
        part.trouble = why.map(|(words, node)| {
            let node = if node.is_empty() { String::new() } else { format!(" on {node}") };
            format!("{}{node}: {words} (log: {log})", place(&self.made[number]))
        });
    }

    /// The array of a part, and its number there.
    fn place(&self, number: usize) -> (usize, usize) {
        let array = self.run.arrays.iter().position(|a| number < a.first + a.count).unwrap_or(0);
        (array, number - self.run.arrays[array].first)
    }

    fn log_end(&self, number: usize) -> String {
        let (array, index) = self.place(number);
        self.folder.log_end(array, index)
    }

    fn log(&self, number: usize) -> String {
        let (array, index) = self.place(number);
        format!(".endboard/logs/slurm-{}-{array}-{index}.log", self.folder.name())
    }

    /// What became of a task, and a way on.
    fn fate(&self, number: usize, state: &str, task: Option<&Task>) -> String {
        let reason = task.map(|task| task.reason.as_str()).filter(|r| !matches!(*r, "" | "None" | "(null)"));
        let reason = reason.map_or(String::new(), |reason| format!(", {reason}"));
        let words = match state {
            "CANCELLED" if reason.contains("Dependency") => {
                "what it needs did not come to its end; rebuild again once that is put right"
            }
            // Where no control group ends it Slurm itself does, calls that a failure, and says why in the log (`slurmstepd`, 22.05).
            "FAILED" if self.log_end(number).contains("exceeded memory limit") => MEMORY,
            "OUT_OF_MEMORY" => MEMORY,
            "TIMEOUT" => {
                "its time was up; allow more with 'time' in 'slurm', or shorter parts with 'frames', then rebuild again"
            }
            "CANCELLED" => "somebody cancelled it; rebuild again for what is left",
            "NODE_FAIL" | "BOOT_FAIL" => "its machine failed; rebuild again for what is left",
            "PREEMPTED" | "REVOKED" => "other work took its place; rebuild again for what is left",
            "DEADLINE" => "Slurm's deadline for it passed; rebuild again",
            "COMPLETED" => {
                "it is said to be over, and the shared disk does not show what it did; rebuild again"
            }
            _ => "it failed; its log says why",
        };
        format!("{words} ({state}{reason})")
    }

    /// Cancels what was submitted, and waits until nothing of it runs.
    fn cancel(&mut self, halt: &Halt) {
        let jobs: Vec<u64> = self.folder.jobs().into_values().collect();
        (self.events)(Event::Told(format!(
            "cancelling what was submitted to Slurm: {} of {} parts are not over",
            self.parts.iter().filter(|part| !part.is_over).count(),
            self.parts.len()
        )));
        if let Err(trouble) = self.cluster.cancel(&jobs) {
            let list: Vec<String> = jobs.iter().map(u64::to_string).collect();
            let words = format!("{trouble}; cancel it by hand: scancel {}", list.join(" "));
            (self.events)(Event::Told(words));
            return;
        }
        let began = Instant::now();
        while began.elapsed() < CANCELLING && !halt.is_hurried() {
            self.look();
            match self.cluster.tasks(&self.folder.job_name()) {
                Ok(tasks) if tasks.iter().all(Task::is_over) => return,
                Ok(_) | Err(Trouble::Away(_)) => std::thread::sleep(LOOK),
                Err(_) => return,
            }
        }
    }
}

/// `br010/blades@1001-1008 and 3 more stages`.
fn place(part: &PartOf) -> String {
    let Some((shot, stage, frames, _)) = part.targets.first() else { return "nothing".into() };
    match part.targets.len() - 1 {
        0 => format!("{shot}/{stage}@{frames}"),
        1 => format!("{shot}/{stage}@{frames} and 1 more stage"),
        more => format!("{shot}/{stage}@{frames} and {more} more stages"),
    }
}
