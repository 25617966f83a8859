//! Rebuilding, holding and sweeping: what changes the film's store and ledger.

use std::collections::{HashMap, HashSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use super::{Care, Declared, Project, ProjectError, Status, wanted};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::selector::Selection;
use crate::events::Event;
use crate::execute::settle::render_path;
use crate::execute::tally::Tally;
use crate::execute::{Engine, Options, Outcome};
use crate::ledger::file::Ledger;
use crate::ledger::row::{Row, What};
use crate::plan::{self, Plan};
use crate::stale::Reason;
use crate::store::lock::Lock;
use crate::store::objects::Objects;
use crate::store::sweep;

/// Frames that one row of the ledger holds.
const HELD_A_ROW: usize = 8192;

/// Who writes, for the ledger and the lock.
#[derive(Clone, Debug)]
pub struct Writer {
    /// Name of the ledger's file.
    pub name: String,
    /// The machine's name.
    pub machine: String,
    /// The process.
    pub process: u32,
}

/// What a rebuild did.
pub struct Rebuilt {
    /// What came of the frames.
    pub outcome: Outcome,
    /// The state before.
    pub status: Status,
    /// The work as planned.
    pub plan: Plan,
    /// Wall and processor time over all frames.
    pub spent: (Duration, Duration),
    /// The ledger's trouble, when rows could not be written.
    pub ledger_trouble: Option<String>,
}

impl Project {
    /// What a rebuild would do, without doing it.
    pub fn plan(&self, status: &Status, selection: &Selection, again: bool) -> Plan {
        let chosen = wanted(&status.declared.graph, selection);
        plan::plan(&status.declared.graph, &status.report, again, &|id, frame| {
            chosen[id].as_ref().is_some_and(|c| c.contains(frame))
        })
    }

    /// Renders what is stale or absent of the film as `declared`.
    #[allow(clippy::too_many_arguments)] // Each is one thing that the caller decides.
    pub fn rebuild(
        &self,
        declared: Declared,
        selection: &Selection,
        options: Options,
        writer: &Writer,
        cancel: Arc<AtomicBool>,
        runtime: tokio::runtime::Handle,
        events: &(dyn Fn(Event) + Sync),
    ) -> Result<Rebuilt, ProjectError> {
        if !declared.is_sound() {
            return Err(ProjectError::Unsound(Box::new(declared)));
        }
        let _lock = self.lock(writer)?;
        let mut status =
            self.status_of(declared, Care::Write, &|done, of| events(Event::Reading(done, of)))?;
        self.clear_left_over(&status);
        let plan = self.plan(&status, selection, options.again);
        let ledger = Ledger::open(&self.folder.join("ledger"), &writer.name)?;
        let tally = Tally::new(&status.declared.graph.film, &writer.machine, ledger);
        let mut state = std::mem::take(&mut status.state);
        state.open_journal(&status.store)?;
        let engine = Engine::new(
            &status.declared.graph,
            &status.report,
            &plan,
            &status.seen,
            self.folder.clone(),
            status.store.clone(),
            &status.actions,
            state,
            tally,
            options,
            cancel,
            events,
            runtime,
        );
        let (mut outcome, mut state, tally) = engine.run();
        tally.flush();
        if let Err(error) = state.settle(&status.store) {
            outcome.ended.get_or_insert(error.to_string());
        }
        status.state = state;
        let spent = *tally.total.lock().expect("the run ended");
        let ledger_trouble = tally.trouble.lock().expect("the run ended").clone();
        Ok(Rebuilt { outcome, status, plan, spent, ledger_trouble })
    }

    /// Takes the writer's lock, making the store where there is none.
    fn lock(&self, writer: &Writer) -> Result<Lock, ProjectError> {
        let store = crate::store::Store::at(&self.folder)?;
        store.create()?;
        let who = format!(
            "process {} on {} ({}) since {}",
            writer.process,
            writer.machine,
            writer.name,
            jiff::Timestamp::now().strftime("%F %H:%M:%S UTC")
        );
        Ok(Lock::take(&store, &who)?)
    }

    /// Folders of calls and half-written files that a killed run left behind.
    fn clear_left_over(&self, status: &Status) {
        let entries = |name: &str| std::fs::read_dir(status.store.path(name)).into_iter().flatten().flatten();
        for entry in entries("work") {
            let path = entry.path();
            let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
            let _ = if is_folder { std::fs::remove_dir_all(path) } else { std::fs::remove_file(path) };
        }
        for entry in entries("").filter(|e| e.file_name().to_string_lossy().starts_with(".tmp")) {
            let _ = std::fs::remove_file(entry.path());
        }
    }

    /// Keeps (or lets go of) the renders that are there, of what is selected. Gives how many frames that is.
    pub fn hold(
        &self,
        selection: &Selection,
        hold: bool,
        note: &str,
        writer: &Writer,
    ) -> Result<usize, ProjectError> {
        let status = self.status(false, &|_, _| {})?;
        let _lock = self.lock(writer)?;
        let mut ledger = Ledger::open(&self.folder.join("ledger"), &writer.name)?;
        let graph = &status.declared.graph;
        let mut count = 0;
        for (node, chosen) in graph.nodes.iter().zip(wanted(graph, selection)) {
            let Some(chosen) = chosen else { continue };
            let Some(table) = status.state.table(&node.shot, &node.stage) else { continue };
            let all: Vec<i64> = node
                .frames
                .iter()
                .filter(|&n| chosen.contains(n) && table.get(n).is_some_and(|r| r.key != NONE))
                .collect();
            count += all.len();
            // A row of the ledger has a limit, and each frame's digest stands in it.
            for frames in all.chunks(HELD_A_ROW) {
                let frames: FrameSet = frames.iter().copied().collect();
                let digests = frames.iter().filter_map(|n| table.get(n)).map(|row| row.pixels).collect();
                let note: Arc<str> = note.into();
                let what = if hold { What::Hold { digests, note } } else { What::Release { note } };
                let (film, by) = (graph.film.as_str().into(), writer.name.as_str().into());
                ledger.append(&Row {
                    when: jiff::Timestamp::now(),
                    film,
                    shot: node.shot.clone(),
                    stage: node.stage.clone(),
                    frames,
                    by,
                    what,
                })?;
            }
        }
        Ok(count)
    }

    /// What a sweep would find: stored renders that no current frame uses, oldest first.
    pub fn look_for_unused(&self) -> Result<(Status, sweep::Found), ProjectError> {
        let status = self.status_of(self.read(), Care::Write, &|_, _| {})?;
        let mut used: HashSet<Digest> = HashSet::new();
        for node in &status.declared.graph.nodes {
            let table = status.state.table(&node.shot, &node.stage);
            let rows = table.iter().flat_map(|table| table.rows());
            used.extend(rows.filter(|(n, _)| node.frames.contains(*n)).map(|(_, row)| row.pixels));
        }
        for strip in &status.report.strips {
            used.extend(
                strip
                    .iter()
                    .map(|(_, c)| c)
                    .filter(|c| c.reason != Reason::New || c.restorable)
                    .map(|c| c.pixels),
            );
        }
        let found = sweep::look(&status.store, &used)?;
        Ok((status, found))
    }

    /// Removes unused renders, oldest first, down to `budget` bytes, and their names in `renders/` of frames that
    /// the film no longer has.
    pub fn sweep(
        &self,
        budget: u64,
        writer: &Writer,
    ) -> Result<(sweep::Found, Vec<sweep::Unused>), ProjectError> {
        let _lock = self.lock(writer)?;
        let (status, found) = self.look_for_unused()?;
        let left = self.left_behind(&status);
        let gone = sweep::remove(&found, budget)?;
        let lost: HashSet<Digest> = gone.iter().map(|u| u.pixels).collect();
        for (_, path) in left.iter().filter(|(pixels, _)| lost.contains(pixels)) {
            std::fs::remove_file(path).map_err(crate::store::StoreError::file(path))?;
        }
        status.actions.retain(|action| !lost.contains(&action.pixels))?;
        Ok((found, gone))
    }

    /// Files in `renders/` of frames that the film no longer has, as far as they are still what was rendered.
    fn left_behind(&self, status: &Status) -> Vec<(Digest, PathBuf)> {
        let objects = Objects::of(&status.store);
        let graph = &status.declared.graph;
        let frames: HashMap<(&str, &str), _> =
            graph.nodes.iter().map(|node| ((&*node.shot, &*node.stage), node.frames)).collect();
        let mut left = Vec::new();
        for (shot, stage, table) in status.state.tables() {
            let current = frames.get(&(shot, stage));
            for (frame, row) in table.rows().filter(|(n, _)| !current.is_some_and(|range| range.contains(*n)))
            {
                let path = self.folder.join(render_path(shot, stage, frame));
                if objects.is_at(&row.pixels, &path) {
                    left.push((row.pixels, path));
                }
            }
        }
        left
    }
}
