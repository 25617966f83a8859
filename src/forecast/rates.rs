//! Samples → how long a frame of each stage takes, how sure that is, and how much of it comes again as rework.
//!
//! Knows few data: stages that were measured little lean on those like them, and say so. Does not know what remains to be done.
//!
//! **Method.** One sample is one stage of one shot: its first-pass seconds over its frames. Times of tasks are skewed to the right
//! and never negative, so all sums are of their natural logarithms (the lognormal model; Limpert, Stahel & Abbt 2001, "Log-normal
//! distributions across the sciences"). A sample far off the others of its stage is drawn in to 2.5 deviations from the middle
//! one, told by the middle deviation (Hampel 1974, "The influence curve and its role in robust estimation"), so that one evening
//! of a forgotten clock does not move a film. How much shots differ is told by the stage's samples and by those of all like stages
//! together (Smyth 2004, "Linear models and empirical Bayes methods"), and the middle of a stage leans towards that of like stages the
//! more, the fewer its samples are (Efron & Morris 1975, "Data analysis using Stein's estimator and its generalizations"; the
//! variance between stages as DerSimonian & Laird 1986, "Meta-analysis in clinical trials"). Stages are alike that one operator
//! makes, or that are all made by hands. Rework is a ratio of sums over shots with the variance of Cochran 1977, "Sampling
//! Techniques", chapter 6. The sources are from memory; the prior weights below are working figures, without a source.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::chance::{DEVIATIONS, FOUR_IN_FIVE, middle};
use super::samples::Sample;

/// The standard deviation that logarithms of shots of one stage are taken to have before anything is measured: most shots within
/// 0.6 to 1.6 times the middle one.
const SPREAD: f64 = 0.5;
/// How many samples that counts for.
const SPREAD_WEIGHT: f64 = 3.0;
/// The standard deviation that stages are taken to differ by among like ones: e to either side, two times in three.
const BETWEEN: f64 = 1.0;
/// How many stages that counts for.
const BETWEEN_WEIGHT: f64 = 2.0;
/// Beyond how many deviations a sample is drawn in.
const FAR: f64 = 2.5;
/// From how many samples on one can be said to lie far off.
const FAR_FROM: usize = 4;
/// How many shots the rework of like stages counts for.
const REWORK_WEIGHT: f64 = 2.0;

/// Whose time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Whose {
    /// A person's.
    Hands,
    /// A machine's: wall time of a frame, added up over what runs side by side.
    Machine,
}

/// What a rate rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rests {
    /// On this stage's own samples.
    Measured,
    /// On other stages of the same operator: this one was never measured.
    Alike,
}

/// How long a frame of a stage takes. Logarithms are natural, of seconds a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Rate {
    /// The stage.
    pub stage: Arc<str>,
    /// Whose time.
    pub whose: Whose,
    /// What it rests on.
    pub rests: Rests,
    /// How many shots were measured.
    pub shots: usize,
    /// How many frames of them.
    pub frames: u64,
    /// Seconds of first pass of them.
    pub seconds: f64,
    /// The middle shot's logarithm.
    pub middle: f64,
    /// Standard deviation of `middle`: how little is known. All shots of the stage share it.
    pub unsure: f64,
    /// Standard deviation of single shots about the middle.
    pub spread: f64,
    /// Seconds of rework that have followed a second of first pass, and the standard error of that.
    pub rework: (f64, f64),
    /// Seconds a frame made again, where any was.
    pub again: Option<f64>,
}

impl Rate {
    /// Seconds a frame in the middle shot.
    pub fn typical(&self) -> f64 {
        self.middle.exp()
    }

    /// Seconds a frame on average, over shots and over what is not known: more than in the middle shot, as times are skewed.
    pub fn mean(&self) -> f64 {
        (self.middle + 0.5 * (self.unsure.powi(2) + self.spread.powi(2))).exp()
    }

    /// Seconds a frame of the middle shot that the true value lies between, four times in five.
    pub fn between(&self) -> (f64, f64) {
        let step = FOUR_IN_FIVE * self.unsure;
        ((self.middle - step).exp(), (self.middle + step).exp())
    }

    /// Seconds that `frames` frames made again take: as measured of rework, or else as of first pass, which is the most
    /// that is known.
    pub fn seconds_again(&self, frames: u64) -> f64 {
        frames as f64 * self.again.unwrap_or_else(|| self.mean())
    }

    /// How sure it is, in words.
    pub fn sure(&self) -> &'static str {
        match self.unsure {
            u if u < 0.1 => "well known",
            u if u < 0.25 => "fairly known",
            u if u < 0.5 => "roughly known",
            _ => "hardly known",
        }
    }
}

/// How one person's pace compares with everybody's, over stages that several shots were measured of.
#[derive(Clone, Debug, PartialEq)]
pub struct Pace {
    /// Who.
    pub person: Arc<str>,
    /// Over how many shots that were mostly this person's.
    pub shots: usize,
    /// Times the usual time: 0.5 is twice as fast.
    pub times: f64,
}

/// All that was measured.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rates {
    rates: BTreeMap<(Whose, Arc<str>), Rate>,
    /// By operator, where a stage of it was measured.
    operators: BTreeMap<Arc<str>, Rate>,
    /// Rework of hands of all stages together, where any first pass was measured.
    hands_again: Option<(f64, f64)>,
    /// People, in order of name.
    pub people: Vec<Pace>,
}

impl Rates {
    /// Rates of these samples.
    pub fn of(hands: &[Sample], machines: &[Sample]) -> Self {
        let mut out = Self::default();
        let groups = grouped(hands, Whose::Hands).into_iter().chain(grouped(machines, Whose::Machine));
        for ((whose, by), stages) in groups {
            let pool = Pool::of(&stages);
            for stage in &stages {
                let rate = pool.rate(stage, whose);
                // A stage that several operators have made over time goes by the one that made most of it.
                let key = (whose, stage.name.clone());
                if out.rates.get(&key).is_none_or(|other| other.shots < rate.shots) {
                    out.rates.insert(key, rate);
                }
            }
            match whose {
                Whose::Machine => drop(out.operators.insert(by, pool.unseen(whose))),
                Whose::Hands => out.hands_again = Some(pool.rework),
            }
        }
        out.people = paces(hands, &out);
        out
    }

    /// How long people take over a frame of a stage; nothing when that was never measured.
    pub fn hands(&self, stage: &str) -> Option<&Rate> {
        self.rates.get(&(Whose::Hands, stage.into()))
    }

    /// How long a machine takes over a frame of a stage that `by` makes (an operator, or `command`): as measured, or as of other
    /// stages of that operator. What commands take says nothing of another command.
    pub fn machine(&self, stage: &str, by: &str) -> Option<&Rate> {
        let own = self.rates.get(&(Whose::Machine, stage.into()));
        own.or_else(|| self.operators.get(by).filter(|_| by != "command"))
    }

    /// Seconds of rework for a second of first pass by hands of all stages together, and its standard error; for stages whose
    /// own was never measured.
    pub fn rework_of_hands(&self) -> Option<(f64, f64)> {
        self.hands_again
    }

    /// All rates of stages that were measured: hands first, in order of name.
    pub fn all(&self) -> impl Iterator<Item = &Rate> {
        self.rates.values()
    }
}

/// One stage's samples.
struct Stage<'a> {
    name: Arc<str>,
    samples: Vec<&'a Sample>,
    /// Logarithms of seconds a frame, those far off drawn in.
    logs: Vec<f64>,
}

impl<'a> Stage<'a> {
    fn of(name: &Arc<str>, samples: Vec<&'a Sample>, whose: Whose) -> Self {
        let logs = samples.iter().filter_map(|sample| log_of(sample, whose)).collect();
        Self { name: name.clone(), samples, logs: drawn_in(logs) }
    }
}

type Groups<'a> = Vec<((Whose, Arc<str>), Vec<Stage<'a>>)>;

/// Samples by who did it, then by stage.
fn grouped(samples: &[Sample], whose: Whose) -> Groups<'_> {
    let mut by: BTreeMap<&Arc<str>, BTreeMap<&Arc<str>, Vec<&Sample>>> = BTreeMap::new();
    for sample in samples.iter().filter(|sample| log_of(sample, whose).is_some()) {
        by.entry(&sample.by).or_default().entry(&sample.stage).or_default().push(sample);
    }
    let of = |(by, stages): (&Arc<str>, BTreeMap<&Arc<str>, Vec<_>>)| {
        (
            (whose, by.clone()),
            stages.into_iter().map(|(name, samples)| Stage::of(name, samples, whose)).collect(),
        )
    };
    by.into_iter().map(of).collect()
}

/// The logarithm of a sample's seconds a frame. A machine makes a frame again as it made it first, so both tell; a person
/// does not.
fn log_of(sample: &Sample, whose: Whose) -> Option<f64> {
    let (seconds, frames) = match whose {
        Whose::Machine if sample.first.1 == 0 => sample.rework,
        _ => sample.first,
    };
    (seconds > 0.0 && frames > 0).then(|| (seconds / frames as f64).ln())
}

/// Values, those far off drawn in.
fn drawn_in(mut logs: Vec<f64>) -> Vec<f64> {
    if let Some((median, deviation)) = middle(&logs)
        && logs.len() >= FAR_FROM
        && deviation > 0.0
    {
        let far = FAR * DEVIATIONS * deviation;
        logs.iter_mut().for_each(|log| *log = log.clamp(median - far, median + far));
    }
    logs
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Squares about the mean, added up.
fn squares(values: &[f64]) -> f64 {
    let mean = mean(values);
    values.iter().map(|v| (v - mean).powi(2)).sum()
}

/// What like stages have in common.
struct Pool {
    /// Variance of shots of one stage.
    within: f64,
    /// Variance of stages.
    between: f64,
    /// The middle of stages.
    middle: f64,
    /// Its variance.
    unsure: f64,
    /// Rework of all stages together.
    rework: (f64, f64),
}

impl Pool {
    fn of(stages: &[Stage<'_>]) -> Self {
        let free: f64 = stages.iter().map(|s| s.logs.len() as f64 - 1.0).sum();
        let sum: f64 = stages.iter().map(|s| squares(&s.logs)).sum();
        let within = (SPREAD_WEIGHT * SPREAD.powi(2) + sum) / (SPREAD_WEIGHT + free);
        let between = between(stages, within);
        let weight = |s: &Stage<'_>| 1.0 / (within / s.logs.len() as f64 + between);
        let weights: f64 = stages.iter().map(weight).sum();
        let middle = stages.iter().map(|s| weight(s) * mean(&s.logs)).sum::<f64>() / weights;
        let all: Vec<&Sample> = stages.iter().flat_map(|s| s.samples.iter().copied()).collect();
        Self { within, between, middle, unsure: 1.0 / weights, rework: rework(&all, None) }
    }

    fn rate(&self, stage: &Stage<'_>, whose: Whose) -> Rate {
        let n = stage.logs.len() as f64;
        // The stage's own spread, leaning on that of all.
        let spread = (SPREAD_WEIGHT * self.within + squares(&stage.logs)) / (SPREAD_WEIGHT + n - 1.0);
        let own = n / spread;
        let other = 1.0 / (self.between + self.unsure);
        // Alone, a stage has nothing to lean on but itself.
        let middle = (own * mean(&stage.logs) + other * self.middle) / (own + other);
        let again = stage.samples.iter().fold((0.0, 0), |(s, f), x| (s + x.rework.0, f + x.rework.1));
        Rate {
            stage: stage.name.clone(),
            whose,
            rests: Rests::Measured,
            shots: stage.logs.len(),
            frames: stage.samples.iter().map(|s| s.first.1).sum(),
            seconds: stage.samples.iter().map(|s| s.first.0).sum(),
            middle,
            unsure: (1.0 / (own + other)).sqrt(),
            spread: spread.sqrt(),
            rework: rework(&stage.samples, Some(self.rework.0)),
            again: (again.1 > 0).then(|| again.0 / again.1 as f64),
        }
    }

    /// The rate of a stage like these that was never measured.
    fn unseen(&self, whose: Whose) -> Rate {
        Rate {
            stage: "".into(),
            whose,
            rests: Rests::Alike,
            shots: 0,
            frames: 0,
            seconds: 0.0,
            middle: self.middle,
            unsure: (self.between + self.unsure).sqrt(),
            spread: self.within.sqrt(),
            rework: self.rework,
            again: None,
        }
    }
}

/// The variance between stages, from how much more their middles differ than their samples would have it.
fn between(stages: &[Stage<'_>], within: f64) -> f64 {
    let prior = BETWEEN_WEIGHT * BETWEEN.powi(2);
    let more = stages.len() as f64 - 1.0;
    if more < 1.0 {
        return BETWEEN.powi(2);
    }
    let weight = |s: &Stage<'_>| s.logs.len() as f64 / within;
    let (w, w2) = stages.iter().map(weight).fold((0.0, 0.0), |(a, b), w| (a + w, b + w * w));
    let centre = stages.iter().map(|s| weight(s) * mean(&s.logs)).sum::<f64>() / w;
    let q: f64 = stages.iter().map(|s| weight(s) * (mean(&s.logs) - centre).powi(2)).sum();
    let found = ((q - more) / (w - w2 / w)).max(0.0);
    (prior + more * found) / (BETWEEN_WEIGHT + more)
}

/// Seconds of rework for a second of first pass, and its standard error. `pool` is that of like stages, which counts for
/// [`REWORK_WEIGHT`] more shots of the usual length.
fn rework(samples: &[&Sample], pool: Option<f64>) -> (f64, f64) {
    let n = samples.len() as f64;
    let (first, again) = samples.iter().fold((0.0, 0.0), |(f, a), s| (f + s.first.0, a + s.rework.0));
    if first <= 0.0 {
        return (pool.unwrap_or(0.0), pool.unwrap_or(0.0));
    }
    let usual = first / n;
    let weight = if pool.is_some() { REWORK_WEIGHT } else { 0.0 };
    let ratio = (again + weight * usual * pool.unwrap_or(0.0)) / (first + weight * usual);
    if n < 2.0 {
        return (ratio, ratio);
    }
    let squares: f64 = samples.iter().map(|s| (s.rework.0 - ratio * s.first.0).powi(2)).sum();
    (ratio, (squares / (n * (n - 1.0))).sqrt() / usual)
}

/// People's paces, over shots that four fifths of the time were one person's. Each leans towards everybody's as if it had two
/// more shots at the usual pace.
fn paces(hands: &[Sample], rates: &Rates) -> Vec<Pace> {
    let mut logs: BTreeMap<&Arc<str>, Vec<f64>> = BTreeMap::new();
    for sample in hands {
        let Some(rate) = rates.hands(&sample.stage).filter(|rate| rate.shots > 1) else { continue };
        let Some(log) = log_of(sample, Whose::Hands) else { continue };
        let whole: f64 = sample.people.values().sum();
        let mostly = sample.people.iter().find(|(_, seconds)| **seconds >= 0.8 * whole);
        if let Some((person, _)) = mostly {
            logs.entry(person).or_default().push(log - rate.middle);
        }
    }
    let pace = |(person, logs): (&Arc<str>, Vec<f64>)| Pace {
        person: person.clone(),
        shots: logs.len(),
        times: (logs.iter().sum::<f64>() / (logs.len() as f64 + 2.0)).exp(),
    };
    logs.into_iter().map(pace).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::samples::HANDS;

    fn sample(shot: &str, stage: &str, by: &str, first: (f64, u64), rework: (f64, u64)) -> Sample {
        Sample {
            shot: shot.into(),
            stage: stage.into(),
            by: by.into(),
            first,
            rework,
            begun: 0.0,
            people: BTreeMap::from([("ana".into(), first.0)]),
            cpu: 0.0,
        }
    }

    fn hands(stage: &str, seconds: &[f64]) -> Vec<Sample> {
        let one = |(i, s): (usize, &f64)| sample(&format!("br{i:03}"), stage, HANDS, (*s, 1), (0.0, 0));
        seconds.iter().enumerate().map(one).collect()
    }

    #[test]
    fn many_alike_samples_are_believed() {
        let rates = Rates::of(&hands("roto", &[600.0; 50]), &[]);
        let rate = rates.hands("roto").unwrap();
        assert!((rate.typical() - 600.0).abs() < 1.0);
        assert_eq!((rate.shots, rate.frames, rate.sure()), (50, 50, "well known"));
        let (low, high) = rate.between();
        assert!(low < 600.0 && high > 600.0 && high / low < 1.1);
    }

    #[test]
    fn one_sample_is_hardly_believed_and_none_is_none() {
        let rates = Rates::of(&hands("roto", &[600.0]), &[]);
        let rate = rates.hands("roto").unwrap();
        assert!((rate.typical() - 600.0).abs() < 1e-9);
        assert_eq!(rate.sure(), "roughly known");
        assert!(rates.hands("cleanup").is_none());
        assert_eq!(Rates::of(&[], &[]), Rates::default());
    }

    /// The sample of eight times of the outside values, whose 4.0 pulls the mean to 1.375 and leaves the median at 1.025.
    #[test]
    fn one_far_off_moves_little() {
        let times = [0.8, 1.1, 1.0, 0.9, 4.0, 1.05, 0.95, 1.2];
        let rates = Rates::of(&hands("roto", &times), &[]);
        let typical = rates.hands("roto").unwrap().typical();
        assert!((0.95..1.13).contains(&typical), "{typical}");
    }

    #[test]
    fn a_stage_measured_once_leans_on_like_stages() {
        let mut all = hands("roto", &[100.0; 20]);
        all.extend(hands("cleanup", &[110.0; 20]));
        all.extend(hands("paint", &[90.0; 20]));
        all.extend(hands("tidy", &[1000.0]));
        let rates = Rates::of(&all, &[]);
        let tidy = rates.hands("tidy").unwrap().typical();
        assert!(tidy > 300.0 && tidy < 1000.0, "{tidy}");
        let roto = rates.hands("roto").unwrap().typical();
        assert!((roto - 100.0).abs() < 2.0, "{roto}");
    }

    #[test]
    fn an_operator_tells_of_its_other_stages_and_a_command_does_not() {
        let machines = [
            sample("br010", "colour", "grade", (10.0, 10), (0.0, 0)),
            sample("br010", "denoise", "command", (50.0, 10), (0.0, 0)),
        ];
        let rates = Rates::of(&[], &machines);
        let other = rates.machine("first-look", "grade").unwrap();
        assert_eq!(other.rests, Rests::Alike);
        assert!((other.typical() - 1.0).abs() < 1e-9);
        assert!(other.unsure > rates.machine("colour", "grade").unwrap().unsure);
        assert!(rates.machine("sharpen", "command").is_none());
        assert_eq!(rates.machine("denoise", "command").unwrap().rests, Rests::Measured);
    }

    #[test]
    fn rework_is_a_ratio_of_sums() {
        let all: Vec<Sample> = (0..10)
            .map(|i| {
                sample(&format!("br{i}"), "roto", HANDS, (3600.0, 10), (if i < 5 { 1800.0 } else { 0.0 }, 5))
            })
            .collect();
        let rates = Rates::of(&all, &[]);
        let (ratio, error) = rates.hands("roto").unwrap().rework;
        assert!((ratio - 0.25).abs() < 1e-9, "{ratio}");
        // The standard error of ten values of which half are 0.5 and half 0: 0.25 / 3.
        assert!((error - 0.25 / 3.0).abs() < 1e-9, "{error}");
        assert_eq!(rates.rework_of_hands().unwrap().0, 0.25);
        assert!((rates.hands("roto").unwrap().seconds_again(10) - 10.0 * 180.0).abs() < 1e-9);
    }

    #[test]
    fn a_person_twice_as_fast_is_told() {
        let mut all = hands("roto", &[100.0; 9]);
        for (i, sample) in all.iter_mut().enumerate() {
            let (who, seconds) = if i < 3 { ("tomas", 50.0) } else { ("ana", 100.0) };
            sample.first.0 = seconds;
            sample.people = BTreeMap::from([(who.into(), seconds)]);
        }
        let rates = Rates::of(&all, &[]);
        let tomas = rates.people.iter().find(|pace| &*pace.person == "tomas").unwrap();
        assert_eq!(tomas.shots, 3);
        assert!(tomas.times > 0.5 && tomas.times < 0.85, "{}", tomas.times);
    }

    proptest::proptest! {
        #[test]
        fn a_rate_lies_within_its_samples_and_more_of_them_are_surer(
            seconds in proptest::collection::vec(0.01f64..1e5, 1..40)
        ) {
            let rates = Rates::of(&hands("roto", &seconds), &[]);
            let rate = rates.hands("roto").unwrap();
            let (low, high) = seconds.iter().fold((f64::MAX, 0.0f64), |(l, h), &s| (l.min(s), h.max(s)));
            proptest::prop_assert!(rate.typical() >= low * 0.999 && rate.typical() <= high * 1.001);
            proptest::prop_assert!(rate.mean() >= rate.typical());
            let twice: Vec<f64> = seconds.iter().chain(&seconds).copied().collect();
            let more = Rates::of(&hands("roto", &twice), &[]);
            proptest::prop_assert!(more.hands("roto").unwrap().unsure <= rate.unsure + 1e-12);
        }
    }
}
