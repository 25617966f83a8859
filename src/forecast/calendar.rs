//! The hours that somebody has, day by day, and when work that takes so many of them is done.
//!
//! Knows days counted from the first one, 0, and hours of each. Does not know dates, nor who it is. A day's hours count as spread
//! over the day, so that what is done by its end is done on it.

/// How many days are looked ahead: ten years. What is not done by then is never done.
pub const HORIZON: usize = 3653;

/// The hours of every day up to [`HORIZON`].
#[derive(Clone, Debug, PartialEq)]
pub struct Calendar {
    /// Hours before the beginning of each day; one more than there are days.
    before: Vec<f64>,
    /// The most hours of any day.
    peak: f64,
}

impl Calendar {
    /// As many hours on each day as `hours` says.
    pub fn of(hours: impl Fn(usize) -> f64) -> Self {
        let mut before = Vec::with_capacity(HORIZON + 1);
        let (mut sum, mut peak) = (0.0f64, 0.0f64);
        before.push(sum);
        for day in 0..HORIZON {
            let of = hours(day).max(0.0);
            (sum, peak) = (sum + of, peak.max(of));
            before.push(sum);
        }
        Self { before, peak }
    }

    /// So many hours a week, as many on each day.
    pub fn even(week: f64) -> Self {
        Self::of(|_| week / 7.0)
    }

    /// Hours a week on average over the first year.
    pub fn week(&self) -> f64 {
        self.before[364] / 52.0
    }

    /// The most hours of any day.
    pub fn peak(&self) -> f64 {
        self.peak
    }

    /// Days that `hours` of work take at least.
    pub fn least(&self, hours: f64) -> f64 {
        hours / self.peak
    }

    /// When `hours` of work that is taken up at `from` (in days) is done, in days; infinite when it never is.
    pub fn finish(&self, from: f64, hours: f64) -> f64 {
        if hours <= 0.0 {
            return from;
        }
        let day = from as usize;
        if !from.is_finite() || day >= HORIZON {
            return f64::INFINITY;
        }
        let of = |day: usize| self.before[day + 1] - self.before[day];
        let until = self.before[day] + (from - day as f64) * of(day) + hours;
        // Most work ends soon: steps that double find the stretch in which it does, and halving the day.
        let (mut low, mut step) = (day, 1);
        while low + step < HORIZON && self.before[low + step] < until {
            low += step;
            step *= 2;
        }
        let high = (low + step).min(HORIZON);
        let last = low + self.before[low + 1..=high].partition_point(|&before| before < until);
        if last >= HORIZON {
            return f64::INFINITY;
        }
        last as f64 + (until - self.before[last]) / of(last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn work_takes_the_days_that_have_hours() {
        // Two hours on the first and the third day of every seven.
        let calendar = Calendar::of(|day| if matches!(day % 7, 0 | 2) { 2.0 } else { 0.0 });
        assert_eq!(calendar.week(), 4.0);
        assert_eq!(calendar.finish(0.0, 1.0), 0.5);
        assert_eq!(calendar.finish(0.0, 2.0), 1.0);
        assert_eq!(calendar.finish(0.5, 2.0), 2.5);
        assert_eq!(calendar.finish(3.0, 1.0), 7.5);
        assert_eq!(calendar.finish(3.25, 0.0), 3.25);
        assert_eq!(calendar.finish(0.0, 40.0), 63.0 + 3.0);
        assert_eq!(Calendar::even(0.0).finish(0.0, 0.1), f64::INFINITY);
        assert_eq!(calendar.finish(f64::INFINITY, 1.0), f64::INFINITY);
        assert_eq!(calendar.finish(4000.0, 1.0), f64::INFINITY);
    }

    #[test]
    fn who_leaves_never_ends_what_is_left() {
        let calendar = Calendar::of(|day| if day < 10 { 1.0 } else { 0.0 });
        assert_eq!(calendar.finish(0.0, 10.0), 10.0);
        assert_eq!(calendar.finish(0.0, 10.5), f64::INFINITY);
    }

    proptest::proptest! {
        #[test]
        fn parts_of_work_end_when_the_whole_does(
            from in 0.0f64..50.0, first in 0.01f64..60.0, second in 0.01f64..60.0, busy in 1usize..7
        ) {
            let calendar = Calendar::of(|day| if day % 7 < busy { 1.5 } else { 0.0 });
            let whole = calendar.finish(from, first + second);
            let parts = calendar.finish(calendar.finish(from, first), second);
            proptest::prop_assert!((whole - parts).abs() < 1e-6, "{} {}", whole, parts);
            proptest::prop_assert!(calendar.finish(from, first) > from);
        }
    }
}
