//! Things followed through a shot's frames, in both directions, all at once.
//!
//! Knows which frames are read, and in which order. How things are followed is `operators::track`'s.

use std::sync::Arc;

use rayon::prelude::*;

use super::seeds::Kind;
use super::{Followed, rods};
use crate::base::frames::FrameRange;
use crate::graph::NodeId;
use crate::operators::track::blade::Looks;
use crate::operators::track::course::{self, Course, Follower, Track};
use crate::operators::track::picture::Picture;
use crate::operators::track::plane::Flat;
use crate::operators::track::point::Point;
use crate::operators::track::sheet::{self, Sheet, Thing};
use crate::project::frames::{Frames, Lacking, LookError};
use crate::project::{Project, Status};

/// What is to be followed, and where.
#[derive(Clone, Debug)]
pub struct Wish {
    /// The stage whose frames are looked at.
    pub node: NodeId,
    /// The frames.
    pub frames: FrameRange,
    /// A stage and one of its channels, where places do not count.
    pub holdout: Option<(NodeId, Arc<str>)>,
    /// The least belief with which a frame has a key.
    pub threshold: f64,
    /// Things to be followed; all of the file when there is none.
    pub only: Vec<(Kind, String)>,
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
    /// Follows things and puts their keys into `sheet`.
    pub(super) fn follow(
        &self,
        status: &Status,
        wish: &Wish,
        sheet: &mut Sheet,
        remarks: &mut Vec<String>,
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<Vec<Followed>, LookError> {
        let frames = Frames::new(self, status, wish.node);
        let mut lacking = frames.lacking(wish.frames.iter());
        remarks.extend(frames.remark(wish.frames.iter()));
        let mattes =
            wish.holdout.as_ref().map(|(node, channel)| (Frames::new(self, status, *node), &**channel));
        if let Some((mattes, _)) = &mattes {
            lacking.extend(mattes.lacking(wish.frames.iter()));
            remarks.extend(mattes.remark(wish.frames.iter()));
        }
        if !lacking.is_empty() {
            return Err(Lacking(lacking).into());
        }
        let mut all = All {
            wish,
            points: going(&sheet.points, Kind::Point, wish)?,
            planes: going(&sheet.planes, Kind::Plane, wish)?,
            rods: wanted(&sheet.rods, Kind::Rod, wish)?,
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
            self.pass(&frames, mattes.as_ref(), wish.frames, way, &mut each)?;
        }
        remarks.extend(frames.found());
        remarks.extend(mattes.as_ref().and_then(|(mattes, _)| mattes.found()));
        all.finish(sheet, &|more| progress(done + more, total))
    }

    /// Reads all frames in one direction, one ahead while the last is worked on.
    fn pass(
        &self,
        frames: &Frames<'_>,
        holdout: Option<&(Frames<'_>, &str)>,
        range: FrameRange,
        way: course::Way,
        each: &mut (dyn FnMut(i64, Arc<Picture>, Option<Vec<bool>>) -> Result<(), LookError> + Send),
    ) -> Result<(), LookError> {
        let order: Vec<i64> = match way {
            course::Way::On => range.iter().collect(),
            course::Way::Back => range.iter().rev().collect(),
        };
        let read = |frame: i64| -> Result<_, LookError> {
            let picture = Arc::new(Picture::of(&frames.image(frame)?, frames.space()));
            let hidden = match holdout {
                Some((mattes, channel)) => {
                    Some(mattes.held_channel(frame, channel)?.into_iter().map(|v| v >= 0.5).collect())
                }
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
    ) -> Result<(), LookError> {
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
    ) -> Result<Vec<Followed>, LookError> {
        let wish = self.wish;
        let mut out = Vec::new();
        for going in &self.points {
            let track = going.course.finish(wish.frames, wish.threshold);
            out.push(kept(Kind::Point, &mut sheet.points[going.index], track, wish));
        }
        for going in &self.planes {
            let track = going.course.finish(wish.frames, wish.threshold);
            out.push(kept(Kind::Plane, &mut sheet.planes[going.index], track, wish));
        }
        if !self.rods.is_empty() {
            let scene = Arc::new(self.looks.scene());
            let things: Vec<&Thing<4>> = self.rods.iter().map(|&index| &sheet.rods[index]).collect();
            let told = |n: usize| progress(n / things.len());
            let tracks = rods::found(&scene, &things, wish, &told)?;
            for (index, track) in self.rods.into_iter().zip(tracks) {
                out.push(kept(Kind::Rod, &mut sheet.rods[index], track, wish));
            }
        }
        Ok(out)
    }
}

/// Indices of the things that are to be followed.
fn wanted<const N: usize>(things: &[Thing<N>], kind: Kind, wish: &Wish) -> Result<Vec<usize>, LookError> {
    let mut out = Vec::new();
    for (index, thing) in things.iter().enumerate() {
        let named = wish.only.iter().any(|(of, name)| *of == kind && *name == thing.name);
        if !wish.only.is_empty() && !named {
            continue;
        }
        if thing.keys.iter().any(|key| key.sure.is_none() && wish.frames.contains(key.frame)) {
            out.push(index);
        } else if named {
            let (word, form, name) = (kind.word(), kind.form(), &thing.name);
            return Err(LookError::Words(format!(
                "{word} {name} has no key set by hand on {}; give one, such as {name}={form}@{}",
                wish.frames, wish.frames.first
            )));
        }
    }
    Ok(out)
}

fn going<const N: usize, F: Follower<N>>(
    things: &[Thing<N>],
    kind: Kind,
    wish: &Wish,
) -> Result<Vec<Going<N, F>>, LookError> {
    let by_hand =
        |thing: &Thing<N>| thing.keys.iter().filter(|key| key.sure.is_none()).copied().collect::<Vec<_>>();
    Ok(wanted(things, kind, wish)?
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
fn kept<const N: usize>(kind: Kind, thing: &mut Thing<N>, track: Track<N>, wish: &Wish) -> Followed {
    let by_hand = thing.keys.iter().filter(|k| k.sure.is_none() && wish.frames.contains(k.frame)).count();
    thing.keys.retain(|key| key.sure.is_none() || !wish.frames.contains(key.frame));
    let followed = track.keys.iter().copied().filter(|key| key.sure.is_some());
    thing.keys.extend(followed.map(sheet::rounded));
    thing.keys.sort_by_key(|key| key.frame);
    let sure = (track.mean, track.least);
    let Track { sound, lost, guessed, .. } = track;
    Followed { kind, name: thing.name.clone(), by_hand, sound, lost, guessed, sure }
}
