//! Film frames and samples: how a film's sound is parted into blocks of about a second, each of whole frames.
//!
//! Knows rates. A block has as many frames as timecode counts in a second, so that at 29.97 and 48 kHz it has 48,048 samples;
//! a frame's first sample is the one nearest to its time, which gives frames of 1602, 1601, 1602, 1601 and 1602 samples.

use std::ops::Range;
use std::sync::Arc;

use crate::base::frames::FrameRange;
use crate::base::rate::Rate;
use crate::media::sound::Sound;
use crate::operators::OperatorError;

/// How a film's sound is parted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Blocks {
    /// Frames a second.
    pub rate: Rate,
    /// Samples a second.
    pub sampling: u32,
    /// Frames of the film, which are counted from 1.
    pub frames: i64,
}

impl Blocks {
    /// Frames of a block; the last one may have fewer.
    fn each(&self) -> i64 {
        i64::from(self.rate.nominal())
    }

    /// All blocks, counted from 1.
    pub fn all(&self) -> FrameRange {
        FrameRange::new(1, (self.frames + self.each() - 1).div_euclid(self.each()))
    }

    /// The first sample of a film frame.
    pub fn sample(&self, frame: i64) -> i64 {
        let time = i128::from(frame - 1) * i128::from(self.sampling) * i128::from(self.rate.seconds);
        let frames = i128::from(self.rate.frames);
        (2 * time + frames).div_euclid(2 * frames) as i64
    }

    /// The sample at a time in film frames, fractions allowed.
    pub fn place(&self, time: f64) -> i64 {
        if time.fract() == 0.0 {
            return self.sample(time as i64);
        }
        let seconds = (time - 1.0) * f64::from(self.rate.seconds) / f64::from(self.rate.frames);
        (seconds * f64::from(self.sampling) + 0.5).floor() as i64
    }

    /// The time of a sample in film frames.
    pub fn time(&self, sample: i64) -> f64 {
        1.0 + self.span(sample)
    }

    /// So many samples in frames.
    pub fn span(&self, samples: i64) -> f64 {
        samples as f64 * f64::from(self.rate.frames)
            / (f64::from(self.sampling) * f64::from(self.rate.seconds))
    }

    /// The film frames of a block.
    pub fn frames_of(&self, block: i64) -> FrameRange {
        let first = (block - 1) * self.each() + 1;
        FrameRange::new(first, (block * self.each()).min(self.frames))
    }

    /// The blocks that hold any of these film frames.
    pub fn holding(&self, frames: FrameRange) -> FrameRange {
        let within = frames.meet(FrameRange::new(1, self.frames));
        if within.is_empty() {
            return FrameRange::none();
        }
        let block = |frame: i64| (frame - 1).div_euclid(self.each()) + 1;
        FrameRange::new(block(within.first), block(within.last))
    }

    /// The samples of a block.
    pub fn of(&self, block: i64) -> Range<i64> {
        let frames = self.frames_of(block);
        self.sample(frames.first)..self.sample(frames.last + 1)
    }

    /// The samples of the film.
    pub fn film(&self) -> Range<i64> {
        0..self.sample(self.frames + 1)
    }

    /// The blocks that hold any of these samples.
    pub fn over(&self, samples: &Range<i64>) -> FrameRange {
        if samples.is_empty() {
            return FrameRange::none();
        }
        let block = |sample: i64| {
            // By the frame rate the guess is off by one at most, where a sample is rounded over a border.
            let mut block = ((self.span(sample)) / self.each() as f64).floor() as i64 + 1;
            while self.of(block).start > sample {
                block -= 1;
            }
            while self.sample(block * self.each() + 1) <= sample {
                block += 1;
            }
            block
        };
        FrameRange::new(block(samples.start), block(samples.end - 1)).meet(self.all())
    }
}

/// The film's samples in a range, from the blocks of one input that hold them.
pub(super) fn joined(
    blocks: &Blocks,
    heard: &[(i64, Arc<Sound>)],
    range: &Range<i64>,
    channels: usize,
) -> Result<Vec<Vec<f32>>, OperatorError> {
    let mut out = vec![vec![0f32; (range.end - range.start).max(0) as usize]; channels];
    for (block, sound) in heard {
        let own = blocks.of(*block);
        if sound.channels.len() != channels || sound.len() as i64 != own.end - own.start {
            let message =
                format!("block {block} of an input has {} channels of {}", sound.channels.len(), sound.len());
            return Err(OperatorError::WrongInput(message));
        }
        let (from, to) = (range.start.max(own.start), range.end.min(own.end));
        if from >= to {
            continue;
        }
        let (at, into) = ((from - range.start) as usize, (from - own.start) as usize);
        let count = (to - from) as usize;
        for (out, plane) in out.iter_mut().zip(&sound.channels) {
            out[at..at + count].copy_from_slice(&plane[into..into + count]);
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blocks(rate: Rate, frames: i64) -> Blocks {
        Blocks { rate, sampling: 48_000, frames }
    }

    #[test]
    fn frames_of_29_97_have_the_pattern_of_five() {
        // Catalogue N, audio_per_frame: 1601.6; 8008 in 5 frames, and SMPTE ST 272's sequence 1602 1601 1602 1601 1602.
        let of = blocks(Rate::new(30_000, 1001), 100);
        let counts: Vec<i64> = (1..=10).map(|n| of.sample(n + 1) - of.sample(n)).collect();
        assert_eq!(counts, [1602, 1601, 1602, 1601, 1602, 1602, 1601, 1602, 1601, 1602]);
        assert_eq!(of.of(1), 0..48_048);
        for (rate, samples) in [
            (Rate::new(24, 1), 2000),
            (Rate::new(25, 1), 1920),
            (Rate::new(24_000, 1001), 2002),
            (Rate::new(30, 1), 1600),
        ] {
            let of = blocks(rate, 1000);
            assert!((1..1000).all(|n| of.sample(n + 1) - of.sample(n) == samples), "{rate}");
        }
        let of = blocks(Rate::new(60_000, 1001), 100);
        assert_eq!(of.sample(6), 4004);
    }

    #[test]
    fn blocks_follow_one_another_and_know_their_samples() {
        for rate in [Rate::new(24, 1), Rate::new(30_000, 1001), Rate::new(60_000, 1001), Rate::new(15, 2)] {
            let of = blocks(rate, 1003);
            let mut at = 0;
            for block in of.all().iter() {
                let samples = of.of(block);
                assert_eq!(samples.start, at, "{rate}");
                at = samples.end;
                for sample in [samples.start, samples.start + 7, samples.end - 1] {
                    assert_eq!(of.over(&(sample..sample + 1)), FrameRange::one(block), "{rate} {sample}");
                }
            }
            assert_eq!(at, of.film().end);
            assert_eq!(of.over(&(0..at)), of.all());
            assert_eq!(of.over(&(-10..1)), FrameRange::one(1));
        }
    }

    #[test]
    fn a_time_between_frames_has_its_sample() {
        let of = blocks(Rate::new(24, 1), 100);
        assert_eq!((of.place(1.0), of.place(1.5), of.place(13.25)), (0, 1000, 24_500));
        assert!((of.time(24_500) - 13.25).abs() < 1e-12);
    }
}
