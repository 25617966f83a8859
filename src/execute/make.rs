//! Making one frame, with its time and its place in the ledger.

use std::time::{Duration, Instant};

use super::settle::{Due, unbroken};
use super::{Engine, Ready, Stop};
use crate::base::digest::Digest;
use crate::base::made::NONE;
use crate::events::How;
use crate::graph::NodeId;
use crate::media::render::Render;
use crate::programs::Cost;
use crate::store::StoreError;

/// Why a frame could not be made.
#[derive(Debug)]
pub(super) struct Trouble {
    pub reason: String,
    pub log: Option<std::path::PathBuf>,
    pub rests_on: RestsOn,
}

/// What a trouble rests on, which says when the frame is to be tried again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum RestsOn {
    /// What went into the frame's key: with just that it would fail again, so that it is not tried again.
    Key,
    /// Something that the key does not know, such as a file that was being saved, a program that is not installed, or a
    /// frame of another stage: the next run tries again.
    Moment,
    /// Only the end of the run: the frame did not fail.
    End,
}

impl Trouble {
    /// The run ended first.
    pub fn stopped() -> Self {
        Self { reason: "the run was stopped".into(), log: None, rests_on: RestsOn::End }
    }

    /// What stood in the way says nothing about the next run.
    pub fn of_the_moment(reason: String) -> Self {
        Self { reason, log: None, rests_on: RestsOn::Moment }
    }

    /// The trouble of `place` as that of a frame which needs it, whose key does not know why it failed.
    pub fn further_up(self, place: &str) -> Self {
        match self.rests_on {
            RestsOn::End => self,
            _ => Self { reason: format!("{place}: {}", self.reason), rests_on: RestsOn::Moment, ..self },
        }
    }

    /// The key under which a frame is remembered as failed; none when the next run is to try it again.
    pub fn failed(&self, key: Digest) -> Digest {
        if self.rests_on == RestsOn::Key { key } else { NONE }
    }
}

impl From<String> for Trouble {
    fn from(reason: String) -> Self {
        Self { reason, log: None, rests_on: RestsOn::Key }
    }
}

impl Engine<'_> {
    pub(super) fn make(&self, id: NodeId, frame: i64, due: Due) -> Result<Ready, Stop> {
        let (began, cpu) = (Instant::now(), thread_cpu());
        let mut cost = Cost::default();
        // An operator that breaks costs its frame, not the run.
        let made = unbroken(|| self.compute(id, frame, &mut cost))
            .unwrap_or_else(|words| Err(self.broke(id, &words).into()));
        let spent = || (began.elapsed(), thread_cpu().saturating_sub(cpu) + cost.children, cost.peak);
        let first = due.first;
        let cause = due.cause.clone();
        match made {
            Ok(image) => {
                let ready = self.record(id, frame, due, self.take_in(id, image)?)?;
                self.tally.rendered(&self.graph.nodes[id], frame, cause, first, spent());
                self.announce(id, frame, How::Rendered);
                Ok(ready)
            }
            Err(trouble) if trouble.rests_on == RestsOn::End => Err(Stop::Ending),
            Err(trouble) => {
                self.tally.failed(&self.graph.nodes[id], frame, cause, first, spent(), &trouble.reason);
                self.fail(id, frame, trouble.failed(due.key), trouble.reason, trouble.log);
                Err(Stop::Failed)
            }
        }
    }

    /// The store refused to take something for a frame, so that the run ends and the frame did not fail.
    pub(super) fn refused(&self, error: &StoreError) -> Trouble {
        self.broken(error);
        Trouble::stopped()
    }

    /// Computes a frame's pixels, or a block's samples, from its inputs' pixels or its file. What other programs took is added to `cost`.
    pub(super) fn compute(&self, id: NodeId, frame: i64, cost: &mut Cost) -> Result<Render, Trouble> {
        use crate::graph::Work;
        use crate::operators::{Inputs, Made};
        let node = &self.graph.nodes[id];
        match &node.work {
            Work::Plate { source, decode } => {
                let raster = self.raster(*source, frame)?;
                let Made { image, remark } = decode
                    .make(&Inputs { frames: &[], raster: Some(&raster) }, frame)
                    .map_err(|e| e.to_string())?;
                self.remark_on_file(id, *source, frame, remark);
                Ok(image.into())
            }
            Work::Hand { source, decode, delivers } => {
                let raster = self.raster(*source, frame)?;
                let size = self.graph.frame_size;
                let Made { image, remark } =
                    super::source::delivered(raster, delivers, &**decode, frame, size)?;
                self.remark_on_file(id, *source, frame, remark);
                Ok(image.into())
            }
            Work::Operator { prepared, .. } => {
                let inputs = self.inputs(id, frame, cost)?;
                let _places = self.occupy(id)?;
                let inputs = Inputs { frames: &inputs, raster: None };
                let Made { image, remark } = prepared.make(&inputs, frame).map_err(|e| e.to_string())?;
                remark.into_iter().for_each(|text| self.remark(id, frame, text));
                Ok(image.into())
            }
            Work::Clip { source } => Ok(self.clip(*source)?.into()),
            Work::Sound { prepared, .. } => {
                let heard = self.heard(id, frame, cost)?;
                let _places = self.occupy(id)?;
                Ok(prepared.apply(&heard, frame).map_err(|e| e.to_string())?.into())
            }
            Work::Command(work) => {
                let frames = crate::base::frames::FrameRange::one(frame);
                let mut made = None;
                self.call(id, work, frames, &[frame], cost, &mut |_, image| {
                    made = Some(image);
                    Ok(())
                })?;
                Ok(made.ok_or_else(|| "the command delivered nothing".to_string())?.into())
            }
        }
    }
}

/// Processor time of this thread.
pub(super) fn thread_cpu() -> Duration {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(now.tv_sec as u64, now.tv_nsec as u32)
}
