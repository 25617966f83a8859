//! One cue: a clip or a voice, from where it is heard, how loud, how long and at what place.
//!
//! Knows a cue's own time, in samples from its beginning. Does not know where in the film it stands.

use std::ops::Range;
use std::sync::Arc;

use super::blocks::Blocks;
use super::filters::{self, Filters};
use super::law::{Fade, GRID, factor, ramp};
use super::place;
use super::run::Run;
use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::problem::Problems;
use crate::media::sound::{Outline, Sound};
use crate::operators::{Kind, Reader, Setup, Spec, identity, param};

/// What a cue takes besides its place, its bus and what is heard.
pub static SPEC: Spec = Spec {
    name: "cue",
    version: 1,
    summary: "A sound placed on picture.",
    ports: &[],
    params: &[
        param(
            "gain",
            Kind::Keyed { min: -120.0, max: 40.0 },
            "dB",
            "0",
            "Level; keys count frames from the cue's beginning",
        ),
        param("from", Kind::Number { min: 0.0, max: 86_400.0 }, "s", "0", "Where in the clip it begins"),
        param(
            "for",
            Kind::Number { min: 0.0, max: 86_400.0 },
            "s",
            "",
            "How long it is heard; to the clip's end when not said",
        ),
        param("fade_in", Kind::Number { min: 0.0, max: 3600.0 }, "s", "0", "How long it fades in"),
        param("fade_out", Kind::Number { min: 0.0, max: 3600.0 }, "s", "0", "How long it fades out"),
        param(
            "fade",
            Kind::Word(&["linear", "equal-power"]),
            "",
            "equal-power",
            "How its fades and the cross-fades of a loop run: by even steps, or by a quarter of a sine",
        ),
        param(
            "pan",
            Kind::Keyed { min: -1.0, max: 1.0 },
            "",
            "0",
            "From left (-1) to right (1), by the sine and cosine law: 3 dB down in the middle",
        ),
        param(
            "back",
            Kind::Keyed { min: 0.0, max: 1.0 },
            "",
            "0",
            "From the front (0) to the surrounds (1) of 5.1",
        ),
        param(
            "speakers",
            Kind::Structure,
            "",
            "",
            "Loudspeakers that the clip's channels go to, in order, in place of `pan`: a list of L, R, C, LFE, Ls, Rs",
        ),
        param(
            "speed",
            Kind::Number { min: 0.05, max: 20.0 },
            "",
            "1",
            "How fast the clip runs; its pitch goes with it",
        ),
        param("reverse", Kind::Flag, "", "false", "Whether it runs from its end to its beginning"),
        param(
            "loop",
            Kind::Number { min: 0.0, max: 60.0 },
            "s",
            "",
            "Goes on from the clip's end at its beginning, over a cross-fade of this length; wants `for`",
        ),
        param("filters", Kind::Structure, "", "", filters::DOC),
        param("silent", Kind::Flag, "", "false", "The cue is kept but not heard"),
    ],
    source: "Levels, panning and fades: common practice, no source; speeds by band-limited interpolation (J. O. Smith, \"Digital Audio Resampling Home Page\"); channels by Rec. ITU-R BS.775-3",
};

/// A sound that is made and not read.
pub trait Voice: Send + Sync {
    /// Its length in samples.
    fn length(&self) -> i64;
    /// Its channels: 1 or 2.
    fn channels(&self) -> usize;
    /// Feeds what its samples in a range follow from.
    fn feed(&self, samples: &Range<i64>, key: &mut KeyHasher);
    /// Its samples in a range that lies within it, one plane a channel.
    fn play(&self, samples: Range<i64>) -> Vec<Vec<f32>>;
}

/// What a cue plays.
#[derive(Clone)]
pub enum Plays {
    /// A clip.
    Clip(Outline),
    /// A voice.
    Voice(Arc<dyn Voice>),
}

/// A cue, ready.
#[derive(Clone)]
pub struct Cue {
    blocks: Blocks,
    /// Channels of the film.
    film: usize,
    plays: Plays,
    run: Run,
    gain: Curve<1>,
    pan: Curve<1>,
    back: Curve<1>,
    speakers: Option<Vec<usize>>,
    fades: [i64; 2],
    fade: Fade,
    filters: Filters,
    /// Whether it is to be heard.
    pub silent: bool,
}

impl Cue {
    /// Reads a cue's settings; with it come cautions.
    ///
    /// # Errors
    /// Every problem of them.
    pub fn read(
        setup: &Setup<'_>,
        blocks: Blocks,
        film: usize,
        plays: Plays,
    ) -> Result<(Self, Problems), Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let run = match &plays {
            Plays::Clip(outline) => Run::read(&mut reader, blocks.sampling, outline),
            Plays::Voice(voice) => Run::of_voice(&mut reader, blocks.sampling, voice.length()),
        };
        let filters = Filters::read(reader.value("filters"), blocks.sampling, &mut reader.problems);
        let speakers = place::read(&mut reader, film, channels(&plays));
        place::idle(&mut reader, film, channels(&plays));
        let samples = |seconds: f64| (seconds * f64::from(blocks.sampling)).round() as i64;
        let cue = Self {
            blocks,
            film,
            run,
            gain: reader.curve("gain"),
            pan: reader.curve("pan"),
            back: reader.curve("back"),
            speakers,
            fades: [samples(reader.number("fade_in")), samples(reader.number("fade_out"))],
            fade: [Fade::Linear, Fade::EqualPower][reader.word("fade")],
            filters,
            silent: reader.flag("silent"),
            plays,
        };
        reader.done(cue)
    }

    /// Samples that are heard.
    pub fn length(&self) -> i64 {
        self.run.length
    }

    /// Feeds what its samples in a range follow from, fades and keys as far as they reach into it.
    pub fn feed(&self, samples: &Range<i64>, key: &mut KeyHasher) {
        let heard = samples.start.max(0)..samples.end.min(self.run.length);
        key.int(samples.start).int(heard.start).int(heard.end).digest(&self.steady());
        let reach = (heard.start - self.filters.settles()).max(0)..heard.end;
        // Levels and places go in straight lines over the grid, whose next point may lie beyond what is heard.
        let around = heard.start.div_euclid(GRID) * GRID..(heard.end - 1).div_euclid(GRID) * GRID + GRID;
        for (i, fade) in self.fades.iter().enumerate() {
            let (reaches, side) = match i {
                0 => (around.start < *fade, 0),
                _ => (around.end > self.run.length - fade, self.run.length),
            };
            key.flag(reaches);
            if reaches {
                key.int(*fade).int(side);
            }
        }
        let frames = [around.start, around.end].map(|sample| self.blocks.span(sample));
        for curve in [&self.gain, &self.pan, &self.back] {
            feed_within(curve, frames, key);
        }
        if let Plays::Voice(voice) = &self.plays {
            voice.feed(&reach, key);
        }
    }

    /// What no time changes.
    fn steady(&self) -> Digest {
        let mut key = KeyHasher::new();
        key.digest(&identity(&SPEC)).digest(&identity(&super::voice::SPEC));
        self.run.feed(&mut key);
        key.int(self.fade as i64).int(self.film as i64);
        key.text(&format!("{:?} {:?}", self.speakers, self.filters));
        key.finish()
    }

    /// Adds its samples in a range of its own time to those of the film, one plane a channel of the range's length. Outside
    /// of what is heard nothing is added. `clip` is the clip that it plays, if it does.
    pub fn add(&self, clip: Option<&Sound>, samples: Range<i64>, to: &mut [Vec<f32>]) {
        let heard = samples.start.max(0)..samples.end.min(self.run.length);
        if heard.is_empty() {
            return;
        }
        let lead = (heard.start - self.filters.settles()).max(0);
        let mut planes = match (&self.plays, clip) {
            (Plays::Voice(voice), _) => voice.play(lead..heard.end),
            (Plays::Clip(_), Some(clip)) => self.run.samples(clip, lead..heard.end, self.fade),
            (Plays::Clip(_), None) => return,
        };
        self.filters.run(&mut planes);
        self.faded(&mut planes, lead);
        let skip = (heard.start - lead) as usize;
        let offset = (heard.start - samples.start) as usize;
        let count = (heard.end - heard.start) as usize;
        // Gains are worked out on a grid of the cue's own time, so that they do not depend on who asks.
        let mut at = heard.start.div_euclid(GRID) * GRID;
        let mut before = self.gains(at, planes.len());
        while at < heard.end {
            let next = at + GRID;
            let after = self.gains(next, planes.len());
            let (first, last) = (at.max(heard.start), next.min(heard.end));
            for (c, plane) in planes.iter().enumerate() {
                for (k, to) in to.iter_mut().enumerate() {
                    let (a, b) = (before[c][k], after[c][k]);
                    if a == 0.0 && b == 0.0 {
                        continue;
                    }
                    for n in first..last {
                        let i = (n - heard.start) as usize;
                        to[offset + i] += plane[skip + i] * ramp(a, b, n - at);
                    }
                }
            }
            (at, before) = (next, after);
        }
        debug_assert!(offset + count <= to.first().map_or(usize::MAX, Vec::len));
    }

    /// Fades samples that begin at `first`, each by itself, so that a short fade reaches silence.
    fn faded(&self, planes: &mut [Vec<f32>], first: i64) {
        let [comes, goes] = self.fades;
        for plane in planes {
            for (v, n) in plane.iter_mut().zip(first..) {
                let left = self.run.length - n;
                if n < comes {
                    *v *= self.fade.at(n as f64 / comes as f64) as f32;
                }
                if left <= goes {
                    *v *= self.fade.at((left - 1) as f64 / goes as f64) as f32;
                }
            }
        }
    }

    /// Factors from each of its channels to each of the film's at a moment.
    fn gains(&self, at: i64, channels: usize) -> Vec<Vec<f32>> {
        let frame = self.blocks.span(at);
        let [gain] = self.gain.at(frame);
        let level = factor(gain);
        let matrix = match &self.speakers {
            Some(speakers) => speakers
                .iter()
                .map(|&speaker| (0..self.film).map(|k| f64::from(u8::from(k == speaker))).collect())
                .collect(),
            None => place::factors(channels, self.film, self.pan.at(frame)[0], self.back.at(frame)[0]),
        };
        matrix
            .into_iter()
            .map(|row: Vec<f64>| row.into_iter().map(|v| (v * level) as f32).collect())
            .collect()
    }
}

fn channels(plays: &Plays) -> usize {
    match plays {
        Plays::Clip(outline) => outline.channels,
        Plays::Voice(voice) => voice.channels(),
    }
}

/// Feeds what a curve is within a stretch of time: its keys there and the nearest on either side, or its one value.
pub(super) fn feed_within(curve: &Curve<1>, [first, last]: [f64; 2], key: &mut KeyHasher) {
    let keys = curve.keys();
    let from = keys.partition_point(|(frame, _)| *frame as f64 <= first).saturating_sub(1);
    let to = (keys.partition_point(|(frame, _)| (*frame as f64) < last) + 1).min(keys.len());
    let near = &keys[from..to];
    if near.iter().all(|(_, value)| *value == near[0].1) {
        key.flag(false).real(near[0].1[0]);
        return;
    }
    key.flag(true).int(curve.ease() as i64).list(near.len());
    for (frame, [value]) in near {
        key.int(*frame).real(*value);
    }
}
