//! What sound shows by its samples alone: silence, clipping, offset, phase, clicks.
//!
//! Knows samples in order, in blocks of any length: how they are cut into blocks changes nothing. Does not know loudness,
//! which `operators` measures, nor where samples come from.

use super::clicks::{self, Clicks};
use super::finding::Weight;
use super::phase::Phase;
use super::rules::Rules;

/// The level from which a sample stands at full scale: the largest of 16 bits.
const FULL: f32 = 0.999_96;
/// Peak below which a channel is dead while others are not, in dBFS.
const DEAD: f64 = -80.0;
/// Difference up to which left and right are the same: less than a step of 16 bits.
const SAME: f32 = 1e-5;

/// What is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeardKind {
    /// Silence inside the film.
    Silence,
    /// Silence before the first sound.
    SilentHead,
    /// Silence after the last.
    SilentTail,
    /// A channel with nothing on it.
    Dead,
    /// Nothing on any channel.
    AllSilent,
    /// Samples at full scale in a row.
    Clipped {
        /// How often.
        runs: u64,
    },
    /// A mean other than zero.
    Offset,
    /// Left and right against each other.
    OutOfPhase,
    /// Left and right the same.
    Identical,
    /// A step out of all proportion.
    Click,
}

impl HeardKind {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Silence => "silence",
            Self::SilentHead => "silent-head",
            Self::SilentTail => "silent-tail",
            Self::Dead => "dead-channel",
            Self::AllSilent => "all-silent",
            Self::Clipped { .. } => "clipped",
            Self::Offset => "offset",
            Self::OutOfPhase => "out-of-phase",
            Self::Identical => "identical",
            Self::Click => "click",
        }
    }
}

/// One finding of the sound.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    /// What.
    pub kind: HeardKind,
    /// How serious.
    pub weight: Weight,
    /// First sample.
    pub from: u64,
    /// Sample after the last.
    pub to: u64,
    /// Samples a second.
    pub rate: u32,
    /// The channel, from 0, when it is about one.
    pub channel: Option<usize>,
    /// The number that speaks for it.
    pub amount: f64,
    /// Unit of amount and limit.
    pub unit: &'static str,
    /// The limit that it is beyond.
    pub limit: f64,
}

impl Heard {
    /// What a person is told.
    pub fn sentence(&self) -> String {
        super::words::of_sound(self)
    }
}

/// Levels of one channel over the whole sound.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Levels {
    /// Largest sample, of full scale.
    pub peak: f32,
    /// Mean of all samples.
    pub mean: f64,
    /// Root of the mean square.
    pub rms: f64,
}

/// Everything that was heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// In the order of time.
    pub found: Vec<Heard>,
    /// By channel.
    pub levels: Vec<Levels>,
    /// The longest silence inside: first sample, and sample after the last.
    pub silence: Option<(u64, u64)>,
    /// Samples of silence before the first sound and after the last.
    pub head: u64,
    /// After the last.
    pub tail: u64,
}

/// Listens to a sound in order.
pub struct Listener {
    rules: Rules,
    rate: u32,
    at: u64,
    channels: Vec<Channel>,
    /// The silence under way, and the first sample that was not silent.
    quiet_from: Option<u64>,
    first: Option<u64>,
    silences: Vec<(u64, u64)>,
    longest: Option<(u64, u64)>,
    phase: Phase,
    identical: bool,
}

#[derive(Default)]
struct Channel {
    peak: f32,
    sum: f64,
    squares: f64,
    /// Samples at full scale so far, their sign and the runs that were long enough: count, longest, where first, where last.
    full: (u64, bool),
    clipped: Option<(u64, u64, u64, u64)>,
    clicks: Clicks,
    clicked: Vec<(u64, f32)>,
}

impl Listener {
    /// For so many channels of `rate` samples a second; the first two are left and right.
    pub fn new(rate: u32, channels: usize, rules: Rules) -> Self {
        Self {
            phase: Phase::new(rate),
            rate,
            at: 0,
            channels: (0..channels).map(|_| Channel::default()).collect(),
            quiet_from: Some(0),
            first: None,
            silences: Vec::new(),
            longest: None,
            identical: channels >= 2,
            rules,
        }
    }

    /// Takes in the next block: as many samples of every channel.
    ///
    /// # Panics
    /// When there are not as many channels as were told, or they differ in length.
    pub fn take(&mut self, block: &[&[f32]]) {
        assert_eq!(block.len(), self.channels.len(), "channels");
        let count = block.first().map_or(0, |plane| plane.len());
        assert!(block.iter().all(|plane| plane.len() == count), "channels of one length");
        let quiet = 10f64.powf(self.rules.silence() / 20.0) as f32;
        for i in 0..count {
            let at = self.at + i as u64;
            let is_quiet = block.iter().all(|plane| plane[i].abs() < quiet);
            match (is_quiet, self.quiet_from) {
                (true, None) => self.quiet_from = Some(at),
                (false, Some(from)) => {
                    if self.first.is_some() {
                        self.silence(from, at);
                    }
                    self.quiet_from = None;
                    self.first.get_or_insert(at);
                }
                _ => {}
            }
        }
        for (channel, plane) in self.channels.iter_mut().zip(block) {
            channel.take(self.at, plane, &self.rules);
        }
        if let [left, right, ..] = block {
            self.identical &= left.iter().zip(*right).all(|(l, r)| (l - r).abs() <= SAME);
            self.phase.take(left, right, &self.rules);
        }
        self.at += count as u64;
    }

    /// A silence inside the sound has ended.
    fn silence(&mut self, from: u64, to: u64) {
        if self.longest.is_none_or(|(first, last)| to - from > last - first) {
            self.longest = Some((from, to));
        }
        if (to - from) as f64 >= self.rules.silence_long() * f64::from(self.rate) {
            self.silences.push((from, to));
        }
    }

    /// Everything that was heard.
    pub fn end(mut self) -> Report {
        let count = self.at;
        let head = self.first.unwrap_or(count);
        let tail = if self.first.is_some() { self.quiet_from.map_or(0, |from| count - from) } else { 0 };
        let levels: Vec<Levels> = self.channels.iter().map(|channel| channel.levels(count)).collect();
        let whole = Heard {
            kind: HeardKind::AllSilent,
            weight: Weight::Fault,
            from: 0,
            to: count,
            rate: self.rate,
            channel: None,
            amount: self.rules.silence(),
            unit: "dBFS",
            limit: self.rules.silence(),
        };
        if self.first.is_none() {
            return Report { found: vec![whole], levels, silence: None, head, tail };
        }
        let mut found = self.silent(&whole, head, tail);
        found.extend(self.sides(&whole));
        for (i, (channel, levels)) in self.channels.iter_mut().zip(&levels).enumerate() {
            found.extend(channel.end(&Heard { channel: Some(i), ..whole.clone() }, levels, &self.rules));
        }
        found.sort_by_key(|heard| (heard.from, heard.channel));
        Report { found, levels, silence: self.longest, head, tail }
    }

    /// Silences that are long enough to be told.
    fn silent(&self, whole: &Heard, head: u64, tail: u64) -> Vec<Heard> {
        let limit = self.rules.silence_long();
        let inside = self.silences.iter().map(|&span| (HeardKind::Silence, Weight::Suspect, span));
        let ends = [
            (HeardKind::SilentHead, Weight::Hint, (0, head)),
            (HeardKind::SilentTail, Weight::Hint, (whole.to - tail, whole.to)),
        ];
        let all = inside.chain(ends).map(|(kind, weight, (from, to))| {
            let amount = (to - from) as f64 / f64::from(self.rate);
            Heard { kind, weight, from, to, amount, unit: "s", limit, ..whole.clone() }
        });
        all.filter(|heard| heard.amount >= limit && heard.amount > 0.0).collect()
    }

    /// How left and right lie to each other.
    fn sides(&mut self, whole: &Heard) -> Vec<Heard> {
        let least = self.rules.phase_long() * f64::from(self.rate);
        let against = self.phase.end().into_iter().filter(|(from, to, _)| (to - from) as f64 >= least);
        let (kind, weight) = (HeardKind::OutOfPhase, Weight::Suspect);
        let (unit, limit) = ("correlation", self.rules.phase());
        let mut found: Vec<Heard> = against
            .map(|(from, to, amount)| Heard { kind, weight, from, to, amount, unit, limit, ..whole.clone() })
            .collect();
        if self.identical {
            let (kind, weight, unit) = (HeardKind::Identical, Weight::Hint, "of full scale");
            found.push(Heard { kind, weight, amount: 0.0, unit, limit: SAME.into(), ..whole.clone() });
        }
        found
    }
}

impl Channel {
    fn take(&mut self, at: u64, plane: &[f32], rules: &Rules) {
        for (i, &v) in plane.iter().enumerate() {
            let v = if v.is_finite() { v } else { 0.0 };
            self.peak = self.peak.max(v.abs());
            self.sum += f64::from(v);
            self.squares += f64::from(v) * f64::from(v);
            let at = at + i as u64;
            if v.abs() >= FULL && (self.full.0 == 0 || self.full.1 == (v > 0.0)) {
                self.full = (self.full.0 + 1, v > 0.0);
            } else {
                self.settle(at, rules);
                self.full = (u64::from(v.abs() >= FULL), v > 0.0);
            }
            if let Some((at, step)) = self.clicks.take(at, v, rules.click() as f32) {
                self.clicked.push((at, step));
            }
        }
    }

    /// The samples at full scale before `at` have ended.
    fn settle(&mut self, at: u64, rules: &Rules) {
        let (length, _) = self.full;
        if length > 0 && length as f64 >= rules.clipped() {
            let (runs, longest, first, _) = self.clipped.unwrap_or((0, 0, at - length, at));
            self.clipped = Some((runs + 1, longest.max(length), first, at));
        }
    }

    fn levels(&self, count: u64) -> Levels {
        let count = count.max(1) as f64;
        Levels { peak: self.peak, mean: self.sum / count, rms: (self.squares / count).sqrt() }
    }

    fn end(&mut self, whole: &Heard, levels: &Levels, rules: &Rules) -> Vec<Heard> {
        self.settle(whole.to, rules);
        let mut found = Vec::new();
        let peak = 20.0 * f64::from(self.peak.max(1e-10)).log10();
        if peak < DEAD {
            let (kind, unit, limit) = (HeardKind::Dead, "dBFS", DEAD);
            // Many a mix leaves single loudspeakers of 5.1 silent, its lowest above all.
            let weight = match whole.channel {
                Some(3) => Weight::Hint,
                Some(2..) => Weight::Suspect,
                _ => whole.weight,
            };
            found.push(Heard { kind, weight, amount: peak, unit, limit, ..whole.clone() });
        }
        if let Some((runs, longest, from, to)) = self.clipped {
            let kind = HeardKind::Clipped { runs };
            let (amount, unit, limit) = (longest as f64, "samples", rules.clipped());
            found.push(Heard { kind, from, to, amount, unit, limit, ..whole.clone() });
        }
        if levels.mean.abs() > rules.offset() {
            let (kind, weight, unit) = (HeardKind::Offset, Weight::Suspect, "of full scale");
            found.push(Heard {
                kind,
                weight,
                amount: levels.mean,
                unit,
                limit: rules.offset(),
                ..whole.clone()
            });
        }
        for &(at, step) in &self.clicked {
            let (kind, weight, unit) = (HeardKind::Click, Weight::Suspect, "of full scale");
            let (amount, limit) = (step.into(), clicks::LEAST.into());
            found.push(Heard { kind, weight, from: at, to: at + 1, amount, unit, limit, ..whole.clone() });
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspect::trial::random;
    use std::f32::consts::TAU;

    const RATE: u32 = 8000;

    /// Two tones with a little noise, unlike on both sides.
    fn music(samples: usize) -> [Vec<f32>; 2] {
        [(220.0, 1), (277.0, 2)].map(|(hertz, seed)| {
            let at = |i: usize| {
                let t = i as f32 / RATE as f32;
                0.3 * (TAU * hertz * t).sin()
                    + 0.1 * (TAU * 110.0 * t).sin()
                    + 0.02 * (random(i as u64, 0, seed) - 0.5)
            };
            (0..samples).map(at).collect()
        })
    }

    fn listen(channels: &[Vec<f32>], block: usize) -> Report {
        let mut listener = Listener::new(RATE, channels.len(), Rules::default());
        let count = channels[0].len();
        for from in (0..count).step_by(block) {
            let parts: Vec<&[f32]> = channels.iter().map(|c| &c[from..(from + block).min(count)]).collect();
            listener.take(&parts);
        }
        listener.end()
    }

    fn kinds(report: &Report) -> Vec<HeardKind> {
        report.found.iter().map(|heard| heard.kind).collect()
    }

    #[test]
    fn sound_without_a_fault_gives_no_finding() {
        let report = listen(&music(80_000), 4096);
        assert_eq!(report.found, []);
        assert_eq!((report.head <= 2, report.tail <= 2, report.levels.len()), (true, true, 2));
        assert!((report.levels[0].rms - 0.2236).abs() < 0.002, "{:?}", report.levels);
    }

    #[test]
    fn silences_are_told_apart_by_where_they_lie() {
        let mut channels = music(160_000);
        for channel in &mut channels {
            channel[..20_000].fill(0.0);
            channel[60_000..84_000].fill(0.0005);
            channel[100_000..108_000].fill(0.0);
            channel[140_000..].fill(0.0);
        }
        let report = listen(&channels, 1000);
        let told: Vec<_> = report.found.iter().map(|h| (h.kind, h.from / 10, h.to / 10)).collect();
        let want = [
            (HeardKind::SilentHead, 0, 2000),
            (HeardKind::Silence, 6000, 8400),
            (HeardKind::SilentTail, 14_000, 16_000),
        ];
        assert_eq!(told, want);
        assert_eq!(report.silence.map(|(from, to)| (from / 10, to / 10)), Some((6000, 8400)));
        assert!(
            report.found[1].sentence().starts_with("From 0:07.500 to 0:10.500"),
            "{}",
            report.found[1].sentence()
        );
        assert_eq!(kinds(&listen(&[vec![0.0; 9000], vec![0.0; 9000]], 512)), [HeardKind::AllSilent]);
    }

    #[test]
    fn a_dead_channel_is_named() {
        let [left, _] = music(40_000);
        let report = listen(&[left, vec![0.0; 40_000]], 999);
        assert_eq!(kinds(&report), [HeardKind::Dead]);
        assert_eq!(report.found[0].channel, Some(1));
        assert!(report.found[0].sentence().contains("channel 2"));
    }

    #[test]
    fn clipped_runs_are_counted_and_single_peaks_are_not() {
        let mut channels = music(40_000);
        for (from, count, v) in [(1000, 5, 1.0), (9000, 3, -1.0), (20_000, 2, 1.0), (30_000, 1, -1.0)] {
            // Towards full scale and back without a jump.
            for i in 0..400 {
                let w = (i as f32 / 400.0 * TAU / 2.0).sin();
                let at = from - 200 + i;
                channels[0][at] = channels[0][at] * (1.0 - w) + 0.9 * v * w;
            }
            channels[0][from..from + count].fill(v);
        }
        let report = listen(&channels, 64);
        assert_eq!(kinds(&report), [HeardKind::Clipped { runs: 2 }]);
        let heard = &report.found[0];
        assert_eq!((heard.amount, heard.from, heard.channel), (5.0, 1000, Some(0)));
    }

    #[test]
    fn an_offset_is_measured() {
        let mut channels = music(80_000);
        channels[1].iter_mut().for_each(|v| *v += 0.0125);
        let report = listen(&channels, 4096);
        assert_eq!(kinds(&report), [HeardKind::Offset]);
        assert!((report.found[0].amount - 0.0125).abs() < 5e-4);
    }

    #[test]
    fn left_against_right_and_the_same_are_told() {
        let [left, right] = music(80_000);
        let same = listen(&[left.clone(), left.clone()], 4096);
        assert_eq!(kinds(&same), [HeardKind::Identical]);
        // Turned over from 3 s to 7 s.
        let mut turned = left.clone();
        turned.iter_mut().zip(&right).for_each(|(v, r)| *v += 0.2 * r);
        turned[24_000..56_000].iter_mut().for_each(|v| *v = -*v);
        let report = listen(&[left, turned], 4096);
        let phase: Vec<_> = report.found.iter().filter(|h| h.kind == HeardKind::OutOfPhase).collect();
        assert_eq!(phase.len(), 1, "{:?}", report.found);
        assert!(
            phase[0].from.abs_diff(24_000) <= 3200 && phase[0].to.abs_diff(56_000) <= 3200,
            "{:?}",
            phase[0]
        );
        assert!(phase[0].amount < -0.9);
    }

    #[test]
    fn a_jump_is_a_click_and_an_onset_is_not() {
        let slow = |i: usize| 0.5 * (TAU * 40.0 * i as f32 / RATE as f32).sin();
        let mut channels = [0, 1].map(|c| (0..40_000).map(|i| slow(i + 37 * c)).collect::<Vec<f32>>());
        assert_eq!(kinds(&listen(&channels, 4096)), []);
        // A bad edit: half a period is gone.
        let cut: Vec<f32> = (0..40_000).map(|i| slow(if i < 15_025 { i } else { i + 100 })).collect();
        channels[0] = cut;
        channels[1][5000] += 0.9;
        let report = listen(&channels, 777);
        let clicks = report.found.iter().filter(|h| h.kind == HeardKind::Click);
        let told: Vec<_> = clicks.map(|h| (h.kind, h.channel, h.from)).collect();
        assert_eq!(told, [(HeardKind::Click, Some(1), 5000), (HeardKind::Click, Some(0), 15_025)]);
        // Noise that sets in at once, a square wave, and a hard tone are no clicks.
        let noise = |i: usize| if i < 20_000 { 0.0 } else { random(i as u64, 0, 3) * 1.6 - 0.8 };
        let square = |i: usize| if (i / 20).is_multiple_of(2) { 0.5 } else { -0.5 };
        let hard = listen(&[(0..40_000).map(noise).collect(), (0..40_000).map(square).collect()], 4096);
        assert!(hard.found.iter().all(|h| h.kind != HeardKind::Click), "{:?}", hard.found);
    }

    #[test]
    fn blocks_change_nothing() {
        let mut channels = music(40_000);
        channels[0][10_000..20_000].fill(0.0);
        channels[1][30_000] = 1.0;
        channels[1][7000..7010].fill(1.0);
        let whole = listen(&channels, 40_000);
        for block in [1, 7, 480, 4096] {
            assert_eq!(listen(&channels, block), whole, "{block}");
        }
    }
}
