//! What a new cut asks of the declaration: shots that are not declared, frames beyond a shot's handles, frames that no plate has.
//!
//! Knows the shots as declared. Makes nothing up: where a plate is to be named, a person names it.

use std::collections::BTreeMap;

use super::lines;
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::problem::{Span, nearest};
use crate::cut::compare::{Room, Side, Use};
use crate::cut::{Cut, CutEvent};
use crate::declare::film::{Film, Shot};

/// A shot whose frames must be declared longer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Longer {
    /// The shot.
    pub shot: String,
    /// Its frames as declared.
    pub before: FrameRange,
    /// As they must be.
    pub after: FrameRange,
    /// Frames that come to be made, handles included.
    pub more: FrameSet,
    /// The line of the declaration on which they stand, and that line as it would be; none where only a person can change it.
    pub line: Option<(usize, String)>,
}

/// A shot that the new cut shows and the film does not declare.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Undeclared {
    /// The shot.
    pub shot: String,
    /// Frames that are shown.
    pub frames: FrameSet,
    /// The first event that shows it, and where the list names it.
    pub first: (u32, Span),
    /// A declared shot of nearly that name.
    pub near: Option<String>,
    /// Lines to add under `shots:`.
    pub lines: Vec<String>,
}

/// Frames of an event that no plate has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Short {
    /// The shot.
    pub shot: String,
    /// The event, and where the list has it.
    pub event: (u32, Span),
    /// The frames.
    pub frames: FrameSet,
    /// The frames that could be made.
    pub there: FrameRange,
}

/// All of it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Needs {
    /// What each shot has, by name in small letters.
    pub rooms: BTreeMap<String, Room>,
    /// Shots to be declared longer.
    pub longer: Vec<Longer>,
    /// Shots to be declared.
    pub undeclared: Vec<Undeclared>,
    /// Frames that cannot be made.
    pub short: Vec<Short>,
}

/// What a cut asks of a film declared by `text`.
pub fn of(film: &Film, text: &str, side: &Side) -> Needs {
    let mut needs = Needs::default();
    let names: BTreeMap<String, &str> =
        film.shots.keys().map(|name| (name.to_ascii_lowercase(), name.as_str())).collect();
    let mut by_shot: BTreeMap<String, Vec<&Use>> = BTreeMap::new();
    for used in &side.uses {
        by_shot.entry(used.shot.to_ascii_lowercase()).or_default().push(used);
    }
    for (small, shown) in side.shown() {
        let of_shot = || by_shot.get(&small).into_iter().flatten().copied();
        let Some(name) = names.get(&small) else {
            needs.undeclared.extend(of_shot().next().map(|used| Undeclared {
                shot: used.shot.clone(),
                first: (used.number, used.span),
                near: nearest(&small, names.keys().map(String::as_str)).map(|near| names[near].to_string()),
                lines: declared(film, &used.shot, &shown),
                frames: shown.clone(),
            }));
            continue;
        };
        let shot = &film.shots[*name];
        let room = room(film, shot);
        let mut cut = FrameSet::new();
        of_shot().for_each(|used| cut.insert_range(used.source));
        for used in of_shot() {
            let frames = room.supply(&used.shown().into()).missing;
            if !frames.is_empty() {
                let event = (used.number, used.span);
                needs.short.push(Short { shot: (*name).into(), event, frames, there: room.there });
            }
        }
        let wanted = |set: &FrameSet| hull(set).meet(room.there);
        let all = wanted(&shown);
        if !all.is_empty() && !room.made.covers(all) {
            let mut after = shot.frames.value.hull(wanted(&cut));
            if !made(film, shot, after).covers(all) {
                after = after.hull(all);
            }
            let more = FrameSet::from(made(film, shot, after)).without(&room.made.into());
            let line = lines::with_frames(text, name, after).ok();
            let line = line.and_then(|new| {
                lines::frames_line(&new, name).map(|(at, line)| (at, line.trim().to_string()))
            });
            needs.longer.push(Longer { shot: (*name).into(), before: shot.frames.value, after, more, line });
        }
        needs.rooms.insert(small, room);
    }
    needs
}

/// Frames that are made of a shot declared with these.
fn made(film: &Film, shot: &Shot, frames: FrameRange) -> FrameRange {
    let mut wider = shot.clone();
    wider.frames.value = frames;
    wider.rendered(&film.plates)
}

fn room(film: &Film, shot: &Shot) -> Room {
    let wider = Shot { handles: crate::base::frames::FRAME_LIMIT, ..shot.clone() };
    Room { made: shot.rendered(&film.plates), there: wider.rendered(&film.plates) }
}

fn hull(set: &FrameSet) -> FrameRange {
    match (set.runs().first(), set.runs().last()) {
        (Some(first), Some(last)) => FrameRange::new(first.first, last.last),
        _ => FrameRange::none(),
    }
}

/// Lines that declare a shot, what only a person can say in capitals.
fn declared(film: &Film, shot: &str, shown: &FrameSet) -> Vec<String> {
    let recipes = film.shots.values().filter_map(|shot| shot.recipe.as_ref()).map(|at| at.value.as_str());
    let mut by_use: BTreeMap<&str, usize> = BTreeMap::new();
    recipes.for_each(|recipe| *by_use.entry(recipe).or_default() += 1);
    let most = by_use.iter().max_by_key(|(_, count)| **count).map(|(recipe, _)| *recipe);
    vec![
        format!("  {}:", shot.to_ascii_lowercase()),
        "    plate: PLATE".to_string(),
        format!("    frames: {}", hull(shown)),
        match most {
            Some(recipe) => format!("    recipe: RECIPE   # such as {recipe}"),
            None => "    recipe: RECIPE".to_string(),
        },
    ]
}

/// The cut as far as it can be made once shots are as long as they must be: what no plate has and shots that are not declared
/// are left out of it. With it the film frames, from 1, that are left out.
pub fn makeable(cut: &Cut, needs: &Needs) -> (Cut, FrameSet) {
    let there = |shot: &str| {
        needs.rooms.get(&shot.to_ascii_lowercase()).map_or(FrameRange::none(), |room| room.there)
    };
    let start = cut.record.map_or(0, |record| record.first);
    let mut lost = FrameSet::new();
    let mut events = Vec::with_capacity(cut.events.len());
    for event in &cut.events {
        let there = there(&event.shot);
        if there.covers(event.source) {
            events.push(event.clone());
            continue;
        }
        let whole = event.record();
        let part = makeable_part(event, there);
        for film in
            whole.iter().filter(|&film| part.as_ref().is_none_or(|part| !part.record().contains(film)))
        {
            lost.insert(film - start + 1);
        }
        events.extend(part);
    }
    let mut cut = Cut { events, ..cut.clone() };
    cut.dissolves.retain(|dissolve| {
        let goes =
            dissolve.from.as_ref().map(|from| (&from.shot, from.run(dissolve.record.len() as i64).shows()));
        let is_there = goes.is_none_or(|(shot, frames)| there(shot).covers(frames));
        if !is_there {
            dissolve.record.iter().for_each(|film| lost.insert(film - start + 1));
        }
        is_there
    });
    (cut, lost)
}

/// The stretch of an event whose frames are all there.
fn makeable_part(event: &CutEvent, there: FrameRange) -> Option<CutEvent> {
    let run = event.run();
    let inside = |into: &i64| there.contains(run.at(*into));
    let first = (0..run.frames).find(inside)?;
    let frames = (first..run.frames).take_while(inside).count() as i64;
    let rest = crate::base::speed::Run { frames, first: run.at(first), ..run };
    // A slowed event that begins between two frames would show others further on: it is left out whole.
    let is_same = (0..frames).all(|into| rest.at(into) == run.at(first + into));
    is_same.then(|| CutEvent {
        source: rest.shows(),
        record_first: event.record_first + first,
        frames,
        ..event.clone()
    })
}
