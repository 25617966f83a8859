//! WAV files: RIFF, RF64 and BW64, with the broadcast extension (EBU Tech 3285 and 3306).
//!
//! Knows the container's samples and its time reference. Does not know what the sound is for.

use std::io::{Seek, Write};

use audioadapter_buffers::owned::InterleavedOwned;
pub use waveadapter::Bext;
use waveadapter::{SampleFormat, WavError, WavReader, WavSpec, WavWriter};

use super::{Outline, Sound, SoundError, SoundFormat, Source, bounded, checked};

const FORMAT: SoundFormat = SoundFormat::Wave;
/// Bytes of the shortest head.
const HEAD: u64 = 44;
/// Samples of all channels that are read at once.
const PART: usize = 1 << 18;

impl From<WavError> for SoundError {
    fn from(error: WavError) -> Self {
        match error {
            WavError::Io(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                Self::Damaged { format: FORMAT, what: "it ends within its head".into() }
            }
            WavError::Io(e) => Self::System(e.to_string()),
            other => Self::Damaged { format: FORMAT, what: other.to_string() },
        }
    }
}

fn open<S: Source>(source: S) -> Result<WavReader<S>, SoundError> {
    let reader = WavReader::new(source)?;
    if reader.sample_format().is_none() {
        let feature = format!("format {:#06x}", reader.params().fmt.format_code);
        return Err(SoundError::Unsupported { format: FORMAT, feature });
    }
    let rate = u32::try_from(reader.sample_rate()).unwrap_or(u32::MAX);
    checked(FORMAT, rate, reader.channels())?;
    Ok(reader)
}

pub(super) fn outline(source: impl Source) -> Result<Outline, SoundError> {
    let reader = open(source)?;
    let bext = reader.params().chunks().find_map(Bext::from_chunk);
    Ok(Outline {
        format: FORMAT,
        rate: reader.sample_rate() as u32,
        channels: reader.channels(),
        samples: (!reader.params().length_is_unknown()).then(|| reader.frames() as u64),
        since_midnight: bext.map(|bext| bext.time_reference),
        is_late: false,
    })
}

pub(super) fn read(source: impl Source) -> Result<Sound, SoundError> {
    let mut reader = open(source)?;
    let (count, told) = (reader.channels(), reader.frames());
    bounded(FORMAT, told as u64, count)?;
    let streamed = reader.params().length_is_unknown();
    let mut sound = Sound::silent(reader.sample_rate() as u32, count, 0);
    sound.channels.iter_mut().for_each(|plane| plane.reserve_exact(if streamed { 0 } else { told }));
    let mut part = InterleavedOwned::<f32>::new(0.0, count, PART / count);
    loop {
        let got = match reader.read_into_float(&mut part) {
            Err(WavError::Io(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                let (told, held) = (told as u64, (reader.position().min(told)) as u64);
                return Err(SoundError::Truncated { format: FORMAT, told, held });
            }
            got => got?,
        };
        if got == 0 {
            break;
        }
        bounded(FORMAT, (sound.len() + got) as u64, count)?;
        let samples = part.take_data();
        for (c, plane) in sound.channels.iter_mut().enumerate() {
            plane.extend(samples[..got * count].iter().skip(c).step_by(count));
        }
        part = InterleavedOwned::new_from(samples, count, PART / count).expect("as it was");
    }
    if !streamed && sound.len() < told {
        let (told, held) = (told as u64, sound.len() as u64);
        return Err(SoundError::Truncated { format: FORMAT, told, held });
    }
    if sound.channels.iter().flatten().any(|v| !v.is_finite()) {
        return Err(SoundError::Damaged {
            format: FORMAT,
            what: "some of its samples are no numbers".into(),
        });
    }
    Ok(sound)
}

/// How samples are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    /// 24-bit integers, rounded to the nearest; more than full scale is cut off and counted.
    Bits24,
    /// 32-bit floating point, as they are.
    Float,
}

/// The sample that 24-bit integers keep of one: the nearest, full scale being 2^23.
pub fn at_24_bits(sample: f32) -> f32 {
    let full = 8_388_608.0;
    ((f64::from(sample) * full).round().clamp(-full, full - 1.0) / full) as f32
}

/// How many samples lie beyond full scale, so that whole numbers cannot hold them.
pub fn beyond(sound: &Sound) -> u64 {
    sound.channels.iter().flatten().filter(|v| v.abs() > 1.0).count() as u64
}

/// Speaker positions of `dwChannelMask` for channels in the order of the file: mono, stereo, and L R C LFE Ls Rs.
fn speakers(channels: usize) -> Option<u32> {
    match channels {
        1 => Some(0x4),
        2 => Some(0x3),
        6 => Some(0x3f),
        _ => None,
    }
}

/// Writes a whole file with its broadcast extension, as RF64 when it would grow beyond 4 GiB. Gives how many samples were cut
/// off at full scale.
///
/// # Errors
/// The disk refuses, or the sound has no channel.
pub fn write(to: impl Write + Seek, sound: &Sound, depth: Depth, bext: &Bext) -> Result<u64, SoundError> {
    written(to, sound, depth, &[bext.to_chunk()])
}

/// A whole file of the samples as they are, without a broadcast extension; the same bytes for the same samples.
///
/// # Errors
/// The sound has no channel.
pub fn plain(sound: &Sound) -> Result<Vec<u8>, SoundError> {
    let mut to = std::io::Cursor::new(Vec::new());
    written(&mut to, sound, Depth::Float, &[])?;
    Ok(to.into_inner())
}

/// True when a file reaches as far as its head says.
pub fn is_whole(file: &std::fs::File) -> bool {
    let (Ok(meta), Ok(copy)) = (file.metadata(), file.try_clone()) else { return false };
    let Ok(reader) = open(copy) else { return false };
    let told = reader.frames() as u64 * reader.params().fmt.frame_bytes() as u64;
    // Heads of files that are written here have 44 bytes and more.
    reader.params().length_is_unknown() || meta.len() >= told + HEAD
}

fn written(
    to: impl Write + Seek,
    sound: &Sound,
    depth: Depth,
    lead: &[waveadapter::Chunk],
) -> Result<u64, SoundError> {
    let sample_format = match depth {
        Depth::Bits24 => SampleFormat::I24_3,
        Depth::Float => SampleFormat::F32,
    };
    let mut spec = WavSpec::new(sound.channels.len(), sound.rate as usize, sample_format);
    spec.channel_mask = speakers(sound.channels.len()).filter(|_| sound.channels.len() > 2);
    let builder = WavWriter::builder(spec)?.chunks(lead);
    let bytes = sound.len() as u64 * spec.frame_bytes() as u64;
    // Room is left for heads and chunks.
    let mut writer = match bytes < u64::from(u32::MAX) - (1 << 20) {
        true => builder.open(to)?,
        false => builder.rf64().open(to)?,
    };
    let (count, mut cut) = (sound.channels.len(), 0);
    for first in (0..sound.len()).step_by(PART) {
        let end = (first + PART).min(sound.len());
        let mut together = vec![0f32; (end - first) * count];
        for (c, plane) in sound.channels.iter().enumerate() {
            let places = together.iter_mut().skip(c).step_by(count);
            // The writer cuts off what lies below the last bit, so that it is handed whole steps; what is beyond full scale
            // stays so, that it may be counted.
            places.zip(&plane[first..end]).for_each(|(to, &v)| {
                *to = if depth == Depth::Bits24 && v.abs() < 1.0 { at_24_bits(v) } else { v };
            });
        }
        let part = InterleavedOwned::new_from(together, count, end - first)
            .map_err(|e| SoundError::System(e.to_string()))?;
        cut += writer.write_float_buffer(&part)? as u64;
    }
    writer.finalize()?;
    Ok(cut)
}
