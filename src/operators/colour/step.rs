//! One step of colour over planes of red, green and blue.
//!
//! Knows which steps there are, what each does and which of its numbers belong in a key. Does not know in which order
//! steps come nor who asked for one.

use std::sync::Arc;

use super::cdl::{Cdl, Style};
use super::power::{self, Exponent};
use super::table::{Curves, Lattice};
use super::transfer::Transfer;
use crate::base::digest::KeyHasher;
use crate::base::level::{Level, kernel};

/// The two ways along a transfer curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// From a signal to linear light.
    Decode,
    /// From linear light to a signal.
    Encode,
}

/// What a power makes of values below 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Below {
    /// Nothing: 0.
    Zero,
    /// What it makes of the same value above 0, turned over.
    Mirrored,
    /// It lets them pass.
    Passed,
}

/// One step.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// A transfer curve for each channel; mirrored, it makes of a value below 0 what it makes of the same above 0.
    Curve {
        /// Which way along it.
        way: Way,
        /// Whether values below 0 mirror those above.
        mirrored: bool,
        /// Of red, green and blue.
        curves: [Transfer; 3],
    },
    /// A factor of every sample.
    Gain(f32),
    /// A matrix, by rows, and what is added after it.
    Matrix([[f32; 3]; 3], [f32; 3]),
    /// A factor, what is added after it, and the least and greatest value that comes out.
    Range([f32; 4]),
    /// A power for each channel.
    Power([f64; 3], Below),
    /// An ASC CDL.
    Cdl(Cdl, Style),
    /// One-dimensional tables.
    Curves(Arc<Curves>),
    /// A three-dimensional table.
    Lattice(Arc<Lattice>),
    /// Values above the first number are pressed together so that they come near the second.
    SoftClip(f32, f32),
}

impl Step {
    /// One transfer curve for all channels.
    pub fn curve(way: Way, curve: Transfer) -> Self {
        Self::Curve { way, mirrored: false, curves: [curve; 3] }
    }

    /// True when twice the light gives twice the light: such a step need not know alpha.
    pub fn is_linear(&self) -> bool {
        match self {
            Step::Gain(_) => true,
            Step::Matrix(_, offset) => *offset == [0.0; 3],
            _ => false,
        }
    }

    /// Feeds every number that may change a pixel into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        match self {
            Step::Curve { way, mirrored, curves } => {
                key.text("curve").int(*way as i64).flag(*mirrored);
                curves.iter().for_each(|curve| numbers(key, &curve.numbers()));
            }
            Step::Gain(gain) => numbers(key.text("gain"), &[f64::from(*gain)]),
            Step::Matrix(rows, offset) => {
                let all: Vec<f64> = rows.as_flattened().iter().chain(offset).map(|&v| v.into()).collect();
                numbers(key.text("matrix"), &all);
            }
            Step::Range(range) => numbers(key.text("range"), &range.map(f64::from)),
            Step::Power(exponents, below) => numbers(key.text("power").int(*below as i64), exponents),
            Step::Cdl(cdl, style) => cdl.feed(*style, key.text("cdl")),
            Step::Curves(curves) => drop(key.text("curves").digest(&curves.digest())),
            Step::Lattice(lattice) => drop(key.text("lattice").digest(&lattice.digest())),
            Step::SoftClip(knee, limit) => numbers(key.text("soft clip"), &[(*knee).into(), (*limit).into()]),
        }
    }

    /// Takes planes of red, green and blue through it, in place. All hold the same number of samples.
    pub fn apply(&self, level: Level, [r, g, b]: [&mut [f32]; 3]) {
        match self {
            Step::Curve { way, mirrored, curves } => {
                for (curve, plane) in curves.iter().zip([r, g, b]) {
                    if *mirrored {
                        along_mirrored(level, *way, *curve, plane);
                    } else {
                        along(level, *way, *curve, plane);
                    }
                }
            }
            Step::Gain(gain) => [r, g, b].into_iter().for_each(|plane| scale(level, plane, *gain)),
            Step::Matrix(rows, offset) if *offset == [0.0; 3] => mix(level, r, g, b, *rows),
            Step::Matrix(rows, offset) => mix_and_add(level, r, g, b, *rows, *offset),
            Step::Range(range) => [r, g, b].into_iter().for_each(|plane| hold(level, plane, *range)),
            Step::Power(exponents, below) => {
                for (exponent, plane) in exponents.iter().zip([r, g, b]) {
                    match below {
                        Below::Mirrored => Transfer::Gamma(*exponent).decode(level, plane),
                        _ => raise(level, plane, Exponent::new(*exponent as f32), *below == Below::Passed),
                    }
                }
            }
            Step::Cdl(cdl, style) => cdl.apply(*style, level, [r, g, b]),
            Step::Curves(curves) => curves.apply([r, g, b]),
            Step::Lattice(lattice) => lattice.apply(level, [r, g, b]),
            Step::SoftClip(knee, limit) => {
                [r, g, b].into_iter().for_each(|plane| press(level, plane, *knee, *limit));
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

fn along(level: Level, way: Way, curve: Transfer, plane: &mut [f32]) {
    match way {
        Way::Decode => curve.decode(level, plane),
        Way::Encode => curve.encode(level, plane),
    }
}

/// Signs are kept aside on the stack, a piece of the plane at a time.
fn along_mirrored(level: Level, way: Way, curve: Transfer, plane: &mut [f32]) {
    let mut signs = [0.0f32; 256];
    for part in plane.chunks_mut(signs.len()) {
        signs[..part.len()].copy_from_slice(part);
        part.iter_mut().for_each(|v| *v = v.abs());
        along(level, way, curve, part);
        part.iter_mut().zip(&signs).for_each(|(v, sign)| *v = v.copysign(*sign));
    }
}

kernel! {
    fn scale(plane: &mut [f32], gain: f32) {
        for v in plane {
            *v *= gain;
        }
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

kernel! {
    fn mix_and_add(r: &mut [f32], g: &mut [f32], b: &mut [f32], m: [[f32; 3]; 3], o: [f32; 3]) {
        for ((r, g), b) in r.iter_mut().zip(g).zip(b) {
            let (x, y, z) = (*r, *g, *b);
            *r = m[0][0] * x + m[0][1] * y + m[0][2] * z + o[0];
            *g = m[1][0] * x + m[1][1] * y + m[1][2] * z + o[1];
            *b = m[2][0] * x + m[2][1] * y + m[2][2] * z + o[2];
        }
    }
}

kernel! {
    fn hold(plane: &mut [f32], range: [f32; 4]) {
        let [factor, offset, least, greatest] = range;
        for v in plane {
            let x = *v * factor + offset;
            let x = if x < greatest { x } else { greatest };
            *v = if x > least { x } else { least };
        }
    }
}

kernel! {
    fn raise(plane: &mut [f32], exponent: Exponent, pass: bool) {
        if pass {
            for v in plane {
                let raised = power::pow(*v, exponent);
                *v = if *v < 0.0 { *v } else { raised };
            }
        } else {
            for v in plane {
                *v = power::pow(*v, exponent);
            }
        }
    }
}

kernel! {
    fn press(plane: &mut [f32], knee: f32, limit: f32) {
        let room = limit - knee;
        let each = 1.0 / room;
        for v in plane {
            let over = (*v - knee) * each;
            let pressed = knee + room * (over / (1.0 + over));
            *v = if *v > knee { pressed } else { *v };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operators::colour::transfer::{SRGB, Toe};

    fn run(step: &Step, values: &[f32]) -> Vec<f32> {
        let mut planes = [values.to_vec(), values.to_vec(), values.to_vec()];
        let [r, g, b] = &mut planes;
        step.apply(Level::best(), [r, g, b]);
        planes.into_iter().next().unwrap()
    }

    /// Slope 1 at the knee on both sides, half of the room at one room above it, and never at the limit.
    #[test]
    fn a_soft_clip_has_no_kink_and_keeps_below_its_limit() {
        let clip = Step::SoftClip(0.75, 1.0);
        assert_eq!(run(&clip, &[-1.0, 0.3, 0.75]), [-1.0, 0.3, 0.75]);
        assert_eq!(run(&clip, &[1.0]), [0.875]);
        let h = 1.0 / 4096.0;
        let [below, at, above] = run(&clip, &[0.75 - h, 0.75, 0.75 + h])[..] else { unreachable!() };
        assert!(((at - below) - (above - at)).abs() < 4.0 * h * h / 0.25 * 1.01, "{below} {at} {above}");
        let rising = run(&clip, &(0..2000).map(|i| i as f32 * 0.02).collect::<Vec<_>>());
        assert!(rising.windows(2).all(|w| w[0] <= w[1]) && rising.iter().all(|&v| v < 1.0));
    }

    #[test]
    fn every_level_gives_the_same_bits() {
        let toe = Transfer::Toe(Toe::tangent(2.4, 0.055));
        let values: Vec<f32> = (0..777).map(|i| (i as f32 - 300.0) / 150.0).collect();
        for step in [
            Step::Curve { way: Way::Encode, mirrored: true, curves: [toe; 3] },
            Step::Gain(1.3),
            Step::Matrix([[0.7, 0.2, 0.1], [0.1, 0.8, 0.1], [0.0, 0.1, 0.9]], [0.1, 0.0, -0.2]),
            Step::Range([0.9, 0.05, 0.0, 1.0]),
            Step::Power([2.2, 0.4, 1.0], Below::Passed),
            Step::Power([2.2, 0.4, 1.0], Below::Zero),
            Step::SoftClip(0.5, 1.0),
        ] {
            let at = |level: Level| {
                let mut planes = [values.clone(), values.clone(), values.clone()];
                let [r, g, b] = &mut planes;
                step.apply(level, [r, g, b]);
                planes.map(|p| p.into_iter().map(f32::to_bits).collect::<Vec<_>>())
            };
            let plain = at(Level::PLAIN);
            assert!(Level::all_here().into_iter().all(|level| at(level) == plain), "{step:?}");
        }
    }

    #[test]
    fn values_below_nothing_go_as_said() {
        assert_eq!(run(&Step::Power([2.0; 3], Below::Zero), &[-0.5]), [0.0]);
        assert_eq!(run(&Step::Power([2.0; 3], Below::Passed), &[-0.5]), [-0.5]);
        let near = |got: f32, want: f32| assert!((got - want).abs() < 1e-6, "{got} not {want}");
        near(run(&Step::Power([2.0; 3], Below::Mirrored), &[-0.5])[0], -0.25);
        let step = Step::Curve { way: Way::Decode, mirrored: true, curves: [SRGB; 3] };
        near(run(&step, &[-0.5])[0], -0.214_041_14);
    }

    /// The curve of the sRGB standard is a power of 2.4 moved by 0.055, whose tangent the standard rounds.
    #[test]
    fn a_tangent_meets_its_curve_without_a_step() {
        let toe = Toe::tangent(2.4, 0.055);
        let curve = Transfer::Toe(toe);
        for (v, l) in [(0.5, 0.214_041_14), (0.9, 0.787_412_29)] {
            assert!((curve.decode_exact(v) - l).abs() < 1e-7);
        }
        let cut = 0.055 / 1.4;
        let slope = |a: f64, b: f64| (curve.decode_exact(b) - curve.decode_exact(a)) / (b - a);
        assert!((slope(cut - 1e-5, cut) - slope(cut, cut + 1e-5)).abs() < 1e-4);
    }
}
