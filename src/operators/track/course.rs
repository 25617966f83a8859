//! A thing's whole way through a shot, from the keys that a person set.
//!
//! Knows keys, frames in both directions and how two ways that meet become one. Does not know what is followed.
//!
//! Every stretch between two keys is followed from both; the nearer a frame is to a key, the more that key's way counts, so
//! that what either has drifted is spread and both keys are met as they were set.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::picture::Picture;
use crate::base::frames::{FrameRange, FrameSet};
use crate::operators::shape::sure::Sure;

/// Where a thing is on one frame: `N` numbers, pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step<const N: usize> {
    /// Its places.
    pub at: [f64; N],
    /// How far that is to be believed, 0 to 1.
    pub sure: f64,
}

/// What follows a thing from frame to frame, in either direction.
pub trait Follower<const N: usize>: Sized {
    /// Begins on a frame where a person set the thing; nothing when there is too little of it on the picture.
    fn start(picture: &Arc<Picture>, at: [f64; N], hidden: Option<&dyn Fn([f64; 2]) -> bool>)
    -> Option<Self>;

    /// Goes on to the next frame.
    fn step(&mut self, picture: &Arc<Picture>, hidden: Option<&dyn Fn([f64; 2]) -> bool>) -> Step<N>;
}

/// Which way frames come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// In rising order.
    On,
    /// In falling order.
    Back,
}

/// One key of a track.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Key<const N: usize> {
    /// Its frame.
    pub frame: i64,
    /// Places in pixels.
    pub at: [f64; N],
    /// How far it is to be believed; none when a person set it and said nothing.
    pub sure: Option<Sure>,
}

/// A followed thing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Track<const N: usize> {
    /// Keys in rising order, those set by hand among them.
    pub keys: Vec<Key<N>>,
    /// Frames that were followed and are believed.
    pub sound: FrameSet,
    /// Frames on which it was lost: they have no key.
    pub lost: FrameSet,
    /// Sound frames on which a rod's base alone is not believed.
    pub guessed: FrameSet,
    /// Means and least of `sure` over the sound frames; 1 when there is none.
    pub mean: f64,
    /// The least of them.
    pub least: f64,
}

/// A thing while it is followed.
pub struct Course<const N: usize, F> {
    hand: BTreeMap<i64, Key<N>>,
    follower: Option<F>,
    ways: [BTreeMap<i64, Step<N>>; 2],
    way: Option<Way>,
}

impl<const N: usize, F: Follower<N>> Course<N, F> {
    /// Nothing followed yet.
    pub fn new(hand: impl IntoIterator<Item = Key<N>>) -> Self {
        let hand = hand.into_iter().map(|key| (key.frame, key)).collect();
        Self { hand, follower: None, ways: Default::default(), way: None }
    }

    /// Takes the next frame of a way in. Frames of one way come in order.
    pub fn see(
        &mut self,
        way: Way,
        frame: i64,
        picture: &Arc<Picture>,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) {
        if self.way != Some(way) {
            self.way = Some(way);
            self.follower = None;
        }
        if let Some(key) = self.hand.get(&frame) {
            self.follower = F::start(picture, key.at, hidden);
        } else if let Some(follower) = &mut self.follower {
            self.ways[way as usize].insert(frame, follower.step(picture, hidden));
        }
    }

    /// Puts both ways together over `frames`; what is believed less than `threshold` is lost.
    pub fn finish(&self, frames: FrameRange, threshold: f64) -> Track<N> {
        let mut track = Track { least: 1.0, ..Track::default() };
        let mut sum = 0.0;
        let mut keys: BTreeMap<i64, Key<N>> = self.hand.clone();
        for frame in frames.iter().filter(|frame| !self.hand.contains_key(frame)) {
            match self.joined(frame, threshold) {
                Some(step) if step.sure >= threshold => {
                    track.sound.insert(frame);
                    sum += step.sure;
                    track.least = track.least.min(step.sure);
                    keys.insert(frame, Key { frame, at: step.at, sure: Some(step.sure.into()) });
                }
                _ => track.lost.insert(frame),
            }
        }
        track.mean = if track.sound.is_empty() { 1.0 } else { sum / track.sound.len() as f64 };
        track.keys = keys.into_values().collect();
        track
    }

    /// The way of a frame from the keys on both sides.
    fn joined(&self, frame: i64, threshold: f64) -> Option<Step<N>> {
        let [on, back] = [0, 1].map(|way| self.ways[way].get(&frame).copied());
        let (Some(on), Some(back)) = (on, back) else { return on.or(back) };
        match (on.sure >= threshold, back.sure >= threshold) {
            (true, false) => return Some(on),
            (false, true) => return Some(back),
            _ => {}
        }
        let before = self.hand.range(..frame).next_back().map_or(frame, |(key, _)| *key);
        let after = self.hand.range(frame..).next().map_or(frame, |(key, _)| *key);
        let share = (frame - before) as f64 / (after - before).max(1) as f64;
        let (a, b) = (on.sure * (1.0 - share), back.sure * share);
        let whole = a + b;
        if whole <= 0.0 {
            return Some(on);
        }
        let apart = (0..N / 2)
            .map(|i| (on.at[2 * i] - back.at[2 * i]).hypot(on.at[2 * i + 1] - back.at[2 * i + 1]))
            .fold(0.0, f64::max);
        // Two ways that disagree by two pixels are believed half as far.
        let sure = (a * on.sure + b * back.sure) / whole / (1.0 + (apart / 2.0).powi(2));
        Some(Step { at: std::array::from_fn(|i| (a * on.at[i] + b * back.at[i]) / whole), sure })
    }
}
