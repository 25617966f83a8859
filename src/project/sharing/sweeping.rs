//! What may leave the shared store: what no member's film uses and nobody sent lately, oldest first, down to the budget.
//!
//! Knows the order in which things go: records first, so that none names what is not there. Does not decide that anything goes:
//! a person sees it before.

use std::collections::HashSet;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::members::{self, Member, Short, short};
use super::packets::packet_of;
use crate::base::digest::Digest;
use crate::store::shared::bucket::{Bucket, BucketError, Held};
use crate::store::shared::note::{self, Kind, Note};
use crate::store::shared::sending::LATELY;

/// A list that was told longer ago than this is said to be old, in seconds.
pub const OLD: i64 = 30 * 24 * 3600;
/// Things that are asked for at once.
const AT_ONCE: usize = 16;

/// What a look at the shared store found.
#[derive(Debug, Default)]
pub struct Found {
    /// Bytes of everything in it.
    pub total: u64,
    /// Renders.
    pub renders: usize,
    /// Renders that a member's film uses.
    pub used: usize,
    /// Unused renders that somebody sent lately, and so stay.
    pub late: usize,
    /// Bytes of packets and of what came back.
    pub packets: u64,
    /// Files of packets of this film that are over, and were sent no more lately.
    pub over: Vec<Held>,
    /// Unused renders, oldest first.
    pub unused: Vec<(Digest, Held)>,
    /// Members' lists.
    pub members: Vec<Member>,
}

impl Found {
    /// Members whose lists cannot be read, so that nobody knows what they use, each with why.
    pub fn unreadable(&self) -> Vec<(&str, &str)> {
        let all = self.members.iter();
        all.filter_map(|member| Some((member.who.as_str(), member.list.as_ref().err()?.as_str()))).collect()
    }

    /// Whether the list of this name is among those that can be read.
    pub fn has(&self, who: &str) -> bool {
        self.members.iter().any(|member| member.who == who && member.list.is_ok())
    }

    /// Renders that would go, so that no more than `budget` bytes are left.
    pub fn going(&self, budget: u64) -> &[(Digest, Held)] {
        let mut total = self.total - self.over.iter().map(|held| held.size).sum::<u64>();
        let goes = |(_, held): &&(Digest, Held)| {
            let goes = total > budget;
            total = total.saturating_sub(held.size);
            goes
        };
        &self.unused[..self.unused.iter().take_while(goes).count()]
    }
}

/// Looks through the shared store at `now`, in seconds since 1970 by the clock of the service. `own` is what the film uses here,
/// told or not; `is_over` says whether nothing more is expected of a packet of this film.
///
/// # Errors
/// It cannot be read.
pub fn look(
    bucket: &dyn Bucket,
    own: &HashSet<Digest>,
    is_over: &dyn Fn(&str) -> bool,
    now: i64,
) -> Result<Found, BucketError> {
    let mut found = Found { members: members::all(bucket)?, ..Found::default() };
    let lists = found.members.iter().filter_map(|member| member.list.as_ref().ok());
    let used: HashSet<Short> =
        lists.flat_map(|list| list.used.iter().copied()).chain(own.iter().map(short)).collect();
    let mut renders = Vec::new();
    let is_late = |held: &Held| now - held.sent < LATELY.as_secs() as i64;
    let (mut total, mut packets, mut over) = (0, 0, Vec::new());
    bucket.list("", &mut |held: Held| {
        total += held.size;
        if let Some(packet) = packet_of(&held.name) {
            packets += held.size;
            // Links to it are good for as long.
            over.extend((is_over(packet) && !is_late(&held)).then(|| held.clone()));
        }
        let digest = held.name.strip_prefix(note::OBJECTS).and_then(note::digest_of);
        renders.extend(digest.map(|digest| (digest, held)));
        true
    })?;
    (found.total, found.packets, found.renders, found.over) = (total, packets, renders.len(), over);
    for (pixels, held) in renders {
        if used.contains(&short(&pixels)) {
            found.used += 1;
        } else if is_late(&held) {
            found.late += 1;
        } else {
            found.unused.push((pixels, held));
        }
    }
    found.unused.sort_by_key(|(pixels, held)| (held.sent, *pixels));
    Ok(found)
}

/// Removes renders and, before them, all records that name them; records that cannot be read go too. Gives the renders that went
/// and how many records. What was sent again since the look stays.
///
/// # Errors
/// The shared store cannot be read or written; what is gone by then is gone.
pub fn remove(bucket: &dyn Bucket, going: &[(Digest, Held)]) -> Result<(Vec<Held>, usize), BucketError> {
    if going.is_empty() {
        return Ok((Vec::new(), 0));
    }
    let still = |(pixels, held): &(Digest, Held)| {
        let now = bucket.has(&held.name)?;
        Ok(now.filter(|now| now.sent == held.sent).map(|_| (*pixels, held.clone())))
    };
    let held_still = at_once(going, &still)?;
    let lost: HashSet<Digest> = held_still.iter().map(|(pixels, _)| *pixels).collect();
    let mut names = Vec::new();
    bucket.list(note::FOLDER, &mut |held| {
        names.push(held.name);
        true
    })?;
    let names_lost = |name: &String| {
        let Some(bytes) = bucket.fetch(name, note::MOST)? else { return Ok(None) };
        let goes = match Note::read(&bytes) {
            Ok(note) => note.kind != Kind::Passed && lost.contains(&note.pixels),
            Err(_) => true,
        };
        Ok(goes.then(|| name.clone()))
    };
    let removed = |name: &String| bucket.remove(std::slice::from_ref(name)).map(Some);
    let records = at_once(&names, &names_lost)?;
    at_once(&records, &removed)?;
    let gone: Vec<Held> = held_still.into_iter().map(|(_, held)| held).collect();
    let names: Vec<String> = gone.iter().map(|held| held.name.clone()).collect();
    at_once(&names, &removed)?;
    Ok((gone, records.len()))
}

/// Asks for several things at once, as each answer is waited for. Gives what came of them, in their order, or the first error.
fn at_once<T: Sync, R: Send>(
    items: &[T],
    ask: &(dyn Fn(&T) -> Result<Option<R>, BucketError> + Sync),
) -> Result<Vec<R>, BucketError> {
    let next = AtomicUsize::new(0);
    let found: Mutex<Vec<(usize, Result<R, BucketError>)>> = Mutex::default();
    let work = || {
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(at) else { return };
            let Some(answer) = ask(item).transpose() else { continue };
            if answer.is_err() {
                next.store(items.len(), Ordering::Relaxed);
            }
            found.lock().expect("no thread panics with it").push((at, answer));
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..AT_ONCE.min(items.len()) {
            scope.spawn(work);
        }
    });
    let mut found = found.into_inner().expect("no thread panics with it");
    found.sort_by_key(|(at, _)| *at);
    found.into_iter().map(|(_, answer)| answer).collect()
}
