//! Tracks and stacks → one row of pieces, as they are seen.
//!
//! In a track one thing follows another; in a stack what lies higher hides what lies lower. Knows nesting, source ranges and
//! gaps, through which the track below is seen. Does not know events.

use crate::base::problem::Problem;
use crate::cut::otio::fields::Object;
use crate::cut::otio::join::Change;
use crate::cut::otio::piece::{Piece, Shows};
use crate::cut::otio::{PIECES, Reader, TRACKS};

/// What a composition shows.
#[derive(Default)]
pub struct Shown {
    /// In rising order; they do not overlap.
    pub pieces: Vec<Piece>,
    /// Its length.
    pub frames: i64,
    /// The record frame of its first frame, where a track says so.
    pub start: Option<i64>,
}

impl Reader {
    /// What the film's tracks of picture show together, the lowest first. `start` is the film's first record frame, when known.
    pub(super) fn picture(&mut self, tracks: &[Object<'_>], start: Option<i64>) -> Shown {
        let layers: Vec<Shown> = tracks.iter().map(|track| self.composed(track, true)).collect();
        // Readers of edit lists write where a track begins as a start below nought.
        let start = start.or(layers.iter().filter_map(|shown| shown.start).min());
        let mut all = Shown { start, ..Shown::default() };
        for mut shown in layers {
            let later = shown.start.zip(start).map_or(0, |(own, first)| (own - first).max(0));
            shown.pieces.iter_mut().for_each(|piece| piece.at += later);
            shown.frames += later;
            all = self.over(shown, all);
        }
        let day = i64::from(self.rate.nominal()) * 86_400;
        if all.frames > day
            && let Some(track) = tracks.first()
        {
            let message = format!("the cut is {} frames long, and a film lasts at most a day", all.frames);
            self.tell(Problem::error(track.span, message).help("export the file again"));
            return Shown::default();
        }
        all
    }

    /// What one thing shows by itself.
    fn composed(&mut self, object: &Object<'_>, is_outermost: bool) -> Shown {
        let shown = match object.schema {
            "Track" => self.track(object),
            "Stack" => self.stack(object),
            _ => self.item(object).map_or_else(Shown::default, |piece| Shown {
                frames: piece.frames,
                pieces: vec![piece],
                start: None,
            }),
        };
        match (object.schema, object.get("source_range")) {
            ("Track" | "Stack", Some(range)) => {
                let what = object.called();
                let Some((first, frames)) = self.range(range, &what) else { return shown };
                if is_outermost && first < 0 && first + frames <= 0 {
                    return Shown { start: Some(-first), ..shown };
                }
                self.within(shown, first, frames, object)
            }
            _ => shown,
        }
    }

    fn within(&mut self, shown: Shown, first: i64, frames: i64, object: &Object<'_>) -> Shown {
        let mut pieces = Vec::with_capacity(shown.pieces.len());
        for piece in &shown.pieces {
            match piece.within(first, first + frames) {
                Ok(Some(piece)) => pieces.push(Piece { at: piece.at - first, ..piece }),
                Ok(None) => {}
                Err(span) => {
                    let message =
                        format!("the source range of {} cuts through a transition", object.called());
                    let problem = Problem::error(object.span, message).related(span, "the transition");
                    self.tell(problem.help("let it begin or end elsewhere in the edit"));
                }
            }
        }
        Shown { pieces, frames, start: None }
    }

    /// A clip or a gap as a piece that begins at 0.
    fn item(&mut self, object: &Object<'_>) -> Option<Piece> {
        self.pieces += 1;
        if self.pieces > PIECES {
            if self.pieces == PIECES + 1 {
                let message = format!("this file holds more than {PIECES} clips and gaps");
                self.tell(Problem::error(object.span, message).help("flatten it in the edit"));
            }
            return None;
        }
        match object.schema {
            "Gap" => {
                let frames = match object.get("source_range") {
                    Some(range) => self.range(range, "a gap")?.1,
                    None => {
                        self.tell(object.lacks("source_range"));
                        return None;
                    }
                };
                Some(Piece { at: 0, frames, shows: None, join: None })
            }
            "Clip" => {
                let media = self.media(object);
                let run = self.run(object, media.as_ref())?;
                if !object.is_enabled() {
                    return Some(Piece { at: 0, frames: run.frames, shows: None, join: None });
                }
                if run.frames == 0 {
                    let problem = Problem::error(object.span, format!("{} lasts no frame", object.called()));
                    self.tell(problem.help("give it at least one frame, or take it out in the edit"));
                    return None;
                }
                let said = self.said(object, media.as_ref())?;
                Some(Piece { at: 0, frames: run.frames, shows: Some(Shows { said, run }), join: None })
            }
            other => {
                let problem = Problem::error(object.span, format!("a {other} cannot stand in a track"));
                self.tell(problem.help("tracks hold clips, gaps, transitions and other tracks and stacks"));
                None
            }
        }
    }

    fn track(&mut self, track: &Object<'_>) -> Shown {
        let mut shown = Shown::default();
        let Some(children) = track.get("children") else {
            self.tell(track.lacks("children"));
            return shown;
        };
        let children = match children.list() {
            Ok(children) => children,
            Err(problem) => {
                self.tell(problem);
                return shown;
            }
        };
        let mut waits: Option<Change> = None;
        for child in children {
            let Some(object) = self.object(child) else { continue };
            if object.schema == "Transition" {
                let change = self.change(&object);
                if waits.is_some() {
                    let problem = Problem::error(object.span, "two transitions follow one another");
                    self.tell(problem.help("take one of them out in the edit"));
                }
                waits = change.or(waits);
                continue;
            }
            let mut inner = self.composed(&object, false);
            if !object.is_enabled() {
                inner.pieces.clear();
            }
            let at = shown.frames;
            inner.pieces.iter_mut().for_each(|piece| piece.at += at);
            let mut pieces = inner.pieces.into_iter();
            if let Some(change) = waits.take() {
                let first = pieces.next();
                let leads = first.as_ref().is_none_or(|piece| piece.at == at);
                let comes = first.unwrap_or(Piece { at, frames: inner.frames, shows: None, join: None });
                match leads {
                    true => {
                        let piece = self.join(&mut shown.pieces, at, Some(comes), change);
                        shown.pieces.extend(piece);
                    }
                    false => {
                        let gap = Piece { at, frames: comes.at - at, shows: None, join: None };
                        let piece = self.join(&mut shown.pieces, at, Some(gap), change);
                        shown.pieces.extend(piece);
                        shown.pieces.push(comes);
                    }
                }
            }
            shown.pieces.extend(pieces);
            shown.frames += inner.frames;
        }
        if let Some(change) = waits.take() {
            let at = shown.frames;
            if let Some(piece) = self.join(&mut shown.pieces, at, None, change) {
                shown.frames = piece.end();
                shown.pieces.push(piece);
            }
        }
        shown.pieces.retain(|piece| piece.hides() && piece.frames > 0);
        shown
    }

    fn stack(&mut self, stack: &Object<'_>) -> Shown {
        let mut all = Shown::default();
        let Some(children) = self.enabled_children(stack) else { return all };
        if children.len() > TRACKS {
            let problem =
                Problem::error(stack.span, format!("{} holds more than {TRACKS} tracks", stack.called()));
            self.tell(problem.help("flatten it in the edit"));
            return all;
        }
        for child in children {
            if child.text("kind") == Some("Audio") {
                let message = format!("the sound in {} is not kept", stack.called());
                let problem = Problem::error(child.span, message).warning();
                self.tell(problem.help("sound is laid by cues in the declaration"));
                continue;
            }
            let shown = self.composed(&child, false);
            all = self.over(shown, all);
        }
        all
    }

    /// Lays one row over another.
    fn over(&mut self, upper: Shown, lower: Shown) -> Shown {
        let frames = upper.frames.max(lower.frames);
        let hiding: Vec<(i64, i64)> =
            upper.pieces.iter().filter(|piece| piece.hides()).map(|piece| (piece.at, piece.end())).collect();
        let mut pieces = upper.pieces;
        let mut next = 0;
        for piece in lower.pieces {
            // What ended before this piece ended before all that follow.
            while next < hiding.len() && hiding[next].1 <= piece.at {
                next += 1;
            }
            let mut from = piece.at;
            let mut over = next;
            while from < piece.end() {
                let hole = hiding.get(over).filter(|(start, _)| *start < piece.end());
                let to = hole.map_or(piece.end(), |(start, _)| *start);
                match piece.within(from, to) {
                    Ok(left) => pieces.extend(left),
                    Err(span) => {
                        let problem = Problem::error(span, "a track above hides a part of this transition");
                        self.tell(
                            problem
                                .help("hide the whole of it or nothing, or flatten the tracks in the edit"),
                        );
                    }
                }
                from = hole.map_or(piece.end(), |(_, end)| *end);
                over += 1;
            }
        }
        pieces.sort_by_key(|piece| piece.at);
        Shown { pieces, frames, start: lower.start.or(upper.start) }
    }
}
