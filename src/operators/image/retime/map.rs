//! From output frame to place in the source: speed integrated, or source frames keyed by hand.
//!
//! Knows both ways and their closed forms. Does not know pictures, nor which frames there are.
//!
//! Frame n is sampled at time n. By speed, the place is `source_frame` plus the integral of speed from the frame at which
//! that is shown, in closed form for every ease (a sum of each frame's speed would be off by up to half the
//! change of speed at the end of a ramp). Places are rounded to 2⁻³⁰ of a frame, so that no rounding error picks
//! another frame.

use crate::base::curve::{Curve, Ease};

/// From output frame to place in the source.
pub enum FrameMap {
    /// By speed.
    Speed {
        /// The integral of speed.
        travel: Travel,
        /// Source frame shown at `anchor`.
        start: f64,
        /// An output frame.
        anchor: i64,
    },
    /// By source frames keyed against output frames.
    Keyed(Shown),
}

impl FrameMap {
    /// The source frame shown at a time, with its fraction.
    pub fn place(&self, time: f64) -> f64 {
        const STEPS: f64 = (1u64 << 30) as f64;
        let exact = match self {
            FrameMap::Speed { travel, start, anchor } => {
                start + (travel.until(time) - travel.until(*anchor as f64)) / 100.0
            }
            FrameMap::Keyed(shown) => shown.at(time),
        };
        (exact * STEPS).round() / STEPS
    }

    /// Percent of the source's speed at an output frame: as keyed, or between it and the next one.
    pub fn speed(&self, frame: i64) -> f64 {
        match self {
            FrameMap::Speed { travel, .. } => travel.speed.at(frame as f64)[0],
            FrameMap::Keyed(_) => (self.place(frame as f64 + 1.0) - self.place(frame as f64)) * 100.0,
        }
    }
}

/// The integral of speed keyed in time.
pub struct Travel {
    speed: Curve<1>,
    /// Percent × frames from the first key to each key.
    at_keys: Vec<f64>,
}

impl Travel {
    /// Adds up the whole moves between keys.
    pub fn new(speed: Curve<1>) -> Self {
        let mut at_keys = vec![0.0];
        for pair in speed.keys().windows(2) {
            let ((from, [a]), (to, [b])) = (pair[0], pair[1]);
            let length = (to - from) as f64;
            let last = at_keys[at_keys.len() - 1];
            at_keys.push(last + part(speed.ease(), a, b, length, length));
        }
        Self { speed, at_keys }
    }

    /// Percent × frames from the first key to a time.
    fn until(&self, time: f64) -> f64 {
        let keys = self.speed.keys();
        let after = keys.partition_point(|&(at, _)| at as f64 <= time);
        let Some(before) = after.checked_sub(1) else {
            let (at, [first]) = keys[0];
            return first * (time - at as f64);
        };
        let (at, [a]) = keys[before];
        let passed = time - at as f64;
        let gone = match keys.get(after) {
            Some(&(next, [b])) => part(self.speed.ease(), a, b, (next - at) as f64, passed),
            None => a * passed,
        };
        self.at_keys[before] + gone
    }
}

/// The integral over the first `passed` frames of a move from `a` to `b` in `length` frames.
fn part(ease: Ease, a: f64, b: f64, length: f64, passed: f64) -> f64 {
    let u = passed / length;
    match ease {
        Ease::Hold => a * passed,
        Ease::Linear => a * passed + (b - a) * passed * passed / (2.0 * length),
        Ease::Smooth => a * passed + (b - a) * length * u * u * u * (1.0 - u / 2.0),
    }
}

/// Source frames keyed against output frames.
///
/// Smooth ones pass through inner keys without a halt and never beyond a key: cubic Hermite pieces whose slopes are
/// Fritsch and Butland's (1984), at rest at the first and the last key, before and after which the source stands.
pub struct Shown {
    keys: Curve<1>,
    /// Source frames an output frame at each key, when smooth.
    slopes: Vec<f64>,
}

impl Shown {
    /// Finds the slopes.
    pub fn new(keys: Curve<1>) -> Self {
        let rise = |pair: &[(i64, [f64; 1])]| {
            let length = (pair[1].0 - pair[0].0) as f64;
            (length, (pair[1].1[0] - pair[0].1[0]) / length)
        };
        let pieces: Vec<(f64, f64)> = keys.keys().windows(2).map(rise).collect();
        let mut slopes = vec![0.0; keys.keys().len()];
        for (slope, pair) in slopes.iter_mut().skip(1).zip(pieces.windows(2)) {
            let ((before, a), (after, b)) = (pair[0], pair[1]);
            if a * b > 0.0 {
                let (wa, wb) = (2.0 * after + before, after + 2.0 * before);
                *slope = (wa + wb) / (wa / a + wb / b);
            }
        }
        Self { keys, slopes }
    }

    fn at(&self, time: f64) -> f64 {
        let keys = self.keys.keys();
        let after = keys.partition_point(|&(at, _)| at as f64 <= time);
        if self.keys.ease() != Ease::Smooth || after == 0 || after == keys.len() {
            return self.keys.at(time)[0];
        }
        let ((from, [a]), (to, [b])) = (keys[after - 1], keys[after]);
        let length = (to - from) as f64;
        let u = (time - from as f64) / length;
        let (p, q) = (self.slopes[after - 1] * length, self.slopes[after] * length);
        // Written as a way from a so that a source that stands stays exactly where it is.
        a + (b - a) * u * u * (3.0 - 2.0 * u) + u * (1.0 - u) * (p * (1.0 - u) - q * u)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(keys: &[(i64, f64)], ease: Ease) -> Shown {
        Shown::new(Curve::new(keys.iter().map(|&(n, v)| (n, [v])).collect(), ease))
    }

    #[test]
    fn keyed_frames_are_met_and_moved_between() {
        let keys = [(10, 100.0), (20, 110.0), (30, 130.0), (40, 130.0)];
        for ease in [Ease::Hold, Ease::Linear, Ease::Smooth] {
            let shown = shown(&keys, ease);
            assert!(keys.iter().all(|&(n, v)| shown.at(n as f64) == v), "{ease:?}");
            assert_eq!((shown.at(0.0), shown.at(99.0)), (100.0, 130.0), "{ease:?}");
        }
        assert_eq!(shown(&keys, Ease::Linear).at(25.0), 120.0);
        assert_eq!(shown(&keys, Ease::Hold).at(29.5), 110.0);
        // Two keys move as every other value of the film does between two keys.
        let two = shown(&keys[..2], Ease::Smooth);
        assert!((two.at(12.5) - (100.0 + 10.0 * Ease::Smooth.share(0.25))).abs() < 1e-12);
    }

    #[test]
    fn smooth_keys_pass_without_a_halt_and_never_turn_back() {
        let shown = shown(&[(0, 0.0), (10, 10.0), (20, 14.0), (50, 60.0)], Ease::Smooth);
        let speed = |n: f64| (shown.at(n + 1e-6) - shown.at(n - 1e-6)) / 2e-6;
        for key in [10.0, 20.0] {
            assert!(speed(key) > 0.4, "{}", speed(key));
            assert!((speed(key - 1e-3) - speed(key + 1e-3)).abs() < 1e-2);
        }
        // The harmonic mean of 1 and 0.4 at equal lengths.
        assert!((speed(10.0) - 2.0 / (1.0 + 1.0 / 0.4)).abs() < 1e-6);
        assert!((0..5000).all(|i| shown.at(f64::from(i + 1) / 100.0) >= shown.at(f64::from(i) / 100.0)));
    }

    proptest::proptest! {
        #[test]
        fn the_integral_is_that_of_many_small_steps(
            keys in proptest::collection::btree_map(-40i64..40, -300.0f64..300.0, 1..6),
            ease in 0usize..3,
            frame in -60i64..60,
        ) {
            let ease = [Ease::Hold, Ease::Linear, Ease::Smooth][ease];
            let curve = Curve::new(keys.into_iter().map(|(n, v)| (n, [v])).collect(), ease);
            let travel = Travel::new(curve.clone());
            let steps = 2000;
            let sum: f64 = (0..steps)
                .map(|i| curve.at(frame as f64 + (f64::from(i) + 0.5) / f64::from(steps))[0] / f64::from(steps))
                .sum();
            let exact = travel.until(frame as f64 + 1.0) - travel.until(frame as f64);
            proptest::prop_assert!((sum - exact).abs() < 1e-3, "{} not {}", sum, exact);
        }
    }
}
