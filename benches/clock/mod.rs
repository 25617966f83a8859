//! How long work takes.
//!
//! Knows the clock. Does not know what is timed.

use std::time::Instant;

/// Milliseconds of `work`, the middle one of so many times, an odd number, after one that is not counted.
pub fn median(times: usize, mut work: impl FnMut()) -> f64 {
    work();
    let mut all: Vec<f64> = (0..times)
        .map(|_| {
            let start = Instant::now();
            work();
            start.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    all.sort_by(f64::total_cmp);
    all[times / 2]
}
