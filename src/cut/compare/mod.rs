//! Two cuts held against one another: what became of each use of a shot.
//!
//! A *use* is one event: a stretch of a shot's frames at a place in the film. Uses of one shot in the old and in the new cut
//! are joined by `matching`, which gives links; a [`Change`] is what hangs together by them. Knows cuts alone. Which frames a
//! shot has, and what a change costs, is for others to say; [`Room`] only parts frames by what it is told of a shot.

mod matching;
mod order;
#[cfg(test)]
mod tests;
mod transitions;

use std::collections::{BTreeMap, BTreeSet, HashMap};

use crate::base::frames::{FrameRange, FrameSet};
use crate::base::problem::Span;
use crate::base::speed::Run;
use crate::cut::Cut;

pub use self::matching::Link;
pub use self::transitions::{Change as TransitionChange, DISSOLVE, Transition};

/// One event of a cut.
#[derive(Clone, Debug, PartialEq)]
pub struct Use {
    /// The event's number in the list.
    pub number: u32,
    /// The shot, as the list writes it.
    pub shot: String,
    /// The shot's frames that play, from one cut to the next.
    pub source: FrameRange,
    /// How many frames it goes on after them in a transition, going out.
    pub tail: i64,
    /// The film's frames that show it, counted from 1; what it goes on for in a transition is left out.
    pub record: FrameRange,
    /// Which of them plays when.
    pub run: Run,
    /// True of something that is seen only while it goes out in a transition.
    pub leaves: bool,
    /// The event's line.
    pub span: Span,
}

impl Use {
    /// All of the shot's frames that are seen of it.
    pub fn shown(&self) -> FrameRange {
        Run { frames: self.run.frames + self.tail, ..self.run }.shows().hull(self.source)
    }
}

/// One of the two cuts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Side {
    /// Its uses in the order of the film.
    pub uses: Vec<Use>,
    /// Length of the film, in frames.
    pub frames: i64,
    /// Film frames that nothing but black fills.
    pub black: i64,
    /// Count of the timecode of the film's first frame.
    pub starts: i64,
    /// Whether that counts drop-frame.
    pub drops: bool,
    /// Its transitions in the order of the film.
    pub transitions: Vec<Transition>,
}

/// Frames by where they lie against those that both cuts show.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ends {
    /// Before the first of them.
    pub head: FrameSet,
    /// Between them.
    pub inside: FrameSet,
    /// After the last of them.
    pub tail: FrameSet,
}

impl Ends {
    /// How many frames.
    pub fn len(&self) -> usize {
        self.head.len() + self.inside.len() + self.tail.len()
    }

    /// True when there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    fn of(frames: FrameSet, kept: &FrameSet) -> Self {
        let (Some(first), Some(last)) = (kept.runs().first(), kept.runs().last()) else {
            return Self { inside: frames, ..Self::default() };
        };
        let mut ends = Self::default();
        for &run in frames.runs() {
            ends.head.insert_range(run.meet(FrameRange::new(run.first, first.first - 1)));
            ends.tail.insert_range(run.meet(FrameRange::new(last.last + 1, run.last)));
            ends.inside.insert_range(run.meet(FrameRange::new(first.first, last.last)));
        }
        ends
    }
}

/// What became of uses that hang together: mostly one before and one after.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// The shot, as the newer list that has it writes it.
    pub shot: String,
    /// Uses of the old cut, by their place in it; none of a new use.
    pub old: Vec<usize>,
    /// Uses of the new cut; none of one that was dropped.
    pub new: Vec<usize>,
    /// Frames that both show.
    pub kept: FrameSet,
    /// Frames that only the old ones show.
    pub trimmed: Ends,
    /// Frames that only the new ones show.
    pub extended: Ends,
    /// It stands in another order among the others.
    pub moved: bool,
    /// It plays at another speed.
    pub retimed: bool,
    /// Frames of the new uses that another use of the new cut shows as well.
    pub again: FrameSet,
}

impl Change {
    /// True of a use that the old cut had not.
    pub fn is_new(&self) -> bool {
        self.old.is_empty()
    }

    /// True of a use that the new cut has no longer.
    pub fn is_dropped(&self) -> bool {
        self.new.is_empty()
    }

    /// True where one use became several.
    pub fn is_split(&self) -> bool {
        !self.old.is_empty() && self.new.len() > 1
    }

    /// True where several uses became one.
    pub fn is_joined(&self) -> bool {
        !self.new.is_empty() && self.old.len() > 1
    }

    /// True where nothing changed but, perhaps, when it is seen.
    pub fn is_kept(&self) -> bool {
        self.old.len() == 1
            && self.new.len() == 1
            && self.trimmed.is_empty()
            && self.extended.is_empty()
            && !self.moved
            && !self.retimed
    }
}

/// Both cuts and what became of what.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// The cut in use.
    pub old: Side,
    /// The other one.
    pub new: Side,
    /// Which uses go on in which, in the order of the new cut.
    pub links: Vec<Link>,
    /// What became of uses, in the order of the new cut; dropped ones where they stood.
    pub changes: Vec<Change>,
    /// Transitions that are not as they were, in the order of the film.
    pub transitions: Vec<TransitionChange>,
}

/// Holds two cuts against one another.
pub fn compare(old: &Cut, new: &Cut) -> Comparison {
    let (old_side, new_side) = (Side::of(old), Side::of(new));
    let mut links = matching::links(&old_side.uses, &new_side.uses);
    order::mark(&mut links);
    let changes = changes(&old_side, &new_side, &links);
    let transitions = transitions::changes((old, &old_side), (new, &new_side), &links);
    links.sort_by_key(|link| (link.new, link.old));
    Comparison { old: old_side, new: new_side, links, changes, transitions }
}

impl Comparison {
    /// Shots of which something changed besides when it is seen.
    pub fn shots_changed(&self) -> usize {
        let mut shots: Vec<String> = (self.changes.iter().filter(|change| !change.is_kept()))
            .map(|change| change.shot.to_ascii_lowercase())
            .collect();
        shots.sort();
        shots.dedup();
        shots.len()
    }
}

impl Side {
    /// A cut as uses.
    fn of(cut: &Cut) -> Self {
        let starts = cut.record.map_or(0, |record| record.first);
        let film = |range: FrameRange| FrameRange::new(range.first - starts + 1, range.last - starts + 1);
        let mut uses: Vec<Use> = (cut.events.iter())
            .map(|event| Use {
                number: event.number,
                shot: event.shot.clone(),
                source: event.source,
                tail: 0,
                record: film(event.record()),
                run: event.run(),
                leaves: false,
                span: event.span,
            })
            .collect();
        // What goes out goes on from the use before, as a rule; else it is a use of its own.
        let ends: HashMap<i64, usize> =
            uses.iter().enumerate().map(|(at, used)| (used.record.last + 1, at)).collect();
        for dissolve in &cut.dissolves {
            let Some(from) = &dissolve.from else { continue };
            let (record, lasts) = (film(dissolve.record), dissolve.record.len() as i64);
            let goes = from.run(lasts);
            let before = ends.get(&record.first).map(|&at| &mut uses[at]);
            match before.filter(|used| {
                let on = used.run.goes_on(lasts);
                used.shot.eq_ignore_ascii_case(&from.shot) && (on.first, on.speed) == (goes.first, goes.speed)
            }) {
                Some(used) => used.tail = lasts,
                None => uses.push(Use {
                    number: dissolve.number,
                    shot: from.shot.clone(),
                    source: goes.shows(),
                    run: goes,
                    tail: 0,
                    record,
                    leaves: true,
                    span: dissolve.span,
                }),
            }
        }
        uses.sort_by_key(|used| (used.record.first, !used.leaves));
        let frames = cut.record.map_or(0, |record| record.len() as i64);
        let played: i64 = uses.iter().filter(|used| !used.leaves).map(|used| used.record.len() as i64).sum();
        let black = (frames - played).max(0);
        let mut side = Self { uses, frames, black, starts, drops: cut.drops, transitions: Vec::new() };
        side.transitions = transitions::all(cut, &side);
        side
    }

    /// The shot and its frame that the film shows at one of its frames; of two in a transition the one that comes in.
    pub fn at(&self, frame: i64) -> Option<(&str, i64)> {
        let shows = |used: &&Use| !used.leaves && used.record.contains(frame);
        let used = self.uses.iter().find(shows)?;
        Some((&used.shot, used.run.at(frame - used.record.first)))
    }

    /// Frames that are seen of each shot, by its name in small letters.
    pub fn shown(&self) -> BTreeMap<String, FrameSet> {
        let mut shown: BTreeMap<String, FrameSet> = BTreeMap::new();
        for used in &self.uses {
            shown.entry(used.shot.to_ascii_lowercase()).or_default().insert_range(used.shown());
        }
        shown
    }
}

/// Groups of uses that links hold together, with what became of their frames.
fn changes(old: &Side, new: &Side, links: &[Link]) -> Vec<Change> {
    let (mut by_old, mut by_new) = (vec![None; old.uses.len()], vec![None; new.uses.len()]);
    let mut groups: Vec<(Vec<usize>, Vec<usize>, bool)> = Vec::new();
    // The first link of two uses makes a group, and each further one brings one use more into one that is there.
    for link in links {
        let at = by_old[link.old].or(by_new[link.new]).unwrap_or_else(|| {
            groups.push(Default::default());
            groups.len() - 1
        });
        let (olds, news, moved) = &mut groups[at];
        if by_old[link.old].replace(at).is_none() {
            olds.push(link.old);
        }
        if by_new[link.new].replace(at).is_none() {
            news.push(link.new);
        }
        *moved |= link.moved;
    }
    let alone =
        |all: &[Option<usize>]| -> Vec<usize> { (0..all.len()).filter(|&i| all[i].is_none()).collect() };
    groups.extend(alone(&by_old).into_iter().map(|i| (vec![i], Vec::new(), false)));
    groups.extend(alone(&by_new).into_iter().map(|i| (Vec::new(), vec![i], false)));
    let twice = shown_twice(new);
    let mut all: Vec<Change> =
        groups.into_iter().map(|(olds, news, moved)| change(old, new, olds, news, moved, &twice)).collect();
    // A dropped one stands after the last use before it that goes on.
    let goes_on: HashMap<usize, usize> = links.iter().rev().map(|link| (link.old, link.new)).collect();
    let mut after: Vec<usize> = Vec::with_capacity(old.uses.len());
    for i in 0..old.uses.len() {
        let before = after.last().copied().unwrap_or(0);
        after.push(goes_on.get(&i).map_or(before, |&new| new + 1));
    }
    all.sort_by_key(|change| match (change.new.first(), change.old.first()) {
        (Some(&first), _) => (first + 1, 0),
        (None, first) => first.map_or((0, 0), |&first| (after[first], first + 1)),
    });
    all
}

fn change(
    old: &Side,
    new: &Side,
    mut olds: Vec<usize>,
    mut news: Vec<usize>,
    moved: bool,
    twice: &BTreeMap<String, FrameSet>,
) -> Change {
    olds.sort_unstable();
    news.sort_unstable();
    let frames = |side: &Side, all: &[usize]| {
        let mut set = FrameSet::new();
        all.iter().for_each(|&i| set.insert_range(side.uses[i].source));
        set
    };
    let (before, after) = (frames(old, &olds), frames(new, &news));
    let (lost, gained) = (before.without(&after), after.without(&before));
    let kept = before.without(&lost);
    let named = news.first().map(|&i| &new.uses[i]).or(olds.first().map(|&i| &old.uses[i]));
    let shot = named.map_or_else(String::new, |used| used.shot.clone());
    let speeds = |side: &Side, all: &[usize]| -> BTreeSet<(i64, i64)> {
        all.iter().map(|&i| side.uses[i].run.speed.ratio()).collect()
    };
    let retimed = !olds.is_empty() && !news.is_empty() && speeds(old, &olds) != speeds(new, &news);
    let again = twice.get(&shot.to_ascii_lowercase()).map(|twice| after.meet(twice));
    Change {
        shot,
        old: olds,
        new: news,
        trimmed: Ends::of(lost, &kept),
        extended: Ends::of(gained, &kept),
        kept,
        moved,
        retimed,
        again: again.unwrap_or_default(),
    }
}

/// Frames that more than one use shows, by shot in small letters.
fn shown_twice(side: &Side) -> BTreeMap<String, FrameSet> {
    let mut seen: BTreeMap<String, FrameSet> = BTreeMap::new();
    let mut twice: BTreeMap<String, FrameSet> = BTreeMap::new();
    for used in &side.uses {
        let shot = used.shot.to_ascii_lowercase();
        let own = FrameSet::from(used.source);
        let before = seen.entry(shot.clone()).or_default();
        let both = own.meet(before);
        before.insert_range(used.source);
        let set = twice.entry(shot).or_default();
        set.insert_all(&both);
    }
    twice
}

/// What a shot has: frames that are made as it is declared, its handles among them, and frames that could be made, as far as
/// its plates go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    /// Frames that the shot is declared with, handles included.
    pub made: FrameRange,
    /// Frames that its plates allow.
    pub there: FrameRange,
}

/// Frames by what it takes to have them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Supply {
    /// They are made as the shot is declared.
    pub made: FrameSet,
    /// The shot must be declared with them; its plates have them.
    pub beyond: FrameSet,
    /// No plate has them.
    pub missing: FrameSet,
}

impl Room {
    /// Parts frames of the shot.
    pub fn supply(&self, frames: &FrameSet) -> Supply {
        let mut supply = Supply::default();
        for run in frames.runs() {
            supply.made.insert_range(run.meet(self.made));
        }
        let rest = frames.without(&supply.made);
        for run in rest.runs() {
            supply.beyond.insert_range(run.meet(self.there));
        }
        supply.missing = rest.without(&supply.beyond);
        supply
    }
}
