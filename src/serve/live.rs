//! Versions of the page, and what changed from each to the next.
//!
//! Knows parts of pages by their ids. Does not know how a change comes about: it asks the film whether there was one, at short
//! intervals, and looks at the whole film now and then besides.

use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::json;
use tokio::sync::watch;

use super::Served;
use crate::report::page::values::Page;
use crate::report::page::{self, Part, Way};

/// Time between two questions whether something changed.
const PAUSE: Duration = Duration::from_millis(250);
/// Time after which the film is looked at though nobody said that it changed: a plate may have.
const LATEST: Duration = Duration::from_secs(30);
/// Looking takes at most a part of the time, one in so many.
const SHARE: u32 = 4;

/// The most bytes of a change that are told piece by piece: where more changed, the page is fetched anew, as it is packed then.
const MOST: usize = 1 << 20;

/// A version of the page.
pub struct Version {
    /// Its number.
    pub number: u64,
    /// What it shows.
    pub page: Page,
    parts: Vec<Part>,
    /// What changed since the version before, as the page takes it; none where whole parts came or went, or very much changed.
    pub change: Option<String>,
}

/// The version that is current, and who works on the film.
pub struct Live {
    sender: Mutex<Option<Senders>>,
    versions: watch::Receiver<Arc<Version>>,
    running: watch::Receiver<String>,
}

struct Senders {
    versions: watch::Sender<Arc<Version>>,
    running: watch::Sender<String>,
}

impl Live {
    /// From its first version on, which has this number. A page that outlives its program must not take another one's version for
    /// its own, so that each program begins at a number of its own.
    pub fn new(page: Page, first: u64) -> Self {
        let parts = page::parts(&page, &Way::Live(0));
        let (versions, seen) = watch::channel(Arc::new(Version { number: first, page, parts, change: None }));
        let (running, ran) = watch::channel(String::new());
        Self { sender: Mutex::new(Some(Senders { versions, running })), versions: seen, running: ran }
    }

    /// The current version.
    pub fn now(&self) -> Arc<Version> {
        Arc::clone(&self.versions.borrow())
    }

    /// Whoever wants to know of later ones.
    pub fn follow(&self) -> (watch::Receiver<Arc<Version>>, watch::Receiver<String>) {
        (self.versions.clone(), self.running.clone())
    }

    /// Lets go of all who follow.
    pub fn close(&self) {
        self.sender.lock().expect("nothing panics with it").take();
    }

    /// Makes a page the current one, if it differs from what is.
    pub fn put(&self, page: Page) {
        let old = self.now();
        let parts = page::parts(&page, &Way::Live(0));
        if parts == old.parts {
            return;
        }
        let number = old.number + 1;
        let change = changed(&old.parts, &parts)
            .map(|parts| json!({ "from": old.number, "to": number, "parts": parts }).to_string())
            .filter(|change| change.len() <= MOST);
        if let Some(senders) = &*self.sender.lock().expect("nothing panics with it") {
            senders.versions.send_replace(Arc::new(Version { number, page, parts, change }));
        }
    }

    fn say_running(&self, words: String) {
        if let Some(senders) = &*self.sender.lock().expect("nothing panics with it") {
            senders.running.send_if_modified(|old| {
                let is_new = *old != words;
                *old = words;
                is_new
            });
        }
    }
}

/// The parts that differ; none where they are not the same parts in the same order.
fn changed(old: &[Part], new: &[Part]) -> Option<Vec<serde_json::Value>> {
    let same = old.len() == new.len() && old.iter().zip(new).all(|(a, b)| a.id == b.id);
    let before: HashMap<&str, &str> = old.iter().map(|part| (&*part.id, &*part.html)).collect();
    let differs = |part: &&Part| before.get(&*part.id) != Some(&&*part.html);
    same.then(|| new.iter().filter(differs).map(|part| json!({ "id": part.id, "html": part.html })).collect())
}

/// Keeps the page as the film is, until it is over.
pub fn watch(served: &Served, ended: &AtomicBool) {
    let mut watched = Watched::new();
    while !ended.load(Ordering::Relaxed) {
        watched.turn(served);
        // The thread is woken by nothing else, and must come to its end soon when it is told to.
        let until = Instant::now() + watched.rest.min(LATEST);
        while Instant::now() < until && !ended.load(Ordering::Relaxed) {
            std::thread::sleep(PAUSE.min(Duration::from_millis(100)));
        }
    }
}

/// What is known from turn to turn.
pub struct Watched {
    looked: Instant,
    rest: Duration,
    /// Why the film could not be looked at the last time that it was tried; it stays until it can.
    trouble: Option<String>,
}

impl Watched {
    /// Right after a look.
    pub fn new() -> Self {
        Self { looked: Instant::now(), rest: PAUSE, trouble: None }
    }

    /// Looks once, if there is a reason to, and says what is to be said beside the page.
    pub fn turn(&mut self, served: &Served) {
        let worked_on = served.film.worked_on();
        if served.film.has_changed() || self.looked.elapsed() >= LATEST.max(self.rest) {
            let begun = Instant::now();
            // A fault in one part of the program must not leave a page that looks as if nothing happened any more.
            let looked = catch_unwind(AssertUnwindSafe(|| served.film.look(&served.gallery)));
            self.trouble = match looked {
                Ok(Ok(page)) => {
                    served.live.put(page);
                    None
                }
                Ok(Err(words)) => Some(format!("The film cannot be looked at: {words}")),
                Err(_) => Some("The look at the film broke off by a fault of this program.".into()),
            };
            self.looked = Instant::now();
            self.rest = PAUSE.max(begun.elapsed() * SHARE);
        }
        let who = worked_on.map(|who| format!("Being worked on by {who}."));
        let all = [who, served.film.trouble(), self.trouble.clone()];
        served.live.say_running(all.into_iter().flatten().collect::<Vec<_>>().join(" "));
    }
}
