//! Steps of colour, one after another, over blocks of planes.
//!
//! Knows how steps are put together and which change nothing. Does not know what a step does, where blocks come from nor
//! which settings asked for a step.

use super::cdl::{Cdl, Style};
use super::encoding::Encoding;
use super::look::Look;
use super::primaries::Matrix;
use super::step::{Step, Way};
use super::transfer::Transfer;
use crate::base::digest::KeyHasher;
use crate::base::level::Level;

/// Steps in order. Steps that change nothing are left out, so that they neither cost time nor enter a key.
#[derive(Clone, Debug, Default)]
pub struct Chain {
    steps: Vec<Step>,
}

impl Chain {
    /// No step.
    pub fn new() -> Self {
        Self::default()
    }

    /// True when nothing would change.
    pub fn is_empty(&self) -> bool {
        self.steps.is_empty()
    }

    /// True when twice the light gives twice the light throughout.
    pub fn is_linear(&self) -> bool {
        self.steps.iter().all(Step::is_linear)
    }

    /// Goes from one encoding to another.
    pub fn convert(&mut self, from: Encoding, to: Encoding) -> &mut Self {
        if from == to {
            return self;
        }
        if from.transfer != Transfer::Linear {
            self.steps.push(Step::curve(Way::Decode, from.transfer));
        }
        if from.primaries != to.primaries {
            self.matrix(from.primaries.matrix_to(to.primaries));
        }
        if to.transfer != Transfer::Linear {
            self.steps.push(Step::curve(Way::Encode, to.transfer));
        }
        self
    }

    /// Multiplies.
    pub fn gain(&mut self, gain: f64) -> &mut Self {
        if gain != 1.0 {
            self.steps.push(Step::Gain(gain as f32));
        }
        self
    }

    /// Multiplies by a matrix.
    pub fn matrix(&mut self, rows: Matrix) -> &mut Self {
        self.steps.push(Step::Matrix(rows.map(|row| row.map(|v| v as f32)), [0.0; 3]));
        self
    }

    /// Grades.
    pub fn cdl(&mut self, cdl: Cdl, style: Style) -> &mut Self {
        if !cdl.is_neutral(style) {
            self.steps.push(Step::Cdl(cdl, style));
        }
        self
    }

    /// Takes what lies above `knee` nearer to it, so that nothing comes out at `limit` or above it.
    pub fn soft_clip(&mut self, knee: f64, limit: f64) -> &mut Self {
        self.steps.push(Step::SoftClip(knee as f32, limit as f32));
        self
    }

    /// Takes the steps of another chain.
    pub fn append(&mut self, other: &Chain) -> &mut Self {
        self.steps.extend(other.steps.iter().cloned());
        self
    }

    /// Takes a look's steps.
    pub fn look(&mut self, look: &Look) -> &mut Self {
        self.steps.extend(look.steps().iter().cloned());
        self
    }

    /// Feeds every number that may change a pixel into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.list(self.steps.len());
        self.steps.iter().for_each(|step| step.feed(key));
    }

    /// Takes planes of red, green and blue through every step, in place. All hold the same number of samples.
    pub fn apply(&self, level: Level, [r, g, b]: [&mut [f32]; 3]) {
        for step in &self.steps {
            step.apply(level, [&mut *r, &mut *g, &mut *b]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(chain: &Chain, colour: [f32; 3]) -> [f32; 3] {
        let mut planes = colour.map(|v| [v]);
        let [r, g, b] = &mut planes;
        chain.apply(Level::best(), [r, g, b]);
        planes.map(|p| p[0])
    }

    #[test]
    fn conversions_are_those_of_the_outside_checks() {
        let text = include_str!("../../../tests/checks/transfer.json");
        let all: serde_json::Value = serde_json::from_str(text).unwrap();
        let mut chain = Chain::new();
        chain.convert(Encoding::named("acescg").unwrap(), Encoding::named("linear-rec709").unwrap());
        let cases = all["data"]["acescg_to_linear_rec709_vectors"].as_array().unwrap();
        assert_eq!(cases.len(), 6);
        for case in cases {
            let got = run(&chain, std::array::from_fn(|c| case["acescg"][c].as_f64().unwrap() as f32));
            for c in 0..3 {
                assert!((f64::from(got[c]) - case["rec709"][c].as_f64().unwrap()).abs() < 1e-6, "{case}");
            }
        }
    }

    /// The other way, the factors of exposure, and from ACEScg to the signal of an SDR display.
    #[test]
    fn whole_chains_are_those_of_the_outside_checks() {
        let text = include_str!("../../../tests/checks/transfer.json");
        let all: serde_json::Value = serde_json::from_str(text).unwrap();
        let three = |v: &serde_json::Value| [0, 1, 2].map(|c| v[c].as_f64().unwrap());
        let named = |name: &str| Encoding::named(name).unwrap();
        let check = |group: &str, from: &str, to: &str, chain: &Chain, least: usize| {
            let cases = all["data"][group].as_array().unwrap();
            assert!(cases.len() >= least, "{group}");
            for case in cases {
                let got = run(chain, three(&case[from]).map(|v| v as f32));
                let want = three(&case[to]);
                assert!((0..3).all(|c| (f64::from(got[c]) - want[c]).abs() < 1e-6), "{case}: {got:?}");
            }
        };
        let mut chain = Chain::new();
        chain.convert(named("linear-rec709"), named("acescg"));
        check("rec709_to_acescg_vectors", "rec709", "acescg", &chain, 5);
        let (mut light, mut display) = (Chain::new(), Chain::new());
        light.convert(named("acescg"), named("linear-rec709"));
        display.convert(named("acescg"), named("bt1886"));
        check("pipeline_sdr", "acescg", "rec709_linear", &light, 2);
        check("pipeline_sdr", "acescg", "bt1886_signal_gamma24", &display, 2);
        let stops = all["data"]["exposure"].as_array().unwrap();
        assert_eq!(stops.len(), 6);
        for case in stops {
            let gain = crate::operators::colour::power::exp2_exact(case["stops"].as_f64().unwrap());
            let want = case["gain"].as_f64().unwrap();
            assert!((gain - want).abs() < 1e-11, "{case}");
            let got = run(Chain::new().gain(gain), [1.0; 3])[0];
            assert!((f64::from(got) - want).abs() < 1e-6, "{case}");
        }
    }

    #[test]
    fn there_and_back_changes_next_to_nothing() {
        let working = Encoding::ALL[0];
        for to in Encoding::ALL {
            let mut chain = Chain::new();
            chain.convert(working, to).convert(to, working);
            for (got, want) in run(&chain, [0.18, 0.5, 0.3]).into_iter().zip([0.18, 0.5, 0.3]) {
                assert!((got - want).abs() < 3e-5, "{to:?}: {got}");
            }
        }
    }

    #[test]
    fn steps_that_change_nothing_are_left_out() {
        let mut chain = Chain::new();
        chain.convert(Encoding::ALL[3], Encoding::ALL[3]).cdl(Cdl::default(), Style::NoClamp);
        assert!(chain.is_empty());
        chain.cdl(Cdl::default(), Style::Clamp);
        assert!(!chain.is_empty());
    }
}
