//! Edit decision lists (SMPTE ST 258) → the cut.
//!
//! A list's event line has eight fields: number, reel, channels, transition, source in and out, record
//! in and out; ends are not included. A comment `* FROM CLIP NAME:` names the shot, else the reel
//! does. Source timecode counts the shot's own frame numbers from 00:00:00:00, so that frame 1009
//! at 24 frames a second is 00:00:42:01. An event of the reel `BL` is black; film frames that no event fills are a
//! problem. Two lines of one number are a dissolve: what goes out, then `D` with its length and what comes in, named by
//! `* TO CLIP NAME:`. Knows the list's text only; `follow` holds its events against one another. Wipes, keys and speed
//! changes are problems at their lines. Sound events are passed over.

use crate::base::problem::{Problem, Problems, Severity, SourceId, Span};
use crate::base::rate::Rate;
use crate::base::timecode::{BadTimecode, Counting, Label};
use crate::cut::Cut;
use crate::cut::channels::picture;
use crate::cut::follow::{Draft, Leaving, Side};
use crate::cut::piece::Piece;

/// The largest list that is read, in bytes.
pub const SIZE_LIMIT: usize = 16 << 20;
/// Problems told before the rest is only counted.
const TOLD: usize = 200;

/// Reads a list. The cut holds every event that is sound; each other one has a problem.
pub fn parse(source: SourceId, text: &str, rate: Rate) -> (Cut, Problems) {
    let whole = Span::new(source, 0, 0);
    if text.len() > SIZE_LIMIT {
        let problem = Problem::error(whole, format!("an edit list is at most {SIZE_LIMIT} bytes long"));
        return (Cut::default(), vec![problem]);
    }
    let plain = match Counting::non_drop(rate) {
        Ok(plain) => plain,
        Err(e) => return (Cut::default(), vec![Problem::error(whole, e.to_string())]),
    };
    let mut reader = Reader {
        rate,
        plain,
        drop: Counting::drop_frame(rate).ok(),
        stated: None,
        title: None,
        events: Vec::new(),
        last: Last::None,
        lines: 0,
        problems: Problems::new(),
        untold: 0,
        untold_errors: false,
    };
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        reader.line(Piece::new(source, start, line));
        start += line.len();
    }
    reader.finish(whole)
}

/// What the comment and speed lines that follow belong to.
#[derive(Clone, Copy, PartialEq)]
enum Last {
    /// No event line yet.
    None,
    /// The last of `Reader::events`.
    Kept,
    /// An event that is passed over: sound, or one with a problem of its own.
    Passed,
}

/// What was read so far.
pub(super) struct Reader {
    pub(super) rate: Rate,
    pub(super) plain: Counting,
    pub(super) drop: Option<Counting>,
    /// Whether the list has said to count drop-frame.
    pub(super) stated: Option<bool>,
    pub(super) title: Option<String>,
    pub(super) events: Vec<Draft>,
    last: Last,
    /// Lines read so far.
    lines: usize,
    pub(super) problems: Problems,
    pub(super) untold: usize,
    /// One of those untold is an error, so that the list cannot be used.
    pub(super) untold_errors: bool,
}

impl Reader {
    /// Takes a problem down, or counts it when there are many.
    pub(super) fn tell(&mut self, problem: Problem) {
        if self.problems.len() < TOLD {
            self.problems.push(problem);
        } else {
            self.untold += 1;
            self.untold_errors |= problem.severity == Severity::Error;
        }
    }

    fn line(&mut self, line: Piece<'_>) {
        self.lines += 1;
        if line.text.is_empty() {
            return;
        }
        if let Some(comment) = line.past("*") {
            return self.comment(comment);
        }
        if line.text.starts_with(|c: char| c.is_ascii_digit()) {
            return self.event(line);
        }
        if let Some(title) = line.past("TITLE:") {
            self.title = Some(title.text.into());
        } else if let Some(mode) = line.past("FCM:") {
            self.counting(mode);
        } else if line.words()[0].text.eq_ignore_ascii_case("M2") {
            self.speed(line);
        } else {
            let problem = Problem::error(line.span, format!("{} is no line of an edit list", line.quoted()));
            let problem = problem.help("comments start with *, events with their number");
            // A note is passed over; an event whose number is unreadable must not drop out of the film.
            let times = line.words().iter().filter(|word| word.text.parse::<Label>().is_ok()).count();
            self.tell(if times > 1 { problem } else { problem.warning() });
        }
    }

    fn counting(&mut self, mode: Piece<'_>) {
        let words: Vec<String> = mode.words().iter().map(|w| w.text.to_ascii_uppercase()).collect();
        self.stated = match words.join(" ").replace('-', " ").as_str() {
            "DROP FRAME" if self.drop.is_some() => Some(true),
            "DROP FRAME" => {
                let why = BadTimecode::NoDropAt(self.rate);
                let help = "does the declaration's rate match the cut's?";
                self.tell(Problem::error(mode.span, why.to_string()).help(help));
                return;
            }
            "NON DROP FRAME" => Some(false),
            _ => {
                let message = format!("{} is no way to count frames", mode.quoted());
                let help = "write FCM: DROP FRAME or FCM: NON-DROP FRAME";
                self.tell(Problem::error(mode.span, message).help(help));
                return;
            }
        };
    }

    fn comment(&mut self, comment: Piece<'_>) {
        let (name, goes_out) = match (comment.past("FROM CLIP NAME:"), comment.past("TO CLIP NAME:")) {
            (Some(name), _) => (name, true),
            (None, Some(name)) => (name, false),
            (None, None) => return,
        };
        let draft = match (self.last, self.events.last_mut()) {
            (Last::Kept, Some(draft)) => draft,
            (Last::Passed, _) => return,
            _ => {
                let problem = Problem::error(comment.span, "a clip name stands before the first event");
                return self.tell(problem.warning().help("it belongs after the event that it names"));
            }
        };
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

    fn speed(&mut self, line: Piece<'_>) {
        let draft = match (self.last, self.events.last_mut()) {
            (Last::Kept, Some(draft)) => draft,
            (Last::Passed, _) => return,
            _ => {
                let problem = Problem::error(line.span, "a speed line stands before the first event");
                return self.tell(problem.help("it belongs after the event that it is of"));
            }
        };
        // The second field is the reel, whose name may be missing; the speed is the first number after it.
        let words = line.words();
        let speed = words.iter().skip(1).take(2).rev().find_map(|w| w.text.parse::<f64>().ok());
        // Frames a second at the list's own speed change nothing.
        let own = [f64::from(self.rate.nominal()), self.rate.per_second()];
        if speed.is_some_and(|speed| own.iter().any(|own| (speed - own).abs() < 0.006)) {
            return;
        }
        draft.speed = true;
        let message = format!("event {} changes speed, and a cut shows frames as they are", draft.number);
        self.tell(Problem::error(line.span, message).help(
            "retime the shot in the declaration (operator: retime), take this line out, and let the event take as many \
             source frames as record frames",
        ));
    }

    fn event(&mut self, line: Piece<'_>) {
        self.last = Last::Passed;
        let words = line.words();
        let number = words[0].text.parse::<u32>();
        let [_, reel, channels, transition, rest @ ..] = words.as_slice() else {
            let message = "an event line has eight fields";
            return self.tell(Problem::error(line.span, message).help(EVENT_FORM));
        };
        let Ok(number) = number else {
            let message = format!("{} is no event number", words[0].quoted());
            return self.tell(Problem::error(words[0].span, message).help(EVENT_FORM));
        };
        match picture(channels.text) {
            Some(true) => {}
            Some(false) => return,
            None => {
                let message = format!("event {number} has unknown channels {}", channels.quoted());
                let help = "V is picture, A and A2 … sound, B or AA/V both";
                return self.tell(Problem::error(channels.span, message).help(help));
            }
        }
        let is = |mark: &str| transition.text.eq_ignore_ascii_case(mark);
        if !is("C") && !is("D") {
            return self.transition(number, *transition);
        }
        if is("D")
            && let Some(before) = self.events.last_mut()
        {
            // Should this line have a problem, the one that leads into it needs none of its own.
            before.leads |= before.number == number && before.is_point();
        }
        let length = if is("D") { rest.first().copied() } else { None };
        let rest = &rest[usize::from(length.is_some())..];
        let [source_in, source_out, record_in, record_out] = rest else {
            let message = format!("event {number} must have four timecodes, not {}", rest.len());
            let help = if is("D") { DISSOLVE_FORM } else { EVENT_FORM };
            return self.tell(Problem::error(line.span, message).help(help));
        };
        let source = self.stretch(number, "source", *source_in, *source_out);
        let record = self.stretch(number, "record", *record_in, *record_out);
        let (Some(source), Some(record)) = (source, record) else { return };
        let leaving = match length {
            Some(length) => match self.leaving(number, *transition, length) {
                Some(leaving) => Some(leaving),
                None => return,
            },
            None => None,
        };
        self.last = Last::Kept;
        self.events.push(Draft {
            number,
            side: Side::of(*reel),
            source,
            record,
            speed: false,
            leads: false,
            leaving,
            span: line.span,
            line: self.lines,
        });
    }

    /// What goes out in a dissolve: the line of the same number before it. One that lasts no frame is taken away, one that
    /// does goes on past its end.
    fn leaving(&mut self, number: u32, transition: Piece<'_>, length: Piece<'_>) -> Option<Leaving> {
        let Ok(frames) = length.text.parse::<u32>() else {
            let message = format!("{} is no length of a dissolve in frames", length.quoted());
            self.tell(Problem::error(length.span, message).help(DISSOLVE_FORM));
            return None;
        };
        let Some(before) = self.events.last().filter(|before| before.number == number) else {
            let message = format!("event {number} is a dissolve, and no line before it says what goes out");
            let help = "a dissolve is two lines of one number; the first: NUMBER REEL V C IN IN AT AT, with the frame \
                        that goes on and where";
            self.tell(Problem::error(transition.span, message).help(help));
            return None;
        };
        let leaving = Leaving {
            side: before.side.clone(),
            source: before.source.1,
            record: before.record.1,
            frames: i64::from(frames),
            span: Span { end: length.span.end, ..transition.span },
        };
        if before.is_point() {
            self.events.pop();
        }
        Some(leaving)
    }

    /// Tells of a transition, and spares the zero-length cut that leads into it a second problem.
    fn transition(&mut self, number: u32, transition: Piece<'_>) {
        let first = transition.text.chars().next().map(|c| c.to_ascii_uppercase());
        let is_a = match first {
            Some('W') => "is a wipe",
            Some('K') => "is a key",
            _ => {
                let message = format!("event {number} has the unknown transition {}", transition.quoted());
                return self.tell(Problem::error(transition.span, message).help("C is a cut, D a dissolve"));
            }
        };
        if let Some(before) = self.events.last_mut().filter(|before| before.number == number) {
            before.leads = true;
        }
        let message = format!("event {number} {is_a}, which is not drawn");
        let help = "cuts (C) and dissolves (D) are: change it in the edit";
        self.tell(Problem::error(transition.span, message).help(help));
    }

    /// First frame and end (not included) that two labels name.
    fn stretch(&mut self, number: u32, side: &str, first: Piece<'_>, end: Piece<'_>) -> Option<(i64, i64)> {
        let (first_frame, end_frame) = (self.frame(first), self.frame(end));
        let (from, to) = (first_frame?, end_frame?);
        // An end at midnight is the end of the day.
        let to = if to == 0 && from > 0 { self.day(end) } else { to };
        if to < from {
            let message = format!("event {number} ends before it starts on the {side} side");
            let problem = Problem::error(end.span, message).related(first.span, "it starts here");
            self.tell(problem.help("the first timecode is the first frame, the second one past the last"));
            return None;
        }
        Some((from, to))
    }

    fn counting_of(&self, label: Label) -> Counting {
        match (self.stated, self.drop) {
            // A list that does not say how it counts says so by the marks of its labels.
            (Some(true), Some(drop)) => drop,
            (None, Some(drop)) if label.drop_mark => drop,
            _ => self.plain,
        }
    }

    fn frame(&mut self, word: Piece<'_>) -> Option<i64> {
        let counted = word.text.parse::<Label>().and_then(|label| self.counting_of(label).count(label));
        counted
            .map_err(|why| {
                let message = format!("{} is no timecode at {} frames a second", word.quoted(), self.rate);
                self.tell(Problem::error(word.span, message).help(why.to_string()));
            })
            .ok()
    }

    fn day(&self, word: Piece<'_>) -> i64 {
        word.text.parse().map_or(0, |label| self.counting_of(label).frames_in_a_day())
    }
}

const EVENT_FORM: &str = "NUMBER REEL CHANNELS C SOURCE-IN SOURCE-OUT RECORD-IN RECORD-OUT";
const DISSOLVE_FORM: &str = "NUMBER REEL CHANNELS D FRAMES SOURCE-IN SOURCE-OUT RECORD-IN RECORD-OUT";
