//! A stage's frames as they are there now: stored renders, or a plate's own files.
//!
//! Knows where pixels lie. Renders nothing: what is not made yet is for `rebuild`.

use super::track::TrackError;
use super::{Project, ProjectError, Status};
use crate::base::digest::Digest;
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::made::NONE;
use crate::base::state::State;
use crate::graph::{Node, NodeId, Work};
use crate::media::image::Image;
use crate::media::{self, Format};
use crate::observe;
use crate::operators::{Inputs, Prepared, WorkingSpace};
use crate::stale::SourceState;
use crate::store::objects::Objects;

/// The frames of one stage.
pub struct Frames<'a> {
    project: &'a Project,
    status: &'a Status,
    id: NodeId,
    objects: Objects,
}

impl<'a> Frames<'a> {
    /// Those of a stage of the film as it was looked at.
    pub fn new(project: &'a Project, status: &'a Status, id: NodeId) -> Result<Self, TrackError> {
        Ok(Self { project, status, id, objects: Objects::of(&status.store) })
    }

    fn node(&self) -> &'a Node {
        &self.status.declared.graph.nodes[self.id]
    }

    /// What the numbers of pixels mean.
    pub fn space(&self) -> WorkingSpace {
        self.status.declared.graph.space
    }

    /// The digest of a frame's stored pixels: of a fresh one, or of one that goes on being used though it is stale.
    fn stored(&self, frame: i64) -> Option<Digest> {
        let cell = self.status.report.strips[self.id].get(frame)?;
        let is_good = cell.state == State::Fresh || cell.is_in_use();
        (is_good && cell.pixels != NONE).then_some(cell.pixels)
    }

    /// The plate's source and how it is decoded, when its frames leave no renders.
    fn plate(&self) -> Option<(usize, &'a dyn Prepared)> {
        match &self.node().work {
            Work::Plate { source, decode } if self.node().is_passed_on() => Some((*source, &**decode)),
            _ => None,
        }
    }

    /// Fails unless all frames of a range can be had.
    pub fn all_there(&self, range: FrameRange) -> Result<(), TrackError> {
        let is_there = |frame: &i64| match self.plate() {
            Some((source, _)) => self.status.seen[source]
                .get(*frame)
                .is_some_and(|sight| matches!(sight.state, SourceState::Known(_))),
            None => self.stored(*frame).is_some(),
        };
        let frames: FrameSet = range.iter().filter(|frame| !is_there(frame)).collect();
        if frames.is_empty() {
            return Ok(());
        }
        let place = format!("{}@{frames}", self.node().name());
        Err(TrackError::NotMade { place, frames })
    }

    /// A frame's pixels.
    pub fn image(&self, frame: i64) -> Result<Image, TrackError> {
        let Some((source, decode)) = self.plate() else {
            let missing = || {
                let frames: FrameSet = [frame].into_iter().collect();
                TrackError::NotMade { place: format!("{}@{frame}", self.node().name()), frames }
            };
            let pixels = self.stored(frame).ok_or_else(missing)?;
            return self.objects.get(&pixels).map_err(|e| TrackError::Project(e.into()));
        };
        let path = observe::path(&self.project.folder, &self.status.declared.graph.sources[source], frame);
        let wrong =
            |words: String| TrackError::Project(ProjectError::System(format!("{}: {words}", path.display())));
        let bytes = std::fs::read(&path).map_err(|e| wrong(e.to_string()))?;
        let format = Format::of_path(&path.to_string_lossy())
            .ok_or_else(|| wrong("no picture format that is read".into()))?;
        let raster = media::decode(format, &bytes).map_err(|e| wrong(e.to_string()))?;
        decode.apply(&Inputs { frames: &[], raster: Some(&raster) }, frame).map_err(|e| wrong(e.to_string()))
    }

    /// Which pixels of a frame a matte hides by half or more.
    pub fn hidden(&self, frame: i64, channel: usize) -> Result<Vec<bool>, TrackError> {
        Ok(self.image(frame)?.plane_f32(channel).into_iter().map(|v| v >= 0.5).collect())
    }
}
