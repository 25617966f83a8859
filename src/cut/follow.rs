//! Events of an edit list held against one another: in film order, without overlaps and gaps, dissolves joined to what
//! goes out in them.
//!
//! Knows drafts of events. Does not know how a list is written.

use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Severity, Span};
use crate::base::speed::Speed;
use crate::cut::edl::Reader;
use crate::cut::piece::Piece;
use crate::cut::{Cut, CutEvent, Dissolve, Outgoing};

/// What plays: a shot or black.
#[derive(Clone)]
pub(super) struct Side {
    pub shot: String,
    pub shot_span: Span,
    /// The reel, under which another event may have told the shot's name.
    reel: String,
    /// A clip name was given.
    pub named: bool,
    pub black: bool,
}

impl Side {
    /// What a reel's name says.
    pub fn of(reel: Piece<'_>) -> Self {
        let black = reel.text.eq_ignore_ascii_case("BL");
        Self { shot: reel.text.into(), shot_span: reel.span, reel: reel.text.into(), named: false, black }
    }

    /// Takes a clip's name. Black may be called by its name.
    pub fn name(&mut self, name: Piece<'_>) {
        let says_black = ["BL", "BLACK"].iter().any(|word| name.text.eq_ignore_ascii_case(word));
        self.named = true;
        self.black &= says_black;
        self.shot = name.text.into();
        self.shot_span = name.span;
    }
}

/// What goes out in a dissolve.
pub(super) struct Leaving {
    pub side: Side,
    /// Its first frame in the dissolve.
    pub source: i64,
    /// The record frame that shows it.
    pub record: i64,
    /// Length of the dissolve.
    pub frames: i64,
    /// Where it is written.
    pub span: Span,
}

/// A picture event as read, before it is known whether it can be used.
pub(super) struct Draft {
    pub number: u32,
    pub side: Side,
    pub source: (i64, i64),
    pub record: (i64, i64),
    /// A speed line follows it, so its lengths may well differ.
    pub speed: bool,
    /// It leads into a transition, which has told its own problem.
    pub leads: bool,
    /// What goes out while it comes in.
    pub leaving: Option<Leaving>,
    pub span: Span,
    /// Its line, counted from 1.
    pub line: usize,
}

impl Draft {
    /// True when it lasts no frame on either side, and only says where something is.
    pub fn is_point(&self) -> bool {
        self.source.0 == self.source.1 && self.record.0 == self.record.1
    }
}

impl Reader {
    /// The sound events in film order, and the problems of each and between them.
    pub(super) fn finish(mut self, whole: Span) -> (Cut, Problems) {
        let mut drafts = std::mem::take(&mut self.events);
        // What plays where, also in events that cannot be used, so that one fault makes no other.
        let mut plays: Vec<(i64, Side)> =
            drafts.iter().map(|draft| (draft.record.0, draft.side.clone())).collect();
        plays.sort_by_key(|(start, _)| *start);
        drafts.retain(|draft| self.sound(draft));
        // Equal starts keep the order of the list.
        drafts.sort_by_key(|draft| draft.record.0);
        let drops = self.stated == Some(true);
        let mut cut =
            Cut { drops, title: self.title.take().filter(|title| !title.is_empty()), ..Cut::default() };
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
                let problem = Problem::error(draft.span, message).related(before.span, "the other event");
                self.tell(problem.help("shorten one of them, or move it, on the record side"));
                continue;
            }
            if let Some(before) = before.as_ref().filter(|_| whole_list) {
                self.gap(before, &draft, cut.record.map_or(0, |record| record.first));
            }
            let first = cut.record.map_or(draft.record.0, |record| record.first);
            cut.record = Some(FrameRange::new(first, draft.record.1 - 1));
            cut.dissolves.extend(match whole_list {
                true => self.dissolve(&draft, before.as_ref()),
                false => dissolve_beside_faults(&draft, &plays),
            });
            if !draft.side.black {
                cut.events.push(CutEvent {
                    number: draft.number,
                    shot: draft.side.shot.clone(),
                    shot_span: draft.side.shot_span,
                    source: FrameRange::new(draft.source.0, draft.source.1 - 1),
                    speed: Speed::OWN,
                    record_first: draft.record.0,
                    frames: draft.record.1 - draft.record.0,
                    reel: None,
                    channels: None,
                    grade: None,
                    comments: Vec::new(),
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

    /// The dissolve that an event begins with. Where it does not go on from the frames just before it, the picture would
    /// jump: that is told, as a list seldom means it.
    fn dissolve(&mut self, draft: &Draft, before: Option<&Draft>) -> Option<Dissolve> {
        let leaving = draft.leaving.as_ref().filter(|leaving| leaving.frames > 0)?;
        let mut side = leaving.side.clone();
        if let Some(before) = before {
            if !side.named && side.reel == before.side.reel {
                side = before.side.clone();
            }
            let same = side.shot.eq_ignore_ascii_case(&before.side.shot);
            let goes_on = (side.black && before.side.black) || (same && leaving.source == before.source.1);
            if !goes_on {
                let message = format!(
                    "the picture jumps: event {} dissolves from {}, but event {} ends just before frame {} of {}",
                    draft.number,
                    if side.black {
                        "black".into()
                    } else {
                        format!("frame {} of {}", leaving.source, side.shot)
                    },
                    before.number,
                    before.source.1,
                    if before.side.black { "black" } else { &before.side.shot },
                );
                let problem =
                    Problem::error(leaving.span, message).related(before.span, "the event before it");
                self.tell(problem.warning());
            }
        }
        Some(joined(draft, leaving, side))
    }

    /// True when an event can be used by itself.
    fn sound(&mut self, draft: &Draft) -> bool {
        if draft.leads || draft.speed {
            return false;
        }
        let source = draft.source.1 - draft.source.0;
        let record = draft.record.1 - draft.record.0;
        let number = draft.number;
        let (message, help) = if record == 0 || source == 0 {
            (
                format!("event {number} lasts no frame: the second timecode is one past the last frame"),
                "give it at least one frame, or take it out of the list",
            )
        } else if source != record {
            (
                format!(
                    "event {number} takes {source} frame{} of the source but {record} of the record side",
                    if source == 1 { "" } else { "s" }
                ),
                "make both as long; a change of speed is the declaration's (operator: retime)",
            )
        } else {
            return self.joins(draft, record);
        };
        self.tell(Problem::error(draft.span, message).help(help));
        false
    }

    /// True when an event that lasts so many frames is no dissolve, or one that lies within it.
    fn joins(&mut self, draft: &Draft, lasts: i64) -> bool {
        let Some(leaving) = &draft.leaving else { return true };
        let (message, help) = if leaving.record != draft.record.0 {
            let later = draft.record.0 - leaving.record;
            let frames = if later.abs() == 1 { "frame" } else { "frames" };
            let off = format!("{} {frames} {}", later.abs(), if later > 0 { "before" } else { "after" });
            let help = "the record timecodes of both lines meet where the dissolve begins".to_string();
            (format!("what goes out in event {} ends {off} the dissolve begins", draft.number), help)
        } else if leaving.frames > lasts {
            let frames = if lasts == 1 { "frame" } else { "frames" };
            let message = format!(
                "event {} lasts {lasts} {frames}, less than its dissolve of {}",
                draft.number, leaving.frames
            );
            (message, format!("dissolve over {lasts} {frames} at most, or make the event longer"))
        } else {
            return true;
        };
        self.tell(Problem::error(leaving.span, message).help(help));
        false
    }
}

/// The dissolve that an event begins with in a list with faults. Where it names but a reel, the last event of that reel that
/// begins before tells the shot, even if it cannot be used; where there is none, it may be what is at fault.
fn dissolve_beside_faults(draft: &Draft, plays: &[(i64, Side)]) -> Option<Dissolve> {
    let leaving = draft.leaving.as_ref().filter(|leaving| leaving.frames > 0)?;
    let side = &leaving.side;
    let before = || {
        let earlier = plays.iter().rev().filter(|(start, _)| *start < draft.record.0);
        earlier.map(|(_, other)| other).find(|other| other.reel == side.reel)
    };
    let side = if side.named || side.black { side } else { before()? };
    Some(joined(draft, leaving, side.clone()))
}

/// A dissolve from what plays before.
fn joined(draft: &Draft, leaving: &Leaving, side: Side) -> Dissolve {
    let from = Outgoing {
        shot: side.shot,
        shot_span: side.shot_span,
        source_first: leaving.source,
        speed: Speed::OWN,
        played: 0,
    };
    Dissolve {
        number: draft.number,
        wipe: None,
        record: FrameRange::new(draft.record.0, draft.record.0 + leaving.frames - 1),
        from: (!side.black).then_some(from),
        span: leaving.span,
    }
}
