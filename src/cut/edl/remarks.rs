//! Comments of an edit list: clip names, first-pass grades, all others.
//!
//! Grades are ASC CDL comments, `* ASC_SOP (r g b)(r g b)(r g b)` of slope, offset and power, and `* ASC_SAT s` (ASC CDL 1.2,
//! its form for edit lists; with or without a colon). Does not know event lines.

use crate::base::mark;
use crate::base::problem::Problem;
use crate::cut::draft::Sayings;
use crate::cut::edl::motion::Motion;
use crate::cut::edl::{Last, Of, Reader};
use crate::cut::piece::Piece;
use crate::cut::{Grade, Note};

impl Reader {
    /// A comment, without its star.
    pub(super) fn comment(&mut self, comment: Piece<'_>) {
        for (word, goes_out) in [("FROM CLIP NAME:", true), ("TO CLIP NAME:", false)] {
            if let Some(name) = comment.past(word) {
                return self.clip_name(comment, name, goes_out);
            }
        }
        // The mark of a list that was written here is of that text alone.
        if comment.text.is_empty() || comment.text.starts_with(mark::OPENING) {
            return;
        }
        if let (Some(values), Last::Picture) = (comment.past("ASC_SOP").map(unmarked), self.last) {
            return self.graded(comment, slope_offset_power(values), |grade, [slope, offset, power]| {
                (grade.slope, grade.offset, grade.power) = (slope, offset, power);
            });
        }
        if let (Some(value), Last::Picture) = (comment.past("ASC_SAT").map(unmarked), self.last) {
            return self
                .graded(comment, saturation(value), |grade, saturation| grade.saturation = saturation);
        }
        if let (Some(_), Last::Picture, Some(draft)) =
            (comment.past("FREEZE FRAME"), self.last, self.events.last_mut())
        {
            draft.says.held.get_or_insert(comment.span);
            return;
        }
        let text = comment.text.to_string();
        match (self.last, self.events.last_mut(), self.sounds.last_mut()) {
            (Last::Picture, Some(draft), _) => draft.says.comments.push(text),
            (Last::Sound, _, Some(sound)) => sound.comments.push(text),
            (Last::None, ..) => self.notes.push(Note { record: None, text, span: comment.span }),
            _ => {}
        }
    }

    fn clip_name(&mut self, comment: Piece<'_>, name: Piece<'_>, goes_out: bool) {
        if self.last == Last::None {
            let problem = Problem::error(comment.span, "a clip name stands before the first event");
            return self.tell(problem.warning().help("it belongs after the event that it names"));
        }
        if let (Last::Sound, Some(sound)) = (self.last, self.sounds.last_mut()) {
            // Of a cross-fade what goes out has told its own name.
            if !(name.text.is_empty() || goes_out && sound.fade.is_some()) {
                sound.clip.get_or_insert(name.text.into());
            }
            return;
        }
        let (Last::Picture, Some(draft)) = (self.last, self.events.last_mut()) else { return };
        let number = draft.number;
        let side = match (&mut draft.leaving, goes_out) {
            (Some(leaving), true) => &mut leaving.side,
            // Of a cut, what it comes from is the event before it, which has told its own name.
            (None, false) => return,
            _ => &mut draft.side,
        };
        if name.text.is_empty() {
            let problem = Problem::error(comment.span, "the clip name is missing");
            return self
                .tell(problem.help("write the shot's name, or take the line out: then the reel names it"));
        }
        if side.named && side.shot != name.text {
            let message = format!("event {number} has two clip names");
            let first = side.shot_span;
            let problem = Problem::error(name.span, message).related(first, "the first one is here");
            return self.tell(problem.help("leave one of them, the shot's"));
        }
        side.name(name);
    }

    /// Puts what a grade's comment says into the last event's grade.
    fn graded<T>(&mut self, comment: Piece<'_>, read: Option<T>, put: impl FnOnce(&mut Grade, T)) {
        let Some(read) = read else {
            let message = format!("{} is no grade that can be read", comment.quoted());
            let help = "write * ASC_SOP (1 1 1)(0 0 0)(1 1 1), slope and power above 0, or * ASC_SAT 1";
            return self.tell(Problem::error(comment.span, message).warning().help(help));
        };
        let Some(draft) = self.events.last_mut() else { return };
        let Sayings { grade, graded, .. } = &mut draft.says;
        let kind = comment.text.as_bytes()[5].to_ascii_uppercase();
        let twice = graded.iter().find(|(same, _)| *same == kind).map(|(_, span)| *span);
        if let Some(first) = twice {
            let problem = Problem::error(comment.span, format!("event {} has two grades", draft.number));
            let problem = problem.warning().related(first, "the first one is here, and is kept");
            return self.tell(problem.help("leave one of them"));
        }
        graded.push((kind, comment.span));
        put(grade.get_or_insert(Grade::none(comment.span)), read);
    }

    /// A speed line.
    pub(super) fn speed(&mut self, line: Piece<'_>) {
        if self.last == Last::None {
            let problem = Problem::error(line.span, "a speed line stands before the first event");
            return self.tell(problem.help("it belongs after the event that it is of"));
        }
        let Some((reel, mut motion, begins)) = Motion::read(line) else {
            let problem =
                Problem::error(line.span, format!("{} has no speed that can be read", line.quoted()));
            return self.tell(
                problem.help("write M2 REEL FRAMES-A-SECOND SOURCE-TIMECODE: M2 SHEDA 012.0 00:00:42:01"),
            );
        };
        if self.last == Last::Passed {
            return;
        }
        if let Some(begins) = begins {
            let Some(frame) = self.frame(begins, Of::Source) else { return };
            motion.begins = Some((frame, begins.span));
        }
        if let (Last::Sound, Some(sound)) = (self.last, self.sounds.last_mut()) {
            let (source, film) = (sound.source.1 - sound.source.0, sound.record.1 - sound.record.0);
            if let Some(speed) = motion.speed(source, film.max(1), self.rate) {
                sound.speed = speed;
            }
            return;
        }
        let (Last::Picture, Some(draft)) = (self.last, self.events.last_mut()) else { return };
        // After both lines of a dissolve the reel tells which of them it is of, or the timecode where reels are the same.
        // Where those are the same too, the first line is of what comes in.
        let is_open =
            draft.says.motion.is_none() && motion.begins.is_some_and(|(frame, _)| frame == draft.source.0);
        let place = match &mut draft.leaving {
            Some(leaving)
                if leaving.is_meant(reel.map(|reel| reel.text), motion.begins, &draft.side, is_open) =>
            {
                &mut leaving.motion
            }
            _ => &mut draft.says.motion,
        };
        if let Some(first) = place {
            let message = format!("event {} has two speeds", draft.number);
            let problem = Problem::error(line.span, message).related(first.span, "the first one is here");
            let help = "a speed that changes within an event is the declaration's: retime the shot there (operator: \
                        retime), and take the lines out";
            return self.tell(problem.help(help));
        }
        *place = Some(motion);
    }
}

/// What follows a word and the colon that may follow it.
fn unmarked(rest: Piece<'_>) -> Piece<'_> {
    rest.past(":").unwrap_or(rest)
}

fn numbers(text: &str) -> Option<Vec<f64>> {
    let words = text.split(|c: char| c.is_whitespace() || c == ',').filter(|word| !word.is_empty());
    words.map(|word| word.parse::<f64>().ok().filter(|n| n.is_finite() && n.abs() < 1e6)).collect()
}

/// Slope, offset and power per channel.
fn slope_offset_power(values: Piece<'_>) -> Option<[[f64; 3]; 3]> {
    let mut rest = values.text;
    let mut all = [[0.0; 3]; 3];
    for three in &mut all {
        let (inside, after) = rest.trim_start().strip_prefix('(')?.split_once(')')?;
        *three = numbers(inside)?.try_into().ok()?;
        rest = after;
    }
    let [slope, _, power] = &all;
    let sound = slope.iter().all(|n| *n >= 0.0) && power.iter().all(|n| *n > 0.0);
    (sound && rest.trim().is_empty()).then_some(all)
}

fn saturation(value: Piece<'_>) -> Option<f64> {
    let found = numbers(value.text.trim_start_matches('(').trim_end_matches(')'))?;
    <[f64; 1]>::try_from(found).ok().map(|[n]| n).filter(|n| *n >= 0.0)
}
