//! The 2-pop as sound: a tone of a frame's length, laid where its picture is.
//!
//! Knows the tone. Does not know leaders, nor which frame the picture of a pop is.

use std::f64::consts::TAU;
use std::ops::Range;

use super::Sound;

/// Its tone, in hertz (common practice, no source).
pub const TONE: f64 = 1000.0;
/// Its level in dB below a tone of full scale (common practice, no source: the level that line-up tones have).
pub const LEVEL: f64 = -20.0;

/// Which channel of six carries low frequencies alone: coders take a tone out of it.
const LOW: usize = 3;

/// Lays a pop over these samples of every channel but that of low frequencies, in place of what is there. It begins at nought.
///
/// # Panics
/// When the sound has no such samples.
pub fn lay(sound: &mut Sound, samples: Range<usize>) {
    let (step, peak) = (TAU * TONE / f64::from(sound.rate), 10f64.powf(LEVEL / 20.0));
    let low = (sound.channels.len() == 6).then_some(LOW);
    for (_, plane) in sound.channels.iter_mut().enumerate().filter(|(c, _)| Some(*c) != low) {
        let places = plane[samples.clone()].iter_mut().enumerate();
        places.for_each(|(i, v)| *v = (peak * (step * i as f64).sin()) as f32);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pop_is_a_tone_of_its_level_and_touches_nothing_else() {
        let mut sound = Sound::silent(48_000, 2, 6000);
        lay(&mut sound, 2000..4000);
        for plane in &sound.channels {
            assert!(plane[..=2000].iter().chain(&plane[4000..]).all(|&v| v == 0.0));
            assert!(plane[2001] > 0.0);
            // A sine's root of the mean square is its peak over the root of two; 2000 samples are no whole number of periods.
            let squares: f64 = plane[2000..4000].iter().map(|&v| f64::from(v) * f64::from(v)).sum();
            let level = 10.0 * (2.0 * squares / 2000.0).log10();
            assert!((level - LEVEL).abs() < 0.1, "{level}");
            // 41 2/3 periods pass nought upwards 42 times.
            let ups = (2000..3999).filter(|&i| plane[i] <= 0.0 && plane[i + 1] > 0.0).count();
            assert_eq!(ups, 42);
        }
        let mut all = Sound::silent(48_000, 6, 4000);
        lay(&mut all, 0..2000);
        let heard: Vec<bool> = all.channels.iter().map(|plane| plane.iter().any(|&v| v != 0.0)).collect();
        assert_eq!(heard, [true, true, true, false, true, true]);
    }
}
