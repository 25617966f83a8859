//! A limiter that looks ahead: no place of the wave reaches beyond a ceiling.
//!
//! Knows one sound's peaks and the gain they ask for. What it does at a moment follows from the sound within its reach alone,
//! so that a part of a film is limited as the whole is.

use super::peak;
use crate::media::sound::Sound;

/// How a limiter acts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limiter {
    /// Highest true peak that is let through, as a factor of full scale.
    pub ceiling: f64,
    /// Seconds over which it goes down before a peak.
    pub ahead: f64,
    /// Seconds over which it comes back after one.
    pub after: f64,
}

/// The finer look at a wave whose gain changes is off by this much at most.
const MARGIN: f64 = 0.997;

impl Limiter {
    /// Samples before and after a moment that its gain follows from.
    pub fn reach(&self, rate: u32) -> [usize; 2] {
        let [ahead, after] = self.lengths(rate);
        [after + peak::REACH, ahead + peak::REACH]
    }

    fn lengths(&self, rate: u32) -> [usize; 2] {
        [self.ahead, self.after].map(|s| ((s * f64::from(rate)).round() as usize).max(1))
    }

    /// Gains by sample, none above 1.
    pub fn gains(&self, sound: &Sound) -> Vec<f32> {
        let mut top = vec![0f32; sound.len()];
        for plane in &sound.channels {
            let found = peak::envelope(plane);
            top.iter_mut().zip(&found).for_each(|(top, v)| *top = top.max(*v));
            // What lies between a sample and the next is lowered with both.
            top.iter_mut().skip(1).zip(&found).for_each(|(top, v)| *top = top.max(*v));
        }
        let ceiling = self.ceiling * MARGIN;
        let wanted: Vec<f32> = top
            .iter()
            .map(|&v| if f64::from(v) > ceiling { (ceiling / f64::from(v)) as f32 } else { 1.0 })
            .collect();
        if wanted.iter().all(|&v| v == 1.0) {
            return wanted;
        }
        let [ahead, after] = self.lengths(sound.rate);
        smoothed(&least(&wanted, ahead, after), ahead, after)
    }

    /// Limits in place. Gives the least gain that was used.
    pub fn run(&self, sound: &mut Sound) -> f64 {
        let gains = self.gains(sound);
        for plane in &mut sound.channels {
            plane.iter_mut().zip(&gains).for_each(|(v, gain)| *v *= gain);
        }
        f64::from(gains.iter().copied().fold(1.0, f32::min))
    }
}

/// The least of the values from `after` places before each to `ahead` after it (van Herk 1992 in kind: a queue of falling
/// candidates).
fn least(values: &[f32], ahead: usize, after: usize) -> Vec<f32> {
    let mut queue = std::collections::VecDeque::new();
    let mut next = 0;
    (0..values.len())
        .map(|i| {
            while next <= (i + ahead).min(values.len() - 1) {
                while queue.back().is_some_and(|&last: &usize| values[last] >= values[next]) {
                    queue.pop_back();
                }
                queue.push_back(next);
                next += 1;
            }
            while queue.front().is_some_and(|&first| first + after < i) {
                queue.pop_front();
            }
            values[*queue.front().expect("the place itself is in it")]
        })
        .collect()
}

/// Averages over the same places, so that the gain has no corner: each value stays at or below what was wanted there, as all
/// that it is made of are. Beyond the ends nothing is held down.
fn smoothed(values: &[f32], ahead: usize, after: usize) -> Vec<f32> {
    let length = ahead + after + 1;
    let mut sum = 0.0f64;
    let at = |i: isize| values.get(i as usize).map_or(1.0, |v| f64::from(*v));
    // The average around a place looks the other way than the least did: back over `ahead`, on over `after`.
    for k in 0..length {
        sum += at(k as isize - ahead as isize);
    }
    (0..values.len() as isize)
        .map(|i| {
            let now = (sum / length as f64) as f32;
            sum += at(i + after as isize + 1) - at(i - ahead as isize);
            now
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(samples: usize) -> Sound {
        let wave = |i: usize| {
            let hiss = ((i as u32).wrapping_mul(2_654_435_761) >> 8) as f32 / 8_388_608.0 - 1.0;
            let swell = if (i / 9000) % 3 == 1 { 1.6 } else { 0.2 };
            swell * (0.6 * hiss + 0.5 * (i as f32 * 0.9).sin())
        };
        Sound { rate: 48_000, channels: vec![(0..samples).map(wave).collect()] }
    }

    const LIMITER: Limiter = Limiter { ceiling: 0.891_25, ahead: 0.005, after: 0.08 };

    #[test]
    fn nothing_reaches_beyond_the_ceiling_and_quiet_parts_stay_as_they_are() {
        let quiet = noise(9000 - 4000);
        let mut same = quiet.clone();
        assert_eq!(LIMITER.run(&mut same), 1.0);
        assert_eq!(same, quiet);
        let mut loud = noise(60_000);
        assert!(peak::true_peak(&loud.channels[0]) > 1.2);
        assert!(LIMITER.run(&mut loud) < 0.8);
        let top = peak::true_peak(&loud.channels[0]);
        assert!(f64::from(top) <= LIMITER.ceiling && top > 0.8, "{top}");
    }

    #[test]
    fn a_part_with_its_surroundings_is_limited_as_the_whole() {
        let whole = noise(60_000);
        let gains = LIMITER.gains(&whole);
        let [before, after] = LIMITER.reach(48_000).map(|n| 2 * n);
        let (first, end) = (20_000, 30_000);
        let part =
            Sound { rate: 48_000, channels: vec![whole.channels[0][first - before..end + after].to_vec()] };
        let there = &LIMITER.gains(&part)[before..before + end - first];
        let worst = gains[first..end].iter().zip(there).fold(0f32, |m, (a, b)| m.max((a - b).abs()));
        assert!(worst < 1e-6, "{worst}");
    }
}
