//! A movie as a player shows it: when each picture comes and how bright it is, and the sound with the moment of its first sample.
//!
//! Knows how moments are asked for: the file's own, after its edit list and without what a coder puts before the sound. Does
//! not know what is seen or heard.

use std::path::Path;

use serde::Deserialize;

use super::decoder::Decoder;
use super::{PART, probe};
use crate::deliver::encode::{self, MovieError, Tools};
use crate::media::movie::Version;
use crate::media::sound::Sound;
use crate::programs::Runner;

/// Width and height to which pictures are made smaller before their brightness is taken.
const SMALL: (usize, usize) = (32, 18);

/// What a movie shows from its beginning on.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Moments {
    /// Frames a second that the file tells.
    pub rate: Option<f64>,
    /// Moment in seconds and mean of R'G'B' from 0 to 1 of each picture, in the order in which they are shown.
    pub pictures: Vec<(f64, f32)>,
    /// Moment in seconds of the first sample, and the samples.
    pub sound: Option<(f64, Sound)>,
}

/// Reads so many seconds of a movie.
///
/// # Errors
/// When it cannot be decoded.
pub fn beginning(path: &Path, seconds: u32, tools: &Tools, runner: &Runner) -> Result<Moments, MovieError> {
    let text = text(path)?;
    let unread = |why: String| MovieError::Unfit(vec![format!("{}: {why}", path.display())]);
    let said =
        probe::parse(&encode::ask(&tools.ffprobe, &probe::arguments(text), runner)?).map_err(unread)?;
    let times = Times { text, tools, runner };
    let moments = times.of_pictures(seconds)?;
    let brightness = brightness(text, seconds, tools, runner)?;
    let pictures = moments.into_iter().zip(brightness).collect();
    let sound = match said.sound {
        Some(spec) => {
            let first = times.of_sound()?.ok_or_else(|| unread("its sound tells no moment".into()))?;
            Some((first, sound(path, (spec.channels, spec.rate), Some(seconds), tools, runner)?))
        }
        None => None,
    };
    let rate = said.rate.map(|(frames, seconds)| f64::from(frames) / f64::from(seconds.max(1)));
    Ok(Moments { rate, pictures, sound })
}

fn text(path: &Path) -> Result<&str, MovieError> {
    path.to_str().ok_or_else(|| MovieError::Unfit(vec![format!("{}: no UTF-8 text", path.display())]))
}

/// The sound of a movie as a player would have it, of so many channels at a rate: all of it, or so many seconds.
///
/// # Errors
/// When it cannot be decoded.
pub fn sound(
    path: &Path,
    (channels, rate): (usize, u32),
    seconds: Option<u32>,
    tools: &Tools,
    runner: &Runner,
) -> Result<Sound, MovieError> {
    let mut out = Sound::silent(rate, channels, 0);
    let most = seconds.map_or(usize::MAX, |seconds| rate as usize * seconds as usize);
    each_moment(text(path)?, channels, tools, runner, &mut |moment| {
        let room = out.len() < most;
        if room {
            out.channels.iter_mut().zip(moment).for_each(|(plane, &v)| plane.push(v));
        }
        room
    })?;
    Ok(out)
}

/// Hands on the samples of a movie's sound, a moment of all channels after the other, as long as they are wanted. Gives what the
/// decoder complained of; of a sound that is not wanted to its end, nothing.
pub(super) fn each_moment(
    text: &str,
    channels: usize,
    tools: &Tools,
    runner: &Runner,
    take: &mut dyn FnMut(&[f32]) -> bool,
) -> Result<Option<String>, MovieError> {
    if channels == 0 {
        return Err(MovieError::Unfit(vec![format!("{text}: its sound has no channels")]));
    }
    let out = ["-map", "0:a:0", "-f", "f32le", "-c:a", "pcm_f32le", "pipe:1"];
    let mut decoder = Decoder::start(text, &out, tools, runner)?;
    let mut part = vec![0; PART * channels * 4];
    let mut moment = vec![0.0; channels];
    loop {
        let count = decoder.fill(&mut part, (0, 0))?;
        for bytes in part[..count].chunks_exact(channels * 4) {
            let samples = bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]));
            moment.iter_mut().zip(samples).for_each(|(to, v)| *to = v);
            if !take(&moment) {
                return Ok(None);
            }
        }
        if count < part.len() {
            let complaint = decoder.end((0, 0))?;
            let torn = !count.is_multiple_of(channels * 4);
            return Ok(torn.then(|| "its sound ends within a sample".to_string()).or(complaint));
        }
    }
}

/// How bright each picture is, of those of so many seconds.
fn brightness(text: &str, seconds: u32, tools: &Tools, runner: &Runner) -> Result<Vec<f32>, MovieError> {
    let version = Version::parse(&encode::ask(&tools.ffmpeg, &["-version".into()], runner)?);
    // R'G'B', so that black is nought in every range of levels.
    let (seconds, small) =
        (seconds.to_string(), format!("scale={}:{}:flags=area,format=rgb24", SMALL.0, SMALL.1));
    let out = [
        "-map",
        "0:v:0",
        "-t",
        &seconds,
        "-vf",
        &small,
        "-f",
        "rawvideo",
        version.every_frame_once(),
        "passthrough",
        "pipe:1",
    ];
    let mut decoder = Decoder::start(text, &out, tools, runner)?;
    let mut picture = vec![0u8; SMALL.0 * SMALL.1 * 3];
    let mut all = Vec::new();
    loop {
        let count = decoder.fill(&mut picture, (all.len() as u64, 0))?;
        if count < picture.len() {
            decoder.end((all.len() as u64, 0))?;
            return Ok(all);
        }
        let sum: u64 = picture.iter().map(|&v| u64::from(v)).sum();
        all.push(sum as f32 / (255 * picture.len()) as f32);
    }
}

/// Asks for moments.
struct Times<'a> {
    text: &'a str,
    tools: &'a Tools,
    runner: &'a Runner,
}

#[derive(Deserialize)]
struct Answer {
    #[serde(default)]
    packets: Vec<Packet>,
    #[serde(default)]
    frames: Vec<Packet>,
}

#[derive(Deserialize)]
struct Packet {
    pts_time: Option<String>,
    #[serde(default)]
    flags: String,
}

impl Packet {
    fn moment(&self) -> Option<f64> {
        self.pts_time.as_deref()?.parse().ok()
    }
}

impl Times<'_> {
    fn ask(&self, stream: &str, interval: &str, entries: &str) -> Result<Answer, MovieError> {
        let mut arguments: Vec<String> =
            ["-v", "error", "-protocol_whitelist", "file", "-select_streams", stream]
                .into_iter()
                .chain(["-read_intervals", interval, "-show_entries", entries, "-of", "json", "-i"])
                .map(str::to_string)
                .collect();
        arguments.push(format!("file:{}", self.text));
        let answer = encode::ask(&self.tools.ffprobe, &arguments, self.runner)?;
        serde_json::from_str(&answer)
            .map_err(|why| MovieError::Unfit(vec![format!("ffprobe's answer cannot be read: {why}")]))
    }

    /// Of pictures, as they follow one another on the screen; those that an edit list leaves out are not among them.
    fn of_pictures(&self, seconds: u32) -> Result<Vec<f64>, MovieError> {
        let answer = self.ask("v:0", &format!("%+{seconds}"), "packet=pts_time,flags")?;
        let shown = answer.packets.iter().filter(|packet| !packet.flags.contains('D'));
        let mut moments: Vec<f64> = shown.filter_map(Packet::moment).collect();
        moments.sort_by(f64::total_cmp);
        Ok(moments)
    }

    /// Of the first sample that is heard.
    fn of_sound(&self) -> Result<Option<f64>, MovieError> {
        let answer = self.ask("a:0", "%+#8", "frame=pts_time")?;
        Ok(answer.frames.iter().find_map(Packet::moment))
    }
}
