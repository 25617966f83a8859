//! A lit rod's hum: its pitch, level and colour follow the speed of its tip, its place that of the rod.
//!
//! Knows a movement and tones. Two rows of partials, a little apart, beat slowly against one another; how steeply they fall off
//! follows the speed. The phase is the sum of all frequencies before, and goes into the key where a part begins.

use std::f64::consts::TAU;
use std::ops::Range;

use super::motion::{Moment, Motion};
use super::noise;
use crate::base::digest::KeyHasher;
use crate::operators::sound::cue::Voice;
use crate::operators::sound::law;

/// Partials of each row.
const PARTIALS: usize = 12;
/// How much higher the second row is.
const APART: f64 = 1.006;
/// Level of a hum at full speed, as a factor.
const LEVEL: f64 = 0.3;
/// Seconds over which it comes and goes at its ends.
const EDGE: f64 = 0.03;

/// How a hum is shaped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shape {
    /// Pitch at rest, in hertz.
    pub pitch: f64,
    /// Semitones higher at full speed.
    pub bend: f64,
    /// Decibels louder at full speed.
    pub rise: f64,
    /// Full speed, in heights of the frame in a second.
    pub full: f64,
    /// How far to the sides it goes.
    pub width: f64,
    /// Its chance.
    pub seed: u64,
}

/// A hum.
pub struct Hum {
    motion: Motion,
    shape: Shape,
    sampling: f64,
    length: i64,
    /// Turns of the first row at each moment.
    turns: Vec<f64>,
}

impl Hum {
    /// The hum of a rod that moves so.
    pub fn new(motion: Motion, shape: Shape, sampling: u32) -> Self {
        let step = motion.step();
        let pitch = |moment: &Moment| shape.pitch * 2f64.powf(shape.bend * share(moment, &shape) / 12.0);
        let mut turns = Vec::with_capacity(motion.moments.len());
        let mut at = 0.0;
        for pair in motion.moments.windows(2) {
            turns.push(at);
            at += (pitch(&pair[0]) + pitch(&pair[1])) / 2.0 * step;
        }
        turns.push(at);
        let seconds = motion.moments.len().saturating_sub(1) as f64 * step;
        let length = (seconds * f64::from(sampling)).floor() as i64;
        Self { motion, shape, sampling: f64::from(sampling), length, turns }
    }

    fn pitch(&self, moment: &Moment) -> f64 {
        self.shape.pitch * 2f64.powf(self.shape.bend * share(moment, &self.shape) / 12.0)
    }

    /// The moments around a time, and how far it is from one to the other.
    fn around(&self, seconds: f64) -> (usize, f64) {
        let at = seconds / self.motion.step();
        let first = (at.floor() as usize).min(self.motion.moments.len().saturating_sub(2));
        (first, at - first as f64)
    }

    /// Turns of the first row at a time: within a step the frequency goes evenly from one moment's to the next's.
    fn turn(&self, first: usize, share: f64) -> f64 {
        let (a, b) = (&self.motion.moments[first], &self.motion.moments[first + 1]);
        let (a, b) = (self.pitch(a), self.pitch(b));
        self.turns[first] + self.motion.step() * share * (a + (b - a) * share / 2.0)
    }

    /// Both sides at a time.
    fn at(&self, seconds: f64) -> [f64; 2] {
        let (first, share_of) = self.around(seconds);
        let (a, b) = (&self.motion.moments[first], &self.motion.moments[first + 1]);
        let between = |a: f64, b: f64| a + (b - a) * share_of;
        let fast = between(share(a, &self.shape), share(b, &self.shape));
        let lit = between(a.lit, b.lit).max(0.0);
        if lit <= 0.0 {
            return [0.0; 2];
        }
        let turn = self.turn(first, share_of);
        let steep = 2.1 - 1.0 * fast;
        let tone = row(turn, steep) + row(turn * APART + 0.25, steep);
        // A slow unrest, so that a rod at rest is alive.
        let unrest = 1.0 + 0.1 * noise(self.shape.seed, seconds, 3.0) + 0.06 * (TAU * 11.3 * seconds).sin();
        let edge = |left: f64| (left / EDGE).clamp(0.0, 1.0);
        let ends = edge(seconds) * edge(self.length as f64 / self.sampling - seconds);
        let level = LEVEL * law::factor(self.shape.rise * (fast - 1.0)) * lit.sqrt() * unrest * ends;
        let place = self.shape.width * between(a.place, b.place);
        law::pan(place).map(|side| side * level * tone)
    }
}

fn share(moment: &Moment, shape: &Shape) -> f64 {
    (moment.speed / shape.full).clamp(0.0, 1.0)
}

/// A row of partials whose levels fall with the `steep`th power of their number, at most about 1 in all.
fn row(turn: f64, steep: f64) -> f64 {
    let angle = TAU * (turn - turn.floor());
    let (sin, cos) = angle.sin_cos();
    // sin((n + 1) x) = 2 cos(x) sin(n x) - sin((n - 1) x)
    let (mut before, mut now, mut sum, mut all) = (0.0, sin, 0.0, 0.0);
    for n in 1..=PARTIALS {
        let level = (n as f64).powf(-steep);
        sum += level * now;
        all += level;
        (before, now) = (now, 2.0 * cos * now - before);
    }
    sum / all
}

impl Voice for Hum {
    fn length(&self) -> i64 {
        self.length
    }

    fn channels(&self) -> usize {
        2
    }

    fn feed(&self, samples: &Range<i64>, key: &mut KeyHasher) {
        key.text(&format!("hum 1 {:?}", self.shape)).int(samples.start).int(samples.end);
        if self.motion.moments.len() < 2 || samples.is_empty() {
            return;
        }
        let (first, share_of) = self.around(samples.start.max(0) as f64 / self.sampling);
        let (last, _) = self.around(samples.end as f64 / self.sampling);
        key.real(self.turn(first, share_of)).real(self.motion.rate);
        for moment in &self.motion.moments[first..=last + 1] {
            key.real(moment.speed).real(moment.place).real(moment.lit);
        }
        // It goes out towards its end.
        let edge = (EDGE * self.sampling) as i64;
        key.int(if samples.end > self.length - edge { self.length } else { -1 });
    }

    fn play(&self, samples: Range<i64>) -> Vec<Vec<f32>> {
        let mut out = vec![Vec::new(); 2];
        for n in samples {
            let sides =
                if self.motion.moments.len() < 2 { [0.0; 2] } else { self.at(n as f64 / self.sampling) };
            out.iter_mut().zip(sides).for_each(|(out, v)| out.push(v as f32));
        }
        out
    }
}
