//! Reads the EXR files that the fast reader does not: tiled, of several parts, or with other compressions.
//!
//! Knows how to ask the `exr` crate for the chunks of the first part at full size. Does not know where rows
//! are put: it hands each to a sink.

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use half::f16;

use ::exr::block::UncompressedBlock;
use ::exr::block::chunk::{CompressedBlock, CompressedScanLineBlock, CompressedTileBlock};
use ::exr::block::reader::ChunksReader;
use ::exr::compression::Compression;
use ::exr::meta::attribute::SampleType;
use ::exr::meta::header::Header as PartHeader;

use super::header::Header;
use super::read::{Row, Sink};
use crate::media::{Format, MediaError};

/// Hands every row of the first part to the sink.
pub(super) fn read(header: &Header, bytes: &[u8], sink: &mut Sink<'_>) -> Result<(), MediaError> {
    // The crate decodes hostile bytes, and parts of it panic on some (B44, where overflow is checked): that is
    // a damaged file, not the end of a whole rebuild. Half-filled planes are dropped with the error.
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
    let meta = chunks.meta_data().clone();
    let channels = &meta.headers[0].channels;
    let mut found = 0u64;
    for chunk in chunks {
        let chunk = chunk.map_err(explain)?;
        check_dwa(&meta.headers[0], &chunk.compressed_block)?;
        let block = UncompressedBlock::decompress_chunk(chunk, &meta, false).map_err(explain)?;
        for line in block.lines(channels) {
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

/// Checks the sizes that a DWA chunk claims for its parts, which the crate allocates unseen. The chunk begins
/// with eleven 64-bit counters: version, then sizes in bytes, then numbers of 16-bit coefficients
/// (`DataSizesSingle` in OpenEXR's `internal_dwa_compressor.h`).
fn check_dwa(header: &PartHeader, block: &CompressedBlock) -> Result<(), MediaError> {
    if !matches!(header.compression, Compression::DWAA(_) | Compression::DWAB(_)) {
        return Ok(());
    }
    let (CompressedBlock::ScanLine(CompressedScanLineBlock { compressed_pixels_le: bytes, .. })
    | CompressedBlock::Tile(CompressedTileBlock { compressed_pixels_le: bytes, .. })) = block
    else {
        return Err(Format::Exr.unsupported("deep data"));
    };
    let tile = header.get_block_data_indices(block).map_err(explain)?;
    let size = header.get_absolute_block_pixel_coordinates(tile).map_err(explain)?.size;
    if bytes.len() == size.area() * header.channels.bytes_per_pixel {
        // What would have grown is stored as it is, without counters.
        return Ok(());
    }
    // Coefficients come in blocks of 8 x 8 for each channel; nothing takes more than 4 bytes a sample, and
    // run lengths at most double it.
    let samples = size.0.next_multiple_of(8) * size.1.next_multiple_of(8) * header.channels.list.len();
    let most = samples as u64 * 8;
    let counters = bytes.chunks_exact(8).take(10).skip(1);
    let counters = counters.map(|b| u64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]]));
    match counters.max() {
        Some(largest) if largest > most => {
            Err(Format::Exr.damaged(format!("a chunk of {samples} samples claims a part of size {largest}")))
        }
        _ => Ok(()),
    }
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
