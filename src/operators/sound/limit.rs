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
    /// Seconds within which it comes back after one: from silence to all of it, from half in half of that.
    pub after: f64,
}

/// The finer look at a wave whose gain changes is off by this much at most.
const MARGIN: f64 = 0.997;

impl Limiter {
    /// Samples before and after a moment that its gain follows from.
    pub fn reach(&self, rate: u32) -> [usize; 2] {
        let [ahead, after] = self.lengths(rate);
        // A peak between two samples lowers both.
        [ahead + after + peak::REACH + 1, ahead + peak::REACH + 1]
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
        mean(&returning(&least(&wanted, ahead), after), ahead)
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

/// The least of each value and the `ahead` after it (van Herk 1992 in kind: a queue of falling candidates).
fn least(values: &[f32], ahead: usize) -> Vec<f32> {
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
            while queue.front().is_some_and(|&first| first < i) {
                queue.pop_front();
            }
            values[*queue.front().expect("the place itself is in it")]
        })
        .collect()
}

/// Values that come back no faster than by all of it in `after` places. Whatever was `after` places ago plays no part any more,
/// as it would have come back since.
fn returning(values: &[f32], after: usize) -> Vec<f32> {
    let step = 1.0 / after as f64;
    let mut now = 1.0f64;
    values
        .iter()
        .map(|&value| {
            now = (now + step).min(f64::from(value));
            now as f32
        })
        .collect()
}

/// The mean of each value and the `before` ones before it, as far as there are any, so that the gain has no corner. All of those
/// look `before` places ahead, so that none is above what is wanted at the place.
fn mean(values: &[f32], before: usize) -> Vec<f32> {
    let mut sum = 0.0f64;
    (0..values.len())
        .map(|i| {
            sum += f64::from(values[i]);
            if i > before {
                sum -= f64::from(values[i - before - 1]);
            }
            (sum / (i.min(before) + 1) as f64) as f32
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
        let [before, after] = LIMITER.reach(48_000);
        // Within what is loud as well as at its ends.
        let (first, end) = (13_000, 30_000);
        let part =
            Sound { rate: 48_000, channels: vec![whole.channels[0][first - before..end + after].to_vec()] };
        let there = &LIMITER.gains(&part)[before..before + end - first];
        let worst = gains[first..end].iter().zip(there).fold(0f32, |m, (a, b)| m.max((a - b).abs()));
        assert!(worst < 1e-6, "{worst}");
    }

    #[test]
    fn what_is_loud_to_its_last_sample_is_held_down_to_it() {
        let turn = std::f64::consts::TAU * 997.0 / 48_000.0;
        let tone = (0..30_000).map(|i| (1.6 * (turn * f64::from(i)).sin()) as f32).collect();
        let mut sound = Sound { rate: 48_000, channels: vec![tone] };
        LIMITER.run(&mut sound);
        let top = sound.channels[0].iter().fold(0f32, |top, v| top.max(v.abs()));
        assert!(f64::from(top) <= LIMITER.ceiling, "{top}");
        // And it goes down just before a peak, as far ahead as it is told.
        let mut click = Sound::silent(48_000, 1, 20_000);
        click.channels[0][10_000] = 2.0;
        let gains = LIMITER.gains(&click);
        let first = gains.iter().position(|gain| *gain < 0.999).expect("a gain");
        let last = gains.iter().rposition(|gain| *gain < 0.999).expect("a gain");
        assert!((10_000 - 240 - 14..10_000 - 200).contains(&first), "{first}");
        assert!((last - 10_000).abs_diff(0) <= 3_840 + 240 + 14 && last > 10_000 + 1_000, "{last}");
    }
}
