//! Edit lists in the manner of CMX 3600 (SMPTE ST 258) → the cut.
//!
//! A list's event line has eight fields: number, reel, channels, transition, source in and out, record
//! in and out; ends are not included. A comment `* FROM CLIP NAME:` names the shot, else the reel
//! does. Source timecode counts the shot's own frame numbers from 00:00:00:00, so that frame 1009
//! at 24 frames a second is 00:00:42:01. An event of the reel `BL` is black; film frames that no event fills are a
//! problem. Knows the list's text only. Does not read dissolves, wipes,
//! keys and speed changes: each is a problem at its line. Sound events are passed over.

use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Severity, SourceId, Span};
use crate::base::rate::Rate;
use crate::base::timecode::{BadTimecode, Counting, Label};
use crate::cut::channels::picture;
use crate::cut::piece::Piece;
use crate::cut::{Cut, CutEvent};

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

/// A picture event as read, before it is known whether it can be used.
struct Draft {
    number: u32,
    shot: String,
    shot_span: Span,
    /// A clip name was given.
    named: bool,
    /// The reel is black.
    black: bool,
    source: (i64, i64),
    record: (i64, i64),
    /// A speed line follows it, so its lengths may well differ.
    speed: bool,
    /// It leads into a transition, which has told its own problem.
    leads: bool,
    span: Span,
    /// Its line, counted from 1.
    line: usize,
}

struct Reader {
    rate: Rate,
    plain: Counting,
    drop: Option<Counting>,
    /// Whether the list has said to count drop-frame.
    stated: Option<bool>,
    title: Option<String>,
    events: Vec<Draft>,
    last: Last,
    /// Lines read so far.
    lines: usize,
    problems: Problems,
    untold: usize,
    /// One of those untold is an error, so that the list cannot be used.
    untold_errors: bool,
}

impl Reader {
    fn tell(&mut self, problem: Problem) {
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
            self.tell(problem.warning().help("comments start with *, events with their number"));
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
        let Some(name) = comment.past("FROM CLIP NAME:") else { return };
        let draft = match (self.last, self.events.last_mut()) {
            (Last::Kept, Some(draft)) => draft,
            (Last::Passed, _) => return,
            _ => {
                let message = "a clip name stands before the first event";
                return self.tell(Problem::error(comment.span, message).warning());
            }
        };
        if name.text.is_empty() {
            return self.tell(Problem::error(comment.span, "the clip name is missing"));
        }
        if draft.named && draft.shot != name.text {
            let message = format!("event {} has two clip names", draft.number);
            let first = draft.shot_span;
            return self.tell(Problem::error(name.span, message).related(first, "the first one is here"));
        }
        draft.named = true;
        draft.black = false;
        draft.shot = name.text.into();
        draft.shot_span = name.span;
    }

    fn speed(&mut self, line: Piece<'_>) {
        let draft = match (self.last, self.events.last_mut()) {
            (Last::Kept, Some(draft)) => draft,
            (Last::Passed, _) => return,
            _ => return self.tell(Problem::error(line.span, "a speed line stands before the first event")),
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
        let message = format!("only cuts are read so far: event {} changes speed", draft.number);
        self.tell(Problem::error(line.span, message).help("retime the shot in the declaration instead"));
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
            return self.tell(Problem::error(words[0].span, message));
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
        if !transition.text.eq_ignore_ascii_case("C") {
            return self.transition(number, *transition);
        }
        let [source_in, source_out, record_in, record_out] = rest else {
            let message = format!("event {number} must have four timecodes, not {}", rest.len());
            return self.tell(Problem::error(line.span, message).help(EVENT_FORM));
        };
        let source = self.stretch(number, "source", *source_in, *source_out);
        let record = self.stretch(number, "record", *record_in, *record_out);
        let (Some(source), Some(record)) = (source, record) else { return };
        self.last = Last::Kept;
        self.events.push(Draft {
            number,
            shot: reel.text.into(),
            shot_span: reel.span,
            named: false,
            black: reel.text.eq_ignore_ascii_case("BL"),
            source,
            record,
            speed: false,
            leads: false,
            span: line.span,
            line: self.lines,
        });
    }

    /// Tells of a transition, and spares the zero-length cut that leads into it a second problem.
    fn transition(&mut self, number: u32, transition: Piece<'_>) {
        let first = transition.text.chars().next().map(|c| c.to_ascii_uppercase());
        let is_a = match first {
            Some('D') => "is a dissolve",
            Some('W') => "is a wipe",
            Some('K') => "is a key",
            _ => {
                let message = format!("event {number} has the unknown transition {}", transition.quoted());
                return self.tell(Problem::error(transition.span, message).help("C is a cut"));
            }
        };
        if let Some(before) = self.events.last_mut().filter(|before| before.number == number) {
            before.leads = true;
        }
        let message = format!("only cuts are read so far: event {number} {is_a}");
        self.tell(Problem::error(transition.span, message));
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

    /// The sound events in film order, and the problems of each and between them.
    fn finish(mut self, whole: Span) -> (Cut, Problems) {
        let mut drafts = std::mem::take(&mut self.events);
        drafts.retain(|draft| self.sound(draft));
        // Equal starts keep the order of the list.
        drafts.sort_by_key(|draft| draft.record.0);
        let mut cut = Cut { title: self.title.take().filter(|title| !title.is_empty()), ..Cut::default() };
        let mut before: Option<Draft> = None;
        // Where an event is left out for its own problem, the gap that it leaves is none of the list's.
        let whole_list = !self.untold_errors && !self.problems.iter().any(|p| p.severity == Severity::Error);
        for draft in drafts {
            if let Some(before) = before.as_ref().filter(|before| draft.record.0 < before.record.1) {
                let frames = before.record.1.min(draft.record.1) - draft.record.0;
                let message = format!(
                    "events {} and {} overlap by {frames} frame{} on the record side",
                    before.number,
                    draft.number,
                    if frames == 1 { "" } else { "s" }
                );
                self.tell(Problem::error(draft.span, message).related(before.span, "the other event"));
                continue;
            }
            if let Some(before) = before.as_ref().filter(|_| whole_list) {
                self.gap(before, &draft, cut.record.map_or(0, |record| record.first));
            }
            let first = cut.record.map_or(draft.record.0, |record| record.first);
            cut.record = Some(FrameRange::new(first, draft.record.1 - 1));
            if !draft.black {
                cut.events.push(CutEvent {
                    number: draft.number,
                    shot: draft.shot.clone(),
                    shot_span: draft.shot_span,
                    source: FrameRange::new(draft.source.0, draft.source.1 - 1),
                    record_first: draft.record.0,
                    span: draft.span,
                });
            }
            before = Some(draft);
        }
        if self.untold > 0 {
            let problem = Problem::error(whole, format!("{} more problems in this list", self.untold));
            self.problems.push(if self.untold_errors { problem } else { problem.warning() });
        }
        (cut, self.problems)
    }

    /// Tells of film frames between two neighbouring events that nothing fills. `start` is the film's first.
    fn gap(&mut self, before: &Draft, draft: &Draft, start: i64) {
        let gap = FrameRange::new(before.record.1, draft.record.0 - 1);
        if gap.is_empty() {
            return;
        }
        let film = FrameRange::new(gap.first - start + 1, gap.last - start + 1);
        let message = format!(
            "between event {} at line {} and event {} at line {} nothing fills {} {film} of the film",
            before.number,
            before.line,
            draft.number,
            draft.line,
            if gap.len() == 1 { "frame" } else { "frames" },
        );
        let counting = self.drop.filter(|_| self.stated == Some(true)).unwrap_or(self.plain);
        let times = [0, gap.len() as i64, gap.first, draft.record.0].map(|n| counting.label(n).to_string());
        let times = times.join(" ");
        let problem = Problem::error(draft.span, message).related(before.span, "the event before it");
        self.tell(problem.help(format!("close the gap, or put black there: NUMBER BL V C {times}")));
    }

    /// True when an event can be used by itself.
    fn sound(&mut self, draft: &Draft) -> bool {
        if draft.leads || draft.speed {
            return false;
        }
        let source = draft.source.1 - draft.source.0;
        let record = draft.record.1 - draft.record.0;
        let number = draft.number;
        let message = if record == 0 || source == 0 {
            format!("event {number} lasts no frame: the second timecode is one past the last frame")
        } else if source != record {
            format!("event {number} takes {source} frames of the source but {record} of the record side")
        } else {
            return true;
        };
        self.tell(Problem::error(draft.span, message));
        false
    }
}

const EVENT_FORM: &str = "NUMBER REEL CHANNELS C SOURCE-IN SOURCE-OUT RECORD-IN RECORD-OUT";
