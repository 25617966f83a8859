//! Taking a new cut up, and going back to the one before.
//!
//! Knows what stands in the way and in which order files are written: a copy of the former list and a line of the history first,
//! the declaration last and at once, so that wherever it ends the film is cut in one way or the other and nothing is lost. Holds
//! the film's lock throughout. Changes the declaration's `cut:`, and shots' `frames:` only where that was asked for.

use std::path::Path;

use super::history::{self, Frames, History, Step};
use super::{Recut, lines};
use crate::base::digest::Digest;
use crate::programs::Runner;
use crate::project::frames::LookError;
use crate::project::rebuild::Writer;
use crate::project::standing::{Standing, numbered};
use crate::project::together::copies_of;
use crate::project::{DECLARATION, Project, ProjectError};
use crate::store;

/// How taking up came out.
pub enum Came {
    /// It was taken up.
    Taken {
        /// Shots whose frames were changed.
        frames: Vec<Frames>,
        /// Where the former list is kept, below the film's folder.
        copy: Option<String>,
    },
    /// Nothing was changed, for these reasons.
    Refused(Vec<String>),
}

/// Where going back led.
pub struct Back {
    /// The cut that was in use.
    pub from: Option<String>,
    /// The one in use now; none where shots follow one another as declared.
    pub to: Option<String>,
    /// Shots whose frames are as before.
    pub frames: Vec<Frames>,
    /// What a person should know.
    pub remarks: Vec<String>,
}

/// `Written by` whom and when.
fn now() -> String {
    jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

impl Project {
    /// Takes a new cut up. `grow` also writes the frames of shots that must be longer.
    ///
    /// # Errors
    /// As of [`Project::recut`]; another works on the film; or a file cannot be written.
    pub fn take_up(
        &self,
        list: &str,
        here: &Path,
        grow: bool,
        writer: &Writer,
        runner: &Runner,
    ) -> Result<(Recut, Came), LookError> {
        let _lock = self.lock(writer)?;
        let standing = Standing::shared(&self.folder, DECLARATION)?;
        let recut = self.recut(list, here, runner)?;
        let refused = in_the_way(&recut, grow);
        if !refused.is_empty() {
            return Ok((recut, Came::Refused(refused)));
        }
        let (mark, text) = parted(standing.text()?);
        let mut step = Step::new(now(), &writer.name, recut.was.clone(), Some(recut.list.path.clone()));
        let mut new = lines::with_cut(text, Some(&recut.list.path)).map_err(LookError::Words)?;
        for shot in &recut.needs.longer {
            let from = lines::frames_of(&new, &shot.shot).unwrap_or_default();
            new = lines::with_frames(&new, &shot.shot, shot.after).map_err(LookError::Words)?;
            step.frames.push(Frames { shot: shot.shot.clone(), from, to: shot.after.to_string() });
        }
        let then = self.read_text_as(&new);
        if !then.is_sound() {
            return Err(ProjectError::Unsound(Box::new(then)).into());
        }
        if let Some(was) = &recut.was {
            let bytes = read(&self.folder.join(was), was)?;
            step.digest = Some(Digest::of(&bytes).to_string());
            step.copy = Some(self.copy(was, &bytes)?);
        }
        self.record(&step)?;
        standing.put(&format!("{mark}{new}"))?;
        Ok((recut, Came::Taken { frames: step.frames, copy: step.copy }))
    }

    /// Goes back to the cut before the one that was taken up last.
    ///
    /// # Errors
    /// There is none, another works on the film, the film would have errors, or a file cannot be read or written.
    pub fn go_back(&self, writer: &Writer) -> Result<Back, LookError> {
        let _lock = self.lock(writer)?;
        let standing = Standing::shared(&self.folder, DECLARATION)?;
        let (mark, text) = parted(standing.text()?);
        let is = self.read_text_as(text);
        let Some(film) = &is.film else { return Err(ProjectError::Unsound(Box::new(is)).into()) };
        let now_cut = film.cut.as_ref().map(|at| at.value.clone());
        let history = self.history(now_cut.as_deref())?;
        let Some(last) = history.last(now_cut.as_deref()) else {
            let words = match &now_cut {
                Some(cut) => format!(
                    "{cut} was not taken up by `endboard recut`, so that there is no way back from it; name the list that you want with `cut:`"
                ),
                None => "no cut was taken up, so that there is none to go back from".into(),
            };
            return Err(LookError::Words(words));
        };
        let mut remarks = Vec::new();
        let to = self.former(last, &mut remarks)?;
        let mut new = lines::with_cut(text, to.as_deref()).map_err(LookError::Words)?;
        let mut step = Step::new(now(), &writer.name, now_cut.clone(), to.clone());
        step.back = true;
        for frames in &last.frames {
            let is = lines::frames_of(&new, &frames.shot);
            let before = frames.from.parse().ok().filter(|_| is.as_deref() == Some(&frames.to));
            let Some(before) = before else {
                let is = is.map_or("gone".into(), |is| format!("{is} now"));
                remarks.push(format!("the frames of {} are {is} and stay so", frames.shot));
                continue;
            };
            new = lines::with_frames(&new, &frames.shot, before).map_err(LookError::Words)?;
            let (from, to) = (frames.to.clone(), frames.from.clone());
            step.frames.push(Frames { shot: frames.shot.clone(), from, to });
        }
        let then = self.read_text_as(&new);
        if !then.is_sound() {
            return Err(ProjectError::Unsound(Box::new(then)).into());
        }
        self.record(&step)?;
        standing.put(&format!("{mark}{new}"))?;
        remarks.extend(apart(&self.history(to.as_deref())?, to.as_deref(), now_cut.as_deref()));
        Ok(Back { from: now_cut, to, frames: step.frames, remarks })
    }

    /// What is known of cuts that were taken up, also from copies that a program put beside the file when two had changed it.
    pub(super) fn history(&self, now: Option<&str>) -> Result<History, LookError> {
        let kept = Standing::shared(&self.folder, history::FILE)?;
        let (folder, file) = history::FILE.rsplit_once('/').expect("it lies in a folder");
        let mut copies = Vec::new();
        for name in copies_of(&self.folder.join(folder), file) {
            let path = format!("{folder}/{name}");
            let text = String::from_utf8(read(&self.folder.join(&path), &path)?);
            copies.push((path.clone(), text.map_err(|_| LookError::Words(format!("{path} is no text")))?));
        }
        History::of(kept.text()?, &copies, now).map_err(LookError::Words)
    }

    /// The list to go back to: the one that was in use, if it is what it was, or else the copy.
    fn former(&self, last: &Step, remarks: &mut Vec<String>) -> Result<Option<String>, LookError> {
        let Some(from) = &last.from else { return Ok(None) };
        let digest =
            |path: &str| read(&self.folder.join(path), path).ok().map(|bytes| Digest::of(&bytes).to_string());
        let is = digest(from);
        if is.is_some() && is == last.digest {
            return Ok(Some(from.clone()));
        }
        let changed = if is.is_some() { "was changed since" } else { "is no longer there" };
        match last.copy.as_deref().filter(|copy| digest(copy) == last.digest) {
            Some(copy) => {
                remarks.push(format!("{from} {changed}: the film is cut by the copy of what it was, {copy}"));
                Ok(Some(copy.to_string()))
            }
            None => Err(LookError::Words(format!(
                "{from} {changed}, and so is the copy of it: name the list that you want with `cut:`"
            ))),
        }
    }

    /// Keeps a copy of a list under a name of its own, or finds the one that is there.
    fn copy(&self, list: &str, bytes: &[u8]) -> Result<String, LookError> {
        let name = list.rsplit('/').next().unwrap_or(list);
        let folder = self.folder.join("recuts");
        let made = |error: std::io::Error| ProjectError::System(format!("recuts: {error}"));
        std::fs::create_dir_all(&folder).map_err(made)?;
        for number in 1.. {
            let copy = numbered(&format!("recuts/{name}"), number);
            let path = self.folder.join(&copy);
            let is_new = store::write_new(&path, bytes, None).map_err(ProjectError::from)?;
            if is_new || store::file::read(&path).ok().flatten().is_some_and(|found| found == bytes) {
                return Ok(copy);
            }
        }
        unreachable!("some number is free")
    }

    fn record(&self, step: &Step) -> Result<(), LookError> {
        let standing = Standing::shared(&self.folder, history::FILE)?;
        let before = standing.text()?;
        let gap = if before.is_empty() || before.ends_with('\n') { "" } else { "\n" };
        standing.put(&format!("{before}{gap}{}", step.line()))?;
        Ok(())
    }
}

/// Words on cuts that somebody took up apart from the one in use. Of `but` nothing is said.
pub(super) fn apart(history: &History, now: Option<&str>, but: Option<&str>) -> Vec<String> {
    let cuts = history.apart(now).into_iter().filter(|step| step.to.is_some() && step.to.as_deref() != but);
    cuts.filter_map(|step| {
        let to = step.to.as_ref()?;
        let day = step.when.split('T').next().unwrap_or_default();
        Some(format!(
            "{} took up {to} on {day}, apart from the cut in use, which does not come from it; `endboard recut` with that list says \
             what it would do",
            step.by
        ))
    })
    .collect()
}

/// A text's byte order mark, when it has one, and the rest.
fn parted(text: &str) -> (&str, &str) {
    text.split_at(if text.starts_with('\u{feff}') { '\u{feff}'.len_utf8() } else { 0 })
}

fn read(path: &Path, name: &str) -> Result<Vec<u8>, ProjectError> {
    match store::file::read(path) {
        Ok(Some(bytes)) => Ok(bytes),
        Ok(None) => Err(ProjectError::System(format!("{name} is not there"))),
        Err(error) => Err(error.into()),
    }
}

/// Why a cut cannot be taken up as things are, each with a way on.
pub fn in_the_way(recut: &Recut, grow: bool) -> Vec<String> {
    let mut why = Vec::new();
    let path = &recut.list.path;
    if !recut.list.is_inside {
        why.push(format!("{path} lies outside the film's folder; copy it there, beside the cut in use"));
    }
    if recut.was.as_ref() == Some(path) {
        why.push(format!("{path} is the cut in use"));
    }
    for shot in &recut.needs.undeclared {
        why.push(format!("shot {} is not declared; add it under `shots:`", shot.shot));
    }
    for short in &recut.needs.short {
        let Recut { list, .. } = recut;
        let line = recut.line(short.event.1);
        why.push(format!(
            "{}@{} has no plate ({}:{line}); its plates go as far as {}",
            short.shot, short.frames, list.path, short.there
        ));
    }
    let by_hand = |longer: &&super::needs::Longer| longer.line.is_none();
    for longer in recut.needs.longer.iter().filter(by_hand) {
        why.push(format!(
            "the frames of {} must be {}, and only a person can write that",
            longer.shot, longer.after
        ));
    }
    if !grow && !recut.needs.longer.is_empty() {
        let shots: Vec<&str> = recut.needs.longer.iter().map(|longer| longer.shot.as_str()).collect();
        why.push(format!("{} must be declared longer; --grow writes that too", shots.join(", ")));
    }
    why
}
