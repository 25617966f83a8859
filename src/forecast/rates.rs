//! How long a frame of each stage takes, how sure that is, and how much of it comes again as rework.
//!
//! Knows rates by stage, by operator and by person, and how they are looked up. Does not know how few samples are made a rate
//! (`forecast::pools`), nor what remains to be done.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::chance::FOUR_IN_FIVE;
use super::pools::{Pool, grouped, log_of};
use super::samples::Sample;

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
    /// How many frames of them were made for the first time. A machine's shots of which only rework is known have none.
    pub frames: u64,
    /// Seconds of these first passes.
    pub seconds: f64,
    /// The middle shot's logarithm.
    pub middle: f64,
    /// Standard deviation of `middle`: how little is known. All shots of the stage share it.
    pub unsure: f64,
    /// Standard deviation of single shots about the middle.
    pub spread: f64,
    /// Seconds of rework that have followed a second of first pass, and the standard error of that.
    pub rework: (f64, f64),
    /// Seconds of rework for each frame made again, where any was: also those of failed attempts, which made none.
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
                // A stage that several operators have made over time goes by the one that made it in most shots; of as many by
                // the first by name.
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
    use crate::forecast::chance::{mixed, normal};
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
        assert_eq!(rate.sure(), "hardly known");
        assert!(rates.hands("cleanup").is_none());
        assert_eq!(Rates::of(&[], &[]), Rates::default());
    }

    /// The middle shot lies where a rate says that it does four times in five, four times in five: for a stage alone, which is no
    /// surer for leaning on itself, and for one of six that lean on each other. Drawn from the model itself, so that nothing but the
    /// sums is tried. Alone to four standard errors; of several a few in a hundred less, as a spread that is found from few shots
    /// counts as if it were known.
    #[test]
    fn four_times_in_five_is_what_it_says() {
        let draws = 20_000;
        for (stages, shots, within) in [(1, 1, 0.012), (6, 1, 0.03), (6, 3, 0.05)] {
            let covered = (0..draws).filter(|&draw| {
                let z = |salt: u64| normal(mixed(draw, salt));
                let truth = |stage: u64| z(stage);
                let shot = |stage: u64, n: u64| (truth(stage) + 0.5 * z(1000 + 100 * stage + n)).exp();
                let of = |stage: u64| {
                    let seconds: Vec<f64> = (0..shots).map(|n| shot(stage, n)).collect();
                    hands(&format!("stage-{stage}"), &seconds)
                };
                let all: Vec<Sample> = (0..stages).flat_map(of).collect();
                let (low, high) = Rates::of(&all, &[]).hands("stage-0").unwrap().between();
                (low..high).contains(&truth(0).exp())
            });
            let share = covered.count() as f64 / draws as f64;
            assert!((share - 0.8).abs() < within, "{stages} stages of {shots} shots: {share}");
        }
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
