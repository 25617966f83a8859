//! Compressed sound files: FLAC, MP3, Vorbis and AAC.
//!
//! Knows how packets become samples. Does not know the codecs themselves: a library does.

use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::meta::MetadataOptions;

use super::{Outline, Sound, SoundError, SoundFormat, Source, bounded, checked};
use super::{edits, links};

/// Samples that a file may hold fewer than its head says where the head only guesses: what a coder put before and behind the
/// sound, which not every head counts.
const SPARE: u64 = 4608;

/// Parts of a second in which a beginning is told before the sampling rate is known: whole for all usual rates.
const FINE: u32 = 705_600_000;

/// The first byte of AAC in ADTS, which has no head for the whole.
const BARE: u8 = 0xff;

/// The first byte of a file; it is put back to its start.
fn begins(source: &mut dyn Source) -> Result<Option<u8>, SoundError> {
    let mut first = [0];
    let system = |error: std::io::Error| SoundError::System(error.to_string());
    let count = source.read(&mut first).map_err(system)?;
    source.seek(std::io::SeekFrom::Start(0)).map_err(system)?;
    Ok((count == 1).then_some(first[0]))
}

/// A source as the library wants it.
struct Bytes(Box<dyn Source>);

impl std::io::Read for Bytes {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        self.0.read(buf)
    }
}

impl std::io::Seek for Bytes {
    fn seek(&mut self, pos: std::io::SeekFrom) -> std::io::Result<u64> {
        self.0.seek(pos)
    }
}

impl MediaSource for Bytes {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        None
    }
}

/// A file whose head has been read.
struct Open {
    format: SoundFormat,
    reader: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    parameters: AudioCodecParameters,
    samples: Option<u64>,
    /// What the head says that a coder put before the sound.
    delay: Option<u32>,
}

fn damaged(format: SoundFormat) -> impl Fn(Error) -> SoundError {
    move |error| match error {
        Error::Unsupported(feature) => SoundError::Unsupported { format, feature: feature.into() },
        Error::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            SoundError::Damaged { format, what: "it ends too early".into() }
        }
        // What the system said has a number; the rest a decoder says of the bytes.
        Error::IoError(e) if e.raw_os_error().is_some() => SoundError::System(e.to_string()),
        Error::IoError(e) => SoundError::Damaged { format, what: e.to_string() },
        other => SoundError::Damaged { format, what: other.to_string() },
    }
}

fn open(format: SoundFormat, source: Box<dyn Source>) -> Result<Open, SoundError> {
    let stream = MediaSourceStream::new(Box::new(Bytes(source)), Default::default());
    let (head, tags) = (FormatOptions::default(), MetadataOptions::default());
    let reader =
        symphonia::default::get_probe().probe(&Hint::new(), stream, head, tags).map_err(damaged(format))?;
    let none = || SoundError::Damaged { format, what: "it holds no sound".into() };
    let track = reader.default_track(TrackType::Audio).ok_or_else(none)?;
    let parameters = track.codec_params.as_ref().and_then(|p| p.audio()).ok_or_else(none)?.clone();
    let decoder = symphonia::default::get_codecs()
        .make_audio_decoder(&parameters, &AudioDecoderOptions::default())
        .map_err(damaged(format))?;
    let (track, samples, delay) = (track.id, track.num_frames, track.delay);
    Ok(Open { format, reader, decoder, track, parameters, samples, delay })
}

impl Open {
    /// Decodes the next packet onto the end of `sound`; false at the end.
    fn next(&mut self, sound: &mut Sound) -> Result<bool, SoundError> {
        let format = self.format;
        loop {
            let (held, rate) = (sound.len() as u64, sound.rate);
            let here = |error| placed(damaged(format)(error), held, rate);
            let Some(packet) = self.reader.next_packet().map_err(here)? else { return Ok(false) };
            if packet.track_id != self.track {
                continue;
            }
            // Its frames are numbered, so that one which could not be read shows in the number of the next.
            let begins = packet.pts.get();
            if format == SoundFormat::Flac && begins != held as i64 {
                let what = match u64::try_from(begins).ok().and_then(|begins| begins.checked_sub(held)) {
                    Some(lost) => format!("{lost} samples cannot be decoded"),
                    None => "its parts do not follow one another".to_string(),
                };
                let rate = self.parameters.sample_rate.unwrap_or(rate);
                return Err(placed(SoundError::Damaged { format, what }, held, rate));
            }
            let decoded = self.decoder.decode(&packet).map_err(here)?;
            let (rate, count) = (decoded.spec().rate(), decoded.spec().channels().count());
            if sound.channels.is_empty() {
                checked(format, rate, count)?;
                *sound = Sound::silent(rate, count, 0);
            } else if (rate, count) != (sound.rate, sound.channels.len()) {
                let feature = "another sampling rate or number of channels halfway through".into();
                return Err(SoundError::Unsupported { format, feature });
            }
            bounded(format, (sound.len() + decoded.frames()) as u64, count)?;
            let mut planes: Vec<Vec<f32>> = vec![Vec::new(); count];
            decoded.copy_to_vecs_planar(&mut planes);
            for (plane, more) in sound.channels.iter_mut().zip(planes) {
                plane.extend(more);
            }
            return Ok(true);
        }
    }
}

/// An error with how far into the sound it lies.
fn placed(error: SoundError, samples: u64, rate: u32) -> SoundError {
    match error {
        SoundError::Damaged { format, what } => {
            let seconds = samples as f64 / f64::from(rate.max(1));
            SoundError::Damaged { format, what: format!("{what}, {seconds:.3} s into it") }
        }
        // What was decoded so far used nothing of the kind.
        SoundError::Unsupported { format, feature } if samples > 0 => {
            let what = format!("it seems to use {feature}, which is not supported");
            placed(SoundError::Damaged { format, what }, samples, rate)
        }
        other => other,
    }
}

/// Refuses a file whose frames do not follow one another.
fn joined(format: SoundFormat, source: &mut dyn Source) -> Result<(), SoundError> {
    match links::gap(format, source).map_err(|error| SoundError::System(error.to_string()))? {
        None => Ok(()),
        Some(seconds) => {
            let what = format!("a part of it cannot be decoded, {seconds:.3} s into it");
            Err(SoundError::Damaged { format, what })
        }
    }
}

/// Parts of a second as samples.
fn samples_of(part: u64, rate: u32) -> u64 {
    (u128::from(part) * u128::from(rate) / u128::from(FINE)) as u64
}

pub(super) fn outline(format: SoundFormat, mut source: Box<dyn Source>) -> Result<Outline, SoundError> {
    let is_bare = format == SoundFormat::Aac && begins(&mut *source)? == Some(BARE);
    // In parts of a second, as its rate is not known yet.
    let part = if format == SoundFormat::Aac { edits::lead(&mut *source, FINE) } else { 0 };
    let mut open = open(format, source)?;
    let mut told = (open.parameters.sample_rate, open.parameters.channels.as_ref().map(|c| c.count()));
    if told.0.is_none() || told.1.is_none() {
        let mut first = Sound::silent(0, 0, 0);
        open.next(&mut first)?;
        told = (Some(first.rate), Some(first.channels.len()));
    }
    let (rate, channels) = (told.0.unwrap_or(0), told.1.unwrap_or(0));
    checked(format, rate, channels)?;
    let lead = samples_of(part, rate);
    let samples = open.samples.map(|samples| samples.saturating_sub(lead));
    let is_late = is_bare || (format == SoundFormat::Mp3 && open.delay.is_none());
    Ok(Outline { format, rate, channels, samples, since_midnight: None, is_late })
}

pub(super) fn read(format: SoundFormat, mut source: Box<dyn Source>) -> Result<Sound, SoundError> {
    let part = if format == SoundFormat::Aac { edits::lead(&mut *source, FINE) } else { 0 };
    // MP4 tells in a table where its frames lie.
    let is_boxed = format == SoundFormat::Aac && begins(&mut *source)? != Some(BARE);
    if !is_boxed {
        joined(format, &mut *source)?;
    }
    let mut open = open(format, source)?;
    let told = open.samples;
    if let Some(told) = told {
        bounded(format, told, 1)?;
    }
    let mut sound = Sound::silent(0, 0, 0);
    while open.next(&mut sound)? {}
    if sound.is_empty() {
        return Err(SoundError::Damaged { format, what: "it holds no sound".into() });
    }
    let spare = match format {
        SoundFormat::Flac | SoundFormat::Vorbis => 0,
        // A head that knows what the coder added knows how many frames there are.
        SoundFormat::Mp3 if open.delay.is_some() => 0,
        SoundFormat::Aac if is_boxed => 0,
        _ => SPARE,
    };
    match told {
        Some(told) if (sound.len() as u64) + spare < told => {
            Err(SoundError::Truncated { format, told, held: sound.len() as u64 })
        }
        _ => {
            // What the coder needed to get going is not to be heard.
            let lead = samples_of(part, sound.rate) as usize;
            sound.channels.iter_mut().for_each(|plane| drop(plane.drain(..lead.min(plane.len()))));
            Ok(sound)
        }
    }
}
