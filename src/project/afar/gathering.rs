//! What tasks elsewhere left on the shared disk → the film's own records.
//!
//! Knows which of it is trusted: a render whose pixels are those that its name says, under the key that the film's own
//! declaration gives. Whoever calls holds the film's lock. Everything here may be done twice and broken off anywhere.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::sync::Arc;
use std::time::Duration;

use rayon::prelude::*;

use super::runs::{Out, Own, damaged};
use super::sizing::{Pace, keep};
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::base::made::{NONE, Row};
use crate::execute::slurm::record::{Attempt, End, Folder};
use crate::execute::{Elsewhere, Was};
use crate::ledger::file::{Ledger, LedgerError, read_all};
use crate::ledger::id::RowId;
use crate::ledger::intake::{LedgerProblem, Wrong};
use crate::ledger::row::{Entry, Outcome, What};
use crate::media::exr::Fact;
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError};
use crate::report::words;
use crate::store::actions::{Action, Actions, Kept, kept_aside};
use crate::store::objects::Objects;
use crate::store::state::State;
use crate::store::{Store, StoreError, file, write_own};

/// Clocks that differ by more seconds than this are told of.
const APART: f64 = 2.0;
/// Seconds that a task is said to need for its start where none was measured.
const STARTUP: f64 = 2.0;

/// How long tasks that came to their end were at work.
#[derive(Clone, Debug, Default)]
pub struct Tasks {
    /// How many.
    pub count: usize,
    /// From their starts to their ends, added up.
    pub wall: Duration,
    /// From their starts to their first frames, added up.
    pub startup: Duration,
    /// The machines.
    pub machines: BTreeSet<String>,
}

/// What was gathered.
#[derive(Default)]
pub struct Gathered {
    /// Renders, and the frames that rows tell of.
    pub elsewhere: Elsewhere,
    /// Frames that failed, with the reason and the key that explains it, if one does.
    pub failed: HashMap<(String, String, i64), (String, Digest)>,
    /// What tasks made of frames, whatever those are to be made of now.
    pub was: Was,
    /// Wall and processor time.
    pub spent: (Duration, Duration),
    /// What tasks took besides.
    pub tasks: Tasks,
    /// Files of renders that said something else in their heads than is written here, and were written anew.
    pub anew: usize,
    /// How stages fared with the time limit in runs that are over, as far as what tasks left tells.
    pub pace: Pace,
    /// What is to be said of parts that made nothing or ended early, unless whoever followed them says it.
    pub early: BTreeSet<String>,
    /// What a person should know.
    pub troubles: BTreeSet<String>,
    /// Runs whose tasks all came to their end.
    pub over: Vec<Folder>,
    /// What is out.
    pub out: Vec<Out>,
}

impl Gathered {
    /// Closes the runs that are over, once all of theirs is taken in. How stages fared with the time limit is kept with that, once,
    /// unless whoever followed them kept it.
    pub(in crate::project) fn close(&self, is_followed: bool, store: &Store) -> Result<(), StoreError> {
        if !is_followed && !self.over.is_empty() {
            keep(store, &self.pace)?;
        }
        self.over.iter().try_for_each(Folder::close)
    }
}

impl Project {
    /// Takes in what tasks of all runs left behind, renders with heads as this says. What was taken in before is passed over.
    ///
    /// # Errors
    /// The system refuses, or the writer's name is none.
    pub(in crate::project) fn gather(
        &self,
        head: Vec<(String, Fact)>,
        writer: &Writer,
    ) -> Result<Gathered, ProjectError> {
        let store = Store::at(&self.folder)?;
        let runs = self.runs()?;
        let mut gathered = Gathered::default();
        if runs.is_empty() {
            return Ok(gathered);
        }
        let (rows, _) = self.ledger();
        let own = || runs.own.iter().chain(runs.others.iter().map(|(own, _)| own));
        let began = own().map(|own| own.run.began).filter(|began| *began > 0).min();
        let here = rows.iter().filter(|entry| {
            let is_since = began.is_some_and(|began| entry.row.when.as_second() >= began);
            let is_done = matches!(&entry.row.what, What::Render(render) if render.outcome == Outcome::Done);
            is_since && is_done && *entry.writer == *writer.name
        });
        let of = |entry: &Entry| {
            let row = &entry.row;
            (entry.id, (row.shot.clone(), row.stage.clone(), row.frames.clone()))
        };
        let here: HashMap<RowId, Frames> = here.map(of).collect();
        let known: HashSet<RowId> = rows.into_iter().map(|entry| entry.id).collect();
        let ledger = match Ledger::open(&self.folder.join("ledger"), &writer.name) {
            Err(error @ LedgerError::BadWriter(_)) => return Err(error.into()),
            opened => opened?,
        };
        let mut state = State::load(&store)?;
        state.open_journal(&store)?;
        let (actions, objects) = (Actions::of(&store), Objects::of(&store).saying(head));
        let mut into = Into { known, here, ledger, state, actions, objects };
        // First what has ended, so that all that it left is taken in before its run counts as over.
        let out: Vec<Option<Out>> = own().map(Own::out).collect();
        for run in runs.folders() {
            let mut startups = Vec::new();
            for attempt in &run.attempts() {
                startups.extend(into.take(run, attempt, &mut gathered)?);
            }
            measure(&store, &startups)?;
        }
        into.leave_newer(&mut gathered.was);
        if gathered.anew > 0 {
            let (count, have) = (
                words::count(gathered.anew as u64, "render"),
                if gathered.anew == 1 { "has" } else { "have" },
            );
            gathered.troubles.insert(format!(
                "{count} made elsewhere {have} another head than is written here: written anew from what is seen and heard"
            ));
        }
        for (folder, words) in &runs.damaged {
            gathered.troubles.insert(damaged(folder, words));
        }
        // One of which nothing can be known is left as it is, and stands in nobody's way.
        gathered.troubles.extend(runs.unread.clone());
        let others = runs.others.into_iter().map(|(own, words)| (own, Some(words)));
        let all = runs.own.into_iter().map(|own| (own, None)).chain(others);
        for ((own, of_other), out) in all.zip(out) {
            match (out, of_other) {
                (None, _) => {
                    gathered.pace.add(own.pace(&mut gathered.early));
                    gathered.over.push(own.folder);
                }
                (Some(out), None) => gathered.out.push(out),
                (Some(_), Some(words)) => drop(gathered.troubles.insert(words)),
            }
        }
        Ok(gathered)
    }
}

/// Frames of a stage of a shot.
type Frames = (Arc<str>, Arc<str>, FrameSet);

/// Where it goes.
struct Into {
    known: HashSet<RowId>,
    /// What was rendered here beside the runs, since they went out. Whoever did so had seen what they were for.
    here: HashMap<RowId, Frames>,
    ledger: Ledger,
    state: State,
    actions: Actions,
    objects: Objects,
}

impl Into {
    /// Takes in what an attempt left. Gives how many seconds it took to start, where it has ended.
    fn take(
        &mut self,
        run: &Folder,
        attempt: &Attempt,
        gathered: &mut Gathered,
    ) -> Result<Option<f64>, ProjectError> {
        // A task at work, or one that was ended, may be in the middle of a line.
        let end = attempt.end();
        let Kept { actions: made, is_damaged, is_torn } = kept_aside(&attempt.folder.join("actions"))?;
        let has_ended = end.is_some();
        if is_damaged || (is_torn && has_ended) {
            let words = "its records of what it rendered; what has none is rendered again";
            gathered.troubles.insert(kept_so(run, attempt, "actions", words)?);
        }
        let is_whole = end.as_ref().is_some_and(End::is_whole);
        let theirs = self.state.take_aside(&attempt.folder.join("journal"), is_whole)?;
        for (shot, stage, frame, row) in rows(&theirs).filter(|(.., row)| row.key != NONE) {
            let rows = gathered.was.rows.entry((Arc::clone(shot), Arc::clone(stage))).or_default();
            rows.insert(frame, *row);
        }
        let sound = self.examined(&made, &theirs, gathered);
        for action in made.iter().filter(|action| sound.contains(&action.key)) {
            if !self.actions.has(&action.key) {
                self.actions.put(action)?;
                gathered.was.new.insert(action.key);
            }
            gathered.elsewhere.made.insert(action.key);
        }
        self.rows(run, attempt, has_ended, gathered)?;
        let mut at = 0;
        for said in attempt.said(&mut at) {
            let table = theirs.table(&said.shot.as_str().into(), &said.stage.as_str().into());
            let row = table.and_then(|table| table.get(said.frame)).copied();
            if said.how == "shared" {
                gathered.elsewhere.shared.extend(row.map(|row| row.key));
            } else if is_whole && said.how == "failed" {
                let why = (said.reason.unwrap_or_default(), row.map_or(NONE, |row| row.failed));
                gathered.failed.insert((said.shot, said.stage, said.frame), why);
            }
        }
        let Some(end) = end else { return Ok(None) };
        let seconds = |n: f64| Duration::try_from_secs_f64(n).unwrap_or_default();
        gathered.tasks.count += 1;
        gathered.tasks.wall += seconds(end.wall);
        gathered.tasks.startup += seconds(end.startup);
        gathered.tasks.machines.insert(end.node.clone());
        // Once, however many tasks said it.
        gathered.troubles.extend(end.shared.map(|words| format!("on the cluster: {words}")));
        if end.ahead.abs() > APART {
            let which = if end.ahead > 0.0 { "ahead of" } else { "behind" };
            gathered.troubles.insert(format!(
                "the clock of {} is {:.0} s {which} the shared disk's, so that rows of its work bear wrong times; set it by the network",
                end.node,
                end.ahead.abs()
            ));
        }
        gathered.early.extend(end.refused.map(|words| format!("{}: {words}", end.node)));
        gathered.troubles.extend(end.lost.map(|words| {
            format!(
                "{}: hours of its work are lost to the ledger, as they could not be written: {words}",
                end.node
            )
        }));
        Ok(Some(end.startup))
    }

    /// What runs made of frames as they were counts for nothing where something newer was made here.
    fn leave_newer(&self, was: &mut Was) {
        for (shot, stage, frames) in self.here.values() {
            let Some(rows) = was.rows.get(&(Arc::clone(shot), Arc::clone(stage))) else { continue };
            for row in frames.iter().filter_map(|frame| rows.get(&frame)) {
                was.new.remove(&row.key);
            }
        }
    }

    /// Keys of the renders that are what they say. A render that is not kept has no file to look at. Whose keys they are `theirs` knows.
    fn examined(&self, made: &[Action], theirs: &State, gathered: &mut Gathered) -> HashSet<Digest> {
        let look = |action: &Action| match self.objects.path(&action.pixels).exists() {
            true if !self.actions.has(&action.key) => self.objects.examine(&action.pixels),
            _ => Ok(false),
        };
        let looked: Vec<(&Action, Result<bool, StoreError>)> =
            made.par_iter().map(|a| (a, look(a))).collect();
        let mut sound = HashSet::new();
        for (action, found) in looked {
            match found {
                Ok(is_anew) => {
                    gathered.anew += usize::from(is_anew);
                    sound.insert(action.key);
                }
                Err(error) => {
                    let mut of = rows(theirs).filter(|(.., row)| row.key == action.key);
                    let place = of
                        .next()
                        .map_or(String::new(), |(shot, stage, frame, _)| format!("{shot}/{stage}@{frame}: "));
                    let what = match error {
                        StoreError::Damaged { .. } => "damaged",
                        _ => "it could not be looked at",
                    };
                    gathered.troubles.insert(format!("{place}{what}, and not taken as a render: {error}"));
                }
            }
        }
        sound
    }

    fn rows(
        &mut self,
        run: &Folder,
        attempt: &Attempt,
        has_ended: bool,
        gathered: &mut Gathered,
    ) -> Result<(), ProjectError> {
        let (rows, problems) = read_all(&attempt.folder);
        let is_fault = |problem: &&LedgerProblem| {
            !problem.is_notice() && (has_ended || !matches!(problem.wrong, Wrong::Torn))
        };
        let faults: Vec<String> = problems.iter().filter(is_fault).map(ToString::to_string).collect();
        if let Some(first) = faults.first() {
            let words = format!("hours of its work are lost to the ledger: {first}");
            let more = match faults.len() - 1 {
                0 => String::new(),
                more => format!(", and {more} more"),
            };
            gathered.troubles.insert(kept_so(run, attempt, "rows.jsonl", &(words + &more))?);
        }
        for entry in rows {
            let What::Render(render) = &entry.row.what else { continue };
            gathered.spent.0 += render.wall;
            gathered.spent.1 += render.cpu;
            let name = (Arc::clone(&entry.row.shot), Arc::clone(&entry.row.stage));
            let told = gathered.elsewhere.told.entry(name).or_default();
            told.insert_all(&entry.row.frames);
            // Of a task, and taken in before.
            self.here.remove(&entry.id);
            if self.known.insert(entry.id) {
                self.ledger.copy(&entry)?;
            }
        }
        Ok(())
    }
}

/// All rows of last keys, with shot, stage and frame.
fn rows(state: &State) -> impl Iterator<Item = (&Arc<str>, &Arc<str>, i64, &Row)> {
    state.stages().flat_map(|(shot, stage)| {
        let rows = state.table(shot, stage).into_iter().flat_map(|table| table.rows());
        rows.map(move |(frame, row)| (shot, stage, frame, row))
    })
}

/// Keeps a file of an attempt that is damaged, and says so.
fn kept_so(run: &Folder, attempt: &Attempt, name: &str, words: &str) -> Result<String, StoreError> {
    let kept = run.keep(attempt, name)?;
    Ok(format!(
        "damaged: {name} of part {}, attempt {}, of run {}: {words}; kept as {}",
        attempt.part,
        attempt.number,
        run.name(),
        kept.display()
    ))
}

/// Keeps how long tasks took to start, so that the next run's are long enough.
fn measure(store: &Store, startups: &[f64]) -> Result<(), StoreError> {
    if startups.is_empty() {
        return Ok(());
    }
    let mean = startups.iter().sum::<f64>() / startups.len() as f64;
    write_own(&store.path("slurm").join("startup"), format!("{mean:.3}\n").as_bytes())
}

/// Seconds that tasks took to start, as last measured.
pub(super) fn startup(store: &Store) -> f64 {
    let kept = file::read(&store.path("slurm").join("startup")).ok().flatten();
    let number = kept.and_then(|bytes| String::from_utf8(bytes).ok()?.trim().parse().ok());
    number.filter(|n: &f64| n.is_finite() && *n >= 0.0).unwrap_or(STARTUP)
}
