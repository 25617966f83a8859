//! The cut in use, and the film as it stands written for others: edit lists, OTIO, the grades that a list carries.
//!
//! Knows where the frames of each shot's finished stage lie, or those of a delivery (`delivered`), and which shots are finished
//! (`done`). Renders nothing, and writes over no file of a person. How formats are written `cut` knows.

pub mod delivered;
pub mod done;

use std::collections::BTreeSet;
use std::sync::Arc;

use self::delivered::Delivered;
use self::done::Shot;
use super::frames::LookError;
use super::standing::{Standing, put_all};
use super::{Declared, Project, ProjectError, Status};
use crate::base::frames::FrameRange;
use crate::base::mark;
use crate::base::problem::{Problem, Span};
use crate::base::rate::Rate;
use crate::base::speed::Speed;
use crate::cut::finished::{Finished, Written, in_one};
use crate::cut::{Cut, CutEvent, edl, otio};
use crate::declare::film::Film;
use crate::declare::{path_fault, taken};
use crate::execute::settle::render_path;
use crate::graph::Node;
use crate::graph::assembly::in_order;
use crate::graph::edit::Edit;
use crate::operators::colour::cdl::Cdl;
use crate::operators::colour::cdl_xml;
use crate::programs::Runner;

/// Folder of the grades that are written.
const GRADES: &str = "grades";

/// What is to be written.
#[derive(Clone, Debug, Default)]
pub struct Wish {
    /// An edit list, below the film's folder.
    pub edl: Option<String>,
    /// OTIO JSON, alike.
    pub otio: Option<String>,
    /// The grades that the list carries, as `grades/SHOT.cc`.
    pub grades: bool,
    /// The delivery whose files a list points at; the renders of shots where it is none.
    pub delivery: Option<String>,
    /// Whether files that a person changed are replaced.
    pub replace: bool,
}

impl Wish {
    /// Whether the film is written.
    pub fn is_of_film(&self) -> bool {
        self.edl.is_some() || self.otio.is_some()
    }
}

/// A file that was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Put {
    /// Its path below the film's folder.
    pub file: String,
    /// Where the file that stood there is now.
    pub kept: Option<String>,
    /// What its format could not hold.
    pub told: Vec<String>,
}

/// The cut, and what was written of it.
#[derive(Clone, Debug)]
pub struct Told {
    /// The film as it is cut.
    pub cut: Cut,
    /// Its rate.
    pub rate: Rate,
    /// Files.
    pub files: Vec<Put>,
    /// How far shots are, where the film was written.
    pub shots: Vec<Shot>,
    /// Shots and stages of the film.
    pub places: Vec<(Arc<str>, Arc<str>)>,
    /// What is to be known.
    pub remarks: Vec<String>,
}

impl Declared {
    /// The cut in use; of a film without one its shots follow one another as declared, from the hour on.
    pub fn film_cut(&self) -> Cut {
        let Some(film) = &self.film else { return Cut::default() };
        self.cut.clone().unwrap_or_else(|| as_declared(film, &in_order(film)))
    }
}

fn as_declared(film: &Film, edit: &Edit) -> Cut {
    let hour = i64::from(film.rate.nominal()) * 3600;
    let events = edit.events.iter().zip(1..).map(|(event, number)| CutEvent {
        number,
        shot: event.shot.value.clone(),
        shot_span: event.shot.span,
        source: event.run.shows(),
        speed: Speed::OWN,
        record_first: hour + event.at - 1,
        frames: event.run.frames,
        reel: None,
        channels: None,
        grade: None,
        comments: Vec::new(),
        span: event.shot.span,
    });
    Cut {
        title: Some(film.name.clone()),
        events: events.collect(),
        record: (edit.frames > 0).then(|| FrameRange::new(hour, hour + edit.frames - 1)),
        ..Cut::default()
    }
}

/// Where a node's frames lie.
fn lying(node: &Node) -> Finished {
    let name = render_path(&node.shot, &node.stage, 0);
    let (head, digits, suffix) = delivered::numbered(&name);
    let (folder, prefix) = head.rsplit_once('/').unwrap_or(("", &head));
    Finished {
        folder: format!("{folder}/"),
        prefix: prefix.into(),
        digits,
        suffix,
        frames: node.frames,
        reel: None,
    }
}

impl Project {
    /// Tells the cut in use, and writes what is asked for: all of it or none. `writing` is called before anything is written.
    ///
    /// # Errors
    /// The declaration has errors, a file that stands there is a person's, a delivery is not what the film is, or a format
    /// cannot hold the film.
    pub fn cut_told(&self, wish: &Wish, runner: &Runner, writing: &dyn Fn()) -> Result<Told, LookError> {
        let status = if wish.is_of_film() { Some(self.status(false, &|_, _| {})?) } else { None };
        let read;
        let declared = match &status {
            Some(status) => &status.declared,
            None => {
                read = self.read();
                &read
            }
        };
        let Some(film) = declared.film.as_ref().filter(|_| declared.is_sound()) else {
            return Err(ProjectError::Unsound(Box::new(self.read())).into());
        };
        let (files, shots, remarks) = (Vec::new(), Vec::new(), Vec::new());
        let places =
            declared.graph.nodes.iter().map(|node| (node.shot.clone(), node.stage.clone())).collect();
        let mut told = Told { cut: declared.film_cut(), rate: film.rate, files, shots, places, remarks };
        let mut texts: Vec<(String, Written)> = Vec::new();
        if let Some(status) = &status {
            texts = self.film_written(wish, status, film, &told.cut, runner)?;
            told.shots = self.shots_done(status, &told.cut);
        }
        if wish.grades {
            texts.extend(grades(&told.cut, film, &mut told.remarks));
        }
        // All files are looked at, and all are written beside their places, before the first has its name.
        let mut standing = Vec::new();
        for (file, written) in texts {
            standing.push((
                self.place(&file, film, wish.replace)?,
                mark::sealed(&written.text),
                written.told,
            ));
        }
        writing();
        let all: Vec<(&Standing, &str)> =
            standing.iter().map(|(place, text, _)| (place, text.as_str())).collect();
        let kept = put_all(&all)?;
        for ((place, _, words), kept) in standing.iter().zip(kept) {
            told.files.push(Put { file: place.file().to_string(), kept, told: words.clone() });
        }
        Ok(told)
    }

    /// The texts of the film's lists.
    fn film_written(
        &self,
        wish: &Wish,
        status: &Status,
        film: &Film,
        cut: &Cut,
        runner: &Runner,
    ) -> Result<Vec<(String, Written)>, LookError> {
        let graph = &status.declared.graph;
        let by_name = done::taken(graph);
        let of_shot = |shot: &str| {
            let node = &graph.nodes[*by_name.get(&shot.to_ascii_lowercase())?];
            node.keep.then(|| lying(node))
        };
        let delivery = match &wish.delivery {
            Some(name) => Some(self.delivered_files(status, name, runner)?),
            None => None,
        };
        let whole = delivery.as_ref().map(|Delivered { first, .. }| in_one(cut, *first));
        let cut = whole.as_ref().unwrap_or(cut);
        let finished = |shot: &str| match &delivery {
            Some(delivery) => Some(delivery.files.clone()),
            None => of_shot(shot),
        };
        let mut texts = Vec::new();
        if let Some(file) = &wish.edl {
            let written = edl::write::write(cut, film.rate, &finished).map_err(LookError::Words)?;
            texts.push((file.clone(), written));
        }
        if let Some(file) = &wish.otio {
            texts.push((file.clone(), otio::write::write(cut, film.rate, &finished)));
        }
        Ok(texts)
    }

    fn place(&self, file: &str, film: &Film, replace: bool) -> Result<Standing, LookError> {
        if let Some(fault) = path_fault(file) {
            return Err(LookError::Words(format!("{file}: {fault}")));
        }
        let refused = |other: String| {
            Err(LookError::Words(format!("the cut cannot be written into {other}; name another file")))
        };
        let is_cut = |file: &str| film.cut.as_ref().is_some_and(|cut| cut.value == file);
        let other = |file: &str| {
            taken(file, film).or(is_cut(file).then(|| format!("{file}, which is the cut in use")))
        };
        if let Some(other) = other(file) {
            return refused(other);
        }
        // A link would be written through, into whatever it leads to.
        if self.folder.join(file).is_symlink() {
            return refused(format!("{file}, which is a link"));
        }
        let standing = Standing::of(&self.folder, file, replace)?;
        // Its folder may be one: where that leads counts.
        let film_folder = self.folder.canonicalize().unwrap_or_else(|_| self.folder.clone());
        let place = standing.place();
        match place.strip_prefix(&film_folder).ok().and_then(|place| place.to_str()) {
            None => refused(format!("{file}, whose folder leads out of the film's ({})", place.display())),
            Some(place) if place != file => other(place).map_or(Ok(standing), refused),
            Some(_) => Ok(standing),
        }
    }
}

/// The grades that a list carries, one file a shot; another one of the same shot has a number.
fn grades(cut: &Cut, film: &Film, remarks: &mut Vec<String>) -> Vec<(String, Written)> {
    let mut files: Vec<(String, Written)> = Vec::new();
    let mut seen: Vec<(String, Vec<Cdl>)> = Vec::new();
    for event in &cut.events {
        let Some(grade) = &event.grade else { continue };
        let named = film.shots.keys().find(|name| name.eq_ignore_ascii_case(&event.shot));
        let Some(name) = named else { continue };
        let cdl = Cdl {
            slope: grade.slope,
            offset: grade.offset,
            power: grade.power,
            saturation: grade.saturation,
        };
        let at = seen.iter().position(|(shot, _)| shot == name).unwrap_or_else(|| {
            seen.push((name.clone(), Vec::new()));
            seen.len() - 1
        });
        let of_shot = &mut seen[at].1;
        if of_shot.contains(&cdl) {
            continue;
        }
        of_shot.push(cdl);
        let file = match of_shot.len() {
            1 => format!("{GRADES}/{name}.cc"),
            n => format!("{GRADES}/{name}-{n}.cc"),
        };
        let words = format!("First pass from the cut, event {}.", event.number);
        files.push((file, Written { text: cdl_xml::written(name, &words, &cdl), told: Vec::new() }));
    }
    if files.is_empty() {
        remarks.push("the cut carries no grades".into());
    }
    files
}

/// Warns of grades that the cut carries and the film does not use: of shots without a stage that names one.
pub(super) fn unused_grades(cut: &Cut, film: &Film) -> Vec<Problem> {
    let uses = |shot: &str| {
        let declared = film.shots.iter().find(|(name, _)| name.eq_ignore_ascii_case(shot));
        declared.is_none_or(|(_, shot)| shot.stages.values().any(|stage| stage.settings.get("cdl").is_some()))
    };
    let mut told: BTreeSet<String> = BTreeSet::new();
    let mut problems = Vec::new();
    for event in &cut.events {
        let Some(grade) = &event.grade else { continue };
        if uses(&event.shot) || !told.insert(event.shot.to_ascii_lowercase()) {
            continue;
        }
        let shot = &event.shot;
        let message = format!("the cut carries a grade for {shot} (ASC CDL), and no stage of it takes one");
        let help = format!(
            "`endboard cut --grades` writes it as {GRADES}/{shot}.cc; name that file as `cdl` of a stage of operator grade"
        );
        problems.push(Problem::error(grade.span, message).warning().help(help));
    }
    problems
}

/// Says how much sound a cut holds that nobody hears.
pub(super) fn unheard(cut: &Cut, film: &Film, at: Span) -> Option<Problem> {
    let with_picture = cut.events.iter().filter(|event| event.channels.is_some()).count();
    let all = cut.sounds.iter().filter(|sound| sound.record.1 > sound.record.0).count() + with_picture;
    if all == 0 || film.sound.is_some() {
        return None;
    }
    let message = match all {
        1 => "the cut holds 1 event of sound, and the film has no `sound`".to_string(),
        all => format!("the cut holds {all} events of sound, and the film has no `sound`"),
    };
    let help =
        "sound is laid by cues, under `sound`; the cut's events are kept, and written by `endboard cut`";
    Some(Problem::error(at, message).warning().help(help))
}
