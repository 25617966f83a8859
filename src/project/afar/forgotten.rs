//! What Slurm's accounting keeps of tasks that its controller has forgotten.
//!
//! Knows for whose sake it is to be asked, and that no answer is no word of a task: it is asked again, until patience ends. Asks nothing
//! itself.

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

use crate::execute::slurm::{Task, Trouble};

/// How long accounting may not answer before a task of which nobody else knows anything counts as one of which nothing is known.
const PATIENCE: Duration = Duration::from_secs(120);

/// What accounting says of a part.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Says<'t> {
    /// This.
    Task(&'t Task),
    /// Nothing yet: it is to be asked.
    Nothing,
    /// It does not know of it, or there is none.
    Unknown,
}

/// What it was asked and what it said.
#[derive(Debug, Default)]
pub(super) struct Accounting {
    /// What it has, by part.
    tasks: BTreeMap<usize, Task>,
    /// Parts for whose sake it is to be asked.
    wanted: BTreeSet<usize>,
    /// Parts of which it has said all that it knows.
    answered: BTreeSet<usize>,
    /// Since when it does not answer.
    silent: Option<Instant>,
}

impl Accounting {
    /// Whether it is to be asked with the next question. What came back as no answer leaves that as it is.
    pub fn is_wanted(&self) -> bool {
        !self.wanted.is_empty()
    }

    /// What it says of a part; makes it one for whose sake it is asked.
    pub fn of(&mut self, part: usize) -> Says<'_> {
        match self.tasks.get(&part) {
            Some(task) => Says::Task(task),
            None if self.answered.contains(&part) => Says::Unknown,
            None => {
                // While it was asked nothing, it could not answer: patience begins anew.
                if self.wanted.is_empty() {
                    self.silent = None;
                }
                self.wanted.insert(part);
                Says::Nothing
            }
        }
    }

    /// A part is over, whatever is known of it.
    pub fn leave(&mut self, part: usize) {
        self.wanted.remove(&part);
    }

    /// Takes an answer in, of which `part` tells the parts; gives what is to be told, once, of one that did not come.
    pub fn take(
        &mut self,
        answer: Result<Vec<Task>, Trouble>,
        part: impl Fn(&Task) -> Option<usize>,
        now: Instant,
    ) -> Option<String> {
        let mut told = None;
        match answer {
            Ok(tasks) => {
                self.tasks.extend(tasks.into_iter().filter_map(|task| Some((part(&task)?, task))));
                self.silent = None;
            }
            Err(Trouble::Away(words)) => {
                let since = *self.silent.get_or_insert_with(|| {
                    let minutes = PATIENCE.as_secs() / 60;
                    told = Some(format!(
                        "Slurm's accounting, which may know what became of tasks that its controller has forgotten, does not answer: \
                         {words}; it is asked again for {minutes} minutes"
                    ));
                    now
                });
                if now.duration_since(since) < PATIENCE {
                    return told;
                }
            }
            // There is none here.
            Err(_) => {}
        }
        self.answered.append(&mut self.wanted);
        told
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn task(index: usize) -> Task {
        let (state, node, reason) = ("TIMEOUT".into(), "n1".into(), String::new());
        Task { job: 17, array: 0, index: Some(index), state, node, reason }
    }

    fn away() -> Result<Vec<Task>, Trouble> {
        Err(Trouble::Away("sacct: Connection refused".into()))
    }

    #[test]
    fn no_answer_is_no_word_of_a_task_and_it_is_asked_again() {
        let (mut accounting, began) = (Accounting::default(), Instant::now());
        assert!(!accounting.is_wanted());
        assert_eq!(accounting.of(3), Says::Nothing);
        // An answer that was lost on its way is none either.
        assert!(accounting.is_wanted());
        let told = accounting.take(away(), |task| task.index, began).unwrap();
        assert!(told.contains("Connection refused") && told.contains("asked again for 2 minutes"), "{told}");
        assert_eq!(accounting.of(3), Says::Nothing);
        let soon = began + PATIENCE / 2;
        assert_eq!(accounting.take(away(), |task| task.index, soon), None, "told once");
        assert!(accounting.is_wanted());
        assert_eq!(accounting.take(Ok(vec![task(3)]), |task| task.index, soon), None);
        assert_eq!(accounting.of(3), Says::Task(&task(3)));
        assert!(!accounting.is_wanted());
        // What it did not know of is asked for anew, as it was not asked after that one.
        assert_eq!(accounting.of(4), Says::Nothing);
        assert_eq!(accounting.take(Ok(vec![]), |task| task.index, soon), None);
        assert_eq!(accounting.of(4), Says::Unknown);
    }

    #[test]
    fn while_it_is_asked_nothing_patience_stands_still() {
        let (mut accounting, began) = (Accounting::default(), Instant::now());
        assert_eq!(accounting.of(0), Says::Nothing);
        assert!(accounting.take(away(), |task| task.index, began).is_some());
        // The part shows its end itself; an hour later another one is forgotten.
        accounting.leave(0);
        assert!(!accounting.is_wanted());
        let later = began + 30 * PATIENCE;
        assert_eq!(accounting.of(1), Says::Nothing);
        let told = accounting.take(away(), |task| task.index, later).unwrap();
        assert!(told.contains("asked again for 2 minutes"), "{told}");
        assert_eq!(accounting.of(1), Says::Nothing);
        assert_eq!(accounting.take(away(), |task| task.index, later + PATIENCE), None);
        assert_eq!(accounting.of(1), Says::Unknown);
    }

    #[test]
    fn patience_ends_and_where_there_is_no_accounting_nothing_is_waited_for() {
        let (mut accounting, began) = (Accounting::default(), Instant::now());
        assert_eq!(accounting.of(0), Says::Nothing);
        accounting.take(away(), |task| task.index, began);
        accounting.take(away(), |task| task.index, began + PATIENCE);
        assert_eq!(accounting.of(0), Says::Unknown);
        assert_eq!(accounting.of(1), Says::Nothing);
        let none = Trouble::Refused { program: "sacct", words: "accounting storage is disabled".into() };
        assert_eq!(accounting.take(Err(none), |task| task.index, began), None);
        assert_eq!(accounting.of(1), Says::Unknown);
        assert_eq!(accounting.of(2), Says::Nothing);
        accounting.leave(2);
        assert!(!accounting.is_wanted());
    }
}
