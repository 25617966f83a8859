//! What a new cut would do, as JSON.

use std::path::Path;

use serde_json::{Value, json};

use crate::base::frames::FrameSet;
use crate::cut::compare::{Change, Ends, Room, Side, Transition, Use};
use crate::project::recutting::cost::Stage;
use crate::project::recutting::cues::{Cue, Fate};
use crate::project::recutting::people::Hand;
use crate::project::recutting::taking::Came;
use crate::project::recutting::{Recut, history::Frames};

/// The whole answer.
pub fn answer(recut: &Recut, came: Option<&Came>, picture: Option<&Path>) -> Value {
    let mut all = json!({
        "format": "endboard recut 1", "film": recut.film,
        "was": recut.was, "list": recut.list.path,
        "frames_before": recut.comparison.old.frames, "frames_after": recut.comparison.new.frames,
        "shots_changed": recut.comparison.shots_changed(),
        "changes": recut.comparison.changes.iter().map(|of| change(recut, of)).collect::<Vec<_>>(),
        "transitions": recut.comparison.transitions.iter()
            .map(|of| json!({ "before": of.before.as_ref().map(transition), "after": of.after.as_ref().map(transition) }))
            .collect::<Vec<_>>(),
        "render": recut.stages.iter().map(stage).collect::<Vec<_>>(),
        "by_hand": recut.hands.iter().map(hand).collect::<Vec<_>>(),
        "cues": recut.cues.iter().map(cue).collect::<Vec<_>>(),
        "approvals": recut.lapses.iter().map(|of| json!({ "shot": of.shot, "stage": of.stage, "by": of.by,
            "when": of.when.to_string(), "changed": set(&of.changed), "gone": set(&of.gone) })).collect::<Vec<_>>(),
        "holds": recut.held.iter().map(|of| json!({ "shot": of.shot, "stage": of.stage, "stale": set(&of.stale),
            "gone": set(&of.gone), "kept": of.words })).collect::<Vec<_>>(),
        "out": recut.out.iter().map(|of| json!({ "packet": of.packet, "person": of.person, "shot": of.shot,
            "stage": of.stage, "frames": set(&of.frames) })).collect::<Vec<_>>(),
        "deliveries": recut.deliveries,
        "resting": recut.resting.iter().map(|of| json!({ "shot": of.shot, "frames": set(&of.frames),
            "renders": of.renders, "whole_shot": of.is_whole })).collect::<Vec<_>>(),
    });
    let more = json!({
        "undeclared": recut.needs.undeclared.iter().map(|of| json!({ "shot": of.shot, "frames": set(&of.frames),
            "event": of.first.0, "line": recut.line(of.first.1), "near": of.near, "to_add": of.lines })).collect::<Vec<_>>(),
        "without_plate": recut.needs.short.iter().map(|of| json!({ "shot": of.shot, "event": of.event.0,
            "line": recut.line(of.event.1), "frames": set(&of.frames), "there": of.there.to_string() })).collect::<Vec<_>>(),
        "longer": recut.needs.longer.iter().map(|of| json!({ "shot": of.shot, "before": of.before.to_string(),
            "after": of.after.to_string(), "line": of.line.as_ref().map(|line| line.0),
            "write": of.line.as_ref().map(|line| &line.1) })).collect::<Vec<_>>(),
        "film_frames_lost": set(&recut.lost),
        "apart": recut.apart,
        "picture": picture.map(|file| file.display().to_string()),
        "taken_up": came.map(|came| matches!(came, Came::Taken { .. })),
        "refused": match came { Some(Came::Refused(why)) => why.clone(), _ => Vec::new() },
        "kept": match came { Some(Came::Taken { copy, .. }) => copy.clone(), _ => None },
        "frames": match came { Some(Came::Taken { frames, .. }) => frames.iter().map(self::frames).collect(), _ => Vec::new() },
    });
    if let (Value::Object(all), Value::Object(more)) = (&mut all, more) {
        all.extend(more);
    }
    all
}

/// A shot's frames that were changed.
pub fn frames(of: &Frames) -> Value {
    json!({ "shot": of.shot, "from": of.from, "to": of.to })
}

fn set(frames: &FrameSet) -> Value {
    if frames.is_empty() { Value::Null } else { frames.to_string().into() }
}

/// The words for what became of it.
pub fn fates(change: &Change) -> Vec<&'static str> {
    let all = [
        (change.is_kept(), "kept"),
        (change.is_new(), "new"),
        (change.is_dropped(), "dropped"),
        (change.is_split(), "split"),
        (change.is_joined(), "joined"),
        (change.moved, "moved"),
        (change.retimed, "retimed"),
        (!change.is_new() && !change.is_dropped() && !change.trimmed.is_empty(), "trimmed"),
        (!change.is_new() && !change.is_dropped() && !change.extended.is_empty(), "extended"),
    ];
    all.into_iter().filter(|(is, _)| *is).map(|(_, word)| word).collect()
}

fn change(recut: &Recut, change: &Change) -> Value {
    let comparison = &recut.comparison;
    let uses = |side: &Side, all: &[usize]| all.iter().map(|&at| used(&side.uses[at])).collect::<Vec<_>>();
    let room = recut.needs.rooms.get(&change.shot.to_ascii_lowercase());
    json!({
        "shot": change.shot, "fates": fates(change),
        "before": uses(&comparison.old, &change.old), "after": uses(&comparison.new, &change.new),
        "kept": set(&change.kept), "trimmed": ends(&change.trimmed, None), "extended": ends(&change.extended, room),
        "shown_twice": set(&change.again),
    })
}

fn used(used: &Use) -> Value {
    json!({ "event": used.number, "frames": used.source.to_string(), "film_frames": used.record.to_string(),
        "goes_on": used.tail, "speed": used.run.speed.to_string() })
}

fn ends(ends: &Ends, room: Option<&Room>) -> Value {
    let mut all = json!({ "head": set(&ends.head), "inside": set(&ends.inside), "tail": set(&ends.tail), "count": ends.len() });
    if let Some(room) = room {
        let parts = [&ends.head, &ends.inside, &ends.tail].map(|frames| room.supply(frames));
        let sum = |of: &dyn Fn(usize) -> usize| (0..3).map(of).sum::<usize>();
        all["within_handles"] = sum(&|at| parts[at].made.len()).into();
        all["beyond_handles"] = sum(&|at| parts[at].beyond.len()).into();
        all["without_plate"] = sum(&|at| parts[at].missing.len()).into();
    }
    all
}

fn transition(of: &Transition) -> Value {
    json!({ "kind": of.kind, "from": of.from, "into": of.into, "film_frame": of.at, "frames": of.frames })
}

fn stage(of: &Stage) -> Value {
    json!({ "shot": of.shot, "stage": of.stage, "sound": of.is_heard, "frames": set(&of.frames), "count": of.frames.len(),
        "sure": of.sure, "waiting": set(&of.later), "put_back": set(&of.back), "put_back_count": of.back.len(), "due_already": of.due,
        "seconds_a_frame": of.pace.map(|pace| pace.seconds), "seconds": of.seconds(of.more()) })
}

fn hand(of: &Hand) -> Value {
    let last = of.last.as_ref().map(
        |last| json!({ "person": last.person, "when": last.when.to_string(), "same_frames": last.same }),
    );
    json!({ "shot": of.shot, "stage": of.stage, "new": set(&of.new), "again": set(&of.again), "count": of.count(),
        "last": last, "seconds_a_frame": of.pace.map(|pace| pace.seconds), "seconds": of.seconds() })
}

fn cue(of: &Cue) -> Value {
    let fate = match &of.fate {
        Fate::FallsOff => "falls off",
        Fate::ComesBack => "comes back",
        Fate::Times(..) => "heard more or less often",
        Fate::Moves(_) => "moves with its shot",
        Fate::Under(_) => "stays while the picture changes",
        Fate::Beyond => "not whole",
    };
    let seen = match &of.fate {
        Fate::Under(seen) => Some(seen),
        _ => None,
    };
    json!({ "cue": of.name, "fate": fate, "before": of.times[0], "after": of.times[1], "seen": seen, "says": of.says })
}
