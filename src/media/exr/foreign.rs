//! Reads the EXR files that the fast reader does not: tiled, of several parts, or with other compressions.
//!
//! Knows how to ask the `exr` crate for the chunks of the first part at full size. Does not know where rows
//! are put: it hands each to a sink.

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use half::f16;

use ::exr::block::reader::ChunksReader;
use ::exr::meta::attribute::SampleType;

use super::header::Header;
use super::read::{Row, Sink};
use crate::media::{Format, MediaError};

/// Hands every row of the first part to the sink.
pub(super) fn read(header: &Header, bytes: &[u8], sink: &mut Sink<'_>) -> Result<(), MediaError> {
    // The crate is not ours and decodes hostile bytes: should it panic, that is a damaged file, not the
    // end of a whole rebuild. Nothing of it outlives the call.
    catch_unwind(AssertUnwindSafe(|| read_chunks(header, bytes, sink)))
        .unwrap_or_else(|_| Err(Format::Exr.damaged("its pixels cannot be decoded")))
}

fn read_chunks(header: &Header, bytes: &[u8], sink: &mut Sink<'_>) -> Result<(), MediaError> {
    let file = ::exr::block::read(Cursor::new(bytes), false).map_err(explain)?;
    let same = file.headers().first().is_some_and(|found| {
        found.layer_size.0 as u64 == header.data.width()
            && found.layer_size.1 as u64 == header.data.height()
            && found.channels.list.len() == header.channels.len()
    });
    if !same {
        return Err(Format::Exr.damaged("its headers contradict each other"));
    }
    let chunks = file
        .filter_chunks(false, |_, tile, block| {
            block.layer == 0 && tile.level_index.0 == 0 && tile.level_index.1 == 0
        })
        .map_err(explain)?;
    let channels = chunks.meta_data().headers[0].channels.clone();
    let mut blocks = chunks.sequential_decompressor(false);
    let mut found = 0u64;
    while let Some(block) = blocks.decompress_next_block() {
        let block = block.map_err(explain)?;
        for line in block.lines(&channels) {
            let x = header.data.left + line.location.position.0 as i64;
            let y = header.data.top + line.location.position.1 as i64;
            let index = line.location.channel;
            found += line.location.sample_count as u64;
            match channels.list[index].sample_type {
                SampleType::F16 => {
                    let row: Vec<f16> = line.read_samples().collect::<Result<_, _>>().map_err(explain)?;
                    sink(index, x, y, Row::Half(&row));
                }
                SampleType::F32 => {
                    let row: Vec<f32> = line.read_samples().collect::<Result<_, _>>().map_err(explain)?;
                    sink(index, x, y, Row::Float(&row));
                }
                SampleType::U32 => {
                    let row: Vec<u32> = line.read_samples().collect::<Result<_, _>>().map_err(explain)?;
                    sink(index, x, y, Row::Uint(&row));
                }
            }
        }
    }
    let expect = header.data.width() * header.data.height() * header.channels.len() as u64;
    if found < expect {
        return Err(Format::Exr.truncated(format!("it holds {found} of {expect} samples")));
    }
    Ok(())
}

fn explain(error: ::exr::error::Error) -> MediaError {
    match error {
        ::exr::error::Error::Io(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            Format::Exr.truncated("it ends within the pixels")
        }
        ::exr::error::Error::NotSupported(feature) => {
            MediaError::Unsupported { format: Format::Exr, feature: feature.into_owned() }
        }
        error => Format::Exr.damaged(error.to_string()),
    }
}
