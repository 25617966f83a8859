//! Following a run on Slurm: what its tasks say, what Slurm says of them, until all are over.
//!
//! Knows when a part is over and what is to be said of one that went wrong. Makes nothing and gathers nothing.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;
use std::thread::Scope;
use std::time::{Duration, Instant};

use super::asking::Answers;
use super::fates::{self, Log};
use super::forgotten::{Accounting, Says};
use super::runs::Own;
use super::sizing::Pace;
use super::troubles::{self, Trouble};
use crate::base::frames::FrameSet;
use crate::events::{Event, How};
use crate::execute::slurm::record::{End, Folder, PartOf, Run, Said};
use crate::execute::slurm::{Cluster, Task};
use crate::programs::Halt;
use crate::project::past::LOGS;
use crate::store::room;

/// How often the shared disk is looked at.
pub(super) const LOOK: Duration = Duration::from_millis(300);
/// How long a task may be over and the shared disk not show its end.
const LATE: Duration = Duration::from_secs(10);
/// Room that a task needs before it can say anything, in bytes.
const SAYS: u64 = 1 << 20;

/// How following came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Followed {
    /// All tasks are over.
    Over,
    /// It was asked to end, and what it had submitted was cancelled.
    Cancelled,
    /// This process has to go, and tasks go on, or may.
    Left,
}

/// One part as followed.
#[derive(Default)]
struct Part {
    /// What is known of it is all there will be.
    is_over: bool,
    trouble: Option<Trouble>,
    /// Since when Slurm had it over and no end was seen.
    missed: Option<Instant>,
    /// How far what its attempts say was read.
    read: HashMap<usize, u64>,
    node: String,
}

/// What is to be had of a task that Slurm's controller has forgotten.
enum Forgotten {
    /// Words, with a way on.
    Known(String),
    /// It is asked for.
    Asked,
    Unknown,
}

/// What is said where nothing tells what became of a task.
pub(super) const UNKNOWN: &str = "why is not known; rebuild again for what is left";

/// Follows one run.
pub struct Following<'f> {
    own: &'f Own,
    pub(super) folder: &'f Folder,
    pub(super) run: &'f Run,
    pub(super) cluster: &'f Cluster,
    /// The same, for questions whose answers need not be waited for.
    asked: &'f Cluster,
    pub(super) events: &'f (dyn Fn(Event) + Sync),
    /// What each part makes.
    pub(super) makes: &'f [PartOf],
    parts: Vec<Part>,
    counted: HashMap<(String, String), FrameSet>,
    /// Frames that tasks made, put back or found the same.
    made: HashMap<(String, String), FrameSet>,
    /// Machines that tasks were seen at work on, by part.
    pub(super) seen: HashMap<usize, String>,
    /// Reasons to wait that Slurm gave last.
    pub(super) waits: BTreeSet<String>,
    /// Parts whose time was up.
    late: BTreeSet<usize>,
    /// Where the disk is full, where tasks ended for that.
    full: Option<String>,
    /// Since when Slurm did not answer.
    pub(super) is_away: bool,
    /// What Slurm's accounting has of tasks that the controller forgot.
    pub(super) accounting: Accounting,
    /// What is to be said of cancelling it.
    pub(super) said: Option<String>,
}

impl<'f> Following<'f> {
    /// Of a run that was submitted.
    pub fn new(
        own: &'f Own,
        cluster: &'f Cluster,
        asked: &'f Cluster,
        events: &'f (dyn Fn(Event) + Sync),
    ) -> Self {
        Self {
            own,
            folder: &own.folder,
            run: &own.run,
            cluster,
            asked,
            events,
            makes: &own.parts,
            parts: own.parts.iter().map(|_| Part::default()).collect(),
            counted: HashMap::new(),
            made: HashMap::new(),
            seen: HashMap::new(),
            waits: BTreeSet::new(),
            late: BTreeSet::new(),
            full: None,
            is_away: false,
            accounting: Accounting::default(),
            said: None,
        }
    }

    /// Follows it to its end, or until this process is asked to end.
    pub fn follow(&mut self, halt: &Halt) -> Followed {
        (self.events)(Event::Began(self.run.frames));
        let followed = std::thread::scope(|scope| {
            let followed = self.follow_beside(scope, halt);
            // Nobody waits for its answer any more.
            self.asked.stop();
            followed
        });
        followed.unwrap_or_else(|| self.cancel(halt))
    }

    /// Follows it while Slurm is asked beside, for it may take long to answer. Gives nothing where the run is to be cancelled.
    fn follow_beside<'s>(&mut self, scope: &'s Scope<'s, '_>, halt: &Halt) -> Option<Followed>
    where
        'f: 's,
    {
        let mut answers = Answers::default();
        loop {
            let ends = self.look();
            let tasks = answers.come().and_then(|answer| self.take_answer(answer));
            if answers.are_due() {
                answers.ask(scope, self.asked, self.folder, self.accounting.is_wanted());
            }
            self.judge(tasks.as_ref(), &ends);
            if self.parts.iter().all(|part| part.is_over) {
                return Some(Followed::Over);
            }
            let began = Instant::now();
            while began.elapsed() < LOOK {
                if halt.is_hurried() {
                    (self.events)(Event::Told(format!(
                        "run {} goes on on Slurm; `endboard rebuild --on slurm` follows it, and Ctrl-C there cancels it",
                        self.folder.name()
                    )));
                    return Some(Followed::Left);
                }
                if halt.is_asked() {
                    return None;
                }
                std::thread::sleep(LOOK / 6);
            }
        }
    }

    /// What went wrong, once for all parts with which the same did.
    pub fn troubles(&self) -> Vec<String> {
        let parts = self.parts.iter().zip(self.makes);
        let troubles = parts.filter_map(|(part, makes)| Some((makes, part.trouble.as_ref()?)));
        troubles::told(troubles).into_iter().chain(self.said.clone()).collect()
    }

    /// Where the disk is full, where tasks ended for that.
    pub fn full(&self) -> Option<String> {
        self.full.clone()
    }

    /// Frames that tasks made, put back or found the same, by shot and stage.
    pub fn made(&mut self) -> HashMap<(String, String), FrameSet> {
        std::mem::take(&mut self.made)
    }

    /// Stages whose parts' time was up, and stages all of whose parts ended well.
    pub fn pace(&self) -> Pace {
        let of = |is: &dyn Fn(usize) -> bool| -> BTreeSet<(String, String)> {
            let parts = self.makes.iter().enumerate().filter(|(number, _)| is(*number));
            parts
                .flat_map(|(_, part)| &part.targets)
                .map(|(shot, stage, ..)| (shot.clone(), stage.clone()))
                .collect()
        };
        let late = of(&|number| self.late.contains(&number));
        let mut well = of(&|number| self.parts[number].is_over && self.parts[number].trouble.is_none());
        well.retain(|stage| !late.contains(stage));
        Pace { late, well }
    }

    /// How many parts are not over, of how many: neither known to be, nor among those whose `ends` were just seen.
    pub(super) fn open(&self, ends: &HashMap<usize, End>) -> (usize, usize) {
        let parts = self.parts.iter().enumerate();
        let open = parts.filter(|(number, part)| !part.is_over && !ends.contains_key(number));
        (open.count(), self.parts.len())
    }

    /// Looks at what tasks have written; gives the last end of each part.
    pub(super) fn look(&mut self) -> HashMap<usize, End> {
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
            self.tell(said);
        }
        ends
    }

    fn tell(&mut self, said: Vec<Said>) {
        for said in said {
            if !matches!(said.how.as_str(), "failed" | "blocked") {
                self.made.entry((said.shot.clone(), said.stage.clone())).or_default().insert(said.frame);
            }
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

    /// Finds which parts are over. Those that say so themselves need no word of Slurm.
    fn judge(&mut self, tasks: Option<&BTreeMap<usize, Task>>, ends: &HashMap<usize, End>) {
        for number in 0..self.parts.len() {
            if self.parts[number].is_over {
                continue;
            }
            let task = tasks.and_then(|tasks| tasks.get(&number));
            let state = task.filter(|task| task.is_over()).map(|task| task.state.as_str());
            if let Some(end) = ends.get(&number) {
                // A task that was ended from outside may have had the time to say so itself; why, Slurm says.
                let why = match (&end.refused, &end.ended, state) {
                    (Some(words), ..) => Some(words.clone()),
                    (None, Some(_), _) if end.full.is_some() => {
                        end.full.as_deref().map(|disk| self.on_full(disk))
                    }
                    (None, Some(_), None) if task.is_some() || tasks.is_none() => continue,
                    (None, Some(words), None) => match self.forgotten(number) {
                        Forgotten::Asked => continue,
                        Forgotten::Known(words) => Some(words),
                        Forgotten::Unknown => Some(format!("it ended early: {words}; {UNKNOWN}")),
                    },
                    (None, Some(_), Some(state)) => Some(self.fate(number, state, task)),
                    (None, None, _) => None,
                };
                self.close(number, why.map(|words| (words, end.node.clone())));
                continue;
            }
            if tasks.is_none() {
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
                    None => match self.forgotten(number) {
                        Forgotten::Asked => continue,
                        Forgotten::Known(words) => words,
                        Forgotten::Unknown => format!("Slurm knows nothing of its task any more; {UNKNOWN}"),
                    },
                };
                self.close(number, Some((words, node)));
            }
        }
    }

    fn close(&mut self, number: usize, why: Option<(String, String)>) {
        let log = match self.log_end(number) {
            Some(_) => format!("log: {}", self.log(number)),
            None => "no log".to_string(),
        };
        self.accounting.leave(number);
        let part = &mut self.parts[number];
        part.is_over = true;
        part.trouble = why.map(|(words, node)| Trouble { words, node, log });
    }

    fn log_end(&self, number: usize) -> Option<String> {
        let (array, index) = self.own.place(number);
        self.folder.log_end(array, index)
    }

    fn log(&self, number: usize) -> String {
        let (array, index) = self.own.place(number);
        format!("{LOGS}/{}", self.folder.log_name(array, index))
    }

    /// What became of a task that Slurm's controller has forgotten: by what it printed, else by what Slurm's accounting keeps, where
    /// there is one.
    fn forgotten(&mut self, number: usize) -> Forgotten {
        if self.log_end(number).is_some_and(|log| fates::is_time_up(&log)) {
            return Forgotten::Known(self.fate(number, "TIMEOUT", None));
        }
        match self.accounting.of(number) {
            Says::Task(task) => {
                let task = task.clone();
                Forgotten::Known(self.fate(number, &task.state, Some(&task)))
            }
            Says::Nothing => Forgotten::Asked,
            Says::Unknown => Forgotten::Unknown,
        }
    }

    /// What became of a task, and a way on.
    fn fate(&mut self, number: usize, state: &str, task: Option<&Task>) -> String {
        if state == "TIMEOUT" {
            self.late.insert(number);
        }
        let end = self.log_end(number);
        let log = match end.as_deref().map(str::trim) {
            Some("") => Log::Nothing,
            Some(end) => Log::Says(end),
            None => Log::Lacking,
        };
        // One that could not even say so may have found no room on the disk that both are on.
        let is_silent = state == "FAILED" && !matches!(log, Log::Says(_));
        if let Some(error) = room::try_room(self.folder.path(), SAYS).err().filter(|_| is_silent) {
            return self.on_full(&error.to_string());
        }
        fates::fate(state, task.map_or("", |task| task.reason.as_str()), log)
    }

    fn on_full(&mut self, disk: &str) -> String {
        // All are on the same disk: told of the first place, it is told once.
        fates::full(self.full.get_or_insert_with(|| disk.to_string()))
    }
}
