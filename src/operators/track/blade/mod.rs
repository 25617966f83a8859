//! Proposes where a bright or marked rod lies on every frame between keys that a person set.
//!
//! Knows the order of the work: what stands out of the scenery (`scene`, `apart`), straight strokes of it on every frame (`line`),
//! the one way through all frames that a hand could have made (`route`), the rod's middle line and ends on each
//! (`settle`), and its base by all of them (`base`). Does not know files.
//!
//! What is proposed is the rod at the shutter's middle. A rod that moves while the shutter is open is filmed as a fan,
//! evenly lit along its way, so that its middle line is where the rod was in the middle of the exposure.

mod apart;
mod base;
mod line;
mod route;
mod scene;
mod settle;

use std::sync::Arc;

pub use self::line::Stroke;
pub use self::scene::{Gray, Looks, Scene};
pub use self::settle::Settled;

use super::course::{Key, Track};
use crate::base::frames::FrameRange;
use crate::operators::shape::sure::Sure;

/// For each frame the stroke that a rod is taken for.
pub type Way = Vec<Option<Stroke>>;

/// Base x, base y, tip x, tip y in pixels.
pub type Ends = [f64; 4];

/// The share of a frame's time for which the shutter is taken to be open: half, the usual of film (180 degrees).
const SHUTTER: f64 = 0.5;

/// A rod being looked for on all frames of a range.
pub struct Search {
    scene: Arc<Scene>,
    frames: FrameRange,
    hand: Vec<Key<4>>,
}

impl Search {
    /// Prepares to look for a rod on `frames`, one look a frame in rising order. Nothing when no key lies on them, or when
    /// the rod cannot be told from what is beside it on any key.
    pub fn new(scene: Arc<Scene>, frames: FrameRange, hand: Vec<Key<4>>) -> Option<Self> {
        let mut hand: Vec<Key<4>> = hand.into_iter().filter(|key| frames.contains(key.frame)).collect();
        hand.sort_by_key(|key| key.frame);
        (!hand.is_empty()).then_some(Self { scene, frames, hand })
    }

    /// What the rod looks like on the hand-set frames.
    pub fn mark(&self) -> Option<Mark> {
        let keys = self.hand.iter().map(|key| ((key.frame - self.frames.first) as usize, key.at));
        self.scene.mark(&keys.collect::<Vec<_>>())
    }

    /// Strokes of a frame that could be the rod. Independent of all other frames.
    pub fn strokes(&self, mark: &Mark, frame: i64) -> Vec<Stroke> {
        if let Some(key) = self.hand.iter().find(|key| key.frame == frame) {
            return vec![Stroke { ends: key.at, worth: 2.0 }];
        }
        line::strokes(&self.scene, mark, (frame - self.frames.first) as usize, self.length(frame))
    }

    /// The likeliest way through the strokes of all frames, and what speaks for it; `others` are other rods' ways, whose
    /// strokes are theirs.
    pub fn route(&self, strokes: &[Vec<Stroke>], others: &[&Way]) -> (Way, f64) {
        let by_hand =
            |frame: usize| self.hand.iter().any(|key| key.frame == self.frames.first + frame as i64);
        let left: Vec<Vec<Stroke>> = strokes
            .iter()
            .enumerate()
            .map(|(frame, strokes)| {
                let taken: Vec<Ends> = others.iter().filter_map(|way| Some(way[frame]?.ends)).collect();
                if taken.is_empty() || by_hand(frame) {
                    strokes.clone()
                } else {
                    route::untaken(strokes, &taken)
                }
            })
            .collect();
        route::through(&left, self.scene.diagonal())
    }

    /// The rod's place on one frame of a way, and how far it is to be believed. Independent of other frames' pixels, except
    /// for the scenery.
    pub fn settled(&self, mark: &Mark, way: &Way, frame: i64) -> Option<Settled> {
        if self.hand.iter().any(|key| key.frame == frame) {
            return None;
        }
        let at = (frame - self.frames.first) as usize;
        let near = |side: i64| {
            (1..=3).find_map(|d| {
                let other = usize::try_from(at as i64 + side * d).ok()?;
                Some((other as f64, way.get(other)?.as_ref()?.ends))
            })
        };
        let (before, after) = (near(-1), near(1));
        let between = || {
            let ((a, from), (b, to)) = (before?, after?);
            let share = (at as f64 - a) / (b - a);
            Some(std::array::from_fn(|i| from[i] + (to[i] - from[i]) * share))
        };
        let seen = way[at];
        let start = seen.map(|s| s.ends).or_else(between)?;
        let from = before.unwrap_or((at as f64, start));
        let to = after.unwrap_or((at as f64, start));
        let time = (to.0 - from.0).max(1.0);
        let speed = std::array::from_fn(|i| (to.1[i] - from.1[i]) / time);
        let settled = settle::settled(&self.scene, mark, at, start, speed, self.length(frame))?;
        let share = if seen.is_some() { 1.0 } else { 0.5 };
        Some(Settled { sure: share * settled.sure, line: share * settled.line, ..settled })
    }

    /// Puts proposals and hand-set keys together; what is believed less than `threshold` has no key. A base that is, alone, has one.
    pub fn finish(&self, settled: &[Option<Settled>], threshold: f64) -> Track<4> {
        let mut track = Track { least: 1.0, mean: 1.0, keys: self.hand.clone(), ..Track::default() };
        let mut sum = 0.0;
        let bases = base::bases(self, settled);
        for ((frame, settled), (base, base_sure)) in self.frames.iter().zip(settled).zip(bases) {
            if self.hand.iter().any(|key| key.frame == frame) {
                continue;
            }
            match settled {
                Some(Settled { ends: [_, _, x, y], sure, .. }) if *sure >= threshold => {
                    let sure_of = Sure { whole: *sure, base: base_sure };
                    track.keys.push(Key { frame, at: [base[0], base[1], *x, *y], sure: Some(sure_of) });
                    track.sound.insert(frame);
                    if base_sure < threshold {
                        track.guessed.insert(frame);
                    }
                    track.least = track.least.min(*sure);
                    sum += sure;
                }
                _ => track.lost.insert(frame),
            }
        }
        if !track.sound.is_empty() {
            track.mean = sum / track.sound.len() as f64;
        }
        track.keys.sort_by_key(|key| key.frame);
        track
    }

    /// The rod's length on a frame, between those of the hand-set keys.
    fn length(&self, frame: i64) -> f64 {
        let after = self.hand.partition_point(|key| key.frame <= frame);
        let length = |key: &Key<4>| (key.at[2] - key.at[0]).hypot(key.at[3] - key.at[1]);
        match (after.checked_sub(1).map(|i| &self.hand[i]), self.hand.get(after)) {
            (Some(a), Some(b)) => {
                let share = (frame - a.frame) as f64 / (b.frame - a.frame) as f64;
                length(a) + (length(b) - length(a)) * share
            }
            (Some(key), None) | (None, Some(key)) => length(key),
            (None, None) => 0.0,
        }
    }
}

/// What a rod looks like.
#[derive(Clone, Copy, Debug)]
pub struct Mark {
    /// 1 for a rod lighter than what is beside it, -1 for a darker one.
    pub sense: f32,
    /// How much, in encoded light, where it stands still.
    pub contrast: f32,
    /// Its width in pixels.
    pub width: f64,
}
