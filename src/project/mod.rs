//! The front door of the library: check, status, why, clashes, rebuild, cut, recut, track, register, match, sheet, compare,
//! inspect, deliver, hum, hours, clocks, approvals, notes, packets, forecast, page, sweep, holds.
//!
//! Knows the order in which the parts are asked, and in its own parts which frames a command looks at and which files it
//! writes. Does not know how anything is worded on a terminal, and prints nothing.

pub mod afar;
pub mod approving;
pub mod attach;
mod check;
pub mod clocking;
pub mod cutting;
pub mod delivering;
pub mod demo;
pub mod forecasting;
pub mod frames;
pub mod holding;
pub mod hum;
pub mod inspecting;
pub mod known;
mod lack;
pub mod left;
mod lengths;
pub mod logs;
pub mod matching;
pub mod naming;
pub mod noting;
mod of_cut;
pub mod packets;
pub mod paging;
mod past;
mod planning;
mod plates;
mod read;
pub mod rebuild;
pub mod recutting;
pub mod register;
mod remains;
pub mod ribbons;
pub mod sharing;
pub mod sheet;
pub mod spending;
mod standing;
mod together;
pub mod track;
pub mod trouble;

use std::path::{Path, PathBuf};

pub use self::planning::{chosen, picks, wanted};
use crate::base::made::NONE;
use crate::base::problem::{Problems, Severity, Sources};
use crate::crew::packets::Packets;
use crate::cut::Cut;
use crate::declare::film::Film;
use crate::graph::edit::Edit;
use crate::graph::{Graph, Node, NodeId};
use crate::ledger;
use crate::ledger::holds::Holds;
use crate::ledger::row::Entry;
use crate::observe::{self, Closeness, Foreseen, Seen};
use crate::stale::{self, Cell, Report};
use crate::store::actions::Actions;
use crate::store::facts::Facts;
use crate::store::objects::Objects;
use crate::store::seals::{Seal, Seals};
use crate::store::state::State as LastKeys;
use crate::store::{Store, StoreError};

/// The declaration's file name.
pub const DECLARATION: &str = crate::declare::DECLARATION;

/// A film's folder.
#[derive(Clone, Debug)]
pub struct Project {
    /// The folder that holds `endboard.yaml`.
    pub folder: PathBuf,
}

/// What went wrong at the front door.
#[derive(Debug, thiserror::Error)]
pub enum ProjectError {
    /// No declaration found.
    #[error("there is no {DECLARATION} in {} or any folder above it", .0.display())]
    NoDeclaration(PathBuf),
    /// The folder to begin with cannot be had.
    #[error("{0}")]
    NoFolder(String),
    /// The declaration has errors; they come with it.
    #[error("the declaration has errors")]
    Unsound(Box<Declared>),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The ledger.
    #[error(transparent)]
    Ledger(#[from] ledger::file::LedgerError),
    /// Something else of the system.
    #[error("{0}")]
    System(String),
    /// What was asked cannot be done.
    #[error("{0}")]
    Cannot(String),
    /// What was asked has to wait for other work on the film.
    #[error("{0}")]
    Busy(String),
}

impl ProjectError {
    /// Where the disk is full, where that is why.
    pub fn full(&self) -> Option<String> {
        let is_full = match self {
            Self::Store(error) => error.is_full_disk(),
            Self::Ledger(error) => error.is_full_disk(),
            _ => false,
        };
        is_full.then(|| self.to_string())
    }
}

/// The declaration as read, with everything wrong about it.
#[derive(Default)]
pub struct Declared {
    /// All texts.
    pub sources: Sources,
    /// The film, when it could be read.
    pub film: Option<Film>,
    /// Its graph.
    pub graph: Graph,
    /// The cut as its file says, where it has one.
    pub cut: Option<Cut>,
    /// Which frames of which shots it shows, where it has a cut.
    pub edit: Option<Edit>,
    /// Every problem.
    pub problems: Problems,
}

impl std::fmt::Debug for Declared {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Declared").field("problems", &self.problems).finish_non_exhaustive()
    }
}

impl Declared {
    /// True when nothing stands in the way of rendering.
    pub fn is_sound(&self) -> bool {
        self.film.is_some() && !self.problems.iter().any(|p| p.severity == Severity::Error)
    }
}

/// How closely to look at what is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Care {
    /// To show it.
    Read,
    /// Before something is rendered or swept: damaged tables of last keys are known to be lost.
    Write,
    /// Every source and every render is read again.
    Thorough,
}

/// What is kept of a film between runs.
struct Recalled {
    store: Store,
    facts: Facts,
    foreseen: Foreseen,
    seals: Seals,
    state: LastKeys,
    ledger: (Vec<Entry>, Vec<ledger::intake::LedgerProblem>),
}

/// The state of the film.
pub struct Status {
    /// The declaration.
    pub declared: Declared,
    /// What was seen of sources.
    pub seen: Vec<Seen>,
    /// The state of every frame.
    pub report: Report,
    /// The ledger's rows, and what is wrong with its files.
    pub ledger: (Vec<Entry>, Vec<ledger::intake::LedgerProblem>),
    /// Who has what, and what came back.
    pub packets: Packets,
    /// Last keys.
    pub state: LastKeys,
    /// What made what.
    pub actions: Actions,
    /// The store.
    pub store: Store,
    /// What was found fresh throughout.
    pub seals: Seals,
    /// What is known of sources.
    pub facts: Facts,
    /// Renders whose stored file is damaged or gone, and what comes of that, in words; only looked for when asked to be
    /// thorough.
    pub damaged: Vec<String>,
}

impl Project {
    /// The project that `start` lies in: the nearest folder upwards with a declaration.
    pub fn find(start: &Path) -> Result<Self, ProjectError> {
        let start =
            start.canonicalize().map_err(|e| ProjectError::NoFolder(format!("{}: {e}", start.display())))?;
        for folder in start.ancestors() {
            let path = folder.join(DECLARATION);
            if path.is_file() {
                return Ok(Self { folder: folder.to_path_buf() });
            }
            // What stands in a declaration's place must not be passed over: above it may lie another film.
            if let Ok(found) = std::fs::symlink_metadata(&path) {
                let what = if found.is_symlink() { "a link that leads to no file" } else { "not a file" };
                return Err(ProjectError::System(format!("{} is {what}", path.display())));
            }
        }
        Err(ProjectError::NoDeclaration(start))
    }

    /// Keeps what was seen of sources for the next look.
    fn keep_facts(&self, store: &Store, facts: &Facts) {
        keep(store, "what was seen of source files", || facts.save(store));
    }

    /// Keeps what was found fresh for the next look. A thorough look starts from nothing, so that what it did not find
    /// fresh is forgotten.
    fn keep_seals(&self, status: &mut Status, earned: &[(NodeId, Seal)], thorough: bool) {
        for &(id, seal) in earned {
            let node = &status.declared.graph.nodes[id];
            status.seals.set(&node.shot, &node.stage, seal);
        }
        if thorough || !earned.is_empty() {
            keep(&status.store, "what was found fresh", || status.seals.save(&status.store));
        }
    }

    /// The state of every frame.
    pub fn status(
        &self,
        thorough: bool,
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<Status, ProjectError> {
        let care = if thorough { Care::Thorough } else { Care::Read };
        // What is kept and the files that are known are looked at while the declaration is read.
        let (declared, recalled) = rayon::join(|| self.read(), || self.recall(care));
        self.status_of(declared, recalled, care, progress)
    }

    /// All that is kept of the film, and the stats of the files that are known.
    fn recall(&self, care: Care) -> Result<Recalled, ProjectError> {
        let store = Store::at(&self.folder)?;
        let thorough = care == Care::Thorough;
        let facts = Facts::load(&store);
        let seals = if thorough { Seals::none(&store) } else { Seals::load(&store) };
        let mut state = LastKeys::load(&store)?;
        if care != Care::Read {
            state.examine();
        }
        let ledger = ledger::file::read_all(&self.folder.join("ledger"));
        // Last, since whoever has read the declaration by now can help with it.
        let foreseen = if thorough { Foreseen::default() } else { observe::foresee(&self.folder, &facts) };
        Ok(Recalled { store, facts, foreseen, seals, state, ledger })
    }

    /// The state of every frame of a declaration and of what is kept, both of which were read before.
    fn status_of(
        &self,
        declared: Declared,
        recalled: Result<Recalled, ProjectError>,
        care: Care,
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<Status, ProjectError> {
        let before = recalled.as_ref().map_or(0, |recalled| recalled.facts.count());
        let (mut status, mut earned) = self.looked(declared, recalled, care, progress)?;
        let thorough = care == Care::Thorough;
        if thorough || status.facts.count() != before {
            self.keep_facts(&status.store, &status.facts);
        }
        if thorough {
            status.damaged = self.examine(&status);
            if !status.damaged.is_empty() {
                earned = self.look(&mut status);
            }
        }
        self.keep_seals(&mut status, &earned, thorough);
        Ok(status)
    }

    /// The same, of which nothing is kept for the next look; and the seals that this one earned.
    fn looked(
        &self,
        declared: Declared,
        recalled: Result<Recalled, ProjectError>,
        care: Care,
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<(Status, Vec<(NodeId, Seal)>), ProjectError> {
        if !declared.is_sound() {
            return Err(ProjectError::Unsound(Box::new(declared)));
        }
        let Recalled { store, mut facts, foreseen, seals, state, ledger } = recalled?;
        let thorough = care == Care::Thorough;
        let (graph, folder) = (&declared.graph, &self.folder);
        let closeness = if thorough { Closeness::Thorough } else { Closeness::Stat };
        let (sources, size) = (&graph.sources, graph.frame_size);
        let seen = observe::look(folder, sources, size, &mut facts, &foreseen, closeness, progress);
        drop(foreseen);
        let mut status = Status {
            seen,
            report: Report::default(),
            packets: Packets::after(&ledger.0),
            ledger,
            state,
            actions: Actions::of(&store),
            seals,
            facts,
            damaged: Vec::new(),
            store,
            declared,
        };
        let earned = self.look(&mut status);
        Ok((status, earned))
    }

    /// Looks at every frame. Gives the seals that this earned.
    fn look(&self, status: &mut Status) -> Vec<(NodeId, Seal)> {
        let (report, earned) = self.ask(status, |known| {
            let report = stale::look(&status.declared.graph, known);
            let earned = known.seals_earned(&report);
            (report, earned)
        });
        status.report = report;
        earned
    }

    /// Asks something of all that is known; folders of renders are listed at most once for it.
    fn ask<T>(&self, status: &Status, question: impl FnOnce(&known::Known<'_>) -> T) -> T {
        let holds = Holds::after(&status.ledger.0);
        let objects = Objects::of(&status.store);
        let known = known::Known::new(
            &self.folder,
            &status.declared.graph,
            &status.seen,
            &status.state,
            &status.actions,
            &objects,
            &holds,
            &status.seals,
            &status.packets,
            past::Past::new(&self.folder, &status.declared.graph, &status.ledger.0),
        );
        question(&known)
    }

    /// Reads every render that frames show; damaged ones leave the store, so that a rebuild makes anew what it can.
    fn examine(&self, status: &Status) -> Vec<String> {
        use rayon::prelude::*;
        let objects = Objects::of(&status.store);
        let graph = &status.declared.graph;
        let kept = graph.nodes.iter().zip(&status.report.strips).filter(|(node, _)| node.keep);
        let shown: Vec<(&Node, i64, Cell)> = kept
            .flat_map(|(node, strip)| {
                let shown = strip.iter().filter(|(_, cell)| cell.pixels != NONE);
                shown.map(move |(frame, cell)| (node, frame, cell))
            })
            .collect();
        let mut damaged: Vec<String> = shown
            .par_iter()
            .filter_map(|(node, frame, cell)| {
                let error = objects.get(&cell.pixels).err()?;
                let place = stale::place(node, *frame);
                Some(match cell.held {
                    true => format!("damaged, and {}: {place}: {error}", held_so(&place)),
                    false => format!("damaged, to be rendered again: {place}: {error}"),
                })
            })
            .collect();
        damaged.sort();
        damaged
    }

    /// The ledger's rows.
    pub fn ledger(&self) -> (Vec<Entry>, Vec<ledger::intake::LedgerProblem>) {
        ledger::file::read_all(&self.folder.join("ledger"))
    }
}

/// What is to be done about a held render that is lost, as a part of a sentence.
fn held_so(place: &str) -> String {
    format!("held, so that nothing renders it until `endboard rebuild --let-go {place}`")
}

/// Keeps what spares time later, when the film already has its folder; a failure costs that time only.
fn keep(store: &Store, what: &str, save: impl FnOnce() -> Result<(), StoreError>) {
    if store.path("format").exists()
        && let Err(error) = save()
    {
        tracing::warn!(%error, "{what} could not be kept");
    }
}
