//! What was measured of takes, as the text of a register file.
//!
//! Knows how many digits mean anything. What the file says is read by `passes::place`.

use std::fmt::Write;

use super::when::{UNSURE, When};
use crate::base::curve::{Curve, Ease};
use crate::base::frames::FrameRange;
use crate::base::mark;
use crate::operators::image::passes::moment::{Between, Moment};
use crate::operators::image::passes::place::Place;

/// What was measured of one take.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Measured {
    /// Its name.
    pub name: String,
    /// Its offset in time; none where the set does not tell it, as under a camera that stands.
    pub when: Option<When>,
    /// What was measured of each frame, in rising order.
    pub frames: Vec<Frame>,
    /// Why nothing can be measured of it, when that is known before.
    pub blind: Option<&'static str>,
}

/// What was measured of one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// The clean plate's frame.
    pub number: i64,
    /// Where the take lies.
    pub place: Place,
    /// What is left, in pixels, where it could be told.
    pub left: Option<f64>,
}

/// Exposures that differ less than this from their median over the shot are the same, as a share.
const SAME_LIGHT: f64 = 0.004;

impl Measured {
    /// Mean and 95th percentile of what is left over the shot's frames, in pixels.
    pub fn left(&self) -> Option<(f64, f64)> {
        let mut all: Vec<f64> = self.frames.iter().filter_map(|f| f.left).collect();
        all.sort_by(f64::total_cmp);
        let last = all.len().checked_sub(1)?;
        Some((all.iter().sum::<f64>() / all.len() as f64, all[(last as f64 * 0.95).ceil() as usize]))
    }

    /// Why nothing of it could be measured, when that is so.
    pub fn lack(&self) -> Option<&'static str> {
        if self.blind.is_some() {
            return self.blind;
        }
        if self.frames.is_empty() {
            return Some(
                "no frame of it could be laid on the clean plate: it has none where the shot has, its mattes cover the set, \
                 or the set shows no detail",
            );
        }
        let tells = self.frames.iter().any(|frame| frame.left.is_some());
        (!tells)
            .then_some("no part of the set, outside of its mattes, shows enough detail to tell how it lies")
    }

    /// The offset in time that is used: none below what can be told.
    pub fn time(&self, frame: i64) -> f64 {
        self.when.map_or(0.0, |when| when.time + when.rate * (frame as f64 - when.about))
    }

    /// The frames of it that are shown at these.
    pub fn shown(&self, frames: FrameRange, between: Between) -> Vec<FrameRange> {
        frames.iter().map(|n| Moment::at(n, self.time(n), between).frames()).collect()
    }

    /// One exposure where it hardly changes, else none.
    pub fn steady_exposure(&self) -> Option<[f64; 3]> {
        let median = [0, 1, 2].map(|c| {
            let mut all: Vec<f64> = self.frames.iter().map(|f| f.place.exposure[c]).collect();
            all.sort_by(f64::total_cmp);
            all.get(all.len() / 2).copied().unwrap_or(1.0)
        });
        let mut away: Vec<f64> = self
            .frames
            .iter()
            .flat_map(|f| [0, 1, 2].map(|c| (f.place.exposure[c] / median[c] - 1.0).abs()))
            .collect();
        away.sort_by(f64::total_cmp);
        // A frame or two in which something is amiss make no flicker.
        let most = away.get(away.len() * 9 / 10).copied().unwrap_or(0.0);
        (most < SAME_LIGHT).then_some(median)
    }
}

/// Frames of a take that are `shown`, from those that could be laid on the clean plate and whether each of these told its
/// exposure. What a frame does not tell goes from its neighbours' to its neighbours'.
pub fn carried(shown: &[i64], laid: &[(Frame, bool)]) -> Vec<Frame> {
    if laid.is_empty() {
        return Vec::new();
    }
    let lies = |frame: &Frame| {
        let Place { shift: [right, down], turn, scale, .. } = frame.place;
        (frame.number, [right, down, turn, scale])
    };
    let places = Curve::new(laid.iter().map(|(frame, _)| lies(frame)).collect(), Ease::Linear);
    let lit = laid.iter().filter(|(_, is_lit)| *is_lit);
    let lit: Vec<_> = lit.map(|(frame, _)| (frame.number, frame.place.exposure)).collect();
    let lights = if lit.is_empty() { Curve::steady([1.0; 3]) } else { Curve::new(lit, Ease::Linear) };
    let one = |&number: &i64| {
        let found = laid.iter().find(|(frame, _)| frame.number == number);
        if let Some((frame, true)) = found {
            return *frame;
        }
        let exposure = lights.at(number as f64);
        if let Some((frame, _)) = found {
            return Frame { place: Place { exposure, ..frame.place }, left: None, ..*frame };
        }
        let [right, down, turn, scale] = places.at(number as f64);
        Frame { number, place: Place { shift: [right, down], turn, scale, exposure }, left: None }
    };
    shown.iter().map(one).collect()
}

impl When {
    /// Whether it is sure enough to be used.
    pub fn is_sure(&self) -> bool {
        self.deviation <= UNSURE
    }
}

/// A number without needless digits.
fn number(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    // A rounded −0 is no different from 0.
    if text == "-0" { "0".into() } else { text.into() }
}

/// The text of a register file for a shot of these frames. `asked` is how it was come by, for its first line.
pub fn text(takes: &[Measured], frames: FrameRange, between: &str, asked: &str) -> String {
    let mut text = format!(
        "# {}.\n\
         # How each take lies against the clean plate, measured by `{asked}`.\n\
         # It may be edited; measuring again leaves an edited file alone, or keeps it beside with --replace.\n\
         between: {between}\ntakes:{}\n",
        mark::PLACE,
        if takes.is_empty() { " {}" } else { "" }
    );
    for take in takes {
        let _ = writeln!(text, "  {}:", take.name);
        time(&mut text, take, frames);
        if take.frames.is_empty() {
            continue;
        }
        keyed(&mut text, "shift", take, &|p| {
            format!("[{}, {}]", number(p.shift[0], 3), number(p.shift[1], 3))
        });
        if take.frames.iter().any(|f| f.place.turn != 0.0 || f.place.scale != 1.0) {
            keyed(&mut text, "turn", take, &|p| number(p.turn, 5));
            keyed(&mut text, "scale", take, &|p| number(p.scale, 6));
        }
        let light = |e: [f64; 3]| format!("[{}]", e.map(|v| number(v, 4)).join(", "));
        match take.steady_exposure() {
            Some(exposure) => drop(writeln!(text, "    exposure: {}", light(exposure))),
            None => keyed(&mut text, "exposure", take, &|p| light(p.exposure)),
        }
        if let Some((mean, p95)) = take.left() {
            let _ = writeln!(
                text,
                "    residual:\n      mean: {}\n      p95: {}\n      frames:",
                number(mean, 3),
                number(p95, 3)
            );
            for frame in &take.frames {
                if let Some(left) = frame.left {
                    let _ = writeln!(text, "        {}: {}", frame.number, number(left, 3));
                }
            }
        }
    }
    mark::sealed(&text)
}

fn time(text: &mut String, take: &Measured, frames: FrameRange) {
    let _ = match take.when {
        None => writeln!(text, "    time: 0   # the set does not tell it: it stands, or moves evenly"),
        Some(when) if when.rate != 0.0 && frames.len() > 1 => {
            let [first, last] = [frames.first, frames.last].map(|n| (n, number(take.time(n), 3)));
            writeln!(text, "    time: {{ {}: {}, {}: {} }}", first.0, first.1, last.0, last.1)
        }
        Some(when) => writeln!(text, "    time: {}", number(when.time, 3)),
    };
}

fn keyed(text: &mut String, name: &str, take: &Measured, one: &dyn Fn(&Place) -> String) {
    let _ = writeln!(text, "    {name}:");
    for frame in &take.frames {
        let _ = writeln!(text, "      {}: {}", frame.number, one(&frame.place));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::mark::is_as_written;

    #[test]
    fn a_frame_that_tells_nothing_goes_with_its_neighbours() {
        let lit = |number, right, light| {
            let place = Place { shift: [right, 0.0], exposure: [light; 3], ..Place::UNMOVED };
            Frame { number, place, left: Some(0.01) }
        };
        let mut dark = lit(3, 3.5, 1.0);
        dark.left = Some(0.0);
        let laid = [(lit(2, 3.0, 2.0), true), (dark, false), (lit(6, 5.0, 4.0), true)];
        let all = carried(&[1, 2, 3, 4, 5, 6, 7], &laid);
        let told: Vec<_> = all.iter().map(|f| (f.number, f.place.shift[0], f.place.exposure[1])).collect();
        let wanted = [
            (1, 3.0, 2.0),
            (2, 3.0, 2.0),
            (3, 3.5, 2.5),
            (4, 4.0, 3.0),
            (5, 4.5, 3.5),
            (6, 5.0, 4.0),
            (7, 5.0, 4.0),
        ];
        for (told, wanted) in told.iter().zip(wanted) {
            assert_eq!(told.0, wanted.0);
            assert!(
                (told.1 - wanted.1).abs() < 0.35 && (told.2 - wanted.2).abs() < 1e-9,
                "{told:?} {wanted:?}"
            );
        }
        let left: Vec<i64> = all.iter().filter(|f| f.left.is_some()).map(|f| f.number).collect();
        assert_eq!((all.len(), left), (7, vec![2, 6]));
        assert_eq!(carried(&[1, 2], &[]), Vec::new());
    }

    #[test]
    fn a_changed_file_is_told_from_one_as_written() {
        let take = Measured { name: "left".into(), ..Measured::default() };
        let text = text(&[take], FrameRange::new(1, 9), "nearest", "endboard register br010");
        assert!(is_as_written(&text), "{text}");
        assert!(!is_as_written(&text.replace("time: 0", "time: 1")));
        assert!(!is_as_written(&format!("{text}\n")));
        assert!(!is_as_written("takes: {}\n"));
    }
}
