//! Pixels of settled frames: from memory, from the store, or computed anew where nothing was kept.

use std::sync::{Arc, Mutex};

use super::cache::Cache;
use super::make::Trouble;
use super::{Engine, Ready, Stop};
use crate::graph::{Edge, NodeId, Work};
use crate::media::image::{Channel, Image};
use crate::media::render::Render;
use crate::media::sound::Sound;
use crate::programs::Cost;

/// Frames of one input by their numbers.
type Frames = Vec<(i64, Arc<Image>)>;
/// Blocks of one input by their numbers.
pub(super) type Blocks = Vec<(i64, Arc<Sound>)>;

impl Engine<'_> {
    /// Input frames of a frame, in the order of its edges.
    pub(super) fn inputs(&self, id: NodeId, frame: i64, cost: &mut Cost) -> Result<Vec<Frames>, Trouble> {
        let node = &self.graph.nodes[id];
        let mut wanted = Vec::new();
        self.graph
            .each_need(id, frame, &mut |_, index, range| wanted.extend(range.iter().map(|n| (index, n))));
        let mut lists: Vec<Frames> = node.inputs.iter().map(|_| Vec::new()).collect();
        for (index, n) in wanted {
            lists[index].push((n, self.input(&node.inputs[index], n, cost)?));
        }
        Ok(lists)
    }

    /// One frame of an input.
    pub(super) fn input(&self, edge: &Edge, frame: i64, cost: &mut Cost) -> Result<Arc<Image>, Trouble> {
        let ready = self.ready(edge.from, frame)?;
        let Render::Picture(image) = self.render(edge.from, frame, &ready, cost)? else {
            let from = self.graph.nodes[edge.from].name();
            return Err(Trouble::from(format!("{from}@{frame} is sound, and no picture")));
        };
        let Some(channel) = &edge.channel else { return Ok(image) };
        let picked = picked(&image, channel).ok_or_else(|| {
            let from = self.graph.nodes[edge.from].name();
            Trouble::from(format!("{from}@{frame} came without its channel '{channel}'"))
        })?;
        Ok(Arc::new(picked))
    }

    /// Blocks of sound that a block needs, in the order of its edges.
    pub(super) fn heard(&self, id: NodeId, block: i64, cost: &mut Cost) -> Result<Vec<Blocks>, Trouble> {
        let node = &self.graph.nodes[id];
        let mut wanted = Vec::new();
        self.graph
            .each_need(id, block, &mut |_, index, range| wanted.extend(range.iter().map(|n| (index, n))));
        let mut lists: Vec<Blocks> = node.inputs.iter().map(|_| Vec::new()).collect();
        for (index, n) in wanted {
            let from = node.inputs[index].from;
            let ready = self.ready(from, n)?;
            let Render::Sound(sound) = self.render(from, n, &ready, cost)? else {
                let from = self.graph.nodes[from].name();
                return Err(Trouble::from(format!("{from}@{n} is a picture, and no sound")));
            };
            lists[index].push((n, sound));
        }
        Ok(lists)
    }

    /// What holds renders of a node in memory: clips are held whole for as long as their film is mixed, and so are apart from
    /// pictures, which pass.
    pub(super) fn held(&self, id: NodeId) -> &Mutex<Cache> {
        if matches!(self.graph.nodes[id].work, Work::Clip { .. }) { &self.clips } else { &self.cache }
    }

    /// A frame that was settled before, in this run or earlier.
    pub(super) fn ready(&self, id: NodeId, frame: i64) -> Result<Ready, Trouble> {
        loop {
            match self.ensure(id, frame) {
                Ok(ready) => return Ok(ready),
                Err(Stop::Later) => self.wait(),
                Err(Stop::Awaits(wanted)) => {
                    // Somebody is at work who waits for just this, and takes nothing of what else came meanwhile: what is not under
                    // way already is asked for by the worker itself.
                    self.options.shared.iter().for_each(|shared| shared.ask_oneself(&wanted));
                    self.wait();
                }
                Err(Stop::Ending) => return Err(Trouble::stopped()),
                Err(Stop::Failed) => {
                    let place = crate::stale::place(&self.graph.nodes[id], frame);
                    return Err(Trouble::of_the_moment(format!("{place} is not to be had")));
                }
            }
        }
    }

    /// A settled frame's pixels, or a block's samples.
    pub(super) fn render(
        &self,
        id: NodeId,
        frame: i64,
        ready: &Ready,
        cost: &mut Cost,
    ) -> Result<Render, Trouble> {
        if let Some(render) = self.held(id).lock().expect("no worker panics with it").get(&ready.pixels) {
            return Ok(render);
        }
        let node = &self.graph.nodes[id];
        if node.keep || self.objects.has(&ready.pixels) {
            match self.objects.get(&ready.pixels) {
                Ok(render) => {
                    self.held(id).lock().expect("no worker panics with it").put(ready.pixels, render.clone());
                    return Ok(render);
                }
                // Gone or damaged: it is computed again below and put back.
                Err(error) => {
                    tracing::warn!(frame = %crate::stale::place(node, frame), %error, "computed again")
                }
            }
        }
        let place = crate::stale::place(node, frame);
        let render = self.compute(id, frame, cost).map_err(|trouble| trouble.further_up(&place))?;
        let digest = render.digest();
        if digest.whole != ready.pixels {
            return Err(Trouble::of_the_moment(self.otherwise(id, frame)));
        }
        if node.keep {
            let to = self.project.join(super::settle::render_path(&node.shot, &node.stage, frame));
            let put =
                self.objects.put(&digest.whole, &render).and_then(|_| self.objects.link(&digest.whole, &to));
            put.map_err(|e| self.refused(&e))?;
        }
        self.held(id).lock().expect("no worker panics with it").put(ready.pixels, render.clone());
        Ok(render)
    }

    /// What to say of a frame whose pixels had to be computed again, and came out otherwise.
    fn otherwise(&self, id: NodeId, frame: i64) -> String {
        let node = &self.graph.nodes[id];
        let place = crate::stale::place(node, frame);
        if self.report.strips[id].get(frame).is_some_and(|cell| cell.held) {
            return format!(
                "the render of {place} that is held is lost, and it would come out otherwise now; \
                 `endboard rebuild --let-go {place}` lets go of it"
            );
        }
        match node.keep {
            true => format!("the render of {place} is lost, and it does not come out the same twice"),
            false => format!("{place} does not come out the same twice; a stage that is not kept must"),
        }
    }
}

/// One channel of an image.
fn picked(image: &Image, name: &str) -> Option<Image> {
    let at = image.channel(name)?;
    let channel = Channel { name: name.into(), samples: image.channels()[at].samples.clone() };
    Some(Image::from_channels(image.width(), image.height(), vec![channel]))
}
