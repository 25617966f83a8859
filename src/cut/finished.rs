//! What a cut is written with: where finished frames lie, and the film in the order that it plays.
//!
//! Knows files by their pattern, relative to the film's folder. Does not know formats.

use std::collections::HashMap;

use crate::base::frames::FrameRange;
use crate::base::speed::{Run, Speed};
use crate::cut::{Cut, CutEvent, Dissolve};

/// Finished frames: one file a frame, `FOLDER/PREFIX<number>SUFFIX`, or all of them in one file, `FOLDER/PREFIXSUFFIX`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finished {
    /// Folder, with a slash at its end.
    pub folder: String,
    /// Up to the frame number.
    pub prefix: String,
    /// Digits of the frame number, with noughts before it; none of one file.
    pub digits: u32,
    /// After the frame number.
    pub suffix: String,
    /// The frames that are there.
    pub frames: FrameRange,
    /// What a list calls the reel; the shot where it is none.
    pub reel: Option<String>,
}

impl Finished {
    /// As one name, with `#` for each digit.
    pub fn pattern(&self) -> String {
        let Self { folder, prefix, digits, suffix, .. } = self;
        format!("{folder}{prefix}{}{suffix}", "#".repeat(*digits as usize))
    }
}

/// A cut in a format of text, and what the format could not hold.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// The text.
    pub text: String,
    /// What is otherwise there, or is not.
    pub told: Vec<String>,
}

/// A stretch of the film: an event, or black.
pub struct Stretch<'c> {
    /// First record frame.
    pub first: i64,
    /// Its length.
    pub frames: i64,
    /// What plays; none for black.
    pub event: Option<&'c CutEvent>,
    /// What goes out over its first frames.
    pub join: Option<&'c Dissolve>,
}

/// The film as one run of finished frames that its picture lies in, of which the first film frame is `first`: transitions,
/// speeds and first-pass grades are in them already. An event stays a stretch of them, under its shot's name, and so does what
/// fades to black or from it. Sound stays as it is.
pub fn in_one(cut: &Cut, first: i64) -> Cut {
    let start = cut.record.map_or(0, |record| record.first);
    let one = |stretch: &Stretch<'_>| {
        let goes = || stretch.join.and_then(|join| Some((&join.from.as_ref()?.shot, join.span)));
        let (shot, span) = stretch.event.map(|event| (&event.shot, event.span)).or_else(goes)?;
        let source = stretch.first - start + first;
        Some(CutEvent {
            number: stretch.event.map_or(0, |event| event.number),
            shot: shot.clone(),
            shot_span: span,
            source: FrameRange::new(source, source + stretch.frames - 1),
            speed: Speed::OWN,
            record_first: stretch.first,
            frames: stretch.frames,
            reel: None,
            channels: stretch.event.and_then(|event| event.channels.clone()),
            grade: None,
            comments: stretch.event.map_or_else(Vec::new, |event| event.comments.clone()),
            span,
        })
    };
    let events = stretches(cut).iter().filter_map(one).collect();
    Cut { events, dissolves: Vec::new(), ..cut.clone() }
}

/// The film from its first frame to its last, black between.
pub fn stretches(cut: &Cut) -> Vec<Stretch<'_>> {
    let Some(record) = cut.record else { return Vec::new() };
    let mut starts: Vec<i64> = cut.dissolves.iter().map(|dissolve| dissolve.record.first).collect();
    starts.sort_unstable();
    let mut out = Vec::with_capacity(cut.events.len() * 2);
    let joins: HashMap<i64, &Dissolve> =
        cut.dissolves.iter().rev().map(|dissolve| (dissolve.record.first, dissolve)).collect();
    // Black is as long as it goes, but for what fades to it within.
    let black = |out: &mut Vec<Stretch<'_>>, mut first: i64, end: i64| {
        while first < end {
            let next = starts.partition_point(|start| *start <= first);
            let to = starts.get(next).copied().unwrap_or(end).min(end);
            out.push(Stretch { first, frames: to - first, event: None, join: None });
            first = to;
        }
    };
    let mut at = record.first;
    for event in &cut.events {
        black(&mut out, at, event.record_first);
        out.push(Stretch { first: event.record_first, frames: event.frames, event: Some(event), join: None });
        at = event.record_first + event.frames;
    }
    black(&mut out, at, record.last + 1);
    out.iter_mut().for_each(|stretch| stretch.join = joins.get(&stretch.first).copied());
    out
}

/// True when what goes out in a dissolve is what played before it, going on.
pub(super) fn goes_on(before: Option<&Stretch<'_>>, join: &Dissolve) -> bool {
    let frames = join.record.len() as i64;
    match (before.map(|before| before.event), &join.from) {
        (None | Some(None), None) => true,
        (Some(Some(event)), Some(from)) => {
            event.shot.eq_ignore_ascii_case(&from.shot) && event.run().goes_on(frames) == from.run(frames)
        }
        _ => false,
    }
}

/// First source frame and the one past the last that a run takes: as many as its speed makes of its length, so that lengths
/// and speed go together, and at least one.
pub(super) fn takes(run: &Run) -> (i64, i64) {
    let (parts, over) = run.speed.ratio();
    let product = i128::from(run.frames) * i128::from(parts.abs());
    let up = ((product + i128::from(over) - 1) / i128::from(over)).max(1) as i64;
    if !run.speed.is_backwards() {
        return (run.first, run.first + up);
    }
    let end = run.first + 1;
    let down = (product / i128::from(over)).max(1) as i64;
    (if end - up < 0 { end - down } else { end - up }, end)
}

/// A text on one line.
pub(super) fn line(text: &str) -> String {
    let text: String =
        text.chars().map(|c| if c.is_control() || c == '\u{feff}' { ' ' } else { c }).collect();
    text.trim().to_string()
}
