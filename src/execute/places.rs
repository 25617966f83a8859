//! Places in named pools, memory for programs, and keys that only one worker makes at a time.
//!
//! A frame is promised its places before it is made, so that a worker that would have to wait turns to other frames.
//! The work itself then goes on in places of its own. The two are counted apart, since fetching a promised
//! frame's inputs may mean work in the same pool: whoever works in a place waits for nothing else, so that
//! no two can wait for one another. For the same reason a worker that holds a promise needs no other for what it then
//! finds to be done first.

use std::collections::HashSet;
use std::thread::ThreadId;

use crate::base::digest::Digest;
use crate::graph::{NodeId, Work};

use super::make::Trouble;
use super::{Engine, Stop};

/// What work under way leaves to other work: places in pools, and memory for programs that say how much they use.
#[derive(Clone)]
pub(super) struct Room {
    places: Vec<u32>,
    /// Bytes that calls under way said they use.
    memory: u64,
    budget: u64,
}

impl Room {
    /// Takes all of it or nothing. What alone is more than the whole budget runs while no other work that says
    /// how much it uses does, as it could not run at all otherwise.
    fn take(&mut self, wanted: &[(usize, u32)], memory: u64) -> bool {
        let is_over = memory > 0 && self.memory > 0 && memory > self.budget.saturating_sub(self.memory);
        if is_over || wanted.iter().any(|&(pool, n)| self.places[pool] < n) {
            return false;
        }
        wanted.iter().for_each(|&(pool, n)| self.places[pool] -= n);
        self.memory += memory;
        true
    }

    fn give_back(&mut self, taken: &[(usize, u32)], memory: u64) {
        taken.iter().for_each(|&(pool, n)| self.places[pool] += n);
        self.memory -= memory;
    }
}

/// Both counts of a run: what is promised to frames, and what work goes on in.
pub(super) struct Rooms {
    promised: Room,
    occupied: Room,
    /// Workers that hold a promise.
    holders: HashSet<ThreadId>,
}

impl Rooms {
    /// All places, and `budget` bytes for programs.
    pub(super) fn new(places: Vec<u32>, budget: u64) -> Self {
        let room = Room { places, memory: 0, budget };
        Self { promised: room.clone(), occupied: room, holders: HashSet::new() }
    }

    fn of(&mut self, promised: bool) -> &mut Room {
        if promised { &mut self.promised } else { &mut self.occupied }
    }
}

/// Places and memory taken; given back when dropped.
pub(super) struct Places<'e> {
    engine: &'e Engine<'e>,
    taken: &'e [(usize, u32)],
    memory: u64,
    /// Whose promise they are; nobody's when they are worked in.
    holder: Option<ThreadId>,
}

impl Drop for Places<'_> {
    fn drop(&mut self) {
        let mut rooms = self.engine.rooms.lock().expect("no worker panics with it");
        rooms.of(self.holder.is_some()).give_back(self.taken, self.memory);
        if let Some(holder) = &self.holder {
            rooms.holders.remove(holder);
        }
        drop(rooms);
        self.engine.changed.notify_all();
    }
}

/// The right to make a key; given back when dropped.
pub(super) struct Alone<'e> {
    engine: &'e Engine<'e>,
    key: Digest,
}

impl Drop for Alone<'_> {
    fn drop(&mut self) {
        self.engine.making.lock().expect("no worker panics with it").remove(&self.key);
        self.engine.changed.notify_all();
    }
}

impl Engine<'_> {
    /// Promises a frame of a node its places in pools and the memory that its command says it uses, all or none. Gives
    /// nothing to a worker that holds a promise already: it would wait for what it holds itself.
    pub(super) fn promise(&self, id: NodeId) -> Result<Option<Places<'_>>, Stop> {
        let worker = std::thread::current().id();
        if self.rooms.lock().expect("no worker panics with it").holders.contains(&worker) {
            return Ok(None);
        }
        self.places(id, Some(worker)).map(Some).ok_or(Stop::Later)
    }

    /// Waits for a node's places and memory to work in.
    pub(super) fn occupy(&self, id: NodeId) -> Result<Places<'_>, Trouble> {
        loop {
            match self.places(id, None) {
                Some(places) => return Ok(places),
                None if self.is_ending() => return Err(Trouble::stopped()),
                None => self.wait(),
            }
        }
    }

    fn places(&self, id: NodeId, holder: Option<ThreadId>) -> Option<Places<'_>> {
        let node = &self.graph.nodes[id];
        let memory = match &node.work {
            Work::Command(work) => work.command.memory.unwrap_or(0),
            _ => 0,
        };
        let mut rooms = self.rooms.lock().expect("no worker panics with it");
        if !rooms.of(holder.is_some()).take(&node.pools, memory) {
            return None;
        }
        rooms.holders.extend(holder);
        Some(Places { engine: self, taken: &node.pools, memory, holder })
    }

    /// Takes a key for oneself: another frame with the same key waits and then finds its pixels made.
    pub(super) fn alone(&self, key: Digest) -> Result<Alone<'_>, Stop> {
        if self.making.lock().expect("no worker panics with it").insert(key) {
            Ok(Alone { engine: self, key })
        } else {
            Err(Stop::Later)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn room_is_taken_whole_or_not_at_all() {
        let mut room = Room { places: vec![2, 1], memory: 0, budget: 100 };
        assert!(room.take(&[(0, 1), (1, 1)], 60));
        assert!(!room.take(&[(0, 1), (1, 1)], 0), "the second pool is empty");
        assert!(!room.take(&[(0, 1)], 41), "60 and 41 are more than 100");
        assert!(room.take(&[(0, 1)], 40));
        assert!(!room.take(&[(0, 1)], 0), "the first pool is empty, refusals took nothing of it");
        assert!(room.take(&[], 0), "work that says no memory is not held up");
        room.give_back(&[(0, 1), (1, 1)], 60);
        assert!(!room.take(&[], 101), "more than the budget waits for the others");
        room.give_back(&[(0, 1)], 40);
        assert!(room.take(&[(0, 2), (1, 1)], 101), "and runs alone");
        assert!(!room.take(&[], 1));
        assert!(room.take(&[], 0));
        room.give_back(&[(0, 2), (1, 1)], 101);
        assert_eq!((room.places.as_slice(), room.memory), (&[2, 1][..], 0));
    }
}
