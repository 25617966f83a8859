//! Which links stand in another order than they did.
//!
//! So that as little as possible counts as moved, the links that stay are the heaviest run that stands in one order in both
//! cuts, weighed by the frames that they share (heaviest increasing subsequence; Fredman 1975, with a tree of prefix maxima,
//! Fenwick 1994). All others moved. Knows links. Does not know uses.

use super::Link;

/// Marks those that moved.
pub(super) fn mark(links: &mut [Link]) {
    let mut by_old: Vec<usize> = (0..links.len()).collect();
    by_old.sort_by_key(|&i| (links[i].old, links[i].shared.first, links[i].new));
    let mut by_new: Vec<usize> = (0..links.len()).collect();
    by_new.sort_by_key(|&i| (links[i].new, links[i].shared.first, links[i].old));
    let mut rank = vec![0; links.len()];
    by_new.iter().enumerate().for_each(|(at, &i)| rank[i] = at);
    let mut heaviest = Prefixes::new(links.len());
    let mut before: Vec<Option<usize>> = vec![None; links.len()];
    let mut end: Option<(u64, usize)> = None;
    for &i in &by_old {
        let best = heaviest.below(rank[i]);
        before[i] = best.map(|(_, of)| of);
        let weight = best.map_or(0, |(weight, _)| weight) + links[i].shared.len() as u64;
        heaviest.put(rank[i], (weight, i));
        if end.is_none_or(|(most, _)| weight > most) {
            end = Some((weight, i));
        }
    }
    links.iter_mut().for_each(|link| link.moved = true);
    let mut at = end.map(|(_, i)| i);
    while let Some(i) = at {
        links[i].moved = false;
        at = before[i];
    }
}

/// The heaviest entry of every beginning of a list.
struct Prefixes(Vec<Option<(u64, usize)>>);

impl Prefixes {
    fn new(len: usize) -> Self {
        Self(vec![None; len + 1])
    }

    /// The heaviest among those before a place.
    fn below(&self, place: usize) -> Option<(u64, usize)> {
        let (mut best, mut at) = (None::<(u64, usize)>, place);
        while at > 0 {
            if let Some(here) = self.0[at].filter(|here| best.is_none_or(|best| here.0 > best.0)) {
                best = Some(here);
            }
            at &= at - 1;
        }
        best
    }

    fn put(&mut self, place: usize, entry: (u64, usize)) {
        let mut at = place + 1;
        while at < self.0.len() {
            if self.0[at].is_none_or(|here| entry.0 > here.0) {
                self.0[at] = Some(entry);
            }
            at += at & at.wrapping_neg();
        }
    }
}
