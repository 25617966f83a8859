//! A steady speed, exactly: so many source frames in so many film frames, and which frame is seen when.
//!
//! Knows whole numbers only. A film frame begins at a time, and shows the source frame that is on at that time: the position
//! rounded down, counted in the direction of play, so that n source frames over m film frames never reach past those n.
//! (Sampling at the frame's beginning is the convention of `tests/checks/retime.json`.) Does not know who plays what.

use std::fmt;

use crate::base::frames::FrameRange;

/// Source frames a film frame: 1 as it was shot, 1/2 half as fast, −1 backwards, 0 a freeze.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Speed {
    frames: i64,
    over: i64,
}

impl Speed {
    /// As it was shot.
    pub const OWN: Self = Self { frames: 1, over: 1 };
    /// One frame held.
    pub const FREEZE: Self = Self { frames: 0, over: 1 };
    /// The fastest speed either way, and the largest denominator: far beyond use, and products with frame numbers fit.
    pub const LIMIT: i64 = 1_000_000_000;

    /// `frames` source frames in `over` film frames; none when there is no such speed or it is out of all bounds.
    pub fn new(frames: i64, over: i64) -> Option<Self> {
        let (mut a, mut b) = (frames.checked_abs()?, over.checked_abs()?);
        while b != 0 {
            (a, b) = (b, a % b);
        }
        if over == 0 {
            return None;
        }
        let (frames, over) = (frames / a * over.signum(), over.abs() / a);
        (frames.abs() <= Self::LIMIT && over <= Self::LIMIT).then_some(Self { frames, over })
    }

    /// The simplest speed within a billionth of a number; none when it is no number or out of all bounds.
    pub fn near(number: f64) -> Option<Self> {
        if !number.is_finite() || number.abs() > 1e6 {
            return None;
        }
        // Continued fractions give the best ratio for each size of denominator.
        let (whole, mut rest) = (number.abs().floor(), number.abs().fract());
        let (mut before, mut now) = ((1i64, 0i64), (whole as i64, 1i64));
        while (now.0 as f64 / now.1 as f64 - number.abs()).abs() > 1e-9 && rest > 1e-12 {
            let next = (1.0 / rest).floor();
            rest = (1.0 / rest).fract();
            let step = next as i64;
            let grown = |a: i64, b: i64| step.checked_mul(a)?.checked_add(b);
            let (Some(frames), Some(over)) = (grown(now.0, before.0), grown(now.1, before.1)) else { break };
            if over > 1_000_000 {
                break;
            }
            (before, now) = (now, (frames, over));
        }
        Self::new(if number < 0.0 { -now.0 } else { now.0 }, now.1)
    }

    /// Source frames, below 0 backwards, in so many film frames; in lowest terms.
    pub fn ratio(&self) -> (i64, i64) {
        (self.frames, self.over)
    }

    /// True as it was shot.
    pub fn is_own(&self) -> bool {
        *self == Self::OWN
    }

    /// True when one frame is held.
    pub fn is_freeze(&self) -> bool {
        self.frames == 0
    }

    /// True when it plays backwards.
    pub fn is_backwards(&self) -> bool {
        self.frames < 0
    }

    /// The nearest double.
    pub fn number(&self) -> f64 {
        self.frames as f64 / self.over as f64
    }

    /// How far from its first frame the source is after `film` film frames.
    pub fn after(&self, film: i64) -> i64 {
        let far = (i128::from(film) * i128::from(self.frames.abs())).div_euclid(i128::from(self.over));
        far.clamp(-i128::from(Self::LIMIT), i128::from(Self::LIMIT)) as i64 * self.frames.signum()
    }
}

impl fmt::Display for Speed {
    /// As a percentage of the speed it was shot at.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let percent = (self.number() * 1e8).round() / 1e6;
        write!(f, "{percent} %")
    }
}

/// Source frames that play one after the other at a steady speed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Run {
    /// The source frame that the first film frame shows.
    pub first: i64,
    /// How many film frames it lasts.
    pub frames: i64,
    /// Its speed.
    pub speed: Speed,
    /// Film frames for which the source has been playing before the first, where it goes on from another run.
    pub played: i64,
}

impl Run {
    /// Frames as they were shot.
    pub fn of(source: FrameRange) -> Self {
        Self { first: source.first, frames: source.len() as i64, speed: Speed::OWN, played: 0 }
    }

    /// The source frame that film frame `into`, counted from 0, shows.
    pub fn at(&self, into: i64) -> i64 {
        self.first + self.speed.after(self.played + into) - self.speed.after(self.played)
    }

    /// The source frames from the lowest to the highest that it shows.
    pub fn shows(&self) -> FrameRange {
        if self.frames <= 0 {
            return FrameRange::none();
        }
        let last = self.at(self.frames - 1);
        FrameRange::new(self.first.min(last), self.first.max(last))
    }

    /// What plays when it goes on for `frames` more film frames.
    pub fn goes_on(&self, frames: i64) -> Self {
        Self { first: self.at(self.frames), frames, played: self.played + self.frames, ..*self }
    }

    /// The film frames, counted from 0, that show any of these source frames.
    pub fn showing(&self, source: FrameRange) -> FrameRange {
        let (low, high) = match self.speed.is_backwards() {
            true => (self.first - source.last, self.first - source.first),
            false => (source.first - self.first, source.last - self.first),
        };
        let far = |into: i64| (self.at(into) - self.first).abs();
        // Positions never go back, so both ends are found by halving.
        let first = partition(self.frames, |into| far(into) < low);
        let end = partition(self.frames, |into| far(into) <= high);
        FrameRange::new(first, end - 1)
    }

    /// The time, in film frames from the first, at which a source frame or a part of one comes to be seen; none when the film
    /// shows nothing of that frame. What is seen from the beginning on is seen at 0.
    pub fn time_of(&self, frame: f64) -> Option<f64> {
        let whole = frame.floor() as i64;
        if !self.shows().contains(whole) {
            return None;
        }
        if self.speed.is_freeze() {
            return Some(0.0);
        }
        let start = (self.first - self.speed.after(self.played)) as f64;
        Some(((frame - start) / self.speed.number() - self.played as f64).max(0.0))
    }

    /// The time of the source, in its frames, that is come to `into` film frames after the first; [`Run::time_of`] goes the
    /// other way. Where a frame is held it stands.
    pub fn time(&self, into: f64) -> f64 {
        let start = (self.first - self.speed.after(self.played)) as f64;
        start + self.speed.number() * (self.played as f64 + into)
    }
}

/// The first of 0 … `end` for which `below` does not hold; it holds for all before that.
fn partition(end: i64, below: impl Fn(i64) -> bool) -> i64 {
    let (mut low, mut high) = (0, end.max(0));
    while low < high {
        let middle = low + (high - low) / 2;
        if below(middle) { low = middle + 1 } else { high = middle }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(first: i64, frames: i64, speed: (i64, i64)) -> Run {
        Run { first, frames, speed: Speed::new(speed.0, speed.1).unwrap(), played: 0 }
    }

    fn all(run: Run) -> Vec<i64> {
        (0..run.frames).map(|into| run.at(into)).collect()
    }

    #[test]
    fn frames_that_play() {
        assert_eq!(all(run(10, 6, (1, 2))), [10, 10, 11, 11, 12, 12]);
        assert_eq!(all(run(10, 3, (2, 1))), [10, 12, 14]);
        assert_eq!(all(run(15, 3, (-1, 1))), [15, 14, 13]);
        assert_eq!(all(run(15, 6, (-1, 2))), [15, 15, 14, 14, 13, 13]);
        assert_eq!(all(run(7, 3, (0, 1))), [7, 7, 7]);
        assert_eq!(all(run(0, 5, (5, 4))), [0, 1, 2, 3, 5]);
        assert_eq!(run(15, 6, (-1, 2)).shows(), FrameRange::new(13, 15));
        assert!(run(15, 0, (1, 1)).shows().is_empty());
    }

    /// Positions of `tests/checks/retime.json` at a steady speed, rounded down. Exact.
    #[test]
    fn outside_check_positions() {
        for (speed, into, position) in [
            ((12, 5), 5, 12.0),
            ((12, 5), 1, 2.4),
            ((5, 4), 23, 28.75),
            ((-3, 2), 39, -58.5),
            ((1, 2), 47, 23.5),
        ] {
            let far = run(0, 100, speed).at(into);
            assert_eq!(far as f64, f64::trunc(position), "{speed:?} {into}");
        }
    }

    #[test]
    fn a_run_that_goes_on_keeps_its_place_between_frames() {
        for speed in [(1, 2), (5, 7), (-3, 4), (0, 1), (9, 4)] {
            let whole = run(100, 40, speed);
            for split in 0..=40 {
                let head = Run { frames: split, ..whole };
                let tail = head.goes_on(40 - split);
                let both: Vec<i64> = all(head).into_iter().chain(all(tail)).collect();
                assert_eq!(both, all(whole), "{speed:?} {split}");
            }
        }
    }

    #[test]
    fn source_frames_are_found() {
        for speed in [(1, 1), (1, 3), (5, 7), (-3, 4), (0, 1), (9, 4)] {
            let run = run(100, 40, speed);
            for source in 0..200 {
                let found: Vec<i64> = (0..40).filter(|&into| run.at(into) == source).collect();
                let showing = run.showing(FrameRange::one(source));
                assert_eq!(showing.iter().collect::<Vec<_>>(), found, "{speed:?} {source}");
                let few = FrameRange::new(source, source + 3);
                let found: Vec<i64> = (0..40).filter(|&into| few.contains(run.at(into))).collect();
                assert_eq!(run.showing(few).iter().collect::<Vec<_>>(), found, "{speed:?} {source}");
            }
        }
    }

    #[test]
    fn frames_have_times() {
        let slow = run(10, 6, (1, 2));
        assert_eq!([10.0, 10.5, 12.0].map(|frame| slow.time_of(frame).unwrap()), [0.0, 1.0, 4.0]);
        assert_eq!((slow.time_of(13.0), slow.time_of(9.9)), (None, None));
        // A frame that a fast run steps over has its time between the frames that are shown.
        assert_eq!(run(10, 3, (2, 1)).time_of(11.0), Some(0.5));
        assert_eq!(run(15, 3, (-1, 1)).time_of(14.0), Some(1.0));
        assert_eq!(run(7, 3, (0, 1)).time_of(7.5), Some(0.0));
        let on = Run { frames: 3, ..slow }.goes_on(3);
        assert_eq!((on.first, on.time_of(11.0), on.time_of(12.0)), (11, Some(0.0), Some(1.0)));
        for (run, into) in [(slow, 1.5), (run(15, 3, (-1, 1)), 1.25), (on, 1.75), (run(10, 6, (9, 4)), 2.5)] {
            assert_eq!(run.time_of(run.time(into)), Some(into), "{run:?}");
        }
        assert_eq!([0.0, 2.5].map(|into| run(7, 3, (0, 1)).time(into)), [7.0; 2]);
    }

    #[test]
    fn speeds_in_lowest_terms() {
        assert_eq!(Speed::new(12, 24).unwrap().ratio(), (1, 2));
        assert_eq!(Speed::new(-240, -240), Some(Speed::OWN));
        assert_eq!(Speed::new(0, -5), Some(Speed::FREEZE));
        assert!(Speed::new(1, 0).is_none() && Speed::new(i64::MIN, 1).is_none());
        assert!(Speed::new(0, 0).is_none() && Speed::new(2_000_000_000, 1).is_none());
        for (number, ratio) in
            [(0.5, (1, 2)), (-1.37, (-137, 100)), (25.0 / 18.0, (25, 18)), (0.0, (0, 1)), (1.0, (1, 1))]
        {
            assert_eq!(Speed::near(number).unwrap().ratio(), ratio);
        }
        assert!(Speed::near(f64::NAN).is_none() && Speed::near(1e9).is_none());
        assert_eq!(Speed::new(1, 3).unwrap().to_string(), "33.333333 %");
        assert_eq!(Speed::new(-1, 1).unwrap().to_string(), "-100 %");
    }
}
