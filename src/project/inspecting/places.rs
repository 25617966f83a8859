//! Which frames of which shots the film shows where, and the timecode of each.
//!
//! Knows the cut, film frames counted from 1, and how a print counts. Does not know pictures.

use crate::base::frames::FrameRange;
use crate::base::speed::Run;
use crate::base::timecode::Counting;
use crate::declare::film::Film;
use crate::operators::image::print::Numbers;
use crate::project::Declared;

/// A stretch of a shot that the film shows.
struct Piece {
    shot: String,
    run: Run,
    /// Film frame of the first of them.
    at: i64,
}

impl Piece {
    fn film(&self) -> FrameRange {
        FrameRange::new(self.at, self.at + self.run.frames - 1)
    }
}

/// Frames of a shot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shown {
    /// The shot.
    pub shot: String,
    /// Its frames.
    pub frames: FrameRange,
}

/// Where everything is.
pub struct Places {
    pieces: Vec<Piece>,
    /// How record timecode counts, and the count of film frame 1.
    counting: Option<(Counting, i64)>,
    starts: Option<(i64, bool)>,
    /// Film frames.
    pub film: FrameRange,
}

impl Places {
    /// As the cut says; without one shots follow one another as declared.
    pub fn of(film: &Film, declared: &Declared) -> Self {
        let mut pieces = Vec::new();
        let mut next = 1;
        match &declared.edit {
            Some(edit) => {
                let named = |text: &str| film.shots.keys().find(|name| name.eq_ignore_ascii_case(text));
                let mut push = |text: &str, run, at| {
                    pieces.extend(named(text).map(|shot| Piece { shot: shot.clone(), run, at }));
                };
                for event in &edit.events {
                    push(&event.shot.value, event.run, event.at);
                }
                for dissolve in &edit.dissolves {
                    let Some((shot, run)) = &dissolve.from else { continue };
                    push(&shot.value, *run, dissolve.frames.first);
                }
                next = edit.frames + 1;
            }
            None => {
                for (name, shot) in &film.shots {
                    let source = shot.frames.value;
                    pieces.push(Piece { shot: name.clone(), run: Run::of(source), at: next });
                    next += source.len() as i64;
                }
            }
        }
        pieces.sort_by_key(|piece| piece.at);
        let starts = declared.edit.as_ref().and_then(|edit| edit.starts);
        let (first, drops) = starts.unwrap_or((i64::from(film.rate.nominal()) * 3600, false));
        let counting = match drops {
            true => Counting::drop_frame(film.rate),
            false => Counting::non_drop(film.rate),
        };
        let counting = counting.ok().map(|counting| (counting, first));
        Self { pieces, counting, starts, film: FrameRange::new(1, next - 1) }
    }

    /// What the film shows at these of its frames, in its order; what goes out in a dissolve among it.
    pub fn shots(&self, frames: FrameRange) -> Vec<Shown> {
        let mut shown: Vec<Shown> = Vec::new();
        for piece in &self.pieces {
            let met = piece.film().meet(frames);
            if met.is_empty() {
                continue;
            }
            let [first, last] = [met.first, met.last].map(|frame| piece.run.at(frame - piece.at));
            let frames = FrameRange::new(first.min(last), first.max(last));
            shown.push(Shown { shot: piece.shot.clone(), frames });
        }
        shown
    }

    /// Where the film first shows any of these frames of a shot.
    pub fn first_use(&self, shot: &str, frames: FrameRange) -> Option<FrameRange> {
        self.uses(shot, frames).into_iter().next()
    }

    /// All places where the film shows these frames of a shot.
    pub fn uses(&self, shot: &str, frames: FrameRange) -> Vec<FrameRange> {
        let of_shot = self.pieces.iter().filter(|piece| piece.shot == shot);
        let met = of_shot.map(|piece| (piece.run.showing(frames), piece.at));
        met.filter(|(met, _)| !met.is_empty())
            .map(|(met, by)| FrameRange::new(met.first + by, met.last + by))
            .collect()
    }

    /// Record timecode of a film frame, where the rate has one.
    pub fn timecode(&self, frame: i64) -> Option<String> {
        let (counting, first) = self.counting?;
        Some(counting.label(first + frame - 1).to_string())
    }

    /// How the frames of a print are numbered.
    pub fn print(&self, film: &Film, name: &str) -> Option<Numbers> {
        let stage = film.prints.get(name)?;
        Numbers::of(&stage.settings, stage.span, film.rate, self.starts, self.film.len() as i64).ok()
    }
}
