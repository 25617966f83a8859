//! A clash: two glass rods struck against one another, and what crackles between them.
//!
//! Knows one strike. Tones are the bending modes of a free bar, 1 : 2.757 : 5.404 : 8.933 : 13.345 (Fletcher and Rossing, sec.
//! 2.15), for two rods a little apart; higher ones die sooner.

use std::f64::consts::TAU;
use std::ops::Range;

use super::{chance, noise};
use crate::base::digest::KeyHasher;
use crate::operators::sound::cue::Voice;
use crate::operators::sound::law;

/// Frequencies of a free bar's modes, against the lowest.
const MODES: [f64; 5] = [1.0, 2.757, 5.404, 8.933, 13.345];
/// How much higher the second rod is.
const SECOND: f64 = 1.061;

/// A clash.
#[derive(Clone, Debug, PartialEq)]
pub struct Clash {
    strength: f64,
    length: i64,
    pitch: f64,
    pan: f64,
    seed: u64,
    sampling: u32,
    /// Frequency, level, time constant and turn at the beginning.
    tones: Vec<[f64; 4]>,
}

impl Clash {
    /// A clash of a strength of 0 to 1, so many samples long.
    pub fn new(strength: f64, length: i64, pitch: f64, pan: f64, seed: u64, sampling: u32) -> Self {
        let ring = length as f64 / f64::from(sampling) / 6.0;
        let mut tones = Vec::new();
        for (rod, lowest) in [pitch, pitch * SECOND].into_iter().enumerate() {
            for (k, mode) in MODES.iter().enumerate() {
                let by_chance = |n: i64| chance(seed, (rod * MODES.len() + k) as i64 * 8 + n);
                let hertz = lowest * mode * (1.0 + 0.01 * by_chance(0));
                // Nothing above what the rate can hold.
                if hertz < 0.45 * f64::from(sampling) {
                    // A harder strike has more of the high ones.
                    let level = (0.75 + 0.25 * by_chance(1)) * (k as f64 + 1.0).powf(-1.6 + strength);
                    tones.push([hertz, level, ring / (1.0 + 0.8 * k as f64), by_chance(2)]);
                }
            }
        }
        let all: f64 = tones.iter().map(|tone| tone[1]).sum();
        tones.iter_mut().for_each(|tone| tone[1] /= all.max(1e-9));
        Self { strength, length, pitch, pan, seed, sampling, tones }
    }

    fn at(&self, n: i64) -> f64 {
        let seconds = n as f64 / f64::from(self.sampling);
        let left = (self.length - n) as f64 / f64::from(self.sampling);
        let attack = (seconds / 0.001).min(1.0);
        let tone: f64 = self
            .tones
            .iter()
            .map(|[hertz, level, ring, turn]| {
                level * (-seconds / ring).exp() * (TAU * (hertz * seconds + turn)).sin()
            })
            .sum();
        let hit = noise(self.seed * 2 + 1, seconds, 5000.0) * (-seconds / 0.012).exp();
        // Single sparks after it, fewer and fewer.
        let spark = noise(self.seed * 2 + 2, seconds, 9000.0)
            * noise(self.seed * 2 + 7, seconds, 45.0).max(0.0).powi(4)
            * (-seconds / 0.25).exp();
        let out = (left / 0.02).clamp(0.0, 1.0);
        attack
            * out
            * (0.25 + 0.75 * self.strength)
            * (0.55 * tone + 0.3 * hit + 0.35 * self.strength * spark)
    }
}

impl Voice for Clash {
    fn length(&self) -> i64 {
        self.length
    }

    fn channels(&self) -> usize {
        2
    }

    fn feed(&self, samples: &Range<i64>, key: &mut KeyHasher) {
        key.text("clash 1").real(self.strength).int(self.length).real(self.pitch).real(self.pan);
        key.int(self.seed as i64).int(i64::from(self.sampling)).int(samples.start).int(samples.end);
    }

    fn play(&self, samples: Range<i64>) -> Vec<Vec<f32>> {
        let tone: Vec<f64> = samples.map(|n| self.at(n)).collect();
        law::pan(self.pan).map(|side| tone.iter().map(|v| (v * side) as f32).collect()).to_vec()
    }
}
