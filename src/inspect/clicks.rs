//! Clicks: single steps from sample to sample that are out of all proportion to those around them.
//!
//! Knows the samples of one channel in order. Does not know which channel that is.

/// Steps on either side that a click is compared with.
const AROUND: usize = 48;
/// The least step, of full scale, that can be a click.
pub const LEAST: f32 = 0.1;

/// Steps from sample to sample, the last ones kept in a ring, and the step that is judged in their middle.
pub struct Clicks {
    last: f32,
    steps: [f32; 2 * AROUND + 1],
    taken: usize,
}

impl Default for Clicks {
    fn default() -> Self {
        Self { last: 0.0, steps: [0.0; 2 * AROUND + 1], taken: 0 }
    }
}

impl Clicks {
    /// Takes in a sample; gives a click `AROUND` samples before it. A spike of one sample gives two steps, of which the first
    /// is told.
    pub fn take(&mut self, at: u64, v: f32, times: f32) -> Option<(u64, f32)> {
        let all = self.steps.len();
        self.steps[self.taken % all] = if self.taken == 0 { 0.0 } else { (v - self.last).abs() };
        self.last = v;
        self.taken += 1;
        if self.taken < all {
            return None;
        }
        let middle = (self.taken + AROUND) % all;
        let step = self.steps[middle];
        if step < LEAST {
            return None;
        }
        let is_beside = |i: usize| i == middle || i == (middle + 1) % all;
        let others = (0..all).filter(|&i| !is_beside(i)).map(|i| self.steps[i]).fold(0f32, f32::max);
        (step > times * others).then_some((at - AROUND as u64, step))
    }
}
