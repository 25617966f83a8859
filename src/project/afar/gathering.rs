//! What tasks elsewhere left on the shared disk → the film's own records.
//!
//! Knows which of it is trusted: a render whose pixels are those that its name says, under the key that the film's own
//! declaration gives. Whoever calls holds the film's lock. Everything here may be done twice and broken off anywhere.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::sync::Arc;
use std::time::Duration;

use rayon::prelude::*;

use super::runs::{Out, Own, Runs, damaged};
use super::sizing::{LONGEST_START, Pace, keep, measure, within_seconds};
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
use crate::project::past::Here;
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError};
use crate::report::words;
use crate::store::actions::{Action, Actions, Kept, kept_aside};
use crate::store::objects::Objects;
use crate::store::state::State;
use crate::store::{Store, StoreError};

/// Clocks that differ by more seconds than this are told of.
const APART: f64 = 2.0;
/// The most seconds that a task is believed to have been at work, or its clock to differ, as of a row of the ledger.
const LONGEST: f64 = 1e9;

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
        let folders = by_age(&runs);
        let here =
            done_since(&rows, folders.iter().map(|(began, _)| *began).filter(|began| *began > 0).min());
        let known: HashSet<RowId> = rows.into_iter().map(|entry| entry.id).collect();
        let ledger = match Ledger::open(&self.folder.join("ledger"), &writer.name) {
            Err(error @ LedgerError::BadWriter(_)) => return Err(error.into()),
            opened => opened?,
        };
        Here::add(&self.folder, &writer.name);
        let mut state = State::load(&store)?;
        state.open_journal(&store)?;
        let (actions, objects) = (Actions::of(&store), Objects::of(&store).saying(head));
        let mut into = Into { known, here, began: HashMap::new(), ledger, state, actions, objects };
        // First what has ended, so that all that it left is taken in before its run counts as over.
        let own = runs.own.iter().chain(runs.others.iter().map(|(own, _)| own));
        let out: Vec<Option<Out>> = own.map(Own::out).collect();
        for (began, run) in folders {
            let mut startups = Vec::new();
            for attempt in &run.attempts() {
                startups.extend(into.take((began, run), attempt, &mut gathered)?);
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

/// A stage of a shot.
type Name = (Arc<str>, Arc<str>);

/// What a row of the ledger has as rendered.
struct Made {
    /// When, in seconds since 1970.
    when: i64,
    name: Name,
    frames: FrameSet,
}

/// Where it goes.
struct Into {
    known: HashSet<RowId>,
    /// What was rendered here beside the runs, since the first of them went out, whoever did it: all who work in the folder see the same
    /// pictures, and knew what the runs were for.
    here: HashMap<RowId, Made>,
    /// When the run went out, in seconds since 1970, whose task made what is known of a frame as made by a run.
    began: HashMap<Name, HashMap<i64, i64>>,
    ledger: Ledger,
    state: State,
    actions: Actions,
    objects: Objects,
}

impl Into {
    /// Takes in what an attempt left. Gives how many seconds it took to start, where it has ended.
    fn take(
        &mut self,
        (began, run): (i64, &Folder),
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
            let name = (Arc::clone(shot), Arc::clone(stage));
            self.began.entry(name.clone()).or_default().insert(frame, began);
            gathered.was.rows.entry(name).or_default().insert(frame, *row);
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
        let startup = within_seconds(end.startup, LONGEST_START);
        let seconds = |n: Option<f64>| n.map(Duration::from_secs_f64).unwrap_or_default();
        gathered.tasks.count += 1;
        gathered.tasks.wall = gathered.tasks.wall.saturating_add(seconds(within_seconds(end.wall, LONGEST)));
        gathered.tasks.startup = gathered.tasks.startup.saturating_add(seconds(startup));
        gathered.tasks.machines.insert(end.node.clone());
        // Once, however many tasks said it.
        gathered.troubles.extend(end.shared.map(|words| format!("on the cluster: {words}")));
        if within_seconds(end.ahead.abs(), LONGEST).is_some_and(|apart| apart > APART) {
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
        Ok(startup)
    }

    /// What a run made of a frame as it was counts for nothing where something newer was made here since that run went out. Only of
    /// that frame: others may have been made of the same.
    fn leave_newer(&self, was: &mut Was) {
        for Made { when, name, frames } in self.here.values() {
            let (Some(rows), Some(began)) = (was.rows.get_mut(name), self.began.get(name)) else { continue };
            for frame in frames.iter() {
                let is_since = began.get(&frame).is_some_and(|began| *began > 0 && when >= began);
                if is_since && rows.get(&frame).is_some_and(|row| was.new.contains(&row.key)) {
                    rows.remove(&frame);
                }
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

/// All runs with when they went out, in seconds since 1970, or 0 where that is not known; the newest last, so that of a frame that several
/// made, its work counts. One of the film that this is a copy of may lie here for ever. Names begin with the time.
fn by_age(runs: &Runs) -> Vec<(i64, &Folder)> {
    let mut all: Vec<(i64, &Folder)> =
        runs.folders().map(|folder| (folder.run().map_or(0, |run| run.began), folder)).collect();
    all.sort_by_key(|(_, folder)| folder.name());
    all
}

/// What the ledger has as rendered since then.
fn done_since(rows: &[Entry], began: Option<i64>) -> HashMap<RowId, Made> {
    let done = rows.iter().filter(|entry| {
        let is_since = began.is_some_and(|began| entry.row.when.as_second() >= began);
        is_since && matches!(&entry.row.what, What::Render(render) if render.outcome == Outcome::Done)
    });
    let made = |Entry { id, row, .. }: &Entry| {
        let name = (row.shot.clone(), row.stage.clone());
        (*id, Made { when: row.when.as_second(), name, frames: row.frames.clone() })
    };
    done.map(made).collect()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::made::MadeOf;
    use crate::execute::slurm::record::{ArrayOf, FORMAT, PartOf, Run};
    use crate::ledger::row::{self, Round};
    use crate::project::afar::sizing::{STARTUP, startup};
    use crate::store::write_own;

    /// A film's folder, with what everybody in it finds there.
    struct Place {
        folder: tempfile::TempDir,
        project: Project,
        store: Store,
    }

    fn place() -> Place {
        let folder = tempfile::tempdir().unwrap();
        let text = "film: The Brine Lamp\nrate: 24\nframe_size: 8x8\nshots: {}\n";
        std::fs::write(folder.path().join(crate::project::DECLARATION), text).unwrap();
        let project = Project::find(folder.path()).unwrap();
        let store = Store::at(&project.folder).unwrap();
        store.create().unwrap();
        Place { folder, project, store }
    }

    /// One row of so many frames, from the first on, rendered at this second.
    fn row_at(when: i64, frames: &[i64]) -> row::Row {
        row::Row {
            when: jiff::Timestamp::from_second(when).unwrap(),
            film: "The Brine Lamp".into(),
            shot: "br010".into(),
            stage: "glow".into(),
            frames: frames.iter().copied().collect(),
            by: "grade".into(),
            what: What::Render(row::Render {
                cause: "new".into(),
                round: Round::First,
                wall: Duration::from_secs(1),
                cpu: Duration::from_secs(1),
                peak_memory: None,
                machine: "n1".into(),
                outcome: Outcome::Done,
            }),
        }
    }

    fn name() -> Name {
        ("br010".into(), "glow".into())
    }

    impl Place {
        /// A run that went out at this second from `from`, and whose one task made frames of these keys.
        fn run(&self, name: &str, began: i64, from: &std::path::Path, frames: &[(i64, &str)], end: &str) {
            let target = ("br010".into(), "glow".into(), "1-9".into(), "0".into());
            let part = PartOf { targets: vec![target], needs: vec![], before: vec![] };
            let run = Run {
                format: FORMAT.into(),
                version: "1".into(),
                since: "then".into(),
                began,
                who: "ana on lamp".into(),
                folder: from.into(),
                selectors: vec![],
                again: false,
                frames: frames.len(),
                arrays: vec![ArrayOf { count: 1, ..ArrayOf::default() }],
                jobs: 1,
                memory: 1,
                shared: false,
            };
            let run = Folder::make(&self.store, name, &run, &[part], "#!/bin/sh\n").unwrap();
            let attempt = run.begin(0).unwrap();
            let apart = self.store.apart(&attempt.folder).unwrap();
            let actions = Actions::of(&apart).aside(&attempt.folder.join("actions"), vec![]).unwrap();
            let mut state = State::default();
            state.open_journal(&apart).unwrap();
            let (shot, stage) = self::name();
            for (frame, key) in frames {
                let (key, pixels) = (Digest::of(key.as_bytes()), Digest::of(b"pixels"));
                let made_of = MadeOf { identity: NONE, parameters: NONE, ingredients: NONE, inputs: vec![] };
                actions.put(&Action { key, pixels, planes: vec![], made_of }).unwrap();
                state.set(&shot, &stage, *frame, Row { key, pixels, failed: NONE }).unwrap();
            }
            let numbers: Vec<i64> = frames.iter().map(|(frame, _)| *frame).collect();
            let mut rows = Ledger::open(&attempt.folder, "rows").unwrap();
            rows.append(&row_at(began + 1, &numbers)).unwrap();
            std::fs::write(attempt.folder.join("end.json"), end).unwrap();
        }

        fn rendered_here(&self, who: &str, when: i64, frames: &[i64]) {
            let mut ledger = Ledger::open(&self.project.folder.join("ledger"), who).unwrap();
            ledger.append(&row_at(when, frames)).unwrap();
        }

        fn gathered(&self, who: &str) -> Gathered {
            let writer = Writer { name: who.into(), machine: "lamp".into(), process: 1 };
            self.project.gather(Vec::new(), &writer).unwrap()
        }
    }

    /// Frames that runs made and nobody newer.
    fn new(gathered: &Gathered) -> Vec<i64> {
        let rows = gathered.was.rows.get(&name()).into_iter().flatten();
        let mut new: Vec<i64> =
            rows.filter(|(_, row)| gathered.was.new.contains(&row.key)).map(|(frame, _)| *frame).collect();
        new.sort_unstable();
        new
    }

    const WELL: &str = r#"{"node":"n1","startup":2.0,"wall":9.0,"ahead":0.0}"#;

    #[test]
    fn what_anybody_rendered_here_since_a_run_went_out_is_newer_frame_by_frame() {
        let place = place();
        // Frames 1 and 2 were made of the same.
        let frames = [(1, "held"), (2, "held"), (3, "third"), (4, "fourth")];
        place.run("20260101T000000-1", 1000, &place.project.folder, &frames, WELL);
        place.rendered_here("ana", 999, &[3]);
        place.rendered_here("ana", 1500, &[1, 4]);
        // Whoever gathers.
        assert_eq!(new(&place.gathered("bob")), [2, 3]);
        // What tasks did in this folder is of here, on whatever machine; other rows may have come by a merge.
        let here = Here::of(&place.project.folder);
        let rows: Vec<_> =
            place.project.ledger().0.into_iter().map(|e| (e.writer.to_string(), here.wrote(&e))).collect();
        let of = |who: &str, here: bool| (who.to_string(), here);
        assert_eq!(rows, [of("ana", false), of("bob", true), of("ana", false)]);
    }

    #[test]
    fn a_row_is_held_against_the_run_that_made_the_frame_and_not_against_one_of_another_film() {
        let (other, place) = (place(), place());
        // Of the film that this is a copy of: it stays, and is older than all.
        place.run("20250101T000000-1", 10, &other.project.folder, &[(1, "old"), (3, "old3")], WELL);
        place.rendered_here("ana", 500, &[1, 2]);
        place.rendered_here("ana", 2000, &[2]);
        place.run("20260101T000000-1", 1000, &place.project.folder, &[(1, "first"), (2, "second")], WELL);
        let gathered = place.gathered("ana");
        assert_eq!(new(&gathered), [1, 3]);
        assert_eq!(gathered.was.rows[&name()][&1].key, Digest::of(b"first"), "the newer run's");
        drop(other.folder);
    }

    #[test]
    fn a_record_that_lies_about_its_time_stands_in_nobodys_way_and_measures_nothing() {
        let place = place();
        let lies = r#"{"node":"n1","startup":1e300,"wall":1.8e19,"ahead":-1e300}"#;
        place.run("20260101T000000-1", 1000, &place.project.folder, &[(1, "first")], lies);
        place.run("20260101T000000-2", 1000, &place.project.folder, &[(2, "second")], lies);
        let gathered = place.gathered("ana");
        assert_eq!((gathered.tasks.count, gathered.tasks.wall), (2, Duration::ZERO));
        assert_eq!((gathered.over.len(), startup(&place.store)), (2, STARTUP));
        assert!(gathered.troubles.is_empty(), "{:?}", gathered.troubles);
        place.run("20260101T000000-3", 1000, &place.project.folder, &[(3, "third")], WELL);
        let gathered = place.gathered("ana");
        assert_eq!(gathered.tasks.wall, Duration::from_secs(9));
        assert!((startup(&place.store) - 2.0).abs() < 1e-9);
        // What an earlier version may have kept.
        write_own(&place.store.path("slurm").join("startup"), b"1e300\n").unwrap();
        assert!((startup(&place.store) - STARTUP).abs() < 1e-9);
    }
}
