//! Transitions between two neighbours of a track.
//!
//! A transition reaches `in_offset` frames before the cut and `out_offset` after it. What comes in begins where it begins, and
//! what goes out goes on to its end, so that both need frames beyond their source ranges. Does not know what else is in the track.

use crate::base::problem::{Problem, Span};
use crate::base::value::Value;
use crate::cut::otio::Reader;
use crate::cut::otio::fields::Object;
use crate::cut::otio::piece::{Join, Piece};
use crate::cut::otio::write::OWN;

/// A transition that waits for what comes in.
pub struct Change {
    /// Frames before the cut.
    before: i64,
    /// Frames after it.
    after: i64,
    wipe: Option<u16>,
    span: Span,
}

impl Reader {
    pub(super) fn change(&mut self, object: &Object<'_>) -> Option<Change> {
        let what = object.called();
        let mut offset = |key: &str| match object.get(key) {
            Some(time) => self.frames(time, &format!("the {key} of {what}")).filter(|frames| *frames >= 0),
            None => Some(0),
        };
        let (before, after) = (offset("in_offset")?, offset("out_offset")?);
        let kind = object.text("transition_type").unwrap_or("SMPTE_Dissolve");
        let wipe = match (wipe(object), kind) {
            (Some(pattern), _) => Some(pattern),
            (None, "SMPTE_Dissolve" | "") => None,
            (None, kind) => {
                let message = format!("{what} is of the kind '{}', which is not known", kind.escape_debug());
                let help =
                    "dissolves (SMPTE_Dissolve) and wipes by their numbers are read: change it in the edit";
                self.tell(Problem::error(object.span, message).help(help));
                return None;
            }
        };
        Some(Change { before, after, wipe, span: object.span })
    }

    /// Joins the last piece to what comes in, which begins at `at` and is none at the end of a track.
    pub(super) fn join(
        &mut self,
        pieces: &mut [Piece],
        at: i64,
        comes: Option<Piece>,
        change: Change,
    ) -> Option<Piece> {
        let Change { before, after, wipe, span } = change;
        let frames = before + after;
        if frames == 0 {
            return comes;
        }
        let goes = pieces.last_mut().filter(|piece| piece.end() == at);
        let lasts = comes.as_ref().map_or(i64::MAX, |piece| piece.frames);
        let left = goes.as_ref().map_or(0, |piece| piece.frames - before);
        let kept = goes.as_ref().and_then(|piece| Some(piece.join.as_ref()?.frames)).unwrap_or(0);
        if after > lasts || left < kept || (comes.as_ref().is_some_and(|piece| piece.join.is_some())) {
            let message = format!("a transition of {frames} frames reaches beyond what it joins");
            self.tell(
                Problem::error(span, message).help("make it shorter in the edit, or what it joins longer"),
            );
            return comes;
        }
        let from = match goes {
            Some(piece) => {
                piece.frames = left;
                piece.shows.as_mut().map(|shows| {
                    shows.run.frames = left;
                    let mut goes = shows.clone();
                    goes.run = shows.run.goes_on(frames);
                    goes
                })
            }
            None => None,
        };
        let mut piece = comes.unwrap_or(Piece { at, frames: after, shows: None, join: None });
        piece.at -= before;
        piece.frames += before;
        if let Some(shows) = &mut piece.shows {
            let run = &mut shows.run;
            run.first = run.at(-before);
            run.played -= before;
            run.frames += before;
        }
        // Black that comes in for black is black.
        let is_seen = from.is_some() || piece.shows.is_some();
        piece.join = is_seen.then_some(Join { frames, wipe, from, span });
        Some(piece)
    }
}

/// The pattern of a wipe, as this tool writes it or as edit lists that become OTIO carry it.
fn wipe(object: &Object<'_>) -> Option<u16> {
    let metadata = object.get("metadata")?.map()?;
    let own = || u16::try_from(metadata.get(OWN)?.map()?.get("wipe")?.int().ok()?).ok();
    let listed = |map: &Value| {
        let digits = map.map()?.get("transition")?.text().ok()?.strip_prefix('W')?;
        digits.parse::<u16>().ok()
    };
    let pattern = own().or_else(|| metadata.entries.iter().find_map(|(_, value)| listed(value)));
    pattern.filter(|pattern| *pattern < 1000)
}
