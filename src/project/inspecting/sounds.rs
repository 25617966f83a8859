//! The film's sound listened to: what it measures, and what is wrong with it.
//!
//! Knows what of a mix, a stem and a bus is worth telling, and what the mix is to measure. Does not know the cut. A sound is
//! held whole while it is measured, one after the other.

use std::ops::Range;

use crate::base::frames::FrameRange;
use crate::declare::sound::Settings;
use crate::inspect::finding::Weight;
use crate::inspect::rules::Rules;
use crate::inspect::sound::{Heard, HeardKind, Listener};
use crate::media::sound::Sound;
use crate::operators::sound::blocks::Blocks;
use crate::operators::sound::loudness::{self, Loudness};
use crate::operators::sound::master;
use crate::project::frames::{Frames, Lack, Lacking};

/// The words of what a mix can miss of its target.
pub const LOUDNESS: &str = "loudness";
/// See [`LOUDNESS`].
pub const TRUE_PEAK: &str = "true-peak";

/// What is listened to.
#[derive(Clone, Copy, Debug)]
pub struct Part<'a> {
    /// What the whole is to measure; of the mix alone.
    pub target: Option<&'a Settings>,
    /// True of the mix, whose silence counts: a stem is silent for long, as a rule.
    pub is_mix: bool,
    /// True of what holds the dialogue.
    pub is_dialogue: bool,
}

/// What the mix is to measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// Integrated loudness, in LUFS.
    pub loudness: f64,
    /// True peak, in dBTP.
    pub true_peak: f64,
}

/// What a sound measures.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// `film/NAME`.
    pub stage: String,
    /// True of what holds the dialogue.
    pub is_dialogue: bool,
    /// Its length.
    pub seconds: f64,
    /// Loudness and peaks.
    pub loudness: Loudness,
    /// What it is to measure.
    pub target: Option<Target>,
}

/// Something that was heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// Its word.
    pub kind: &'static str,
    /// How serious.
    pub weight: Weight,
    /// What a person is told.
    pub says: String,
    /// The number that speaks for it, its limit and their unit.
    pub amount: (f64, f64, &'static str),
    /// The samples, when it is not about the whole.
    pub samples: Option<Range<i64>>,
}

/// Everything about one sound.
#[derive(Default)]
pub struct Listened {
    /// What it measures, when all of it is there.
    pub reading: Option<Reading>,
    /// What is wrong with it.
    pub told: Vec<Told>,
    /// Blocks that are not there.
    pub lacking: Vec<(FrameRange, Lack)>,
    /// Its samples.
    pub length: i64,
}

/// Listens to these blocks of a stage. `tick` is called after each is read.
pub fn listen(
    frames: &Frames<'_>,
    blocks: &Blocks,
    run: FrameRange,
    part: Part<'_>,
    rules: &Rules,
    tick: &(dyn Fn() + Sync),
) -> Listened {
    let mut listened = Listened { lacking: frames.lacking_runs(run.iter()), ..Listened::default() };
    let mut whole: Option<Sound> = None;
    for block in run.iter().filter(|_| listened.lacking.is_empty()) {
        let read = frames.sound(block);
        tick();
        match (read, &mut whole) {
            (Ok(sound), Some(whole)) => {
                let planes = whole.channels.iter_mut().zip(&sound.channels);
                planes.for_each(|(to, from)| to.extend_from_slice(from));
            }
            (Ok(sound), none) => *none = Some((*sound).clone()),
            (Err(Lacking(why)), _) => {
                let of_block = why.into_iter().map(|lack| (FrameRange::one(block), lack));
                listened.lacking.extend(of_block);
                break;
            }
        }
    }
    let Some(whole) = whole.filter(|_| listened.lacking.is_empty()) else { return listened };
    let loudness = loudness::measure(&whole);
    let target = part.target.map(Target::of);
    listened.told = heard(&whole, blocks.of(run.first).start, part, rules);
    listened.told.extend(target.into_iter().flat_map(|target| missed(target, &loudness, rules)));
    listened.length = whole.len() as i64;
    listened.reading = Some(Reading {
        stage: frames.name(),
        is_dialogue: part.is_dialogue,
        seconds: whole.len() as f64 / f64::from(whole.rate),
        loudness,
        target,
    });
    listened
}

/// What the samples show by themselves, the first of them being the film's sample `start`.
fn heard(sound: &Sound, start: i64, part: Part<'_>, rules: &Rules) -> Vec<Told> {
    let mut listener = Listener::new(sound.rate, sound.channels.len(), rules.clone());
    let planes: Vec<&[f32]> = sound.channels.iter().map(Vec::as_slice).collect();
    listener.take(&planes);
    let all = listener.end().found;
    let told = all.into_iter().filter_map(|heard| {
        let weight = weight(&heard, part.is_mix)?;
        let is_whole = heard.from == 0 && heard.to == sound.len() as u64;
        let at = |sample: u64| sample as i64 + start;
        let samples = (!is_whole).then(|| at(heard.from)..at(heard.to));
        // Times are told from the film's beginning on.
        let by = start.max(0) as u64;
        let moved = Heard { from: heard.from + by, to: heard.to + by, ..heard.clone() };
        let amount = (heard.amount, heard.limit, heard.unit);
        Some(Told { kind: heard.kind.word(), weight, says: moved.sentence(), amount, samples })
    });
    told.collect()
}

/// How serious it is, here; nothing when it is no matter.
fn weight(heard: &Heard, is_mix: bool) -> Option<Weight> {
    use HeardKind::{AllSilent, Dead, Identical, Silence, SilentHead, SilentTail};
    match heard.kind {
        Silence | SilentHead | SilentTail | Identical if !is_mix => None,
        // A stem that nothing plays yet is no fault of the film.
        AllSilent | Dead if !is_mix => Some(Weight::Hint),
        // Many films leave the centre, the low frequencies or the surrounds empty.
        Dead if heard.channel.is_some_and(|channel| channel > 1) => Some(Weight::Hint),
        _ => Some(heard.weight),
    }
}

impl Target {
    /// As declared, or as the table of its settings has it. The declaration was checked before.
    pub fn of(settings: &Settings) -> Self {
        let number = |name: &str| {
            let written = settings.map.get(name).and_then(|value| value.number().ok());
            let usual = || master::SPEC.params.iter().find(|param| param.name == name)?.default.parse().ok();
            written.or_else(usual).unwrap_or(0.0)
        };
        Self { loudness: number("loudness"), true_peak: number("true_peak") }
    }
}

/// What of its target the mix does not meet.
fn missed(target: Target, found: &Loudness, rules: &Rules) -> Vec<Told> {
    let mut told = Vec::new();
    let off = found.integrated - target.loudness;
    if found.integrated.is_finite() && off.abs() > rules.loudness_off() {
        let (way, help) = match off > 0.0 {
            true => ("louder", "Lower its buses, or give the target a larger `most`"),
            false => ("softer", "Raise its buses, or give the target a larger `most`"),
        };
        let says = format!(
            "The mix measures {:.1} LUFS, {:.1} LU {way} than its target of {:.1} ({:.1} LU are allowed). {help}.",
            found.integrated,
            off.abs(),
            target.loudness,
            rules.loudness_off()
        );
        let amount = (found.integrated, target.loudness, "LUFS");
        told.push(Told { kind: LOUDNESS, weight: Weight::Fault, says, amount, samples: None });
    }
    if found.true_peak - target.true_peak > rules.peak_over() {
        let says = format!(
            "The true peak of the mix is {:.1} dBTP, above its target of {:.1}: it may distort where it is coded or converted.",
            found.true_peak, target.true_peak
        );
        let amount = (found.true_peak, target.true_peak, "dBTP");
        told.push(Told { kind: TRUE_PEAK, weight: Weight::Fault, says, amount, samples: None });
    }
    told
}

/// That the sound is longer or shorter than the picture, when it is.
pub fn length(samples: i64, blocks: &Blocks, pictures: i64) -> Option<Told> {
    let picture = blocks.sample(pictures + 1);
    let off = samples - picture;
    if off == 0 {
        return None;
    }
    let way = if off > 0 { "longer" } else { "shorter" };
    let frames = blocks.span(off.abs());
    let says = format!(
        "The sound is {} samples ({frames:.2} frames) {way} than the picture of {pictures} frames: one of them is of another cut.",
        off.abs()
    );
    let amount = (samples as f64, picture as f64, "samples");
    Some(Told { kind: "length", weight: Weight::Fault, says, amount, samples: None })
}
