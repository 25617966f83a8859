//! TIFF files of 8 or 16 bits or floats: grey or RGB, with or without alpha, in strips or tiles.
//!
//! Knows how the `tiff` crate's samples become planes, and whether alpha is premultiplied. Does not know
//! colour profiles: samples are as in the file, integers scaled so that the largest code is 1.0.

use std::io::Cursor;

use ::tiff::decoder::{Decoder, DecodingResult, Limits};
use ::tiff::encoder::TiffEncoder;
use ::tiff::encoder::colortype::RGB16;
use ::tiff::tags::Tag;
use ::tiff::{ColorType, TiffError};

use super::image::Raster;
use super::{Format, MediaError, Outline, checked_size, deep_codes, plane_names, split_planes};

type Reader<'a> = Decoder<Cursor<&'a [u8]>>;

/// What the directory says of the first picture.
struct Layout {
    size: (u32, u32),
    components: usize,
    bits: u8,
    /// The alpha is not premultiplied: the first of `ExtraSamples` is not 1 (associated alpha).
    straight: bool,
    /// Each component lies in a plane of its own (`PlanarConfiguration`).
    planar: bool,
}

/// Decodes the first picture of a file.
///
/// # Errors
/// As [`super::decode`].
pub fn decode(bytes: &[u8]) -> Result<Raster, MediaError> {
    let mut reader = open(bytes)?;
    let layout = layout(&mut reader)?;
    let pixels = layout.size.0 as usize * layout.size.1 as usize;
    let most = pixels * layout.components * usize::from(layout.bits) / 8;
    // The strongest of the format's compressions repeats 4096 bytes for two bytes of file.
    if most / 4096 > bytes.len() {
        return Err(Format::Tiff.truncated("its pixels are missing"));
    }
    let mut reader = reader.with_limits(limits(most));
    let mut samples = DecodingResult::U8(Vec::new());
    let found = reader.read_image_to_buffer(&mut samples).map_err(explain)?;
    if found.complete_len != most {
        return Err(Format::Tiff
            .damaged(format!("it holds {} bytes of pixels instead of {most}", found.complete_len)));
    }
    let mut raster = match samples {
        DecodingResult::U8(s) => planes(&layout, &s, |v| f32::from(v) / 255.0),
        DecodingResult::U16(s) => planes(&layout, &s, |v| f32::from(v) / 65535.0),
        DecodingResult::F16(s) => planes(&layout, &s, |v| v.to_f32()),
        DecodingResult::F32(s) => planes(&layout, &s, |v| v),
        _ => return Err(Format::Tiff.unsupported("a sample type other than 8 or 16 bits or float")),
    };
    raster.straight_alpha = layout.components.is_multiple_of(2) && layout.straight;
    Ok(raster)
}

/// Writes the planes `R`, `G` and `B` with 16 bits a sample, as they are, without compression. Values are clamped to 0 to 1 and
/// rounded to the nearest code; what is no number becomes 0. The same raster gives the same bytes.
///
/// # Errors
/// When one of the planes is missing, or the size is zero or beyond the limits.
pub fn encode(raster: &Raster) -> Result<Vec<u8>, MediaError> {
    let codes = deep_codes(Format::Tiff, raster)?;
    let mut bytes = Cursor::new(Vec::new());
    let written = TiffEncoder::new(&mut bytes)
        .and_then(|mut encoder| encoder.write_image::<RGB16>(raster.width, raster.height, &codes));
    written.map_err(explain)?;
    Ok(bytes.into_inner())
}

/// Reads size and channels from the directory.
///
/// # Errors
/// As [`super::probe`].
pub fn probe(bytes: &[u8]) -> Result<Outline, MediaError> {
    let layout = layout(&mut open(bytes)?)?;
    let (width, height) = layout.size;
    Ok(Outline { width, height, channels: plane_names(layout.components) })
}

/// Buffers of at most `most` bytes for pixels; what the crate keeps besides is bounded as well.
fn limits(most: usize) -> Limits {
    let mut limits = Limits::default();
    limits.decoding_buffer_size = most;
    limits.intermediate_buffer_size = most.max(1 << 20);
    limits.ifd_value_size = 4 << 20;
    limits
}

fn open(bytes: &[u8]) -> Result<Reader<'_>, MediaError> {
    Ok(Decoder::new(Cursor::new(bytes)).map_err(explain)?.with_limits(limits(1 << 20)))
}

fn layout(reader: &mut Reader<'_>) -> Result<Layout, MediaError> {
    let (width, height) = reader.dimensions().map_err(explain)?;
    let (components, bits) = match reader.colortype().map_err(explain)? {
        ColorType::Gray(bits) => (1, bits),
        ColorType::GrayA(bits) => (2, bits),
        ColorType::RGB(bits) => (3, bits),
        ColorType::RGBA(bits) => (4, bits),
        // The crate names a grey picture with alpha so when it is not sure what the second sample is.
        ColorType::Multiband { bit_depth, num_samples: 2 } => (2, bit_depth),
        ColorType::Multiband { num_samples, .. } => {
            let expected = "1 to 4".to_string();
            return Err(MediaError::Channels { format: Format::Tiff, expected, found: num_samples.into() });
        }
        other => return Err(Format::Tiff.unsupported(format!("the colour type {other:?}"))),
    };
    if !matches!(bits, 8 | 16 | 32) {
        return Err(Format::Tiff.unsupported(format!("{bits} bits a sample")));
    }
    let size = checked_size(Format::Tiff, width.into(), height.into(), components as u64)?;
    let extra = reader.find_tag_unsigned_vec::<u16>(Tag::ExtraSamples).map_err(explain)?;
    let planar = reader.find_tag_unsigned::<u16>(Tag::PlanarConfiguration).map_err(explain)? == Some(2);
    let straight = extra.is_none_or(|e| e.first() != Some(&1));
    Ok(Layout { size, components, bits, straight, planar })
}

fn planes<T: Copy>(layout: &Layout, samples: &[T], convert: impl Fn(T) -> f32) -> Raster {
    if !layout.planar || layout.components == 1 {
        return split_planes(layout.size, layout.components, samples, convert);
    }
    let pixels = layout.size.0 as usize * layout.size.1 as usize;
    let interleaved: Vec<T> =
        (0..pixels).flat_map(|i| (0..layout.components).map(move |c| samples[c * pixels + i])).collect();
    split_planes(layout.size, layout.components, &interleaved, convert)
}

fn explain(error: TiffError) -> MediaError {
    match error {
        TiffError::IoError(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            Format::Tiff.truncated("it ends within the directory or the pixels")
        }
        TiffError::UnsupportedError(feature) => Format::Tiff.unsupported(feature.to_string()),
        error => Format::Tiff.damaged(error.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::sample_files::flips_and_cuts;
    use ::tiff::encoder::{Compression, TiffEncoder, colortype};
    use proptest::prelude::*;

    fn file<C: colortype::ColorType>(
        width: u32,
        height: u32,
        data: &[C::Inner],
        packing: Compression,
    ) -> Vec<u8>
    where
        [C::Inner]: tiff::encoder::TiffValue,
    {
        let mut out = Cursor::new(Vec::new());
        let mut encoder = TiffEncoder::new(&mut out).unwrap().with_compression(packing);
        encoder.write_image::<C>(width, height, data).unwrap();
        out.into_inner()
    }

    #[test]
    fn all_sample_types_are_exact() {
        let eight = file::<colortype::RGB8>(1, 2, &[0, 51, 255, 1, 2, 3], Compression::Lzw);
        let raster = decode(&eight).unwrap();
        assert_eq!(raster.planes[1], ("G".to_string(), vec![0.2, 2.0 / 255.0]));
        assert!(!raster.straight_alpha);

        let sixteen = file::<colortype::RGBA16>(1, 1, &[1, 2, 32768, 65535], Compression::Packbits);
        let raster = decode(&sixteen).unwrap();
        assert_eq!(raster.planes[2], ("B".to_string(), vec![32768.0 / 65535.0]));
        assert!(raster.straight_alpha);

        let floats = [-1.5, 70_000.25, f32::MIN_POSITIVE];
        let float = file::<colortype::RGB32Float>(1, 1, &floats, Compression::Uncompressed);
        let raster = decode(&float).unwrap();
        assert_eq!(raster.planes.iter().map(|p| p.1[0]).collect::<Vec<_>>(), floats);
    }

    #[test]
    fn grey_is_three_equal_planes() {
        let bytes = file::<colortype::Gray16>(2, 1, &[0, 65535], Compression::Uncompressed);
        let raster = decode(&bytes).unwrap();
        assert!(raster.planes.iter().all(|p| p.1 == [0.0, 1.0]));
        assert_eq!(probe(&bytes).unwrap().channels, ["R", "G", "B"]);
    }

    #[test]
    fn doubles_and_cut_files_are_errors() {
        let double = file::<colortype::Gray64Float>(1, 1, &[0.5], Compression::Uncompressed);
        assert!(matches!(decode(&double), Err(MediaError::Unsupported { .. })));
        assert!(decode(&[]).is_err());
        let good = file::<colortype::RGB8>(40, 40, &[9; 4800], Compression::Uncompressed);
        assert!(decode(&good[..good.len() / 2]).is_err());
    }

    proptest! {
        #[test]
        fn no_bytes_panic(
            packed in flips_and_cuts(file::<colortype::RGB16>(13, 7, &[700; 273], Compression::Lzw)),
            plain in flips_and_cuts(file::<colortype::RGBA8>(13, 7, &[70; 364], Compression::Uncompressed)),
        ) {
            for bytes in [packed, plain] {
                let _ = decode(&bytes);
                let _ = probe(&bytes);
            }
        }
    }
}
