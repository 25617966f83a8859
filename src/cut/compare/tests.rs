//! Comparisons of invented cuts, told use by use, and what must hold of any two cuts.

use proptest::prelude::*;

use super::*;
use crate::base::problem::SourceId;
use crate::base::speed::Speed;
use crate::cut::{CutEvent, Dissolve, Outgoing};

fn span() -> Span {
    Span::new(SourceId(0), 0, 0)
}

fn event(number: u32, shot: &str, source: FrameRange, record_first: i64) -> CutEvent {
    CutEvent {
        number,
        shot: shot.into(),
        shot_span: span(),
        source,
        speed: Speed::OWN,
        record_first,
        frames: source.len() as i64,
        reel: None,
        channels: None,
        grade: None,
        comments: Vec::new(),
        span: span(),
    }
}

/// A cut of these uses, one after the other: shot, first and last frame. No shot is black.
fn cut(uses: &[(&str, i64, i64)]) -> Cut {
    let (mut at, mut events) = (86_400, Vec::new());
    for (i, &(shot, first, last)) in uses.iter().enumerate() {
        let source = FrameRange::new(first, last);
        if !shot.is_empty() {
            events.push(event(i as u32 + 1, shot, source, at));
        }
        at += source.len() as i64;
    }
    Cut { events, record: Some(FrameRange::new(86_400, at - 1)), ..Cut::default() }
}

/// A line a change.
fn told(old: &[(&str, i64, i64)], new: &[(&str, i64, i64)]) -> Vec<String> {
    let all = compare(&cut(old), &cut(new));
    all.changes.iter().map(words).collect()
}

fn words(change: &Change) -> String {
    let mut out = vec![change.shot.clone()];
    let mut say = |is: bool, word: &str| out.extend(is.then(|| word.to_string()));
    say(change.is_kept(), "kept");
    say(change.is_new(), "new");
    say(change.is_dropped(), "dropped");
    say(change.is_split(), "split");
    say(change.is_joined(), "joined");
    say(change.moved, "moved");
    for (ends, word) in [(&change.trimmed, "-"), (&change.extended, "+")] {
        if change.is_new() || change.is_dropped() {
            continue;
        }
        for (frames, at) in [(&ends.head, "head"), (&ends.inside, "inside"), (&ends.tail, "tail")] {
            say(!frames.is_empty(), &format!("{word}{} {at}", frames.len()));
        }
    }
    say(!change.again.is_empty(), &format!("again {}", change.again));
    out.join(" ")
}

#[test]
fn trims_and_extensions_are_told_by_end() {
    let old = [("br010", 1009, 1048), ("br020", 1009, 1040), ("br030", 1009, 1044)];
    let new = [("br010", 1013, 1048), ("br020", 1005, 1043), ("br030", 1009, 1040)];
    assert_eq!(told(&old, &new), ["br010 -4 head", "br020 +4 head +3 tail", "br030 -4 tail"]);
    // Lists are often written in capitals.
    let capitals = [("BR010", 1009, 1048), ("BR020", 1009, 1040), ("BR030", 1009, 1044)];
    assert_eq!(told(&old, &capitals), ["BR010 kept", "BR020 kept", "BR030 kept"]);
}

#[test]
fn new_dropped_and_moved_uses() {
    let old = [("a", 1, 10), ("b", 1, 10), ("c", 1, 30), ("d", 1, 30)];
    // The lighter one counts as moved, wherever it went.
    assert_eq!(
        told(&old, &[("b", 1, 10), ("c", 1, 30), ("a", 1, 10), ("d", 1, 30)]),
        ["b kept", "c kept", "a moved", "d kept"]
    );
    assert_eq!(
        told(&old, &[("c", 1, 30), ("e", 5, 9), ("d", 1, 30)]),
        ["a dropped", "b dropped", "c kept", "e new", "d kept"]
    );
    assert_eq!(told(&old, &[]), ["a dropped", "b dropped", "c dropped", "d dropped"]);
}

#[test]
fn one_use_becomes_several_and_several_become_one() {
    let whole = [("a", 1, 40), ("b", 1, 10)];
    let parts = [("a", 1, 15), ("b", 1, 10), ("a", 21, 40)];
    assert_eq!(told(&whole, &parts), ["a split -5 inside", "b moved"]);
    assert_eq!(told(&parts, &whole), ["a joined +5 inside", "b moved"]);
    // An insert in one shot: nothing is lost of it.
    let insert = [("a", 1, 20), ("c", 3, 6), ("a", 21, 40), ("b", 1, 10)];
    assert_eq!(told(&whole, &insert), ["a split", "c new", "b kept"]);
    // Two of three parts join again and one goes.
    let three = [("a", 1, 10), ("b", 1, 4), ("a", 11, 20), ("b", 5, 9), ("a", 21, 30)];
    assert_eq!(told(&three, &[("a", 1, 20), ("b", 1, 4)]), ["a joined", "b dropped", "a dropped", "b moved"]);
}

#[test]
fn a_shot_used_twice_reordered_and_trimmed() {
    // Both uses trimmed and in the other order: each is known by the frames that it shares.
    let old = [("a", 1, 20), ("b", 1, 50), ("a", 31, 60)];
    let new = [("a", 33, 58), ("b", 1, 50), ("a", 1, 18)];
    assert_eq!(told(&old, &new), ["a moved -2 head -2 tail", "b kept", "a moved -2 tail"]);
    // Frames that are shown once more are a use of their own, and no split.
    let twice = [("a", 1, 20), ("b", 1, 50), ("a", 31, 60), ("a", 5, 12)];
    assert_eq!(told(&old, &twice), ["a kept again 5-12", "b kept", "a kept", "a new again 5-12"]);
    assert_eq!(told(&twice, &old), ["a kept", "b kept", "a kept", "a dropped"]);
    // The same frames twice, one of the uses trimmed: the untouched one is the one that did not change.
    let same = [("a", 1, 20), ("b", 1, 5), ("a", 1, 20)];
    assert_eq!(
        told(&same, &[("a", 1, 20), ("b", 1, 5), ("a", 1, 12)]),
        ["a kept again 1-12", "b kept", "a -8 tail again 1-12"]
    );
    assert_eq!(told(&same, &[("a", 1, 12), ("b", 1, 5), ("a", 1, 20)])[1], "b kept");
    // Other frames of the same shot share nothing with those before.
    assert_eq!(told(&[("a", 1, 10)], &[("a", 11, 20)]), ["a dropped", "a new"]);
}

#[test]
fn where_uses_lie_and_how_long_the_films_are() {
    let old = cut(&[("a", 1, 10), ("", 1, 5), ("b", 1, 10)]);
    let new = cut(&[("a", 1, 8), ("b", 1, 12)]);
    let all = compare(&old, &new);
    assert_eq!((all.old.frames, all.new.frames, all.old.black, all.new.black), (25, 20, 5, 0));
    assert_eq!(all.old.uses[1].record, FrameRange::new(16, 25));
    assert_eq!(all.new.uses[1].record, FrameRange::new(9, 20));
    assert_eq!((all.new.at(8), all.new.at(9), all.old.at(12)), (Some(("a", 8)), Some(("b", 1)), None));
    assert_eq!(all.shots_changed(), 2);
}

fn dissolve(record: (i64, i64), from: Option<(&str, i64)>) -> Dissolve {
    let from = from.map(|(shot, first)| Outgoing {
        shot: shot.into(),
        shot_span: span(),
        source_first: first,
        speed: Speed::OWN,
        played: 0,
    });
    Dissolve { number: 9, wipe: None, record: FrameRange::new(record.0, record.1), from, span: span() }
}

#[test]
fn transitions_that_come_go_and_grow() {
    let with = |dissolves: Vec<Dissolve>| Cut { dissolves, ..cut(&[("a", 1, 10), ("b", 1, 10), ("", 1, 6)]) };
    let out = dissolve((86_420, 86_425), Some(("b", 11)));
    let (short, long) =
        (dissolve((86_410, 86_413), Some(("a", 11))), dissolve((86_410, 86_417), Some(("a", 11))));
    let of = |old: &Cut, new: &Cut| -> Vec<(Option<i64>, Option<i64>)> {
        let frames = |of: &Option<Transition>| of.as_ref().map(|of| of.frames);
        compare(old, new).transitions.iter().map(|t| (frames(&t.before), frames(&t.after))).collect()
    };
    let (bare, all) = (with(vec![]), with(vec![short.clone(), out.clone()]));
    assert_eq!(of(&all, &all), []);
    assert_eq!(of(&bare, &all), [(None, Some(4)), (None, Some(6))]);
    assert_eq!(of(&all, &bare), [(Some(4), None), (Some(6), None)]);
    assert_eq!(of(&all, &with(vec![long, out])), [(Some(4), Some(8))]);
    // What goes out goes on from the use before, and its frames are seen.
    let side = compare(&all, &all).new;
    assert_eq!((side.uses[0].shown(), side.uses[0].source), (FrameRange::new(1, 14), FrameRange::new(1, 10)));
    assert_eq!(side.shown()["b"].to_string(), "1-16");
    // One that does not go on from there is a use of its own.
    let jumps = compare(&bare, &with(vec![dissolve((86_410, 86_413), Some(("c", 1)))]));
    assert_eq!(jumps.changes.iter().map(words).collect::<Vec<_>>()[1..2], ["c new"]);
}

#[test]
fn another_speed_is_told_and_frames_are_those_that_are_seen() {
    let old = cut(&[("a", 1, 20), ("b", 1, 10)]);
    let mut new = old.clone();
    let half = Speed::new(1, 2).unwrap();
    (new.events[0].speed, new.events[0].source) = (half, FrameRange::new(1, 10));
    new.dissolves = vec![dissolve((86_420, 86_423), Some(("a", 11)))];
    if let Some(from) = &mut new.dissolves[0].from {
        (from.speed, from.played) = (half, 20);
    }
    new.dissolves[0].wipe = Some(1);
    let all = compare(&old, &new);
    assert!(all.changes[0].retimed && !all.changes[1].retimed && all.changes[0].trimmed.tail.len() == 10);
    let used = &all.new.uses[0];
    assert_eq!((used.tail, used.shown(), all.new.at(20)), (4, FrameRange::new(1, 12), Some(("a", 10))));
    assert_eq!(all.transitions[0].after.as_ref().map(|t| t.kind.as_str()), Some("wipe 001"));
}

#[test]
fn frames_are_parted_by_what_the_shot_has() {
    let room = Room { made: FrameRange::new(1005, 1048), there: FrameRange::new(1001, 1052) };
    let supply = room.supply(&"1000-1006,1050-1060".parse().unwrap());
    assert_eq!(supply.made.to_string(), "1005-1006");
    assert_eq!(supply.beyond.to_string(), "1001-1004,1050-1052");
    assert_eq!(supply.missing.to_string(), "1000,1053-1060");
}

#[test]
fn a_shot_used_very_often_is_compared_all_the_same() {
    let long: Vec<(&str, i64, i64)> = (0..3000).map(|i| ("a", i * 7, i * 7 + 30)).collect();
    let trimmed: Vec<(&str, i64, i64)> = long.iter().map(|&(shot, a, b)| (shot, a + 1, b)).collect();
    let all = compare(&cut(&long), &cut(&trimmed));
    assert_eq!(all.changes.len(), 3000);
    assert!(all.changes.iter().all(|change| !change.moved && change.new == change.old));
}

fn uses() -> impl Strategy<Value = Vec<(&'static str, i64, i64)>> {
    let one = (prop::sample::select(vec!["a", "b", "c", "A", ""]), 0i64..30, 0i64..20);
    prop::collection::vec(one.prop_map(|(shot, first, more)| (shot, first, first + more)), 0..12)
}

fn set<'u>(uses: impl Iterator<Item = &'u Use>) -> FrameSet {
    let mut set = FrameSet::new();
    uses.for_each(|used| set.insert_range(used.source));
    set
}

fn joined(ends: &Ends) -> FrameSet {
    [&ends.head, &ends.inside, &ends.tail].into_iter().flat_map(FrameSet::iter).collect()
}

proptest! {
    #[test]
    fn a_cut_held_against_itself_is_kept_whole(uses in uses()) {
        let all = compare(&cut(&uses), &cut(&uses));
        prop_assert!(all.changes.iter().all(Change::is_kept), "{:?}", all.changes);
        prop_assert_eq!(all.shots_changed(), 0);
        prop_assert_eq!(all.changes.len(), all.new.uses.len());
    }

    #[test]
    fn every_use_and_every_frame_is_accounted_for(old in uses(), new in uses()) {
        let all = compare(&cut(&old), &cut(&new));
        let mut seen: (Vec<usize>, Vec<usize>) = Default::default();
        for change in &all.changes {
            seen.0.extend(&change.old);
            seen.1.extend(&change.new);
            let before = set(change.old.iter().map(|&i| &all.old.uses[i]));
            let after = set(change.new.iter().map(|&i| &all.new.uses[i]));
            let (lost, gained) = (joined(&change.trimmed), joined(&change.extended));
            prop_assert_eq!(lost.len(), change.trimmed.len());
            prop_assert_eq!(before.without(&change.kept), lost.clone());
            prop_assert_eq!(after.without(&change.kept), gained.clone());
            prop_assert_eq!(change.kept.len() + lost.len(), before.len());
            prop_assert_eq!(change.kept.len() + gained.len(), after.len());
            let shot = change.shot.to_ascii_lowercase();
            let same = |side: &Side, i: &usize| side.uses[*i].shot.eq_ignore_ascii_case(&shot);
            prop_assert!(change.old.iter().all(|i| same(&all.old, i)) && change.new.iter().all(|i| same(&all.new, i)));
        }
        seen.0.sort_unstable();
        seen.1.sort_unstable();
        prop_assert_eq!(seen.0, (0..all.old.uses.len()).collect::<Vec<_>>());
        prop_assert_eq!(seen.1, (0..all.new.uses.len()).collect::<Vec<_>>());
        prop_assert!(all.links.iter().all(|link| !link.shared.is_empty()));
    }

    #[test]
    fn the_other_way_round_everything_is_the_other_way_round(old in uses(), new in uses()) {
        let (there, back) = (compare(&cut(&old), &cut(&new)), compare(&cut(&new), &cut(&old)));
        let pairs = |all: &Comparison, turned: bool| -> Vec<(usize, usize)> {
            let of = |link: &Link| if turned { (link.new, link.old) } else { (link.old, link.new) };
            let mut pairs: Vec<_> = all.links.iter().map(of).collect();
            pairs.sort_unstable();
            pairs
        };
        prop_assert_eq!(pairs(&there, false), pairs(&back, true));
        let count = |all: &Comparison, is: &dyn Fn(&Change) -> bool| all.changes.iter().filter(|c| is(c)).count();
        prop_assert_eq!(count(&there, &Change::is_new), count(&back, &Change::is_dropped));
        prop_assert_eq!(count(&there, &Change::is_split), count(&back, &Change::is_joined));
        let frames = |all: &Comparison, of: &dyn Fn(&Change) -> usize| all.changes.iter().map(of).sum::<usize>();
        let ends = |of: fn(&Change) -> &Ends| move |change: &Change| of(change).head.len() * 31 + of(change).tail.len() * 7 + of(change).inside.len();
        prop_assert_eq!(
            frames(&there, &ends(|c| &c.trimmed)),
            frames(&back, &ends(|c| &c.extended))
        );
        // As little as possible counts as moved, whichever way.
        let moved = |all: &Comparison| all.links.iter().filter(|l| l.moved).map(|l| l.shared.len()).sum::<usize>();
        prop_assert_eq!(moved(&there), moved(&back));
    }

    #[test]
    fn links_that_stay_stand_in_one_order(old in uses(), new in uses()) {
        let all = compare(&cut(&old), &cut(&new));
        let stay: Vec<_> = all.links.iter().filter(|link| !link.moved).collect();
        prop_assert!(stay.is_sorted_by_key(|link| link.new));
        let mut by_old = stay.clone();
        by_old.sort_by_key(|link| (link.old, link.shared.first, link.new));
        prop_assert!(by_old.is_sorted_by_key(|link| (link.new, link.shared.first)));
    }
}
