//! How a clip runs: from where, how fast, which way, and how often.
//!
//! Knows a clip's samples at a cue's own time. Does not know levels.

use std::ops::Range;

use super::law::Fade;
use super::resample;
use crate::base::digest::KeyHasher;
use crate::media::sound::{Outline, Sound};
use crate::operators::Reader;

/// A clip as it runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Run {
    /// Samples of the film that are heard.
    pub length: i64,
    /// Samples of the film from one repetition's beginning to the next's; the whole length of what does not repeat.
    pub period: i64,
    /// Samples of the film that two repetitions share.
    pub cross: i64,
    /// Clip samples at which it begins and ends.
    pub part: [f64; 2],
    /// Clip samples for each of the film's.
    pub step: f64,
    /// Whether it runs from its end to its beginning.
    pub reverse: bool,
}

impl Run {
    /// Reads how a clip runs in a film of so many samples a second.
    pub fn read(reader: &mut Reader<'_>, sampling: u32, clip: &Outline) -> Self {
        let (rate, clip_rate) = (f64::from(sampling), f64::from(clip.rate));
        let whole = clip.samples.unwrap_or(0) as f64;
        let samples = |seconds: f64| (seconds * rate).round() as i64;
        let (speed, reverse, from) = (reader.number("speed"), reader.flag("reverse"), reader.number("from"));
        let asked = reader.value("for").map(|_| samples(reader.number("for")));
        let cross = reader.value("loop").map(|_| samples(reader.number("loop")));
        let step = speed * clip_rate / rate;
        // Where samples are taken as they are, it begins with one.
        let first = if step == 1.0 { (from * clip_rate).round() } else { from * clip_rate };
        if first >= whole && whole > 0.0 {
            let message = format!("it begins {from} s into a clip of {:.3} s", whole / clip_rate);
            reader.wrong("from", message, "begin earlier");
        }
        let there = ((whole - first).max(0.0) / step).round() as i64;
        let Some(cross) = cross else {
            if let Some(over) = asked.map(|asked| asked - there).filter(|over| *over > 0) {
                let message = format!("the clip ends {:.3} s earlier", over as f64 / rate);
                reader.caution("for", message, "make it shorter, or let it go on with `loop`");
            }
            let length = asked.unwrap_or(there).min(there);
            let part = [first, first + length as f64 * step];
            return Self { length, period: length.max(1), cross: 0, part, step, reverse };
        };
        if 2 * cross >= there {
            let message = "the cross-fade is longer than half of what is repeated".to_string();
            reader.wrong("loop", message, "make `loop` shorter, or take more of the clip");
        }
        if asked.is_none() {
            reader.wrong("loop", "it loops and does not say for how long".into(), "for: seconds");
        }
        let length = asked.unwrap_or(there);
        Self { length, period: (there - cross).max(1), cross, part: [first, whole], step, reverse }
    }

    /// Reads how much of a voice is heard, whose samples are made for the film.
    pub fn of_voice(reader: &mut Reader<'_>, sampling: u32, whole: i64) -> Self {
        for name in ["speed", "reverse", "loop", "from"] {
            reader.wrong(
                name,
                format!("a voice has no '{name}'"),
                "it is of clips; a voice has settings of its own",
            );
        }
        let asked = reader.value("for").map(|_| (reader.number("for") * f64::from(sampling)).round() as i64);
        let length = asked.unwrap_or(whole).min(whole);
        Self {
            length,
            period: length.max(1),
            cross: 0,
            part: [0.0, length as f64],
            step: 1.0,
            reverse: false,
        }
    }

    /// Feeds what no time changes. The end plays a part only where something begins from it.
    pub fn feed(&self, key: &mut KeyHasher) {
        let is_looped = self.length > self.period;
        key.real(self.part[0]).real(self.step).flag(self.reverse).flag(is_looped);
        if is_looped || self.reverse {
            key.int(self.period).int(self.cross).real(self.part[1]);
        }
    }

    /// Samples of a clip in a range of the cue's time, repetitions laid over one another.
    pub fn samples(&self, clip: &Sound, samples: Range<i64>, fade: Fade) -> Vec<Vec<f32>> {
        let count = (samples.end - samples.start) as usize;
        if self.length <= self.period {
            return clip.channels.iter().map(|plane| self.taken(plane, samples.start, count)).collect();
        }
        let whole = self.period + self.cross;
        let mut out = vec![vec![0f32; count]; clip.channels.len()];
        let first = (samples.start - whole).div_euclid(self.period).max(0);
        for turn in first..=samples.end.div_euclid(self.period) {
            let begins = turn * self.period;
            let (from, to) = (samples.start.max(begins), samples.end.min(begins + whole));
            if from >= to {
                continue;
            }
            let weight = |n: i64| {
                let (into, left) = (n - begins, begins + whole - n);
                let at = |n: i64| fade.at(n as f64 / self.cross.max(1) as f64);
                let comes = if turn > 0 && into < self.cross { at(into) } else { 1.0 };
                let goes = if left < self.cross { at(left) } else { 1.0 };
                (comes * goes) as f32
            };
            for (plane, out) in clip.channels.iter().zip(&mut out) {
                let part = self.taken(plane, from - begins, (to - from) as usize);
                for (n, v) in (from..to).zip(part) {
                    out[(n - samples.start) as usize] += v * weight(n);
                }
            }
        }
        out
    }

    fn taken(&self, plane: &[f32], from: i64, count: usize) -> Vec<f32> {
        match self.reverse {
            false => resample::taken(plane, self.part[0] + from as f64 * self.step, self.step, count),
            true => {
                let last = self.part[1] - self.step;
                resample::taken(plane, last - from as f64 * self.step, -self.step, count)
            }
        }
    }
}
