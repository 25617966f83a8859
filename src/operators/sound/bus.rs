//! A bus: its cues together, and what is done to them.
//!
//! Knows where its cues stand in the film, and how far back each of its effects listens. Samples come from `cue`.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};

use super::blocks::{Blocks, joined};
use super::cue::{Cue, feed_within};
use super::dynamics::{Compressor, Duck, Pace};
use super::filters::{self, Filters};
use super::law::{GRID, factor, ramp};
use super::reverb::Response;
use super::{Heard, PreparedSound};
use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems};
use crate::base::value::{Fields, Value};
use crate::media::sound::{Outline, Sound};
use crate::operators::{Kind, OperatorError, Reader, Setup, Spec, param};

/// What a bus takes. What is set is done in the order of this table, gain last.
pub static SPEC: Spec = Spec {
    name: "bus",
    version: 1,
    summary: "Cues together, and what is done to them in this order.",
    ports: &[],
    params: &[
        param("filters", Kind::Structure, "", "", filters::DOC),
        param(
            "compress",
            Kind::Structure,
            "",
            "",
            "Evens levels: a map of `threshold` in dBFS, `ratio` (1 to 100), `knee` in dB (6), `attack` and `release` in s, at most 2 (0.01, 0.2) and `makeup` in dB (0)",
        ),
        param(
            "room",
            Kind::Structure,
            "",
            "",
            "A room around it: a map of `response`, a sound file of the room's answer to an impulse, and `wet`, its level in dB (0); the sound itself stays as it is",
        ),
        param(
            "duck",
            Kind::Structure,
            "",
            "",
            "Goes down while another bus is heard: a map of `by`, that bus, `depth` in dB (9), `threshold` in dBFS (-40), `attack` and `release` in s (0.08, 0.6)",
        ),
        param("gain", Kind::Keyed { min: -120.0, max: 40.0 }, "dB", "0", "Level; keys are film frames"),
        param("silent", Kind::Flag, "", "false", "The bus is kept but not heard"),
    ],
    source: "Filters: R. Bristow-Johnson, \"Audio EQ Cookbook\" (W3C Note, 2021); compressor: D. Giannoulis et al., J. Audio Eng. Soc. 60(6), 2012; room: convolution in parts (W. G. Gardner, 1995)",
};

/// A cue on a bus.
pub struct Placed {
    /// The film's sample at which it begins.
    pub start: i64,
    /// The connected input that gives its clip; none for a voice.
    pub input: Option<usize>,
    /// The cue.
    pub cue: Cue,
}

impl Placed {
    /// The samples of the film in which it is heard.
    pub fn heard(&self) -> Range<i64> {
        self.start..self.start + self.cue.length()
    }
}

/// A room: its level, how long it answers, and the input that gives its answer.
struct Room {
    input: usize,
    wet: f64,
    length: i64,
}

/// What a bus listens to besides its cues.
pub struct Others {
    /// The connected input of the room's answer, and what its file holds.
    pub room: Option<(usize, Outline)>,
    /// The connected input of the bus that it goes down under.
    pub under: Option<usize>,
}

/// A bus, ready.
pub struct Bus {
    blocks: Blocks,
    channels: usize,
    /// By where they begin.
    cues: Vec<Placed>,
    /// Samples of the longest.
    longest: i64,
    filters: Filters,
    compressor: Option<Compressor>,
    room: Option<Room>,
    /// The room's answer as it was made ready last, by its samples.
    answer: Mutex<Option<(Digest, Arc<Vec<Response>>)>>,
    duck: Option<(usize, Duck)>,
    gain: Curve<1>,
    silent: bool,
}

impl Bus {
    /// Reads a bus's settings; its cues are those that are heard. With it come cautions.
    ///
    /// # Errors
    /// Every problem of them.
    pub fn read(
        setup: &Setup<'_>,
        blocks: Blocks,
        channels: usize,
        mut cues: Vec<Placed>,
        others: &Others,
    ) -> Result<(Self, Problems), Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let filters = Filters::read(reader.value("filters"), blocks.sampling, &mut reader.problems);
        let compressor = reader.value("compress").and_then(|value| compressor(value, &mut reader.problems));
        let room =
            reader.value("room").and_then(|value| room(value, others, blocks.sampling, &mut reader.problems));
        let duck = reader.value("duck").and_then(|value| duck(value, &mut reader.problems));
        cues.sort_by_key(|placed| placed.start);
        let longest = cues.iter().map(|placed| placed.cue.length()).max().unwrap_or(0);
        let bus = Self {
            blocks,
            channels,
            cues,
            longest,
            filters,
            compressor,
            room,
            answer: Mutex::default(),
            duck: others.under.zip(duck),
            gain: reader.curve("gain"),
            silent: reader.flag("silent"),
        };
        reader.done(bus)
    }

    /// Samples before a moment that its effects listen back.
    fn lead(&self) -> i64 {
        let rate = self.blocks.sampling;
        self.filters.settles()
            + self.compressor.map_or(0, |work| work.pace.settles(rate))
            + self.room.as_ref().map_or(0, |room| room.length)
    }

    /// The film's samples that a block is made from.
    fn reach(&self, block: i64) -> Range<i64> {
        let own = self.blocks.of(block);
        (own.start - self.lead()).max(0)..own.end
    }

    /// The other bus's samples that a block listens to.
    fn other(&self, duck: &Duck, block: i64) -> Range<i64> {
        let own = self.blocks.of(block);
        (own.start - duck.settles(self.blocks.sampling)).max(0)..own.end
    }

    /// The cues that are heard within a range.
    fn within(&self, range: &Range<i64>) -> impl Iterator<Item = &Placed> {
        let is_heard = |placed: &&Placed| {
            let heard = placed.heard();
            !placed.cue.silent && heard.start < range.end && heard.end > range.start
        };
        // Those that begin too late, or so early that the longest would be over, are not looked at.
        let before = |start: i64| self.cues.partition_point(|placed| placed.start < start);
        let (from, to) = (before(range.start - self.longest), before(range.end));
        self.cues[from..to.max(from)].iter().filter(move |placed| !self.silent && is_heard(placed))
    }

    /// A room's answer, made ready once: all blocks have the same.
    fn responses(&self, response: &Sound) -> Arc<Vec<Response>> {
        let digest = response.digest();
        let mut kept = self.answer.lock().unwrap_or_else(PoisonError::into_inner);
        match &*kept {
            Some((of, ready)) if *of == digest => Arc::clone(ready),
            _ => {
                let ready = Arc::new(responses(response, self.blocks.sampling));
                *kept = Some((digest, Arc::clone(&ready)));
                ready
            }
        }
    }

    fn is_idle(&self, block: i64) -> bool {
        self.within(&self.reach(block)).next().is_none()
    }
}

impl PreparedSound for Bus {
    fn each_reach(&self, block: i64, visit: &mut dyn FnMut(usize, FrameRange)) {
        let reach = self.reach(block);
        let clip = FrameRange::one(crate::media::sound::CLIP);
        let mut needs: BTreeMap<usize, FrameRange> =
            self.within(&reach).filter_map(|placed| Some((placed.input?, clip))).collect();
        if self.is_idle(block) {
            return;
        }
        if let Some(room) = &self.room {
            needs.insert(room.input, clip);
        }
        if let Some((input, duck)) = &self.duck {
            needs.insert(*input, self.blocks.over(&self.other(duck, block)));
        }
        needs.into_iter().for_each(|(input, blocks)| visit(input, blocks));
    }

    fn at(&self, block: i64, key: &mut KeyHasher) {
        let own = self.blocks.of(block);
        key.int(own.end - own.start).int(self.channels as i64).int(i64::from(self.blocks.sampling));
        if self.is_idle(block) {
            return;
        }
        let reach = self.reach(block);
        key.int(own.start - reach.start);
        // Clips by their rank among those that this block hears, so that a clip that others play changes nothing here.
        let mut heard: Vec<usize> = self.within(&reach).filter_map(|placed| placed.input).collect();
        heard.sort_unstable();
        heard.dedup();
        for placed in self.within(&reach) {
            let rank = placed.input.and_then(|input| heard.iter().position(|of| *of == input));
            key.int(rank.map_or(-1, |rank| rank as i64));
            placed.cue.feed(&(reach.start - placed.start..reach.end - placed.start), key);
        }
        let others =
            (&self.filters, &self.compressor, self.room.as_ref().map(|room| (room.wet, room.length)));
        key.text(&format!("{others:?} {:?}", self.duck.as_ref().map(|(_, duck)| duck)));
        if let Some((_, duck)) = &self.duck {
            key.int(own.start - self.other(duck, block).start);
        }
        // Levels go in straight lines over a grid that begins with the block.
        let end = own.start + (own.end - own.start + GRID - 1) / GRID * GRID;
        feed_within(&self.gain, [own.start, end].map(|sample| self.blocks.time(sample)), key);
    }

    fn apply(&self, inputs: &[Heard], block: i64) -> Result<Sound, OperatorError> {
        let own = self.blocks.of(block);
        let count = (own.end - own.start) as usize;
        let rate = self.blocks.sampling;
        if self.is_idle(block) {
            return Ok(Sound::silent(rate, self.channels, count));
        }
        let reach = self.reach(block);
        let mut out = vec![vec![0f32; (reach.end - reach.start) as usize]; self.channels];
        for placed in self.within(&reach) {
            let clip = placed.input.map(|input| one(inputs, input)).transpose()?;
            placed.cue.add(clip, reach.start - placed.start..reach.end - placed.start, &mut out);
        }
        self.filters.run(&mut out);
        if let Some(compressor) = &self.compressor {
            compressor.run(&mut out, rate);
        }
        if let Some(room) = &self.room {
            answered(&mut out, &self.responses(one(inputs, room.input)?), room.wet);
        }
        let lead = (own.start - reach.start) as usize;
        out.iter_mut().for_each(|plane| drop(plane.drain(..lead)));
        if let Some((input, duck)) = &self.duck {
            let range = self.other(duck, block);
            let other =
                joined(&self.blocks, inputs.get(*input).map_or(&[], Vec::as_slice), &range, self.channels)?;
            let gains = duck.gains(&other, rate);
            let skip = (own.start - range.start) as usize;
            for plane in &mut out {
                plane.iter_mut().zip(&gains[skip..]).for_each(|(v, gain)| *v *= gain);
            }
        }
        levelled(&mut out, &self.gain, &self.blocks, own.start);
        Ok(Sound { rate, channels: out })
    }
}

/// The only frame of an input.
fn one(inputs: &[Heard], input: usize) -> Result<&Sound, OperatorError> {
    let list = inputs.get(input).and_then(|list| list.first());
    list.map(|(_, sound)| &**sound)
        .ok_or(OperatorError::MissingInput { input, frame: crate::media::sound::CLIP })
}

/// Applies a keyed level to samples that begin at `start` of the film.
fn levelled(planes: &mut [Vec<f32>], gain: &Curve<1>, blocks: &Blocks, start: i64) {
    let level = |sample: i64| factor(gain.at(blocks.time(sample))[0]) as f32;
    if gain.is_steady() {
        let level = level(start);
        if level != 1.0 {
            planes.iter_mut().flatten().for_each(|v| *v *= level);
        }
        return;
    }
    for plane in planes {
        for (part, i) in plane.chunks_mut(GRID as usize).zip(0..) {
            let (a, b) = (level(start + i * GRID), level(start + (i + 1) * GRID));
            part.iter_mut().zip(0..).for_each(|(v, n)| *v *= ramp(a, b, n));
        }
    }
}

/// A room's answer at the film's rate, a response a channel.
fn responses(response: &Sound, rate: u32) -> Vec<Response> {
    let step = f64::from(response.rate) / f64::from(rate);
    let of = |plane: &Vec<f32>| {
        // Fewer samples for the same answer are each as much louder.
        let count = (plane.len() as f64 / step).round() as usize;
        let mut taken = super::resample::taken(plane, 0.0, step, count);
        taken.iter_mut().for_each(|v| *v *= step as f32);
        Response::new(&taken)
    };
    response.channels.iter().map(of).collect()
}

/// Adds a room's answer: each channel by the response's of the same side, or by its only one.
fn answered(planes: &mut [Vec<f32>], answers: &[Response], wet: f64) {
    let level = factor(wet) as f32;
    let count = planes.len();
    for (c, plane) in planes.iter_mut().enumerate() {
        // In 5.1, a stereo answer is that of each side, and nothing answers what is only felt.
        let at = match (count, answers.len()) {
            (6, _) if c == 3 => continue,
            (6, 2) => c % 2,
            (_, 1) => 0,
            _ => c,
        };
        let Some(answer) = answers.get(at).or(answers.first()) else { return };
        let wet = answer.answer(plane);
        plane.iter_mut().zip(wet).for_each(|(v, wet)| *v += level * wet);
    }
}

/// Reads numbers of a map within limits, each with what it is when not written.
struct Numbers<'v> {
    fields: Fields<'v>,
}

impl<'v> Numbers<'v> {
    fn of(value: &'v Value, what: &str, problems: &mut Problems) -> Option<Self> {
        Some(Self { fields: Fields::of(value, what).map_err(|problem| problems.push(problem)).ok()? })
    }

    fn number(&mut self, name: &'static str, default: Option<f64>, min: f64, max: f64) -> f64 {
        if default.is_none() {
            self.fields.need(name);
        }
        self.fields.within(name, min..=max, "").or(default).unwrap_or(min)
    }

    fn pace(&mut self, attack: f64, release: f64) -> Pace {
        Pace {
            attack: self.number("attack", Some(attack), 0.0001, 2.0),
            release: self.number("release", Some(release), 0.001, 2.0),
        }
    }
}

fn compressor(value: &Value, problems: &mut Problems) -> Option<Compressor> {
    let mut numbers = Numbers::of(value, "a compressor", problems)?;
    let work = Compressor {
        threshold: numbers.number("threshold", None, -100.0, 0.0),
        ratio: numbers.number("ratio", None, 1.0, 100.0),
        knee: numbers.number("knee", Some(6.0), 0.0, 60.0),
        pace: numbers.pace(0.01, 0.2),
        makeup: numbers.number("makeup", Some(0.0), -40.0, 40.0),
    };
    problems.extend(numbers.fields.finish());
    Some(work)
}

fn duck(value: &Value, problems: &mut Problems) -> Option<Duck> {
    let mut numbers = Numbers::of(value, "what a bus goes down under", problems)?;
    numbers.fields.need("by");
    let work = Duck {
        depth: numbers.number("depth", Some(9.0), 0.0, 120.0),
        threshold: numbers.number("threshold", Some(-40.0), -100.0, 0.0),
        pace: numbers.pace(0.08, 0.6),
    };
    problems.extend(numbers.fields.finish());
    Some(work)
}

fn room(value: &Value, others: &Others, rate: u32, problems: &mut Problems) -> Option<Room> {
    let mut numbers = Numbers::of(value, "a room", problems)?;
    numbers.fields.need("response");
    let wet = numbers.number("wet", Some(0.0), -120.0, 40.0);
    problems.extend(numbers.fields.finish());
    let (input, outline) = others.room.as_ref()?;
    let seconds = outline.samples.unwrap_or(0) as f64 / f64::from(outline.rate);
    if seconds > 20.0 {
        let message = format!("a room's answer of {seconds:.0} s is too long");
        problems.push(Problem::error(value.span, message).help("at most 20 s"));
    }
    Some(Room { input: *input, wet, length: (seconds * f64::from(rate)).ceil() as i64 })
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::base::problem::{SourceId, Span};
    use crate::base::rate::Rate;
    use crate::base::value::Map;
    use crate::base::yaml;
    use crate::media::sound::{CLIP, SoundFormat};
    use crate::operators::WorkingSpace;
    use crate::operators::sound::cue::Plays;

    const BLOCKS: Blocks = Blocks { rate: Rate::new(24, 1), sampling: 48_000, frames: 120 };

    fn with<T>(text: &str, work: impl FnOnce(&Setup<'_>) -> T) -> T {
        let (value, _) = yaml::parse(SourceId(0), text);
        let map = value.and_then(|value| value.map().cloned()).unwrap_or_else(Map::default);
        let files = BTreeMap::new();
        work(&Setup {
            settings: &map,
            span: Span::new(SourceId(0), 0, 0),
            files: &files,
            frames: BLOCKS.all(),
            frame_size: (32, 18),
            rate: 24.0,
            working_space: WorkingSpace::default(),
            inputs: &[],
            cut: &[],
        })
    }

    /// A tone that swells and falls.
    fn tone(seconds: usize) -> Sound {
        let turn = std::f64::consts::TAU * 220.0 / 48_000.0;
        let at = |i: usize| 0.3 + 0.25 * (i as f64 * 1e-4).sin();
        let samples = (0..48_000 * seconds).map(|i| (at(i) * (turn * i as f64).sin()) as f32).collect();
        Sound { rate: 48_000, channels: vec![samples] }
    }

    fn outline(sound: &Sound) -> Outline {
        Outline {
            format: SoundFormat::Wave,
            rate: sound.rate,
            channels: sound.channels.len(),
            samples: Some(sound.len() as u64),
            since_midnight: None,
            is_late: false,
        }
    }

    /// All blocks of a bus that plays a tone from sample 5000 on, one after the other; `room` is its room's answer.
    fn heard(settings: &str, cue: &str, clip: &Sound, room: Option<&Sound>) -> Vec<Vec<f32>> {
        let cue =
            with(cue, |setup| Cue::read(setup, BLOCKS, 2, Plays::Clip(outline(clip)))).expect("a cue").0;
        let others = Others { room: room.map(|room| (1, outline(room))), under: None };
        let placed = vec![Placed { start: 5000, input: Some(0), cue }];
        let bus = with(settings, |setup| Bus::read(setup, BLOCKS, 2, placed, &others)).expect("a bus").0;
        let given = [Some(clip), room].map(|sound| sound.map(|sound| Arc::new(sound.clone())));
        let mut whole = vec![Vec::new(); 2];
        for block in BLOCKS.all().iter() {
            let mut inputs: Vec<Heard> = vec![Vec::new(); 2];
            bus.each_reach(block, &mut |input, _| {
                inputs[input].extend(given[input].iter().map(|sound| (CLIP, Arc::clone(sound))));
            });
            let part = bus.apply(&inputs, block).expect("a block");
            whole.iter_mut().zip(part.channels).for_each(|(to, from)| to.extend(from));
        }
        whole
    }

    #[test]
    fn blocks_are_those_of_the_whole_without_a_seam() {
        let clip = tone(4);
        let dry = heard("{}", "{}", &clip, None);
        assert_eq!(dry[0].len(), 240_000);
        assert!((dry[0][5000 + 777] - clip.channels[0][777] * 0.5f32.sqrt()).abs() < 1e-6);
        let close = |a: &[Vec<f32>], b: &[Vec<f32>], within: f32| {
            let off = a.iter().flatten().zip(b.iter().flatten()).map(|(a, b)| (a - b).abs());
            let most = off.fold(0f32, f32::max);
            assert!(most < within, "{most}");
        };
        let list = "[ { high-pass: 60 }, { bell: 300, gain: 6, q: 3 }, { high-shelf: 2000, gain: -4 } ]";
        let filtered = heard(&format!("{{ filters: {list} }}"), "{}", &clip, None);
        let mut whole = dry.clone();
        let (value, _) = yaml::parse(SourceId(0), list);
        Filters::read(value.as_ref(), 48_000, &mut Problems::new()).run(&mut whole);
        close(&filtered, &whole, 2e-5);
        let compressed =
            heard("{ compress: { threshold: -20, ratio: 4, release: 0.3, makeup: 3 } }", "{}", &clip, None);
        let mut whole = dry.clone();
        let pace = Pace { attack: 0.01, release: 0.3 };
        Compressor { threshold: -20.0, ratio: 4.0, knee: 6.0, pace, makeup: 3.0 }.run(&mut whole, 48_000);
        close(&compressed, &whole, 2e-4);
        let mut answer = Sound::silent(48_000, 1, 60_000);
        for (at, level) in [(1000, 0.5), (30_000, -0.25), (59_999, 0.125)] {
            answer.channels[0][at] = level;
        }
        let wet = heard("{ room: { response: a.wav, wet: -6 } }", "{}", &clip, Some(&answer));
        let mut whole = dry.clone();
        for (whole, dry) in whole.iter_mut().zip(&dry) {
            for (at, level) in [(1000, 0.5), (30_000, -0.25), (59_999, 0.125)] {
                let factor = factor(-6.0) as f32 * level;
                (at..whole.len()).for_each(|i| whole[i] += dry[i - at] * factor);
            }
        }
        close(&wet, &whole, 1e-5);
    }

    #[test]
    fn a_loop_goes_on_without_a_hole_and_a_reverse_ends_at_its_beginning() {
        let noise = |seed: u32| {
            let mut state = seed;
            let samples = (0..24_000).map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / (1 << 24) as f32 - 0.5
            });
            Sound { rate: 48_000, channels: vec![samples.collect()] }
        };
        let clip = noise(7);
        let power = |part: &[f32]| part.iter().map(|v| v * v).sum::<f32>() / part.len() as f32;
        let looped = heard("{}", "{ loop: 0.1, for: 3 }", &clip, None);
        let usual = power(&looped[0][6_000..20_000]);
        for first in (6_000..140_000).step_by(2_400) {
            let now = power(&looped[0][first..first + 2_400]);
            assert!((0.75..1.3).contains(&(now / usual)), "{first}: {now} {usual}");
        }
        assert!(looped[0][149_000..].iter().all(|v| *v == 0.0), "it ends after three seconds");
        let reversed = heard("{}", "{ reverse: true }", &clip, None);
        let expected = clip.channels[0].iter().rev().map(|v| v * 0.5f32.sqrt());
        for (i, v) in expected.enumerate() {
            assert!((reversed[0][5000 + i] - v).abs() < 1e-6, "{i}");
        }
    }
}
