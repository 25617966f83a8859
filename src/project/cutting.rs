//! The cut in use, and the film as it stands written for others: edit lists, OTIO, the grades that a list carries.
//!
//! Knows which stage of each shot is the finished one and where its frames lie. Renders nothing, and writes over no file of a
//! person. How formats are written `cut` knows.

use std::collections::BTreeSet;

use super::frames::LookError;
use super::standing::Standing;
use super::{Declared, Project, ProjectError};
use crate::base::frames::FrameRange;
use crate::base::mark;
use crate::base::problem::{Problem, Span};
use crate::base::rate::Rate;
use crate::base::speed::Speed;
use crate::cut::finished::{Finished, Written};
use crate::cut::{Cut, CutEvent, edl, otio};
use crate::declare::film::Film;
use crate::declare::{path_fault, taken};
use crate::execute::settle::render_path;
use crate::graph::assembly::in_order;
use crate::graph::edit::Edit;
use crate::graph::{Graph, Node};
use crate::operators::colour::cdl::Cdl;
use crate::operators::colour::cdl_xml;

/// Folder of the grades that are written.
const GRADES: &str = "grades";

/// What is to be written.
#[derive(Clone, Debug, Default)]
pub struct Wish {
    /// An edit list, below the project's folder.
    pub edl: Option<String>,
    /// OTIO JSON, alike.
    pub otio: Option<String>,
    /// The grades that the list carries, as `grades/SHOT.cc`.
    pub grades: bool,
    /// Whether files that a person changed are replaced.
    pub replace: bool,
}

/// A file that was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Put {
    /// Its path below the project's folder.
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

/// The node that the film takes of a shot.
fn finished_stage<'g>(graph: &'g Graph, film: &Film, shot: &str) -> Option<&'g Node> {
    let declared = film.shots.iter().find(|(name, _)| name.eq_ignore_ascii_case(shot));
    let (name, declared) = declared?;
    let from = film.assembly_from.as_ref().map(|from| from.value.as_str());
    let last = declared.stages.last().map(|(stage, _)| stage.as_str());
    let from = from.filter(|from| declared.stages.contains_key(*from)).or(last)?;
    graph.nodes.iter().find(|node| *node.shot == **name && *node.stage == *from)
}

/// Where a node's frames lie.
fn lying(node: &Node) -> Finished {
    Finished {
        folder: format!("renders/{}/{}/", node.shot, node.stage),
        prefix: format!("{}.", node.shot),
        digits: 4,
        suffix: ".exr".into(),
        frames: node.frames,
    }
}

impl Project {
    /// Tells the cut in use, and writes what is asked for. `writing` is called before anything is written.
    ///
    /// # Errors
    /// The declaration has errors, a file that stands there is a person's, or a format cannot hold the film.
    pub fn cut_told(&self, wish: &Wish, writing: &dyn Fn()) -> Result<Told, LookError> {
        let declared = self.read();
        let Some(film) = declared.film.as_ref().filter(|_| declared.is_sound()) else {
            return Err(ProjectError::Unsound(Box::new(declared)).into());
        };
        let (files, remarks) = (Vec::new(), Vec::new());
        let mut told = Told { cut: declared.film_cut(), rate: film.rate, files, remarks };
        let finished =
            |shot: &str| finished_stage(&declared.graph, film, shot).filter(|node| node.keep).map(lying);
        let mut texts: Vec<(String, Written)> = Vec::new();
        if let Some(file) = &wish.edl {
            let written = edl::write::write(&told.cut, film.rate, &finished).map_err(LookError::Words)?;
            texts.push((file.clone(), written));
        }
        if let Some(file) = &wish.otio {
            let written = otio::write::write(&told.cut, film.rate, &finished);
            texts.push((file.clone(), written));
        }
        if wish.grades {
            texts.extend(grades(&told.cut, film, &mut told.remarks));
        }
        if wish.edl.is_some() || wish.otio.is_some() {
            told.remarks.extend(self.lacking(&told.cut, film, &declared.graph));
        }
        // All files are looked at before the first is written.
        let mut standing = Vec::new();
        for (file, written) in texts {
            standing.push((self.place(&file, film, wish.replace)?, written));
        }
        writing();
        for (place, written) in standing {
            let kept = place.put(&mark::sealed(&written.text))?;
            told.files.push(Put { file: place.file().to_string(), kept, told: written.told });
        }
        Ok(told)
    }

    fn place(&self, file: &str, film: &Film, replace: bool) -> Result<Standing, LookError> {
        if let Some(fault) = path_fault(file) {
            return Err(LookError::Words(format!("{file}: {fault}")));
        }
        let is_cut = film.cut.as_ref().is_some_and(|cut| cut.value == file);
        let other = taken(file, film).or(is_cut.then(|| format!("{file}, which is the cut in use")));
        if let Some(other) = other {
            return Err(LookError::Words(format!(
                "the cut cannot be written into {other}; name another file"
            )));
        }
        Standing::of(&self.folder, file, replace)
    }

    /// What is to be known of finished frames that are not there.
    fn lacking(&self, cut: &Cut, film: &Film, graph: &Graph) -> Vec<String> {
        let mut remarks = Vec::new();
        let (mut all, mut missing) = (BTreeSet::new(), 0);
        let going = cut.dissolves.iter().filter_map(|dissolve| {
            let from = dissolve.from.as_ref()?;
            Some((from.shot.as_str(), from.run(dissolve.record.len() as i64).shows()))
        });
        let mut not_kept = BTreeSet::new();
        for (shot, frames) in cut.events.iter().map(|event| (event.shot.as_str(), event.source)).chain(going)
        {
            let Some(node) = finished_stage(graph, film, shot) else { continue };
            if !node.keep {
                not_kept.insert(node.name());
                continue;
            }
            for frame in frames.iter() {
                if all.insert((node.shot.clone(), frame)) {
                    let path = self.folder.join(render_path(&node.shot, &node.stage, frame));
                    missing += usize::from(!path.exists());
                }
            }
        }
        for stage in not_kept {
            remarks.push(format!(
                "{stage} keeps no renders, so that no file stands for it; take its `keep: false` away"
            ));
        }
        if missing > 0 {
            let all = all.len();
            remarks.push(format!(
                "{missing} of {all} finished frames are not there yet; `endboard rebuild` makes them"
            ));
        }
        remarks
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
