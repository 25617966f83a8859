//! Sound in memory and its files: planes of 32-bit samples, one a channel.
//!
//! Knows samples, their canonical digest, and which reader a file's first bytes ask for. Does not know cues, buses or where
//! files lie.

mod coded;
mod edits;
mod links;
pub mod pop;
pub mod wave;

use std::fmt;
use std::io::{Read, Seek, SeekFrom};

use crate::base::digest::{Digest, KeyHasher};

/// The largest number of samples (moments times channels) that is held at once: an hour and a half of stereo at 48 kHz.
pub const SAMPLE_LIMIT: u64 = 1 << 29;
/// The largest number of channels.
pub const CHANNEL_LIMIT: usize = 64;
/// Sampling rates that are taken, in hertz.
pub const RATES: std::ops::RangeInclusive<u32> = 8_000..=384_000;

/// A sound that is whole in one frame, as a clip is, has this number.
pub const CLIP: i64 = 1;

/// Samples of some channels at one rate. Full scale is 1; more is kept, so that nothing is lost between stages.
#[derive(Clone, Debug, PartialEq)]
pub struct Sound {
    /// Samples a second.
    pub rate: u32,
    /// One plane a channel, all of one length.
    pub channels: Vec<Vec<f32>>,
}

impl Sound {
    /// Silence of so many samples.
    pub fn silent(rate: u32, channels: usize, samples: usize) -> Self {
        Self { rate, channels: vec![vec![0.0; samples]; channels] }
    }

    /// Samples of each channel.
    pub fn len(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// True when it holds no sample.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Digest of the samples, whatever file they came from. Minus nought is nought, as it sounds the same.
    pub fn digest(&self) -> Digest {
        let mut hasher = KeyHasher::new();
        hasher.int(i64::from(self.rate)).int(self.channels.len() as i64).int(self.len() as i64);
        let mut bytes = Vec::with_capacity(4 * self.len().min(1 << 16));
        for plane in &self.channels {
            for part in plane.chunks(1 << 16) {
                bytes.clear();
                bytes.extend(part.iter().flat_map(|&v| (v + 0.0).to_le_bytes()));
                hasher.bytes(&bytes);
            }
        }
        hasher.finish()
    }

    /// Largest magnitude of all samples; that of no sample is 0.
    pub fn peak(&self) -> f32 {
        self.channels.iter().flatten().fold(0.0, |peak, v| peak.max(v.abs()))
    }
}

/// A format of sound files.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SoundFormat {
    /// RIFF/WAVE with or without a broadcast extension (EBU Tech 3285), RF64 and BW64.
    Wave,
    /// Free Lossless Audio Codec (RFC 9639).
    Flac,
    /// MPEG-1 and MPEG-2 Layer III.
    Mp3,
    /// Vorbis in Ogg.
    Vorbis,
    /// Advanced Audio Coding, low complexity, in MP4 or ADTS.
    Aac,
}

impl SoundFormat {
    /// The format that a path's ending stands for, in small or capital letters.
    pub fn of_path(path: &str) -> Option<Self> {
        let (stem, ending) = path.rsplit(['/', '\\']).next()?.rsplit_once('.')?;
        if stem.is_empty() {
            return None;
        }
        match ending.to_ascii_lowercase().as_str() {
            "wav" | "wave" | "bwf" | "rf64" | "bw64" => Some(Self::Wave),
            "flac" => Some(Self::Flac),
            "mp3" => Some(Self::Mp3),
            "ogg" | "oga" => Some(Self::Vorbis),
            "m4a" | "mp4" | "aac" => Some(Self::Aac),
            _ => None,
        }
    }
}

impl fmt::Display for SoundFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Wave => "WAV",
            Self::Flac => "FLAC",
            Self::Mp3 => "MP3",
            Self::Vorbis => "Ogg Vorbis",
            Self::Aac => "AAC",
        })
    }
}

/// Why a sound file could not be read or written. Messages do not name the file: the caller knows it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SoundError {
    /// The file ends before its samples do.
    #[error("the {format} file is truncated: it tells of {told} samples and holds {held}")]
    Truncated {
        /// Format that was being read.
        format: SoundFormat,
        /// Samples a channel, as its head says.
        told: u64,
        /// Samples a channel that are there.
        held: u64,
    },
    /// The file uses something that this reader does not do.
    #[error("the {format} file uses {feature}, which is not supported")]
    Unsupported {
        /// Format that was being read.
        format: SoundFormat,
        /// The feature.
        feature: String,
    },
    /// The bytes contradict the format's rules.
    #[error("the {format} file is damaged: {what}")]
    Damaged {
        /// Format that was being read.
        format: SoundFormat,
        /// What is wrong.
        what: String,
    },
    /// The sound is longer than is accepted; nothing was allocated for it.
    #[error(
        "the {format} file holds {samples} samples of {channels} channels: more than {SAMPLE_LIMIT} in all"
    )]
    TooLarge {
        /// Format that was being read.
        format: SoundFormat,
        /// Samples a channel.
        samples: u64,
        /// Channels.
        channels: usize,
    },
    /// The file cannot be read.
    #[error("{0}")]
    System(String),
}

/// What a file holds, told without decoding it where its head tells it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outline {
    /// Its format, by its first bytes.
    pub format: SoundFormat,
    /// Samples a second.
    pub rate: u32,
    /// Channels.
    pub channels: usize,
    /// Samples a channel; unknown for formats whose head does not say.
    pub samples: Option<u64>,
    /// Samples from midnight to its first one, where the file carries a time reference.
    pub since_midnight: Option<u64>,
    /// True when nothing tells how many samples a coder put before the sound, so that these are heard: it begins late by about
    /// a thousand.
    pub is_late: bool,
}

/// A file that can be read from or put back to its start.
pub trait Source: Read + Seek + Send + Sync {}
impl<T: Read + Seek + Send + Sync> Source for T {}

/// Whether values a head gives can be taken at all.
fn checked(format: SoundFormat, rate: u32, channels: usize) -> Result<(), SoundError> {
    if !RATES.contains(&rate) {
        let what = format!(
            "it tells of {rate} samples a second, and {} to {} are taken",
            RATES.start(),
            RATES.end()
        );
        return Err(SoundError::Damaged { format, what });
    }
    if channels == 0 || channels > CHANNEL_LIMIT {
        let what = format!("it tells of {channels} channels, and 1 to {CHANNEL_LIMIT} are taken");
        return Err(SoundError::Damaged { format, what });
    }
    Ok(())
}

/// Refuses what would not be held.
fn bounded(format: SoundFormat, samples: u64, channels: usize) -> Result<(), SoundError> {
    let all = samples.checked_mul(channels as u64);
    if all.is_none_or(|all| all > SAMPLE_LIMIT) {
        return Err(SoundError::TooLarge { format, samples, channels });
    }
    Ok(())
}

/// The format that a file's first bytes speak for, whatever its name.
fn sniffed(head: &[u8]) -> Option<SoundFormat> {
    let is_riff = |id: &[u8]| head.starts_with(id) && head.get(8..12) == Some(b"WAVE");
    match head {
        _ if is_riff(b"RIFF") || is_riff(b"RF64") || is_riff(b"BW64") => Some(SoundFormat::Wave),
        [b'f', b'L', b'a', b'C', ..] => Some(SoundFormat::Flac),
        [b'O', b'g', b'g', b'S', ..] => Some(SoundFormat::Vorbis),
        _ if head.get(4..8) == Some(b"ftyp") => Some(SoundFormat::Aac),
        [b'I', b'D', b'3', ..] => Some(SoundFormat::Mp3),
        // Frame heads: eleven bits of sync, then the layer; ADTS has layer 0, Layer III has 1.
        [0xff, second, ..] if second & 0xf6 == 0xf0 => Some(SoundFormat::Aac),
        [0xff, second, ..] if second & 0xe6 == 0xe2 => Some(SoundFormat::Mp3),
        _ => None,
    }
}

fn format_of(source: &mut impl Source) -> Result<SoundFormat, SoundError> {
    let system = |e: std::io::Error| SoundError::System(e.to_string());
    let mut head = Vec::new();
    source.by_ref().take(12).read_to_end(&mut head).map_err(system)?;
    source.seek(SeekFrom::Start(0)).map_err(system)?;
    sniffed(&head).ok_or_else(|| {
        SoundError::System("no sound format that is read (WAV, FLAC, MP3, Ogg Vorbis, AAC)".into())
    })
}

/// What a file holds.
///
/// # Errors
/// It is no sound file, or its head is damaged or asks for more than is accepted.
pub fn outline(mut source: impl Source + 'static) -> Result<Outline, SoundError> {
    match format_of(&mut source)? {
        SoundFormat::Wave => wave::outline(source),
        format => coded::outline(format, Box::new(source)),
    }
}

/// All of a file's samples.
///
/// # Errors
/// As [`outline`]; also when the file ends early or what it holds cannot be decoded.
pub fn read(mut source: impl Source + 'static) -> Result<Sound, SoundError> {
    match format_of(&mut source)? {
        SoundFormat::Wave => wave::read(source),
        format => coded::read(format, Box::new(source)),
    }
}
