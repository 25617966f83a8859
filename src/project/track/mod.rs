//! Following things through a shot's frames: from hand-set keys in a shapes file to keys on all other frames.
//!
//! Knows which frames are read, in which order, and which file is written. How things are followed is
//! `operators::track`'s.

mod rods;

use std::path::Path;
use std::sync::Arc;

use rayon::prelude::*;

use super::frames::Frames;
use super::{Project, ProjectError, Status};
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::problem::{Problem, Severity, SourceId};
use crate::graph::NodeId;
use crate::operators::shape;
use crate::operators::track::blade::Looks;
use crate::operators::track::course::{self, Course, Follower, Track};
use crate::operators::track::picture::Picture;
use crate::operators::track::plane::Flat;
use crate::operators::track::point::Point;
use crate::operators::track::sheet::{self, Sheet, Thing};
use crate::store::write_whole;

/// What is to be followed, and where.
#[derive(Clone, Debug)]
pub struct Wish {
    /// The stage whose frames are looked at.
    pub node: NodeId,
    /// The frames.
    pub frames: FrameRange,
    /// A stage and one of its channels, where places do not count.
    pub holdout: Option<(NodeId, usize)>,
    /// The least belief with which a frame has a key.
    pub threshold: f64,
    /// Names of things to be followed; all of the file when there is none.
    pub only: Vec<String>,
}

/// What came of one thing.
#[derive(Clone, Debug)]
pub struct Followed {
    /// `point`, `plane` or `rod`.
    pub kind: &'static str,
    /// Its name.
    pub name: String,
    /// Keys that a person set on the frames.
    pub by_hand: usize,
    /// Frames with a key now.
    pub sound: FrameSet,
    /// Frames on which it was lost.
    pub lost: FrameSet,
    /// Mean and least of what the sound ones are believed.
    pub sure: (f64, f64),
}

/// Why nothing could be followed.
#[derive(Debug, thiserror::Error)]
pub enum TrackError {
    /// The stage's frames are not there to be looked at.
    #[error("{place}: {} of {place} not made yet, or stale", if frames.len() == 1 { "a frame" } else { "frames" })]
    NotMade {
        /// Stage.
        place: String,
        /// The frames.
        frames: FrameSet,
    },
    /// The file, the keys or the names.
    #[error("{0}")]
    Words(String),
    /// All else.
    #[error(transparent)]
    Project(#[from] ProjectError),
}

/// Reads the tracks of a file; an empty sheet where there is none yet.
pub fn read_sheet(path: &Path) -> Result<(String, Sheet), TrackError> {
    let text = match std::fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Default::default()),
        Err(error) => return Err(TrackError::Words(format!("{}: {error}", path.display()))),
    };
    let mut sources = crate::base::problem::Sources::new();
    let name = path.display().to_string();
    let source: SourceId = sources.add(name, text.as_str());
    let (sheet, problems) = sheet::read(source, &text);
    let wrong: Vec<String> = problems
        .iter()
        .filter(|p| p.severity == Severity::Error)
        .map(|p: &Problem| {
            let place = p.span.map(|s| sources.place(s)).unwrap_or_default();
            let help = p.help.as_ref().map(|h| format!(" ({h})")).unwrap_or_default();
            format!("{place}: {}{help}", p.message)
        })
        .collect();
    if wrong.is_empty() { Ok((text, sheet)) } else { Err(TrackError::Words(wrong.join("\n"))) }
}

/// Writes the tracks into their file, the rest of which stays as it is.
pub fn write_sheet(path: &Path, text: &str, sheet: &Sheet) -> Result<(), TrackError> {
    let new = sheet::put(text, sheet).ok_or_else(|| {
        TrackError::Words(format!(
            "{}: tracks cannot be put into a file whose first level stands in braces; write mattes:, points: and the like \
             at the start of lines",
            path.display()
        ))
    })?;
    // What was no shapes file before, or would be none after, stays as it is.
    for text in [text, &new] {
        let (_, problems) = shape::file::read(SourceId(0), text);
        if let Some(problem) = problems.iter().find(|p| p.severity == Severity::Error) {
            let words = format!("{} stays as it is: {}", path.display(), problem.message);
            return Err(TrackError::Words(words));
        }
    }
    let remarks = |text: &str| text.matches('#').count();
    let folder = path.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(|e| TrackError::Words(format!("{}: {e}", folder.display())))?;
    if remarks(&new) < remarks(text) {
        // Remarks beside keys go; a person's words are never lost.
        let free = (1..).map(|n| path.with_extension(format!("{n}.yaml"))).find(|free| !free.exists());
        let free = free.expect("there are names enough");
        write_whole(&free, text.as_bytes()).map_err(|e| TrackError::Project(e.into()))?;
    }
    write_whole(path, new.as_bytes()).map_err(|e| TrackError::Project(e.into()))
}

/// A thing being followed.
struct Going<const N: usize, F> {
    index: usize,
    course: Course<N, F>,
}

/// Everything that is being followed.
struct All<'w> {
    wish: &'w Wish,
    points: Vec<Going<2, Point>>,
    planes: Vec<Going<8, Flat>>,
    rods: Vec<usize>,
    looks: Looks,
}

impl Project {
    /// Follows things through a shot and puts their keys into `sheet`. `progress` is told how many looks at frames are
    /// done of how many.
    pub fn track(
        &self,
        status: &Status,
        wish: &Wish,
        sheet: &mut Sheet,
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<Vec<Followed>, TrackError> {
        let frames = Frames::new(self, status, wish.node)?;
        frames.all_there(wish.frames)?;
        let holdout = match wish.holdout {
            Some((node, channel)) => {
                let mattes = Frames::new(self, status, node)?;
                mattes.all_there(wish.frames)?;
                Some((mattes, channel))
            }
            None => None,
        };
        let mut all = All {
            wish,
            points: going(&sheet.points, wish)?,
            planes: going(&sheet.planes, wish)?,
            rods: wanted(&sheet.rods, wish)?,
            looks: Looks::default(),
        };
        let ways = if all.points.is_empty() && all.planes.is_empty() { 1 } else { 2 };
        let total = wish.frames.len() * (ways + usize::from(!all.rods.is_empty()));
        let mut done = 0;
        for way in [course::Way::On, course::Way::Back].into_iter().take(ways) {
            let mut each = |frame: i64, picture: Arc<Picture>, hidden: Option<Vec<bool>>| {
                done += 1;
                progress(done, total);
                all.see(way, frame, &picture, hidden.as_deref())
            };
            self.pass(&frames, holdout.as_ref(), wish.frames, way, &mut each)?;
        }
        all.finish(sheet, &|more| progress(done + more, total))
    }

    /// Reads all frames in one direction, one ahead while the last is worked on.
    fn pass(
        &self,
        frames: &Frames<'_>,
        holdout: Option<&(Frames<'_>, usize)>,
        range: FrameRange,
        way: course::Way,
        each: &mut (dyn FnMut(i64, Arc<Picture>, Option<Vec<bool>>) -> Result<(), TrackError> + Send),
    ) -> Result<(), TrackError> {
        let order: Vec<i64> = match way {
            course::Way::On => range.iter().collect(),
            course::Way::Back => range.iter().rev().collect(),
        };
        let read = |frame: i64| -> Result<_, TrackError> {
            let picture = Arc::new(Picture::of(&frames.image(frame)?, frames.space()));
            let hidden = match holdout {
                Some((mattes, channel)) => Some(mattes.hidden(frame, *channel)?),
                None => None,
            };
            Ok((picture, hidden))
        };
        let mut next = order.first().map(|&frame| read(frame)).transpose()?;
        for (i, &frame) in order.iter().enumerate() {
            let Some((picture, hidden)) = next.take() else { break };
            let ahead = order.get(i + 1).copied();
            let (read, seen) = rayon::join(|| ahead.map(read).transpose(), || each(frame, picture, hidden));
            seen?;
            next = read?;
        }
        Ok(())
    }
}

impl All<'_> {
    /// Takes the next frame of a way in; `hidden` are its pixels that do not count.
    fn see(
        &mut self,
        way: course::Way,
        frame: i64,
        picture: &Arc<Picture>,
        hidden: Option<&[bool]>,
    ) -> Result<(), TrackError> {
        let (width, height) = picture.size();
        let is_hidden = hidden.map(|hidden| {
            move |[x, y]: [f64; 2]| {
                let (x, y) = (x.max(0.0) as usize, y.max(0.0) as usize);
                hidden.get(y.min(height - 1) * width + x.min(width - 1)).copied().unwrap_or(false)
            }
        });
        let is_hidden = is_hidden.as_ref().map(|h| h as &(dyn Fn([f64; 2]) -> bool + Sync));
        see(&mut self.points, way, frame, picture, is_hidden);
        see(&mut self.planes, way, frame, picture, is_hidden);
        if way == course::Way::Back || self.rods.is_empty() {
            return Ok(());
        }
        self.looks.see(picture, is_hidden.map(|h| h as &dyn Fn([f64; 2]) -> bool));
        rods::room(&self.looks, self.wish.frames)
    }

    /// Keys of all that was followed.
    fn finish(
        self,
        sheet: &mut Sheet,
        progress: &(dyn Fn(usize) + Sync),
    ) -> Result<Vec<Followed>, TrackError> {
        let wish = self.wish;
        let mut out = Vec::new();
        for going in &self.points {
            let track = going.course.finish(wish.frames, wish.threshold);
            out.push(kept("point", &mut sheet.points[going.index], track, wish));
        }
        for going in &self.planes {
            let track = going.course.finish(wish.frames, wish.threshold);
            out.push(kept("plane", &mut sheet.planes[going.index], track, wish));
        }
        if !self.rods.is_empty() {
            let scene = Arc::new(self.looks.scene());
            let things: Vec<&Thing<4>> = self.rods.iter().map(|&index| &sheet.rods[index]).collect();
            let told = |n: usize| progress(n / things.len());
            let tracks = rods::found(&scene, &things, wish, &told)?;
            for (index, track) in self.rods.into_iter().zip(tracks) {
                out.push(kept("rod", &mut sheet.rods[index], track, wish));
            }
        }
        Ok(out)
    }
}

/// Indices of the things that are to be followed.
fn wanted<const N: usize>(things: &[Thing<N>], wish: &Wish) -> Result<Vec<usize>, TrackError> {
    let mut out = Vec::new();
    for (index, thing) in things.iter().enumerate() {
        let named = wish.only.contains(&thing.name);
        if !wish.only.is_empty() && !named {
            continue;
        }
        if thing.keys.iter().any(|key| key.sure.is_none() && wish.frames.contains(key.frame)) {
            out.push(index);
        } else if named {
            let words = "has no key set by hand on these frames; give one, such as";
            return Err(TrackError::Words(format!(
                "{} {words} {}=X,Y@{}",
                thing.name, thing.name, wish.frames.first
            )));
        }
    }
    Ok(out)
}

fn going<const N: usize, F: Follower<N>>(
    things: &[Thing<N>],
    wish: &Wish,
) -> Result<Vec<Going<N, F>>, TrackError> {
    let by_hand =
        |thing: &Thing<N>| thing.keys.iter().filter(|key| key.sure.is_none()).copied().collect::<Vec<_>>();
    Ok(wanted(things, wish)?
        .into_iter()
        .map(|index| Going { index, course: Course::new(by_hand(&things[index])) })
        .collect())
}

fn see<const N: usize, F: Follower<N> + Send>(
    going: &mut [Going<N, F>],
    way: course::Way,
    frame: i64,
    picture: &Arc<Picture>,
    hidden: Option<&(dyn Fn([f64; 2]) -> bool + Sync)>,
) {
    going.par_iter_mut().for_each(|going| {
        going.course.see(way, frame, picture, hidden.map(|h| h as &dyn Fn([f64; 2]) -> bool));
    });
}

/// Puts a track's keys in the place of those that were followed before on the same frames.
fn kept<const N: usize>(kind: &'static str, thing: &mut Thing<N>, track: Track<N>, wish: &Wish) -> Followed {
    let by_hand = thing.keys.iter().filter(|k| k.sure.is_none() && wish.frames.contains(k.frame)).count();
    thing.keys.retain(|key| key.sure.is_none() || !wish.frames.contains(key.frame));
    let followed = track.keys.into_iter().filter(|key| key.sure.is_some());
    thing.keys.extend(followed.map(sheet::rounded));
    thing.keys.sort_by_key(|key| key.frame);
    let sure = (track.mean, track.least);
    Followed { kind, name: thing.name.clone(), by_hand, sound: track.sound, lost: track.lost, sure }
}
