//! The frames of a plan → parts that machines far apart take up, and arrays of parts.
//!
//! A part is some frames of one shot, or of several short ones, through all the stages that can be made of them without
//! waiting for another part. Knows the graph's needs and what a frame is said to cost. Does not know who runs the parts.

mod packing;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::Range;

use super::{home, shots};
use crate::base::frames::{FrameRange, FrameSet};
use crate::declare::film::Each;
use crate::graph::{Graph, NodeId, Work};

/// How large parts and arrays are to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sizes {
    /// Work of one part, in seconds of one processor; a whole call of a command may go beyond it.
    pub seconds: f64,
    /// Work that is worth a part of its own, in the same seconds. What waits for other parts comes last, and is cut as short.
    pub least: f64,
    /// The most frames of a stage in one part.
    pub frames: usize,
    /// The most parts in one array.
    pub array: usize,
}

/// What one task makes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Part {
    /// Frames by node.
    pub targets: BTreeMap<NodeId, FrameSet>,
    /// How many parts one after the other come before it at least. A part needs parts of lower waves only.
    pub wave: usize,
    /// The pools that its stages take places in, as numbers of [`Graph::pools`].
    pub pools: BTreeSet<usize>,
    /// Numbers of the parts that make what it needs.
    pub needs: BTreeSet<usize>,
    /// What it is said to cost, in seconds of one processor.
    pub seconds: f64,
}

/// Parts of one wave and the same pools, which follow one another.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Array {
    /// Numbers of its parts.
    pub parts: Range<usize>,
    /// Numbers of the arrays that come before it as a whole, as its parts need some of theirs.
    pub after: BTreeSet<usize>,
    /// Numbers of arrays of as many parts, of which each part needs at most the one in its own place.
    pub beside: BTreeSet<usize>,
}

/// Everything, in the order in which it is handed over.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Parts {
    /// The parts; each after all that it needs.
    pub parts: Vec<Part>,
    /// The arrays.
    pub arrays: Vec<Array>,
}

/// Frames of one chunk that can be made in one go, and what is needed before.
#[derive(Default)]
struct Unit {
    targets: BTreeMap<NodeId, FrameSet>,
    pools: BTreeSet<usize>,
    needs: BTreeSet<Place>,
    seconds: f64,
}

/// Wave and chunk.
type Place = (u32, u32);

/// Parts `due`, the frames to be made by node, plates that are only passed on left out. `cost` is what a frame of a node takes, in
/// seconds of one processor.
pub fn split(
    graph: &Graph,
    due: &BTreeMap<NodeId, FrameSet>,
    cost: &dyn Fn(NodeId) -> f64,
    sizes: &Sizes,
) -> Parts {
    let chunks = Chunks::of(graph, due, cost, sizes);
    let walk = Walk { graph, due, cost, chunks, placed: HashMap::new(), units: BTreeMap::new() }.walk();
    packing::pack(walk.units, &walk.chunks.shots, sizes)
}

/// Ranges of frames of shots; by shot, where each begins, and its number in the order of the film.
struct Chunks<'g> {
    begins: HashMap<&'g str, Vec<(i64, u32)>>,
    /// By number, the number of the shot whose frames it has; none where they need those of another shot, as in a dissolve.
    shots: Vec<Option<usize>>,
    /// Of ranges of a shot, the number for what needs another shot as well.
    joining: HashMap<u32, u32>,
}

impl<'g> Chunks<'g> {
    fn of(
        graph: &'g Graph,
        due: &BTreeMap<NodeId, FrameSet>,
        cost: &dyn Fn(NodeId) -> f64,
        sizes: &Sizes,
    ) -> Self {
        let order = shots(graph);
        // Calls of commands for many frames are units of their own, so that they do not make ranges short.
        let mut columns: BTreeMap<(usize, &str), BTreeMap<i64, f64>> = BTreeMap::new();
        for (&id, frames) in due {
            let each = if each(graph, id) == Each::Frame { cost(id) } else { 0.0 };
            for frame in frames.iter() {
                let (shot, at) = home(graph, id, frame);
                *columns.entry((order[shot], shot)).or_default().entry(at).or_default() += each;
            }
        }
        let mut chunks = Self { begins: HashMap::new(), shots: Vec::new(), joining: HashMap::new() };
        for ((number, shot), frames) in columns {
            let total: f64 = frames.values().sum();
            let by_time = (total / sizes.seconds.max(1e-9)).ceil();
            let count = by_time.max(frames.len() as f64 / sizes.frames.max(1) as f64).max(1.0);
            let (mut sum, mut frames_in, mut list) = (0.0, 0, Vec::new());
            for (frame, seconds) in frames {
                // A little above the even share, so that what is left over makes no range of its own.
                let is_full = sum > 0.0 && sum + seconds > total / count * 1.001 + 1e-9;
                if list.is_empty() || is_full || frames_in >= sizes.frames.max(1) {
                    list.push((frame, chunks.more(Some(number))));
                    (sum, frames_in) = (0.0, 0);
                }
                sum += seconds;
                frames_in += 1;
            }
            chunks.begins.insert(shot, list);
        }
        chunks
    }

    /// One more, of this shot.
    fn more(&mut self, shot: Option<usize>) -> u32 {
        self.shots.push(shot);
        self.shots.len() as u32 - 1
    }

    /// Where frames are that lie in a chunk and need what lies in `needs`. What needs another shot has a chunk beside, so that it
    /// holds up nothing of its own shot.
    fn beside(&mut self, chunk: u32, needs: &BTreeSet<Place>) -> u32 {
        let own = self.shots[chunk as usize];
        if needs.iter().all(|&(_, of)| self.shots[of as usize] == own) {
            return chunk;
        }
        if let Some(&known) = self.joining.get(&chunk) {
            return known;
        }
        let more = self.more(None);
        self.joining.insert(chunk, more);
        more
    }

    fn at(&self, shot: &str, frame: i64) -> u32 {
        let list = &self.begins[shot];
        let after = list.partition_point(|&(first, _)| first <= frame);
        list[after.saturating_sub(1)].1
    }
}

/// Goes over the due frames, inputs first, and finds the unit of each.
struct Walk<'g> {
    graph: &'g Graph,
    due: &'g BTreeMap<NodeId, FrameSet>,
    cost: &'g dyn Fn(NodeId) -> f64,
    chunks: Chunks<'g>,
    /// Of nodes that were gone over: frames in rising order, and where each is.
    placed: HashMap<NodeId, Vec<(i64, Place)>>,
    units: BTreeMap<Place, Unit>,
}

impl Walk<'_> {
    fn walk(mut self) -> Self {
        // Inputs have lower numbers.
        for (&id, frames) in self.due {
            let mut placed = Vec::with_capacity(frames.len());
            // Frames next to one another often need the very same ones, as for a median over a whole shot.
            let mut remembered: HashMap<(NodeId, FrameRange), BTreeSet<Place>> = HashMap::new();
            for group in self.groups(id, frames) {
                let mut needs = BTreeSet::new();
                for &frame in &group {
                    self.needs(id, frame, &mut remembered, &mut needs);
                }
                let chunk = self.chunk(id, &group);
                let chunk = self.chunks.beside(chunk, &needs);
                let wave = needs.iter().map(|&(wave, of)| wave + u32::from(of != chunk)).max().unwrap_or(0);
                let place = (wave, chunk);
                needs.remove(&place);
                let unit = self.units.entry(place).or_default();
                unit.needs.extend(needs);
                unit.pools.extend(self.graph.nodes[id].pools.iter().map(|(pool, _)| *pool));
                unit.seconds += (self.cost)(id) * group.len() as f64;
                let set = unit.targets.entry(id).or_default();
                for frame in group {
                    set.insert(frame);
                    placed.push((frame, place));
                }
            }
            self.placed.insert(id, placed);
        }
        self
    }

    /// Frames that are made in one call, each group in rising order.
    fn groups(&self, id: NodeId, frames: &FrameSet) -> Vec<Vec<i64>> {
        match each(self.graph, id) {
            Each::Frame => frames.iter().map(|frame| vec![frame]).collect(),
            Each::Run => frames.runs().iter().map(|run| run.iter().collect()).collect(),
            Each::Shot => vec![frames.iter().collect()],
        }
    }

    /// The chunk of frames made in one call: one of its own where they lie in several.
    fn chunk(&mut self, id: NodeId, group: &[i64]) -> u32 {
        let mut of = group.iter().map(|&frame| {
            let (shot, at) = home(self.graph, id, frame);
            self.chunks.at(shot, at)
        });
        let first = of.next().unwrap_or(0);
        if of.all(|chunk| chunk == first) {
            return first;
        }
        let shot = self.chunks.shots[first as usize];
        self.chunks.more(shot)
    }

    fn needs(
        &self,
        id: NodeId,
        frame: i64,
        remembered: &mut HashMap<(NodeId, FrameRange), BTreeSet<Place>>,
        into: &mut BTreeSet<Place>,
    ) {
        self.graph.each_need(id, frame, &mut |edge, _, range| {
            let Some(placed) = self.placed.get(&edge.from) else { return };
            let look = || {
                let first = placed.partition_point(|(n, _)| *n < range.first);
                placed[first..]
                    .iter()
                    .take_while(|(n, _)| *n <= range.last)
                    .map(|(_, place)| *place)
                    .collect()
            };
            if range.len() < 4 {
                into.extend::<BTreeSet<Place>>(look());
            } else {
                // Only the last range is worth keeping: windows that slide never come again.
                if !remembered.contains_key(&(edge.from, range)) {
                    remembered.retain(|(from, _), _| *from != edge.from);
                    remembered.insert((edge.from, range), look());
                }
                into.extend(&remembered[&(edge.from, range)]);
            }
        });
    }
}

fn each(graph: &Graph, id: NodeId) -> Each {
    match &graph.nodes[id].work {
        Work::Command(work) => work.command.each,
        _ => Each::Frame,
    }
}
