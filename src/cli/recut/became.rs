//! What became of a use of a shot, and of a transition, in words.
//!
//! Knows words and timecode. Does not know how they are laid out.

use super::json::fates;
use crate::base::frames::FrameSet;
use crate::base::timecode::Counting;
use crate::cut::compare::{Change, Ends, Room, Side, Transition};
use crate::project::recutting::Recut;
use crate::report::words::count;

/// `12 frames (1009-1020)`.
pub fn frames(set: &FrameSet) -> String {
    format!("{} ({set})", count(set.len() as u64, "frame"))
}

/// What became of a use, in words.
pub fn became(recut: &Recut, change: &Change) -> String {
    let (old, new) = (&recut.comparison.old, &recut.comparison.new);
    let uses = |side: &Side, all: &[usize]| -> String {
        all.iter().map(|&at| side.uses[at].source.to_string()).collect::<Vec<_>>().join(" and ")
    };
    let mut parts = Vec::new();
    match (change.is_new(), change.is_dropped()) {
        (true, _) => {
            parts.push(format!("new: {} at {}", uses(new, &change.new), place(new, &change.new, recut)))
        }
        (_, true) => parts.push(format!(
            "dropped: {}, was at {}",
            uses(old, &change.old),
            place(old, &change.old, recut)
        )),
        _ => parts.push(format!("{} → {}", uses(old, &change.old), uses(new, &change.new))),
    }
    if change.is_split() {
        parts.push("split".into());
    }
    if change.is_joined() {
        parts.push("joined".into());
    }
    if change.moved {
        parts.push(format!(
            "moved from {} to {}",
            place(old, &change.old, recut),
            place(new, &change.new, recut)
        ));
    }
    if change.retimed {
        let speed = |side: &Side, all: &[usize]| {
            all.first().map_or(String::new(), |&at| side.uses[at].run.speed.to_string())
        };
        parts.push(format!("retimed from {} to {}", speed(old, &change.old), speed(new, &change.new)));
    }
    let room = recut.needs.rooms.get(&change.shot.to_ascii_lowercase());
    if fates(change).contains(&"trimmed") {
        parts.extend(ends(&change.trimmed, "off", None));
    }
    if fates(change).contains(&"extended") {
        parts.extend(ends(&change.extended, "more", room));
    }
    if !change.again.is_empty() {
        parts.push(format!("{} shown by another use too", frames(&change.again)));
    }
    parts.join("; ")
}

/// `4 frames off at the head`, and of those that come where they come from.
fn ends(ends: &Ends, word: &str, room: Option<&Room>) -> Vec<String> {
    let mut parts = Vec::new();
    for (set, at) in [(&ends.head, "at the head"), (&ends.inside, "inside"), (&ends.tail, "at the tail")] {
        if set.is_empty() {
            continue;
        }
        let mut text = format!("{} {word} {at}", count(set.len() as u64, "frame"));
        if let Some(room) = room {
            let supply = room.supply(set);
            let kinds = [
                (&supply.made, "made already"),
                (&supply.beyond, "beyond its handles"),
                (&supply.missing, "beyond the plate"),
            ];
            let told: Vec<String> = kinds
                .iter()
                .filter(|(set, _)| !set.is_empty())
                .map(|(of, word)| match of.len() == set.len() {
                    true => (*word).to_string(),
                    false => format!("{} {word}", of.len()),
                })
                .collect();
            text.push_str(&format!(" ({})", told.join(", ")));
        }
        parts.push(text);
    }
    parts
}

/// Where the first of these uses lies in the film.
fn place(side: &Side, all: &[usize], recut: &Recut) -> String {
    all.first().map_or(String::new(), |&first| at(side.uses[first].record.first, side, recut))
}

/// A film frame's timecode.
pub fn at(frame: i64, side: &Side, recut: &Recut) -> String {
    let counting = if side.drops { Counting::drop_frame(recut.rate) } else { Counting::non_drop(recut.rate) };
    counting.map_or_else(
        |_| format!("frame {frame}"),
        |counting| counting.label(side.starts + frame - 1).to_string(),
    )
}

/// A transition in words.
pub fn of(transition: &Transition) -> String {
    let name = |side: &Option<String>| side.clone().unwrap_or_else(|| "black".into());
    let length = count(transition.frames.unsigned_abs(), "frame");
    format!("{} of {length} from {} to {}", transition.kind, name(&transition.from), name(&transition.into))
}
