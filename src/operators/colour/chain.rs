//! Steps of colour, one after another, over blocks of planes.
//!
//! Knows which steps there are and feeds their numbers into keys. Does not know where blocks come from
//! nor which settings asked for a step.

use super::cdl::{Cdl, Style};
use super::cube::Look;
use super::encoding::Encoding;
use super::transfer::Transfer;
use crate::base::digest::KeyHasher;
use crate::base::level::{Level, kernel};

/// One step.
#[derive(Clone, Debug)]
enum Step {
    Decode(Transfer),
    Matrix([[f32; 3]; 3]),
    Encode(Transfer),
    Cdl(Cdl, Style),
    Look(Box<Look>),
}

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

    /// Goes from one encoding to another.
    pub fn convert(&mut self, from: Encoding, to: Encoding) -> &mut Self {
        if from == to {
            return self;
        }
        if from.transfer != Transfer::Linear {
            self.steps.push(Step::Decode(from.transfer));
        }
        if from.primaries != to.primaries {
            let matrix = from.primaries.matrix_to(to.primaries);
            self.steps.push(Step::Matrix(matrix.map(|row| row.map(|v| v as f32))));
        }
        if to.transfer != Transfer::Linear {
            self.steps.push(Step::Encode(to.transfer));
        }
        self
    }

    /// Grades.
    pub fn cdl(&mut self, cdl: Cdl, style: Style) -> &mut Self {
        if !cdl.is_neutral(style) {
            self.steps.push(Step::Cdl(cdl, style));
        }
        self
    }

    /// Looks colours up.
    pub fn look(&mut self, look: Look) -> &mut Self {
        self.steps.push(Step::Look(Box::new(look)));
        self
    }

    /// Feeds every number that may change a pixel into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.list(self.steps.len());
        for step in &self.steps {
            match step {
                Step::Decode(curve) => numbers(key.text("decode"), &curve.numbers()),
                Step::Encode(curve) => numbers(key.text("encode"), &curve.numbers()),
                Step::Matrix(rows) => {
                    let flat: Vec<f64> = rows.as_flattened().iter().map(|&v| v.into()).collect();
                    numbers(key.text("matrix"), &flat);
                }
                Step::Cdl(cdl, style) => cdl.feed(*style, key.text("cdl")),
                Step::Look(look) => {
                    key.text("look").digest(&look.digest());
                }
            }
        }
    }

    /// Takes planes of red, green and blue through every step, in place. All hold the same number of samples.
    pub fn apply(&self, level: Level, [r, g, b]: [&mut [f32]; 3]) {
        for step in &self.steps {
            match step {
                Step::Decode(curve) => {
                    for plane in [&mut *r, &mut *g, &mut *b] {
                        curve.decode(level, plane);
                    }
                }
                Step::Encode(curve) => {
                    for plane in [&mut *r, &mut *g, &mut *b] {
                        curve.encode(level, plane);
                    }
                }
                Step::Matrix(rows) => mix(level, r, g, b, *rows),
                Step::Cdl(cdl, style) => cdl.apply(*style, level, [&mut *r, &mut *g, &mut *b]),
                Step::Look(look) => look.apply(level, [&mut *r, &mut *g, &mut *b]),
            }
        }
    }
}

fn numbers(key: &mut KeyHasher, list: &[f64]) {
    key.list(list.len());
    for value in list {
        key.real(*value);
    }
}

kernel! {
    fn mix(r: &mut [f32], g: &mut [f32], b: &mut [f32], m: [[f32; 3]; 3]) {
        for ((r, g), b) in r.iter_mut().zip(g).zip(b) {
            let (x, y, z) = (*r, *g, *b);
            *r = m[0][0] * x + m[0][1] * y + m[0][2] * z;
            *g = m[1][0] * x + m[1][1] * y + m[1][2] * z;
            *b = m[2][0] * x + m[2][1] * y + m[2][2] * z;
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
