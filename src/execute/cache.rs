//! Pictures held between stages, within a budget of bytes, the longest unused let go first.
//!
//! Knows pictures by the digest of their pixels, and how many a plan has a use for at once. Does not know stages' work.

use std::collections::{BTreeMap, HashMap};

use crate::base::digest::Digest;
use crate::graph::{Graph, Work};
use crate::media::render::Render;
use crate::plan::Plan;

/// Bytes of a pixel: four samples of half a word each.
const PIXEL: usize = 8;

/// Bytes beyond which holding more pictures gains nothing: for each of `jobs` workers, what a frame's stages hand to one
/// another and what they look at around it, twice over. Memory that was used a moment ago is quicker to fill again than
/// memory that the system must clear first: holding a film's pictures for as long as there was room took a third more
/// time.
pub fn of_use(graph: &Graph, plan: &Plan, jobs: usize) -> usize {
    let needed = |id, frame| {
        let mut count = 0;
        graph.each_need(id, frame, &mut |_, _, range| count += range.len());
        count
    };
    // How much a node's frames look around changes little over a shot.
    let ends = plan.frames.iter().flat_map(|(&id, frames)| {
        let runs = frames.runs();
        let (first, last) = (runs.first().map(|run| run.first), runs.last().map(|run| run.last));
        [first, last].into_iter().flatten().map(move |frame| needed(id, frame))
    });
    let most = ends.max().unwrap_or(0);
    // A stage stands on a plate besides, which is not among the targets.
    let stages = plan.columns.iter().map(|column| column.targets.len() + 1).max().unwrap_or(0);
    let (width, height) = graph.frame_size;
    2 * jobs.max(1) * (stages + most) * width as usize * height as usize * PIXEL
}

/// Bytes of a budget for pictures, and for clips: these have what pictures have no use for, a half at least where a film has any.
pub fn shares(graph: &Graph, plan: &Plan, jobs: usize, memory: usize) -> (usize, usize) {
    let has_clips = graph.nodes.iter().any(|node| matches!(node.work, Work::Clip { .. }));
    let most = if has_clips { memory / 2 } else { memory };
    let pictures = most.min(of_use(graph, plan, jobs));
    (pictures, memory - pictures)
}

/// The pictures.
#[derive(Debug, Default)]
pub struct Cache {
    budget: usize,
    bytes: usize,
    clock: u64,
    images: HashMap<Digest, (Render, u64)>,
    by_use: BTreeMap<u64, Digest>,
}

impl Cache {
    /// Holds at most `budget` bytes.
    pub fn with_budget(budget: usize) -> Self {
        Self { budget, ..Self::default() }
    }

    /// A picture, if it is held.
    pub fn get(&mut self, pixels: &Digest) -> Option<Render> {
        let (image, used) = self.images.get_mut(pixels)?;
        self.by_use.remove(used);
        self.clock += 1;
        *used = self.clock;
        self.by_use.insert(self.clock, *pixels);
        Some(image.clone())
    }

    /// Takes a picture in.
    pub fn put(&mut self, pixels: Digest, image: Render) {
        if self.images.contains_key(&pixels) || image.bytes() > self.budget {
            return;
        }
        self.bytes += image.bytes();
        self.clock += 1;
        self.images.insert(pixels, (image, self.clock));
        self.by_use.insert(self.clock, pixels);
        while self.bytes > self.budget {
            let Some((_, oldest)) = self.by_use.pop_first() else { break };
            if let Some((image, _)) = self.images.remove(&oldest) {
                self.bytes -= image.bytes();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::image::Image;

    #[test]
    fn the_longest_unused_goes_first() {
        let image = |n: u32| Render::from(Image::new(n, 1, &["R"]));
        let name = |n: u8| Digest::of(&[n]);
        let mut cache = Cache::with_budget(60);
        cache.put(name(1), image(10));
        cache.put(name(2), image(10));
        cache.put(name(3), image(10));
        assert!(cache.get(&name(1)).is_some());
        cache.put(name(4), image(10));
        assert!(
            cache.get(&name(2)).is_none() && cache.get(&name(1)).is_some() && cache.get(&name(4)).is_some()
        );
        cache.put(name(5), image(1000));
        assert!(cache.get(&name(5)).is_none() && cache.get(&name(3)).is_some());
    }
}
