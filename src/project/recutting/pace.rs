//! How long a frame of a stage takes, as the ledger has measured it.
//!
//! Knows where to look: what the shot's own stage took, else that stage in all shots, else all stages of the same operator. How
//! time is measured is `forecast`'s: first passes over the frames that they made, people's only as far as these are done. Guesses
//! nothing: what was never measured has no pace.

use std::collections::HashMap;

use crate::forecast::rates::{Rate, Rates, Whose};
use crate::forecast::samples::{Place, Sample};
use crate::project::Status;
use crate::project::forecasting::measured;

/// Seconds a frame, and how many frames that rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace {
    /// Seconds a frame.
    pub seconds: f64,
    /// Frames that were measured.
    pub frames: usize,
}

/// All that was measured.
#[derive(Debug, Default)]
pub struct Paces {
    rates: Rates,
    /// Of stages of single shots.
    own: HashMap<(Whose, Place), Pace>,
}

impl Paces {
    /// As the film's ledger has it.
    pub fn of(status: &Status) -> Self {
        let (hands, machines) = measured(status);
        Self::from(&hands, &machines)
    }

    fn from(hands: &[Sample], machines: &[Sample]) -> Self {
        let all =
            hands.iter().map(|of| (Whose::Hands, of)).chain(machines.iter().map(|of| (Whose::Machine, of)));
        let mut sums: HashMap<(Whose, Place), (f64, u64)> = HashMap::new();
        for (whose, sample) in all {
            let sum = sums.entry((whose, (sample.shot.clone(), sample.stage.clone()))).or_default();
            let (seconds, frames) = sample.tells(whose);
            *sum = (sum.0 + seconds, sum.1 + frames);
        }
        let told = sums.into_iter().filter(|(_, (seconds, frames))| *seconds > 0.0 && *frames > 0);
        let pace = |(seconds, frames): (f64, u64)| Pace {
            seconds: seconds / frames as f64,
            frames: frames as usize,
        };
        Self { rates: Rates::of(hands, machines), own: told.map(|(place, sum)| (place, pace(sum))).collect() }
    }

    /// Of a machine at a stage that `kind` makes.
    pub fn machine(&self, shot: &str, stage: &str, kind: &str) -> Option<Pace> {
        self.own(Whose::Machine, shot, stage).or_else(|| self.rates.machine(stage, kind).map(of_rate))
    }

    /// Of people at a stage that is made by hand.
    pub fn hands(&self, shot: &str, stage: &str) -> Option<Pace> {
        self.own(Whose::Hands, shot, stage).or_else(|| self.rates.hands(stage).map(of_rate))
    }

    fn own(&self, whose: Whose, shot: &str, stage: &str) -> Option<Pace> {
        self.own.get(&(whose, (shot.into(), stage.into()))).copied()
    }
}

/// The middle shot's, so that one bad evening does not count for much.
fn of_rate(rate: &Rate) -> Pace {
    Pace { seconds: rate.typical(), frames: rate.frames as usize }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::samples::HANDS;

    fn sample(shot: &str, by: &str, first: (f64, u64), rework: (f64, u64)) -> Sample {
        Sample { first, rework, begun: 900.0, ..Sample::of(&(shot.into(), "cleanup".into()), by) }
    }

    #[test]
    fn rework_and_what_is_begun_do_not_slow_a_first_pass() {
        let hands = [
            sample("br010", HANDS, (600.0, 10), (3000.0, 4)),
            sample("br020", HANDS, (700.0, 10), (0.0, 0)),
            sample("br030", HANDS, (0.0, 0), (0.0, 0)),
        ];
        let paces = Paces::from(&hands, &[]);
        assert_eq!(paces.hands("br010", "cleanup"), Some(Pace { seconds: 60.0, frames: 10 }));
        // A shot that was only begun goes by the others, and so does one that nobody has seen.
        for shot in ["br030", "br040"] {
            let pace = paces.hands(shot, "cleanup").unwrap();
            assert!((60.0..70.0).contains(&pace.seconds) && pace.frames == 20, "{pace:?}");
        }
        assert!(paces.hands("br010", "roto").is_none());
    }

    #[test]
    fn a_machine_goes_by_its_operator_and_a_command_by_itself() {
        let machines =
            [sample("br010", "grade", (5.0, 10), (0.0, 0)), sample("br020", "grade", (0.0, 0), (6.0, 10))];
        let paces = Paces::from(&[], &machines);
        // A machine makes a frame again as it made it first.
        assert_eq!(paces.machine("br020", "cleanup", "grade"), Some(Pace { seconds: 0.6, frames: 10 }));
        let other = paces.machine("br010", "look", "grade").unwrap();
        assert!((0.5..0.6).contains(&other.seconds), "{other:?}");
        assert!(paces.machine("br010", "look", "command").is_none());
    }
}
