//! What a hand stage's frame rests on now, and the pictures of it.
//!
//! Knows which renders and plates may be handed out. A plate that nobody has decoded yet is read here, as its pixels tell whether
//! it is another picture.

use std::collections::BTreeMap;

use super::Hand;
use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::base::made::NONE;
use crate::base::state::State;
use crate::declare::film::Media;
use crate::graph::NodeId;
use crate::media::image::Image;
use crate::observe;
use crate::project::frames::{Frames, Lack, Lacking};
use crate::project::{Project, Status, plates};
use crate::stale::{self, Input};
use crate::store::objects::Objects;

/// The frames of one input.
pub struct Source<'a> {
    project: &'a Project,
    status: &'a Status,
    id: NodeId,
    frames: Frames<'a>,
    /// Whether last renders of what is stale are taken.
    as_it_is: bool,
}

impl<'a> Source<'a> {
    /// Those of a node.
    pub fn new(project: &'a Project, status: &'a Status, id: NodeId, as_it_is: bool) -> Self {
        Self { project, status, id, frames: Frames::new(project, status, id), as_it_is }
    }

    /// The last render of a stale frame, when it is stored.
    fn last(&self, frame: i64) -> Option<Digest> {
        let node = &self.status.declared.graph.nodes[self.id];
        let is_stale = self.status.report.strips[self.id].get(frame).is_some_and(|c| c.state == State::Stale);
        let table = self.status.state.table(&node.shot, &node.stage)?;
        let pixels = table.get(frame).filter(|row| is_stale && row.key != NONE)?.pixels;
        (self.as_it_is && Objects::of(&self.status.store).has(&pixels)).then_some(pixels)
    }

    /// Whether a frame can be handed out.
    pub fn has(&self, frame: i64) -> bool {
        self.frames.has(frame) || self.last(frame).is_some() || self.is_beyond(frame)
    }

    /// Whether a frame lies outside of what the film makes of a plate, and its file is there to be looked at.
    fn is_beyond(&self, frame: i64) -> bool {
        let graph = &self.status.declared.graph;
        let node = &graph.nodes[self.id];
        let Some(source) = node.source().filter(|_| node.is_passed_on()) else { return false };
        let source = &graph.sources[source];
        !node.frames.contains(frame)
            && matches!(source.media, Media::Files(_))
            && observe::path(&self.project.folder, source, frame).is_file()
    }

    /// Those among these that cannot be.
    pub fn lacking(&self, frames: &FrameSet) -> Vec<Lack> {
        self.frames.lacking(frames.iter().filter(|&n| self.last(n).is_none()))
    }

    /// Those among these that are not what the declaration asks for.
    pub fn kept(&self, frames: &FrameSet) -> FrameSet {
        let mut kept = self.frames.kept(frames.iter());
        frames.iter().filter(|&n| !self.frames.has(n) && self.last(n).is_some()).for_each(|n| kept.insert(n));
        kept
    }

    /// A frame's picture.
    ///
    /// # Errors
    /// It is not there, or not sound.
    pub fn image(&self, frame: i64) -> Result<Image, Lacking> {
        if self.is_beyond(frame) {
            let (graph, seen) = (&self.status.declared.graph, &self.status.seen);
            let read = plates::read(&self.project.folder, graph, seen, self.id, frame);
            return read.map(|(_, made)| made.image).map_err(|why| {
                let place = stale::place(&graph.nodes[self.id], frame);
                Lacking(vec![Lack {
                    place,
                    why,
                    way: "look at that file, or hand out fewer frames `--around`".into(),
                }])
            });
        }
        match self.last(frame).filter(|_| !self.frames.has(frame)) {
            Some(pixels) => {
                let stored = Objects::of(&self.status.store).picture(&pixels);
                stored.map(std::sync::Arc::unwrap_or_clone).map_err(|why| {
                    let place = stale::place(&self.status.declared.graph.nodes[self.id], frame);
                    let way = format!("`endboard rebuild {place}` makes it again");
                    Lacking(vec![Lack { place, why: why.to_string(), way }])
                })
            }
            None => self.frames.image(frame),
        }
    }

    /// The digest of a frame's picture, or of one channel of it.
    fn digest(&self, frame: i64, channel: Option<&str>) -> Option<Digest> {
        let digest = self.image(frame).ok()?.digest();
        match channel {
            None => Some(digest.whole),
            Some(channel) => digest.planes.into_iter().find(|(name, _)| &**name == channel).map(|(_, of)| of),
        }
    }
}

/// By frame, what it rests on now with what that is made of; none where that is not known before a rebuild. With `as_it_is` last
/// renders of what is stale count as what there is.
pub fn rest_on(
    project: &Project,
    status: &Status,
    hand: Hand<'_>,
    frames: &FrameSet,
    as_it_is: bool,
) -> BTreeMap<i64, Option<(Digest, Vec<Digest>)>> {
    let graph = &status.declared.graph;
    let sources: BTreeMap<NodeId, Source<'_>> = (hand.node.inputs.iter())
        .map(|edge| (edge.from, Source::new(project, status, edge.from, as_it_is)))
        .collect();
    project.ask(status, |known| {
        let mut seen = |from: NodeId, n: i64, channel: Option<&str>| {
            let Some(cell) = status.report.strips[from].get(n) else { return Input::Missing };
            let now = stale::input(known, &cell, channel);
            let is_read = graph.nodes[from].is_passed_on() || as_it_is;
            match sources.get(&from).filter(|_| is_read && !matches!(now, Input::Pixels(_))) {
                Some(source) => source.digest(n, channel).map_or(now, Input::Pixels),
                None => now,
            }
        };
        let on = |frame| (frame, stale::rests_on(graph, hand.id, frame, &mut seen).ok());
        frames.iter().map(on).collect()
    })
}
