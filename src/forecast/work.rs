//! The work that remains: pieces, what each rests on, how long each may take, and who can do it.
//!
//! Knows pieces by number. Does not know the graph that they came from, nor dates.

use std::sync::Arc;

use super::calendar::Calendar;
use super::chance::{FURTHEST, Three, mixed, normal, share_of_normal};
use super::rates::Whose;

/// How many steps of the normal curve a table of a three-point estimate has for every deviation.
const STEPS: f64 = 64.0;
/// Of what is begun, at least this part of the whole is taken to be left.
const LEFT: f64 = 0.1;

/// How long one unit of a stage (a frame, or a shot) may take, in hours.
#[derive(Clone, Debug, PartialEq)]
pub enum Pace {
    /// Lognormal: the natural logarithm of the middle, how unsure that is (shared by all pieces of the stage in one run), and how
    /// much pieces differ.
    Measured {
        /// Logarithm of hours a unit.
        middle: f64,
        /// Standard deviation that all pieces share.
        unsure: f64,
        /// Standard deviation of each.
        spread: f64,
    },
    /// By a curve of somebody's estimate: its quantiles at steps of the normal curve, and the weights of the draw that all pieces
    /// of the stage share and of each one's own; the squares of both come to one.
    Estimated {
        /// Hours a unit.
        quantiles: Arc<[f64]>,
        /// Weight of the shared draw.
        shared: f64,
        /// Weight of the own draw.
        own: f64,
        /// Hours a unit on average.
        mean: f64,
    },
}

impl Pace {
    /// Of a three-point estimate in hours. `together` is how much of the variance all pieces of the stage share, from 0 to 1:
    /// whoever guesses one shot too short guesses all too short.
    pub fn of_three(three: &Three, together: f64) -> Self {
        Self::of_quantiles(|p| three.quantile(p), three.mean(), together)
    }

    /// Of any curve given by its quantiles in hours.
    pub fn of_quantiles(quantile: impl Fn(f64) -> f64, mean: f64, together: f64) -> Self {
        let last = (2.0 * FURTHEST * STEPS) as usize;
        let at = |i: usize| {
            let p = share_of_normal(i as f64 / STEPS - FURTHEST);
            quantile(p.clamp(1e-15, 1.0 - 1e-15))
        };
        Self::Estimated {
            quantiles: (0..=last).map(at).collect(),
            shared: together.sqrt(),
            own: (1.0 - together).sqrt(),
            mean,
        }
    }

    /// Hours a unit on average.
    pub fn mean(&self) -> f64 {
        match self {
            Self::Measured { middle, unsure, spread } => {
                (middle + 0.5 * (unsure.powi(2) + spread.powi(2))).exp()
            }
            Self::Estimated { mean, .. } => *mean,
        }
    }

    /// Hours a unit for a draw that the stage shares and one of the piece's own, both of the normal curve.
    pub fn draw(&self, of_stage: f64, of_piece: f64) -> f64 {
        match self {
            Self::Measured { middle, unsure, spread } => {
                (middle + unsure * of_stage + spread * of_piece).exp()
            }
            Self::Estimated { quantiles, shared, own, .. } => {
                let z = (shared * of_stage + own * of_piece).clamp(-FURTHEST, FURTHEST);
                let at = (z + FURTHEST) * STEPS;
                let low = (at as usize).min(quantiles.len() - 2);
                let part = at - low as f64;
                quantiles[low] + part * (quantiles[low + 1] - quantiles[low])
            }
        }
    }

    /// The same, `times` as fast.
    pub fn faster(&self, times: f64) -> Self {
        match self {
            Self::Measured { middle, unsure, spread } => {
                Self::Measured { middle: middle - times.ln(), unsure: *unsure, spread: *spread }
            }
            Self::Estimated { quantiles, shared, own, mean } => Self::Estimated {
                quantiles: quantiles.iter().map(|q| q / times).collect(),
                shared: *shared,
                own: *own,
                mean: mean / times,
            },
        }
    }
}

/// A person or a machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Worker {
    /// The name.
    pub name: Arc<str>,
    /// The hours of every day. A machine's are as many times as long as frames render on it side by side.
    pub calendar: Calendar,
}

/// What the pieces of one stage have in common: by hands or by machine, which are stages apart here.
#[derive(Clone, Debug, PartialEq)]
pub struct Stage {
    /// Its name.
    pub name: Arc<str>,
    /// Whose time it takes.
    pub whose: Whose,
    /// How long a unit takes; none where nothing tells.
    pub pace: Option<Pace>,
    /// Hours of rework for an hour of first pass, and the standard error of that.
    pub rework: (f64, f64),
    /// Who can do it: indices of workers, rising.
    pub who: Vec<usize>,
    /// What its draws follow from.
    pub seed: u64,
    /// What its pace rests on.
    pub basis: Basis,
    /// What its frames are.
    pub counts: Counts,
}

/// What the frames of a stage are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Counts {
    /// Pictures.
    #[default]
    Frames,
    /// Blocks of sound.
    Blocks,
    /// Both, as in a delivery.
    Both,
}

/// What the pace of a stage rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Basis {
    /// On so many measured shots, which makes it so sure, in words.
    Measured(usize, &'static str),
    /// On other stages of the same operator.
    Alike,
    /// On what somebody guessed in the declaration.
    Guessed,
    /// On nothing: there is no pace.
    Unknown,
}

impl Stage {
    /// True when it can be planned: its time is known and somebody does it.
    pub fn is_planned(&self) -> bool {
        self.pace.is_some() && !self.who.is_empty()
    }
}

/// What remains of one stage of one shot.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// The shot.
    pub shot: Arc<str>,
    /// Index of its stage.
    pub stage: usize,
    /// Frames that are not done.
    pub frames: u64,
    /// Units of first pass.
    pub units: f64,
    /// Units of rework that are known to be due: as many units of first pass as they take as long as.
    pub again: f64,
    /// Hours that were spent on it already.
    pub begun: f64,
    /// Pieces that must be done before it, all of lower number.
    pub needs: Vec<u32>,
    /// What its draws follow from: its name, so that they stay when other pieces come and go.
    pub seed: u64,
    /// Only this worker does it, who has it already.
    pub only: Option<usize>,
    /// Whether it is asked when it is done; what is not asked for takes people's time all the same.
    pub asked: bool,
    /// Hands look at what is made and approve it; they make nothing.
    pub is_approval: bool,
}

/// All that remains.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Work {
    /// Pieces, each after all that it needs.
    pub pieces: Vec<Piece>,
    /// Stages.
    pub stages: Vec<Stage>,
    /// People and machines.
    pub workers: Vec<Worker>,
}

/// What is drawn for one run, all of the normal curve. Works that differ by a change have it in common.
#[derive(Debug, Default)]
pub struct Draws {
    /// Of each stage: how its rate is off, and how much rework comes.
    stages: Vec<(f64, f64)>,
    /// Of each piece: how it differs from others of its stage.
    pieces: Vec<f64>,
}

impl Work {
    /// Draws for a run. Each hangs on the name of what it is for, and on the run.
    pub fn draw(&self, run: u64, draws: &mut Draws) {
        let of_stage = |stage: &Stage| {
            let z = |salt| normal(mixed(run, stage.seed.wrapping_add(salt)));
            (z(1), z(2))
        };
        draws.stages.clear();
        draws.stages.extend(self.stages.iter().map(of_stage));
        draws.pieces.clear();
        draws.pieces.extend(self.pieces.iter().map(|piece| normal(mixed(run, piece.seed))));
    }

    /// Hours of each piece in a run of these draws, for planned ones; 0 else. Of a stage, one draw for how its rate is off and one
    /// for how much rework comes are shared by all its pieces; how shots differ is drawn for each.
    pub fn hours(&self, draws: &Draws, hours: &mut Vec<f64>) {
        let of_stage = |(stage, &(off, rework)): (&Stage, &(f64, f64))| {
            let (ratio, error) = stage.rework;
            stage
                .pace
                .clone()
                .filter(|_| stage.is_planned())
                .map(|pace| (pace, off, (ratio + error * rework).max(0.0)))
        };
        let stages: Vec<Option<(Pace, f64, f64)>> =
            self.stages.iter().zip(&draws.stages).map(of_stage).collect();
        let of = |(piece, &own): (&Piece, &f64)| match &stages[piece.stage] {
            Some((pace, off, rework)) => hours_of(piece, pace.draw(*off, own), *rework),
            None => 0.0,
        };
        hours.clear();
        hours.extend(self.pieces.iter().zip(&draws.pieces).map(of));
    }

    /// Of each piece whether it is asked for, or needed by one that is.
    pub fn needed(&self) -> Vec<bool> {
        let mut needed: Vec<bool> = self.pieces.iter().map(|piece| piece.asked).collect();
        for at in (0..self.pieces.len()).rev() {
            if needed[at] {
                self.pieces[at].needs.iter().for_each(|&need| needed[need as usize] = true);
            }
        }
        needed
    }

    /// Hours of each piece on average, planned or not; nothing where nothing tells.
    pub fn expected(&self) -> Vec<Option<f64>> {
        let of = |piece: &Piece| {
            let stage = &self.stages[piece.stage];
            stage.pace.as_ref().map(|pace| hours_of(piece, pace.mean(), stage.rework.0))
        };
        self.pieces.iter().map(of).collect()
    }
}

/// Hours that a piece takes when a unit of it takes `unit`.
fn hours_of(piece: &Piece, unit: f64, rework: f64) -> f64 {
    let whole = unit * (piece.units * (1.0 + rework) + piece.again);
    if piece.begun > 0.0 { (whole - piece.begun).max(LEFT * whole) } else { whole }
}

/// For every piece the longest way to its beginning and from its beginning to the end, both in what `lasts` is in: the
/// critical-path method (Kelley & Walker 1959, "Critical-path planning and scheduling"). `needs` gives what each rests on, of
/// lower number. A piece lies on a longest way when the two come to the whole.
pub fn paths<'a>(lasts: &[f64], needs: impl Fn(usize) -> &'a [u32]) -> (Vec<f64>, Vec<f64>) {
    let (mut heads, mut tails) = (vec![0.0f64; lasts.len()], lasts.to_vec());
    for i in 0..lasts.len() {
        heads[i] = needs(i).iter().map(|&n| heads[n as usize] + lasts[n as usize]).fold(0.0, f64::max);
    }
    for i in (0..lasts.len()).rev() {
        for &n in needs(i) {
            let n = n as usize;
            tails[n] = tails[n].max(lasts[n] + tails[i]);
        }
    }
    (heads, tails)
}
