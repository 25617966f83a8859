//! From buses to the mix: stems, their sum, what it measures, the gain that follows, and the limiter.
//!
//! Knows blocks of sound put together. What is measured block by block is kept, so that a change is measured where it is:
//! the gain is worked out anew from all of that, in tenths of a decibel, and as long as it stays the mix stays.

use std::ops::Range;

use ebur128::{EbuR128, Mode};

use super::blocks::{Blocks, joined};
use super::law::{decibels, factor};
use super::limit::Limiter;
use super::{Heard, PreparedSound, loudness, peak};
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::Problems;
use crate::media::sound::{CLIP, Sound};
use crate::operators::{Kind, OperatorError, Reader, Setup, Spec, param};

/// What the mix is to measure. Loud monitoring harms hearing: a louder target is no reason to listen louder.
pub static SPEC: Spec = Spec {
    name: "target",
    version: 1,
    summary: "What the whole mix is to measure: brought there by one gain, then limited.",
    ports: &[],
    params: &[
        param(
            "loudness",
            Kind::Number { min: -60.0, max: 0.0 },
            "LUFS",
            "-23",
            "Integrated loudness of the whole film (-23 by EBU R 128)",
        ),
        param(
            "true_peak",
            Kind::Number { min: -20.0, max: 0.0 },
            "dBTP",
            "-1",
            "Highest place of the wave (-1 by EBU R 128)",
        ),
        param(
            "most",
            Kind::Number { min: 0.0, max: 60.0 },
            "dB",
            "20",
            "Largest gain, either way, that is taken to get there",
        ),
        param(
            "ahead",
            Kind::Number { min: 0.0005, max: 0.1 },
            "s",
            "0.005",
            "How long before a peak the limiter goes down",
        ),
        param(
            "after",
            Kind::Number { min: 0.005, max: 0.8 },
            "s",
            "0.1",
            "Within which time after it the limiter comes back",
        ),
    ],
    source: "Rec. ITU-R BS.1770-4 and EBU R 128 (2020)",
};

/// Loudness of what has none, in LUFS: a file holds numbers only.
const SILENT: f32 = -200.0;
/// Decibels in files are divided by this, so that whoever plays one by mistake hears next to nothing.
const QUIET: f32 = 10_000.0;

/// The gain that `film/level` holds, in decibels.
pub fn gain(level: &Sound) -> Option<f64> {
    level.channels.first()?.first().map(|v| (f64::from(*v * QUIET) * 10.0).round() / 10.0)
}

/// Several sounds together.
pub struct Together {
    /// How the film is parted.
    pub blocks: Blocks,
    /// Channels of the film.
    pub channels: usize,
    /// How many inputs there are.
    pub inputs: usize,
}

impl PreparedSound for Together {
    fn each_reach(&self, block: i64, visit: &mut dyn FnMut(usize, FrameRange)) {
        (0..self.inputs).for_each(|input| visit(input, FrameRange::one(block)));
    }

    fn at(&self, block: i64, key: &mut KeyHasher) {
        let own = self.blocks.of(block);
        key.int(own.end - own.start).int(self.channels as i64).int(i64::from(self.blocks.sampling));
    }

    fn apply(&self, inputs: &[Heard], block: i64) -> Result<Sound, OperatorError> {
        let own = self.blocks.of(block);
        let mut out = Sound::silent(self.blocks.sampling, self.channels, (own.end - own.start) as usize);
        for heard in inputs {
            let planes = joined(&self.blocks, heard, &own, self.channels)?;
            for (to, from) in out.channels.iter_mut().zip(planes) {
                to.iter_mut().zip(from).for_each(|(to, v)| *to += v);
            }
        }
        Ok(out)
    }
}

/// What the mix is to measure, as read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    loudness: f64,
    most: f64,
    limiter: Limiter,
}

impl Target {
    /// Reads it.
    ///
    /// # Errors
    /// Every problem of it.
    pub fn read(setup: &Setup<'_>) -> Result<Self, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let target = Self {
            loudness: reader.number("loudness"),
            most: reader.number("most"),
            limiter: Limiter {
                ceiling: factor(reader.number("true_peak")),
                ahead: reader.number("ahead"),
                after: reader.number("after"),
            },
        };
        reader.done(target).map(|(target, _)| target)
    }
}

/// What each block measures: loudness of the 400 ms that end in it, every 100 ms, and its true peak.
pub struct Meter {
    /// How the film is parted.
    pub blocks: Blocks,
    /// Channels of the film.
    pub channels: usize,
}

impl Meter {
    /// A block and its neighbours: windows begin in the one before, and the wave goes on in the one after.
    fn reach(&self, block: i64) -> FrameRange {
        FrameRange::one(block).widen(1).meet(self.blocks.all())
    }

    /// The ends of windows in a block, in samples of the film.
    fn ends(&self, own: &Range<i64>) -> Vec<i64> {
        let rate = i64::from(self.blocks.sampling);
        let first = (own.start * 10).div_euclid(rate) + 1;
        (first..)
            .map(|n| n * rate / 10)
            .take_while(|end| *end <= own.end)
            .filter(|end| *end * 10 >= 4 * rate)
            .collect()
    }
}

impl PreparedSound for Meter {
    fn each_reach(&self, block: i64, visit: &mut dyn FnMut(usize, FrameRange)) {
        visit(0, self.reach(block));
    }

    fn at(&self, block: i64, key: &mut KeyHasher) {
        let own = self.blocks.of(block);
        key.int(own.start % i64::from(self.blocks.sampling)).int(own.end - own.start);
        key.flag(block == 1).int(self.channels as i64).int(i64::from(self.blocks.sampling));
    }

    fn apply(&self, inputs: &[Heard], block: i64) -> Result<Sound, OperatorError> {
        let own = self.blocks.of(block);
        let reach = self.reach(block);
        let from = self.blocks.of(reach.first).start;
        let heard = inputs.first().map_or(&[][..], Vec::as_slice);
        let planes = joined(&self.blocks, heard, &(from..self.blocks.of(reach.last).end), self.channels)?;
        let wrong = |e: ebur128::Error| OperatorError::WrongInput(e.to_string());
        let mut meter = EbuR128::new(self.channels as u32, self.blocks.sampling, Mode::M).map_err(wrong)?;
        meter.set_channel_map(&loudness::positions(self.channels)).map_err(wrong)?;
        let mut at = from;
        let mut windows = Vec::new();
        for end in self.ends(&own) {
            let part: Vec<&[f32]> =
                planes.iter().map(|plane| &plane[(at - from) as usize..(end - from) as usize]).collect();
            meter.add_frames_planar_f32(&part).map_err(wrong)?;
            at = end;
            windows.push((meter.loudness_momentary().map_err(wrong)? as f32).max(SILENT));
        }
        let tops = planes.iter().map(|plane| {
            let envelope = peak::envelope(plane);
            let own = (own.start - from) as usize..(own.end - from) as usize;
            envelope[own].iter().copied().fold(0.0, f32::max)
        });
        let mut peaks = vec![SILENT; windows.len().max(1)];
        let top = decibels(f64::from(tops.fold(0.0, f32::max))) as f32;
        peaks[0] = top.max(SILENT);
        windows.resize(peaks.len(), SILENT);
        let mut channels = vec![windows, peaks];
        channels.iter_mut().flatten().for_each(|decibels| *decibels /= QUIET);
        Ok(Sound { rate: self.blocks.sampling, channels })
    }
}

/// The gain that brings a film to its target, in decibels, in one sample.
pub struct Level {
    /// How the film is parted.
    pub blocks: Blocks,
    /// The target.
    pub target: Target,
}

impl PreparedSound for Level {
    fn each_reach(&self, _: i64, visit: &mut dyn FnMut(usize, FrameRange)) {
        visit(0, self.blocks.all());
    }

    fn at(&self, _: i64, key: &mut KeyHasher) {
        key.real(self.target.loudness).real(self.target.most);
    }

    fn apply(&self, inputs: &[Heard], _: i64) -> Result<Sound, OperatorError> {
        let blocks = inputs.first().map_or(&[][..], Vec::as_slice);
        let windows = blocks.iter().filter_map(|(_, sound)| sound.channels.first()).flatten();
        let measured = gated(windows.map(|v| f64::from(*v * QUIET)));
        let gain = measured
            .map_or(0.0, |now| (self.target.loudness - now).clamp(-self.target.most, self.target.most));
        let gain = (gain * 10.0).round() / 10.0;
        Ok(Sound { rate: self.blocks.sampling, channels: vec![vec![gain as f32 / QUIET]] })
    }
}

/// Integrated loudness of windows of 400 ms by BS.1770-4: those above -70 LUFS, then those above 10 LU below their mean.
/// Nothing when all is silence.
pub fn gated(windows: impl Iterator<Item = f64>) -> Option<f64> {
    let power = |loudness: f64| 10f64.powf(loudness / 10.0);
    let loud: Vec<f64> = windows.filter(|v| *v >= -70.0).map(power).collect();
    let mean = |all: &mut dyn Iterator<Item = f64>| {
        let (sum, count) = all.fold((0.0, 0usize), |(sum, count), v| (sum + v, count + 1));
        (count > 0).then(|| sum / count as f64)
    };
    let gate = mean(&mut loud.iter().copied())? / 10.0;
    let left = mean(&mut loud.iter().copied().filter(|v| *v >= gate))?;
    Some(10.0 * left.log10())
}

/// The mix: the sum with its gain, limited.
pub struct Mix {
    /// How the film is parted.
    pub blocks: Blocks,
    /// Channels of the film.
    pub channels: usize,
    /// What it is to measure, when something was declared; its gain comes in by the second input.
    pub target: Option<Target>,
}

impl Mix {
    fn reach(&self, block: i64) -> Range<i64> {
        let own = self.blocks.of(block);
        let [before, after] =
            self.target.map_or([0, 0], |target| target.limiter.reach(self.blocks.sampling).map(|n| n as i64));
        let film = self.blocks.film();
        (own.start - before).max(film.start)..(own.end + after).min(film.end)
    }
}

impl PreparedSound for Mix {
    fn each_reach(&self, block: i64, visit: &mut dyn FnMut(usize, FrameRange)) {
        visit(0, self.blocks.over(&self.reach(block)));
        if self.target.is_some() {
            visit(1, FrameRange::one(CLIP));
        }
    }

    fn at(&self, block: i64, key: &mut KeyHasher) {
        let (own, reach) = (self.blocks.of(block), self.reach(block));
        key.int(own.end - own.start).int(own.start - reach.start).int(reach.end - own.end);
        key.int(self.channels as i64).int(i64::from(self.blocks.sampling)).flag(self.target.is_some());
        if let Some(target) = &self.target {
            key.real(target.limiter.ceiling).real(target.limiter.ahead).real(target.limiter.after);
        }
    }

    fn apply(&self, inputs: &[Heard], block: i64) -> Result<Sound, OperatorError> {
        let (own, reach) = (self.blocks.of(block), self.reach(block));
        let heard = inputs.first().map_or(&[][..], Vec::as_slice);
        let channels = joined(&self.blocks, heard, &reach, self.channels)?;
        let mut sound = Sound { rate: self.blocks.sampling, channels };
        if let Some(target) = &self.target {
            let level = inputs.get(1).and_then(|level| level.first());
            let decibels = level.and_then(|(_, level)| gain(level));
            let gain = decibels.ok_or(OperatorError::MissingInput { input: 1, frame: CLIP })?;
            let gain = factor(gain) as f32;
            sound.channels.iter_mut().flatten().for_each(|v| *v *= gain);
            target.limiter.run(&mut sound);
        }
        let (skip, count) = ((own.start - reach.start) as usize, (own.end - own.start) as usize);
        for plane in &mut sound.channels {
            plane.truncate(skip + count);
            plane.drain(..skip);
        }
        Ok(sound)
    }
}

/// The version of how stems, sums, meters and levels are computed, which have no settings of their own.
pub static PLAIN: Spec = Spec {
    name: "sum",
    version: 1,
    summary: "Sound put together and measured.",
    ports: &[],
    params: &[],
    source: "Rec. ITU-R BS.1770-4",
};
