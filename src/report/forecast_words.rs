//! A forecast in sentences: the dates, what holds the end up, what would help, what it does not know.
//!
//! Knows plain English and dates. Does not know how a forecast is made, nor how sentences are laid out: a terminal and a page say
//! the same.

use std::sync::Arc;

use jiff::civil::Date;

use super::words::{count, percent};
use crate::forecast::outlook::{Change, FILM, Outlook};
use crate::forecast::rates::Whose;
use crate::forecast::work::{Counts, Piece, Stage, Work};

/// The names of the dates, by the share of runs that end by then in per cent.
pub const NAMES: [&str; 3] = ["P50", "P80", "P95"];
/// How many changes a sentence tells of, or stages of which the same is to be said.
const TOLD: usize = 4;

/// What is told, as plain values.
pub struct Told<'a> {
    /// The film's name.
    pub film: &'a str,
    /// What of it is asked for, in words; all when none.
    pub part: Option<&'a str>,
    /// What remains.
    pub work: &'a Work,
    /// What the runs say; none where nothing can be planned.
    pub outlook: Option<&'a Outlook>,
    /// The day from which days count.
    pub from: Date,
    /// The day by which it should be done.
    pub due: Option<Date>,
    /// Whether the declaration names people.
    pub has_crew: bool,
    /// Whether it names machines.
    pub has_machines: bool,
    /// Packets out with people who are not of the crew: person and place.
    pub strangers: &'a [(Arc<str>, String)],
    /// The changes that were asked for.
    pub asked: &'a [Change],
}

impl Told<'_> {
    /// The date of a day; none when that day never comes.
    pub fn date(&self, day: f64) -> Option<Date> {
        if !day.is_finite() {
            return None;
        }
        // What ends as a day ends is done on that day.
        let whole = (day - 1e-9).floor().max(0.0);
        self.from.checked_add(jiff::Span::new().days(whole as i64)).ok()
    }

    /// A day in full.
    fn day(&self, day: f64) -> String {
        self.date(day).map_or("never".into(), |date| date.strftime("%a %-d %B %Y").to_string())
    }

    /// A day in brief.
    pub fn short(&self, day: f64) -> String {
        self.date(day).map_or("never".into(), |date| date.strftime("%-d %b %Y").to_string())
    }

    /// What is asked for, in words.
    fn what(&self) -> String {
        self.part.map_or(self.film.to_string(), |part| format!("{part} of {}", self.film))
    }

    /// Whether anything that is asked for remains.
    pub fn is_done(&self) -> bool {
        !self.work.pieces.iter().any(|piece| piece.asked)
    }
}

/// By when it is done, and how likely by the day that it is due.
pub fn dates(told: &Told<'_>) -> Vec<String> {
    let what = told.what();
    if told.is_done() {
        return vec![format!("{what}: everything is fresh; nothing remains to be done.")];
    }
    let Some(outlook) = told.outlook else {
        let why = "nothing that remains has both a known pace and somebody who does it";
        return vec![format!("{what}: no date can be told: {why}.")];
    };
    let [half, four, most] = outlook.days().map(|day| told.day(day));
    let needed = told.work.needed();
    let is_known = |at: usize| told.work.stages[told.work.pieces[at].stage].is_planned();
    let is_partial = (0..needed.len()).any(|at| needed[at] && !is_known(at));
    let but = if is_partial { ", not counting what is unknown (see below)" } else { "" };
    let mut all = vec![match half.as_str() {
        "never" => {
            let why = "the crew's hours run out before the work does, in half of all runs or more";
            format!("{what}: no date can be told: {why}.")
        }
        _ => format!(
            "{what}: {0} {half}, {1} {four}, {2} {most}{but}. Half of all runs end by {0}, four in five by {1}, nineteen in twenty \
             by {2}.",
            NAMES[0], NAMES[1], NAMES[2]
        ),
    }];
    if let Some(due) = told.due {
        let days = told.from.until(due).map_or(-1, |span| span.get_days());
        let share = if days < 0 { 0.0 } else { outlook.share_by(f64::from(days)) };
        let day = due.strftime("%a %-d %B %Y");
        all.push(format!("Due by {day}: {} of all runs end by then.", percent(share)));
    }
    all
}

/// What holds the end up: stages, and stages of shots.
pub fn holds(told: &Told<'_>, outlook: &Outlook) -> Vec<String> {
    if outlook.holds.is_empty() {
        return Vec::new();
    }
    let stages = outlook.holds.iter().take(4);
    let stages = stages.map(|&(at, share)| format!("{} {}", named(&told.work.stages[at]), percent(share)));
    let places = outlook.chain.iter().take(6).map(|&(at, share)| {
        let piece = &told.work.pieces[at];
        format!("{}/{} {}", piece.shot, named(&told.work.stages[piece.stage]), percent(share))
    });
    vec![
        format!("of the time to the end: {}", stages.collect::<Vec<_>>().join(", ")),
        format!("in so many runs on the way that ends last: {}", places.collect::<Vec<_>>().join(", ")),
    ]
}

/// What changes would save, each with what it saves.
pub fn savings(outlook: &Outlook) -> Vec<(String, String)> {
    let what = |changes: &[Change]| changes.iter().map(change).collect::<Vec<_>>().join(", ");
    outlook.savings.iter().map(|saving| (what(&saving.changes), saved(saving.days))).collect()
}

/// Why changes that were asked for change nothing, for those that cannot: a sentence each.
pub fn idle(told: &Told<'_>) -> Vec<String> {
    let pieces = || told.work.pieces.iter();
    let stage = |at: usize| &told.work.stages[at];
    let why = |change: &Change| {
        if told.is_done() {
            return Some("nothing of what is asked for remains, so that it was not tried");
        }
        if told.outlook.is_none() {
            return Some("there is no date that it could change, so that it was not tried");
        }
        match change {
            Change::Without(shot) if !pieces().any(|piece| piece.shot == *shot) => {
                Some("nothing of this shot remains, so that nothing is saved without it")
            }
            Change::Without(shot) if pieces().all(|piece| !piece.asked || piece.shot == *shot) => {
                Some("without this shot nothing remains of what is asked for")
            }
            Change::Without(_) => None,
            Change::More(name) => {
                let of = |piece: &&Piece| {
                    stage(piece.stage).name == *name && stage(piece.stage).whose == Whose::Hands
                };
                (!pieces().any(|piece| of(&piece))).then_some("nothing remains there to be done by hand")
            }
            Change::Faster(name, _) => match pieces().find(|piece| stage(piece.stage).name == *name) {
                None => Some("nothing of this stage remains"),
                Some(piece) if stage(piece.stage).pace.is_none() => {
                    Some("how long it takes is not known, so that it counts for nothing at any pace")
                }
                Some(_) => None,
            },
        }
    };
    told.asked.iter().filter_map(|asked| Some(format!("{}: {}.", change(asked), why(asked)?))).collect()
}

/// All of it but what it does not know in sentences, for where there is no room for tables.
pub fn sentences(told: &Told<'_>) -> Vec<String> {
    let mut all = dates(told);
    if let Some(outlook) = told.outlook {
        let held = holds(told, outlook).into_iter();
        all.extend(held.map(|line| format!("What delays it, {line}.")));
        let helps: Vec<String> =
            savings(outlook).iter().take(TOLD).map(|(what, saved)| format!("{what}, {saved}")).collect();
        if !helps.is_empty() {
            all.push(format!("What would help: {}.", helps.join("; ")));
        }
    }
    all
}

/// Whose time a stage takes, in a word.
pub fn whose(whose: Whose) -> &'static str {
    match whose {
        Whose::Hands => "hands",
        Whose::Machine => "machine",
    }
}

/// A stage with whose time it takes.
pub fn named(stage: &Stage) -> String {
    format!("{} ({})", stage.name, whose(stage.whose))
}

/// So many frames of a stage, or what it has in their place.
pub fn counted(stage: &Stage, frames: u64) -> String {
    match stage.counts {
        Counts::Frames => count(frames, "frame"),
        Counts::Blocks => count(frames, "block"),
        Counts::Both => format!("{frames} frames and blocks"),
    }
}

/// A change in words.
pub fn change(change: &Change) -> String {
    match change {
        Change::Without(shot) => format!("without {shot}"),
        Change::More(stage) => format!("one more person for {stage}"),
        Change::Faster(stage, times) if *times == 2.0 => format!("{stage} twice as fast"),
        Change::Faster(stage, times) => format!("{stage} {times} times as fast"),
    }
}

fn saved(days: f64) -> String {
    match days.round() {
        d if d.is_nan() || d == f64::NEG_INFINITY => "no end any more".into(),
        f64::INFINITY => "an end at all".into(),
        0.0 => "not a day sooner".into(),
        d if d < 0.0 => format!("{} later", count(-d as u64, "day")),
        d => format!("{} sooner", count(d as u64, "day")),
    }
}

/// Stages that the dates leave out, those for the same reason together.
fn unplanned(told: &Told<'_>) -> Vec<String> {
    let needed = told.work.needed();
    let mut reasons: Vec<(&str, Vec<String>)> = Vec::new();
    let unplanned = told.work.stages.iter().enumerate().filter(|(_, stage)| !stage.is_planned());
    // A stage may be made by hand in one shot, and only be looked at in another.
    for ((at, stage), is_approval) in unplanned.flat_map(|stage| [(stage, false), (stage, true)]) {
        let is =
            |piece: &Piece| piece.stage == at && (piece.is_approval && stage.pace.is_none()) == is_approval;
        let pieces = told.work.pieces.iter().zip(&needed).filter(|(piece, needed)| **needed && is(piece));
        let pieces = pieces.map(|(piece, _)| piece);
        let (shots, frames) = pieces.fold((0, 0), |(n, f), piece| (n + 1, f + piece.frames));
        if shots == 0 {
            continue;
        }
        let is_films = || told.work.pieces.iter().any(|piece| piece.stage == at && &*piece.shot == FILM);
        let of = match stage.counts {
            Counts::Frames if is_films() => " of the film".into(),
            Counts::Frames => format!(" of {}", count(shots, "shot")),
            Counts::Blocks | Counts::Both => String::new(),
        };
        let what = format!("{}{of}, {}", counted(stage, frames), named(stage));
        let why = match (stage.pace.is_none(), stage.whose) {
            (true, Whose::Hands) if is_approval => {
                "to be looked at and approved, and nothing tells how long that takes: neither hours nor `crew: estimates:`"
            }
            (true, Whose::Hands) => "never measured, and `crew: estimates:` does not say what they take",
            (true, Whose::Machine) => "never measured",
            (false, _) if told.has_crew => "known, but nobody in `crew:` does it",
            (false, _) => "known, but nobody's hours are: there is no `crew: people:`",
        };
        match reasons.iter_mut().find(|(of, _)| *of == why) {
            Some((_, stages)) => stages.push(what),
            None => reasons.push((why, vec![what])),
        }
    }
    let line = |(why, mut stages): (&str, Vec<String>)| {
        if stages.len() > TOLD + 1 {
            let more = count((stages.len() - TOLD) as u64, "more stage");
            stages.truncate(TOLD);
            stages.push(format!("and {more}"));
        }
        format!("{}: {why}. The dates leave them out.", stages.join("; "))
    };
    reasons.into_iter().map(line).collect()
}

/// What a forecast cannot see, in plain words.
pub fn unknowns(told: &Told<'_>) -> Vec<String> {
    let mut all = unplanned(told);
    for (person, place) in told.strangers {
        all.push(format!(
            "{place} is out with {person}, of whom `crew:` does not tell; it counts as anybody's."
        ));
    }
    if !told.has_machines && told.work.stages.iter().any(|stage| stage.whose == Whose::Machine) {
        let one = "one machine counts that renders one frame at a time, day and night";
        all.push(format!("How long machines render: without `crew: machines:`, {one}."));
    }
    if told.part.is_some() {
        all.push(
            "What else there is: it is played too, since the same people do it, by the way still behind it and not by what is \
             asked for here."
                .into(),
        );
    }
    all.push(
        "Changes to come: rework counts as far as it has followed first passes up to now; a new cut, a reshoot \
         or a change of mind does not."
            .into(),
    );
    all.push("Who is faster: people count as equally fast. Fresh frames count as done, whoever has looked at them.".into());
    all
}
