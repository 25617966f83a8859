//! Events of an edit list held against one another: in film order, without overlaps and gaps, dissolves joined to what
//! goes out in them.
//!
//! Knows drafts of events. Does not know how a list is written.

use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Severity, Span};
use crate::base::rate::Rate;
use crate::base::speed::{Run, Speed};
use crate::cut::draft::{Draft, Leaving, Side};
use crate::cut::edl::Reader;
use crate::cut::{Cut, CutEvent, Dissolve, Note, Outgoing};

/// An event that can be used.
struct Usable {
    draft: Draft,
    run: Run,
}

impl Reader {
    /// The sound events in film order, and the problems of each and between them.
    pub(super) fn finish(mut self, whole: Span) -> (Cut, Problems) {
        let drafts = std::mem::take(&mut self.events);
        // What plays where, also in events that cannot be used, so that one fault makes no other.
        let mut plays: Vec<(i64, Side)> =
            drafts.iter().map(|draft| (draft.record.0, draft.side.clone())).collect();
        plays.sort_by_key(|(start, _)| *start);
        let mut usable = Vec::with_capacity(drafts.len());
        for draft in drafts {
            if let Some(run) = self.run(&draft) {
                usable.push(Usable { draft, run });
            }
        }
        // Equal starts keep the order of the list.
        usable.sort_by_key(|event| event.draft.record.0);
        let mut cut = Cut {
            drops: self.film_drops == Some(true),
            title: self.title.take().filter(|title| !title.is_empty()),
            sounds: std::mem::take(&mut self.sounds),
            notes: std::mem::take(&mut self.notes),
            ..Cut::default()
        };
        let mut before: Option<Usable> = None;
        // Where an event is left out for its own problem, the gap that it leaves is none of the list's.
        let whole_list = !self.untold_errors && !self.problems.iter().any(|p| p.severity == Severity::Error);
        for event in usable {
            let draft = &event.draft;
            if let Some(before) = before.as_ref().filter(|before| draft.record.0 < before.draft.record.1) {
                self.overlap(&before.draft, draft);
                continue;
            }
            if let Some(before) = before.as_ref().filter(|_| whole_list) {
                self.gap(&before.draft, draft, cut.record.map_or(0, |record| record.first));
            }
            let first = cut.record.map_or(draft.record.0, |record| record.first);
            cut.record = Some(FrameRange::new(first, draft.record.1 - 1));
            cut.dissolves.extend(match whole_list {
                true => self.dissolve(draft, before.as_ref()),
                false => dissolve_beside_faults(draft, &plays),
            });
            event.clone_into(&mut cut);
            before = Some(event);
        }
        if self.untold > 0 {
            let problem = Problem::error(whole, format!("{} more problems in this list", self.untold));
            self.problems.push(if self.untold_errors { problem } else { problem.warning() });
        }
        (cut, self.problems)
    }

    fn overlap(&mut self, before: &Draft, draft: &Draft) {
        let frames = before.record.1.min(draft.record.1) - draft.record.0;
        let message = format!(
            "events {} and {} overlap by {frames} frame{} on the record side",
            before.number,
            draft.number,
            if frames == 1 { "" } else { "s" }
        );
        let problem = Problem::error(draft.span, message).related(before.span, "the other event");
        self.tell(problem.help("shorten one of them, or move it, on the record side"));
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
        let counting = self.drop.filter(|_| self.film_drops == Some(true)).unwrap_or(self.plain);
        let times = [0, gap.len() as i64, gap.first, draft.record.0].map(|n| counting.label(n).to_string());
        let times = times.join(" ");
        let problem = Problem::error(draft.span, message).related(before.span, "the event before it");
        self.tell(problem.help(format!("close the gap, or put black there: NUMBER BL V C {times}")));
    }

    /// The dissolve that an event begins with. Where it does not go on from the frames just before it, the picture would
    /// jump: that is told, as a list seldom means it.
    fn dissolve(&mut self, draft: &Draft, before: Option<&Usable>) -> Option<Dissolve> {
        let leaving = draft.leaving.as_ref().filter(|leaving| leaving.frames > 0)?;
        let mut side = leaving.side.clone();
        let speed = leaving.motion.map_or(Speed::OWN, |motion| motion.alone(self.rate));
        let mut run = Run { first: leaving.source, frames: leaving.frames, speed, played: 0 };
        if let Some(Usable { draft: before, run: ran }) = before {
            if !side.named && side.reel == before.side.reel {
                side = before.side.clone();
            }
            let next = ran.goes_on(leaving.frames);
            // At another speed a list may name the frame that comes next, or one of the ends of what has played.
            let ends = [next.first, before.source.0, before.source.1, before.source.0 - 1];
            let meets = ends[..if ran.speed.is_own() { 1 } else { 4 }].contains(&leaving.source);
            let same = side.shot.eq_ignore_ascii_case(&before.side.shot);
            let goes_on = (side.black && before.side.black) || (same && meets);
            if goes_on && leaving.motion.is_none_or(|_| speed == ran.speed) {
                run = next;
            }
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
                    next.first,
                    if before.side.black { "black" } else { &before.side.shot },
                );
                let problem =
                    Problem::error(leaving.span, message).related(before.span, "the event before it");
                self.tell(problem.warning());
            }
        }
        Some(joined(draft, leaving, side, run))
    }

    /// How an event plays, when it can be used by itself.
    fn run(&mut self, draft: &Draft) -> Option<Run> {
        if draft.leads {
            return None;
        }
        let (number, motion) = (draft.number, draft.motion());
        // What plays backwards may be written in the order of play; the same two labels are meant.
        let (low, end) = (draft.source.0.min(draft.source.1), draft.source.0.max(draft.source.1));
        if draft.source.1 < draft.source.0 && !motion.is_some_and(|motion| motion.is_backwards()) {
            self.ends_early(number, "source", draft.ends.0, draft.ends.1);
            return None;
        }
        let (source, record) = (end - low, draft.record.1 - draft.record.0);
        let is_held = motion.is_some_and(|motion| motion.is_freeze());
        if record == 0 || (source == 0 && !is_held) {
            let message =
                format!("event {number} lasts no frame: the second timecode is one past the last frame");
            let problem = Problem::error(draft.span, message);
            self.tell(problem.help("give it at least one frame, or take it out of the list"));
            return None;
        }
        let speed = match motion {
            None if source == record => Some(Speed::OWN),
            None => None,
            Some(motion) => motion.speed(source, record, self.rate),
        };
        let Some(speed) = speed else {
            self.tell(mismatch(draft, source, record, self.rate));
            return None;
        };
        if let Some((begins, span)) = motion.and_then(|motion| motion.begins)
            && !self.begins(draft, begins, span, (low, end))
        {
            return None;
        }
        let first = if speed.is_backwards() { end - 1 } else { low };
        let run = Run { first, frames: record, speed, played: 0 };
        self.joins(draft, record).then_some(run)
    }

    /// True when a speed that begins at a source frame holds for the whole event.
    fn begins(&mut self, draft: &Draft, begins: i64, span: Span, (low, end): (i64, i64)) -> bool {
        // Where it plays backwards lists name the lowest frame, the highest or the one past it.
        if begins == low || (begins >= end - 1 && begins <= end) {
            return true;
        }
        let number = draft.number;
        let within = low < begins && begins < end;
        let message = match within {
            true => format!("event {number} changes its speed at frame {begins}, within the event"),
            false => {
                format!("the speed of event {number} begins at frame {begins}, which is none of its frames")
            }
        };
        let problem = Problem::error(span, message).related(draft.span, "the event");
        self.tell(match within {
            true => problem.help(
                "make two events of it in the edit, or retime the shot in the declaration (operator: retime)",
            ),
            false => problem.warning().help("it is taken for the whole event"),
        });
        !within
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
            let change = if leaving.wipe.is_some() { "wipe" } else { "dissolve" };
            let message = format!(
                "event {} lasts {lasts} {frames}, less than its {change} of {}",
                draft.number, leaving.frames
            );
            (message, format!("{change} over {lasts} {frames} at most, or make the event longer"))
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
    let run = Run { first: leaving.source, frames: leaving.frames, speed: Speed::OWN, played: 0 };
    Some(joined(draft, leaving, side.clone(), run))
}

/// Says that the lengths of an event do not go together.
fn mismatch(draft: &Draft, source: i64, record: i64, rate: Rate) -> Problem {
    let number = draft.number;
    let takes = format!(
        "event {number} takes {source} frame{} of the source but {record} of the record side",
        if source == 1 { "" } else { "s" }
    );
    let would = source as f64 / record as f64 * f64::from(rate.nominal());
    let reel = &draft.side.reel;
    match draft.motion() {
        Some(motion) => {
            let message = format!("{takes}, and its speed is {} frames a second", motion.per_second());
            let problem = Problem::error(motion.span, message).related(draft.span, "the event");
            problem.help(format!("make its lengths so, or write its speed as M2 {reel} {would:05.1}"))
        }
        None => Problem::error(draft.span, takes)
            .help(format!("make both as long, or add a line with its speed: M2 {reel} {would:05.1}")),
    }
}

impl Usable {
    /// Adds the event to a cut, or the comments of black.
    fn clone_into(&self, cut: &mut Cut) {
        let Self { draft, run } = self;
        if draft.side.black {
            cut.notes.extend(draft.says.comments.iter().map(|text| Note {
                record: Some(draft.record.0),
                text: text.clone(),
                span: draft.span,
            }));
            return;
        }
        cut.events.push(CutEvent {
            number: draft.number,
            shot: draft.side.shot.clone(),
            shot_span: draft.side.shot_span,
            source: run.shows(),
            speed: run.speed,
            record_first: draft.record.0,
            frames: run.frames,
            reel: Some(draft.side.reel.clone()),
            channels: draft.channels.clone(),
            grade: draft.says.grade,
            comments: draft.says.comments.clone(),
            span: draft.span,
        });
    }
}

/// A dissolve from what plays before.
fn joined(draft: &Draft, leaving: &Leaving, side: Side, run: Run) -> Dissolve {
    let from = Outgoing {
        shot: side.shot,
        shot_span: side.shot_span,
        source_first: run.first,
        speed: run.speed,
        played: run.played,
    };
    Dissolve {
        number: draft.number,
        wipe: leaving.wipe,
        record: FrameRange::new(draft.record.0, draft.record.0 + leaving.frames - 1),
        from: (!side.black).then_some(from),
        span: leaving.span,
    }
}
