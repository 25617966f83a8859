//! Asking ahead: records and renders are fetched before a worker has time for them, more at once than there are workers, so that the
//! way to a far store takes its time once and not for every frame.
//!
//! Knows how much may be under way and lie here. What comes is bytes that nobody has looked at: whoever takes them holds them
//! against their digests as if it had fetched them then.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::sync::{Arc, MutexGuard, OnceLock};

use super::bucket::{BucketError, LARGEST};
use super::note::{self, Note};
use super::{Shared, Side};
use crate::base::digest::Digest;

/// How much may be asked ahead.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Bounds {
    /// Requests at once.
    pub requests: usize,
    /// Bytes that are under way, or here and not taken yet; a larger render goes alone.
    pub bytes: u64,
    /// The bytes that a render is taken to have while they are not known.
    pub usual: u64,
    /// How much may wait at first where it is not known what is there.
    pub unknown: usize,
}

/// The render of a key that is to be asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wanted {
    /// The key.
    pub key: Digest,
    /// Whether its file is wanted, or its record alone.
    pub is_kept: bool,
}

/// What was answered: nothing where it was not asked for or could not be had, `Some(None)` where it is not there.
type Answer = Option<Option<Vec<u8>>>;

/// What came of a key.
#[derive(Debug, Default)]
pub(super) struct Arrived {
    /// Its record.
    pub record: Answer,
    /// The file that its record names.
    pub object: Answer,
}

impl Arrived {
    fn bytes(&self) -> u64 {
        [&self.record, &self.object]
            .map(|answer| answer.iter().flatten().map(Vec::len).sum::<usize>() as u64)
            .iter()
            .sum()
    }
}

/// Where a key is on its way.
#[derive(Debug)]
enum Stands {
    /// To be asked for, in its order.
    Waits {
        order: usize,
        is_kept: bool,
    },
    /// Asked for; nobody wants it any more where that is so.
    Flies {
        unwanted: bool,
    },
    Here(Arrived),
}

/// What is asked ahead in one run.
#[derive(Debug, Default)]
pub(super) struct Ahead {
    bounds: Bounds,
    /// What is to be asked for, in this order.
    waits: BTreeSet<(usize, Digest)>,
    all: HashMap<Digest, Stands>,
    flying: usize,
    /// Bytes that are here, and those that what is under way may come to.
    held: u64,
    /// What came since that was last asked.
    arrived: Vec<Digest>,
    /// Keys of which nothing that could be taken is there: a call for many frames comes to them more than once.
    absent: HashSet<Digest>,
    /// Keys that are asked ahead no more: a worker waits for just these and asks itself, or has taken what came.
    own: HashSet<Digest>,
    /// How much may wait where it is not known what is there: more as long as what is asked for is found.
    reach: usize,
    /// The bytes that a render is taken to have by what was seen of others, where that is more than the bounds say.
    seen: u64,
}

/// Is called when something has come.
pub(super) type Wake = OnceLock<Box<dyn Fn() + Send + Sync>>;

/// A request under way; it lands whatever becomes of the thread that carries it, as somebody waits for it.
struct Flight {
    shared: Arc<Shared>,
    wanted: Wanted,
    room: u64,
    arrived: Arrived,
}

impl Drop for Flight {
    fn drop(&mut self) {
        self.shared.land(self.wanted.key, self.room, std::mem::take(&mut self.arrived));
    }
}

impl Ahead {
    /// What was asked for without being known to be there was found, or was not.
    fn found(&mut self, is_found: bool) {
        self.reach = if is_found { self.reach + 2 } else { self.bounds.unknown };
    }

    /// A render of so many bytes was seen. One that is large among others does not take up their room for good.
    fn weigh(&mut self, size: u64) {
        self.seen = size.max(self.seen - self.seen / 4);
    }

    /// A key is not waited for any longer; whoever waits for it looks again.
    fn leave_off(&mut self, order: usize, key: Digest) {
        self.waits.remove(&(order, key));
        self.all.remove(&key);
        self.arrived.push(key);
    }

    /// The next that may be asked for now, and the bytes that it may come to.
    fn next(&mut self) -> Option<(Wanted, u64)> {
        let &(order, key) = self.waits.first()?;
        let Some(&Stands::Waits { is_kept, .. }) = self.all.get(&key) else { return None };
        let room = if is_kept { self.seen.max(self.bounds.usual) + note::MOST } else { note::MOST };
        let is_full = self.held > 0 && self.held + room > self.bounds.bytes;
        if self.flying >= self.bounds.requests || is_full {
            return None;
        }
        self.waits.remove(&(order, key));
        self.all.insert(key, Stands::Flies { unwanted: false });
        self.flying += 1;
        self.held += room;
        Some((Wanted { key, is_kept }, room))
    }
}

impl Shared {
    fn ahead(&self) -> MutexGuard<'_, Ahead> {
        self.ahead.lock().expect("no thread panics with it")
    }

    /// From now on it may be asked ahead as far as this; `wake` is called whenever something has come.
    pub fn go_ahead(&self, bounds: Bounds, wake: impl Fn() + Send + Sync + 'static) {
        let _ = self.wake.set(Box::new(wake));
        *self.ahead() = Ahead { bounds, reach: bounds.unknown, ..Ahead::default() };
    }

    /// Whether what a key came to is to be awaited rather than asked for by whoever wants it, or is known already.
    pub fn is_awaited(&self, key: &Digest) -> bool {
        let known = self.keys.get().map(|keys| keys.contains(key));
        let ahead = self.ahead();
        match ahead.all.get(key) {
            Some(Stands::Here(_)) => return false,
            Some(Stands::Waits { .. } | Stands::Flies { .. }) => return true,
            None if ahead.bounds.requests == 0 || known == Some(false) => return false,
            None if ahead.absent.contains(key) || ahead.own.contains(key) => return false,
            None => {}
        }
        drop(ahead);
        let way = self.lock();
        !way.unread && !way.is_away(Side::Read) && !(self.stop)()
    }

    /// Whether more may be begun that may come to be awaited, beside so much that waits: where it is not known what is there, as far as
    /// was found.
    pub fn may_begin(&self, waiting: usize) -> bool {
        self.keys.get().is_some() || waiting < self.ahead().reach
    }

    /// Asks for what is wanted, the lowest order first.
    pub fn want(self: &Arc<Self>, order: usize, all: &[Wanted]) {
        let mut ahead = self.ahead();
        for &Wanted { key, is_kept } in all {
            // Whoever wants it found out more since it said so.
            if ahead.absent.contains(&key) || ahead.own.contains(&key) {
                continue;
            }
            if let std::collections::hash_map::Entry::Vacant(entry) = ahead.all.entry(key) {
                entry.insert(Stands::Waits { order, is_kept });
                ahead.waits.insert((order, key));
            }
        }
        self.send_out(ahead);
    }

    /// From now on whoever wants these asks for them itself, unless they are under way.
    pub fn ask_oneself(&self, all: &[Wanted]) {
        let mut ahead = self.ahead();
        for Wanted { key, .. } in all {
            match ahead.all.get(key) {
                Some(Stands::Flies { .. } | Stands::Here(_)) => continue,
                Some(&Stands::Waits { order, .. }) => ahead.leave_off(order, *key),
                None => {}
            }
            ahead.own.insert(*key);
        }
    }

    /// What came since that was last asked.
    pub fn arrived(&self) -> Vec<Digest> {
        std::mem::take(&mut self.ahead().arrived)
    }

    /// Whether something of this key is still to come.
    pub fn is_pending(&self, key: &Digest) -> bool {
        matches!(self.ahead().all.get(key), Some(Stands::Waits { .. } | Stands::Flies { .. }))
    }

    /// Whether anything is under way, or is to be.
    #[cfg(test)]
    pub(super) fn is_asking(&self) -> bool {
        let ahead = self.ahead();
        ahead.flying > 0 || !ahead.waits.is_empty()
    }

    /// Nobody wants this key any more.
    pub fn forget(self: &Arc<Self>, key: &Digest) {
        let mut ahead = self.ahead();
        if let Some(Stands::Flies { unwanted }) = ahead.all.get_mut(key) {
            *unwanted = true;
            return;
        }
        match ahead.all.remove(key) {
            None => {}
            Some(Stands::Waits { order, .. }) => ahead.leave_off(order, *key),
            Some(Stands::Here(arrived)) => {
                ahead.held -= arrived.bytes();
                self.send_out(ahead);
            }
            Some(Stands::Flies { .. }) => unreachable!("looked at before"),
        }
    }

    /// Where nothing is under way, lets go of all that came and was not taken. Says whether that was so.
    pub fn let_go_when_idle(self: &Arc<Self>) -> bool {
        let mut ahead = self.ahead();
        if ahead.flying > 0 || !ahead.arrived.is_empty() {
            return false;
        }
        ahead.all.retain(|_, stands| !matches!(stands, Stands::Here(_)));
        ahead.held = 0;
        self.send_out(ahead);
        true
    }

    /// What a worker itself asked for was found, or was not.
    pub(super) fn asked_for(&self, is_found: bool) {
        self.ahead().found(is_found);
    }

    /// Takes note that nothing of this key is there that could be taken.
    pub fn note_lack(&self, key: Digest) {
        self.ahead().absent.insert(key);
    }

    /// Whether that was found out before.
    pub(super) fn lacks(&self, key: &Digest) -> bool {
        self.ahead().absent.contains(key)
    }

    /// Takes what came of a key.
    pub(super) fn take_arrived(self: &Arc<Self>, key: &Digest) -> Arrived {
        let mut ahead = self.ahead();
        match ahead.all.remove(key) {
            Some(Stands::Here(arrived)) => {
                ahead.held -= arrived.bytes();
                ahead.own.insert(*key);
                self.send_out(ahead);
                arrived
            }
            Some(stands) => {
                ahead.all.insert(*key, stands);
                Arrived::default()
            }
            None => Arrived::default(),
        }
    }

    /// Sends out what may go now. A request has a thread of its own, which takes up the next one when it is over.
    fn send_out(self: &Arc<Self>, mut ahead: MutexGuard<'_, Ahead>) {
        let out: Vec<(Wanted, u64)> = std::iter::from_fn(|| ahead.next()).collect();
        // Where there is no thread to be had, a request lands at once with nothing, and that takes the lock.
        drop(ahead);
        for (wanted, room) in out {
            let mut flight = Flight { shared: Arc::clone(self), wanted, room, arrived: Arrived::default() };
            let carried = move || {
                loop {
                    flight.arrived = flight.shared.bring(&flight.wanted, flight.room);
                    let shared = Arc::clone(&flight.shared);
                    drop(flight);
                    let next = shared.ahead().next();
                    let Some((wanted, room)) = next else { return };
                    flight = Flight { shared, wanted, room, arrived: Arrived::default() };
                }
            };
            let _ = std::thread::Builder::new().spawn(carried);
        }
    }

    /// Fetches the record of a key, and the file that it names where that is wanted and not here.
    fn bring(&self, wanted: &Wanted, room: u64) -> Arrived {
        let mut arrived = Arrived::default();
        if !self.is_open() {
            return arrived;
        }
        let Some(record) = self.answer(&note::name(&wanted.key), note::MOST, true) else { return arrived };
        let note = record.as_deref().and_then(|bytes| Note::read(bytes).ok());
        let size = record.as_ref().map_or(0, Vec::len) as u64;
        arrived.record = Some(record);
        let of_key = note.filter(|note| wanted.is_kept && note.key == wanted.key);
        let lacking = of_key.filter(|note| !self.objects.has(&note.pixels));
        if let Some(name) = lacking.and_then(|note| note.object()) {
            arrived.object = self.answer(&name, room - size, true);
            if let Some(Some(object)) = &arrived.object {
                self.ahead().weigh(object.len() as u64);
            }
        }
        arrived
    }

    /// What lies under a name if it is not more than that; what is more is left to whoever wants it, where `is_left`. Trouble is told.
    pub(super) fn answer(&self, name: &str, most: u64, is_left: bool) -> Answer {
        let began = std::time::Instant::now();
        match self.bucket.fetch(name, most) {
            Ok(bytes) => {
                self.reached(Side::Read);
                Some(bytes)
            }
            // A record that is too large for one is damaged, like one that says nothing.
            Err(BucketError::TooLarge { .. }) if name.starts_with(note::FOLDER) => Some(Some(Vec::new())),
            Err(BucketError::TooLarge { size, .. }) if is_left && size <= LARGEST && size > most => {
                self.ahead().weigh(size);
                None
            }
            Err(error) => {
                self.met(Side::Read, &error, began);
                None
            }
        }
    }

    fn land(&self, key: Digest, room: u64, arrived: Arrived) {
        let is_known = self.keys.get().is_some();
        let mut ahead = self.ahead();
        ahead.flying -= 1;
        ahead.held -= room;
        if !is_known {
            ahead.found(matches!(arrived.record, Some(Some(_))));
        }
        match ahead.all.remove(&key) {
            Some(Stands::Flies { unwanted: true }) => {}
            _ => {
                ahead.held += arrived.bytes();
                ahead.all.insert(key, Stands::Here(arrived));
            }
        }
        ahead.arrived.push(key);
        drop(ahead);
        self.wake.get().iter().for_each(|wake| wake());
    }
}
