//! Making one frame, with its time and its place in the ledger.

use std::sync::Arc;
use std::time::{Duration, Instant};

use super::settle::Due;
use super::{Engine, Ready, Stop};
use crate::base::made::NONE;
use crate::events::How;
use crate::graph::NodeId;
use crate::media::image::Image;

/// Why a frame could not be made.
pub(super) struct Trouble {
    pub reason: String,
    pub log: Option<std::path::PathBuf>,
}

impl From<String> for Trouble {
    fn from(reason: String) -> Self {
        Self { reason, log: None }
    }
}

/// What making a frame cost, beyond the time of the thread that waited for it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Cost {
    /// Processor time of child processes.
    pub children: Duration,
    /// Peak memory of a child process.
    pub peak: Option<u64>,
}

impl Engine<'_> {
    pub(super) fn make(&self, id: NodeId, frame: i64, due: Due) -> Result<Ready, Stop> {
        let (began, cpu) = (Instant::now(), thread_cpu());
        // An operator that breaks costs its frame, not the run.
        let made = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| self.compute(id, frame)))
            .unwrap_or_else(|_| {
                Err(format!("{} broke on this frame; please report it", self.graph.nodes[id].kind()).into())
            });
        let spent =
            |cost: &Cost| (began.elapsed(), thread_cpu().saturating_sub(cpu) + cost.children, cost.peak);
        match made {
            Ok((image, cost)) => {
                let image = Arc::new(image);
                let first = due.last.key == NONE;
                let cause = due.cause.clone();
                let ready = self.record(id, frame, due, image)?;
                self.tally.rendered(&self.graph.nodes[id], frame, cause, first, spent(&cost));
                self.announce(id, frame, How::Rendered);
                Ok(ready)
            }
            Err(_) if self.is_ending() => Err(Stop::Ending),
            Err(trouble) => {
                let first = due.last.key == NONE;
                self.tally.failed(
                    &self.graph.nodes[id],
                    frame,
                    due.cause.clone(),
                    first,
                    spent(&Cost::default()),
                    &trouble.reason,
                );
                self.fail(id, frame, due.key, trouble.reason, trouble.log);
                Err(Stop::Failed)
            }
        }
    }

    /// Computes a frame's pixels from its inputs' pixels or its file.
    pub(super) fn compute(&self, id: NodeId, frame: i64) -> Result<(Image, Cost), Trouble> {
        use crate::graph::Work;
        use crate::operators::Inputs;
        let node = &self.graph.nodes[id];
        match &node.work {
            Work::Plate { source, decode } => {
                let raster = self.raster(*source, frame)?;
                let image = decode
                    .apply(&Inputs { frames: &[], raster: Some(&raster) }, frame)
                    .map_err(|e| e.to_string())?;
                Ok((image, Cost::default()))
            }
            Work::Hand { source, decode, delivers } => {
                let raster = self.raster(*source, frame)?;
                let image =
                    super::source::delivered(raster, delivers, &**decode, frame, self.graph.frame_size)?;
                Ok((image, Cost::default()))
            }
            Work::Operator { prepared, .. } => {
                let inputs = self.inputs(id, frame)?;
                let image = prepared
                    .apply(&Inputs { frames: &inputs, raster: None }, frame)
                    .map_err(|e| e.to_string())?;
                Ok((image, Cost::default()))
            }
            Work::Command(work) => {
                let frames = crate::base::frames::FrameRange::one(frame);
                let (mut images, cost) = self.call(id, work, frames)?;
                Ok((images.pop().ok_or_else(|| "the command delivered nothing".to_string())?, cost))
            }
        }
    }
}

/// Processor time of this thread.
pub(super) fn thread_cpu() -> Duration {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(now.tv_sec as u64, now.tv_nsec as u32)
}
