//! Lines at a border and bars, as far as they last.
//!
//! Knows what each frame shows at one side. Does not know pixels.

use crate::base::frames::FrameRange;

use super::edges::{Dark, Edge, KEPT};
use super::finding::{Finding, Kind, PixelBox, Side, Weight};
use super::rules::Rules;

/// What lasts over frames at one side, and in how many of them it was seen.
struct Lasting {
    finding: Finding,
    seen: usize,
}

/// Follows one side of the frame.
pub struct Sides {
    side: Side,
    lines: Option<Lasting>,
    bar: Option<Lasting>,
}

impl Sides {
    /// Nothing seen yet.
    pub fn new(side: Side) -> Self {
        Self { side, lines: None, bar: None }
    }

    /// Takes in what `frame` of that size shows at this side.
    pub fn take(
        &mut self,
        frame: i64,
        size: (u32, u32),
        (edge, dark): (Edge, Option<Dark>),
        rules: &Rules,
        found: &mut Vec<Finding>,
    ) {
        let whole = PixelBox::new(0, 0, size.0, size.1);
        let picture = rules.picture.unwrap_or(whole);
        let is_barred = dark.is_some_and(|dark| self.bar(frame, (picture, whole), dark, rules, found));
        match edge {
            // A bar is told as a bar.
            _ if is_barred => {}
            Edge::Unclear => {}
            Edge::Clean => close(&mut self.lines, rules, found),
            Edge::Lines { lines, bright, ratio, share } => {
                let kind = Kind::EdgeLines { side: self.side, lines, bright, ratio };
                let place = self.side.lines(picture, lines);
                let limit = rules.edge_length();
                let seen = finding(kind, frame, share.into(), "of the border", limit, place);
                extend(&mut self.lines, seen, rules, found);
            }
        }
    }

    /// Takes in dark lines; true where there is a bar that should not be so.
    fn bar(
        &mut self,
        frame: i64,
        (picture, whole): (PixelBox, PixelBox),
        dark: Dark,
        rules: &Rules,
        found: &mut Vec<Finding>,
    ) -> bool {
        let declared = self.declared(picture, whole);
        let far = dark.lines.abs_diff(declared) > 1;
        // A few dark lines of an undeclared bar are told as lines at the border.
        let is_bar = dark.ends_sharply && dark.lines as usize > KEPT - 2;
        let is_filled = dark.lines < declared;
        if far && (is_bar || is_filled) {
            let kind = Kind::Bars { side: self.side, lines: dark.lines, declared };
            let place = self.side.lines(whole, dark.lines.max(declared));
            let seen = finding(kind, frame, dark.lines.into(), "lines", declared.into(), place);
            extend(&mut self.bar, seen, rules, found);
        } else if self.bar.as_ref().is_some_and(|bar| f64::from(dark.lines) < bar.finding.amount)
            || dark.ends_sharply
        {
            close(&mut self.bar, rules, found);
        }
        far && (is_bar || is_filled)
    }

    /// Lines of the declared bar.
    fn declared(&self, picture: PixelBox, whole: PixelBox) -> u32 {
        match self.side {
            Side::Top => picture.top,
            Side::Bottom => whole.height.saturating_sub(picture.top + picture.height),
            Side::Left => picture.left,
            Side::Right => whole.width.saturating_sub(picture.left + picture.width),
        }
    }

    /// What follows does not go on from here.
    pub fn end(&mut self, rules: &Rules, found: &mut Vec<Finding>) {
        close(&mut self.lines, rules, found);
        close(&mut self.bar, rules, found);
    }
}

fn finding(kind: Kind, frame: i64, amount: f64, unit: &'static str, limit: f64, place: PixelBox) -> Finding {
    let weight =
        if matches!(kind, Kind::Bars { declared: 1.., .. }) { Weight::Fault } else { Weight::Suspect };
    let (frames, place) = (FrameRange::one(frame), Some(place));
    Finding { kind, weight, frames, amount, unit, limit, place, shows: frame }
}

/// True when both are about the same lines.
fn is_same(a: &Kind, b: &Kind) -> bool {
    match (a, b) {
        (Kind::EdgeLines { lines: a, bright: was, .. }, Kind::EdgeLines { lines: b, bright, .. }) => {
            a == b && was == bright
        }
        (Kind::Bars { lines: a, .. }, Kind::Bars { lines: b, .. }) => a == b,
        _ => false,
    }
}

fn extend(open: &mut Option<Lasting>, seen: Finding, rules: &Rules, found: &mut Vec<Finding>) {
    match open {
        Some(open) if is_same(&open.finding.kind, &seen.kind) => {
            open.finding.frames.last = seen.frames.last;
            open.seen += 1;
        }
        _ => {
            close(open, rules, found);
            *open = Some(Lasting { finding: seen, seen: 1 });
        }
    }
}

fn close(open: &mut Option<Lasting>, rules: &Rules, found: &mut Vec<Finding>) {
    let open = open.take().filter(|open| open.seen as f64 >= rules.edge_frames());
    found.extend(open.map(|open| open.finding));
}
