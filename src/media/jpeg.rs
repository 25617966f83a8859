//! JPEG files: baseline and progressive, 8 bits, grey or YCbCr.
//!
//! Knows how the `zune-jpeg` crate's samples become planes, and writes 8-bit codes through `jpeg-encoder`. Does not know colour profiles: samples are the
//! file's R'G'B', scaled so that the largest code is 1.0.

use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;
use zune_jpeg::errors::DecodeErrors;

use super::image::{Raster, SIDE_LIMIT};
use super::{Format, MediaError, Outline, checked_size, plane_names, split_planes};

type Reader<'a> = JpegDecoder<ZCursor<&'a [u8]>>;

/// Decodes a file.
///
/// # Errors
/// As [`super::decode`].
pub fn decode(bytes: &[u8]) -> Result<Raster, MediaError> {
    let (mut reader, size) = open(bytes)?;
    // A block of 8 x 8 pixels takes at least one bit of the file.
    if u64::from(size.0) * u64::from(size.1) / 512 > bytes.len() as u64 {
        return Err(Format::Jpeg.truncated("its pixels are missing"));
    }
    let samples = reader.decode().map_err(explain)?;
    let components = reader.output_colorspace().map_or(0, |c| c.num_components());
    if samples.len() != size.0 as usize * size.1 as usize * 3 || components != 3 {
        return Err(Format::Jpeg.damaged("its pixels do not fill its size"));
    }
    Ok(split_planes(size, 3, &samples, |s| f32::from(s) / 255.0))
}

/// Quality of files that people work on, of 100: what it loses is not seen.
pub const FINE: u8 = 95;

/// Writes 8-bit codes of red, green and blue, pixel by pixel from the top left, at a quality of 1 to 100. The same codes give the same bytes.
///
/// # Errors
/// When a side is longer than the format tells of, 65,535 pixels.
pub fn encode((width, height): (u32, u32), codes: &[u8], quality: u8) -> Result<Vec<u8>, MediaError> {
    let side = |side: u32| {
        u16::try_from(side).map_err(|_| Format::Jpeg.unsupported("sides longer than 65,535 pixels"))
    };
    let mut bytes = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut bytes, quality);
    let written = encoder.encode(codes, side(width)?, side(height)?, jpeg_encoder::ColorType::Rgb);
    written.map_err(|why| Format::Jpeg.damaged(why.to_string()))?;
    Ok(bytes)
}

/// Reads size and channels from the headers.
///
/// # Errors
/// As [`super::probe`].
pub fn probe(bytes: &[u8]) -> Result<Outline, MediaError> {
    let (_, (width, height)) = open(bytes)?;
    Ok(Outline { width, height, channels: plane_names(3) })
}

fn open(bytes: &[u8]) -> Result<(Reader<'_>, (u32, u32)), MediaError> {
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(SIDE_LIMIT as usize)
        .set_max_height(SIDE_LIMIT as usize)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut reader = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    reader.decode_headers().map_err(explain)?;
    let info = reader.info().ok_or_else(|| Format::Jpeg.truncated("its headers are missing"))?;
    if info.components != 1 && info.components != 3 {
        let expected = "1 (grey) or 3".to_string();
        return Err(MediaError::Channels { format: Format::Jpeg, expected, found: info.components.into() });
    }
    let size = checked_size(Format::Jpeg, info.width.into(), info.height.into(), 3)?;
    Ok((reader, size))
}

fn explain(error: DecodeErrors) -> MediaError {
    match error {
        DecodeErrors::ExhaustedData | DecodeErrors::IoErrors(_) => {
            Format::Jpeg.truncated("it ends within the pixels")
        }
        DecodeErrors::Unsupported(scheme) => {
            MediaError::Unsupported { format: Format::Jpeg, feature: format!("{scheme:?}") }
        }
        DecodeErrors::LargeDimensions(side) => MediaError::TooLarge {
            format: Format::Jpeg,
            width: side as u64,
            height: side as u64,
            channels: 3,
        },
        error => Format::Jpeg.damaged(format!("{error:?}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::sample_files::{flips_and_cuts, jpeg as file};
    use jpeg_encoder::ColorType;
    use proptest::prelude::*;

    /// A field of one colour has DC coefficients only, so it comes back within rounding of quantised YCbCr.
    #[test]
    fn one_colour_comes_back_in_both_kinds_of_file() {
        for progressive in [false, true] {
            let data: Vec<u8> = [200, 100, 50].repeat(17 * 9);
            let raster = decode(&file(17, 9, ColorType::Rgb, &data, progressive)).unwrap();
            assert_eq!((raster.width, raster.height, raster.planes.len()), (17, 9, 3));
            for (plane, code) in raster.planes.iter().zip([200.0, 100.0, 50.0]) {
                assert!(
                    plane.1.iter().all(|v| (v * 255.0 - code).abs() <= 2.0),
                    "{}: {:?}",
                    plane.0,
                    plane.1[0]
                );
            }
        }
    }

    #[test]
    fn grey_is_three_equal_planes() {
        let data: Vec<u8> = (0..=255).collect();
        let bytes = file(16, 16, ColorType::Luma, &data, false);
        let raster = decode(&bytes).unwrap();
        assert_eq!(raster.planes[0].1, raster.planes[1].1);
        assert_eq!(raster.planes[0].1, raster.planes[2].1);
        assert!(raster.planes[0].1.iter().zip(&data).all(|(v, &c)| (v * 255.0 - f32::from(c)).abs() <= 4.0));
        assert_eq!(probe(&bytes).unwrap().channels, ["R", "G", "B"]);
    }

    #[test]
    fn cut_files_and_four_inks_are_errors() {
        let data: Vec<u8> = (0..64 * 64 * 3).map(|i| (i * 7 % 251) as u8).collect();
        for progressive in [false, true] {
            let good = file(64, 64, ColorType::Rgb, &data, progressive);
            for part in [2, 3, 5] {
                assert!(decode(&good[..good.len() * part / 6]).is_err(), "{part} sixths, {progressive}");
            }
        }
        let inks = file(8, 8, ColorType::Cmyk, &[9; 256], false);
        assert!(matches!(decode(&inks), Err(MediaError::Channels { found: 4, .. })));
        assert!(decode(&[]).is_err());
    }

    proptest! {
        #[test]
        fn no_bytes_panic(
            progressive in any::<bool>(),
            bytes in flips_and_cuts(file(24, 17, ColorType::Rgb, &[90; 24 * 17 * 3], false)),
            others in flips_and_cuts(file(24, 17, ColorType::Rgb, &[90; 24 * 17 * 3], true)),
        ) {
            let bytes = if progressive { others } else { bytes };
            let _ = decode(&bytes);
            let _ = probe(&bytes);
        }
    }
}
