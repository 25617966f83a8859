//! Columns of a plan that are still to be settled: those that can be taken up, and those that wait for the shared store.
//!
//! Knows which keys a column waits for. Does not know what a column is, nor how anything is fetched.

use std::collections::{HashMap, HashSet, VecDeque};

use crate::base::digest::Digest;

/// The columns.
#[derive(Debug, Default)]
pub(super) struct Columns {
    /// Those that waited and can go on.
    back: VecDeque<usize>,
    /// Those that were begun and put off: something of theirs may be here already, which nobody else takes.
    later: VecDeque<usize>,
    ready: VecDeque<usize>,
    parked: HashSet<usize>,
    /// Columns that wait for a key, of which some may have gone on for another one.
    by_key: HashMap<Digest, Vec<usize>>,
}

impl Columns {
    /// So many, in their order.
    pub fn new(count: usize) -> Self {
        Self { ready: (0..count).collect(), ..Self::default() }
    }

    /// The next to be taken up: what did not begin yet only where it `may_begin`, and what was put off after all others.
    pub fn next(&mut self, may_begin: bool) -> Option<usize> {
        let begun = self.back.pop_front();
        let fresh = begun.or_else(|| if may_begin { self.ready.pop_front() } else { None });
        fresh.or_else(|| self.later.pop_front())
    }

    /// How many can be taken up, of those that did not begin yet only where it `may_begin`.
    pub fn ready(&self, may_begin: bool) -> usize {
        self.back.len() + self.later.len() + if may_begin { self.ready.len() } else { 0 }
    }

    /// How many wait for the shared store.
    pub fn parked(&self) -> usize {
        self.parked.len()
    }

    /// To be taken up after all others.
    pub fn put_off(&mut self, column: usize) {
        self.later.push_back(column);
    }

    /// To be taken up once one of these keys has come; at once where one has.
    pub fn park(
        &mut self,
        column: usize,
        keys: impl Iterator<Item = Digest> + Clone,
        is_pending: impl Fn(&Digest) -> bool,
    ) {
        if !keys.clone().all(|key| is_pending(&key)) {
            self.back.push_front(column);
            return;
        }
        self.parked.insert(column);
        keys.for_each(|key| self.by_key.entry(key).or_default().push(column));
    }

    /// Takes up what waits for these keys before all else, the first columns first: nothing of theirs is left to wait for.
    pub fn come(&mut self, keys: Vec<Digest>) {
        let waiting = keys.iter().filter_map(|key| self.by_key.remove(key)).flatten();
        let mut back: Vec<usize> = waiting.filter(|column| self.parked.remove(column)).collect();
        back.sort_unstable();
        self.back.extend(back);
    }

    /// Takes up all that waits.
    pub fn unpark(&mut self) {
        self.come(self.by_key.keys().copied().collect());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_column_comes_back_once_whichever_of_its_keys_came() {
        let key = |n: u8| Digest::of(&[n]);
        let mut columns = Columns::new(4);
        let mut taken = || columns.next(true);
        assert_eq!([taken(), taken(), taken()], [Some(0), Some(1), Some(2)]);
        columns.park(2, [key(1), key(2)].into_iter(), |_| true);
        columns.park(0, [key(1)].into_iter(), |_| true);
        columns.park(1, [key(3), key(4)].into_iter(), |one| *one != key(4));
        assert_eq!((columns.parked(), columns.ready(true), columns.ready(false)), (2, 2, 1));
        columns.come(vec![key(1)]);
        let order: Vec<_> = std::iter::from_fn(|| columns.next(false)).collect();
        assert_eq!(order, [1, 0, 2], "what waited, and nothing that did not begin");
        assert_eq!([columns.next(true), columns.next(true)], [Some(3), None]);
        columns.come(vec![key(2), key(9)]);
        assert_eq!((columns.parked(), columns.next(true)), (0, None));
        columns.park(3, [key(2)].into_iter(), |_| true);
        columns.unpark();
        assert_eq!((columns.next(true), columns.parked()), (Some(3), 0));
    }

    /// What was put off may hold what others wait for room for: it goes on though nothing new may begin.
    #[test]
    fn what_was_put_off_is_taken_up_though_nothing_may_begin() {
        let mut columns = Columns::new(3);
        assert_eq!(columns.next(true), Some(0));
        columns.put_off(0);
        assert_eq!((columns.ready(false), columns.ready(true)), (1, 3));
        assert_eq!([columns.next(true), columns.next(false), columns.next(false)], [Some(1), Some(0), None]);
        columns.put_off(1);
        assert_eq!([columns.next(true), columns.next(true), columns.next(true)], [Some(2), Some(1), None]);
    }
}
