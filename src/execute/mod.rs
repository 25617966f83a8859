//! Makes the planned frames: a local pool of workers, each taking one frame through its stages.
//!
//! Knows how frames are settled, once each, whoever asks first. Keys come from `stale`, pixels from operators,
//! commands and files; what is made goes to the store. Prints nothing; announces events.

mod before;
pub mod cache;
mod columns;
pub mod command;
mod ending;
mod groups;
mod make;
mod pixels;
mod places;
mod reads;
pub mod reel;
pub mod settle;
pub mod shared;
pub mod slurm;
pub mod source;
pub mod tally;
mod tree;
#[cfg(test)]
mod trial;
pub mod way;

use std::collections::{BTreeSet, HashMap, HashSet};
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, OnceLock};
use std::thread::Thread;

pub use self::before::Was;
pub use self::ending::{Ending, Failure};
pub use self::way::{Elsewhere, Options, Way};
use crate::base::digest::Digest;
use crate::crew::packets::Packets;
use crate::events::{Event, How};
use crate::graph::{Graph, NodeId};
use crate::media::exr::Fact;
use crate::observe::Seen;
use crate::operators::WorkingSpace;
use crate::plan::Plan;
use crate::programs::Runner;
use crate::stale::Report;
use crate::store::Store;
use crate::store::actions::Actions;
use crate::store::objects::Objects;
use crate::store::shared::ahead::Wanted;
use crate::store::state::State;

/// A settled frame: its pixels and the key they were made under.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ready {
    /// Digest of the pixels.
    pub pixels: Digest,
    /// The key.
    pub key: Digest,
    /// What made it necessary, for the ledger; empty when it was not made in this run.
    pub cause: Arc<str>,
}

/// Why a frame is not settled.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Stop {
    /// Another worker is at it, or a pool is full: come back.
    Later,
    /// What these keys came to is to be had from the shared store first: come back once one is here.
    Awaits(Vec<Wanted>),
    /// It failed or is blocked.
    Failed,
    /// The run is ending.
    Ending,
}

enum Progress {
    Running,
    Done(Ready),
    Failed,
}

/// What a run made and what failed.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// Frames rendered. Here and below plates that are only passed on are not counted.
    pub rendered: usize,
    /// How many of those are the same as others of this run, and cost nothing.
    pub alike: usize,
    /// Frames of plates that are only passed on, new or changed, that were decoded; and clips.
    pub read: [usize; 2],
    /// Put back.
    pub restored: usize,
    /// Taken from the shared store.
    pub shared: usize,
    /// Found the same.
    pub same: usize,
    /// Blocked.
    pub blocked: usize,
    /// Failed: place, reason, and the log when there is one; in order of the film.
    pub failures: Vec<Failure>,
    /// Failed in an earlier run with the key that they have now, or of an unfit file, and not tried.
    pub failed_before: BTreeSet<(NodeId, i64)>,
    /// Frames that were not made elsewhere, and that this run was not to make, nor what needs them.
    pub left: BTreeSet<(NodeId, i64)>,
    /// Frames whose renders, or renders that they need, were made and are not what they should be, or not to be had.
    pub spoilt: BTreeSet<(NodeId, i64)>,
    /// Why the run ended before its work was done.
    pub ended: Option<Ending>,
    /// What a person should know about frames that were made, in order of the film.
    pub remarks: BTreeSet<(NodeId, i64, String)>,
    /// Places that were rendered, in order; not those of plates that are only passed on.
    pub ran: Vec<(NodeId, i64)>,
}

/// What the pixels' numbers mean, as an attribute of EXR files.
pub fn colour(space: WorkingSpace) -> Fact {
    let places = space.encoding().primaries.chromaticities();
    Fact::Chromaticities(places.map(|place| place.map(|v| v as f32)))
}

/// What heads of renders' files say besides what every head does.
pub fn head(space: WorkingSpace) -> Vec<(String, Fact)> {
    vec![("chromaticities".to_string(), colour(space))]
}

/// A worker that has a column in hand; the others wait for it, so that it must be counted out whatever happens.
struct Busy<'e> {
    count: &'e AtomicUsize,
    changed: &'e Condvar,
}

impl Drop for Busy<'_> {
    fn drop(&mut self) {
        self.count.fetch_sub(1, Ordering::SeqCst);
        self.changed.notify_all();
    }
}

/// A worker that has not come to its end; whoever waits for the last one is woken.
struct AtWork<'e> {
    left: &'e AtomicUsize,
    waits: &'e Thread,
}

impl Drop for AtWork<'_> {
    fn drop(&mut self) {
        self.left.fetch_sub(1, Ordering::SeqCst);
        self.waits.unpark();
    }
}

/// One run over a plan.
pub struct Engine<'a> {
    /// The film.
    pub graph: &'a Graph,
    /// States before the run.
    pub report: &'a Report,
    /// The work.
    pub plan: &'a Plan,
    /// What was seen of sources.
    pub seen: &'a [Seen],
    /// The film's folder.
    pub project: PathBuf,
    /// The store.
    pub store: Store,
    /// Its renders.
    pub objects: Objects,
    /// What made what.
    pub actions: &'a Actions,
    /// What came back from people, and what it was made for.
    pub packets: &'a Packets,
    /// Last keys.
    pub state: Mutex<State>,
    /// Rows for the ledger.
    pub tally: tally::Tally,
    /// How to go.
    pub options: Options,
    /// Who is told.
    pub events: &'a (dyn Fn(Event) + Sync),
    /// Starts commands, and is asked from outside, or by the run itself, to end the run.
    pub programs: Runner,
    cells: Mutex<HashMap<(NodeId, i64), Progress>>,
    /// Keys of the renders made in this run.
    made: Mutex<HashSet<Digest>>,
    /// Digest of each node's named settings, once it is asked for.
    ingredients: Vec<OnceLock<Digest>>,
    changed: Arc<Condvar>,
    cache: Mutex<cache::Cache>,
    /// Clips of sound, as long as there is room.
    clips: Mutex<cache::Cache>,
    rooms: Mutex<places::Rooms>,
    /// Keys that some worker is making.
    making: Mutex<HashSet<Digest>>,
    groups: groups::Groups,
    reads: reads::Reads,
    movies: reel::Movies,
    outcome: Mutex<Outcome>,
}

impl<'a> Engine<'a> {
    /// A run that has not begun.
    #[allow(clippy::too_many_arguments)] // Every part is named once, by the front door.
    pub fn new(
        graph: &'a Graph,
        report: &'a Report,
        plan: &'a Plan,
        seen: &'a [Seen],
        project: PathBuf,
        store: Store,
        actions: &'a Actions,
        packets: &'a Packets,
        state: State,
        tally: tally::Tally,
        options: Options,
        programs: Runner,
        events: &'a (dyn Fn(Event) + Sync),
    ) -> Self {
        let places = graph.pools.iter().map(|(_, n)| *n).collect();
        let rooms = Mutex::new(places::Rooms::new(places, options.memory as u64));
        let (held, clips) = cache::shares(graph, plan, options.jobs, options.memory);
        let cache = Mutex::new(cache::Cache::with_budget(held));
        let objects = Objects::of(&store).saying(head(graph.space));
        let failed = plan.failed.iter().flat_map(|(&id, set)| set.iter().map(move |n| (id, n)));
        let outcome = Outcome { failed_before: failed.collect(), ..Outcome::default() };
        Self {
            graph,
            report,
            plan,
            seen,
            project,
            store,
            objects,
            actions,
            packets,
            state: Mutex::new(state),
            tally,
            programs,
            events,
            cells: Mutex::default(),
            made: Mutex::default(),
            ingredients: graph.nodes.iter().map(|_| OnceLock::new()).collect(),
            changed: Arc::default(),
            cache,
            clips: Mutex::new(cache::Cache::with_budget(clips)),
            rooms,
            making: Mutex::default(),
            groups: groups::Groups::default(),
            reads: reads::Reads::default(),
            movies: reel::Movies::default(),
            outcome: Mutex::new(outcome),
            options,
        }
    }

    /// Does the work and gives what came of it, with the last keys for saving.
    pub fn run(self) -> (Outcome, State, tally::Tally) {
        (self.events)(Event::Began(self.plan.count));
        let queue = Mutex::new(columns::Columns::new(self.plan.columns.len()));
        let busy = AtomicUsize::new(0);
        let count = self.options.jobs.max(1).min(self.plan.columns.len().max(1));
        let (left, here) = (AtomicUsize::new(count), std::thread::current());
        self.foresee_shared();
        std::thread::scope(|scope| {
            for _ in 0..count {
                scope.spawn(|| {
                    let _at_work = AtWork { left: &left, waits: &here };
                    self.work(&queue, &busy);
                });
            }
            // Workers may be at one frame for long; what they did before is written meanwhile.
            while left.load(Ordering::SeqCst) > 0 {
                std::thread::park_timeout(tally::HOLD_BACK);
                self.tally.flush_due();
            }
        });
        self.place_as_was();
        let mut outcome = self.outcome.into_inner().expect("workers ended");
        outcome.failures.sort_by_key(|failure| (failure.node, failure.frame));
        if outcome.ended.is_none() && self.programs.halt.is_asked() {
            outcome.ended = Some(Ending::Asked);
        }
        (outcome, self.state.into_inner().expect("workers ended"), self.tally)
    }

    fn work(&self, queue: &Mutex<columns::Columns>, busy: &AtomicUsize) {
        let mut put_off = 0;
        let lock = || queue.lock().expect("no worker panics with it");
        loop {
            if self.is_ending() {
                return;
            }
            let next = {
                let mut queue = lock();
                let may_begin = self.come_back(&mut queue, busy);
                let next = queue.next(may_begin);
                if next.is_some() {
                    busy.fetch_add(1, Ordering::SeqCst);
                } else if busy.load(Ordering::SeqCst) == 0 && queue.parked() == 0 {
                    return;
                }
                next
            };
            let Some(column) = next else {
                self.wait();
                continue;
            };
            let busy = Busy { count: busy, changed: &self.changed };
            let went = self.column(column);
            let is_later = went == Err(Stop::Later);
            put_off = if is_later { put_off + 1 } else { 0 };
            match went {
                Err(Stop::Later) => lock().put_off(column),
                Err(Stop::Awaits(wanted)) => self.park(queue, column, &wanted),
                _ => {}
            }
            drop(busy);
            if is_later && put_off > lock().ready(true) {
                self.wait();
            }
        }
    }

    /// Waits until some frame is settled; looks again by itself now and then, so that an end is not missed.
    fn wait(&self) {
        let cells = self.cells.lock().expect("no worker panics with it");
        drop(self.changed.wait_timeout(cells, std::time::Duration::from_millis(20)));
    }

    /// Takes a column as far as it goes; says why it must be taken up again where it must.
    fn column(&self, column: usize) -> Result<(), Stop> {
        let mut awaited = Vec::new();
        for &(id, frame) in &self.plan.columns[column].targets {
            match self.ensure(id, frame) {
                // What needs nothing of it goes on meanwhile.
                Err(Stop::Awaits(wanted)) => awaited.extend(wanted),
                Err(Stop::Later) if !awaited.is_empty() => break,
                Err(stop @ (Stop::Later | Stop::Ending)) => return Err(stop),
                Ok(_) | Err(Stop::Failed) => {}
            }
        }
        Stop::unless_nothing(awaited)
    }

    fn is_ending(&self) -> bool {
        self.programs.halt.is_asked()
    }

    /// Ends the run: nothing more can be done, for this reason.
    fn end(&self, reason: Ending) {
        self.outcome.lock().expect("no worker panics with it").ended.get_or_insert(reason);
        self.programs.halt.hurry();
        self.changed.notify_all();
    }

    /// What was found in a source's file is told with the file's name.
    fn remark_on_file(&self, id: NodeId, source: usize, frame: i64, text: Option<String>) {
        let Some(text) = text else { return };
        self.remark(id, frame, format!("{} {text}", self.graph.sources[source].file(frame)));
    }

    fn remark(&self, id: NodeId, frame: i64, text: String) {
        self.outcome.lock().expect("no worker panics with it").remarks.insert((id, frame, text));
    }

    fn announce(&self, id: NodeId, frame: i64, how: How) {
        let node = &self.graph.nodes[id];
        {
            let mut out = self.outcome.lock().expect("no worker panics with it");
            match &how {
                How::Rendered | How::Alike if node.is_passed_on() => out.read[node.is_heard() as usize] += 1,
                How::Failed(_) => {}
                _ if node.is_passed_on() => {}
                How::Rendered | How::Alike => {
                    out.rendered += 1;
                    out.alike += usize::from(how == How::Alike);
                    out.ran.push((id, frame));
                }
                How::Restored => out.restored += 1,
                How::Shared => out.shared += 1,
                How::Same => out.same += 1,
                How::Blocked => out.blocked += 1,
            }
        }
        // Progress counts what the run said it would settle, and plates that are passed on are not among it.
        if !node.is_passed_on() || matches!(how, How::Failed(_)) {
            (self.events)(Event::Frame { shot: node.shot.clone(), stage: node.stage.clone(), frame, how });
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicUsize;

    use super::trial::{Acting, acting, engine, graph, node, picture, run, run_within, shell};
    use super::*;
    use crate::declare::film::Each;

    /// Fails a frame, not the run: the first stage breaks at frame 2, the second needs it.
    fn breaks_at_two(first: Acting) {
        let nodes =
            vec![node("ground", 3, acting(first), None), node("colour", 3, acting(Acting::well()), Some(0))];
        let outcome = run(graph(nodes), 2);
        let told: Vec<_> =
            outcome.failures.iter().map(|f| (f.place.as_str(), f.reason.contains("salt"))).collect();
        assert_eq!(told, [("br010/ground@2", true)], "{:?}", outcome.failures);
        assert_eq!((outcome.rendered, outcome.blocked, &outcome.ended), (4, 1, &None));
    }

    #[test]
    fn a_panic_fails_its_frame_with_its_words() {
        breaks_at_two(Acting {
            apply: Box::new(|frame| if frame == 2 { panic!("the salt is wet") } else { picture(frame) }),
            ..Acting::well()
        });
    }

    #[test]
    fn a_panic_outside_the_pixels_fails_its_frame_too() {
        // Staleness asks for the parameters of each frame once, the engine once more.
        let asked = AtomicUsize::new(0);
        breaks_at_two(Acting {
            at: Box::new(move |frame| {
                assert!(frame != 2 || asked.fetch_add(1, Ordering::SeqCst) == 0, "the salt is wet");
            }),
            ..Acting::well()
        });
    }

    #[test]
    fn a_call_for_a_whole_shot_asks_for_each_input_once() {
        // Pictures that are not kept and find no room in memory are made for every one who asks.
        let made = Arc::new(AtomicUsize::new(0));
        let count = Arc::clone(&made);
        let counting = Acting {
            apply: Box::new(move |frame| {
                count.fetch_add(1, Ordering::SeqCst);
                picture(frame)
            }),
            ..Acting::well()
        };
        let copy = "d=${1%/*}; for f in \"$d\"/picture.*; do cp \"$f\" \"$d/out.${f##*picture.}\"; done";
        let mut ground = node("ground", 8, acting(counting), None);
        ground.keep = false;
        let tool = node("tool", 8, shell(copy, Each::Shot), Some(0));
        let outcome = run_within(graph(vec![ground, tool]), 2, 0);
        assert_eq!((outcome.rendered, &outcome.failures), (16, &vec![]));
        assert_eq!(made.load(Ordering::SeqCst), 16, "once when it was settled, once when it was laid out");
    }

    #[test]
    fn a_frame_that_another_call_settled_is_not_settled_again() {
        let copy = "exit 1";
        let nodes = vec![
            node("ground", 2, acting(Acting::well()), None),
            node("tool", 2, shell(copy, Each::Shot), Some(0)),
        ];
        let graph = graph(nodes);
        engine(&graph, 1, 1 << 20, |engine| {
            // A worker marked the frame, found the call taken, and comes back when it is over.
            let settled = Ready { pixels: Digest::of(b"pixels"), key: Digest::of(b"key"), cause: "".into() };
            for (progress, want) in [
                (Progress::Done(settled.clone()), Ok(settled.clone())),
                (Progress::Failed, Err(Stop::Failed)),
            ] {
                engine.cells.lock().unwrap().insert((1, 2), progress);
                engine.conclude(1, 2, &Err(Stop::Later));
                assert_eq!(engine.ensure(1, 2), want, "what the call came to stands");
                assert_eq!(engine.settle_group(1, 2), want, "nor is it called again");
            }
            engine.cells.lock().unwrap().insert((1, 1), Progress::Running);
            engine.conclude(1, 1, &Err(Stop::Later));
            assert!(!engine.cells.lock().unwrap().contains_key(&(1, 1)), "one's own mark goes");
            assert_eq!(engine.outcome.lock().unwrap().failures, []);
        });
    }

    #[test]
    fn frames_with_one_key_are_made_once() {
        let (begun, first) = std::sync::mpsc::channel();
        let (go, on) = std::sync::mpsc::channel();
        let on = Mutex::new(on);
        let made = Arc::new(AtomicUsize::new(0));
        let count = Arc::clone(&made);
        let mut still = Acting::well();
        still.is_still = true;
        still.apply = Box::new(move |_| {
            count.fetch_add(1, Ordering::SeqCst);
            begun.send(()).unwrap();
            on.lock().unwrap().recv().unwrap();
            picture(0)
        });
        let graph = graph(vec![node("ground", 2, acting(still), None)]);
        engine(&graph, 2, 1 << 20, |engine| {
            std::thread::scope(|scope| {
                let one = scope.spawn(|| engine.ensure(0, 1));
                first.recv().unwrap();
                assert_eq!(engine.ensure(0, 2), Err(Stop::Later), "the other is at it");
                go.send(()).unwrap();
                let one = one.join().unwrap().unwrap();
                assert_eq!(engine.ensure(0, 2).unwrap().pixels, one.pixels);
            });
            let outcome = engine.outcome.lock().unwrap();
            assert_eq!((outcome.rendered, outcome.restored, made.load(Ordering::SeqCst)), (2, 0, 1));
        });
    }
}
