//! How much of a picture's light is noise.
//!
//! Knows samples beside each other. Does not know what is followed.

/// Second difference across of the second difference down, which is 0 on every straight edge along rows or columns and on
/// every even slope.
pub fn second(s: &[f32], at: usize, stride: usize) -> f32 {
    let row = |at: usize| s[at - 1] - 2.0 * s[at] + s[at + 1];
    (row(at - stride) - 2.0 * row(at) + row(at + stride)).abs()
}

/// Standard deviation of noise by sizes of those differences, which are 6 times as much (J. Immerkær, "Fast Noise Variance
/// Estimation", Computer Vision and Image Understanding 64, 1996); by their median, which fine texture moves less.
pub fn noise_of(differences: &mut [f32]) -> f64 {
    if differences.is_empty() {
        return 0.0;
    }
    let middle = differences.len() / 2;
    f64::from(*differences.select_nth_unstable_by(middle, f32::total_cmp).1) * 1.4826 / 6.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_told_and_edges_are_not() {
        let chance = |i: u32| {
            let mixed = (i ^ (i >> 15)).wrapping_mul(0x2C1B_3C6D);
            let mixed = (mixed ^ (mixed >> 12)).wrapping_mul(0x297A_2D39);
            (mixed ^ (mixed >> 15)) as f32 / u32::MAX as f32
        };
        for noise in [0.0, 0.004, 0.02] {
            // A slope down, an edge along columns, and even noise of that standard deviation.
            let light = |i: u32| {
                let (x, y) = (i % 64, i / 64);
                let grain = (chance(i.wrapping_mul(0x9E37_79B1)) - 0.5) * noise * 12f32.sqrt();
                0.003 * y as f32 + if x > 30 { 0.4 } else { 0.0 } + grain
            };
            let samples: Vec<f32> = (0..64 * 64).map(light).collect();
            let inner = (1..63).flat_map(|y| (1..63).map(move |x| y * 64 + x));
            let told = noise_of(&mut inner.map(|at| second(&samples, at, 64)).collect::<Vec<_>>());
            let noise = f64::from(noise);
            // The median of some four thousand, neighbours of which share samples.
            assert!((told - noise).abs() < 0.08 * noise + 1e-6, "{told} {noise}");
        }
        assert_eq!(noise_of(&mut []), 0.0);
    }
}
