//! Whether the frames of a coded file follow one another without a gap: MP3, AAC in ADTS and Ogg.
//!
//! Knows how long each frame or page says that it is. Does not decode: a decoder looks for the next frame that it can read and
//! says nothing of what it passed over, so that all that follows would be heard too early.

use std::io::{BufReader, Read, Seek, SeekFrom};

use super::{SoundFormat, Source};

/// How far behind a gap the next frame is looked for: more than the longest frame or page of any of them.
const FAR: u64 = 1 << 17;
/// What may follow the last frame and is no sound.
const TAGS: [&[u8]; 3] = [b"TAG", b"APETAGEX", b"LYRICSBEGIN"];

/// A frame's head, as much of it as is needed to come to the next one.
struct Link {
    /// Bytes to the next one, with the head.
    bytes: u64,
    /// Samples a channel that it stands for.
    samples: u64,
    rate: u32,
    /// What stays the same from head to head.
    kind: [u8; 2],
}

/// Seconds into the file at which a frame or page is missing or is not what was written; nothing when all are there.
/// The source is put back to its start.
pub(super) fn gap(format: SoundFormat, source: &mut dyn Source) -> std::io::Result<Option<f64>> {
    source.seek(SeekFrom::Start(0))?;
    let found = match format {
        SoundFormat::Mp3 => frames(&mut BufReader::new(&mut *source), layer_iii),
        SoundFormat::Aac => frames(&mut BufReader::new(&mut *source), adts),
        SoundFormat::Vorbis => pages(&mut BufReader::new(&mut *source)),
        SoundFormat::Flac | SoundFormat::Wave => Ok(None),
    };
    source.seek(SeekFrom::Start(0))?;
    found
}

/// ISO/IEC 11172-3, 2.4.1.3, and 13818-3 for the lower rates.
fn layer_iii(head: &[u8]) -> Option<Link> {
    let &[0xff, second, third, ..] = head else { return None };
    if second & 0xe6 != 0xe2 {
        return None;
    }
    let version = second >> 3 & 3;
    let kilobits: [u64; 14] = if version == 3 {
        [32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320]
    } else {
        [8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160]
    };
    let step = match version {
        3 => 1,
        2 => 2,
        0 => 4,
        _ => return None,
    };
    let rate = *[44_100u32, 48_000, 32_000].get(usize::from(third >> 2 & 3))? / step;
    let kilobits = *kilobits.get(usize::from(third >> 4).checked_sub(1)?)?;
    let samples = if version == 3 { 1152 } else { 576 };
    let bytes = samples / 8 * kilobits * 1000 / u64::from(rate) + u64::from(third >> 1 & 1);
    Some(Link { bytes, samples, rate, kind: [second & 0xfe, third & 0x0c] })
}

/// ISO/IEC 13818-7, 6.2.
fn adts(head: &[u8]) -> Option<Link> {
    let &[0xff, second, third, fourth, fifth, sixth, ..] = head else { return None };
    if second & 0xf6 != 0xf0 {
        return None;
    }
    const RATES: [u32; 13] = [
        96_000, 88_200, 64_000, 48_000, 44_100, 32_000, 24_000, 22_050, 16_000, 12_000, 11_025, 8_000, 7_350,
    ];
    let rate = *RATES.get(usize::from(third >> 2 & 15))?;
    let bytes = u64::from(fourth & 3) << 11 | u64::from(fifth) << 3 | u64::from(sixth >> 5);
    (bytes >= 7).then_some(Link { bytes, samples: 1024, rate, kind: [second & 0xfe, third & 0xfd] })
}

/// What is left of a source, at most so much of it.
fn rest(source: &mut impl Read, most: u64) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    source.take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}

fn frames<S: Source>(
    source: &mut BufReader<S>,
    of: fn(&[u8]) -> Option<Link>,
) -> std::io::Result<Option<f64>> {
    let (mut at, mut samples) = (0u64, 0u64);
    let mut kind = None;
    loop {
        let here = source.stream_position()?;
        source.seek_relative(at as i64 - here as i64)?;
        let head = rest(source, 10)?;
        if head.is_empty() {
            return Ok(None);
        }
        if let [b'I', b'D', b'3', _, _, _, a, b, c, d] = head[..] {
            at += [a, b, c, d].iter().fold(0, |all, &part| all << 7 | u64::from(part & 0x7f)) + 10;
            continue;
        }
        match of(&head).filter(|link| kind.is_none_or(|(kind, _)| kind == link.kind)) {
            Some(link) => {
                kind = Some((link.kind, link.rate));
                samples += link.samples;
                at += link.bytes;
            }
            // What stands before the first frame is no sound.
            None if kind.is_none() && at < FAR => at += 1,
            None => {
                let Some((kind, rate)) = kind else { return Ok(None) };
                let is_tag = TAGS.iter().any(|tag| head.starts_with(tag));
                let mut bytes = head;
                bytes.extend(rest(source, FAR)?);
                let goes_on = !is_tag && follows(&bytes, kind, of);
                return Ok(goes_on.then(|| samples as f64 / f64::from(rate)));
            }
        }
    }
}

/// Whether frames of a kind lie in what follows a gap: two, one behind the other, or one that is the last.
fn follows(bytes: &[u8], kind: [u8; 2], of: fn(&[u8]) -> Option<Link>) -> bool {
    let link = |at: usize| bytes.get(at..).and_then(of).filter(|link| link.kind == kind);
    (1..bytes.len()).any(|at| {
        let Some(found) = link(at) else { return false };
        let next = at + found.bytes as usize;
        next == bytes.len() || link(next).is_some()
    })
}

/// RFC 3533, 6: a page is its head, the lengths of its segments and these; its check sum is over all of it.
fn pages<S: Source>(source: &mut BufReader<S>) -> std::io::Result<Option<f64>> {
    let (mut rate, mut samples) = (None, 0u64);
    let mut is_last = false;
    loop {
        let mut page = rest(source, 27)?;
        let place = || Some(samples as f64 / f64::from(rate.unwrap_or(48_000).max(1)));
        if !page.starts_with(b"OggS") || page.len() < 27 {
            // Whatever lies behind a page that says it is the last is no sound.
            return Ok(if is_last || page.is_empty() { None } else { place() });
        }
        page.extend(rest(source, u64::from(page[26]))?);
        let body: u64 = page[27..].iter().map(|&part| u64::from(part)).sum();
        let head = page.len();
        page.extend(rest(source, body)?);
        let told = u32::from_le_bytes([page[22], page[23], page[24], page[25]]);
        page[22..26].fill(0);
        if (page.len() - head) as u64 != body || sum(&page) != told {
            return Ok(place());
        }
        is_last = page[5] & 4 != 0;
        let end = page[6..14].iter().rev().fold(0, |all, &byte| all << 8 | u64::from(byte));
        // All ones where no packet ends in the page.
        samples = if end == u64::MAX { samples } else { end };
        if rate.is_none() && page[head..].starts_with(b"\x01vorbis") {
            rate = page.get(head + 12..head + 16).map(|r| u32::from_le_bytes([r[0], r[1], r[2], r[3]]));
        }
    }
}

/// The check sums of each byte alone, of which those of pages are made.
static SUMS: [u32; 256] = {
    let mut sums = [0; 256];
    let mut n = 0;
    while n < 256 * 8 {
        let sum = if n % 8 == 0 { ((n / 8) as u32) << 24 } else { sums[n / 8] };
        sums[n / 8] = if sum >> 31 == 1 { sum << 1 ^ 0x04c1_1db7 } else { sum << 1 };
        n += 1;
    }
    sums
};

/// The check sum of a page: polynomial 04C11DB7, highest bit first, from nought.
fn sum(page: &[u8]) -> u32 {
    page.iter().fold(0, |sum, &byte| sum << 8 ^ SUMS[(sum >> 24) as usize ^ usize::from(byte)])
}
