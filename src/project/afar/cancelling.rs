//! Cancelling a run on Slurm, for whoever asked for its end, and leaving off where that person does not wait for it.
//!
//! Knows how long cancelled tasks are waited for, and what is said of what may be left. What parts are over the one who follows knows.

use std::time::{Duration, Instant};

use super::following::{Followed, Following, LOOK};
use crate::events::Event;
use crate::execute::slurm::{Cluster, Trouble};
use crate::programs::Halt;
use crate::report::words;

/// How long cancelled tasks are waited for.
const CANCELLING: Duration = Duration::from_secs(60);

/// What came of it.
enum Came {
    /// Nothing of the run is at work.
    Over,
    /// Slurm does not do it.
    Refused(Trouble),
    /// It was told to, and so many tasks are not over yet, where that is known.
    Lasts(Option<usize>),
}

impl Following<'_> {
    /// Cancels what Slurm has of the run, and waits until nothing of it runs.
    pub(super) fn cancel(&mut self, halt: &Halt) -> Followed {
        let tell = |words: String| (self.events)(Event::Told(words));
        let name = self.folder.job_name();
        let by_hand =
            format!("`scancel --name={name}` cancels it, and `endboard rebuild --on slurm` follows it");
        let left = |open: usize, of: usize| format!("{open} of {}", words::count(of as u64, "part"));
        let ends = self.look();
        let (open, of) = self.open(&ends);
        tell(format!("cancelling what was submitted to Slurm: {} are not over", left(open, of)));
        let came = self.cancel_beside(&name, halt);
        // What tasks said last, and which came to their end.
        let ends = self.look();
        self.said = Some(match came {
            Some(Came::Over) => return Followed::Cancelled,
            Some(Came::Refused(trouble)) => {
                format!("{trouble}; it could not be cancelled, and the run goes on; {by_hand}")
            }
            Some(Came::Lasts(tasks)) => {
                let tasks = tasks.map_or("what of it runs is not known".into(), |tasks| {
                    format!("{} of it not over yet", words::count(tasks as u64, "task"))
                });
                format!("{tasks}; the run stays; {by_hand}")
            }
            None => {
                let (open, of) = self.open(&ends);
                // At once, as what was made is still to be put in place.
                (self.events)(Event::Told(format!(
                    "cancelling was left off: {} may go on on Slurm; {by_hand}",
                    left(open, of)
                )));
                return Followed::Left;
            }
        });
        Followed::Left
    }

    /// The same in a thread beside, as Slurm may take long to answer. Gives nothing where that is not waited for any longer.
    fn cancel_beside(&mut self, name: &str, halt: &Halt) -> Option<Came> {
        let cluster = self.cluster;
        std::thread::scope(|scope| {
            let cancelling = scope.spawn(|| cancelled(cluster, name, halt));
            let mut looked = Instant::now();
            while !cancelling.is_finished() && !halt.is_hurried() {
                // Not oftener than while it is followed: the shared disk is everybody's.
                if looked.elapsed() >= LOOK {
                    self.look();
                    looked = Instant::now();
                }
                std::thread::sleep(LOOK / 6);
            }
            let is_left = !cancelling.is_finished();
            if is_left {
                // Ends what is asked and not answered. What scancel had handed over is done all the same.
                cluster.stop();
            }
            let came = cancelling.join().expect("it panics nowhere");
            if is_left && !matches!(came, Came::Over) { None } else { Some(came) }
        })
    }
}

/// Cancels all jobs of this name, and waits until none is at work.
fn cancelled(cluster: &Cluster, name: &str, halt: &Halt) -> Came {
    if let Err(trouble) = cluster.cancel(name) {
        return Came::Refused(trouble);
    }
    let (began, mut left) = (Instant::now(), None);
    while began.elapsed() < CANCELLING && !halt.is_hurried() {
        match cluster.live(name) {
            Ok(live) if live.is_empty() => return Came::Over,
            Ok(live) => left = Some(live.len()),
            Err(_) => {}
        }
        std::thread::sleep(LOOK);
    }
    Came::Lasts(left)
}
