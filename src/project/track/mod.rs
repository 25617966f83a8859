//! Following things through a shot's frames: from hand-set keys in a shapes file to keys on all other frames.
//!
//! Knows what was asked in words, and which file is read and written. How frames are gone through `follow` knows.

mod follow;
mod rods;
pub mod seeds;

use self::follow::Wish;
use self::seeds::{Ground, Kind, Seeds};
use super::frames::LookError;
use super::standing::{Standing, numbered};
use super::{Declared, Project, ProjectError, Status, naming};
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::problem::{Severity, Sources};
use crate::declare::taken;
use crate::graph::NodeId;
use crate::operators::track::course::Key;
use crate::operators::track::sheet::{self, Sheet, Thing};
use std::io::ErrorKind;
use std::path::{Component, Path, PathBuf};

/// What is asked for, in words.
#[derive(Clone, Debug)]
pub struct Request {
    /// A shot or a stage of it, and frames.
    pub place: String,
    /// Keys.
    pub seeds: Seeds,
    /// The file that is read and written, below the film's folder; `tracks/SHOT.yaml` when not said.
    pub file: Option<PathBuf>,
    /// A matte, `STAGE.CHANNEL`, where places do not count.
    pub holdout: Option<String>,
    /// The least belief with which a frame has a key.
    pub threshold: f64,
    /// Whether nothing is written.
    pub plan: bool,
}

/// What came of it.
#[derive(Clone, Debug)]
pub struct Tracked {
    /// `SHOT/STAGE`.
    pub place: String,
    /// Its frames.
    pub frames: FrameRange,
    /// Each thing.
    pub things: Vec<Followed>,
    /// The file that was written.
    pub file: Option<String>,
    /// What else is to be known.
    pub remarks: Vec<String>,
}

/// What came of one thing.
#[derive(Clone, Debug)]
pub struct Followed {
    /// What it is.
    pub kind: Kind,
    /// Its name.
    pub name: String,
    /// Keys that a person set on the frames.
    pub by_hand: usize,
    /// Frames with a key now.
    pub sound: FrameSet,
    /// Frames on which it was lost.
    pub lost: FrameSet,
    /// Those of them on which a rod's base alone is not believed: a guess by its length.
    pub guessed: FrameSet,
    /// Mean and least of what the sound ones are believed.
    pub sure: (f64, f64),
}

impl Project {
    /// The state of the film for following things. A track file that it names and that is not there yet is what is to be
    /// written: it counts as if the things asked for stood in it.
    ///
    /// # Errors
    /// As [`Project::status`].
    pub fn status_to_track(&self, request: &Request) -> Result<Status, ProjectError> {
        let declared = self.read();
        let shot = request.place.split(['/', '@']).next().unwrap_or_default();
        let file = file(request.file.as_deref(), shot).ok();
        let lacks = |file: &String| {
            let found = std::fs::symlink_metadata(self.folder.join(file));
            found.is_err_and(|error| error.kind() == ErrorKind::NotFound)
        };
        let to_write = file.filter(|file| !declared.is_sound() && lacks(file));
        let as_written = to_write.map(|file| self.read_as(Some((&file, &request.seeds.as_file()))));
        self.status_as(as_written.filter(Declared::is_sound).unwrap_or(declared))
    }

    /// Follows things through a shot and writes their keys. `progress` is told how many looks at frames are done of how many;
    /// `writing` is called before anything is written.
    ///
    /// # Errors
    /// What was asked cannot be meant, frames are not there, or the file was changed meanwhile.
    pub fn track(
        &self,
        status: &Status,
        request: &Request,
        progress: &(dyn Fn(usize, usize) + Sync),
        writing: &dyn Fn(),
    ) -> Result<Tracked, LookError> {
        let graph = &status.declared.graph;
        let plate = |all: &[NodeId]| all.iter().copied().find(|&id| &*graph.nodes[id].stage == "plate");
        let words = LookError::Words;
        let (node, chosen) = naming::one_stage(&status.declared, &request.place, plate).map_err(words)?;
        let [range] = chosen.runs() else {
            let place = &request.place;
            return Err(words(format!(
                "'{place}': things are followed through one range of frames, not {chosen}"
            )));
        };
        let (shot, place) = (&graph.nodes[node].shot, graph.nodes[node].name());
        let holdout = request.holdout.as_deref().map(|text| naming::matte(graph, shot, text)).transpose();
        let holdout = holdout.map_err(|why| words(format!("--holdout {why}")))?;
        let file = file(request.file.as_deref(), shot)?;
        if let Some(taken) = status.declared.film.as_ref().and_then(|film| taken(&file, film)) {
            return Err(words(format!(
                "tracks cannot be put into {taken}; for example --file tracks/{shot}.yaml"
            )));
        }
        let standing = Standing::shared(&self.folder, &file)?;
        let mut sheet = read(&standing)?;
        let ground = Ground { place: &place, frames: *range, size: graph.frame_size };
        let only = request.seeds.sow(&mut sheet, ground).map_err(words)?;
        if sheet.points.is_empty() && sheet.planes.is_empty() && sheet.rods.is_empty() {
            let why = "there is nothing to follow: give --point, --plane or --blade, or a file with keys set by hand";
            return Err(words(why.into()));
        }
        if !request.plan {
            writable(&standing, &sheet, &only, *range)?;
        }
        let wish = Wish { node, frames: *range, holdout, threshold: request.threshold, only };
        let mut remarks = Vec::new();
        let things = self.follow(status, &wish, &mut sheet, &mut remarks, progress)?;
        if things.is_empty() {
            return Err(words(format!("{} has no keys set by hand on {range}", standing.file())));
        }
        let file = match request.plan {
            true => None,
            false => Some({
                writing();
                written(&standing, &sheet, &mut remarks)?
            }),
        };
        Ok(Tracked { place, frames: *range, things, file, remarks })
    }
}

/// The file of a shot's tracks, below the film's folder.
fn file(said: Option<&Path>, shot: &str) -> Result<String, LookError> {
    let Some(said) = said else { return Ok(format!("tracks/{shot}.yaml")) };
    let stays = said.components().all(|part| matches!(part, Component::Normal(_)));
    match said.to_str().filter(|_| stays && said.file_name().is_some()) {
        // In its plainest form, as the declaration names files.
        Some(file) => {
            Ok(file.split('/').filter(|part| !["", "."].contains(part)).collect::<Vec<_>>().join("/"))
        }
        None => Err(LookError::Words(
            "--file: a path in the film's folder is wanted, such as tracks/br030.yaml".into(),
        )),
    }
}

/// The tracks of a file; an empty sheet where there is none yet.
fn read(standing: &Standing) -> Result<Sheet, LookError> {
    let text = standing.text()?;
    let mut sources = Sources::new();
    let source = sources.add(standing.file(), text);
    let (sheet, problems) = sheet::read(source, text);
    let errors = problems.iter().filter(|problem| problem.severity == Severity::Error);
    let wrong: Vec<String> = errors
        .map(|problem| {
            let place = problem.span.map(|span| sources.place(span)).unwrap_or_default();
            let help = problem.help.as_ref().map(|help| format!(" ({help})")).unwrap_or_default();
            format!("{place}: {}{help}", problem.message)
        })
        .collect();
    if wrong.is_empty() { Ok(sheet) } else { Err(LookError::Words(wrong.join("\n"))) }
}

/// Why keys find no place in a file.
const FORM: &str =
    "is written in a form that keys cannot be put into (write points: and the like at the start of lines)";

/// Fails where followed keys of these things could not be put into the file, before minutes go into following them.
fn writable(
    standing: &Standing,
    sheet: &Sheet,
    only: &[(Kind, String)],
    frames: FrameRange,
) -> Result<(), LookError> {
    let asked_for = |kind: Kind, name: &str| {
        only.is_empty() || only.iter().any(|(other, asked)| *other == kind && asked == name)
    };
    fn followed<const N: usize>(
        things: &mut [Thing<N>],
        asked_for: impl Fn(&str) -> bool,
        frames: FrameRange,
    ) {
        for thing in things.iter_mut().filter(|thing| asked_for(&thing.name)) {
            let free = frames.iter().find(|n| thing.keys.iter().all(|key| key.frame != *n));
            if let (Some(frame), Some(first)) = (free, thing.keys.first().copied()) {
                thing.keys.push(Key { frame, sure: Some(0.5.into()), ..first });
                thing.keys.sort_by_key(|key| key.frame);
            }
        }
    }
    let mut sheet = sheet.clone();
    followed(&mut sheet.points, |name| asked_for(Kind::Point, name), frames);
    followed(&mut sheet.planes, |name| asked_for(Kind::Plane, name), frames);
    followed(&mut sheet.rods, |name| asked_for(Kind::Rod, name), frames);
    let file = standing.file();
    if sheet::put(standing.text()?, &sheet).is_some() {
        return Ok(());
    }
    Err(LookError::Words(match sheet::put("", &sheet) {
        Some(_) => format!("{file} {FORM}, or has one of the names for something else; nothing was followed"),
        None => format!("{file}: these names and keys cannot be put into a shapes file; give other names"),
    }))
}

/// Writes the tracks into their file, all other words of which stay, and says where they are.
fn written(standing: &Standing, sheet: &Sheet, remarks: &mut Vec<String>) -> Result<String, LookError> {
    let file = standing.file().to_string();
    let aside = |n: u64| numbered(&file, n);
    // Work of minutes is not lost because it cannot go where it was meant to.
    let beside = |why: &str, text: &str| -> Result<String, LookError> {
        let root = |n: u64| numbered(&file.replace('/', "-"), n);
        let other = standing.put_beside(text, &aside).or_else(|_| standing.put_beside(text, &root));
        Err(LookError::Words(match other {
            Ok(other) => format!("{file} {why} and stays as it is; what was followed is in {other}"),
            Err(nowhere) => format!(
                "{file} {why}, and what was followed can be written nowhere else ({nowhere}): make room in the film's \
                 folder, or let files be written there, and start again"
            ),
        }))
    };
    let refused = |error: LookError, text: &str| {
        let why = error.to_string();
        let why = why.strip_prefix(&format!("{file}: ")).unwrap_or(&why);
        beside(&format!("could not be written ({why})"), text)
    };
    let before = standing.text()?;
    let Some(text) = sheet::put(before, sheet) else {
        return match sheet::put("", sheet) {
            Some(text) => beside(FORM, &text),
            None => Err(LookError::Words(format!("{file} {FORM} and stays as it is"))),
        };
    };
    match standing.is_changed() {
        Ok(false) => {}
        Ok(true) => return beside("was changed meanwhile", &text),
        Err(error) => return refused(error, &text),
    }
    let words = |text: &str| text.matches('#').count();
    if words(&text) < words(before) {
        let kept = match standing.put_beside(before, &aside) {
            Ok(kept) => kept,
            Err(error) => return refused(error, &text),
        };
        remarks.push(format!(
            "remarks inside braces, or beside keys that are lost now, are not in {file} any more: as it stood it is kept as {kept}"
        ));
    }
    match standing.put(&text) {
        Ok(_) => Ok(file),
        // What stands in the way may be the file's alone.
        Err(error) => refused(error, &text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_was_edited_meanwhile_stays_and_the_work_is_kept_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let text = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
        let own = "points:\n  hook:\n    keys:\n      1001: { at: [120.5, 40.25] }\n";
        std::fs::write(folder.join("a.yaml"), own).unwrap();
        let standing = Standing::shared(folder, "a.yaml").unwrap();
        let mut sheet = read(&standing).unwrap();
        sheet.points[0].keys.push(Key { frame: 1002, at: [121.0, 40.0], sure: Some(0.9.into()) });
        let edited = own.replace("40.25", "40.5");
        std::fs::write(folder.join("a.yaml"), &edited).unwrap();
        let said = written(&standing, &sheet, &mut Vec::new()).unwrap_err().to_string();
        assert!(said.contains("a.yaml was changed meanwhile") && said.contains("a.1.yaml"), "{said}");
        assert_eq!(text("a.yaml"), edited);
        assert_eq!(text("a.1.yaml"), format!("{own}      1002: {{ at: [121, 40], sure: 0.9 }}\n"));
    }

    #[test]
    fn work_whose_file_cannot_be_written_goes_beside_it_or_into_the_projects_folder() {
        use std::os::unix::fs::symlink;
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let mut sheet = Sheet::default();
        let keys = vec![Key { frame: 1002, at: [121.0, 40.0], sure: Some(0.9.into()) }];
        sheet.points.push(sheet::Thing { name: "hook".into(), keys });
        // A file, then its folder, that is a link which leads nowhere.
        symlink("gone/a.yaml", folder.join("a.yaml")).unwrap();
        symlink("gone", folder.join("tracks")).unwrap();
        for (file, other) in [("a.yaml", "a.1.yaml"), ("tracks/br030.yaml", "tracks-br030.1.yaml")] {
            let standing = Standing::shared(folder, file).unwrap();
            let said = written(&standing, &sheet, &mut Vec::new()).unwrap_err().to_string();
            assert!(said.starts_with(&format!("{file} could not be written (")), "{said}");
            assert!(said.ends_with(&format!("what was followed is in {other}")), "{said}");
            let text = std::fs::read_to_string(folder.join(other)).unwrap();
            assert!(text.contains("1002: { at: [121, 40], sure: 0.9 }"), "{text}");
        }
    }

    #[test]
    fn remarks_that_cannot_stay_are_kept_in_a_copy_that_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let own = "points:\n  hook:\n    keys: {\n      1001: { at: [1, 2] },   # by eye\n    }\n";
        std::fs::write(folder.join("a.yaml"), own).unwrap();
        let standing = Standing::shared(folder, "a.yaml").unwrap();
        let mut sheet = read(&standing).unwrap();
        sheet.points[0].keys.push(Key { frame: 1002, at: [2.0, 2.0], sure: Some(0.9.into()) });
        let mut remarks = Vec::new();
        assert_eq!(written(&standing, &sheet, &mut remarks).unwrap(), "a.yaml");
        assert!(remarks[0].contains("a.1.yaml"), "{remarks:?}");
        assert_eq!(std::fs::read_to_string(folder.join("a.1.yaml")).unwrap(), own);
    }
}
