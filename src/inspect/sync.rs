//! Whether sound and picture of a leader meet: the 2-pop's tone, the frame that carries it, and by how much they differ.
//!
//! Knows a tone in samples, of pictures how bright each is, and the limits of Rec. ITU-R BT.1359-1. Does not know files.

use std::f64::consts::TAU;

use crate::media::sound::pop::TONE;

/// Mean of R'G'B' from which a picture is lit, and up to which it is black. A pop's ground is far above the one; what a coder makes of
/// black stays far below the other.
const LIT: f32 = 0.05;
/// See [`LIT`].
const BLACK: f32 = 0.02;
/// Seconds of black that follow the picture of a pop at least; a leader has nearly two.
const DARK: f64 = 1.0;

/// Share of the sound's energy that must lie in the tone.
const PURE: f64 = 0.8;
/// The least amplitude of a pop, of full scale (-46 dBFS).
const LEAST: f64 = 0.005;
/// Periods of the tone that are compared before and after its beginning.
const PERIODS: f64 = 5.0;
/// How much longer or shorter than a frame a pop may be.
const LENGTHS: (f64, f64) = (0.5, 1.6);
/// How far, in seconds, the first sample that follows the tone may lie from where its energy sets in.
const NEAR: f64 = 0.002;

/// From where an early and a late sound are noticed, and up to where they are accepted, in ms (BT.1359-1).
pub const NOTICED: (f64, f64) = (45.0, -125.0);
/// The limits of acceptance.
pub const ACCEPTED: (f64, f64) = (90.0, -185.0);

/// A pop that was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pop {
    /// Its first sample.
    pub first: usize,
    /// Samples that it lasts, to a few.
    pub samples: usize,
    /// Amplitude of the tone, of full scale.
    pub amplitude: f64,
}

/// How sound and picture lie.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Offset {
    /// Milliseconds by which the sound comes before the picture; below zero it comes after.
    pub early: f64,
}

impl Offset {
    /// Of a pop that is seen at `picture` and heard at `sound`, in seconds of one clock.
    pub fn of(picture: f64, sound: f64) -> Self {
        Self { early: (picture - sound) * 1000.0 }
    }

    /// True when viewers notice it.
    pub fn is_noticed(self) -> bool {
        self.early > NOTICED.0 || self.early < NOTICED.1
    }

    /// True when it is still accepted.
    pub fn is_accepted(self) -> bool {
        (ACCEPTED.1..=ACCEPTED.0).contains(&self.early)
    }

    /// What a person is told.
    pub fn sentence(self) -> String {
        let ms = self.early.abs();
        if ms < 0.05 {
            return "Sound and picture of the pop meet.".into();
        }
        let way = if self.early >= 0.0 { "before" } else { "after" };
        let verdict = match (self.is_noticed(), self.is_accepted()) {
            (false, _) => "Nobody will notice.",
            (true, true) => "Attentive viewers will notice; it is within what is accepted.",
            (true, false) => "That is beyond what viewers accept: move one of them.",
        };
        format!("The sound of the pop comes {ms:.1} ms {way} its picture (Rec. ITU-R BT.1359-1). {verdict}")
    }
}

/// The picture of a leader's pop among pictures in their order, each told by its mean of R'G'B' from 0 to 1: the first lit one after
/// which it is black for long. Nothing where there is none.
pub fn find_picture(brightness: &[f32], frames_a_second: f64) -> Option<usize> {
    let dark = (DARK * frames_a_second).round() as usize;
    let is_pop = |&at: &usize| {
        brightness[at] >= LIT
            && brightness.get(at + 1..=at + dark).is_some_and(|after| after.iter().all(|&v| v <= BLACK))
    };
    (0..brightness.len()).find(is_pop)
}

/// Products of samples with the tone, summed from the beginning, so that any stretch costs the same.
struct Tone {
    sums: Vec<[f64; 3]>,
}

impl Tone {
    fn of(samples: &[f32], rate: f64) -> Self {
        let mut sums = vec![[0.0; 3]; samples.len() + 1];
        for (i, &v) in samples.iter().enumerate() {
            let v = if v.is_finite() { f64::from(v) } else { 0.0 };
            let (sin, cos) = (TAU * TONE * i as f64 / rate).sin_cos();
            let [a, b, c] = sums[i];
            sums[i + 1] = [a + v * cos, b + v * sin, c + v * v];
        }
        Self { sums }
    }

    /// Amplitude of the tone over samples `from` to `to`, and its share of their energy.
    fn over(&self, from: usize, to: usize) -> (f64, f64) {
        let count = (to - from) as f64;
        let [cos, sin, squares] = [0, 1, 2].map(|i| self.sums[to][i] - self.sums[from][i]);
        let amplitude = 2.0 * cos.hypot(sin) / count;
        let share = if squares > 0.0 { amplitude * amplitude * count / 2.0 / squares } else { 0.0 };
        (amplitude, share)
    }

    /// Cosine and sine parts over samples `from` to `to`.
    fn parts(&self, from: usize, to: usize) -> [f64; 2] {
        [0, 1].map(|i| 2.0 * (self.sums[to][i] - self.sums[from][i]) / (to - from) as f64)
    }
}

/// Finds the first pop: a tone of 1 kHz that lasts about a frame. Nothing where there is none.
pub fn find_pop(samples: &[f32], rate: u32, frames_a_second: f64) -> Option<Pop> {
    let hertz = f64::from(rate);
    let window = (PERIODS * hertz / TONE).round() as usize;
    let frame = hertz / frames_a_second;
    let tone = Tone::of(samples, hertz);
    let is_tone = |at: usize| {
        let (amplitude, share) = tone.over(at, at + window);
        (amplitude >= LEAST && share >= PURE).then_some(amplitude)
    };
    let last = samples.len().checked_sub(window)?;
    let mut at = 0;
    while at <= last {
        let Some(amplitude) = is_tone(at) else {
            at += window / 2;
            continue;
        };
        // To the end of the tone, as far as windows are full of it.
        let mut end = at;
        while end <= last && is_tone(end).is_some_and(|now| now >= 0.5 * amplitude) {
            end += (window / 8).max(1);
        }
        let first = onset(samples, &tone, at, window, hertz);
        let stop = stop(&tone, end, window, samples.len());
        let length = stop.saturating_sub(first);
        let middle = tone.over(first, stop.max(first + 1)).0;
        if (LENGTHS.0 * frame..=LENGTHS.1 * frame).contains(&(length as f64)) {
            return Some(Pop { first, samples: length, amplitude: middle });
        }
        at = end + window;
    }
    None
}

/// The first sample of a tone that fills a window from `seen` on.
fn onset(samples: &[f32], tone: &Tone, seen: usize, window: usize, rate: f64) -> usize {
    let rises = |at: usize| {
        let before = if at >= window { tone.over(at - window, at).0 } else { 0.0 };
        tone.over(at, at + window).0 - before
    };
    let from = seen.saturating_sub(window);
    let to = (seen + window / 2).min(samples.len() - window);
    let by_energy =
        (from..=to).max_by(|&a, &b| rises(a).total_cmp(&rises(b)).then(b.cmp(&a))).unwrap_or(seen);
    // From inside the tone back to the first sample that still follows it.
    let inside = (by_energy + window / 4).min(samples.len() - window);
    let [cos, sin] = tone.parts(inside, inside + window);
    let amplitude = cos.hypot(sin);
    let noise =
        |range: std::ops::Range<usize>| range.map(|i| f64::from(samples[i].abs())).fold(0f64, f64::max);
    let near = (NEAR * rate) as usize;
    let quiet = by_energy.saturating_sub(near);
    let far = (2.0 * noise(quiet.saturating_sub(window)..quiet)).max(0.03 * amplitude);
    let follows = |i: usize| {
        let (s, c) = (TAU * TONE * i as f64 / rate).sin_cos();
        (f64::from(samples[i]) - cos * c - sin * s).abs() <= far
    };
    let first = (0..inside).rev().find(|&i| !follows(i)).map_or(0, |i| i + 1);
    if first.abs_diff(by_energy) <= near { first } else { by_energy }
}

/// The sample after the last of a tone whose windows are full of it up to about `end`.
fn stop(tone: &Tone, end: usize, window: usize, count: usize) -> usize {
    let falls = |at: usize| {
        let after = if at + window <= count { tone.over(at, at + window).0 } else { 0.0 };
        tone.over(at - window, at).0 - after
    };
    let (from, to) = (end.max(window), (end + 2 * window).min(count));
    (from..=to).max_by(|&a, &b| falls(a).total_cmp(&falls(b)).then(b.cmp(&a))).unwrap_or(count)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspect::trial::random;

    /// Silence with a pop of so many samples from `first` on, and noise of `noise` over all.
    fn leader(rate: u32, first: usize, length: usize, level: f64, phase: f64, noise: f32) -> Vec<f32> {
        let count = first + 3 * length + rate as usize / 5;
        let pop = |i: usize| {
            let t = (i - first) as f64 / f64::from(rate);
            if i < first + length { (level * (TAU * TONE * t + phase).sin()) as f32 } else { 0.0 }
        };
        let noise = |i: usize| noise * (random(i as u64, 1, 7) - 0.5) * 2.0;
        (0..count).map(|i| noise(i) + if i >= first { pop(i) } else { 0.0 }).collect()
    }

    #[test]
    fn a_pop_is_found_to_the_sample() {
        for (rate, fps) in [(48_000, 24.0), (48_000, 25.0), (44_100, 24.0), (96_000, 30_000.0 / 1001.0)] {
            let length = (f64::from(rate) / fps).round() as usize;
            for first in [0, 1, 12_345, 96_000] {
                let pop = find_pop(&leader(rate, first, length, 0.1, 0.0, 0.0), rate, fps).expect("a pop");
                assert!(pop.first.abs_diff(first) <= 1, "{rate} {fps}: {first} {pop:?}");
                assert!(pop.samples.abs_diff(length) <= 60, "{length} {pop:?}");
                assert!((pop.amplitude - 0.1).abs() < 0.005, "{pop:?}");
            }
        }
    }

    #[test]
    fn noise_and_phase_move_it_by_little() {
        for (phase, noise) in [(1.0, 0.0), (2.5, 0.001), (0.0, 0.005), (4.0, 0.01)] {
            let pop =
                find_pop(&leader(48_000, 20_000, 2000, 0.1, phase, noise), 48_000, 24.0).expect("a pop");
            assert!(pop.first.abs_diff(20_000) <= 6, "{phase} {noise}: {pop:?}");
        }
    }

    #[test]
    fn other_sounds_are_no_pop() {
        let noise: Vec<f32> = (0..96_000).map(|i| random(i, 0, 1) - 0.5).collect();
        assert_eq!(find_pop(&noise, 48_000, 24.0), None);
        let tone: Vec<f32> = (0..96_000).map(|i| (TAU * TONE * i as f64 / 48_000.0).sin() as f32).collect();
        assert_eq!(find_pop(&tone, 48_000, 24.0), None, "a line-up tone is longer than a frame");
        let low: Vec<f32> = (0..96_000)
            .map(|i| if i < 2000 { (TAU * 400.0 * f64::from(i) / 48_000.0).sin() as f32 } else { 0.0 })
            .collect();
        assert_eq!(find_pop(&low, 48_000, 24.0), None);
        assert_eq!(find_pop(&[0.0; 10], 48_000, 24.0), None);
        // A line-up tone before the pop does not hide it.
        let mut both = leader(48_000, 192_000, 2000, 0.1, 0.0, 0.0);
        both[..96_000].copy_from_slice(&tone);
        assert!(find_pop(&both, 48_000, 24.0).expect("a pop").first.abs_diff(192_000) <= 1);
    }

    #[test]
    fn offsets_are_judged_by_bt1359() {
        let practice: serde_json::Value =
            serde_json::from_str(include_str!("../../tests/checks/levels.json")).unwrap();
        for case in practice["av_sync"]["check"].as_array().unwrap() {
            let offset = Offset { early: case["offset_ms"].as_f64().unwrap() };
            assert_eq!(Some(offset.is_noticed()), case["detectable"].as_bool(), "{case}");
            assert_eq!(Some(offset.is_accepted()), case["acceptable"].as_bool(), "{case}");
        }
    }

    #[test]
    fn the_sign_is_positive_when_the_sound_comes_first() {
        // The picture of the pop is frame 144, at 6 s; the sound comes a frame early, or two late.
        let offset = |first: f64| Offset::of(144.0 / 24.0, first / 48_000.0);
        assert!((offset(286_000.0).early - 1000.0 / 24.0).abs() < 1e-9);
        assert!((offset(292_000.0).early + 2000.0 / 24.0).abs() < 1e-9);
        assert!(offset(286_000.0).sentence().contains("41.7 ms before its picture"));
        assert!(offset(288_000.0).sentence().contains("meet"));
    }

    #[test]
    fn the_picture_of_a_pop_is_the_one_before_long_black() {
        // A countdown that is lit, its pop at 48 of 96, then 47 of black.
        let mut leader = vec![0.2; 49];
        leader.extend([0.004; 47]);
        leader.extend([0.3; 40]);
        assert_eq!(find_picture(&leader, 24.0), Some(48));
        assert_eq!(find_picture(&leader[48..], 24.0), Some(0), "a leader of two seconds begins with it");
        assert_eq!(find_picture(&leader[..60], 24.0), None, "the black is cut short");
        assert_eq!(find_picture(&leader[49..], 24.0), None);
        // A black frame or two between pictures is no leader.
        assert_eq!(find_picture(&[[0.2; 10], [0.0; 10], [0.2; 10]].concat(), 24.0), None);
        assert_eq!(find_picture(&[], 24.0), None);
    }
}
