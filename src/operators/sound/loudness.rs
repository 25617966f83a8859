//! Loudness and peaks of a whole sound: Rec. ITU-R BS.1770-4, EBU R 128 with Tech 3341 and 3342.
//!
//! Knows what a sound measures. A library does the measuring; the true peak is `peak`'s. Does not know targets.

use ebur128::{Channel, EbuR128, Mode};

use super::peak;
use crate::media::sound::Sound;

/// What a sound measures. Silence, and what is too short for a window, has a loudness of minus infinity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loudness {
    /// Integrated over the whole, gated, in LUFS.
    pub integrated: f64,
    /// Loudness range, in LU.
    pub range: f64,
    /// Loudest 400 ms, in LUFS.
    pub momentary: f64,
    /// Loudest 3 s, in LUFS.
    pub short_term: f64,
    /// Highest place of the wave, in dBTP.
    pub true_peak: f64,
    /// Highest sample, in dBFS.
    pub sample_peak: f64,
}

/// Weights by position, for channels in the order of the file: L R C LFE Ls Rs. The LFE is left out, as the recommendation
/// says. One channel counts as one: on two loudspeakers it is 3 LU louder.
pub fn positions(channels: usize) -> Vec<Channel> {
    use Channel::{Center, Left, LeftSurround, Right, RightSurround, Unused};
    match channels {
        1 => vec![Center],
        2 => vec![Left, Right],
        5 => vec![Left, Right, Center, LeftSurround, RightSurround],
        6 => vec![Left, Right, Center, Unused, LeftSurround, RightSurround],
        n => vec![Left; n],
    }
}

/// Measures a sound from its first sample to its last.
pub fn measure(sound: &Sound) -> Loudness {
    let silent = f64::NEG_INFINITY;
    let peaks = sound.channels.iter().map(|plane| peak::true_peak(plane)).fold(0.0, f32::max);
    let mut found = Loudness {
        integrated: silent,
        range: 0.0,
        momentary: silent,
        short_term: silent,
        true_peak: super::law::decibels(f64::from(peaks)),
        sample_peak: super::law::decibels(f64::from(sound.peak())),
    };
    let mode = Mode::I | Mode::LRA | Mode::S | Mode::M;
    let Ok(mut meter) = EbuR128::new(sound.channels.len() as u32, sound.rate, mode) else { return found };
    if meter.set_channel_map(&positions(sound.channels.len())).is_err() {
        return found;
    }
    // The loudest 400 ms may begin anywhere, and Tech 3341's signals 13 and 14 begin every 20 ms; 3 s are looked at every 100.
    let hop = sound.rate as usize / 100;
    for first in (0..sound.len()).step_by(hop) {
        let end = (first + hop).min(sound.len());
        let part: Vec<&[f32]> = sound.channels.iter().map(|plane| &plane[first..end]).collect();
        if meter.add_frames_planar_f32(&part).is_err() {
            return found;
        }
        let longest = |now: Result<f64, _>, most: &mut f64, seconds: f64| {
            if let Ok(now) = now
                && end as f64 >= seconds * f64::from(sound.rate)
            {
                *most = most.max(now);
            }
        };
        longest(meter.loudness_momentary(), &mut found.momentary, 0.4);
        if (end / hop).is_multiple_of(10) || end == sound.len() {
            longest(meter.loudness_shortterm(), &mut found.short_term, 3.0);
        }
    }
    found.integrated = meter.loudness_global().unwrap_or(silent);
    found.range = meter.loudness_range().unwrap_or(0.0);
    found
}
