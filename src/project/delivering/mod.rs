//! Deliveries: what is due, making it, and holding what was delivered against its manifest.
//!
//! Knows when a delivery is still what would be made now: the same settings, the same pixels and samples, and files that are as
//! they were listed. Never writes over anything that was delivered. Renders nothing.

mod charge;
pub mod facts;
mod fit;
mod hearing;
mod kept;
pub mod leader;
mod make;
mod needs;
mod paper;
mod sounds;
pub mod sync;
pub(in crate::project) mod targets;
mod telling;

use std::fmt;
use std::path::Path;

use jiff::Timestamp;

use super::frames::Lack;
use super::inspecting::Inspected;
use super::rebuild::Writer;
use super::{Project, ProjectError, Status};
use crate::declare::deliveries::Makes;
use crate::deliver::encode::{self, Tools};
use crate::deliver::hashes::Kind;
use crate::deliver::mhl::Process;
use crate::deliver::mhl::history::{self, Differences, MhlError};
use crate::deliver::staging::{Staging, StagingError, Taken};
use crate::programs::Runner;
use crate::report::states::{Delivery, Passed};
use crate::store::objects::Objects;
use fit::Seen;
use kept::{Known, Record};
use make::{Fault, Making};
use needs::Needs;
use sync::{Synced, Unsynced};
use targets::Ready;
use telling::{CAUTIONS, CHECKS, INSPECTION, PASSED};

pub use make::Tell;
pub(super) use targets::problems;

/// How a delivery stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// What lies there is what would be made now.
    Fresh,
    /// What lies there is something else, or was changed.
    Stale,
    /// There is none.
    Absent,
}

impl fmt::Display for Standing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Fresh => "fresh",
            Self::Stale => "stale",
            Self::Absent => "absent",
        })
    }
}

/// A delivery of the declaration as it stands.
pub struct Due {
    /// Its name.
    pub name: String,
    /// How it stands.
    pub standing: Standing,
    /// Where the last one was put, below the film's folder.
    pub place: Option<String>,
    /// Why it would be made, in words; empty when it is fresh.
    pub why: Vec<String>,
    /// What refuses it.
    pub lacking: Vec<Lack>,
    /// What goes in although it is not as declared.
    pub kept: Vec<Lack>,
    /// What was let pass in the last one, by its place: what it holds is as it was, whatever is said of it later.
    pub passed: Vec<(String, String)>,
    /// Faults that inspection found in what goes in; known once it is about to be made.
    pub faults: Vec<Lack>,
    ready: Ready,
    needs: Needs,
    known: Known,
}

impl Due {
    /// What is made, of which stages.
    pub(in crate::project) fn ready(&self) -> &Ready {
        &self.ready
    }

    /// How it stands, as reports have it.
    pub fn told(&self) -> Delivery {
        let of = |(place, says): &(String, String)| Passed { place: place.clone(), says: says.clone() };
        Delivery {
            name: self.name.clone(),
            state: self.standing.to_string(),
            place: self.place.clone(),
            delivered_as_it_is: self.passed.iter().map(of).collect(),
            why: self.why.clone(),
        }
    }

    /// How many frames and blocks go in.
    pub fn pieces(&self) -> usize {
        self.needs.parts.iter().map(|part| part.pieces.len()).sum()
    }
}

/// A delivery that was made.
#[derive(Clone, Debug, PartialEq)]
pub struct Made {
    /// Where it lies, below the film's folder.
    pub place: String,
    /// What was checked: what, and how it came out.
    pub checks: Vec<(String, String)>,
    /// What inspection found in what went in, and what it measured.
    pub inspection: Vec<(String, String)>,
    /// What went out although it would have refused it, by its place.
    pub passed: Vec<(String, String)>,
    /// What should be known of it.
    pub cautions: Vec<(String, String)>,
    /// How picture and sound of its pop lie, when it has a leader with one.
    pub sync: Option<Synced>,
}

/// What came of a delivery.
#[derive(Clone, Debug, PartialEq)]
pub enum Came {
    /// It lies there as it would be made.
    Fresh,
    /// It was made.
    Made(Made),
    /// Something that goes in is not as declared, or not fit to leave the house.
    Refused,
    /// It was not made: it could not be, or was not as it should be.
    Failed(String),
    /// The system refused.
    System(String),
    /// The run was stopped.
    Stopped,
}

/// What is to be delivered, and by whom.
pub struct Order<'o> {
    /// Names; all when there is none.
    pub names: &'o [String],
    /// Last renders are taken for what is stale or held.
    pub as_it_is: bool,
    /// Who writes.
    pub writer: &'o Writer,
    /// What starts programs.
    pub runner: &'o Runner,
    /// The clock.
    pub now: &'o dyn Fn() -> Timestamp,
    /// Who waits.
    pub tell: Tell<'o>,
}

/// What came of an order.
pub struct Delivered {
    /// The film's name.
    pub film: String,
    /// Every delivery asked for, as it stood before, and what came of it; those after a stop are left out.
    pub all: Vec<(Due, Came)>,
    /// The ledger's trouble, when rows could not be written.
    pub ledger_trouble: Option<String>,
}

/// Holds a delivered folder against its manifest.
///
/// # Errors
/// When it has none, that is not sound, or a file cannot be read.
pub fn check(folder: &Path) -> Result<Differences, MhlError> {
    history::verify(folder)
}

/// Sees and hears the pops of what lies in a delivered folder: nothing where none is to be expected and none is there.
pub fn synced(folder: &Path, runner: &Runner) -> Vec<(String, Result<Synced, Unsynced>)> {
    facts::Facts::read(folder).synced(folder, &Tools::default(), runner)
}

/// What was let pass when a delivered folder was made, by its place, as its own report says.
pub fn passed(folder: &Path) -> Vec<(String, String)> {
    facts::Facts::read(folder).passed
}

impl Project {
    /// How deliveries stand: those named, or all. Looked at `closely`, every file that was delivered is read.
    pub fn deliveries(
        &self,
        status: &Status,
        names: &[String],
        as_it_is: bool,
        closely: bool,
        runner: &Runner,
    ) -> Vec<Due> {
        let Some(film) = &status.declared.film else { return Vec::new() };
        let mut version: Option<String> = None;
        let mut all = Vec::new();
        for (name, delivery) in &film.deliveries {
            if !names.is_empty() && !names.contains(name) {
                continue;
            }
            let Some(ready) = targets::ready(&status.declared, film, name, delivery) else { continue };
            let program = match &delivery.makes {
                Makes::Movie(_) => version.get_or_insert_with(|| program(runner)).clone(),
                _ => String::new(),
            };
            let needs = needs::of(self, status, &ready, as_it_is);
            let known = Known::now(&ready, &needs, &program);
            all.push(self.due(status, ready, needs, known, closely));
        }
        all
    }

    fn due(&self, status: &Status, ready: Ready, mut needs: Needs, known: Known, closely: bool) -> Due {
        let record = Record::load(&status.store, &ready.name);
        let record = record.filter(|record| self.folder.join(&record.place).is_dir());
        let (lacking, kept) = (std::mem::take(&mut needs.lacking), needs.kept.clone());
        let mut why = Vec::new();
        let standing = match &record {
            None => {
                why.push("it was not made yet, or is no longer there".to_string());
                Standing::Absent
            }
            Some(record) => {
                if lacking.is_empty() && record.known.key() != known.key() {
                    why.extend(known.differences(&record.known));
                }
                why.extend(lacking.iter().map(|lack| format!("{}: {}", lack.place, lack.why)));
                why.extend(record.fault(&self.folder, closely));
                if why.is_empty() { Standing::Fresh } else { Standing::Stale }
            }
        };
        let (place, passed) = record.map(|record| (record.place, record.passed)).unzip();
        Due {
            name: ready.name.clone(),
            standing,
            place,
            why,
            lacking,
            kept,
            passed: passed.unwrap_or_default(),
            faults: Vec::new(),
            ready,
            needs,
            known,
        }
    }

    /// Makes what is due, one delivery after the other.
    ///
    /// # Errors
    /// When the film cannot be looked at.
    pub fn deliver(&self, order: &Order<'_>) -> Result<Delivered, ProjectError> {
        let _lock = self.lock(order.writer)?;
        let status = self.status(false, &|_, _| {})?;
        let dues = self.deliveries(&status, order.names, order.as_it_is, true, order.runner);
        let mut delivered =
            Delivered { film: status.declared.graph.film.clone(), all: Vec::new(), ledger_trouble: None };
        let mut seen = Seen::default();
        for mut due in dues {
            let came = if !due.lacking.is_empty() {
                Came::Refused
            } else if due.standing == Standing::Fresh {
                Came::Fresh
            } else {
                match seen.of(self, &status, &due, order) {
                    Err(why) => Came::Failed(why),
                    Ok(inspected) => {
                        due.faults = fit::faults(inspected);
                        if due.faults.is_empty() || order.as_it_is {
                            let (came, trouble) = self.timed(&status, &due, inspected, order);
                            delivered.ledger_trouble = delivered.ledger_trouble.or(trouble);
                            came
                        } else {
                            Came::Refused
                        }
                    }
                }
            };
            let is_stopped = came == Came::Stopped;
            delivered.all.push((due, came));
            if is_stopped {
                break;
            }
        }
        Ok(delivered)
    }

    /// Makes one in a folder without a final name, and gives it its name when all is well.
    fn made(
        &self,
        status: &Status,
        due: &Due,
        inspected: &Inspected,
        order: &Order<'_>,
    ) -> Result<Made, Fault> {
        let to = Path::new(&due.ready.to);
        let name = to.file_name().and_then(|name| name.to_str()).unwrap_or(&due.name);
        let within = self.folder.join(to.parent().unwrap_or(Path::new("")));
        let staging = Staging::begin(&within, name, Taken::Number).map_err(staged)?;
        let (tools, date) = (Tools::default(), (order.now)());
        let below =
            |place: &Path| place.strip_prefix(&self.folder).unwrap_or(place).to_string_lossy().into_owned();
        let mut paper = telling::begun(status, due, &below(staging.place()), date);
        let making = Making {
            ready: &due.ready,
            needs: &due.needs,
            objects: &Objects::of(&status.store),
            space: status.declared.graph.space,
            tools: &tools,
            runner: order.runner,
            made: date,
            tell: order.tell,
            as_it_is: order.as_it_is,
        };
        telling::passed(due, &mut paper);
        let sync = making.all(staging.folder(), &mut paper)?;
        fit::told(inspected, &mut paper);
        telling::cautions(due, inspected, &mut paper);
        let system =
            |path: &Path, error: std::io::Error| Fault::System(format!("{}: {error}", path.display()));
        let facts = facts::Facts::of(due, sync.as_ref(), &paper).json(&paper);
        for (file, text) in
            [("report.txt", paper.text()), ("report.html", paper.html()), (facts::NAME, facts)]
        {
            let path = staging.folder().join(file);
            std::fs::write(&path, text).map_err(|error| system(&path, error))?;
        }
        let creator = telling::creator(&paper, &order.writer.machine, date);
        let kinds = [Kind::C4, Kind::Xxh128];
        let sealed = history::seal(staging.folder(), &kinds, creator, Process::InPlace, &[]);
        let sealed = sealed.map_err(|error| Fault::System(error.to_string()))?;
        let manifest = std::fs::read(&sealed.path).map_err(|error| system(&sealed.path, error))?;
        if order.runner.halt.is_asked() {
            return Err(Fault::Stopped);
        }
        let place = staging.finish().map_err(staged)?;
        let below = below(&place);
        let lines = |part: &str| paper.lines(part).to_vec();
        let record = Record {
            known: due.known.clone(),
            place: below.clone(),
            passed: lines(PASSED),
            c4: Kind::C4.of(&manifest).to_string(),
            files: kept::stats(&place),
        };
        record.save(&status.store, &due.name).map_err(|error| Fault::System(error.to_string()))?;
        Ok(Made {
            place: below,
            checks: lines(CHECKS),
            passed: lines(PASSED),
            inspection: lines(INSPECTION),
            cautions: lines(CAUTIONS),
            sync,
        })
    }
}

/// What the coding program says that it is.
fn program(runner: &Runner) -> String {
    encode::version(&Tools::default(), runner).unwrap_or_else(|_| "none".into())
}

fn staged(error: StagingError) -> Fault {
    match error {
        StagingError::Disk { .. } => Fault::System(error.to_string()),
        _ => Fault::Unfit(error.to_string()),
    }
}
