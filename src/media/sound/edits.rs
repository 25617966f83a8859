//! What an MP4 file says of its sound's beginning: the samples that a coder needed to get going and that are not to be heard.
//!
//! Knows boxes and edit lists (ISO/IEC 14496-12, 4.2 and 8.6.6). Does not decode.

use std::io::{Read, SeekFrom};

use super::Source;

/// Most boxes that are looked at: a file has some hundreds.
const BOXES: usize = 10_000;

/// What a track says.
#[derive(Clone, Copy, Default)]
struct Track {
    is_heard: bool,
    /// Units of its time in a second.
    scale: u32,
    /// Where in its time the file begins to be heard.
    from: u64,
}

/// Samples before the sound of a file of `rate` samples a second; none where its first sound track has no edit list or the
/// file is no MP4. The source is put back to its start.
pub(super) fn lead(source: &mut dyn Source, rate: u32) -> u64 {
    let mut tracks = Vec::new();
    let found = (|| {
        let end = source.seek(SeekFrom::End(0))?;
        walk(source, 0..end, &mut tracks, &mut 0)
    })();
    let back = source.seek(SeekFrom::Start(0));
    if found.is_err() || back.is_err() {
        return 0;
    }
    let track = tracks.iter().find(|track| track.is_heard && track.scale > 0);
    track.map_or(0, |track| (u128::from(track.from) * u128::from(rate) / u128::from(track.scale)) as u64)
}

/// Looks at the boxes of a range, and at those in boxes that hold others.
fn walk(
    source: &mut dyn Source,
    range: std::ops::Range<u64>,
    tracks: &mut Vec<Track>,
    count: &mut usize,
) -> std::io::Result<()> {
    let mut at = range.start;
    while at + 8 <= range.end && *count < BOXES {
        *count += 1;
        source.seek(SeekFrom::Start(at))?;
        let mut head = [0u8; 8];
        source.read_exact(&mut head)?;
        let [a, b, c, d, kind @ ..] = head;
        let (mut body, mut size) = (at + 8, u64::from(u32::from_be_bytes([a, b, c, d])));
        if size == 1 {
            let mut long = [0u8; 8];
            source.read_exact(&mut long)?;
            (body, size) = (at + 16, u64::from_be_bytes(long));
        }
        let end = if size == 0 { range.end } else { at.saturating_add(size).min(range.end) };
        if end <= at || body > end {
            return Ok(());
        }
        match &kind {
            b"trak" => {
                tracks.push(Track::default());
                walk(source, body..end, tracks, count)?;
            }
            b"moov" | b"mdia" | b"edts" => walk(source, body..end, tracks, count)?,
            b"hdlr" | b"mdhd" | b"elst" => {
                let mut bytes = Vec::new();
                Read::take(&mut *source, (end - body).min(64)).read_to_end(&mut bytes)?;
                if let Some(track) = tracks.last_mut() {
                    told(track, &kind, &bytes);
                }
            }
            _ => {}
        }
        at = end;
    }
    Ok(())
}

/// Takes what a box says of its track.
fn told(track: &mut Track, kind: &[u8; 4], bytes: &[u8]) {
    let four = |at: usize| {
        bytes.get(at..at + 4).map(|four| u32::from_be_bytes([four[0], four[1], four[2], four[3]]))
    };
    let is_long = bytes.first() == Some(&1);
    match kind {
        b"hdlr" => track.is_heard |= bytes.get(8..12) == Some(b"soun"),
        b"mdhd" => track.scale = four(if is_long { 20 } else { 12 }).unwrap_or(0),
        // An empty edit, of time -1, is a wait before the sound and not a part of it.
        b"elst" if four(4).is_some_and(|entries| entries > 0) => {
            let from = match is_long {
                true => {
                    four(16).zip(four(20)).map(|(high, low)| (i64::from(high as i32) << 32) | i64::from(low))
                }
                false => four(12).map(|time| i64::from(time as i32)),
            };
            track.from = from.unwrap_or(0).max(0) as u64;
        }
        _ => {}
    }
}
