//! Which use of the old cut goes on in which use of the new one.
//!
//! The rule, in the words that a person can check it by, shot by shot:
//! 1. uses of exactly the same frames at the same speed go together, the first with the first, the second with the second;
//!    where one cut has more of them, those that stand nearest by their turn among the shot's uses;
//! 2. of the others, the two that have most frames in common go together first, then the next two, each use once; of equal
//!    ones those whose ends differ less, then those that stand at the same turn among the shot's uses;
//! 3. a use that is left goes with the use that it has most frames in common with, when some of these are shown by no other
//!    use that goes with that one: the other was split, or several were joined. Where all of them are shown already, the
//!    shot is used once more, or once less, and the use counts as new or dropped.
//!
//! Every step is the same whichever of the cuts is called the new one. Knows uses. Does not know what became of their frames.

use std::cmp::Reverse;
use std::collections::{BTreeMap, HashSet};

use super::Use;
use crate::base::frames::{FrameRange, FrameSet};

/// A use that goes on in another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Link {
    /// Its place in the old cut.
    pub old: usize,
    /// The other's place in the new cut.
    pub new: usize,
    /// Frames that both show.
    pub shared: FrameRange,
    /// True of the link that the two have first; false where a split or a join brought one in.
    pub first: bool,
    /// The two stand in another order among the others.
    pub moved: bool,
}

/// Pairs of uses of one shot that are held against each other. Of a shot that is used more often than that, only uses at
/// about the same turn are.
const PAIRS: usize = 1 << 20;
/// How many turns apart those may stand.
const TURNS: usize = 32;

/// All links.
pub(super) fn links(old: &[Use], new: &[Use]) -> Vec<Link> {
    let mut shots: BTreeMap<String, (Vec<usize>, Vec<usize>)> = BTreeMap::new();
    for (i, used) in old.iter().enumerate() {
        shots.entry(used.shot.to_ascii_lowercase()).or_default().0.push(i);
    }
    for (i, used) in new.iter().enumerate() {
        shots.entry(used.shot.to_ascii_lowercase()).or_default().1.push(i);
    }
    let mut links = Vec::new();
    for (olds, news) in shots.values().filter(|(olds, news)| !olds.is_empty() && !news.is_empty()) {
        Shot { old, new, olds, news }.links(&mut links);
    }
    links
}

/// The uses of one shot.
struct Shot<'u> {
    old: &'u [Use],
    new: &'u [Use],
    olds: &'u [usize],
    news: &'u [usize],
}

/// Turns of two uses among those of the shot, and how they are ordered: the better pair first.
#[derive(Clone, Copy)]
struct Pair {
    old: usize,
    new: usize,
    shared: FrameRange,
}

impl Shot<'_> {
    fn links(&self, links: &mut Vec<Link>) {
        let mut free = (vec![true; self.olds.len()], vec![true; self.news.len()]);
        let mut found: Vec<(Pair, bool)> = Vec::new();
        for pair in self.alike() {
            (free.0[pair.old], free.1[pair.new]) = (false, false);
            found.push((pair, true));
        }
        for pair in self.pairs(&|i, j| free.0[i] && free.1[j]) {
            if free.0[pair.old] && free.1[pair.new] {
                (free.0[pair.old], free.1[pair.new]) = (false, false);
                found.push((pair, true));
            }
        }
        self.left_over(&mut free, &mut found);
        links.extend(found.into_iter().map(|(pair, first)| Link {
            old: self.olds[pair.old],
            new: self.news[pair.new],
            shared: pair.shared,
            first,
            moved: false,
        }));
    }

    /// Uses of the same frames: in order where both cuts have as many of them, else those that stand nearest by their turn.
    fn alike(&self) -> Vec<Pair> {
        type Alike = (Vec<usize>, Vec<usize>);
        let mut by_frames: BTreeMap<(FrameRange, (i64, i64)), Alike> = BTreeMap::new();
        for (i, &at) in self.olds.iter().enumerate() {
            let used = &self.old[at];
            by_frames.entry((used.source, used.run.speed.ratio())).or_default().0.push(i);
        }
        for (j, &at) in self.news.iter().enumerate() {
            let used = &self.new[at];
            by_frames.entry((used.source, used.run.speed.ratio())).or_default().1.push(j);
        }
        let mut pairs = Vec::new();
        for ((shared, _), (olds, news)) in by_frames {
            let mut all: Vec<(usize, usize)> = olds.iter().copied().zip(news.iter().copied()).collect();
            if olds.len() != news.len() && olds.len().saturating_mul(news.len()) <= PAIRS {
                all = olds.iter().flat_map(|&i| news.iter().map(move |&j| (i, j))).collect();
                all.sort_by_key(|&(i, j)| (i.abs_diff(j), i.min(j), i.max(j)));
                let mut taken: (HashSet<usize>, HashSet<usize>) = Default::default();
                all.retain(|(i, j)| {
                    let is_free = !taken.0.contains(i) && !taken.1.contains(j);
                    is_free && taken.0.insert(*i) && taken.1.insert(*j)
                });
            }
            pairs.extend(all.into_iter().map(|(old, new)| Pair { old, new, shared }));
        }
        pairs
    }

    /// Pairs among these that have frames in common, the best first.
    fn pairs(&self, are_meant: &dyn Fn(usize, usize) -> bool) -> Vec<Pair> {
        let few = self.olds.len().saturating_mul(self.news.len()) <= PAIRS;
        let mut pairs = Vec::new();
        for i in 0..self.olds.len() {
            let near = match few {
                true => 0..self.news.len(),
                false => {
                    let from = i.saturating_sub(TURNS).min(self.news.len());
                    from..(i + TURNS + 1).min(self.news.len())
                }
            };
            for j in near.filter(|&j| are_meant(i, j)) {
                let shared = self.old[self.olds[i]].source.meet(self.new[self.news[j]].source);
                if !shared.is_empty() {
                    pairs.push(Pair { old: i, new: j, shared });
                }
            }
        }
        // The last two parts only part what is alike in all others, and do so in one way for both directions.
        pairs.sort_by_key(|pair| {
            let (a, b) = (self.old[self.olds[pair.old]].source, self.new[self.news[pair.new]].source);
            let apart = (a.first - b.first).abs() + (a.last - b.last).abs();
            let (i, j) = (pair.old, pair.new);
            (Reverse(pair.shared.len()), apart, i.abs_diff(j), i.min(j), i.max(j))
        });
        pairs
    }

    /// Splits and joins.
    fn left_over(&self, free: &mut (Vec<bool>, Vec<bool>), found: &mut Vec<(Pair, bool)>) {
        // What of each use is shown by those that go with it, on the other side.
        let mut of_old = vec![FrameSet::new(); self.olds.len()];
        let mut of_new = vec![FrameSet::new(); self.news.len()];
        for (pair, _) in found.iter() {
            of_old[pair.old].insert_range(pair.shared);
            of_new[pair.new].insert_range(pair.shared);
        }
        for pair in self.pairs(&|i, j| free.0[i] != free.1[j]) {
            // Of two that are left over, both had found another by now.
            let is_new = match (free.0[pair.old], free.1[pair.new]) {
                (false, true) => true,
                (true, false) => false,
                _ => continue,
            };
            let shown = if is_new { &of_old[pair.old] } else { &of_new[pair.new] };
            if FrameSet::from(pair.shared).without(shown).is_empty() {
                continue;
            }
            (free.0[pair.old], free.1[pair.new]) = (false, false);
            of_old[pair.old].insert_range(pair.shared);
            of_new[pair.new].insert_range(pair.shared);
            found.push((pair, false));
        }
    }
}
