//! Settling one frame: once each, inputs first, cut off early where pixels came out the same.
//!
//! Knows the order of things: inputs, key, what is there already, and only then making it.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use super::shared::GATHERED;
use super::way::Lacks;
use super::{Ending, Engine, Failure, Progress, Ready, Stop};
use crate::base::digest::Digest;
use crate::base::made::{MadeOf, NONE, Row};
use crate::base::state::State as FrameState;
use crate::declare::film::Each;
use crate::events::How;
use crate::graph::{self, NodeId, Work};
use crate::media::image::ImageDigest;
use crate::media::render::Render;
use crate::stale::{self, Cell, Input, Reason, SourceState, cause};
use crate::store::StoreError;
use crate::store::actions::Action;

/// What made a frame necessary that is made once more of just the same.
const LOST: &str = "earlier render lost";

/// The frames that a frame needs, settled.
type Needs = HashMap<(NodeId, i64), Ready>;

/// A frame about to be made or put back.
pub(super) struct Due {
    pub key: Digest,
    pub made_of: MadeOf,
    pub last: Row,
    /// True when it was never rendered before.
    pub first: bool,
    pub cause: Arc<str>,
}

/// What was found once the key was known.
pub(super) enum Standing {
    Settled(Ready),
    Due(Due),
}

impl Engine<'_> {
    /// Settles a frame and gives its pixels' digest.
    pub(super) fn ensure(&self, id: NodeId, frame: i64) -> Result<Ready, Stop> {
        let cell = {
            let mut cells = self.cells.lock().expect("no worker panics with it");
            match cells.get(&(id, frame)) {
                Some(Progress::Done(ready)) => return Ok(ready.clone()),
                Some(Progress::Failed) => return Err(Stop::Failed),
                Some(Progress::Running) => return Err(Stop::Later),
                // What is settled can still be had, so that a frame in hand comes to its end.
                None if self.is_ending() => return Err(Stop::Ending),
                None => {}
            }
            let Some(cell) = self.report.strips[id].get(frame) else { return Err(Stop::Failed) };
            let is_out_of_place = cell.is_in_use() && cell.restorable;
            if let Some(settled) = self.settled_by(id, &cell).filter(|_| !is_out_of_place) {
                return settled;
            }
            cells.insert((id, frame), Progress::Running);
            cell
        };
        let settled = unbroken(|| match &self.graph.nodes[id].work {
            _ if cell.is_in_use() => self.put_back(id, frame, &cell),
            Work::Command(work) if work.command.each != Each::Frame => self.settle_group(id, frame),
            _ => self.settle_one(id, frame),
        });
        let result = settled.unwrap_or_else(|words| {
            self.fail(id, frame, NONE, self.broke(id, &words), None);
            Err(Stop::Failed)
        });
        self.conclude(id, frame, &result);
        result
    }

    /// Takes note of what came of a frame that this worker had marked as under way.
    pub(super) fn conclude(&self, id: NodeId, frame: i64, result: &Result<Ready, Stop>) {
        let mut cells = self.cells.lock().expect("no worker panics with it");
        match result {
            Ok(ready) => drop(cells.insert((id, frame), Progress::Done(ready.clone()))),
            Err(Stop::Failed) => drop(cells.insert((id, frame), Progress::Failed)),
            // A call of many frames settles this one too, perhaps while this worker only looked: that stands.
            Err(Stop::Later | Stop::Awaits(_) | Stop::Ending) => {
                if matches!(cells.get(&(id, frame)), Some(Progress::Running)) {
                    cells.remove(&(id, frame));
                }
            }
        }
        drop(cells);
        self.changed.notify_all();
    }

    /// What to say of a node's frame on which the program itself broke.
    pub(super) fn broke(&self, id: NodeId, words: &str) -> String {
        format!("{} broke on this frame: {words}; please report it", self.graph.nodes[id].kind())
    }

    /// What is known without doing anything: fresh frames, held ones, and those that cannot be made.
    pub(super) fn settled_before(&self, id: NodeId, frame: i64) -> Option<Result<Ready, Stop>> {
        match self.report.strips[id].get(frame) {
            Some(cell) => self.settled_by(id, &cell),
            None => Some(Err(Stop::Failed)),
        }
    }

    fn settled_by(&self, id: NodeId, cell: &Cell) -> Option<Result<Ready, Stop>> {
        let ready = || Ready { pixels: cell.pixels, key: cell.made_by, cause: "".into() };
        match (cell.state, cell.reason) {
            // What a fresh frame was made of may be lost while its last key is not. Of a picture that is not kept
            // nothing else tells its channels, which other frames may take, so it is made once more.
            (FrameState::Fresh, _) if !self.graph.nodes[id].keep && !self.actions.has(&cell.made_by) => None,
            (FrameState::Fresh, _) => Some(Ok(ready())),
            _ if cell.is_in_use() => Some(Ok(ready())),
            (_, Reason::FileMissing | Reason::FileUnfit) | (FrameState::Out, _) => Some(Err(Stop::Failed)),
            (FrameState::Failed, Reason::Failed) if !self.options.again => Some(Err(Stop::Failed)),
            _ => None,
        }
    }

    fn settle_one(&self, id: NodeId, frame: i64) -> Result<Ready, Stop> {
        match self.stand(id, frame)? {
            Standing::Settled(ready) => Ok(ready),
            Standing::Due(due) if self.elsewhere().is_some() => {
                Err(self.leave(id, frame, &Lacks::Render(&due)))
            }
            Standing::Due(due) => {
                self.await_shared(id, &due)?;
                let _alone = self.alone(due.key)?;
                // It may have been made between the look at what is there and the right to make it.
                let due = match self.take_up(id, frame, due)? {
                    Standing::Settled(ready) => return Ok(ready),
                    Standing::Due(due) => due,
                };
                // What another member rendered needs no place in a pool.
                match self.take_shared(id, frame, due)? {
                    Standing::Settled(ready) => Ok(ready),
                    Standing::Due(due) => {
                        let _promised = self.promise(id)?;
                        self.make(id, frame, due)
                    }
                }
            }
        }
    }

    /// Settles the inputs, works out the key, and says whether the frame is settled by that.
    pub(super) fn stand(&self, id: NodeId, frame: i64) -> Result<Standing, Stop> {
        let mut wanted = Vec::new();
        self.graph
            .each_need(id, frame, &mut |edge, _, range| wanted.extend(range.iter().map(|n| (edge.from, n))));
        let mut needs: Needs = HashMap::with_capacity(wanted.len());
        let mut awaited = Vec::new();
        for (from, n) in wanted {
            if needs.contains_key(&(from, n)) {
                continue;
            }
            match self.ensure(from, n) {
                Ok(ready) => drop(needs.insert((from, n), ready)),
                Err(Stop::Failed) if self.elsewhere().is_some() => {
                    return Err(self.leave(id, frame, &Lacks::Need((from, n))));
                }
                Err(Stop::Failed) => {
                    self.announce(id, frame, How::Blocked);
                    return Err(Stop::Failed);
                }
                Err(Stop::Awaits(wanted)) => {
                    awaited.extend(wanted);
                    if awaited.len() >= GATHERED {
                        break;
                    }
                }
                Err(stop) => return Err(stop),
            }
        }
        Stop::unless_nothing(awaited)?;
        let node = &self.graph.nodes[id];
        let source = node.source().map(|s| self.seen[s].get(frame).map(|sight| sight.state));
        let source = match source {
            None => None,
            Some(Some(SourceState::Known(digest))) => Some(digest),
            Some(_) => return Err(Stop::Failed),
        };
        let mut seen = |from: NodeId, n: i64, channel: Option<&str>| {
            let Some(ready) = needs.get(&(from, n)) else { return Input::Missing };
            match channel {
                None => Input::Pixels(ready.pixels),
                Some(channel) => {
                    let plane = self.actions.plane(&self.objects, &ready.key, &ready.pixels, channel);
                    plane.map_or(Input::Missing, Input::Pixels)
                }
            }
        };
        let made_for = source.and_then(|file| self.made_for(id, frame, &file));
        let Ok((key, mut made_of)) = stale::key(self.graph, id, frame, source, made_for, None, &mut seen)
        else {
            self.fail(id, frame, NONE, "a channel of an input is not there".into(), None);
            return Err(Stop::Failed);
        };
        if let Some(handed_out) = made_for.and_then(|then| self.actions.get(&then)) {
            made_of.inputs = handed_out.made_of.inputs;
        }
        let last = self.last(id, frame);
        made_of.ingredients = self.ingredients(id).map_err(|e| self.broken(&e))?;
        let first = last.key == NONE && !self.tally.was_rendered(node, frame);
        let then = self.last_of_all(id, frame, &key, last);
        let cause =
            if last.key == key { LOST.into() } else { self.cause(id, &then, first, &made_of, &needs) };
        self.take_up(id, frame, Due { key, made_of, last, first, cause })
    }

    /// What a person's file was made for, when it came back in a packet.
    fn made_for(&self, id: NodeId, frame: i64, file: &Digest) -> Option<Digest> {
        let node = &self.graph.nodes[id];
        let returns = self.packets.returns(&node.shot, &node.stage)?;
        matches!(node.work, Work::Hand { .. }).then(|| returns.made_for(frame, file)).flatten()
    }

    /// Uses what is there already for a key, if anything is.
    fn take_up(&self, id: NodeId, frame: i64, due: Due) -> Result<Standing, Stop> {
        let node = &self.graph.nodes[id];
        let there = self.actions.get(&due.key).filter(|action| !node.keep || self.has_file(action));
        let Some(action) = there else {
            if due.last.failed == due.key && !self.options.again {
                let mut outcome = self.outcome.lock().expect("no worker panics with it");
                outcome.failed_before.insert((id, frame));
                return Err(Stop::Failed);
            }
            return Ok(Standing::Due(due));
        };
        self.options.shared.iter().for_each(|shared| shared.forget(&due.key));
        let how = self.found(id, frame, &due, &action.pixels);
        let name = (node.shot.clone(), node.stage.clone());
        let is_told =
            self.elsewhere().and_then(|all| all.told.get(&name)).is_some_and(|set| set.contains(frame));
        if how == How::Alike && !is_told {
            self.tally.rendered(node, frame, due.cause.clone(), due.first, Default::default());
        }
        let ready = Ready { pixels: action.pixels, key: due.key, cause: due.cause };
        self.place(id, frame, &due.last, &ready).map_err(|e| self.broken(&e))?;
        self.share_made_elsewhere(id, &action, &how);
        self.announce(id, frame, how);
        Ok(Standing::Settled(ready))
    }

    /// How a frame is settled whose key has a render already, of these pixels.
    fn found(&self, id: NodeId, frame: i64, due: &Due, pixels: &Digest) -> How {
        let reason = self.report.strips[id].get(frame).map(|cell| cell.reason);
        let is_in_place = !matches!(reason, Some(Reason::OutOfPlace | Reason::Lost));
        if due.last.key == due.key && due.last.pixels == *pixels && is_in_place {
            return How::Same;
        }
        if self.elsewhere().is_some_and(|all| all.shared.contains(&due.key)) {
            return How::Shared;
        }
        if self.elsewhere().is_some_and(|all| all.made.contains(&due.key)) {
            // Of several frames with one key, whoever made it had one to make.
            let is_first = self.made.lock().expect("no worker panics with it").insert(due.key);
            return if is_first { How::Rendered } else { How::Alike };
        }
        let is_of_this_run = self.made.lock().expect("no worker panics with it").contains(&due.key);
        if is_of_this_run { How::Alike } else { How::Restored }
    }

    /// Puts pixels that were just made into the store, where their node's renders are kept, and into memory.
    /// Nothing names them yet.
    pub(super) fn take_in(&self, id: NodeId, render: Render) -> Result<ImageDigest, Stop> {
        let digest = render.digest();
        if self.graph.nodes[id].keep {
            self.objects.put(&digest.whole, &render).map_err(|e| self.broken(&e))?;
        }
        self.held(id).lock().expect("no worker panics with it").put(digest.whole, render);
        Ok(digest)
    }

    /// Records a render whose pixels were taken in.
    pub(super) fn record(
        &self,
        id: NodeId,
        frame: i64,
        due: Due,
        digest: ImageDigest,
    ) -> Result<Ready, Stop> {
        let ready = Ready { pixels: digest.whole, key: due.key, cause: due.cause };
        let (pixels, planes) = (digest.whole, digest.planes);
        // First of all that it is of this run: whoever finds the action at once is not to take it for an earlier one's.
        self.made.lock().expect("no worker panics with it").insert(due.key);
        let action = Action { key: due.key, pixels, planes, made_of: due.made_of };
        self.actions.put(&action).map_err(|e| self.broken(&e))?;
        self.place(id, frame, &due.last, &ready).map_err(|e| self.broken(&e))?;
        self.share(id, &action);
        Ok(ready)
    }

    /// A frame failed: it is remembered with its key, so that it is not tried again for nothing.
    pub(super) fn fail(
        &self,
        id: NodeId,
        frame: i64,
        key: Digest,
        reason: String,
        log: Option<std::path::PathBuf>,
    ) {
        let node = &self.graph.nodes[id];
        let row = Row { failed: key, ..self.last(id, frame) };
        if key != NONE
            && let Err(e) =
                self.state.lock().expect("no worker panics with it").set(&node.shot, &node.stage, frame, row)
        {
            self.broken(&e);
        }
        let place = stale::place(node, frame);
        let failure = Failure { node: id, frame, place, reason: reason.clone(), log };
        self.outcome.lock().expect("no worker panics with it").failures.push(failure);
        self.announce(id, frame, How::Failed(reason));
    }

    /// The store refused. On a full disk the run ends; nothing half-written is left under a final name.
    pub(super) fn broken(&self, error: &StoreError) -> Stop {
        self.end(Ending::of(error));
        Stop::Ending
    }

    pub(super) fn last(&self, id: NodeId, frame: i64) -> Row {
        let node = &self.graph.nodes[id];
        let state = self.state.lock().expect("no worker panics with it");
        state.table(&node.shot, &node.stage).and_then(|t| t.get(frame)).copied().unwrap_or(Row::EMPTY)
    }

    /// The digest of a node's named settings, remembered in the store.
    fn ingredients(&self, id: NodeId) -> Result<Digest, StoreError> {
        if let Some(&known) = self.ingredients[id].get() {
            return Ok(known);
        }
        let list = cause::settings(&self.graph.nodes[id].ingredients);
        let mut hasher = crate::base::digest::KeyHasher::new();
        for (name, digest, _) in &list {
            hasher.text(name).digest(digest);
        }
        let digest = hasher.finish();
        self.state.lock().expect("no worker panics with it").remember(digest, list)?;
        Ok(*self.ingredients[id].get_or_init(|| digest))
    }

    /// What made a frame necessary: a change of its own, or else what made its inputs change.
    fn cause(&self, id: NodeId, last: &Row, first: bool, now: &MadeOf, needs: &Needs) -> Arc<str> {
        let old = (last.key != NONE).then(|| self.actions.get(&last.key)).flatten().map(|a| a.made_of);
        if old.is_none() && !first {
            return LOST.into();
        }
        if let Some(old) = &old
            && old.identity == now.identity
            && old.parameters == now.parameters
        {
            // The first in the order of nodes and frames, so that the ledger says the same every time.
            let mut made: Vec<_> = needs.iter().filter(|(_, ready)| !ready.cause.is_empty()).collect();
            made.sort_unstable_by_key(|(place, _)| **place);
            let before: HashSet<&Digest> = old.inputs.iter().filter(|_| !made.is_empty()).collect();
            if let Some((_, ready)) = made.into_iter().find(|(_, ready)| !before.contains(&ready.pixels)) {
                return Arc::clone(&ready.cause);
            }
        }
        let state = self.state.lock().expect("no worker panics with it");
        let then = old.as_ref().and_then(|old| state.ingredients(&old.ingredients));
        cause::cause(self.graph, id, old.as_ref(), then, now)
    }
}

/// What `work` gives, or the words of its panic.
pub(super) fn unbroken<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(work)).map_err(|panic| {
        let text = panic.downcast_ref::<&str>().map(|words| words.to_string());
        text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "without a word".into())
    })
}

/// `renders/SHOT/STAGE/SHOT.FRAME.exr`; of a block of the film's sound, `.wav`.
pub fn render_path(shot: &str, stage: &str, frame: i64) -> String {
    let ending = if graph::is_heard(shot, stage) { "wav" } else { "exr" };
    format!("renders/{shot}/{stage}/{shot}.{frame:04}.{ending}")
}
