//! Transitions that are not as they were.
//!
//! Knows that a transition belongs to the use that it brings in, or, where that is black, to the one that it takes out. Does
//! not know what it looks like.

use std::collections::{BTreeMap, HashMap};

use super::{Link, Side};
use crate::cut::{Cut, Dissolve};

/// The kind of a dissolve.
pub const DISSOLVE: &str = "dissolve";

/// A transition as a cut has it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Transition {
    /// What kind: `dissolve`, or `wipe` and the number of its pattern.
    pub kind: String,
    /// What goes out; none for black.
    pub from: Option<String>,
    /// What comes in; none for black.
    pub into: Option<String>,
    /// Its first film frame, counted from 1.
    pub at: i64,
    /// How long it lasts, in frames.
    pub frames: i64,
}

impl Transition {
    /// All but where it lies.
    fn says(&self) -> (&str, Option<String>, Option<String>, i64) {
        let small = |name: &Option<String>| name.as_ref().map(|name| name.to_ascii_lowercase());
        (&self.kind, small(&self.from), small(&self.into), self.frames)
    }
}

/// A transition before and after. One of them is none where it is new or gone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// In the old cut.
    pub before: Option<Transition>,
    /// In the new cut.
    pub after: Option<Transition>,
}

/// The use that a transition belongs to, and whether it is the one that goes out.
type Owner = (usize, bool);

/// Transitions that differ, in the order of the film.
pub(super) fn changes(
    (old, old_side): (&Cut, &Side),
    (new, new_side): (&Cut, &Side),
    links: &[Link],
) -> Vec<Change> {
    let before = owned(old, old_side);
    let mut after = owned(new, new_side);
    let goes_on: HashMap<usize, usize> =
        links.iter().filter(|link| link.first).map(|link| (link.old, link.new)).collect();
    let mut changes = Vec::new();
    for (owner, transition) in before {
        let same = match owner {
            Some((used, out)) => goes_on.get(&used).and_then(|&new| after.remove(&Some((new, out)))),
            None => after.remove(&None),
        };
        for pair in paired(transition, same.unwrap_or_default()) {
            if pair.before.as_ref().map(Transition::says) != pair.after.as_ref().map(Transition::says) {
                changes.push(pair);
            }
        }
    }
    let new = after.into_values().flatten().map(|after| Change { before: None, after: Some(after) });
    changes.extend(new);
    let at = |of: &Option<Transition>| of.as_ref().map(|of| of.at);
    changes.sort_by_key(|change| (at(&change.after).or(at(&change.before)), at(&change.before)));
    changes
}

/// All transitions of a cut, in the order of the film.
pub(super) fn all(cut: &Cut, side: &Side) -> Vec<Transition> {
    let mut all: Vec<Transition> = owned(cut, side).into_values().flatten().collect();
    all.sort_by_key(|transition| transition.at);
    all
}

/// The first with the first, the second with the second; those left over with nothing.
fn paired(before: Vec<Transition>, after: Vec<Transition>) -> Vec<Change> {
    let count = before.len().max(after.len());
    let (mut before, mut after) = (before.into_iter(), after.into_iter());
    (0..count).map(|_| Change { before: before.next(), after: after.next() }).collect()
}

/// The transitions of a cut by the use that each belongs to; those of black alone by none.
fn owned(cut: &Cut, side: &Side) -> BTreeMap<Option<Owner>, Vec<Transition>> {
    let uses = || side.uses.iter().enumerate().filter(|(_, used)| !used.leaves);
    let begins: HashMap<i64, usize> = uses().map(|(at, used)| (used.record.first, at)).collect();
    let ends: HashMap<i64, usize> = uses().map(|(at, used)| (used.record.last + 1, at)).collect();
    let mut all: BTreeMap<Option<Owner>, Vec<Transition>> = BTreeMap::new();
    for dissolve in &cut.dissolves {
        let at = dissolve.record.first - side.starts + 1;
        let into = begins.get(&at).copied();
        let owner = into.map(|into| (into, false)).or(ends.get(&at).map(|&from| (from, true)));
        let into = into.map(|into| side.uses[into].shot.clone());
        all.entry(owner).or_default().push(transition(dissolve, into, at));
    }
    all
}

fn transition(dissolve: &Dissolve, into: Option<String>, at: i64) -> Transition {
    Transition {
        kind: dissolve.wipe.map_or_else(|| DISSOLVE.into(), |pattern| format!("wipe {pattern:03}")),
        from: dissolve.from.as_ref().map(|from| from.shot.clone()),
        into,
        at,
        frames: dissolve.record.len() as i64,
    }
}
