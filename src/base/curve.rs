//! Values keyed in time.
//!
//! Knows keys, holds, straight and smooth moves between them. Does not know what the values mean.

use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;

/// How a value moves from one key to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub enum Ease {
    /// Stays at the earlier key until the next one.
    Hold,
    /// A straight line.
    #[default]
    Linear,
    /// The smoothstep 3u² − 2u³: starts and ends at rest.
    Smooth,
}

impl Ease {
    /// The ease of that name.
    pub fn named(word: &str) -> Option<Self> {
        match word {
            "hold" => Some(Ease::Hold),
            "linear" => Some(Ease::Linear),
            "smooth" => Some(Ease::Smooth),
            _ => None,
        }
    }

    /// Share of the way travelled after share `u` (0 to 1) of the time.
    pub fn share(self, u: f64) -> f64 {
        match self {
            Ease::Hold => 0.0,
            Ease::Linear => u,
            Ease::Smooth => u * u * (3.0 - 2.0 * u),
        }
    }
}

/// `N` numbers keyed in time. Before the first key and after the last the value stays.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve<const N: usize> {
    keys: Vec<(i64, [f64; N])>,
    ease: Ease,
}

impl<const N: usize> Curve<N> {
    /// A value that never changes.
    pub fn steady(value: [f64; N]) -> Self {
        Self { keys: vec![(0, value)], ease: Ease::Linear }
    }

    /// Keys in rising frame order; at least one.
    pub fn new(keys: Vec<(i64, [f64; N])>, ease: Ease) -> Self {
        debug_assert!(!keys.is_empty() && keys.windows(2).all(|w| w[0].0 < w[1].0));
        Self { keys, ease }
    }

    /// The keys.
    pub fn keys(&self) -> &[(i64, [f64; N])] {
        &self.keys
    }

    /// The frames from the first key to the last; none of a value that one key, or none, says for all time.
    pub fn frames(&self) -> Option<FrameRange> {
        let last = self.keys.len() - 1;
        (last > 0).then(|| FrameRange::new(self.keys[0].0, self.keys[last].0))
    }

    /// The ease between keys.
    pub fn ease(&self) -> Ease {
        self.ease
    }

    /// Feeds keys and ease: everything that the value is at any time.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.int(self.ease as i64).list(self.keys.len());
        for (frame, value) in &self.keys {
            key.int(*frame);
            for number in value {
                key.real(*number);
            }
        }
    }

    /// True when the value is the same at every time.
    pub fn is_steady(&self) -> bool {
        self.keys.windows(2).all(|w| w[0].1 == w[1].1)
    }

    /// The value at a time that the shutter of a frame sees: one that is held jumps between frames, never while the
    /// shutter is open, so it is the frame's own throughout.
    pub fn during(&self, frame: f64, time: f64) -> [f64; N] {
        self.at(if self.ease == Ease::Hold { frame } else { time })
    }

    /// The value at a time, in frames (fractions allowed: shutters look between frames).
    pub fn at(&self, time: f64) -> [f64; N] {
        let after = self.keys.partition_point(|&(frame, _)| (frame as f64) <= time);
        let (frame, from) = self.keys[after.saturating_sub(1)];
        let (to, u) = match self.keys.get(after) {
            Some(&(next, to)) if after > 0 => {
                (to, self.ease.share((time - frame as f64) / (next - frame) as f64))
            }
            _ => (from, 0.0),
        };
        std::array::from_fn(|i| from[i] + (to[i] - from[i]) * u)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moves_between_keys_and_stays_outside() {
        let curve = Curve::new(vec![(10, [0.0]), (20, [10.0])], Ease::Linear);
        assert_eq!(curve.at(5.0), [0.0]);
        assert_eq!(curve.at(12.5), [2.5]);
        assert_eq!(curve.at(99.0), [10.0]);
        let held = Curve::new(vec![(10, [0.0]), (20, [10.0])], Ease::Hold);
        assert_eq!(held.at(19.9), [0.0]);
        assert_eq!(held.at(20.0), [10.0]);
        assert_eq!((held.during(20.0, 19.5), held.during(19.0, 19.5)), ([10.0], [0.0]));
        assert_eq!(curve.during(12.0, 12.5), [2.5]);
        let smooth = Curve::new(vec![(0, [0.0]), (4, [1.0])], Ease::Smooth);
        assert_eq!(smooth.at(1.0), [0.15625]);
    }
}
