//! Frame numbers, ranges and sets of frames held as runs.
//!
//! Knows arithmetic on frame numbers only. Does not know shots, rates or timecode.

use std::fmt;
use std::str::FromStr;

/// The largest frame number (and, negated, the smallest) the tool accepts.
pub const FRAME_LIMIT: i64 = 100_000_000;

/// Frames from `first` to `last`, both included. Empty when `last < first`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FrameRange {
    /// First frame.
    pub first: i64,
    /// Last frame, included.
    pub last: i64,
}

impl FrameRange {
    /// Frames `first` to `last`, both included.
    pub const fn new(first: i64, last: i64) -> Self {
        Self { first, last }
    }

    /// One frame.
    pub const fn one(frame: i64) -> Self {
        Self::new(frame, frame)
    }

    /// No frame at all.
    pub const fn none() -> Self {
        Self::new(0, -1)
    }

    /// How many frames.
    pub fn len(&self) -> usize {
        (self.last - self.first + 1).max(0) as usize
    }

    /// True when it holds no frame.
    pub fn is_empty(&self) -> bool {
        self.last < self.first
    }

    /// True when `frame` lies inside.
    pub fn contains(&self, frame: i64) -> bool {
        self.first <= frame && frame <= self.last
    }

    /// True when every frame of `other` lies inside.
    pub fn covers(&self, other: FrameRange) -> bool {
        other.is_empty() || (self.first <= other.first && other.last <= self.last)
    }

    /// The frames that both hold.
    pub fn meet(&self, other: FrameRange) -> FrameRange {
        Self::new(self.first.max(other.first), self.last.min(other.last))
    }

    /// The smallest range that holds both.
    pub fn hull(self, other: FrameRange) -> FrameRange {
        if self.is_empty() || other.is_empty() {
            return if self.is_empty() { other } else { self };
        }
        FrameRange::new(self.first.min(other.first), self.last.max(other.last))
    }

    /// `by` more frames on both sides.
    pub fn widen(&self, by: i64) -> FrameRange {
        if self.is_empty() { *self } else { Self::new(self.first - by, self.last + by) }
    }

    /// Every frame in order.
    pub fn iter(&self) -> std::ops::RangeInclusive<i64> {
        self.first..=self.last
    }
}

impl fmt::Display for FrameRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_empty() {
            write!(f, "none")
        } else if self.first == self.last {
            write!(f, "{}", self.first)
        } else {
            write!(f, "{}-{}", self.first, self.last)
        }
    }
}

/// The text is not a frame or a range of frames.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadFrames {
    /// Not `FIRST-LAST` or one number.
    #[error("frames are written FIRST-LAST, such as 1001-1072, or one number")]
    Form,
    /// The last frame comes before the first.
    #[error("the last frame comes before the first")]
    Backwards,
    /// Out of the range that frame numbers may take.
    #[error("frame numbers lie between -100000000 and 100000000")]
    TooLarge,
}

impl FromStr for FrameRange {
    type Err = BadFrames;

    fn from_str(text: &str) -> Result<Self, BadFrames> {
        let text = text.trim();
        let split = text.char_indices().skip(1).find(|&(_, c)| c == '-').map(|(i, _)| i);
        let (first, last) = match split {
            Some(at) => (frame(&text[..at])?, frame(&text[at + 1..])?),
            None => {
                let one = frame(text)?;
                (one, one)
            }
        };
        if last < first {
            return Err(BadFrames::Backwards);
        }
        Ok(Self::new(first, last))
    }
}

fn frame(text: &str) -> Result<i64, BadFrames> {
    let text = text.trim();
    let digits = text.strip_prefix('-').unwrap_or(text);
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return Err(BadFrames::Form);
    }
    match text.parse::<i64>() {
        Ok(n) if n.abs() <= FRAME_LIMIT => Ok(n),
        _ => Err(BadFrames::TooLarge),
    }
}

/// A set of frames as sorted, disjoint, non-touching runs.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct FrameSet {
    runs: Vec<FrameRange>,
}

impl FrameSet {
    /// The empty set.
    pub fn new() -> Self {
        Self::default()
    }

    /// The runs, in order.
    pub fn runs(&self) -> &[FrameRange] {
        &self.runs
    }

    /// How many frames.
    pub fn len(&self) -> usize {
        self.runs.iter().map(FrameRange::len).sum()
    }

    /// True when it holds no frame.
    pub fn is_empty(&self) -> bool {
        self.runs.is_empty()
    }

    /// Adds one frame; cheap when frames come in rising order.
    pub fn insert(&mut self, frame: i64) {
        self.insert_range(FrameRange::one(frame));
    }

    /// Adds a range.
    pub fn insert_range(&mut self, range: FrameRange) {
        if range.is_empty() {
            return;
        }
        let start = self.runs.partition_point(|run| run.last + 1 < range.first);
        let mut merged = range;
        let mut end = start;
        while end < self.runs.len() && self.runs[end].first <= merged.last + 1 {
            merged.first = merged.first.min(self.runs[end].first);
            merged.last = merged.last.max(self.runs[end].last);
            end += 1;
        }
        self.runs.splice(start..end, [merged]);
    }

    /// Adds all frames of another set.
    pub fn insert_all(&mut self, other: &FrameSet) {
        other.runs.iter().for_each(|&run| self.insert_range(run));
    }

    /// True when `frame` is in the set.
    pub fn contains(&self, frame: i64) -> bool {
        let at = self.runs.partition_point(|run| run.last < frame);
        self.runs.get(at).is_some_and(|run| run.contains(frame))
    }

    /// The frames that it has and another has not.
    pub fn without(&self, other: &FrameSet) -> FrameSet {
        let mut rest = FrameSet::new();
        for run in &self.runs {
            let mut from = run.first;
            let start = other.runs.partition_point(|out| out.last < run.first);
            for out in other.runs[start..].iter().take_while(|out| out.first <= run.last) {
                rest.insert_range(FrameRange::new(from, out.first - 1));
                from = out.last + 1;
            }
            rest.insert_range(FrameRange::new(from, run.last));
        }
        rest
    }

    /// The frames that both have.
    pub fn meet(&self, other: &FrameSet) -> FrameSet {
        self.without(&self.without(other))
    }

    /// Every frame in order.
    pub fn iter(&self) -> impl Iterator<Item = i64> + '_ {
        self.runs.iter().flat_map(FrameRange::iter)
    }
}

impl From<FrameRange> for FrameSet {
    fn from(range: FrameRange) -> Self {
        let mut set = Self::new();
        set.insert_range(range);
        set
    }
}

impl FromIterator<i64> for FrameSet {
    fn from_iter<I: IntoIterator<Item = i64>>(frames: I) -> Self {
        let mut set = Self::new();
        for frame in frames {
            set.insert(frame);
        }
        set
    }
}

impl fmt::Display for FrameSet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.runs.is_empty() {
            return write!(f, "none");
        }
        for (i, run) in self.runs.iter().enumerate() {
            if i > 0 {
                write!(f, ",")?;
            }
            write!(f, "{run}")?;
        }
        Ok(())
    }
}

impl FromStr for FrameSet {
    type Err = BadFrames;

    fn from_str(text: &str) -> Result<Self, BadFrames> {
        let mut set = Self::new();
        for part in text.split(',') {
            set.insert_range(part.parse()?);
        }
        Ok(set)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_parse() {
        assert_eq!("1001-1072".parse(), Ok(FrameRange::new(1001, 1072)));
        assert_eq!("-5--2".parse(), Ok(FrameRange::new(-5, -2)));
        assert_eq!("7".parse(), Ok(FrameRange::one(7)));
        assert_eq!("9-3".parse::<FrameRange>(), Err(BadFrames::Backwards));
        assert_eq!("1-".parse::<FrameRange>(), Err(BadFrames::Form));
        assert_eq!("é-1".parse::<FrameRange>(), Err(BadFrames::Form));
        assert_eq!("99999999999999999999".parse::<FrameRange>(), Err(BadFrames::TooLarge));
    }

    #[test]
    fn sets_hold_runs() {
        let set: FrameSet = [5, 1, 2, 9, 3, 4, 7].into_iter().collect();
        assert_eq!(set.to_string(), "1-5,7,9");
        assert_eq!(set.len(), 7);
        assert!(set.contains(7) && !set.contains(6));
        assert_eq!("1-5,7,9".parse(), Ok(set));
    }

    proptest::proptest! {
        #[test]
        fn a_set_is_what_was_put_in(frames in proptest::collection::vec(-50i64..50, 0..60)) {
            let set: FrameSet = frames.iter().copied().collect();
            let mut plain: Vec<i64> = frames.clone();
            plain.sort_unstable();
            plain.dedup();
            proptest::prop_assert_eq!(set.iter().collect::<Vec<_>>(), plain.clone());
            proptest::prop_assert_eq!(set.len(), plain.len());
            for pair in set.runs().windows(2) {
                proptest::prop_assert!(pair[0].last + 1 < pair[1].first);
            }
        }

        #[test]
        fn sets_differ_and_meet_as_plain_lists_do(
            a in proptest::collection::vec(-20i64..20, 0..30),
            b in proptest::collection::vec(-20i64..20, 0..30),
        ) {
            let (x, y): (FrameSet, FrameSet) = (a.iter().copied().collect(), b.iter().copied().collect());
            let only: FrameSet = a.iter().copied().filter(|frame| !b.contains(frame)).collect();
            let both: FrameSet = a.iter().copied().filter(|frame| b.contains(frame)).collect();
            proptest::prop_assert_eq!(x.without(&y), only);
            proptest::prop_assert_eq!(x.meet(&y), both);
        }
    }
}
