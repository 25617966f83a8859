//! Levels that follow a sound: a compressor, and one sound going down under another.
//!
//! Knows levels over time in decibels. D. Giannoulis, M. Massberg and J. D. Reiss, "Digital Dynamic Range Compressor Design:
//! A Tutorial and Analysis", J. Audio Eng. Soc. 60(6), 2012: the level detector in the logarithmic domain after the gain
//! computer, smooth branching. What a level was is forgotten in time, so that it may be followed from a while before.

use super::law::{decibels, factor};

/// Below this level, in decibels, is silence.
const FLOOR: f64 = -140.0;
/// Time constants after which what was is off by less than a ten-thousandth part.
const FORGOTTEN: f64 = 9.3;

/// How a gain comes and goes: time constants in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace {
    /// Going down.
    pub attack: f64,
    /// Coming back.
    pub release: f64,
}

impl Pace {
    /// Samples after which it has forgotten where it began.
    pub fn settles(&self, rate: u32) -> i64 {
        (FORGOTTEN * self.attack.max(self.release) * f64::from(rate)).ceil() as i64
    }

    /// Reductions in decibels, none below 0, as they come and go.
    fn run(&self, wanted: impl Iterator<Item = f64>, rate: u32) -> Vec<f32> {
        let keeps = |seconds: f64| (-1.0 / (seconds.max(1e-5) * f64::from(rate))).exp();
        let (attack, release) = (keeps(self.attack), keeps(self.release));
        let mut now = 0.0f64;
        wanted
            .map(|wanted| {
                let keeps = if wanted > now { attack } else { release };
                now = keeps * now + (1.0 - keeps) * wanted;
                factor(-now) as f32
            })
            .collect()
    }
}

/// The highest of all channels at each sample, in decibels.
fn levels(channels: &[Vec<f32>]) -> impl Iterator<Item = f64> {
    let count = channels.first().map_or(0, Vec::len);
    (0..count).map(|i| {
        let top = channels.iter().map(|plane| plane[i].abs()).fold(0.0, f32::max);
        if top > 0.0 { decibels(f64::from(top)).max(FLOOR) } else { FLOOR }
    })
}

/// A compressor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Compressor {
    /// Level above which it works, in dBFS.
    pub threshold: f64,
    /// How many decibels above it become one.
    pub ratio: f64,
    /// Width of the bend around the threshold, in decibels.
    pub knee: f64,
    /// How it comes and goes.
    pub pace: Pace,
    /// Gain after it, in decibels.
    pub makeup: f64,
}

impl Compressor {
    /// By how much a level is taken down, in decibels.
    pub fn reduction(&self, level: f64) -> f64 {
        let over = level - self.threshold;
        let slope = 1.0 - 1.0 / self.ratio.max(1.0);
        match 2.0 * over {
            twice if twice < -self.knee || self.knee <= 0.0 && over <= 0.0 => 0.0,
            twice if twice <= self.knee => slope * (over + self.knee / 2.0).powi(2) / (2.0 * self.knee),
            _ => slope * over,
        }
    }

    /// Works on all channels together, so that what they show of a place does not wander.
    pub fn run(&self, channels: &mut [Vec<f32>], rate: u32) {
        let gains = self.pace.run(levels(channels).map(|level| self.reduction(level)), rate);
        let makeup = factor(self.makeup) as f32;
        for plane in channels {
            plane.iter_mut().zip(&gains).for_each(|(v, gain)| *v *= gain * makeup);
        }
    }
}

/// A sound that goes down while another is heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Duck {
    /// By how much, in decibels.
    pub depth: f64,
    /// Level of the other sound above which it is heard, in dBFS.
    pub threshold: f64,
    /// How it comes and goes.
    pub pace: Pace,
}

/// Decibels around the threshold over which a sound begins to count.
const SOFT: f64 = 6.0;

impl Duck {
    /// Gains by sample under another sound.
    pub fn gains(&self, other: &[Vec<f32>], rate: u32) -> Vec<f32> {
        let share = |level: f64| ((level - self.threshold) / SOFT + 0.5).clamp(0.0, 1.0);
        // Words fall silent between their syllables: the loudest of the last quarter of a second counts.
        let held = held(levels(other), (rate / 4) as usize);
        self.pace.run(held.into_iter().map(|level| self.depth * share(level)), rate)
    }

    /// Samples before a moment that its gain follows from.
    pub fn settles(&self, rate: u32) -> i64 {
        self.pace.settles(rate) + i64::from(rate / 4)
    }
}

/// The highest of each value and the `back` before it.
fn held(values: impl Iterator<Item = f64>, back: usize) -> Vec<f64> {
    let mut queue: std::collections::VecDeque<(usize, f64)> = std::collections::VecDeque::new();
    values
        .enumerate()
        .map(|(i, value)| {
            while queue.back().is_some_and(|&(_, last)| last <= value) {
                queue.pop_back();
            }
            queue.push_back((i, value));
            while queue.front().is_some_and(|&(first, _)| first + back < i) {
                queue.pop_front();
            }
            queue.front().map_or(value, |&(_, top)| top)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    fn tone(level: f64, samples: usize) -> Vec<f32> {
        let turn = std::f64::consts::TAU * 1000.0 / f64::from(RATE);
        (0..samples).map(|i| (factor(level) * (turn * i as f64).sin()) as f32).collect()
    }

    #[test]
    fn the_curve_is_that_of_the_paper() {
        let plain = Compressor {
            threshold: -20.0,
            ratio: 4.0,
            knee: 10.0,
            pace: Pace { attack: 0.01, release: 0.1 },
            makeup: 0.0,
        };
        // Giannoulis et al., equation 4: below the knee nothing, above it (level - threshold)(1 - 1/ratio).
        assert_eq!(plain.reduction(-26.0), 0.0);
        assert!((plain.reduction(0.0) - 15.0).abs() < 1e-12);
        assert!((plain.reduction(-20.0) - 0.75 * 25.0 / 20.0).abs() < 1e-12);
        assert!((plain.reduction(-15.0) - 3.75).abs() < 1e-12, "both ends of the knee meet");
        let hard = Compressor { knee: 0.0, ..plain };
        assert_eq!((hard.reduction(-20.0), hard.reduction(-16.0)), (0.0, 3.0));
    }

    #[test]
    fn a_loud_tone_comes_down_and_a_soft_one_does_not() {
        let work = Compressor {
            threshold: -20.0,
            ratio: 4.0,
            knee: 0.0,
            pace: Pace { attack: 0.005, release: 0.2 },
            makeup: 0.0,
        };
        let after = |level: f64| {
            let mut channels = vec![tone(level, 48_000)];
            work.run(&mut channels, RATE);
            let top = channels[0][24_000..].iter().fold(0f32, |top, v| top.max(v.abs()));
            decibels(f64::from(top))
        };
        assert!((after(-30.0) + 30.0).abs() < 0.01);
        // 20 dB over become 5, and between the tops of the tone it comes back a little.
        assert!((after(0.0) + 15.0).abs() < 0.6, "{}", after(0.0));
    }

    #[test]
    fn what_was_long_ago_plays_no_part() {
        let pace = Pace { attack: 0.01, release: 0.15 };
        let work = Compressor { threshold: -30.0, ratio: 3.0, knee: 6.0, pace, makeup: 2.0 };
        let duck = Duck { depth: 12.0, threshold: -30.0, pace };
        let lead = duck.settles(RATE) as usize;
        let mut long = vec![tone(-3.0, 20_000)];
        long[0].extend(tone(-18.0, lead + 4800));
        let mut short = vec![long[0][20_000..].to_vec()];
        let (all, part) = (duck.gains(&long, RATE), duck.gains(&short, RATE));
        work.run(&mut long, RATE);
        work.run(&mut short, RATE);
        for i in lead..lead + 4800 {
            assert!((long[0][20_000 + i] - short[0][i]).abs() < 1e-4);
            assert!((all[20_000 + i] - part[i]).abs() < 1e-4);
        }
    }

    #[test]
    fn music_goes_down_under_words_and_comes_back() {
        let duck = Duck { depth: 9.0, threshold: -40.0, pace: Pace { attack: 0.05, release: 0.3 } };
        let mut words = vec![0.0; 24_000];
        words.extend(tone(-20.0, 48_000));
        words.extend(vec![0.0; 120_000]);
        let gains = duck.gains(&[words], RATE);
        let level = |i: usize| decibels(f64::from(gains[i]));
        assert!(level(23_000).abs() < 0.01);
        assert!((level(60_000) + 9.0).abs() < 0.01);
        assert!(level(190_000).abs() < 0.1);
    }
}
