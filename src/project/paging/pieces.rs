//! What the film shows, piece by piece: the events of its cut with the black between them, or its shots as they are declared.
//!
//! Knows places in the film. In a dissolve the piece that comes in begins where the dissolve does.

use crate::base::frames::FrameRange;
use crate::base::timecode::Counting;
use crate::graph::edit::Edit;
use crate::project::Status;
use crate::report::page::values::Piece;

/// The pieces, and whether a cut says so.
pub fn of(status: &Status) -> (Vec<Piece>, bool) {
    let film = status.declared.film.as_ref();
    let Some(edit) = &status.declared.edit else {
        let mut at = 0;
        let shots = film.iter().flat_map(|film| &film.shots);
        let label = labels(status, None);
        let declared = shots.map(|(name, shot)| {
            let frames = shot.frames.value;
            let piece = piece(Some(name), Some(frames), frames.len() as u64, label(at));
            at += frames.len() as i64;
            piece
        });
        return (declared.collect(), false);
    };
    let label = labels(status, Some(edit));
    let mut events: Vec<_> = edit.events.iter().collect();
    events.sort_by_key(|event| event.at);
    let (mut pieces, mut at) = (Vec::new(), 1);
    for event in events {
        if event.at > at {
            pieces.push(piece(None, None, (event.at - at) as u64, label(at - 1)));
        }
        // A cut may write a shot's name in other letters than the declaration.
        let named = |name: &&String| name.eq_ignore_ascii_case(&event.shot.value);
        let name = film.and_then(|film| film.shots.keys().find(named)).unwrap_or(&event.shot.value);
        let lasts = event.run.frames;
        pieces.push(piece(Some(name), Some(event.run.shows()), lasts as u64, label(event.at - 1)));
        at = at.max(event.at + lasts);
    }
    if edit.frames >= at {
        pieces.push(piece(None, None, (edit.frames + 1 - at) as u64, label(at - 1)));
    }
    (pieces, true)
}

fn piece(shot: Option<&String>, frames: Option<FrameRange>, length: u64, at: String) -> Piece {
    Piece { shot: shot.cloned(), frames, length, at, pictures: Vec::new() }
}

/// What frames of the film are called, counted from 0: their timecode, or their number where the rate has none.
fn labels(status: &Status, edit: Option<&Edit>) -> impl Fn(i64) -> String {
    let (starts, drops) = edit.and_then(|edit| edit.starts).unwrap_or((0, false));
    let rate = status.declared.film.as_ref().map(|film| film.rate);
    let counting = rate.and_then(|rate| match drops {
        true => Counting::drop_frame(rate).ok(),
        false => Counting::non_drop(rate).ok(),
    });
    move |n| match &counting {
        Some(counting) => counting.label(starts + n).to_string(),
        None => format!("film frame {}", n + 1),
    }
}
