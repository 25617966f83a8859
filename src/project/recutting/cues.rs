//! What a new cut does to the film's cues.
//!
//! Knows when each cue begins in both films, and what the film shows then. Does not know how a cue finds its place.

use std::collections::{HashMap, HashSet};

use crate::base::problem::Problems;
use crate::cut::compare::Comparison;
use crate::declare::sound::{Anchor, Sound};
use crate::project::Declared;

/// What becomes of a cue.
#[derive(Clone, Debug, PartialEq)]
pub enum Fate {
    /// It is heard, and will not be.
    FallsOff,
    /// It is not heard, and will be.
    ComesBack,
    /// It is heard more often, or less.
    Times(usize, usize),
    /// It goes with its shot, by so many frames.
    Moves(f64),
    /// It hangs on timecode and stays, and what is seen with it was another frame: of which shot, before and after.
    Under([String; 2]),
    /// It is heard as before, and not all of it lies in the film.
    Beyond,
}

/// A cue to which something happens.
#[derive(Clone, Debug, PartialEq)]
pub struct Cue {
    /// Its name.
    pub name: String,
    /// What.
    pub fate: Fate,
    /// When it begins now, in film frames from 1, and when it will.
    pub times: [Vec<f64>; 2],
    /// What `check` will say of it, where that is new.
    pub says: Option<String>,
}

/// All cues to which something happens, in the order declared.
pub fn of(before: &Declared, after: &Declared, comparison: &Comparison) -> Vec<Cue> {
    let Some(sound) = after.film.as_ref().and_then(|film| film.sound.as_ref()) else { return Vec::new() };
    let was: HashMap<&str, &Vec<f64>> =
        before.graph.heard.iter().map(|(name, times)| (name.as_str(), times)).collect();
    let said: HashSet<&str> = before.problems.iter().map(|problem| problem.message.as_str()).collect();
    let mut cues = Vec::new();
    for (name, after_times) in &after.graph.heard {
        let before_times = was.get(name.as_str()).map_or_else(Vec::new, |times| (*times).clone());
        let says = new_words(name, &after.problems, &said);
        let fate = match (before_times.as_slice(), after_times.as_slice()) {
            ([], []) => None,
            (_, []) => Some(Fate::FallsOff),
            ([], _) => Some(Fate::ComesBack),
            (a, b) if a.len() != b.len() => Some(Fate::Times(a.len(), b.len())),
            (a, b) => fate(name, sound, [a[0], b[0]], comparison),
        };
        let fate = match (fate, &says) {
            (None | Some(Fate::Moves(_)), Some(_)) => Some(Fate::Beyond),
            (fate, _) => fate,
        };
        if let Some(fate) = fate {
            cues.push(Cue { name: name.clone(), fate, times: [before_times, after_times.clone()], says });
        }
    }
    cues
}

/// What is said of a cue that was not said before.
fn new_words(name: &str, problems: &Problems, said: &HashSet<&str>) -> Option<String> {
    let of_cue = format!("cue {name}: ");
    let new = problems.iter().map(|problem| problem.message.as_str()).filter(|words| !said.contains(words));
    new.filter_map(|words| words.strip_prefix(&of_cue)).map(str::to_string).next()
}

/// Of a cue that is heard as often as before.
fn fate(name: &str, sound: &Sound, [was, is]: [f64; 2], comparison: &Comparison) -> Option<Fate> {
    let seen = [(&comparison.old, was), (&comparison.new, is)].map(|(side, time)| {
        match side.at(time.floor() as i64) {
            Some((shot, frame)) => format!("{}@{frame}", shot.to_ascii_lowercase()),
            None => "black".to_string(),
        }
    });
    if hangs_on_timecode(name, sound) && seen[0] != seen[1] {
        return Some(Fate::Under(seen));
    }
    ((is - was).abs() > 1e-6).then_some(Fate::Moves(is - was))
}

/// Whether a cue, or the one at the end of what it hangs on, hangs on timecode.
fn hangs_on_timecode(name: &str, sound: &Sound) -> bool {
    let mut at = name;
    // A circle was told of, and is left after as many steps as there are cues.
    for _ in 0..=sound.cues.len() {
        match sound.cues.get(at).map(|cue| &cue.at.value) {
            Some(Anchor::With(other) | Anchor::After(other)) => at = other,
            Some(Anchor::Timecode(_)) => return true,
            _ => return false,
        }
    }
    false
}
