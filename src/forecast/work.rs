//! The work that remains: tasks, what each rests on, how long each may take, and who can do it.
//!
//! Knows tasks by number. Does not know the graph that they came from, nor dates.

use std::sync::Arc;

use super::calendar::Calendar;
use super::chance::{FURTHEST, Three, mixed, normal, share_of_normal};
use super::rates::Whose;

/// How many steps of the normal curve a table of a three-point estimate has for every deviation.
const STEPS: f64 = 64.0;
/// Of what is begun, at least this part of the whole is taken to be left.
const LEFT: f64 = 0.1;

/// How long one unit of a stage (a frame, or a shot) may take, in hours.
#[derive(Clone, Debug)]
pub enum Pace {
    /// Lognormal: the natural logarithm of the middle, how unsure that is (shared by all tasks of the stage in one run), and how
    /// much tasks differ.
    Measured {
        /// Logarithm of hours a unit.
        middle: f64,
        /// Standard deviation that all tasks share.
        unsure: f64,
        /// Standard deviation of each.
        spread: f64,
    },
    /// By a curve of somebody's estimate: its quantiles at steps of the normal curve, and the weights of the draw that all tasks
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
    /// Of a three-point estimate in hours. `together` is how much of the variance all tasks of the stage share, from 0 to 1:
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

    /// Hours a unit for a draw that the stage shares and one of the task's own, both of the normal curve.
    pub fn draw(&self, of_stage: f64, of_task: f64) -> f64 {
        match self {
            Self::Measured { middle, unsure, spread } => {
                (middle + unsure * of_stage + spread * of_task).exp()
            }
            Self::Estimated { quantiles, shared, own, .. } => {
                let z = (shared * of_stage + own * of_task).clamp(-FURTHEST, FURTHEST);
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
#[derive(Clone, Debug)]
pub struct Worker {
    /// The name.
    pub name: Arc<str>,
    /// The hours of every day. A machine's are as many times as long as frames render on it side by side.
    pub calendar: Calendar,
}

/// What the tasks of one stage have in common: by hands or by machine, which are stages apart here.
#[derive(Clone, Debug)]
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
#[derive(Clone, Debug)]
pub struct Task {
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
    /// Tasks that must be done before it, all of lower number.
    pub needs: Vec<u32>,
    /// What its draws follow from: its name, so that they stay when other tasks come and go.
    pub seed: u64,
    /// Only this worker does it, who has it already.
    pub only: Option<usize>,
}

/// All that remains.
#[derive(Clone, Debug, Default)]
pub struct Work {
    /// Tasks, each after all that it needs.
    pub tasks: Vec<Task>,
    /// Stages.
    pub stages: Vec<Stage>,
    /// People and machines.
    pub workers: Vec<Worker>,
}

impl Work {
    /// Hours of each task in one run, for planned ones; 0 else. Of a stage, one draw for how its rate is off and one for how much rework
    /// comes are shared by all its tasks; how shots differ is drawn for each.
    pub fn durations(&self, run: u64, hours: &mut Vec<f64>) {
        let shared: Vec<(f64, f64)> = (self.stages.iter())
            .map(|stage| {
                let z = |salt| normal(mixed(run, stage.seed.wrapping_add(salt)));
                let (ratio, error) = stage.rework;
                (z(1), (ratio + error * z(2)).max(0.0))
            })
            .collect();
        let of = |task: &Task| {
            let stage = &self.stages[task.stage];
            let Some(pace) = stage.pace.as_ref().filter(|_| stage.is_planned()) else { return 0.0 };
            let (of_stage, rework) = shared[task.stage];
            hours_of(task, pace.draw(of_stage, normal(mixed(run, task.seed))), rework)
        };
        hours.clear();
        hours.extend(self.tasks.iter().map(of));
    }

    /// Hours of each task on average, planned or not; nothing where nothing tells.
    pub fn expected(&self) -> Vec<Option<f64>> {
        let of = |task: &Task| {
            let stage = &self.stages[task.stage];
            stage.pace.as_ref().map(|pace| hours_of(task, pace.mean(), stage.rework.0))
        };
        self.tasks.iter().map(of).collect()
    }
}

/// Hours that a task takes when a unit of it takes `unit`.
fn hours_of(task: &Task, unit: f64, rework: f64) -> f64 {
    let whole = unit * (task.units * (1.0 + rework) + task.again);
    if task.begun > 0.0 { (whole - task.begun).max(LEFT * whole) } else { whole }
}

/// For every task the longest way to its beginning and from its beginning to the end, both in what `lasts` is in: the
/// critical-path method (Kelley & Walker 1959, "Critical-path planning and scheduling"). `needs` gives what each rests on, of
/// lower number. A task lies on a longest way when the two come to the whole.
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
