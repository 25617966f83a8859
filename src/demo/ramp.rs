//! Which frames of its plate br060 shows: fast, slowed as the blow falls, and fast again.
//!
//! Knows the speeds that `endboard.yaml` keys for it. Does not know the plate.

/// The first frame of the shot with its handles, and of the plate.
const START: i64 = 1005;
/// Speeds in frames of the plate for each of the shot, smooth from one to the next and even outside.
const SPEEDS: [(i64, f64); 4] = [(1020, 3.0), (1025, 1.0), (1036, 1.0), (1045, 3.0)];

/// The frame of the plate that a frame of br060 shows.
pub fn shown(frame: i64) -> i64 {
    let until = |time: i64| {
        let mut sum = SPEEDS[0].1 * (time.min(SPEEDS[0].0) - START) as f64;
        for pair in SPEEDS.windows(2) {
            let ((from, a), (to, b)) = (pair[0], pair[1]);
            let length = (to - from) as f64;
            let u = ((time - from) as f64 / length).clamp(0.0, 1.0);
            // The integral of a + (b - a)(3u² - 2u³).
            sum += length * (a * u + (b - a) * (u * u * u - u * u * u * u / 2.0));
        }
        let (last, speed) = SPEEDS[SPEEDS.len() - 1];
        sum + speed * (time - last).max(0) as f64
    };
    START + until(frame).round() as i64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slow_frames_are_shown_one_by_one_and_none_twice() {
        assert_eq!((shown(1005), shown(1020), shown(1025), shown(1036)), (1005, 1050, 1060, 1071));
        assert_eq!((shown(1045), shown(1056)), (1089, 1122));
        assert!((1005..1056).all(|n| (1..=3).contains(&(shown(n + 1) - shown(n)))));
    }
}
