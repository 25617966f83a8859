//! Asking Slurm how a run's tasks are while the run is followed: an answer may take long, and nothing waits for it.
//!
//! Knows how often it is asked and what is told of its answers. Does not know what they mean for a part.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::mpsc;
use std::thread::{Scope, ScopedJoinHandle};
use std::time::{Duration, Instant};

use super::fates;
use super::following::Following;
use super::runs::place;
use crate::events::Event;
use crate::execute::slurm::record::Folder;
use crate::execute::slurm::{Cluster, Task, Trouble};
use crate::report::words;

/// How often Slurm is asked at most. Where it takes long to answer it is asked less often.
const ASK: Duration = Duration::from_millis(900);
const SPARE: u32 = 20;
/// How long it is left alone at most, after an answer that took long and after none.
const SELDOM: Duration = Duration::from_secs(60);
const AGAIN: Duration = Duration::from_secs(10);

/// How long an answer that has to be waited for may take before that is told.
pub(super) const SLOW: Duration = Duration::from_secs(5);

/// What `ask` gives, which asks Slurm; tells that it is waited for where it takes long.
pub(super) fn patiently<T: Send>(
    events: &(dyn Fn(Event) + Sync),
    slow: Duration,
    ask: impl FnOnce() -> T + Send,
) -> T {
    std::thread::scope(|scope| {
        // Nothing is ever sent: it closes as the answer is there.
        let (open, closed) = mpsc::channel::<()>();
        let asking = scope.spawn(move || {
            let _open = open;
            ask()
        });
        if closed.recv_timeout(slow) == Err(mpsc::RecvTimeoutError::Timeout) {
            let words = "Slurm takes long to answer; it is waited for, for 2 minutes at most";
            events(Event::Told(words.into()));
        }
        asking.join().unwrap_or_else(|broke| std::panic::resume_unwind(broke))
    })
}

/// What Slurm answered.
pub(super) struct Answer {
    /// The tasks that its controller knows.
    tasks: Result<Vec<Task>, Trouble>,
    /// Those that its accounting keeps, where that was asked for too.
    past: Option<Result<Vec<Task>, Trouble>>,
    took: Duration,
}

/// The question under way, and when the next one is due.
#[derive(Default)]
pub(super) struct Answers<'s> {
    asked: Option<ScopedJoinHandle<'s, Answer>>,
    next: Option<Instant>,
}

impl<'s> Answers<'s> {
    /// The answer, once it is there.
    pub fn come(&mut self) -> Option<Answer> {
        // A thread that broke is asked once more like one that was answered by nobody.
        let answer = self.asked.take_if(|asked| asked.is_finished())?.join().ok();
        let pause = answer.as_ref().map_or(AGAIN, |answer| rest(answer.took, answer.tasks.is_ok()));
        self.next = Some(Instant::now() + pause);
        answer
    }

    /// Whether it is to be asked.
    pub fn are_due(&self) -> bool {
        self.asked.is_none() && self.next.is_none_or(|next| Instant::now() >= next)
    }

    /// Asks after the tasks of a run, in a thread beside; with `past`, its accounting too.
    pub fn ask<'c: 's>(
        &mut self,
        scope: &'s Scope<'s, '_>,
        cluster: &'c Cluster,
        folder: &Folder,
        past: bool,
    ) {
        let (name, jobs) = (folder.job_name(), folder.jobs());
        self.asked = Some(scope.spawn(move || {
            let began = Instant::now();
            let tasks = cluster.tasks(&name);
            let past = past.then(|| cluster.past(&name, &jobs));
            Answer { tasks, past, took: began.elapsed() }
        }));
    }
}

impl Following<'_> {
    /// The tasks as Slurm has them; none while it does not answer, which is told once.
    pub(super) fn take_answer(&mut self, answer: Answer) -> Option<BTreeMap<usize, Task>> {
        let part = |task: &Task| {
            let array = self.run.arrays.get(task.array)?;
            task.index.filter(|index| *index < array.count).map(|index| array.first + index)
        };
        if let Some(told) = answer.past.and_then(|past| self.accounting.take(past, part, Instant::now())) {
            (self.events)(Event::Told(told));
        }
        match answer.tasks {
            Ok(tasks) => {
                if std::mem::take(&mut self.is_away) {
                    (self.events)(Event::Told("Slurm's controller answers again".into()));
                }
                self.tell_waits(&tasks);
                let tasks = tasks.into_iter().filter_map(|task| Some((part(&task)?, task))).collect();
                self.tell_begun_again(&tasks);
                Some(tasks)
            }
            Err(trouble) => {
                if !std::mem::replace(&mut self.is_away, true) {
                    let words = format!(
                        "{trouble}; what runs goes on, and it is asked again every {} s (`scontrol ping` says how it is)",
                        AGAIN.as_secs()
                    );
                    (self.events)(Event::Told(words));
                }
                None
            }
        }
    }

    /// Tells why tasks wait, once a change.
    fn tell_waits(&mut self, tasks: &[Task]) {
        let waits = fates::waits(tasks.iter());
        let reasons: BTreeSet<String> = waits.keys().cloned().collect();
        // What only asks for patience comes and goes with every task that begins.
        if !reasons.is_empty() && reasons != self.waits {
            let new = waits.into_iter().filter(|(reason, _)| !self.waits.contains(reason));
            new.for_each(|(_, words)| (self.events)(Event::Told(words)));
            self.waits = reasons;
        }
    }

    /// Tells of tasks that were at work and wait again, or are at work elsewhere: their machines were lost, most often.
    fn tell_begun_again(&mut self, tasks: &BTreeMap<usize, Task>) {
        for (node, parts) in fates::begun_again(&mut self.seen, tasks) {
            let first = place(&self.makes[parts[0]]);
            let more = match parts.len() - 1 {
                0 => String::new(),
                more => format!(" and {} more", words::count(more as u64, "part")),
            };
            (self.events)(Event::Told(format!(
                "{first}{more}: begun again by Slurm, as {node} was lost or gave it up; it goes on from what was written"
            )));
        }
    }
}

/// How long Slurm is left alone after it was asked, which took so long.
fn rest(took: Duration, is_answered: bool) -> Duration {
    (took * SPARE).max(ASK).min(if is_answered { SELDOM } else { AGAIN })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_that_takes_long_is_told_to_be_waited_for() {
        let told = std::sync::Mutex::new(Vec::new());
        let events = |event| match event {
            Event::Told(words) => told.lock().unwrap().push(words),
            _ => panic!("only words"),
        };
        assert_eq!(patiently(&events, Duration::MAX, || 17), 17);
        assert!(told.lock().unwrap().is_empty());
        // The answer comes once it is told.
        let answer = || {
            while told.lock().unwrap().is_empty() {
                std::thread::yield_now();
            }
            18
        };
        assert_eq!(patiently(&events, Duration::from_millis(1), answer), 18);
        assert!(told.lock().unwrap()[0].contains("waited for"));
    }

    #[test]
    fn slurm_is_asked_again_soon_after_it_did_not_answer() {
        assert_eq!(rest(Duration::from_secs(120), false), AGAIN);
        assert_eq!(rest(Duration::from_secs(120), true), SELDOM);
        assert_eq!(rest(Duration::from_millis(1), true), ASK);
        assert_eq!(rest(Duration::from_millis(200), true), Duration::from_secs(4));
    }
}
