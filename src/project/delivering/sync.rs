//! Whether picture and sound of a delivery meet: its pop seen and heard again in the files that were written.
//!
//! Knows movies, and frames beside a broadcast WAV. Limits are `inspect`'s.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::base::rate::Rate;
use crate::base::timecode::Counting;
use crate::deliver::encode::Tools;
use crate::deliver::verify::moments::{self, Moments};
use crate::inspect::sync::{ACCEPTED, NOTICED, Offset, find_picture, find_pop};
use crate::media::image::RGBA;
use crate::media::sound::{self, Sound};
use crate::media::{self, Format};
use crate::operators::image::print::LEADER_LIMIT;
use crate::programs::Runner;

/// Seconds in which a pop is looked for: the longest leader, and the film's first moments.
pub const SECONDS: u32 = LEADER_LIMIT as u32 + 4;
/// Samples of a container's clock may be off by its own steps: Matroska counts in milliseconds.
const STEP: f64 = 0.001;

/// Milliseconds within which a delivery's sound lies where it was put.
pub const EXACT: f64 = 1.0;

/// A pop that was seen and heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Synced {
    /// When it is seen, in seconds from the file's beginning.
    pub seen: f64,
    /// When it is heard.
    pub heard: f64,
    /// The picture, counted from 0.
    pub frame: usize,
    /// By how much they are apart.
    pub offset: Offset,
    /// The same in frames; above 0 the sound is early.
    pub frames: f64,
}

impl Synced {
    /// What a person is told.
    pub fn sentence(&self) -> String {
        let offset = self.offset;
        let ms = offset.early;
        format!(
            "the pop is seen at {:.3} s (frame {}) and heard at {:.3} s: {ms:+.1} ms, {:+.2} frames, above 0 the sound is early \
             (ITU-R BT.1359-1: noticed from {:+.0} and {:+.0} ms, accepted up to {:+.0} and {:+.0} ms). {}",
            self.seen,
            self.frame + 1,
            self.heard,
            self.frames,
            NOTICED.0,
            NOTICED.1,
            ACCEPTED.0,
            ACCEPTED.1,
            offset.sentence()
        )
    }
}

/// Why there is nothing to measure.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unsynced {
    /// Neither seen nor heard, as without a leader.
    None,
    /// It is seen, at this frame counted from 0, and not heard.
    Unheard(usize),
    /// It is heard and not seen.
    Unseen,
    /// The file cannot be read.
    Unread(String),
}

impl Unsynced {
    /// What a person is told.
    pub fn sentence(&self) -> String {
        match self {
            Self::None => "It has no pop, by which picture and sound could be compared.".into(),
            Self::Unheard(frame) => format!("A pop is seen at frame {}, and none is heard.", frame + 1),
            Self::Unseen => "A pop is heard, and none is seen.".into(),
            Self::Unread(why) => why.clone(),
        }
    }
}

/// Of pictures by moment and brightness, and a sound whose first sample comes at `begins`. Of several channels the one counts whose
/// pop is farthest off.
///
/// # Errors
/// When a pop is not both seen and heard.
pub fn measure(pictures: &[(f64, f32)], begins: f64, sound: &Sound, rate: f64) -> Result<Synced, Unsynced> {
    let brightness: Vec<f32> = pictures.iter().map(|(_, brightness)| *brightness).collect();
    let frame = find_picture(&brightness, rate);
    let heard = sound.channels.iter().filter_map(|plane| find_pop(plane, sound.rate, rate));
    let heard: Vec<f64> = heard.map(|pop| begins + pop.first as f64 / f64::from(sound.rate)).collect();
    let Some(frame) = frame else {
        return Err(if heard.is_empty() { Unsynced::None } else { Unsynced::Unseen });
    };
    let seen = steady(pictures, frame, rate);
    let far = |at: &f64| (at - seen).abs();
    let heard = heard.into_iter().max_by(|a, b| far(a).total_cmp(&far(b))).ok_or(Unsynced::Unheard(frame))?;
    let offset = Offset::of(seen, heard);
    Ok(Synced { seen, heard, frame, offset, frames: (seen - heard) * rate })
}

/// The moment of a picture, without what a coarse clock rounds away between it and the first.
fn steady(pictures: &[(f64, f32)], frame: usize, rate: f64) -> f64 {
    let (first, told) = (pictures[0].0, pictures[frame].0);
    let even = first + ((told - first) * rate).round() / rate;
    if (even - told).abs() <= STEP { even } else { told }
}

/// Of a movie. Its rate is what the file tells, where none is known.
///
/// # Errors
/// As [`measure`], or it cannot be decoded.
pub fn movie(path: &Path, rate: Option<f64>, tools: &Tools, runner: &Runner) -> Result<Synced, Unsynced> {
    let moments = moments::beginning(path, SECONDS, tools, runner);
    let Moments { rate: told, pictures, sound } =
        moments.map_err(|error| Unsynced::Unread(error.to_string()))?;
    let rate = rate.or(told).ok_or_else(|| Unsynced::Unread("it tells no rate of frames".into()))?;
    let (begins, sound) = sound.unwrap_or((0.0, Sound::silent(48_000, 1, 0)));
    measure(&pictures, begins, &sound, rate)
}

/// Of frames, in their order, and the broadcast WAV beside them. `first` is the label of the first frame, to which the WAV's own
/// beginning is held.
///
/// # Errors
/// As [`measure`], or a file cannot be read.
pub fn frames(files: &[PathBuf], wave: &Path, rate: Rate, first: Option<&str>) -> Result<Synced, Unsynced> {
    let unread = |path: &Path, why: String| Unsynced::Unread(format!("{}: {why}", path.display()));
    let open = || std::fs::File::open(wave).map_err(|why| unread(wave, why.to_string()));
    let outline = sound::outline(open()?).map_err(|why| unread(wave, why.to_string()))?;
    let mut sound = sound::read(open()?).map_err(|why| unread(wave, why.to_string()))?;
    let most = sound.rate as usize * SECONDS as usize;
    sound.channels.iter_mut().for_each(|plane| plane.truncate(most));
    let begins = match (first, outline.since_midnight) {
        (Some(label), Some(since)) => {
            let (_, frame) = Counting::marked(rate, label).map_err(|why| unread(wave, why.to_string()))?;
            since as f64 / f64::from(sound.rate) - frame as f64 / rate.per_second()
        }
        _ => 0.0,
    };
    let most = (f64::from(SECONDS) * rate.per_second()) as usize;
    let pictures: Result<Vec<(f64, f32)>, Unsynced> = files[..files.len().min(most)]
        .par_iter()
        .enumerate()
        .map(|(n, path)| {
            let brightness = brightness(path).map_err(|why| unread(path, why))?;
            Ok((n as f64 / rate.per_second(), brightness))
        })
        .collect();
    measure(&pictures?, begins, &sound, rate.per_second())
}

/// Mean of R'G'B' of a frame's file.
fn brightness(path: &Path) -> Result<f32, String> {
    let bytes = std::fs::read(path).map_err(|why| why.to_string())?;
    let format = path.to_str().and_then(Format::of_path).ok_or("it is no picture that is read")?;
    let raster = media::decode(format, &bytes).map_err(|why| why.to_string())?;
    let is_colour = |name: &str| RGBA[..3].contains(&name);
    let planes = raster.planes.iter().filter(|(name, _)| is_colour(name)).map(|(_, plane)| plane.as_slice());
    Ok(bright(planes, format == Format::Exr))
}

/// Mean of planes of R'G'B'; light counts as a display of Rec. ITU-R BT.1886 would have it.
pub fn bright<'a>(planes: impl Iterator<Item = &'a [f32]>, is_light: bool) -> f32 {
    let code = |v: f32| {
        let held = if v.is_nan() { 0.0 } else { v.clamp(0.0, 1.0) };
        f64::from(if is_light { held.powf(1.0 / 2.4) } else { held })
    };
    let (sum, count) = planes.flatten().fold((0.0, 0u64), |(sum, count), &v| (sum + code(v), count + 1));
    (sum / count.max(1) as f64) as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::sound::pop;

    /// Four seconds: a pop at 2 s of a picture at 24 frames a second, then black, then light.
    fn pictures(begins: f64) -> Vec<(f64, f32)> {
        let bright = |n: usize| if n <= 48 || n >= 96 { 0.3 } else { 0.0 };
        (0..120).map(|n| (begins + n as f64 / 24.0, bright(n))).collect()
    }

    fn heard(first: usize) -> Sound {
        let mut sound = Sound::silent(48_000, 2, 240_000);
        pop::lay(&mut sound, first..first + 2000);
        sound
    }

    #[test]
    fn offsets_are_told_in_parts_of_a_frame() {
        for (begins, by, first) in
            [(0.0, 0.0, 96_000), (0.0, 0.1, 96_000), (0.25, 0.0, 96_000), (0.0, 0.0, 96_240)]
        {
            let synced = measure(&pictures(begins), by, &heard(first), 24.0).unwrap();
            let early = 2.0 + begins - by - first as f64 / 48_000.0;
            assert!((synced.offset.early - early * 1000.0).abs() < 0.05, "{begins} {by} {first}: {synced:?}");
            assert!((synced.frames - early * 24.0).abs() < 0.01 && synced.frame == 48, "{synced:?}");
        }
    }

    #[test]
    fn the_channel_that_is_farthest_off_counts() {
        let mut sound = heard(96_000);
        sound.channels[1].rotate_right(480);
        let early = measure(&pictures(0.0), 0.0, &sound, 24.0).unwrap().offset.early;
        assert!((early + 10.0).abs() < 0.05, "{early}");
    }

    #[test]
    fn a_clock_of_milliseconds_moves_nothing() {
        let rounded: Vec<(f64, f32)> =
            pictures(0.0).into_iter().map(|(at, v)| ((at * 1000.0).round() / 1000.0, v)).collect();
        let mut at_25 = rounded.clone();
        at_25[48].0 += 0.0015;
        assert!(measure(&rounded, 0.0, &heard(96_000), 24.0).unwrap().offset.early.abs() < 0.05);
        assert!(
            measure(&at_25, 0.0, &heard(96_000), 24.0).unwrap().offset.early > 1.0,
            "a step is no rounding"
        );
    }

    #[test]
    fn what_is_not_there_is_said() {
        let (pictures, silent) = (pictures(0.0), Sound::silent(48_000, 2, 96_000));
        assert_eq!(measure(&pictures, 0.0, &silent, 24.0), Err(Unsynced::Unheard(48)));
        assert_eq!(measure(&pictures[49..], 0.0, &heard(96_000), 24.0), Err(Unsynced::Unseen));
        assert_eq!(measure(&[], 0.0, &silent, 24.0), Err(Unsynced::None));
    }
}
