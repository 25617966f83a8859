//! Other sampling rates and speeds: the wave through the samples, taken at other places.
//!
//! Knows a band-limited wave. J. O. Smith, "Digital Audio Resampling Home Page" (CCRMA): a sinc under a Kaiser window, wider
//! when fewer samples are taken than there were, so that nothing folds back.

use std::sync::LazyLock;

/// Lobes of the sinc on either side.
const LOBES: usize = 48;
/// Places of the table within a lobe; between them it is interpolated, which is off by less than 120 dB.
const FINE: usize = 1024;
/// What is kept of the band, so that the window's slope ends where it must.
const BAND: f64 = 0.93;

/// The right half of the windowed sinc, from its middle.
static TABLE: LazyLock<Vec<f32>> = LazyLock::new(|| {
    (0..=LOBES * FINE + 1)
        .map(|i| {
            let x = i as f64 / FINE as f64;
            let turn = std::f64::consts::PI * x;
            let sinc = if i == 0 { 1.0 } else { turn.sin() / turn };
            (sinc * super::peak::kaiser(x / LOBES as f64, 10.0)) as f32
        })
        .collect()
});

/// `count` samples of the wave through `samples`, at the places `first`, `first + step` and so on, in samples. A negative step
/// goes back. Outside of the samples is silence. Places that are samples give them as they are.
///
/// What is above 0.86 of half the slower of the two rates is weakened; what cannot be told from lower tones at the new
/// rate is gone by 90 dB.
pub fn taken(samples: &[f32], first: f64, step: f64, count: usize) -> Vec<f32> {
    let is_whole = |v: f64| v.fract() == 0.0;
    let place = |n: usize| first + n as f64 * step;
    if is_whole(first) && step.abs() == 1.0 {
        let at = |v: f64| if v < 0.0 { None } else { samples.get(v as usize).copied() };
        return (0..count).map(|n| at(place(n)).unwrap_or(0.0)).collect();
    }
    let band = BAND / step.abs().max(1.0);
    let reach = LOBES as f64 / band;
    let table = &*TABLE;
    (0..count)
        .map(|n| {
            let at = place(n);
            let from = (at - reach).ceil().max(0.0) as usize;
            let to = ((at + reach).floor() as i64 + 1).clamp(0, samples.len() as i64) as usize;
            let mut sum = 0f32;
            for (k, v) in samples.iter().enumerate().take(to).skip(from) {
                let x = (at - k as f64).abs() * band * FINE as f64;
                let (i, share) = (x as usize, x.fract() as f32);
                let Some([a, b]) = table.get(i..i + 2).and_then(|pair| <[f32; 2]>::try_from(pair).ok())
                else {
                    continue;
                };
                sum += v * (a + share * (b - a));
            }
            sum * band as f32
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    fn tone(cycles: f64, samples: usize) -> Vec<f32> {
        (0..samples).map(|i| (TAU * cycles * i as f64).sin() as f32).collect()
    }

    #[test]
    fn the_wave_between_samples_is_the_wave() {
        for (from, to) in
            [(44_100.0, 48_000.0), (96_000.0, 48_000.0), (48_000.0, 44_100.0), (48_000.0, 48_048.0)]
        {
            let step: f64 = from / to;
            for share in [0.01, 0.3, 0.85] {
                let cycles = share * 0.5 / step.max(1.0);
                let made = taken(&tone(cycles, 6000), 1000.25, step, 1500);
                let worst = made.iter().enumerate().fold(0f64, |worst, (n, v)| {
                    worst.max((f64::from(*v) - (TAU * cycles * (1000.25 + n as f64 * step)).sin()).abs())
                });
                assert!(worst < 5e-5, "{from} to {to} at {share}: {worst}");
            }
        }
    }

    #[test]
    fn what_the_new_rate_cannot_hold_is_gone() {
        for share in [1.02, 1.3, 1.9] {
            let made = taken(&tone(share * 0.25, 8000), 1000.0, 2.0, 1500);
            let worst = made.iter().fold(0f32, |worst, v| worst.max(v.abs()));
            assert!(worst < 3.2e-5, "{share}: {worst}");
        }
    }

    #[test]
    fn samples_stay_as_they_are_there_and_back() {
        let noise: Vec<f32> =
            (0..500u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 8) as f32 / 8e6 - 1.0).collect();
        assert_eq!(taken(&noise, 0.0, 1.0, 500), noise);
        let mut back = taken(&noise, 499.0, -1.0, 502);
        assert_eq!(back.split_off(500), [0.0, 0.0]);
        back.reverse();
        assert_eq!(back, noise);
        let slow = taken(&noise, 499.0, -0.5, 999);
        assert!((slow[2 * 100] - taken(&noise, 399.0, 0.5, 1)[0]).abs() < 1e-6);
    }
}
