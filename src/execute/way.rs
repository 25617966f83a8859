//! How a run is to go: with how much of the machine, and who else makes frames of the film.
//!
//! Knows what differs for one of several who work at the same time, and for whoever puts in place what they made. Does
//! not know how they were started.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use super::settle::Due;
use super::{Engine, Stop, Was};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::events::Event;
use crate::graph::NodeId;
use crate::store::actions::Action;
use crate::store::shared::Shared;

/// How a run is to go.
#[derive(Clone, Debug)]
pub struct Options {
    /// Workers.
    pub jobs: usize,
    /// Bytes that pictures held between stages may take, and as many again that programs which say so may use at once.
    pub memory: usize,
    /// Whether frames that failed with the same key are tried again.
    pub again: bool,
    /// Who makes frames.
    pub way: Way,
    /// Where renders of others are looked for, and those of this run go.
    pub shared: Option<Arc<Shared>>,
    /// What others made of frames, as it was then.
    pub was: Arc<Was>,
}

/// Who makes frames.
#[derive(Clone, Debug, Default)]
pub enum Way {
    /// This run, alone: the film's lock is held. What a cluster is making is left to it.
    #[default]
    Alone,
    /// The same, and what a cluster is making is made here as well.
    Besides,
    /// This run beside others: nothing is put in place, and what is recorded is kept aside.
    Apart,
    /// Others did: this run puts in place what they made, and makes nothing.
    Gathers(Arc<Elsewhere>),
}

/// What others made.
#[derive(Debug, Default)]
pub struct Elsewhere {
    /// Keys of their renders.
    pub made: HashSet<Digest>,
    /// Frames by shot and stage that their rows in the ledger tell of.
    pub told: HashMap<(Arc<str>, Arc<str>), FrameSet>,
    /// Keys of those that they took from the shared store.
    pub shared: HashSet<Digest>,
    /// Since when a render is waited for that the disk does not show yet.
    pub late: OnceLock<Instant>,
}

/// How long renders are waited for in all that others made and that the shared disk does not show yet.
const LATE: Duration = Duration::from_secs(20);
/// How often it is looked for them.
const LOOK: Duration = Duration::from_millis(100);

impl Engine<'_> {
    /// True where nothing is put into the visible tree.
    pub(super) fn is_apart(&self) -> bool {
        matches!(self.options.way, Way::Apart)
    }

    /// What others made, where this run makes nothing.
    pub(super) fn elsewhere(&self) -> Option<&Elsewhere> {
        match &self.options.way {
            Way::Gathers(elsewhere) => Some(elsewhere),
            Way::Alone | Way::Besides | Way::Apart => None,
        }
    }

    /// Whether the file of a render is there. One that others made is waited for while their disk may show it late, and looked
    /// at then, as nobody did before.
    pub(super) fn has_file(&self, action: &Action) -> bool {
        let is_there = || self.objects.has(&action.pixels);
        let Some(elsewhere) = self.elsewhere().filter(|all| all.made.contains(&action.key)) else {
            return is_there();
        };
        // What was there when others' work was taken in was looked at then; once something comes late, all is looked at.
        if is_there() && elsewhere.late.get().is_none() {
            return true;
        }
        let since = *elsewhere.late.get_or_init(|| {
            let words = format!(
                "the shared disk does not show yet all that was made elsewhere; it is waited for, {} s at most",
                LATE.as_secs()
            );
            (self.events)(Event::Told(words));
            Instant::now()
        });
        while !is_there() {
            if since.elapsed() > LATE || self.is_ending() {
                return false;
            }
            std::thread::sleep(LOOK);
        }
        self.objects.examine(&action.pixels).is_ok()
    }

    /// A frame that nobody made, and that this run is not to make; one that failed with just the key that it has now is told as that.
    pub(super) fn leave(&self, id: NodeId, frame: i64, lacks: &Lacks<'_>) -> Stop {
        let mut outcome = self.outcome.lock().expect("no worker panics with it");
        let is_spoilt = match lacks {
            Lacks::Render(due) => self.was(id, frame).is_some_and(|row| row.key == due.key),
            Lacks::Need(need) => outcome.spoilt.contains(need),
        };
        let is_failed = matches!(lacks, Lacks::Render(due) if due.last.failed == due.key);
        if is_spoilt && !is_failed {
            outcome.spoilt.insert((id, frame));
        }
        // Plates that are only passed on are decoded by whoever makes what needs them.
        if !self.graph.nodes[id].is_passed_on() {
            if is_failed { &mut outcome.failed_before } else { &mut outcome.left }.insert((id, frame));
        }
        Stop::Failed
    }
}

/// What a frame lacks that this run is not to make.
pub(super) enum Lacks<'d> {
    /// Its own render.
    Render(&'d Due),
    /// A frame that it needs.
    Need((NodeId, i64)),
}
