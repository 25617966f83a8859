//! A first-pass ASC CDL that brings one shot's pictures to another's.
//!
//! Knows how pictures are compared and how the ten numbers are found. Does not know films, files nor which frames are
//! taken.
//!
//! # Method
//!
//! Both shots are sampled (`samples`) and looked at on a scale of stops with a straight toe, the ACEScct curve, on which a
//! difference weighs alike in shadows and lights. A start is had from medians and spreads, channel by channel, as Reinhard,
//! Ashikhmin, Gooch and Shirley (Color Transfer between Images, 2001) do with means and deviations. From there the ten numbers
//! are bettered by Levenberg's and Marquardt's method (1963) until, seen from thirteen directions of colour, the graded
//! shot's quantiles lie on the reference's: the one-dimensional distributions by which Pitié, Kokaram and Dahyot (Automated
//! colour grading using colour distribution transfer, 2007) move colours, here met by a CDL as nearly as one can. Grey
//! axis, contrast and saturation are all among those directions.
//!
//! Two shots never show the same things in the same proportions. So that a person who crosses one of them, or a crop,
//! does not pull at the grade, samples count only as far as both shots have their colour: by the lesser of the two
//! densities there (`shares`), in cells that grow smaller as the shots come together. What is left of odd quantiles is
//! weighed down by Beaton's and Tukey's function (1974). All of this is gone through from three starts, and the end at which
//! the shots have most in common is taken (histogram intersection, Swain and Ballard, Color Indexing, 1991).

mod bands;
mod difference;
mod samples;
mod shares;
mod solve;

use super::cdl::{Cdl, Style, refusal};
use super::encoding::Encoding;
use super::transfer::{ACESCCT, Transfer};
use crate::base::level::Level;
use bands::Bands;
pub use samples::Samples;

/// Sizes of the cells in which colours are taken for the same, in turn, in ACEScct's numbers (0.057 is a stop).
const CELLS: [f32; 5] = [0.16, 0.08, 0.05, 0.03, 0.02];
/// The size of the cells in which two ends are compared.
const JUDGED: f32 = 0.03;
/// Times that shares are found anew at each size.
const ROUNDS: usize = 2;
/// Fewest samples that say anything.
const FEWEST: usize = 64;

/// A first pass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FirstPass {
    /// The grade.
    pub cdl: Cdl,
    /// Mean CIE ΔE*ab (1976) of sixteen zones of lightness before it.
    pub before: f64,
    /// The same after it.
    pub after: f64,
    /// Share of the shot whose colours the reference has too, from 0 to 1.
    pub shared: f64,
}

/// The grade, made for the space `grade_in`, that brings `shot` to `reference`, both in the working space `working`. None when
/// either holds too few samples, or where no grade that was found gives them colours in common.
pub fn first_pass(
    shot: &Samples,
    reference: &Samples,
    working: Encoding,
    grade_in: Encoding,
) -> Option<FirstPass> {
    if shot.len() < FEWEST || reference.len() < FEWEST {
        return None;
    }
    let task = Task { from: shot.converted(working, grade_in), grade_in };
    let wanted = seen(reference.converted(working, grade_in), grade_in);
    let common = |numbers: &solve::Numbers| {
        let weights = shares::common(&task.graded(numbers), &wanted, JUDGED);
        (shares::mean(&weights.0), weights)
    };
    let nothing = [0.0; solve::COUNT];
    let mut best = nothing;
    let (mut shared, mut weights) = common(&best);
    let moved = task.start(&wanted);
    // Slopes alone too: spreads mislead where one shot shows more of a light's range.
    let slopes: solve::Numbers = std::array::from_fn(|i| if i < 3 { moved[i] } else { 0.0 });
    for start in [nothing, slopes, moved] {
        let end = task.approached(start, &wanted);
        let (of_both, weights_then) = common(&end);
        if of_both > shared {
            (best, shared, weights) = (end, of_both, weights_then);
        }
    }
    if shared <= shares::SOME {
        return None;
    }
    let cdl = rounded(solve::cdl(&best));
    let end =
        |cdl: Cdl| difference::mean(&task.light(cdl), &weights.0, reference, &weights.1, working, grade_in);
    Some(FirstPass { cdl, before: end(Cdl::default()), after: end(cdl), shared })
}

/// Six digits are more than any picture shows, and are what a person can read.
fn rounded(cdl: Cdl) -> Cdl {
    let six = |v: f64| (v * 1e6).round() / 1e6;
    let held = Cdl {
        slope: cdl.slope.map(six),
        offset: cdl.offset.map(six),
        power: cdl.power.map(six),
        saturation: six(cdl.saturation),
    };
    debug_assert!(held.power.iter().all(|p| refusal(super::cdl::Part::Power, *p).is_none()));
    held
}

/// Planes of red, green and blue.
type Planes = [Vec<f32>; 3];

/// Colours of the space `grade_in` on the scale on which they are compared.
fn seen(mut planes: Planes, grade_in: Encoding) -> Planes {
    for plane in &mut planes {
        grade_in.transfer.decode(Level::best(), plane);
        ACESCCT.encode(Level::best(), plane);
    }
    planes
}

/// The shot's samples and where their grade is made.
struct Task {
    from: Planes,
    grade_in: Encoding,
}

impl Task {
    fn light(&self, cdl: Cdl) -> Planes {
        let mut planes = self.from.clone();
        let [r, g, b] = &mut planes;
        cdl.apply(Style::NoClamp, Level::best(), [r, g, b]);
        planes
    }

    fn graded(&self, numbers: &solve::Numbers) -> Planes {
        seen(self.light(solve::cdl(numbers)), self.grade_in)
    }

    /// Numbers bettered again and again, in cells that grow smaller.
    fn approached(&self, mut numbers: solve::Numbers, wanted: &Planes) -> solve::Numbers {
        for cell in CELLS {
            for _ in 0..ROUNDS {
                let weights = shares::shares(&self.graded(&numbers), wanted, cell);
                let aim = Bands::of(wanted, &weights.1);
                numbers = solve::bettered(numbers, &|numbers| {
                    Bands::of(&self.graded(numbers), &weights.0).differences(&aim)
                });
            }
        }
        numbers
    }

    /// Medians and spreads met, channel by channel.
    fn start(&self, wanted: &Planes) -> solve::Numbers {
        let graded = self.graded(&[0.0; solve::COUNT]);
        let mut numbers = [0.0; solve::COUNT];
        for c in 0..3 {
            let (from, to) = (middle_and_spread(&graded[c]), middle_and_spread(&wanted[c]));
            let ratio = if from.1 > 1e-4 { (to.1 / from.1).clamp(0.5, 2.0) } else { 1.0 };
            let power;
            let slope;
            if self.grade_in.transfer == Transfer::Linear {
                // Stops are linear light's logarithm: the power is their proportion, the slope moves them.
                let stops = |seen: f64| 17.52 * seen - 9.72;
                (power, slope) = (ratio.ln(), (stops(to.0) / ratio - stops(from.0)) * std::f64::consts::LN_2);
            } else {
                (power, slope) = (0.0, ratio.ln());
                numbers[3 + c] = to.0 - ratio * from.0;
            }
            (numbers[c], numbers[6 + c]) = (slope.clamp(-4.0, 4.0), power);
        }
        numbers
    }
}

/// The median and half of the way between the tenth and the ninetieth of a hundred.
fn middle_and_spread(plane: &[f32]) -> (f64, f64) {
    let mut sorted = plane.to_vec();
    sorted.sort_unstable_by(f32::total_cmp);
    let at = |share: usize| f64::from(sorted[(sorted.len() - 1) * share / 100]);
    (at(50), (at(90) - at(10)) / 2.0)
}

#[cfg(test)]
mod tests;
