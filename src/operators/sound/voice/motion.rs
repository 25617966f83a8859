//! A rod's movement as sound follows it: where its tip is and how fast.
//!
//! Knows places at even steps of time. Does not know where a rod comes from.

/// Steps of time in a frame.
pub const STEPS: usize = 4;
/// Steps on either side over which a speed is taken: a frame.
const AROUND: usize = 4;

/// A rod at a moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Moment {
    /// Speed of its tip, in heights of the frame in a second.
    pub speed: f64,
    /// Place of its middle, left (-1) to right (1) of the frame.
    pub place: f64,
    /// How much of it is lit, 0 to 1.
    pub lit: f64,
}

/// A rod's movement.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Motion {
    /// Moments, [`STEPS`] to a frame.
    pub moments: Vec<Moment>,
    /// Frames a second.
    pub rate: f64,
}

/// A fast pass of a tip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pass {
    /// Frames from the beginning to when it is fastest.
    pub at: f64,
    /// Its speed then, in heights of the frame in a second.
    pub speed: f64,
    /// Frames over which it is at least half as fast.
    pub frames: f64,
    /// Place at its beginning and end, left (-1) to right (1).
    pub pan: [f64; 2],
}

impl Motion {
    /// A movement of a rod's ends (base and lit end, in pixels) and how much of it is lit, at even steps; none where it is dark.
    pub fn of(
        rate: f64,
        height: f64,
        width: f64,
        steps: impl Iterator<Item = Option<([f64; 4], f64)>>,
    ) -> Self {
        let steps: Vec<Option<([f64; 4], f64)>> = steps.collect();
        let tip = |i: usize| steps.get(i).copied().flatten().map(|(ends, _)| [ends[2], ends[3]]);
        let moment = |i: usize| {
            let Some((ends, lit)) = steps[i] else { return Moment::default() };
            let (from, to) = (i.saturating_sub(AROUND / 2), (i + AROUND / 2).min(steps.len() - 1));
            let speed = match (tip(from), tip(to)) {
                (Some(a), Some(b)) if to > from => {
                    let seconds = (to - from) as f64 / (STEPS as f64 * rate);
                    (b[0] - a[0]).hypot(b[1] - a[1]) / height / seconds
                }
                _ => 0.0,
            };
            let place = (ends[0] + ends[2]) / width - 1.0;
            Moment { speed, place: place.clamp(-1.0, 1.0), lit }
        };
        Self { moments: (0..steps.len()).map(moment).collect(), rate }
    }

    /// Seconds between two moments.
    pub fn step(&self) -> f64 {
        1.0 / (STEPS as f64 * self.rate.max(1e-6))
    }

    /// Passes faster than `least` heights a second, none nearer to another than a quarter of a second.
    pub fn passes(&self, least: f64) -> Vec<Pass> {
        let apart = (self.rate * 0.25 * STEPS as f64) as usize;
        let speed = |i: usize| self.moments[i].speed;
        let mut tops: Vec<usize> = (0..self.moments.len())
            .filter(|&i| {
                let around = i.saturating_sub(apart)..(i + apart + 1).min(self.moments.len());
                // Of a plateau, its first moment.
                speed(i) >= least
                    && around.clone().all(|k| speed(k) < speed(i) || k >= i && speed(k) <= speed(i))
            })
            .collect();
        tops.dedup();
        let pass = |top: usize| {
            let half = speed(top) / 2.0;
            let first = (0..top).rev().take_while(|&i| speed(i) >= half).last().unwrap_or(top);
            let last = (top..self.moments.len()).take_while(|&i| speed(i) >= half).last().unwrap_or(top);
            Pass {
                at: top as f64 / STEPS as f64,
                speed: speed(top),
                frames: ((last - first) as f64 / STEPS as f64).max(1.0),
                pan: [self.moments[first].place, self.moments[last].place],
            }
        };
        tops.into_iter().map(pass).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn speed_is_in_heights_a_second_and_a_pass_is_found_where_it_is() {
        // A tip that rests, crosses 540 px in 12 frames with a smooth start and end, and rests again.
        let at = |i: usize| {
            let t = (i as f64 / 4.0 - 24.0) / 12.0;
            let u = t.clamp(0.0, 1.0);
            200.0 + 540.0 * u * u * (3.0 - 2.0 * u)
        };
        let motion =
            Motion::of(24.0, 540.0, 960.0, (0..240).map(|i| Some(([480.0, 500.0, at(i), 100.0], 1.0))));
        let passes = motion.passes(1.0);
        assert_eq!(passes.len(), 1, "{passes:?}");
        // Smoothstep is fastest in its middle, at 1.5 times its mean: 540 px in half a second is 2 heights a second.
        assert!((passes[0].at - 30.0).abs() <= 0.5 && (passes[0].speed - 3.0).abs() < 0.1, "{passes:?}");
        assert!(passes[0].pan[0] < passes[0].pan[1] && (7.0..10.0).contains(&passes[0].frames));
        assert!(motion.passes(3.5).is_empty());
    }
}
