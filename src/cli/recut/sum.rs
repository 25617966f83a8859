//! The sentence that says what a new cut comes to.
//!
//! Knows words. What was never measured is said to take as much or more, and is not made up.

use std::time::Duration;

use crate::project::recutting::Recut;
use crate::project::recutting::cost::Stage;
use crate::project::recutting::cues::Fate;
use crate::project::recutting::people::Hand;
use crate::report::words::{self, count};

/// The sentence on top.
pub fn sum(recut: &Recut) -> String {
    let (old, new) = (&recut.comparison.old, &recut.comparison.new);
    let differs = match new.frames - old.frames {
        0 => "as long as the one in use".to_string(),
        n if n < 0 => format!("{} shorter", count(n.unsigned_abs(), "frame")),
        n => format!("{} longer", count(n.unsigned_abs(), "frame")),
    };
    let seconds = new.frames as f64 / recut.rate.per_second();
    let length = format!("{} of film, {seconds:.2} s", count(new.frames.unsigned_abs(), "frame"));
    let mut parts = vec![match recut.comparison.shots_changed() {
        0 => "no shot changes".to_string(),
        1 => "1 shot changes".to_string(),
        n => format!("{n} shots change"),
    }];
    parts.extend(rendered(recut));
    let hands: usize = recut.hands.iter().map(Hand::count).sum();
    if hands > 0 {
        let about = about(recut.hands.iter().map(Hand::seconds));
        parts.push(format!("{} to touch by hand{about}", count(hands as u64, "frame")));
    }
    let fall = recut.cues.iter().filter(|cue| cue.fate == Fate::FallsOff).count();
    let verb = |n: usize, thing: &str, one: &str, many: &str| {
        (n > 0).then(|| format!("{} {}", count(n as u64, thing), if n == 1 { one } else { many }))
    };
    parts.extend(verb(fall, "cue", "falls off", "fall off"));
    parts.extend(verb(recut.lapses.len(), "approval", "lapses", "lapse"));
    parts.extend(verb(recut.lost.len(), "film frame", "cannot be made", "cannot be made"));
    let (last, first) = parts.split_last().map_or(("", &[][..]), |(last, first)| (last.as_str(), first));
    let joined = if first.is_empty() { last.to_string() } else { format!("{} and {last}", first.join(", ")) };
    format!("The new cut is {differs}: {length}. {}.", capital(&joined))
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// What is to be rendered, blocks of sound apart; what the film needs as it is cut now is told last.
fn rendered(recut: &Recut) -> Vec<String> {
    let mut parts = Vec::new();
    for (is_heard, thing) in [(false, "frame"), (true, "block")] {
        let stages = || recut.stages.iter().filter(|stage| stage.is_heard == is_heard);
        let all: usize = stages().map(Stage::more).sum();
        let sure: usize = stages().map(|stage| stage.sure).sum();
        if all > 0 {
            let up_to = if sure < all { "up to " } else { "" };
            let of = if is_heard { " of sound" } else { "" };
            let about =
                about(stages().filter(|stage| stage.more() > 0).map(|stage| stage.seconds(stage.more())));
            parts.push(format!("{up_to}{}{of} to render{about}", count(all as u64, thing)));
        }
    }
    let due: usize = recut.stages.iter().map(|stage| stage.due).sum();
    match (parts.is_empty(), due) {
        (true, 0) => parts.push("nothing to render".into()),
        (true, due) => parts.push(format!("nothing more to render than the {due} that are due already")),
        (false, 0) => {}
        (false, due) => parts.push(format!("{due} more that are due already as the film is cut")),
    }
    parts
}

/// ` (about 2 m 05 s)`, as far as it was measured.
pub fn about(seconds: impl Iterator<Item = Option<f64>>) -> String {
    let all: Vec<Option<f64>> = seconds.collect();
    let known: f64 = all.iter().flatten().sum();
    if known < 0.0005 {
        return String::new();
    }
    let time = words::time(Duration::from_secs_f64(known.clamp(0.0, 1e12)));
    match (all.iter().any(Option::is_some), all.iter().any(Option::is_none)) {
        (false, _) => String::new(),
        (true, false) => format!(" (about {time})"),
        (true, true) => format!(" ({time} or more)"),
    }
}
