//! Whether left and right work together: their correlation over time.
//!
//! Knows two channels in order. Does not know what is told of them.

use super::rules::Rules;

/// Parts of a second by which the phase is judged, and how many of them make one window of 0.4 s.
const PART: f64 = 0.1;
const PARTS: usize = 4;
/// Level from which left and right have a phase, as a mean square (-50 dBFS).
const HEARD: f64 = 1e-5;

/// The correlation of left and right over windows of 0.4 s, every 0.1 s.
pub struct Phase {
    part: u64,
    at: u64,
    sums: [f64; 3],
    window: Vec<[f64; 3]>,
    /// Windows below the limit under way: first sample, sample after the last, least correlation.
    open: Option<(u64, u64, f64)>,
    found: Vec<(u64, u64, f64)>,
}

impl Phase {
    /// For so many samples a second.
    pub fn new(rate: u32) -> Self {
        let part = ((f64::from(rate) * PART).round() as u64).max(1);
        Self { part, at: 0, sums: [0.0; 3], window: Vec::new(), open: None, found: Vec::new() }
    }

    /// Takes in the next samples, as many of both.
    pub fn take(&mut self, left: &[f32], right: &[f32], rules: &Rules) {
        for (l, r) in left.iter().zip(right) {
            let (l, r) = (f64::from(*l), f64::from(*r));
            let add = [l * r, l * l, r * r];
            self.sums = [0, 1, 2].map(|i| self.sums[i] + add[i]);
            self.at += 1;
            if self.at.is_multiple_of(self.part) {
                self.window.push(std::mem::take(&mut self.sums));
                if self.window.len() == PARTS {
                    self.judge(rules);
                    self.window.remove(0);
                }
            }
        }
    }

    fn judge(&mut self, rules: &Rules) {
        let [cross, left, right] =
            self.window.iter().fold([0.0; 3], |sum, part| [0, 1, 2].map(|i| sum[i] + part[i]));
        let samples = (PARTS as u64 * self.part) as f64;
        let heard = left.min(right) > HEARD * samples;
        let correlation = if heard { cross / (left * right).sqrt() } else { 0.0 };
        let from = self.at - PARTS as u64 * self.part;
        if heard && correlation < rules.phase() {
            let open = self.open.get_or_insert((from, self.at, correlation));
            (open.1, open.2) = (self.at, open.2.min(correlation));
        } else {
            self.found.extend(self.open.take());
        }
    }

    /// All windows below the limit, joined: first sample, sample after the last, least correlation.
    pub fn end(&mut self) -> Vec<(u64, u64, f64)> {
        self.found.extend(self.open.take());
        std::mem::take(&mut self.found)
    }
}
