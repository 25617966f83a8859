//! Pictures of the page: frames that are made, small, as JPEG.
//!
//! Knows which frames are shown where when there may be only so many pictures, and keeps those that were made for the next time.
//! Does not know how frames are read, which is `project::frames`'s.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use rayon::prelude::*;

use crate::base::digest::Digest;
use crate::base::made::NONE;
use crate::graph::{FILM, NodeId};
use crate::media::image::RGBA;
use crate::media::jpeg;
use crate::project::frames::Frames;
use crate::project::{Project, Status, sheet};
use crate::report::page::strip;
use crate::report::page::values::{Page, Picture};

/// How fine the JPEG files are, of 100.
const QUALITY: u8 = 80;
/// Width of a picture in the strip, in pixels; a little more than it is drawn, for displays of fine pixels.
const SMALL: u32 = 192;
/// Width of a picture of a stage: where there are few, and where there are many.
const LARGE: [u32; 2] = [640, 320];
/// How many are few.
const FEW: usize = 120;
/// How much of all pictures the strip may take before the shots have theirs.
const STRIPS_SHARE: f64 = 0.6;

/// Where a page's pictures are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hung {
    /// In the page itself.
    Within,
    /// At addresses that begin so, which the program that serves the page answers.
    At(&'static str),
}

/// A picture as a file.
#[derive(Debug)]
pub struct Made {
    /// Its name, by its bytes.
    pub name: String,
    /// JPEG.
    pub bytes: Vec<u8>,
    /// Width and height in pixels.
    pub size: (u32, u32),
}

/// Pictures made so far, by the pixels that they show and their width.
pub struct Gallery {
    most: usize,
    hung: Hung,
    made: Mutex<HashMap<(Digest, u32), Arc<Made>>>,
}

/// A picture to be made: which frame of which stage, how wide.
#[derive(Clone, Copy)]
struct Want {
    id: NodeId,
    frame: i64,
    width: u32,
    at: Spot,
}

/// Where it goes.
#[derive(Clone, Copy)]
enum Spot {
    /// Into this piece.
    Piece(usize),
    /// To this shot.
    Shot(usize),
}

impl Gallery {
    /// An empty one of at most so many pictures a page.
    pub fn new(most: usize, hung: Hung) -> Self {
        Self { most, hung, made: Mutex::default() }
    }

    /// A picture of some page made so far, by its name.
    pub fn named(&self, name: &str) -> Option<Arc<Made>> {
        let made = self.made.lock().expect("nothing panics with it");
        made.values().find(|made| made.name == name).cloned()
    }

    /// Puts pictures into a page. What is not made has none.
    pub fn hang(&self, project: &Project, status: &Status, page: &mut Page) {
        let wants = self.wants(project, status, page);
        let made: Vec<Option<Arc<Made>>> =
            wants.par_iter().map(|want| self.make(project, status, *want)).collect();
        for (want, made) in wants.iter().zip(&made) {
            let Some(made) = made else { continue };
            let source = match self.hung {
                Hung::Within => format!("data:image/jpeg;base64,{}", STANDARD.encode(&made.bytes)),
                Hung::At(begin) => format!("{begin}{}.jpg", made.name),
            };
            match want.at {
                Spot::Piece(piece) => page.pieces[piece].pictures.push(source),
                Spot::Shot(shot) => {
                    let stage = status.declared.graph.nodes[want.id].stage.to_string();
                    page.shots[shot].pictures.push(Picture {
                        stage,
                        frame: want.frame,
                        source,
                        size: made.size,
                    });
                }
            }
        }
        // Pictures that this page no longer shows are let go of.
        let used: Vec<&Arc<Made>> = made.iter().flatten().collect();
        let mut kept = self.made.lock().expect("nothing panics with it");
        if kept.len() > 4 * used.len().max(64) {
            kept.retain(|_, made| used.iter().any(|used| Arc::ptr_eq(used, made)));
        }
    }

    /// Which pictures there are to be, each once, in the order in which they are hung.
    fn wants(&self, project: &Project, status: &Status, page: &Page) -> Vec<Want> {
        let stages = Stages::of(project, status);
        let on_strip = ((self.most as f64 * STRIPS_SHARE).ceil() as usize).min(self.most);
        let scale = strip::scale(&page.pieces);
        let lit: Vec<usize> = (0..page.pieces.len()).filter(|&n| page.pieces[n].shot.is_some()).collect();
        // One for each piece, or for pieces evenly over the film.
        let shown = spread(&lit, on_strip);
        let left = self.most.saturating_sub(shown.len());
        let mut of_shots = Vec::new();
        let all: Vec<Vec<Want>> = (page.shots.iter().enumerate())
            .map(|(n, shot)| stages.of_shot(status, &shot.name, page, Spot::Shot(n)))
            .collect();
        let sum: usize = all.iter().map(Vec::len).sum();
        let ends = |wants: &Vec<Want>| -> Vec<Want> {
            wants.first().into_iter().chain(wants.get(1..).and_then(|w| w.last())).copied().collect()
        };
        if sum <= left {
            of_shots.extend(all.into_iter().flatten());
        } else {
            let seen: Vec<usize> = (0..all.len()).filter(|&n| !all[n].is_empty()).collect();
            of_shots.extend(spread(&seen, left / 2).into_iter().flat_map(|n| ends(&all[n])));
        }
        let large = if of_shots.len() <= FEW { LARGE[0] } else { LARGE[1] };
        of_shots.iter_mut().for_each(|want| want.width = large);
        let mut spare = self.most.saturating_sub(shown.len() + of_shots.len());
        let mut wants = Vec::new();
        for n in shown {
            let piece = &page.pieces[n];
            let room = strip::room(strip::width(piece, scale)).min(1 + spare);
            let Some((id, frames)) = stages.of_piece(status, piece) else { continue };
            let count = room.min(frames.len()).max(1);
            spare -= count - 1;
            let at = |k: usize| frames[(2 * k + 1) * frames.len() / (2 * count)];
            wants.extend((0..count).map(|k| Want { id, frame: at(k), width: SMALL, at: Spot::Piece(n) }));
        }
        wants.extend(of_shots);
        wants
    }

    fn make(&self, project: &Project, status: &Status, want: Want) -> Option<Arc<Made>> {
        let cell = status.report.strips[want.id].get(want.frame);
        let known = cell.map(|cell| if cell.pixels == NONE { cell.key } else { cell.pixels });
        let key = known.filter(|digest| *digest != NONE).map(|digest| (digest, want.width));
        let kept =
            || key.and_then(|key| self.made.lock().expect("nothing panics with it").get(&key).cloned());
        if let Some(made) = kept() {
            return Some(made);
        }
        let image = Frames::new(project, status, want.id).image(want.frame).ok()?;
        let (codes, size) = sheet::small(&image, want.width, status.declared.graph.space);
        let bytes = jpeg::encode(size, &codes, QUALITY).ok()?;
        let name = Digest::of(&bytes).to_string()[..32].to_string();
        let made = Arc::new(Made { name, bytes, size });
        let key = key.unwrap_or((Digest::of(made.name.as_bytes()), want.width));
        self.made.lock().expect("nothing panics with it").insert(key, Arc::clone(&made));
        Some(made)
    }
}

/// So many of them, evenly.
fn spread(all: &[usize], most: usize) -> Vec<usize> {
    if all.len() <= most {
        return all.to_vec();
    }
    (0..most).map(|n| all[(2 * n + 1) * all.len() / (2 * most)]).collect()
}

/// Stages of shots that can be looked at.
struct Stages<'a> {
    /// By shot, first stage to last, those that hold pictures.
    by_shot: HashMap<&'a str, Vec<(NodeId, Frames<'a>)>>,
}

impl<'a> Stages<'a> {
    fn of(project: &'a Project, status: &'a Status) -> Self {
        let mut by_shot: HashMap<&str, Vec<(NodeId, Frames<'a>)>> = HashMap::new();
        for (id, node) in status.declared.graph.nodes.iter().enumerate() {
            if &*node.shot != FILM && !node.is_heard() && (node.keep || node.is_passed_on()) {
                by_shot.entry(&node.shot).or_default().push((id, Frames::new(project, status, id)));
            }
        }
        Self { by_shot }
    }

    fn is_picture(status: &Status, id: NodeId) -> bool {
        let channels = &status.declared.graph.nodes[id].channels;
        RGBA[..3].iter().all(|name| channels.iter().any(|own| **own == **name))
    }

    /// The stage that shows a piece: the last of its shot that has a frame of it, and those frames.
    fn of_piece(
        &self,
        status: &Status,
        piece: &crate::report::page::values::Piece,
    ) -> Option<(NodeId, Vec<i64>)> {
        let stages = self.by_shot.get(piece.shot.as_deref()?)?;
        let range = piece.frames?;
        let pictures = stages.iter().rev().filter(|(id, _)| Self::is_picture(status, *id));
        // A long piece is asked at frames here and there.
        let step = (range.len() / 48).max(1);
        pictures
            .map(|(id, frames)| {
                (*id, range.iter().step_by(step).filter(|&n| frames.has(n)).collect::<Vec<i64>>())
            })
            .find(|(_, frames)| !frames.is_empty())
    }

    /// One picture of each stage of a shot, all of one frame: the middle one of what the film shows of it.
    fn of_shot(&self, status: &Status, shot: &str, page: &Page, at: Spot) -> Vec<Want> {
        let shown = page.pieces.iter().find(|piece| piece.shot.as_deref() == Some(shot));
        let declared = || status.declared.film.as_ref()?.shots.get(shot).map(|shot| shot.frames.value);
        let Some(range) = shown.and_then(|piece| piece.frames).or_else(declared) else { return Vec::new() };
        let frame = range.first + range.len() as i64 / 2;
        let stages = self.by_shot.get(shot).into_iter().flatten();
        let there = stages.filter(|(_, frames)| frames.has(frame));
        there.map(|(id, _)| Want { id: *id, frame, width: LARGE[0], at }).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fewer_pictures_than_places_are_spread_evenly() {
        let all: Vec<usize> = (0..100).collect();
        assert_eq!(spread(&all, 4), [12, 37, 62, 87]);
        assert_eq!(spread(&all, 0), Vec::<usize>::new());
        assert_eq!(spread(&all[..3], 4), [0, 1, 2]);
    }
}
