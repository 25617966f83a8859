//! OTIO JSON (OpenTimelineIO, an Academy Software Foundation standard for edits) → the cut.
//!
//! Knows a file's outermost object, which tracks hold picture and which sound, and when the film begins. What a track shows
//! `tracks` works out; what an object says, `fields`. A clip's name is the shot; its source range counts the shot's own frames,
//! or the numbers of the files where its media is a sequence of images. Objects of newer versions and of kinds that are not
//! known are problems at their places, never passed over.

mod fields;
mod join;
mod piece;
mod sounds;
mod tracks;
pub mod write;

use crate::base::frames::FrameRange;
use crate::base::json;
use crate::base::problem::{Problem, Problems, Severity, SourceId, Span};
use crate::base::rate::Rate;
use crate::base::value::Value;
use crate::cut::otio::fields::Object;
use crate::cut::otio::piece::Piece;
use crate::cut::{Cut, CutEvent, Dissolve, Note};

/// Problems told before the rest is only counted.
const TOLD: usize = 200;
/// Tracks in one stack.
const TRACKS: usize = 256;
/// Pieces in one track, what nests in it counted with it.
const PIECES: usize = 200_000;

/// Reads a file. The cut holds what could be read; each thing that could not has a problem.
pub fn parse(source: SourceId, text: &str, rate: Rate) -> (Cut, Problems) {
    let value = match json::parse(source, text) {
        Ok(value) => value,
        Err(problem) => return (Cut::default(), vec![problem]),
    };
    let mut reader = Reader { rate, problems: Problems::new(), untold: 0, rounded: 0, pieces: 0 };
    let cut = reader.timeline(&value);
    if reader.rounded > 0 {
        let span = Span::new(source, 0, 0);
        let message =
            format!("{} times of sound lie between frames, and are kept to the nearest", reader.rounded);
        reader.problems.push(Problem::error(span, message).warning());
    }
    if reader.untold > 0 {
        let message = format!("{} more problems in this file", reader.untold);
        reader.problems.push(Problem::error(Span::new(source, 0, 0), message));
    }
    (cut.unwrap_or_default(), reader.problems)
}

/// What is known while reading.
struct Reader {
    rate: Rate,
    problems: Problems,
    untold: usize,
    /// Times of sound that lay between frames.
    rounded: usize,
    /// Pieces made so far.
    pieces: usize,
}

impl Reader {
    fn tell(&mut self, mut problem: Problem) {
        problem.help.get_or_insert_with(|| "export the file again".into());
        if self.problems.len() < TOLD {
            self.problems.push(problem);
        } else {
            self.untold += usize::from(problem.severity == Severity::Error);
        }
    }

    fn timeline(&mut self, value: &Value) -> Option<Cut> {
        let object = self.object(value)?;
        let (stack, title, start) = match object.schema {
            "Timeline" => {
                let Some(tracks) = object.get("tracks") else {
                    self.tell(object.lacks("tracks"));
                    return None;
                };
                let start = object.get("global_start_time");
                let start = start.and_then(|time| self.frames(time, "the film's start time"));
                (self.object(tracks)?, object.name(), start)
            }
            "Stack" | "Track" => {
                let title = object.name();
                (object, title, None)
            }
            other => {
                let message = format!("this file holds a {other}, and a cut is a Timeline");
                self.tell(Problem::error(value.span, message).help("export the timeline itself"));
                return None;
            }
        };
        let (mut picture, mut sound) = (Vec::new(), Vec::new());
        let tracks = if stack.schema == "Track" { vec![stack] } else { self.enabled_children(&stack)? };
        for track in tracks {
            match track.text("kind").unwrap_or("Video") {
                "Audio" => sound.push(track),
                _ => picture.push(track),
            }
        }
        if picture.len() > TRACKS {
            let message = format!("there are {} tracks of picture, and {TRACKS} are read", picture.len());
            self.tell(Problem::error(value.span, message).help("flatten them in the edit"));
            return None;
        }
        let shown = self.picture(&picture, start);
        let start = start.or(shown.start).unwrap_or(0);
        let mut cut = self.cut(shown.pieces, start, shown.frames);
        cut.title = title.filter(|title| !title.is_empty());
        cut.drops = own(value, "drop_frame").and_then(|drops| drops.flag().ok()).unwrap_or(false);
        for note in own(value, "notes").and_then(|notes| notes.list().ok()).into_iter().flatten() {
            let said = |key: &str| note.map().and_then(|map| map.get(key));
            let Some(text) = said("text").and_then(|text| text.text().ok()) else { continue };
            let record = said("record").and_then(|record| record.int().ok());
            cut.notes.push(Note { record, text: text.into(), span: note.span });
        }
        self.sounds(&sound, start, &mut cut);
        Some(cut)
    }

    /// The pieces of the film as events, from record frame `start` on.
    fn cut(&mut self, pieces: Vec<Piece>, start: i64, frames: i64) -> Cut {
        let mut cut = Cut::default();
        if frames < 1 {
            return cut;
        }
        cut.record = Some(FrameRange::new(start, start + frames - 1));
        let mut number = 0;
        let mut at = 0;
        for piece in pieces {
            // What a list needs for black between pieces has its number too.
            number += 1 + u32::from(piece.at > at);
            at = piece.at + piece.frames;
            if let Some(join) = piece.join {
                let record = FrameRange::new(start + piece.at, start + piece.at + join.frames - 1);
                let from = join.from.map(piece::Shows::outgoing);
                cut.dissolves.push(Dissolve { number, wipe: join.wipe, record, from, span: join.span });
            }
            let Some(shows) = piece.shows else { continue };
            cut.events.push(CutEvent {
                number,
                source: shows.run.shows(),
                speed: shows.run.speed,
                record_first: start + piece.at,
                frames: shows.run.frames,
                shot: shows.said.shot,
                shot_span: shows.said.shot_span,
                reel: shows.said.reel,
                channels: shows.said.channels,
                grade: shows.said.grade,
                comments: shows.said.comments,
                span: shows.said.span,
            });
        }
        cut
    }

    /// An object, when it is one of a schema and version that is known.
    fn object<'v>(&mut self, value: &'v Value) -> Option<Object<'v>> {
        Object::of(value).map_err(|problem| self.tell(problem)).ok()
    }

    /// What a composition holds, without what is disabled.
    fn enabled_children<'v>(&mut self, parent: &Object<'v>) -> Option<Vec<Object<'v>>> {
        let Some(children) = parent.get("children") else {
            self.tell(parent.lacks("children"));
            return None;
        };
        let children = children.list().map_err(|problem| self.tell(problem)).ok()?;
        let objects = children.iter().filter_map(|child| self.object(child));
        Some(objects.collect::<Vec<_>>().into_iter().filter(Object::is_enabled).collect())
    }
}

/// What this tool wrote among a file's metadata, as the standard has no place for it.
fn own<'v>(timeline: &'v Value, key: &str) -> Option<&'v Value> {
    timeline.map()?.get("metadata")?.map()?.get(write::OWN)?.map()?.get(key)
}
