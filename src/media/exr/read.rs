//! Reads the scan lines of plain EXR files (not compressed, ZIPS or ZIP), fast.
//!
//! Knows the offset table and chunks of files of one part. Does not know where rows are put: it hands each
//! to a sink. Other kinds of files are `foreign`.

use half::f16;

use super::block::{Chunk, Unpacker};
use super::header::{Header, SampleKind, Steps, lines_per_chunk};
use crate::media::{Format, MediaError};

/// One row of one channel.
pub(super) enum Row<'a> {
    Half(&'a [f16]),
    Float(&'a [f32]),
    Uint(&'a [u32]),
}

/// Takes rows: position of the channel in the file, x and y of the row's first pixel, samples.
pub(super) type Sink<'s> = dyn FnMut(usize, i64, i64, Row<'_>) + 's;

/// Whether [`read`] can read the file.
pub(super) fn suits(header: &Header) -> bool {
    header.plain && matches!(header.compression, 0 | 2 | 3)
}

/// Buffers for one row.
struct Scratch {
    halves: Vec<f16>,
    words: Vec<u32>,
    floats: Vec<f32>,
}

/// Hands every row of the file to the sink.
pub(super) fn read(header: &Header, bytes: &[u8], sink: &mut Sink<'_>) -> Result<(), MediaError> {
    let width = header.data.width() as usize;
    let row_bytes: usize = header.channels.iter().map(|c| c.kind.bytes() * width).sum();
    let lines = lines_per_chunk(header.compression);
    let most = row_bytes as u64 * header.data.height();
    // Deflate makes data at most 1032 times larger.
    if most / 1032 > bytes.len() as u64 {
        return Err(
            Format::Exr.truncated(format!("{} bytes cannot hold {most} bytes of pixels", bytes.len()))
        );
    }
    let mut offsets = Steps::new(bytes, header.end);
    let mut unpacker = Unpacker::new();
    let mut scratch =
        Scratch { halves: vec![f16::ZERO; width], words: vec![0; width], floats: vec![0.0; width] };
    for top in (header.data.top..=header.data.bottom).step_by(lines) {
        let count = lines.min((header.data.bottom - top + 1) as usize);
        let low = u64::from(offsets.u32("the offset table")?);
        let offset = low | u64::from(offsets.u32("the offset table")?) << 32;
        if offset < header.end as u64 {
            return Err(Format::Exr.truncated(format!("the lines from {top} on were never written")));
        }
        let offset = usize::try_from(offset).unwrap_or(usize::MAX);
        let mut steps = Steps::new(bytes, offset);
        let what = "the pixels";
        if i64::from(steps.i32(what)?) != top {
            return Err(
                Format::Exr.damaged(format!("the chunk of the lines from {top} on is of other lines"))
            );
        }
        let size = steps.u32(what)? as usize;
        let stored = steps.take(size, what)?;
        let expect = row_bytes * count;
        let chunk = match header.compression {
            _ if size == expect => Chunk::Plain(stored),
            0 => return Err(Format::Exr.damaged(format!("a chunk holds {size} bytes instead of {expect}"))),
            _ => unpacker.unpack(stored, expect)?,
        };
        rows(header, &chunk, top, count, &mut scratch, sink);
    }
    Ok(())
}

fn rows(
    header: &Header,
    chunk: &Chunk<'_>,
    top: i64,
    count: usize,
    scratch: &mut Scratch,
    sink: &mut Sink<'_>,
) {
    let mut at = 0;
    for y in top..top + count as i64 {
        for (index, channel) in header.channels.iter().enumerate() {
            let row = match channel.kind {
                SampleKind::Half => {
                    chunk.halves(at, &mut scratch.halves);
                    Row::Half(&scratch.halves)
                }
                SampleKind::Float => {
                    chunk.words(at, &mut scratch.words);
                    for (float, &word) in scratch.floats.iter_mut().zip(&scratch.words) {
                        *float = f32::from_bits(word);
                    }
                    Row::Float(&scratch.floats)
                }
                SampleKind::Uint => {
                    chunk.words(at, &mut scratch.words);
                    Row::Uint(&scratch.words)
                }
            };
            sink(index, header.data.left, y, row);
            at += channel.kind.bytes() * scratch.halves.len();
        }
    }
}
