//! What a rebuild on a cluster would submit, before it does.
//!
//! Knows how parts are counted and how long they are said to take. Submits nothing.

use super::sizing;
use super::submitting::told;
use super::writing::frames_of;
use crate::base::selector::Selection;
use crate::execute::slurm::Cluster;
use crate::plan::parts::Parts;
use crate::project::{Project, ProjectError, Status};

/// What would be submitted.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Foreseen {
    /// Frames to be made there.
    pub frames: usize,
    /// Tasks.
    pub tasks: usize,
    /// Jobs, one an array.
    pub jobs: usize,
    /// Frames of stages of which none was rendered before, whose time is a guess.
    pub guessed: usize,
    /// What all tasks take together, in seconds of one processor, by what frames took before.
    pub seconds: f64,
    /// What the longest row of tasks takes of which each waits for the one before, in seconds on the clock.
    pub longest: f64,
}

impl Foreseen {
    fn of(parts: &Parts, (frames, guessed): (usize, usize), processors: f64) -> Self {
        let mut ends: Vec<f64> = Vec::with_capacity(parts.parts.len());
        for part in &parts.parts {
            // Whatever a part needs has a lower number.
            let begin = part.needs.iter().map(|need| ends[*need]).fold(0.0, f64::max);
            ends.push(begin + part.seconds / processors);
        }
        Self {
            frames,
            guessed,
            tasks: parts.parts.len(),
            jobs: parts.arrays.len(),
            seconds: parts.parts.iter().map(|part| part.seconds).sum(),
            longest: ends.into_iter().fold(0.0, f64::max),
        }
    }
}

impl Project {
    /// What a rebuild on Slurm would submit.
    ///
    /// # Errors
    /// Slurm does not answer.
    pub fn foresee_on_slurm(
        &self,
        status: &Status,
        selection: &Selection,
        again: bool,
    ) -> Result<Foreseen, ProjectError> {
        let cluster = Cluster::here().map_err(|e| ProjectError::System(e.to_string()))?;
        let bounds = cluster.bounds().map_err(told)?;
        let film = status.declared.film.as_ref();
        let slurm = film.and_then(|film| film.slurm.clone()).unwrap_or_default();
        let parts = self.parted(status, selection, again, &slurm, bounds);
        let graph = &status.declared.graph;
        let known = sizing::measured(graph, &status.ledger.0);
        let frames = (frames_of(graph, &parts, &|_| true), frames_of(graph, &parts, &|id| !known[id]));
        Ok(Foreseen::of(&parts, frames, f64::from(slurm.processors.unwrap_or(1))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::parts::Part;

    #[test]
    fn the_longest_row_is_of_tasks_that_wait_for_one_another() {
        let part = |seconds, needs: &[usize]| Part {
            seconds,
            needs: needs.iter().copied().collect(),
            ..Part::default()
        };
        let parts = Parts {
            parts: vec![part(4.0, &[]), part(6.0, &[]), part(2.0, &[0]), part(1.0, &[1, 2])],
            arrays: vec![],
        };
        let foreseen = Foreseen::of(&parts, (9, 0), 2.0);
        assert_eq!((foreseen.tasks, foreseen.seconds, foreseen.longest), (4, 13.0, 3.5));
    }
}
