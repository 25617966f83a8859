//! Sending in the background: a few threads, so many bytes at a time, and never in the way of rendering.
//!
//! Knows that a render's file is sent before the record that names it, so that no record names what is not there. Does not know
//! how far a file came when the process was killed: whoever sends the bytes keeps that.

use std::collections::HashSet;
use std::fs::File;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::Duration;

use super::bucket::BucketError;
use super::note;
use super::outbox::Due;
use super::{Left, Shared, Side};
use crate::store::{StoreError, file};

/// Things on their way at once.
const THREADS: usize = 4;
/// Bytes of renders on their way at once; a larger one goes alone.
const FLYING: u64 = 128 << 20;
/// How often it is looked whether the run is to end.
const LOOK: Duration = Duration::from_millis(50);
/// What was sent longer ago than this is sent once more though it is there: a sweep keeps what was sent lately.
pub const LATELY: Duration = Duration::from_secs(7 * 24 * 3600);

/// What sends, until it is told to end.
pub struct Sending {
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
    /// Held as long as this process sends.
    _lock: Option<File>,
}

impl Sending {
    /// Begins to send what waits, and what will be offered.
    pub fn start(shared: Arc<Shared>) -> Self {
        let lock = if shared.is_read_only() { None } else { shared.alone() };
        let count = if lock.is_some() { THREADS } else { 0 };
        shared.elsewhere.store(lock.is_none(), Ordering::Relaxed);
        let threads = (0..count).map(|_| {
            let shared = Arc::clone(&shared);
            std::thread::spawn(move || shared.send_all())
        });
        let threads = threads.collect();
        Self { shared, threads, _lock: lock }
    }

    /// Waits until everything is sent, it stops getting on, or the run is to end; `watch` is told what is left now and then.
    /// Gives what is left.
    pub fn finish(self, watch: &dyn Fn(Left)) -> Left {
        self.shared.close();
        while self.threads.iter().any(|thread| !thread.is_finished()) {
            watch(self.shared.left());
            std::thread::park_timeout(LOOK / 10);
        }
        for thread in self.threads {
            // One that broke left what it had in hand noted, for the next run.
            let _ = thread.join();
        }
        self.shared.left()
    }
}

impl Sending {
    /// Ends as soon as what is on its way has come to its end; the rest is for the next run.
    pub fn leave(self) {
        self.shared.lock().unwritten = true;
        let _ = self.finish(&|_| {});
    }
}

impl Shared {
    /// The right to send, which one process of a film has.
    fn alone(&self) -> Option<File> {
        self.outbox.create().ok()?;
        let options = &mut std::fs::OpenOptions::new();
        let lock =
            file::open_with(&self.outbox.lock(), options.create(true).write(true).truncate(false)).ok()?;
        lock.try_lock().ok().map(|()| lock)
    }

    /// Nothing more is offered.
    fn close(&self) {
        self.lock().closing = true;
        self.changed.notify_all();
    }

    /// Sends one after the other, until nothing more comes.
    fn send_all(&self) {
        while let Some((due, size)) = self.next() {
            let began = std::time::Instant::now();
            let sent = self.send(&due, size);
            let mut way = self.lock();
            way.busy -= 1;
            way.flying -= size;
            match sent {
                Ok(Some(bytes)) => {
                    way.sent.0 += 1;
                    way.sent.1 += bytes;
                    drop(way);
                    self.outbox.done(&due);
                    self.reached(Side::Write);
                }
                Ok(None) => {
                    drop(way);
                    self.outbox.done(&due);
                }
                Err(error) => {
                    way.queue.push_front(due);
                    drop(way);
                    self.met(Side::Write, &error, began);
                }
            }
            self.changed.notify_all();
        }
    }

    /// The next that can be sent now, and its bytes; nothing once the run is over or nothing more comes.
    fn next(&self) -> Option<(Due, u64)> {
        let mut way = self.lock();
        loop {
            if (self.stop)() || way.unwritten {
                return None;
            }
            let is_away = way.is_away(Side::Write);
            // With nobody left to wait for, what cannot be sent now is for the next run.
            if way.closing && (is_away || way.queue.is_empty()) {
                return None;
            }
            if !is_away && let Some(due) = way.queue.front() {
                let size = self.size(due);
                if way.flying == 0 || way.flying + size <= FLYING {
                    way.flying += size;
                    way.busy += 1;
                    return way.queue.pop_front().map(|due| (due, size));
                }
            }
            way = self.changed.wait_timeout(way, LOOK).expect("no thread panics with it").0;
        }
    }

    fn size(&self, due: &Due) -> u64 {
        let has_file = due.note.object().is_some();
        let meta = has_file.then(|| std::fs::metadata(self.objects.path(&due.note.pixels)).ok()).flatten();
        meta.map_or(0, |meta| meta.len())
    }

    /// Sends a render's file where it is not there yet, then its record. Gives the bytes that went; nothing where there is nothing here
    /// that could be sent.
    fn send(&self, due: &Due, size: u64) -> Result<Option<u64>, BucketError> {
        let mut gone = 0;
        if let Some(name) = due.note.object() {
            let bytes = match file::read(&self.objects.path(&due.note.pixels)) {
                Ok(Some(bytes)) => bytes,
                // What was swept or found damaged meanwhile is made anew, and offered anew.
                Ok(None) => return Ok(None),
                // So is what this disk does not give; the service has no part in that, and the rest goes on.
                Err(error) => {
                    tracing::warn!(%error, "a render could not be read to be sent");
                    return Ok(None);
                }
            };
            if due.again || !self.is_there(&name, size)? {
                gone += bytes.len() as u64;
                self.bucket.send(&name, bytes.into(), Some(&self.outbox.memo(&due.note.pixels)))?;
            }
        }
        let record = due.note.write();
        gone += record.len() as u64;
        self.bucket.send(&note::name(&due.note.key), record.into(), None)?;
        Ok(Some(gone))
    }

    /// Whether a render's file is there and was sent lately.
    fn is_there(&self, name: &str, size: u64) -> Result<bool, BucketError> {
        let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
        let since = now.saturating_sub(LATELY / 2).as_secs() as i64;
        Ok(self.bucket.has(name)?.is_some_and(|held| held.size == size && held.sent >= since))
    }

    /// Puts what the crew may want on the list of what is to be sent.
    ///
    /// # Errors
    /// The system refuses to note it.
    pub fn queue(&self, all: Vec<Due>) -> Result<(), StoreError> {
        all.iter().try_for_each(|due| self.outbox.put(due))?;
        let mut way = self.lock();
        let mut waits: HashSet<Due> = way.queue.iter().cloned().collect();
        way.queue.extend(all.into_iter().filter(|due| waits.insert(due.clone())));
        drop(way);
        self.changed.notify_all();
        Ok(())
    }

    /// Whether another process of this film sends what waits.
    pub fn is_sent_elsewhere(&self) -> bool {
        self.elsewhere.load(Ordering::Relaxed)
    }
}
