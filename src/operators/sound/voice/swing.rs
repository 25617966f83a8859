//! A swing: air around a fast rod, a band of noise that rises and falls in pitch and level while it passes.
//!
//! Knows one pass. The band is noise on two carriers a quarter of a turn apart, so that it has no lower side of its own.

use std::f64::consts::{PI, TAU};
use std::ops::Range;

use super::noise;
use crate::base::digest::KeyHasher;
use crate::operators::sound::cue::Voice;
use crate::operators::sound::law;

/// A swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Swing {
    /// How fast, 0 to 1.
    pub strength: f64,
    /// Samples.
    pub length: i64,
    /// Pitch at its fastest, in hertz.
    pub pitch: f64,
    /// Place at its beginning and end.
    pub pan: [f64; 2],
    /// Its chance.
    pub seed: u64,
    /// Samples a second.
    pub sampling: u32,
}

impl Swing {
    fn at(&self, n: i64) -> [f64; 2] {
        let seconds = n as f64 / f64::from(self.sampling);
        let whole = self.length as f64 / f64::from(self.sampling);
        let u = (seconds / whole).clamp(0.0, 1.0);
        // The pitch goes 0.55 + 0.45 sin²(πu) of its height; turns are the integral of that.
        let turns = self.pitch * whole * (0.775 * u - 0.225 * (TAU * u).sin() / TAU);
        let band = 0.35 * self.pitch;
        let [a, b] = [1, 2].map(|k| noise(self.seed * 4 + k, seconds, band));
        let body = noise(self.seed * 4 + 3, seconds, 2.5 * self.pitch);
        let (sin, cos) = (TAU * turns).sin_cos();
        let envelope = (PI * u).sin().powi(2);
        let level = 0.5 * self.strength * envelope;
        let tone = level * (a * cos - b * sin + 0.35 * envelope * body) / 1.2;
        law::pan(self.pan[0] + (self.pan[1] - self.pan[0]) * u).map(|side| side * tone)
    }
}

impl Voice for Swing {
    fn length(&self) -> i64 {
        self.length
    }

    fn channels(&self) -> usize {
        2
    }

    fn feed(&self, samples: &Range<i64>, key: &mut KeyHasher) {
        key.text(&format!("swing 1 {self:?}")).int(samples.start).int(samples.end);
    }

    fn play(&self, samples: Range<i64>) -> Vec<Vec<f32>> {
        let both: Vec<[f64; 2]> = samples.map(|n| self.at(n)).collect();
        (0..2).map(|side| both.iter().map(|v| v[side] as f32).collect()).collect()
    }
}
