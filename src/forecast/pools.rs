//! Samples → rates of stages that lean on like ones.
//!
//! Knows few data: stages that were measured little lean on those like them, and say so. Does not know what rates are for.
//!
//! **Method.** One sample is one stage of one shot: its first-pass seconds over its frames. Times of work are skewed to the right
//! and never negative, so all sums are of their natural logarithms (the lognormal model; Limpert, Stahel & Abbt 2001, "Log-normal
//! distributions across the sciences"). A sample far off the others of its stage is drawn in to 2.5 deviations from the middle
//! one, told by the middle deviation (Hampel 1974, "The influence curve and its role in robust estimation"), so that one evening
//! of a forgotten clock does not move a film. How much shots differ is told by the stage's samples and by those of all like stages
//! together (Smyth 2004, "Linear models and empirical Bayes methods"), and the middle of a stage leans towards that of like stages the
//! more, the fewer its samples are (Efron & Morris 1975, "Data analysis using Stein's estimator and its generalizations"; how sure it
//! is then as Morris 1983, "Parametric empirical Bayes inference", with the middle of all stages itself found from them; the
//! variance between stages as DerSimonian & Laird 1986, "Meta-analysis in clinical trials"). Stages are alike that one operator
//! makes, or that are all made by hands. Rework is a ratio of sums over shots with the variance of Cochran 1977, "Sampling
//! Techniques", chapter 6. The sources are from memory; the prior weights below are working figures, without a source.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::chance::{DEVIATIONS, middle};
use super::rates::{Rate, Rests, Whose};
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

/// One stage's samples.
pub(super) struct Stage<'a> {
    pub name: Arc<str>,
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

/// Stages by who made them.
type Groups<'a> = Vec<((Whose, Arc<str>), Vec<Stage<'a>>)>;

/// Samples by who did it, then by stage.
pub(super) fn grouped(samples: &[Sample], whose: Whose) -> Groups<'_> {
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

/// The logarithm of a sample's seconds a frame.
pub(super) fn log_of(sample: &Sample, whose: Whose) -> Option<f64> {
    let (seconds, frames) = sample.tells(whose);
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
pub(super) struct Pool {
    /// Variance of shots of one stage.
    within: f64,
    /// Variance of stages.
    between: f64,
    /// The middle of stages.
    middle: f64,
    /// The variance of that.
    unsure: f64,
    /// Rework of all stages together.
    pub rework: (f64, f64),
}

impl Pool {
    pub fn of(stages: &[Stage<'_>]) -> Self {
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

    /// The rate of one of the stages that it was made of.
    pub fn rate(&self, stage: &Stage<'_>, whose: Whose) -> Rate {
        let n = stage.logs.len() as f64;
        // The stage's own spread, leaning on that of all.
        let spread = (SPREAD_WEIGHT * self.within + squares(&stage.logs)) / (SPREAD_WEIGHT + n - 1.0);
        // How far it leans: by how sure its own mean is, against how much stages differ. What all stages have in common is no
        // second witness, since this stage is one of them; a stage alone leans on itself, and is no surer for it.
        let own = spread / n;
        let leans = own / (own + self.between);
        let middle = (1.0 - leans) * mean(&stage.logs) + leans * self.middle;
        let unsure = (1.0 - leans) * own + leans.powi(2) * self.unsure;
        let again = stage.samples.iter().fold((0.0, 0), |(s, f), x| (s + x.rework.0, f + x.rework.1));
        Rate {
            stage: stage.name.clone(),
            whose,
            rests: Rests::Measured,
            shots: stage.logs.len(),
            frames: stage.samples.iter().map(|s| s.first.1).sum(),
            seconds: stage.samples.iter().map(|s| s.first.0).sum(),
            middle,
            unsure: unsure.sqrt(),
            spread: spread.sqrt(),
            rework: rework(&stage.samples, Some(self.rework.0)),
            again: (again.1 > 0).then(|| again.0 / again.1 as f64),
        }
    }

    /// The rate of a stage like these that was never measured.
    pub fn unseen(&self, whose: Whose) -> Rate {
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
