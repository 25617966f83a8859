//! A first-pass grade for a shot from a reference shot, written as a file that a person edits.
//!
//! Knows which renders are compared, where the grade goes and when a file there is left alone. How pictures are compared
//! `operators::colour::matching` knows.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::{Project, ProjectError, Status};
use crate::base::made::NONE;
use crate::base::selector::{Chosen, Selector};
use crate::base::state::State;
use crate::execute::source;
use crate::graph::{NodeId, Work};
use crate::media::image::Image;
use crate::operators::colour::cdl_xml;
use crate::operators::colour::encoding::{Encoding, NAMES};
use crate::operators::colour::matching::{FirstPass, Samples, first_pass};
use crate::stale::SourceState;
use crate::store;
use crate::store::objects::Objects;

/// Frames of each shot that are compared, spread over those that are there.
const FRAMES: usize = 5;
/// Folder of the grades that are written.
const FOLDER: &str = "grades";

/// What is to be matched.
#[derive(Clone, Debug)]
pub struct Wish {
    /// The shot, with a stage and frames when they are said.
    pub shot: Selector,
    /// The reference, alike.
    pub to: Selector,
    /// A matte of both shots, `STAGE.CHANNEL`, within which alone they are compared.
    pub within: Option<String>,
    /// The space that the grade is made for; when not said, the one that the shot's grade stage works in.
    pub grade_in: Option<String>,
    /// Whether a file that a person changed is replaced.
    pub replace: bool,
}

/// A side of the comparison, as told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Side {
    /// `SHOT/STAGE`.
    pub stage: String,
    /// The frames that were compared.
    pub frames: Vec<i64>,
}

/// What came of it.
#[derive(Clone, Debug)]
pub struct Matched {
    /// The grade and how well it does.
    pub found: FirstPass,
    /// The shot.
    pub shot: Side,
    /// The reference.
    pub to: Side,
    /// The space that the grade is made for.
    pub grade_in: String,
    /// The file that was written.
    pub file: String,
    /// Where the file that stood there was moved to.
    pub moved: Option<String>,
}

/// Why there is no grade.
#[derive(Debug, thiserror::Error)]
pub enum MatchError {
    /// The film cannot be read.
    #[error(transparent)]
    Project(#[from] ProjectError),
    /// Something about what was asked, or what there is to compare.
    #[error("{0}")]
    Said(String),
}

fn said<T>(words: impl Into<String>) -> Result<T, MatchError> {
    Err(MatchError::Said(words.into()))
}

/// A file that is to be written anew, as it stood before the work began.
#[derive(Debug)]
pub struct Standing {
    folder: PathBuf,
    file: String,
    /// What stood there.
    before: Option<Vec<u8>>,
    /// Whether a person wrote or changed it, so that it is kept.
    keeps: bool,
}

impl Standing {
    /// Looks at a file below a project's folder.
    ///
    /// # Errors
    /// It is a person's and is not to be replaced, or cannot be read.
    pub fn of(folder: &Path, file: &str, replace: bool) -> Result<Self, MatchError> {
        let before = read(folder, file)?;
        let is_written = |bytes: &Vec<u8>| std::str::from_utf8(bytes).is_ok_and(cdl_xml::is_as_written);
        let keeps = before.as_ref().is_some_and(|bytes| !is_written(bytes));
        if keeps && !replace {
            return said(format!(
                "{file} was written or changed by a person and stays as it is; --replace makes it anew and keeps it under \
                 another name"
            ));
        }
        Ok(Self { folder: folder.to_path_buf(), file: file.into(), before, keeps })
    }

    /// Writes the file, and says under which name a person's is kept: the first free one of those that `aside` gives.
    /// The old file stands in its place until the new one does.
    ///
    /// # Errors
    /// The file was changed since it was looked at.
    pub fn put(&self, text: &str, aside: &dyn Fn(u64) -> String) -> Result<Option<String>, MatchError> {
        let path = self.folder.join(&self.file);
        let refused = |e: std::io::Error| ProjectError::System(format!("{}: {e}", path.display()));
        std::fs::create_dir_all(path.parent().unwrap_or(&self.folder)).map_err(refused)?;
        if read(&self.folder, &self.file)? != self.before {
            let file = &self.file;
            return said(format!(
                "{file} was changed meanwhile and stays as it is; look at it and start again"
            ));
        }
        let kept = if self.keeps { Some(self.keep(aside)?) } else { None };
        store::write_whole(&path, text.as_bytes()).map_err(ProjectError::from)?;
        Ok(kept)
    }

    /// Gives the file a second name that nothing has.
    fn keep(&self, aside: &dyn Fn(u64) -> String) -> Result<String, MatchError> {
        for n in 1.. {
            let name = aside(n);
            match std::fs::hard_link(self.folder.join(&self.file), self.folder.join(&name)) {
                Ok(()) => return Ok(name),
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
                Err(error) => return said(format!("{} could not be kept as {name}: {error}", self.file)),
            }
        }
        unreachable!("some number is free")
    }
}

/// What stands in a file, when there is one.
fn read(folder: &Path, file: &str) -> Result<Option<Vec<u8>>, MatchError> {
    match std::fs::read(folder.join(file)) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => said(format!("{file} stands there and cannot be read: {error}")),
    }
}

impl Project {
    /// Compares renders that are there and writes `grades/SHOT.cc`. Renders nothing.
    ///
    /// # Errors
    /// There is nothing to compare, or the file that stands there is a person's.
    pub fn match_shot(&self, wish: &Wish) -> Result<Matched, MatchError> {
        let status = self.status(false, &|_, _| {})?;
        let graph = &status.declared.graph;
        let name = plain(&wish.shot)?;
        let file = format!("{FOLDER}/{name}.cc");
        let standing = Standing::of(&self.folder, &file, wish.replace)?;
        let grade_in = match &wish.grade_in {
            Some(space) => space.clone(),
            None => graded_in(&status, name),
        };
        let working = graph.space.encoding();
        let space = match Encoding::named(&grade_in) {
            Some(space) => space,
            None if grade_in == "working" => working,
            None => {
                return said(format!("'{grade_in}' is not a space; one of: working, {}", NAMES.join(", ")));
            }
        };
        let (of_shot, shot) = self.samples(&status, &wish.shot, wish.within.as_deref())?;
        let (of_reference, to) = self.samples(&status, &wish.to, wish.within.as_deref())?;
        let Some(found) = first_pass(&of_shot, &of_reference, working, space) else {
            return said("too little of the pictures is opaque and within the matte to say anything");
        };
        let words = format!("First pass from {} to {}, made for the space {grade_in}.", shot.stage, to.stage);
        let text = cdl_xml::written(name, &words, &found.cdl);
        let moved = standing.put(&text, &|n| format!("{FOLDER}/{name}.{n}.cc"))?;
        Ok(Matched { found, shot, to, grade_in, file, moved })
    }

    /// Samples of a side's frames.
    fn samples(
        &self,
        status: &Status,
        selector: &Selector,
        within: Option<&str>,
    ) -> Result<(Samples, Side), MatchError> {
        let graph = &status.declared.graph;
        let shot = plain(selector)?;
        let node = compared(status, shot, selector)?;
        let name = graph.nodes[node].name();
        let matte = match within {
            None => None,
            Some(text) => Some(self.matte_of(status, shot, text)?),
        };
        let chosen = selector.frames().map_or(Chosen::All, |set| Chosen::Frames(set.clone()));
        let has = |node: NodeId, frame: i64| self.has(status, node, frame);
        let frames: Vec<i64> = (chosen.within(graph.nodes[node].frames).iter())
            .filter(|&n| has(node, n) && matte.as_ref().is_none_or(|(node, _)| has(*node, n)))
            .collect();
        if frames.is_empty() {
            return said(format!(
                "{name} has no fresh frames to compare; `endboard rebuild {name}` renders them"
            ));
        }
        let count = frames.len().min(FRAMES);
        // The middle of each of so many parts.
        let frames: Vec<i64> = (0..count).map(|i| frames[(2 * i + 1) * frames.len() / (2 * count)]).collect();
        let mut pictures = Vec::new();
        for &frame in &frames {
            let matte = match &matte {
                None => None,
                Some((node, channel)) => {
                    let image = self.picture(status, *node, frame)?;
                    let Some(at) = image.channel(channel) else {
                        return said(format!("{} has no channel '{channel}'", graph.nodes[*node].name()));
                    };
                    Some(image.plane_f32(at))
                }
            };
            pictures.push((self.picture(status, node, frame)?, matte));
        }
        let samples = Samples::of(pictures.iter().map(|(image, matte)| (image, matte.as_deref())));
        Ok((samples, Side { stage: name, frames }))
    }

    /// The stage and channel of a matte.
    fn matte_of(&self, status: &Status, shot: &str, text: &str) -> Result<(NodeId, String), MatchError> {
        let found = text.rsplit_once('.').and_then(|(stage, channel)| {
            Some((status.declared.graph.find(shot, stage)?, channel.to_string()))
        });
        match found {
            Some(found) => Ok(found),
            None => said(format!(
                "{shot} has no stage for the matte '{text}': write STAGE.CHANNEL, such as roto.actors"
            )),
        }
    }

    /// Whether a frame's pixels are there and are what the declaration asks for, or what a person holds.
    fn has(&self, status: &Status, node: NodeId, frame: i64) -> bool {
        match &status.declared.graph.nodes[node].work {
            Work::Plate { source, .. } if status.declared.graph.nodes[node].is_passed_on() => {
                let sight = status.seen[*source].get(frame);
                sight.is_some_and(|sight| matches!(sight.state, SourceState::Known(_)))
            }
            _ => {
                let cell = status.report.strips[node].get(frame);
                cell.is_some_and(|cell| (cell.state == State::Fresh || cell.held) && cell.pixels != NONE)
            }
        }
    }

    /// A frame's pixels, from the store or, for a plate that leaves no renders, from its file.
    fn picture(&self, status: &Status, node: NodeId, frame: i64) -> Result<Image, MatchError> {
        let graph = &status.declared.graph;
        let of = &graph.nodes[node];
        let place = crate::stale::place(of, frame);
        match &of.work {
            Work::Plate { .. } if of.is_passed_on() => {
                source::plate(&self.folder, graph, &status.seen, node, frame)
                    .map_err(|why| MatchError::Said(format!("{place}: {why}")))
            }
            _ => {
                let cell = status.report.strips[node].get(frame);
                let pixels = cell.map_or(NONE, |cell| cell.pixels);
                let found = Objects::of(&status.store).get(&pixels);
                found.map_err(|why| {
                    MatchError::Said(format!("{place}: {why}; `endboard rebuild {place}` renders it"))
                })
            }
        }
    }
}

/// The one shot that a selector names.
fn plain(selector: &Selector) -> Result<&str, MatchError> {
    match selector.shot().filter(|glob| glob.is_plain()) {
        Some(glob) => Ok(glob.text()),
        None => said(format!("'{}' does not name one shot: SHOT or SHOT/STAGE is wanted", selector.text())),
    }
}

/// The stage of a shot that is compared: the one named, or what its grade is given.
fn compared(status: &Status, shot: &str, selector: &Selector) -> Result<NodeId, MatchError> {
    let graph = &status.declared.graph;
    if !graph.nodes.iter().any(|node| &*node.shot == shot) {
        return said(format!("the film has no shot '{shot}'"));
    }
    match selector.stage() {
        Some(stage) if !stage.is_plain() => said(format!("'{}' does not name one stage", selector.text())),
        Some(stage) => match graph.find(shot, stage.text()) {
            Some(node) => Ok(node),
            None => said(format!("{shot} has no stage '{}'", stage.text())),
        },
        None => {
            let fed = grade_of(status, shot).and_then(|node| {
                graph.nodes[node].inputs.iter().find(|edge| edge.port == "picture").map(|edge| edge.from)
            });
            match fed {
                Some(node) => Ok(node),
                None => said(format!(
                    "{shot} has no grade whose picture could be compared: name a stage, {shot}/STAGE"
                )),
            }
        }
    }
}

/// The first grade of a shot.
fn grade_of(status: &Status, shot: &str) -> Option<NodeId> {
    status.declared.graph.nodes.iter().position(|node| &*node.shot == shot && node.kind() == "grade")
}

/// The space that the CDL of a shot's grade works in.
fn graded_in(status: &Status, shot: &str) -> String {
    let said = grade_of(status, shot).and_then(|node| {
        let ingredients = &status.declared.graph.nodes[node].ingredients;
        ingredients.iter().find(|ingredient| ingredient.name == "grade_in")?.text.clone()
    });
    said.unwrap_or_else(|| "working".into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_persons_file_is_kept_under_a_free_name_and_a_change_meanwhile_is_not_lost() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let text = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
        let aside = |n: u64| format!("a.{n}");
        std::fs::write(folder.join("a"), "mine").unwrap();
        std::fs::write(folder.join("a.1"), "older").unwrap();
        assert!(Standing::of(folder, "a", false).unwrap_err().to_string().contains("--replace"));
        let standing = Standing::of(folder, "a", true).unwrap();
        assert_eq!(standing.put("new", &aside).unwrap().as_deref(), Some("a.2"));
        assert_eq!((text("a"), text("a.1"), text("a.2")), ("new".into(), "older".into(), "mine".into()));
        let standing = Standing::of(folder, "a", true).unwrap();
        std::fs::write(folder.join("a"), "edited").unwrap();
        assert!(standing.put("newer", &aside).unwrap_err().to_string().contains("meanwhile"));
        assert!(text("a") == "edited" && !folder.join("a.3").exists());
        let standing = Standing::of(folder, "b", false).unwrap();
        std::fs::write(folder.join("b"), "edited").unwrap();
        assert!(standing.put("new", &aside).is_err());
        assert_eq!(text("b"), "edited");
    }
}
