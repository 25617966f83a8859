//! One task of a run on Slurm: makes the frames of its part, on whatever machine it finds itself.
//!
//! Knows that others work at the same time: it takes no lock, and writes only into the folder of its attempt, besides renders
//! under the names of their contents. Does not know Slurm.

use std::collections::{BTreeMap, HashMap};
use std::io::Write;
use std::path::Path;
use std::sync::{Arc, Mutex, OnceLock};
use std::time::{Duration, Instant, SystemTime};

use crate::base::frames::FrameSet;
use crate::events::{Event, How};
use crate::execute::slurm::record::{Attempt, End, Folder, PartOf, Run, Said};
use crate::execute::tally::Tally;
use crate::execute::{Ending, Engine, Options, Outcome, Way};
use crate::graph::NodeId;
use crate::ledger::file::Ledger;
use crate::plan::{self, Plan};
use crate::programs::Runner;
use crate::project::{Care, Declared, Project, ProjectError, Status};
use crate::store::actions::{Action, kept_aside};
use crate::store::shared::{Shared, Tell};
use crate::store::{Store, StoreError};

/// How long a task waits for what others have made and the shared disk does not show yet. Then it makes that itself.
const LATE: Duration = Duration::from_secs(20);
const PAUSE: Duration = Duration::from_millis(200);

/// Which task it is, and where it runs.
#[derive(Clone, Debug)]
pub struct Task {
    /// The run's name.
    pub run: String,
    /// The number of its array.
    pub array: usize,
    /// Its number in the array.
    pub index: usize,
    /// The machine's name.
    pub node: String,
    /// The version of this program.
    pub version: String,
}

/// Opens the shared store of a film to read there; what there is to say of it is given to the second.
pub type Opens<'o> = &'o dyn Fn(&Declared, Tell) -> Option<Arc<Shared>>;

/// What came of it.
#[derive(Debug)]
pub enum Came {
    /// Frames were made; what failed is in the outcome.
    Made(Box<Outcome>),
    /// It was not to make anything, for this reason.
    Refused(String),
}

impl Project {
    /// Makes a part.
    ///
    /// # Errors
    /// The run is not there, or the system refuses.
    pub fn make_part(&self, task: &Task, programs: Runner, opens: Opens<'_>) -> Result<Came, ProjectError> {
        let began = Instant::now();
        let store = Store::at(&self.folder)?;
        let gone =
            || ProjectError::System(format!("there is no run {} in {}", task.run, self.folder.display()));
        let folder = Folder::named(&store, &task.run).ok_or_else(gone)?;
        let run = folder.run().map_err(ProjectError::System)?;
        let first = run.arrays.get(task.array).map(|array| array.first).ok_or_else(gone)?;
        let parts = folder.parts(task.array).map_err(ProjectError::System)?;
        let part = parts.get(task.index).ok_or_else(gone)?;
        let attempt = folder.begin(first + task.index)?;
        attempt.reserve()?;
        let mut end = End { node: task.node.clone(), ..End::default() };
        let came = self.make_attempt(&folder, &run, (&attempt, part), task, programs, opens, &mut end);
        // A full disk is told by a file whose room was taken at the start, as no log may have room.
        match &came {
            Ok(Came::Made(outcome)) => {
                end.ended = outcome.ended.as_ref().map(ToString::to_string);
                end.full = outcome.ended.as_ref().and_then(Ending::full);
            }
            Ok(Came::Refused(words)) => end.refused = Some(words.clone()),
            Err(error) => {
                end.ended = Some(error.to_string());
                end.full = error.full();
            }
        }
        // Half-made files of calls are of no use to anyone.
        let _ = std::fs::remove_dir_all(attempt.folder.join("work"));
        end.wall = began.elapsed().as_secs_f64();
        let finished = attempt.finish(&end);
        let came = came?;
        finished?;
        Ok(came)
    }

    #[allow(clippy::too_many_arguments)] // Each is one thing that the caller knows.
    fn make_attempt(
        &self,
        folder: &Folder,
        run: &Run,
        (attempt, part): (&Attempt, &PartOf),
        task: &Task,
        programs: Runner,
        opens: Opens<'_>,
        end: &mut End,
    ) -> Result<Came, ProjectError> {
        let began = Instant::now();
        end.ahead = ahead(attempt)?;
        let declared = self.read();
        if let Some(words) = refusal(run, part, task, &declared) {
            return Ok(Came::Refused(words));
        }
        let others = self.others(folder, attempt, part)?;
        let heard = Arc::new(OnceLock::new());
        let tell = Arc::clone(&heard);
        let tell = Box::new(move |words| drop(tell.set(words)));
        let shared = if run.shared { opens(&declared, tell) } else { None };
        let spoilt = shared.clone();
        let given = Given { attempt, others: &others, shared, programs };
        let mut startup = 0.0;
        let made = self.make(run, part, declared, given, task, &mut || {
            startup = began.elapsed().as_secs_f64();
        });
        end.startup = startup;
        end.shared = heard.get().cloned().or_else(|| spoilt?.spoilt());
        let (outcome, lost) = made?;
        end.lost = lost;
        Ok(Came::Made(Box::new(outcome)))
    }

    /// Attempts that made what this one needs, and earlier ones at the same part. Waits for a while for those of which nothing
    /// is to be seen, as their tasks are over.
    fn others(&self, folder: &Folder, own: &Attempt, part: &PartOf) -> Result<Vec<Attempt>, ProjectError> {
        let began = Instant::now();
        loop {
            let all = folder.attempts();
            let seen =
                |need: &usize| all.iter().any(|attempt| attempt.part == *need && attempt.end().is_some());
            if part.needs.iter().all(seen) || began.elapsed() > LATE {
                let of = |attempt: &Attempt| {
                    part.needs.contains(&attempt.part)
                        || part.before.contains(&attempt.part)
                        || (attempt.part == own.part && attempt.number != own.number)
                };
                return Ok(all.into_iter().filter(of).collect());
            }
            std::thread::sleep(PAUSE);
        }
    }

    /// Gives also why rows of the work could not be written.
    fn make(
        &self,
        run: &Run,
        part: &PartOf,
        declared: Declared,
        Given { attempt, others, shared, programs }: Given<'_>,
        task: &Task,
        ready: &mut dyn FnMut(),
    ) -> Result<(Outcome, Option<String>), ProjectError> {
        let mut status = self.looked(declared, self.recall(Care::Read), Care::Read, &|_, _| {})?.0;
        let store = status.store.apart(&attempt.folder)?;
        let mut state = std::mem::take(&mut status.state);
        state.open_journal(&store)?;
        let mut known: Vec<Action> = Vec::new();
        for other in others {
            known.extend(kept_aside(&other.folder.join("actions"))?.actions);
            state.take_aside(&other.folder.join("journal"), other.is_whole())?;
        }
        let actions = crate::store::actions::Actions::of(&store);
        status.actions = actions.aside(&attempt.folder.join("actions"), known)?;
        let plan = plan_of(part, &status, run.again);
        let ledger = Ledger::open(&attempt.folder, "rows");
        let tally = Tally::new(&status.declared.graph.film, &task.node, ledger, &status.ledger.0);
        let saying = Saying::new(attempt, part)?;
        let options = Options {
            jobs: run.jobs,
            memory: run.memory,
            again: run.again,
            way: Way::Apart,
            shared,
            was: Arc::default(),
        };
        let events = |event: Event| saying.take(&event);
        let engine = Engine::new(
            &status.declared.graph,
            &status.report,
            &plan,
            &status.seen,
            self.folder.clone(),
            store,
            &status.actions,
            &status.packets,
            state,
            tally,
            options,
            programs,
            &events,
        );
        ready();
        let (outcome, _, tally) = engine.run();
        tally.flush();
        let lost = tally.trouble.lock().expect("the run ended").clone();
        Ok((outcome, lost))
    }
}

/// What an attempt works with.
struct Given<'g> {
    attempt: &'g Attempt,
    others: &'g [Attempt],
    shared: Option<Arc<Shared>>,
    programs: Runner,
}

/// The frames of a part that are still work.
fn plan_of(part: &PartOf, status: &Status, again: bool) -> Plan {
    let graph = &status.declared.graph;
    let frames: HashMap<NodeId, FrameSet> = part
        .frames()
        .into_iter()
        .filter_map(|((shot, stage), frames)| Some((graph.find(shot, stage)?, frames)))
        .collect();
    plan::plan(graph, &status.report, again, &|id, frame| {
        frames.get(&id).is_some_and(|frames| frames.contains(frame))
    })
}

/// Why a part is not to be made here: what made it must be what was planned.
fn refusal(run: &Run, part: &PartOf, task: &Task, declared: &Declared) -> Option<String> {
    if run.version != task.version {
        return Some(format!(
            "endboard {} is installed there and {} submitted the run; install the same version on all machines, then rebuild again",
            task.version, run.version
        ));
    }
    if !declared.is_sound() {
        let first = declared.problems.iter().map(|problem| problem.message.as_str()).next();
        return Some(format!(
            "the declaration has errors there ({}); see `endboard check` on that machine",
            first.unwrap_or("it cannot be read")
        ));
    }
    let graph = &declared.graph;
    for (shot, stage, _, identity) in &part.targets {
        let found = graph.find(shot, stage).map(|id| &graph.nodes[id]);
        let is_same = found.is_some_and(|node| node.identity.to_string() == *identity);
        if !is_same {
            let what = match found {
                None => "is not in the declaration there".to_string(),
                Some(node) if node.kind() == "command" => {
                    "is called otherwise there: its tool, the tool's version or a file of it differs"
                        .to_string()
                }
                Some(node) => {
                    format!("is another there: its settings changed, or the version of '{}'", node.kind())
                }
            };
            return Some(format!(
                "{shot}/{stage} {what}, than when the run was submitted; nothing of it was made there; put that right, or rebuild again for what changed"
            ));
        }
    }
    None
}

/// Seconds that this machine's clock is ahead of the one that gives files on the shared disk their times.
fn ahead(attempt: &Attempt) -> Result<f64, StoreError> {
    let path = attempt.folder.join("mark");
    let there = write_mark(&path).map_err(StoreError::file(&path))?;
    let here = SystemTime::now();
    Ok(match here.duration_since(there) {
        Ok(ahead) => ahead.as_secs_f64(),
        Err(behind) => -behind.duration().as_secs_f64(),
    })
}

fn write_mark(path: &Path) -> std::io::Result<SystemTime> {
    std::fs::write(path, b"x")?;
    std::fs::metadata(path)?.modified()
}

/// Writes down what comes of each frame of the part, so that whoever follows the run sees it.
struct Saying<'g> {
    file: Mutex<std::fs::File>,
    frames: BTreeMap<(&'g str, &'g str), FrameSet>,
}

impl<'g> Saying<'g> {
    fn new(attempt: &Attempt, part: &'g PartOf) -> Result<Self, StoreError> {
        let path = attempt.folder.join("said");
        let file = std::fs::File::create(&path).map_err(StoreError::file(&path))?;
        Ok(Self { file: Mutex::new(file), frames: part.frames() })
    }

    fn take(&self, event: &Event) {
        let Event::Frame { shot, stage, frame, how } = event else { return };
        let is_own = self.frames.get(&(&**shot, &**stage)).is_some_and(|set| set.contains(*frame));
        let (how, reason) = match how {
            How::Rendered => ("rendered", None),
            How::Alike => ("alike", None),
            How::Restored => ("restored", None),
            How::Shared => ("shared", None),
            How::Same => ("same", None),
            How::Failed(reason) => ("failed", Some(reason.clone())),
            How::Blocked => ("blocked", None),
        };
        // Of frames of others only what went wrong is news.
        if !is_own && reason.is_none() {
            return;
        }
        let said =
            Said { shot: shot.to_string(), stage: stage.to_string(), frame: *frame, how: how.into(), reason };
        let mut line = serde_json::to_vec(&said).expect("plain values");
        line.push(b'\n');
        // What is lost of it is progress only.
        let _ = self.file.lock().expect("nothing panics with it").write_all(&line);
    }
}
