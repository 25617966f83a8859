//! Time as it is spent → rows of the ledger, one for a run of frames of one stage and cause.
//!
//! Gathers frames that ended one after the other. Whoever runs it asks it every so often to write them out, so that a
//! killed run loses little. A ledger that cannot be opened or written is told of once and stops no render.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::base::frames::FrameSet;
use crate::graph::Node;
use crate::ledger::file::{Ledger, LedgerError};
use crate::ledger::row::{Entry, Outcome, PASSED_ON, Render, Round, Row, What};

/// Longest time that spent time is to stay unwritten.
pub const HOLD_BACK: Duration = Duration::from_millis(500);

type Name = (Arc<str>, Arc<str>, Arc<str>, bool, Option<Arc<str>>);

#[derive(Default)]
struct Sum {
    by: Arc<str>,
    frames: FrameSet,
    wall: Duration,
    cpu: Duration,
    peak: Option<u64>,
}

/// What was gathered, and where it goes.
struct Inner {
    /// Nothing where it could not be opened.
    ledger: Option<Ledger>,
    sums: HashMap<Name, Sum>,
    /// When something was written last.
    written: Instant,
}

/// Gathers and writes.
pub struct Tally {
    film: Arc<str>,
    machine: Arc<str>,
    inner: Mutex<Inner>,
    /// Frames that the ledger had as rendered before this run, by shot and stage.
    before: HashMap<(Arc<str>, Arc<str>), FrameSet>,
    /// Wall and processor time so far.
    pub total: Mutex<(Duration, Duration)>,
    /// The first error of the ledger.
    pub trouble: Mutex<Option<String>>,
}

/// Wall time, processor time, peak memory in bytes.
pub type Spent = (Duration, Duration, Option<u64>);

impl Tally {
    /// Writes into `ledger`, which holds the rows `before`; when it could not be opened, remembers why.
    pub fn new(film: &str, machine: &str, ledger: Result<Ledger, LedgerError>, before: &[Entry]) -> Self {
        let mut rendered: HashMap<_, FrameSet> = HashMap::new();
        for row in before.iter().map(|entry| &entry.row) {
            if matches!(&row.what, What::Render(render) if render.outcome == Outcome::Done) {
                let frames = rendered.entry((row.shot.clone(), row.stage.clone())).or_default();
                row.frames.runs().iter().for_each(|&range| frames.insert_range(range));
            }
        }
        let (ledger, trouble) = match ledger {
            Ok(ledger) => (Some(ledger), None),
            Err(error) => (None, Some(error.to_string())),
        };
        Self {
            before: rendered,
            film: film.into(),
            machine: machine.into(),
            inner: Mutex::new(Inner { ledger, sums: HashMap::new(), written: Instant::now() }),
            total: Mutex::default(),
            trouble: Mutex::new(trouble),
        }
    }

    /// Whether the ledger had a frame as rendered before this run. The store forgets that where it was removed, or
    /// where a run was killed between two writes.
    pub fn was_rendered(&self, node: &Node, frame: i64) -> bool {
        let name = (node.shot.clone(), node.stage.clone());
        self.before.get(&name).is_some_and(|frames| frames.contains(frame))
    }

    /// A frame was rendered. `first` says that it was never rendered before.
    pub fn rendered(&self, node: &Node, frame: i64, cause: Arc<str>, first: bool, spent: Spent) {
        self.add(node, frame, cause, first, spent, None);
    }

    /// A frame failed. `first` says that it was never rendered before.
    pub fn failed(&self, node: &Node, frame: i64, cause: Arc<str>, first: bool, spent: Spent, reason: &str) {
        let short: String = reason.lines().next().unwrap_or("").chars().take(200).collect();
        self.add(node, frame, cause, first, spent, Some(short.into()));
    }

    fn add(
        &self,
        node: &Node,
        frame: i64,
        cause: Arc<str>,
        first: bool,
        spent: Spent,
        failed: Option<Arc<str>>,
    ) {
        {
            let mut total = self.total.lock().expect("no worker panics with it");
            total.0 += spent.0;
            total.1 += spent.1;
        }
        let mut inner = self.inner.lock().expect("no worker panics with it");
        let sum =
            inner.sums.entry((node.shot.clone(), node.stage.clone(), cause, first, failed)).or_default();
        sum.by = if node.is_passed_on() { PASSED_ON } else { node.kind() }.into();
        sum.frames.insert(frame);
        sum.wall += spent.0;
        sum.cpu += spent.1;
        sum.peak = sum.peak.max(spent.2);
        self.write_due(&mut inner);
    }

    /// Writes out what was gathered when that was last done a while ago.
    pub fn flush_due(&self) {
        self.write_due(&mut self.inner.lock().expect("no worker panics with it"));
    }

    fn write_due(&self, inner: &mut Inner) {
        if !inner.sums.is_empty() && inner.written.elapsed() > HOLD_BACK {
            self.write(inner);
        }
    }

    /// Writes out what was gathered.
    pub fn flush(&self) {
        self.write(&mut self.inner.lock().expect("no worker panics with it"));
    }

    fn write(&self, inner: &mut Inner) {
        let mut sums: Vec<_> = inner.sums.drain().collect();
        sums.sort_by(|a, b| a.0.cmp(&b.0));
        for ((shot, stage, cause, first, failed), sum) in sums {
            let render = Render {
                cause,
                round: if first { Round::First } else { Round::Rework },
                wall: sum.wall,
                cpu: sum.cpu,
                peak_memory: sum.peak,
                machine: self.machine.clone(),
                outcome: failed.map_or(Outcome::Done, Outcome::Failed),
            };
            let when = jiff::Timestamp::now();
            let row = Row {
                when,
                film: self.film.clone(),
                shot,
                stage,
                frames: sum.frames,
                by: sum.by,
                what: What::Render(render),
            };
            if let Some(Err(e)) = inner.ledger.as_mut().map(|ledger| ledger.append(&row)) {
                self.trouble.lock().expect("no worker panics with it").get_or_insert(e.to_string());
            }
        }
        inner.written = Instant::now();
    }
}
