//! `inspect:` of the declaration → the rules by which a stage's frames are judged.
//!
//! Knows which limits there are, and how frames of shots and of the film meet a stage's own numbers.

use super::places::Places;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, nearest};
use crate::base::selector::Selector;
use crate::declare::film::{At, Film};
use crate::declare::inspect::{Inspect, OWN};
use crate::graph::FILM;
use crate::inspect::finding::PixelBox;
use crate::inspect::rules::{self, BadRule, Rule, Rules, Signal};

/// All limits that a declaration can set.
pub fn limits() -> &'static [Rule] {
    rules::table()
}

/// The limits as declared, and what is wrong with them.
pub fn read(inspect: &Inspect) -> (Rules, Problems) {
    let (mut rules, mut problems) = (Rules::default(), Problems::new());
    for (key, value) in &inspect.limits.entries {
        let name = key.text.as_str();
        if rules.get(name).is_none() {
            let problem = Problem::error(key.span, format!("inspect: there is no limit called '{name}'"));
            let known = rules::table().iter().map(|rule| rule.name).chain(OWN);
            problems.push(match nearest(name, known.clone()) {
                Some(near) => problem.help(format!("did you mean '{near}'?")),
                None => problem.help(format!("known here: {}", known.collect::<Vec<_>>().join(", "))),
            });
            continue;
        }
        let number = match value.number() {
            Ok(number) => number,
            Err(problem) => {
                problems.push(problem);
                continue;
            }
        };
        if let Err(BadRule::Range { from, to, unit, .. }) = rules.set(name, number) {
            let problem = Problem::error(value.span, format!("inspect: '{name}' cannot be {number}"));
            problems.push(problem.help(format!("from {from} to {to} {unit}")));
        }
    }
    (rules, problems)
}

/// Rules for the film's frames, but for what is still or black.
pub fn of_film(film: &Film) -> Rules {
    let declared = film.inspect.as_ref();
    let mut rules = declared.map(|inspect| read(inspect).0).unwrap_or_default();
    rules.signal = Signal::Display;
    rules.rate = film.rate.per_second();
    rules.size = Some(film.frame_size);
    rules.picture = declared.and_then(|inspect| inspect.picture.as_ref()).map(|at| {
        let [left, top, width, height] = at.value;
        PixelBox::new(left, top, width, height)
    });
    rules
}

/// Which frames a stage's own numbers are of.
#[derive(Clone, Copy, Debug)]
pub enum Numbered<'a> {
    /// Of the film; its frame 1 has this number.
    Film(i64),
    /// Of a shot.
    Shot(&'a str),
}

/// The same for a stage, with its stills and blacks.
pub fn of_stage(film: &Film, rules: &Rules, places: &Places, of: Numbered<'_>) -> Rules {
    let mut rules = rules.clone();
    let Some(inspect) = &film.inspect else { return rules };
    let all = |list: &[At<Selector>]| {
        list.iter().flat_map(|at| meant(film, places, &at.value, of)).collect::<Vec<FrameRange>>()
    };
    rules.stills = joined(all(&inspect.stills));
    rules.blacks = joined(all(&inspect.blacks));
    rules
}

/// What a selector means in the numbers of a stage.
fn meant(film: &Film, places: &Places, selector: &Selector, of: Numbered<'_>) -> Vec<FrameRange> {
    let mut ranges = Vec::new();
    let within = |whole: FrameRange| match selector.frames() {
        Some(set) => set.runs().iter().map(|run| run.meet(whole)).filter(|run| !run.is_empty()).collect(),
        None => vec![whole],
    };
    let names = |name: &str| selector.shot().is_some_and(|glob| glob.matches(name));
    let of_film: Vec<FrameRange> = if names(FILM) { within(places.film) } else { Vec::new() };
    match of {
        Numbered::Film(first) => {
            let of_shots = film.shots.iter().filter(|(name, _)| names(name)).flat_map(|(name, shot)| {
                let wide = shot.frames.value.widen(shot.handles);
                within(wide).into_iter().flat_map(|run| places.uses(name, run)).collect::<Vec<_>>()
            });
            let moved = |run: FrameRange| FrameRange::new(run.first + first - 1, run.last + first - 1);
            ranges.extend(of_film.into_iter().chain(of_shots).map(moved));
        }
        Numbered::Shot(name) => {
            if names(name)
                && let Some(shot) = film.shots.get(name)
            {
                ranges.extend(within(shot.frames.value.widen(shot.handles)));
            }
            let of_this = of_film.into_iter().flat_map(|run| places.shots(run));
            ranges.extend(of_this.filter(|shown| shown.shot == name).map(|shown| shown.frames));
        }
    }
    ranges
}

/// Ranges that touch as one: what is still over a cut of two lists is still throughout.
fn joined(mut ranges: Vec<FrameRange>) -> Vec<FrameRange> {
    ranges.sort_unstable();
    let mut out: Vec<FrameRange> = Vec::new();
    for range in ranges {
        match out.last_mut() {
            Some(last) if range.first <= last.last + 1 => last.last = last.last.max(range.last),
            _ => out.push(range),
        }
    }
    out
}
