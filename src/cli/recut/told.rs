//! What a new cut would do, in words: the sum first, then what a person must do, then the machine's part, then shot by shot.
//!
//! Knows layout and words. Lines keep to the width at hand.

use std::collections::BTreeMap;
use std::time::Duration;

use super::became::{at, became, frames, of};
use super::sum::about;
use crate::cli::{show, today};
use crate::cut::compare::{Change, TransitionChange};
use crate::project::recutting::Recut;
use crate::project::recutting::cost::Stage;
use crate::project::recutting::cues::{Cue, Fate};
use crate::project::recutting::people::Last;
use crate::report::lines::wrap;
use crate::report::words::{self, Look, count};

/// Cues and shots that are named before the rest is counted.
const NAMED: usize = 6;

/// The whole report under the sentence on top, which tells of the whole film, whatever is selected.
pub fn text(recut: &Recut, whole: &str, look: Look) -> String {
    let mut page = Page { out: String::new(), look, items: Vec::new() };
    wrap(&mut page.out, whole, look.width);
    page.in_the_way(recut);
    page.writing(recut);
    page.by_hand(recut);
    page.deciding(recut);
    page.by_machine(recut);
    page.shot_by_shot(recut);
    page.transitions(recut);
    page.resting(recut);
    page.flush();
    if look.ascii {
        page.out = page.out.replace('→', "->").replace('–', "-");
    }
    page.out
}

struct Page {
    out: String,
    look: Look,
    /// Heads and words of the part at hand, and whether a line stands as it is.
    items: Vec<(String, String, bool)>,
}

impl Page {
    /// Begins a part.
    fn title(&mut self, title: &str) {
        self.flush();
        self.out.push_str(&format!("\n{title}\n"));
    }

    /// A line with its head.
    fn item(&mut self, head: &str, words: &str) {
        let head = words::fit(head, self.look.width / 3, self.look.ascii);
        self.items.push((head, show::clean(words), false));
    }

    /// A line to be copied as it stands.
    fn line(&mut self, text: &str) {
        self.items.push((String::new(), show::clean(text), true));
    }

    /// Writes the part at hand: words go on under themselves, beside the longest head.
    fn flush(&mut self) {
        let longest = self.items.iter().map(|(head, ..)| head.chars().count()).max().unwrap_or(0);
        let room = self.look.width.saturating_sub(longest + 4).max(20);
        for (head, words, is_whole) in std::mem::take(&mut self.items) {
            let mut text = String::new();
            match is_whole {
                true => text.push_str(&words),
                false => wrap(&mut text, &words, room),
            }
            for (row, line) in text.lines().enumerate() {
                let head = if row == 0 { head.as_str() } else { "" };
                self.out.push_str(format!("  {}  {line}", words::left(head, longest)).trim_end());
                self.out.push('\n');
            }
        }
    }

    fn in_the_way(&mut self, recut: &Recut) {
        let needs = &recut.needs;
        if needs.undeclared.is_empty() && needs.short.is_empty() && recut.list.is_inside {
            return;
        }
        self.title("In the way");
        let path = &recut.list.path;
        if !recut.list.is_inside {
            self.item(path, "lies outside the film's folder; copy it there, beside the cut in use");
        }
        for of in &needs.undeclared {
            let near = of.near.as_ref().map_or(String::new(), |near| format!("; did you mean {near}?"));
            let (event, line) = (of.first.0, recut.line(of.first.1));
            self.item(
                &of.shot,
                &format!("is not declared: event {event} at {path}:{line} shows {}{near}", of.frames),
            );
        }
        for of in &needs.short {
            let line = recut.line(of.event.1);
            let words = format!(
                "{} of event {} at {path}:{line} {} beyond the plate, which goes as far as {}: get a longer plate, or cut it shorter",
                frames(&of.frames),
                of.event.0,
                if of.frames.len() == 1 { "lies" } else { "lie" },
                of.there
            );
            self.item(&of.shot, &words);
        }
    }

    fn writing(&mut self, recut: &Recut) {
        let needs = &recut.needs;
        if needs.longer.is_empty() && needs.undeclared.is_empty() {
            return;
        }
        self.title("To write in endboard.yaml");
        for of in &needs.longer {
            let more = count(of.more.len() as u64, "frame");
            let why =
                format!("was {}; its plate has them, and {more} more are made with the handles", of.before);
            match &of.line {
                Some((line, text)) => {
                    self.item(&of.shot, &format!("line {line}: {text}"));
                    self.item("", &format!("({why}; --grow writes it)"));
                }
                None => self.item(&of.shot, &format!("frames: {} ({why})", of.after)),
            }
        }
        for of in &needs.undeclared {
            self.item(&of.shot, "under `shots:`, what is in capitals being yours to say:");
            of.lines.iter().for_each(|line| self.line(line));
        }
    }

    fn by_hand(&mut self, recut: &Recut) {
        if recut.hands.is_empty() {
            return;
        }
        self.title("By hand");
        for of in &recut.hands {
            let mut parts = Vec::new();
            if !of.new.is_empty() {
                parts.push(format!("{} to make", frames(&of.new)));
            }
            if !of.again.is_empty() {
                parts.push(format!("{} to look at again", frames(&of.again)));
            }
            let time = of.seconds().map_or(", no time measured yet".to_string(), |seconds| {
                format!(", about {}", words::time(Duration::from_secs_f64(seconds.clamp(0.0, 1e12))))
            });
            let who = of.last.as_ref().map_or(String::new(), |last| format!("; {}", had(last)));
            self.item(&format!("{}/{}", of.shot, of.stage), &format!("{}{time}{who}", parts.join(", ")));
        }
    }

    fn deciding(&mut self, recut: &Recut) {
        let cues: Vec<&Cue> = recut.cues.iter().filter(|cue| !matches!(cue.fate, Fate::Moves(_))).collect();
        let nothing =
            cues.is_empty() && recut.lapses.is_empty() && recut.held.is_empty() && recut.out.is_empty();
        if nothing && recut.deliveries.is_empty() {
            return;
        }
        self.title("To look at and decide");
        for cue in cues {
            self.item(&format!("cue {}", cue.name), &fate(cue));
        }
        for of in &recut.lapses {
            let when = today::day_of(of.when);
            let mut parts = Vec::new();
            if !of.changed.is_empty() {
                parts.push(format!("{} will look different", frames(&of.changed)));
            }
            if !of.gone.is_empty() {
                parts.push(format!("{} will be gone", frames(&of.gone)));
            }
            let place = format!("{}/{}", of.shot, of.stage);
            self.item(&place, &format!("{}'s approval of {when} lapses: {}", of.by, parts.join(", ")));
        }
        for of in &recut.held {
            let place = format!("{}/{}", of.shot, of.stage);
            let mut parts = Vec::new();
            if !of.stale.is_empty() {
                parts.push(format!("{} would stay as they were", frames(&of.stale)));
            }
            if !of.gone.is_empty() {
                parts.push(format!("{} would be gone", frames(&of.gone)));
            }
            self.item(
                &place,
                &format!(
                    "held {}: {}; `endboard rebuild --let-go {place}` lets go",
                    of.words,
                    parts.join(", ")
                ),
            );
        }
        for of in &recut.out {
            let place = format!("{}/{}", of.shot, of.stage);
            self.item(
                &place,
                &format!(
                    "{} of packet {} are with {}, and are shown no longer",
                    frames(&of.frames),
                    of.packet,
                    of.person
                ),
            );
        }
        for name in &recut.deliveries {
            self.item(&format!("delivery {name}"), "goes stale: it was made of the cut in use");
        }
    }

    fn by_machine(&mut self, recut: &Recut) {
        if recut.stages.is_empty() {
            return;
        }
        self.title("By machine");
        // One line a stage, whichever shots it is of; the film's own stages each by itself.
        let mut by_stage: BTreeMap<(bool, &str), Vec<&Stage>> = BTreeMap::new();
        for stage in &recut.stages {
            let is_film = &*stage.shot == crate::graph::FILM;
            by_stage.entry((is_film, &stage.stage)).or_default().push(stage);
        }
        for ((is_film, name), stages) in by_stage {
            let sum =
                |of: &dyn Fn(&Stage) -> usize| stages.iter().map(|stage| of(stage)).sum::<usize>() as u64;
            let thing = if stages[0].is_heard { "block" } else { "frame" };
            let (now, later) = (sum(&|stage| stage.frames.len()), sum(&|stage| stage.later.len()));
            let mut parts = Vec::new();
            if now > 0 {
                let up_to = if sum(&|stage| stage.sure) < now { "up to " } else { "" };
                parts.push(format!("{up_to}{} to render", count(now, thing)));
            }
            if later > 0 {
                parts.push(format!("{} to render once what they wait for is there", count(later, thing)));
            }
            let back = sum(&|stage| stage.back.len());
            if back > 0 {
                parts.push(format!("{} put back", count(back, thing)));
            }
            let mut words = parts.join(", ");
            if now + later > 0 {
                words.push_str(&about(stages.iter().map(|stage| stage.seconds(stage.count()))));
            }
            let due = sum(&|stage| stage.due);
            if due > 0 {
                words.push_str(&format!("; {due} of them are due already as the film is cut"));
            }
            if !is_film {
                let shots: Vec<&str> = stages.iter().map(|stage| &*stage.shot).collect();
                words.push_str(&format!("; {}", named(&shots)));
            }
            self.item(&if is_film { format!("film/{name}") } else { name.to_string() }, &words);
        }
    }

    fn shot_by_shot(&mut self, recut: &Recut) {
        let changed: Vec<&Change> =
            recut.comparison.changes.iter().filter(|change| !change.is_kept()).collect();
        let kept = recut.comparison.changes.len() - changed.len();
        if !changed.is_empty() {
            self.title("Shot by shot");
        }
        for change in changed {
            self.item(&change.shot, &became(recut, change));
        }
        if kept > 0 {
            let stay = if kept == 1 {
                "1 use stays as it is".to_string()
            } else {
                format!("{kept} uses stay as they are")
            };
            let shifts = moving(&recut.cues);
            self.flush();
            wrap(&mut self.out, &format!("\n{stay}{shifts}."), self.look.width);
        }
    }

    fn transitions(&mut self, recut: &Recut) {
        if recut.comparison.transitions.is_empty() {
            return;
        }
        self.title("Transitions");
        for TransitionChange { before, after } in &recut.comparison.transitions {
            let (head, words) = match (before, after) {
                (Some(before), Some(after)) => {
                    (at(after.at, &recut.comparison.new, recut), format!("{}, was {}", of(after), of(before)))
                }
                (None, Some(after)) => {
                    (at(after.at, &recut.comparison.new, recut), format!("new: {}", of(after)))
                }
                (Some(before), None) => {
                    (at(before.at, &recut.comparison.old, recut), format!("gone: {}", of(before)))
                }
                (None, None) => continue,
            };
            self.item(&head, &words);
        }
    }

    fn resting(&mut self, recut: &Recut) {
        if recut.resting.is_empty() {
            return;
        }
        self.title("Shown no longer; nothing of it is lost");
        for of in &recut.resting {
            let renders = match of.renders {
                0 => "none of them rendered".to_string(),
                1 => "1 render of them stays in the store".to_string(),
                n => format!("{n} renders of them stay in the store"),
            };
            let whole = if of.is_whole { "the whole shot: " } else { "" };
            self.item(&of.shot, &format!("{whole}{}; {renders}", frames(&of.frames)));
        }
    }
}

fn named(all: &[&str]) -> String {
    match all.len() {
        n if n > NAMED => format!("{} and {} more", all[..NAMED].join(", "), n - NAMED),
        _ => all.join(", "),
    }
}

fn had(last: &Last) -> String {
    let when = today::day_of(last.when);
    match last.same {
        true => format!("{} had them last, {when}", last.person),
        false => format!("{} had the stage last, {when}", last.person),
    }
}

/// ` (17 cues move with their shots)`.
fn moving(cues: &[Cue]) -> String {
    match cues.iter().filter(|cue| matches!(cue.fate, Fate::Moves(_))).count() {
        0 => String::new(),
        1 => "; 1 cue moves with its shot".into(),
        n => format!("; {n} cues move with their shots"),
    }
}

fn fate(cue: &Cue) -> String {
    let says = cue.says.as_ref().map_or(String::new(), |says| format!(": {says}"));
    match &cue.fate {
        Fate::FallsOff => format!("falls off{says}"),
        Fate::ComesBack => "is heard again".into(),
        Fate::Times(was, is) => format!("is heard {is} times, {was} before{says}"),
        Fate::Under([was, is]) => {
            format!("hangs on timecode and stays: {is} is seen when it begins, {was} before")
        }
        Fate::Beyond => cue.says.clone().unwrap_or_default(),
        Fate::Moves(by) => format!("moves by {by} frames"),
    }
}
