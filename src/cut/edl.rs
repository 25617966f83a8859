//! Edit decision lists (SMPTE ST 258) → the cut.
//!
//! A list's event line has eight fields: number, reel, channels, transition, source in and out, record
//! in and out; ends are not included. A comment `* FROM CLIP NAME:` names the shot, else the reel
//! does. Source timecode counts the shot's own frame numbers from 00:00:00:00, so that frame 1009
//! at 24 frames a second is 00:00:42:01. An event of the reel `BL` is black; film frames that no event fills are a
//! problem. Two lines of one number are a dissolve or a wipe: what goes out, then `D` or `W` and the number of a pattern with
//! its length and what comes in, named by `* TO CLIP NAME:`. A line `M2` gives the event before it another speed. Sound
//! events are kept, and play nothing. Knows the list's text only; `follow` holds its events against one another. Keys are
//! problems at their lines.

mod change;
mod motion;
mod remarks;
pub mod write;

use crate::base::conflict;
use crate::base::problem::{Problem, Problems, Severity, SourceId, Span};
use crate::base::rate::Rate;
use crate::base::speed::Speed;
use crate::base::timecode::{BadTimecode, Counting, Label};
use crate::cut::channels::picture;
use crate::cut::draft::{Draft, Leaving, Sayings, Side};
use crate::cut::piece::Piece;
use crate::cut::{Cut, Note, SoundEvent};
use change::Change;
pub(in crate::cut) use motion::Motion;

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
    if let Some(problem) = conflict::problem(source, text) {
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
        film_drops: None,
        title: None,
        events: Vec::new(),
        sounds: Vec::new(),
        notes: Vec::new(),
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
    Picture,
    /// The last of `Reader::sounds`.
    Sound,
    /// An event that is passed over for a problem of its own.
    Passed,
}

/// What was read so far.
pub(super) struct Reader {
    pub(super) rate: Rate,
    pub(super) plain: Counting,
    pub(super) drop: Option<Counting>,
    /// Whether the list has said to count drop-frame, which holds for the source side of events that follow.
    stated: Option<bool>,
    /// How the record side counts: as the list says before its first event, or by that event's mark. A film has but one
    /// way to count, so that what the list says later is of sources (common practice, no source).
    pub(super) film_drops: Option<bool>,
    pub(super) title: Option<String>,
    pub(super) events: Vec<Draft>,
    pub(super) sounds: Vec<SoundEvent>,
    pub(super) notes: Vec<Note>,
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
        let Some(is_picture) = picture(channels.text) else {
            return self.unknown_channels(number, *channels);
        };
        let changes = match Change::of(transition.text) {
            Some(Change::Cut) => false,
            Some(Change::Dissolve | Change::Wipe(_)) => true,
            None => return self.transition(number, *transition, is_picture),
        };
        if let (true, true, Some(before)) = (changes, is_picture, self.events.last_mut()) {
            // Should this line have a problem, the one that leads into it needs none of its own.
            before.leads |= before.number == number && before.is_point();
        }
        let length = if changes { rest.first().copied() } else { None };
        let rest = &rest[usize::from(length.is_some())..];
        let [source_in, source_out, record_in, record_out] = rest else {
            let message = format!("event {number} must have four timecodes, not {}", rest.len());
            let help = if changes { DISSOLVE_FORM } else { EVENT_FORM };
            return self.tell(Problem::error(line.span, message).help(help));
        };
        let source = self.stretch(*source_in, *source_out, Of::Source);
        let record = self.stretch(*record_in, *record_out, Of::Record);
        let (Some(source), Some(record)) = (source, record) else { return };
        if record.1 < record.0 {
            return self.ends_early(number, "record", record_in.span, record_out.span);
        }
        if !is_picture {
            return self.sound_event(number, *reel, *channels, length, (source, record), line.span);
        }
        let leaving = match length {
            Some(length) => match self.leaving(number, *transition, length) {
                Some(leaving) => Some(leaving),
                None => return,
            },
            None => None,
        };
        let channels = (!channels.text.eq_ignore_ascii_case("V")).then(|| channels.text.to_string());
        self.last = Last::Picture;
        self.events.push(Draft {
            number,
            side: Side::of(*reel),
            source,
            record,
            ends: (source_in.span, source_out.span),
            channels,
            says: Sayings::default(),
            leads: false,
            leaving,
            span: line.span,
            line: self.lines,
        });
    }

    fn unknown_channels(&mut self, number: u32, channels: Piece<'_>) {
        let message = format!("event {number} has unknown channels {}", channels.quoted());
        let help = "V is picture, A and A2 … sound, B or AA/V both";
        self.tell(Problem::error(channels.span, message).help(help));
    }

    /// Keeps a sound event as it stands.
    fn sound_event(
        &mut self,
        number: u32,
        reel: Piece<'_>,
        channels: Piece<'_>,
        length: Option<Piece<'_>>,
        (source, record): ((i64, i64), (i64, i64)),
        span: Span,
    ) {
        let fade = match length.map(|length| length.text.parse::<u32>()) {
            Some(Err(_)) => {
                let length = length.expect("it was read");
                let message = format!("{} is no length of a cross-fade in frames", length.quoted());
                return self.tell(Problem::error(length.span, message).help(DISSOLVE_FORM));
            }
            length => length.and_then(Result::ok).map(i64::from),
        };
        self.last = Last::Sound;
        self.sounds.push(SoundEvent {
            number,
            clip: None,
            reel: Some(reel.text.into()),
            channels: channels.text.into(),
            fade,
            source,
            speed: Speed::OWN,
            record,
            comments: Vec::new(),
            span,
        });
    }

    /// What goes out in a dissolve: the line of the same number before it. One that lasts no frame is taken away, one that
    /// does goes on past its end.
    fn leaving(&mut self, number: u32, transition: Piece<'_>, length: Piece<'_>) -> Option<Leaving> {
        let Ok(frames) = length.text.parse::<u32>() else {
            let change = Change::of(transition.text).map_or("dissolve", Change::word);
            let message = format!("{} is no length of a {change} in frames", length.quoted());
            self.tell(Problem::error(length.span, message).help(DISSOLVE_FORM));
            return None;
        };
        let Some(before) = self.events.last().filter(|before| before.number == number) else {
            let change = Change::of(transition.text).map_or("dissolve", Change::word);
            let message = format!("event {number} is a {change}, and no line before it says what goes out");
            let help = "it is two lines of one number; the first: NUMBER REEL V C IN IN AT AT, with the frame \
                        that goes on and where";
            self.tell(Problem::error(transition.span, message).help(help));
            return None;
        };
        let leaving = Leaving {
            side: before.side.clone(),
            source: before.source.1,
            record: before.record.1,
            frames: i64::from(frames),
            wipe: match Change::of(transition.text) {
                Some(Change::Wipe(pattern)) => Some(pattern),
                _ => None,
            },
            motion: before.says.motion,
            span: Span { end: length.span.end, ..transition.span },
        };
        if before.is_point() {
            self.events.pop();
        }
        Some(leaving)
    }

    /// Tells of a transition, and spares the zero-length cut that leads into it a second problem.
    fn transition(&mut self, number: u32, transition: Piece<'_>, is_picture: bool) {
        if let Some(before) = self.events.last_mut().filter(|before| is_picture && before.number == number) {
            before.leads = true;
        }
        if !transition.text.starts_with(['K', 'k']) {
            let message = format!("event {number} has the unknown transition {}", transition.quoted());
            let help = "C is a cut, D a dissolve, W and three digits a wipe";
            return self.tell(Problem::error(transition.span, message).help(help));
        }
        let message = format!("event {number} is a key, which is not drawn");
        let help = "cuts (C), dissolves (D) and wipes (W001 …) are: change it in the edit, and lay one picture over another in \
                    the declaration";
        self.tell(Problem::error(transition.span, message).help(help));
    }

    /// Tells of a side that ends before it starts.
    pub(super) fn ends_early(&mut self, number: u32, side: &str, first: Span, end: Span) {
        let message = format!("event {number} ends before it starts on the {side} side");
        let problem = Problem::error(end, message).related(first, "it starts here");
        self.tell(problem.help("the first timecode is the first frame, the second one past the last"));
    }

    /// First frame and end (not included) that two labels name. An end may come first where something plays backwards.
    fn stretch(&mut self, first: Piece<'_>, end: Piece<'_>, of: Of) -> Option<(i64, i64)> {
        let (first_frame, end_frame) = (self.frame(first, of), self.frame(end, of));
        let (from, to) = (first_frame?, end_frame?);
        // An end at midnight is the end of the day.
        let to = if to == 0 && from > 0 { self.day(end, of) } else { to };
        Some((from, to))
    }

    fn counting_of(&mut self, label: Label, of: Of) -> Counting {
        let stated = match of {
            Of::Source => self.stated,
            // Where nothing is said the first event's mark says how the film counts.
            Of::Record => {
                let marked = label.drop_mark && self.drop.is_some();
                Some(*self.film_drops.get_or_insert(self.stated.unwrap_or(marked)))
            }
        };
        match (stated, self.drop) {
            // A list that does not say how it counts says so by the marks of its labels.
            (Some(true), Some(drop)) => drop,
            (None, Some(drop)) if label.drop_mark => drop,
            _ => self.plain,
        }
    }

    fn frame(&mut self, word: Piece<'_>, of: Of) -> Option<i64> {
        let counted = word.text.parse::<Label>().and_then(|label| self.counting_of(label, of).count(label));
        counted
            .map_err(|why| {
                let message = format!("{} is no timecode at {} frames a second", word.quoted(), self.rate);
                self.tell(Problem::error(word.span, message).help(why.to_string()));
            })
            .ok()
    }

    fn day(&mut self, word: Piece<'_>, of: Of) -> i64 {
        word.text.parse().map_or(0, |label| self.counting_of(label, of).frames_in_a_day())
    }
}

/// The side that a timecode is of.
#[derive(Clone, Copy, PartialEq)]
enum Of {
    Source,
    Record,
}

const EVENT_FORM: &str = "NUMBER REEL CHANNELS C SOURCE-IN SOURCE-OUT RECORD-IN RECORD-OUT";
const DISSOLVE_FORM: &str = "NUMBER REEL CHANNELS D FRAMES SOURCE-IN SOURCE-OUT RECORD-IN RECORD-OUT";
