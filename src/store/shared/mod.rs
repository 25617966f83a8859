//! A second level behind the store: what one member of the crew rendered, another takes in place of rendering.
//!
//! Knows how renders and what made them are named in a bucket, in which order they are sent, and that nothing is taken which is
//! not what it says. Does not know which network or service the bucket is, who a member is, or how it is told on a terminal.
//!
//! Everything in a bucket is named by its content or its key, so that two members who send the same thing send the same bytes,
//! and nobody ever needs to lock anything.

pub mod ahead;
pub mod bucket;
pub mod incoming;
pub mod note;
pub mod outbox;
pub mod outgoing;
pub mod sealed;
pub mod sending;
#[cfg(test)]
pub mod shelf;
mod spoilt;
mod trouble;

use std::collections::{BTreeMap, HashSet};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, OnceLock};
use std::time::{Duration, Instant};

use self::ahead::{Ahead, Arrived, Wake};
use self::bucket::{Bucket, Held};
use self::note::{Kind, Note};
use self::outbox::{Due, Outbox};
use self::trouble::PAUSE;
use super::Store;
use super::actions::Action;
use super::objects::Objects;
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;

/// Is given whole sentences for people, each once.
pub type Tell = Box<dyn Fn(String) + Send + Sync>;
/// Says that the run is to end.
pub type Stop = Box<dyn Fn() -> bool + Send + Sync>;

/// How many names of what is there are remembered at most; of a store that has more, each is asked for.
const NAMES: usize = 400_000;
/// Fewer frames than this are asked for one by one: a list of all that is there would cost more.
const FEW: usize = 40;

/// Which way: what a disk that is full refuses to take it may well still give.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Side {
    Read,
    Write,
}

/// What became of the way to the store in this run.
#[derive(Debug, Default)]
struct Way {
    /// Not to be tried before, with how long it was left alone last; by [`Side`].
    away: [Option<(Instant, Duration)>; 2],
    /// When that was found out last; by [`Side`].
    found: [Option<Instant>; 2],
    /// Reading was refused: it is left alone for the whole run.
    unread: bool,
    /// Writing was refused or is not wanted: nothing is sent in this run.
    unwritten: bool,
    /// Writing was refused.
    refused: bool,
    /// Whether it was told that it is away, and that it is there again; by [`Side`].
    told: [(bool, bool); 2],
    /// What was found damaged or missing and is to be replaced by what is rendered now.
    damaged: HashSet<Digest>,
    /// Keys whose record or render was found damaged.
    rotten: HashSet<Digest>,
    /// Frames that wanted one of those.
    spoilt: BTreeMap<(Arc<str>, Arc<str>), FrameSet>,
    /// To be sent, the first first.
    queue: std::collections::VecDeque<Due>,
    /// Bytes of renders on their way.
    flying: u64,
    /// Things on their way.
    busy: usize,
    /// Nothing more comes.
    closing: bool,
    /// What was sent, and its bytes.
    sent: (usize, u64),
}

impl Way {
    fn is_away(&self, side: Side) -> bool {
        self.away[side as usize].is_some_and(|(until, _)| Instant::now() < until)
    }
}

/// The shared store of a film, for one run.
pub struct Shared {
    /// How it is called where people read of it.
    pub at: String,
    /// The bucket.
    pub bucket: Arc<dyn Bucket>,
    objects: Objects,
    outbox: Outbox,
    way: Mutex<Way>,
    changed: Condvar,
    /// Keys that it has, once they are listed.
    keys: OnceLock<HashSet<Digest>>,
    tell: Tell,
    stop: Stop,
    taken: AtomicUsize,
    /// Another process sends.
    elsewhere: AtomicBool,
    /// Nothing goes on without it: there is no run besides.
    only_sends: bool,
    /// Keys of renders that tasks elsewhere made for this film, to be offered once they are in place.
    expected: Mutex<HashSet<Digest>>,
    /// What is asked ahead.
    ahead: Mutex<Ahead>,
    wake: Wake,
}

impl std::fmt::Debug for Shared {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Shared").field("at", &self.at).finish_non_exhaustive()
    }
}

/// A render that was taken from the shared store and stands in the local one, or is known by its digest alone.
#[derive(Debug, PartialEq, Eq)]
pub struct Taken {
    /// Digest of its pixels or samples.
    pub pixels: Digest,
    /// Digests of its planes by channel name.
    pub planes: Vec<(Arc<str>, Digest)>,
}

/// What is still to be sent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Left {
    /// Renders.
    pub count: usize,
    /// Sent in this run.
    pub sent: usize,
    /// Bytes sent in this run.
    pub bytes: u64,
}

impl Shared {
    /// The shared store `bucket` behind `store` and its `objects`. With `read_only`, nothing is sent. `tell` is given whole sentences, each once;
    /// `stop` says that the run is to end.
    pub fn new(
        at: String,
        bucket: Arc<dyn Bucket>,
        store: &Store,
        objects: Objects,
        read_only: bool,
        tell: Tell,
        stop: Stop,
    ) -> Self {
        let outbox = Outbox::of(store);
        let queue = if read_only { Default::default() } else { outbox.all().into() };
        Self {
            at,
            bucket,
            objects,
            outbox,
            way: Mutex::new(Way { unwritten: read_only, queue, ..Way::default() }),
            changed: Condvar::new(),
            keys: OnceLock::new(),
            tell,
            stop,
            taken: AtomicUsize::new(0),
            elsewhere: AtomicBool::new(false),
            only_sends: false,
            expected: Mutex::default(),
            ahead: Mutex::default(),
            wake: Wake::new(),
        }
    }

    /// The same for sending alone, of which no run goes on when nothing can be sent.
    #[must_use]
    pub fn only_to_send(self) -> Self {
        Self { only_sends: true, ..self }
    }

    /// How many renders were taken from it in this run.
    pub fn taken(&self) -> usize {
        self.taken.load(Ordering::Relaxed)
    }

    /// Whether sending was wanted and refused.
    pub fn is_refused(&self) -> bool {
        self.lock().refused
    }

    /// Whether nothing is sent in this run.
    pub fn is_read_only(&self) -> bool {
        self.lock().unwritten
    }

    /// Learns which keys are there, for a run of so many frames: what is known not to be there is then not asked for.
    pub fn foresee(&self, frames: usize) {
        if frames < FEW || !self.is_open() {
            return;
        }
        let (mut keys, began) = (HashSet::new(), Instant::now());
        let listed = self.bucket.list(note::FOLDER, &mut |held: Held| {
            keys.extend(note::key_of(&held.name));
            keys.len() < NAMES && !(self.stop)()
        });
        match listed {
            Ok(()) => {
                self.reached(Side::Read);
                if keys.len() < NAMES && !(self.stop)() {
                    let _ = self.keys.set(keys);
                }
            }
            Err(error) => self.met(Side::Read, &error, began),
        }
    }

    /// The render of a key, where the shared store has it and it is what it should be. Where it `is_kept`, its file stands in the
    /// local store afterwards.
    pub fn seek(self: &Arc<Self>, key: &Digest, is_kept: bool) -> Option<Taken> {
        let Arrived { record, object } = self.take_arrived(key);
        let is_known_lacking = || self.keys.get().is_some_and(|keys| !keys.contains(key)) || self.lacks(key);
        let bytes = match record {
            Some(None) => {
                self.note_lack(*key);
                return None;
            }
            Some(Some(record)) => record,
            None if is_known_lacking() || !self.is_open() => return None,
            None => {
                let record = self.answer(&note::name(key), note::MOST, false);
                self.asked_for(matches!(record, Some(Some(_))));
                match record? {
                    Some(record) => record,
                    None => {
                        self.note_lack(*key);
                        return None;
                    }
                }
            }
        };
        let note = match Note::read(&bytes) {
            Ok(note) if note.key == *key => note,
            Ok(_) => return self.damaged(*key, &note::name(key), "it is of another render"),
            Err(why) => return self.damaged(*key, &note::name(key), &why),
        };
        if is_kept && !self.objects.has(&note.pixels) {
            self.take(&note, object)?;
        }
        self.taken.fetch_add(1, Ordering::Relaxed);
        Some(Taken { pixels: note.pixels, planes: note.planes })
    }

    /// Takes a render's file into the local store, the one that came already where one did.
    fn take(&self, note: &Note, object: Option<Option<Vec<u8>>>) -> Option<()> {
        let Some(name) = note.object() else {
            // Whoever sent it keeps none of its stage; once it is rendered here, it goes there with its file.
            self.lock().damaged.insert(note.key);
            return None;
        };
        // What was not answered may well be there.
        let answer = object.or_else(|| self.answer(&name, bucket::LARGEST, false))?;
        let Some(bytes) = answer else {
            // A sweep may have passed between; whoever has the render sends it again.
            self.lock().damaged.insert(note.key);
            self.note_lack(note.key);
            return None;
        };
        let is_sound = note.kind == Kind::Sound;
        match self.objects.receive(&note.pixels, &note.planes, is_sound, &bytes) {
            Ok(()) => Some(()),
            Err(super::StoreError::Damaged { reason, .. }) => {
                self.lock().damaged.insert(note.pixels);
                self.damaged(note.key, &name, &reason)
            }
            Err(error) => {
                tracing::warn!(%error, "a render from the shared store could not be put away");
                None
            }
        }
    }

    /// What cannot be taken is replaced once the frame is rendered.
    fn damaged<T>(&self, key: Digest, name: &str, why: &str) -> Option<T> {
        tracing::info!(name, why, "damaged in the shared store");
        let mut way = self.lock();
        way.damaged.insert(key);
        way.rotten.insert(key);
        drop(way);
        self.note_lack(key);
        None
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Way> {
        self.way.lock().expect("no thread panics with it")
    }

    /// Whether it may be asked now.
    fn is_open(&self) -> bool {
        let mut way = self.lock();
        if way.unread || way.is_away(Side::Read) || (self.stop)() {
            return false;
        }
        // Of all that may want to know whether it is there again, one finds out.
        let away = &mut way.away[Side::Read as usize];
        *away = away.map(|(_, last)| (Instant::now() + PAUSE.1, last));
        true
    }

    /// A render was made, to be sent when there is time. Costs a small file; nothing waits for the network.
    pub fn offer(&self, action: &Action, kind: Kind) {
        let again = {
            let mut way = self.lock();
            if way.unwritten {
                return;
            }
            [action.key, action.pixels].map(|digest| way.damaged.remove(&digest)) != [false; 2]
        };
        let note = Note { key: action.key, pixels: action.pixels, planes: action.planes.clone(), kind };
        let due = Due { note, again };
        if let Err(error) = self.outbox.put(&due) {
            tracing::warn!(%error, "what is to be sent could not be noted");
        }
        self.lock().queue.push_back(due);
        self.changed.notify_all();
    }

    /// Tasks elsewhere made renders with these keys, which are to be offered when they are in place.
    pub fn expect(&self, keys: impl IntoIterator<Item = Digest>) {
        self.expected.lock().expect("no thread panics with it").extend(keys);
    }

    /// Whether a render with this key was to be offered; asked a second time it is not.
    pub fn is_expected(&self, key: &Digest) -> bool {
        self.expected.lock().expect("no thread panics with it").remove(key)
    }

    /// What is to be sent, so far.
    pub fn left(&self) -> Left {
        let way = self.lock();
        Left { count: way.queue.len() + way.busy, sent: way.sent.0, bytes: way.sent.1 }
    }
}

#[cfg(test)]
mod tests;
