//! PNG files of 1 to 16 bits a sample: grey, grey with alpha, RGB, RGBA and palette.
//!
//! Knows how the `png` crate's rows become planes. Does not know gamma or colour chunks: samples are as in
//! the file, scaled so that the largest code is 1.0.

use std::io::Cursor;

use ::png::chunk::ChunkType;
use ::png::{
    BitDepth, ColorType, Decoder, DecodingError, Encoder, Limits, Reader, SrgbRenderingIntent,
    Transformations,
};

use super::image::Raster;
use super::{Format, MediaError, Outline, checked_size, deep_codes, plane_names, split_planes};
use crate::base::digest::{Digest, KeyHasher};

/// Decodes the first picture of a file. Palettes are looked up; `tRNS` transparency becomes `A`.
///
/// # Errors
/// As [`super::decode`].
pub fn decode(bytes: &[u8]) -> Result<Raster, MediaError> {
    let mut reader = open(bytes)?;
    let (width, height, components) = outline(&reader)?;
    let (_, depth) = reader.output_color_type();
    let size = reader.output_buffer_size().ok_or_else(|| Format::Png.damaged("its size overflows"))?;
    // Deflate makes data at most 1032 times larger; packed bits at most 8 times more when spread to bytes,
    // and a palette 4 times more.
    if size / (1032 * 32) > bytes.len() {
        return Err(Format::Png.truncated("its pixels are missing"));
    }
    let mut samples = vec![0; size];
    let frame = reader.next_frame(&mut samples).map_err(explain)?;
    samples.truncate(frame.buffer_size());
    // The rest is read too, so that a missing end is noticed.
    reader.finish().map_err(explain)?;
    if depth == BitDepth::Sixteen {
        let words: Vec<u16> = samples.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect();
        Ok(split_planes((width, height), components, &words, |s| f32::from(s) / 65535.0))
    } else {
        Ok(split_planes((width, height), components, &samples, |s| f32::from(s) / 255.0))
    }
}

/// The text that tells which pixels a file of ours was written with.
const PIXELS: &str = "Endboard pixels";

/// Digest of 8-bit codes as a picture.
fn drawn(width: u32, height: u32, codes: &[u8]) -> Digest {
    let mut hasher = KeyHasher::new();
    hasher.int(width.into()).int(height.into()).digest(&Digest::of(codes));
    hasher.finish()
}

/// Writes 8-bit codes of red, green and blue, pixel by pixel from the top left, as a file that says they are sRGB. The same
/// codes give the same bytes.
///
/// # Panics
/// When there are not three codes for each pixel.
pub fn encode(width: u32, height: u32, codes: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, width, height);
    encoder.set_color(ColorType::Rgb);
    encoder.set_depth(BitDepth::Eight);
    encoder.set_source_srgb(SrgbRenderingIntent::Perceptual);
    encoder.add_text_chunk("Software".into(), "Endboard".into()).expect("plain words");
    encoder.add_text_chunk(PIXELS.into(), drawn(width, height, codes).to_string()).expect("plain words");
    let written = encoder.write_header().and_then(|mut writer| writer.write_image_data(codes));
    written.expect("three codes a pixel, and memory takes all");
    bytes
}

/// Writes the planes `R`, `G` and `B` with 16 bits a sample. Values are clamped to 0 to 1 and rounded to the nearest code; what
/// is no number becomes 0. With the numbers of primaries and transfer (Rec. ITU-T H.273) the file says what its codes mean, in a
/// chunk `cICP` (PNG, third edition): R'G'B' in full range. The same raster gives the same bytes.
///
/// # Errors
/// When one of the planes is missing, or the size is zero or beyond the limits.
pub fn encode_deep(raster: &Raster, meaning: Option<(u8, u8)>) -> Result<Vec<u8>, MediaError> {
    let codes = deep_codes(Format::Png, raster)?;
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, raster.width, raster.height);
    encoder.set_color(ColorType::Rgb);
    encoder.set_depth(BitDepth::Sixteen);
    let data: Vec<u8> = codes.iter().flat_map(|code| code.to_be_bytes()).collect();
    let written = encoder.write_header().and_then(|mut writer| {
        if let Some((primaries, transfer)) = meaning {
            writer.write_chunk(ChunkType(*b"cICP"), &[primaries, transfer, 0, 1])?;
        }
        writer.write_image_data(&data)?;
        writer.finish()
    });
    written.expect("three codes a pixel, and memory takes all");
    Ok(bytes)
}

/// Whether bytes are those of a file that [`encode`] wrote and whose pixels nobody has changed since: a program in which it was
/// painted over may well keep our words in it.
pub fn is_own(bytes: &[u8]) -> bool {
    let decoder = Decoder::new_with_limits(Cursor::new(bytes), Limits { bytes: 64 << 20 });
    let Ok(mut reader) = decoder.read_info() else { return false };
    let texts = &reader.info().uncompressed_latin1_text;
    let Some(told) = texts.iter().find(|text| text.keyword == PIXELS).map(|text| text.text.clone()) else {
        return false;
    };
    let Some(size) = reader.output_buffer_size().filter(|size| size / (1032 * 32) <= bytes.len()) else {
        return false;
    };
    let mut codes = vec![0; size];
    if reader.output_color_type() != (ColorType::Rgb, BitDepth::Eight)
        || reader.next_frame(&mut codes).is_err()
    {
        return false;
    }
    let (width, height) = (reader.info().width, reader.info().height);
    told == drawn(width, height, &codes).to_string()
}

/// Reads size and channels from the chunks before the pixels.
///
/// # Errors
/// As [`super::probe`].
pub fn probe(bytes: &[u8]) -> Result<Outline, MediaError> {
    let (width, height, components) = outline(&open(bytes)?)?;
    Ok(Outline { width, height, channels: plane_names(components) })
}

fn open(bytes: &[u8]) -> Result<Reader<Cursor<&[u8]>>, MediaError> {
    // The size is checked before the crate allocates its row buffers.
    if let Some(head) = bytes.get(16..24) {
        let word =
            |at: usize| u64::from(u32::from_be_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]));
        checked_size(Format::Png, word(0), word(4), 4)?;
    }
    let mut decoder = Decoder::new_with_limits(Cursor::new(bytes), Limits { bytes: 64 << 20 });
    decoder.set_transformations(Transformations::EXPAND);
    decoder.set_ignore_text_chunk(true);
    decoder.ignore_checksums(false);
    decoder.read_info().map_err(explain)
}

/// Width, height and components as they will be decoded.
fn outline(reader: &Reader<Cursor<&[u8]>>) -> Result<(u32, u32, usize), MediaError> {
    let info = reader.info();
    let (colour, _) = reader.output_color_type();
    let components = match colour {
        ColorType::Grayscale => 1,
        ColorType::GrayscaleAlpha => 2,
        ColorType::Rgb => 3,
        ColorType::Rgba => 4,
        ColorType::Indexed => return Err(Format::Png.damaged("its palette is missing")),
    };
    let (width, height) =
        checked_size(Format::Png, info.width.into(), info.height.into(), components as u64)?;
    Ok((width, height, components))
}

fn explain(error: DecodingError) -> MediaError {
    match error {
        DecodingError::IoError(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            Format::Png.truncated("it ends within a chunk")
        }
        error => Format::Png.damaged(error.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::sample_files::{flips_and_cuts, png as file};
    use proptest::prelude::*;

    fn values(raster: &Raster, name: &str) -> Vec<f32> {
        raster.planes.iter().find(|p| p.0 == name).unwrap_or_else(|| panic!("no plane {name}")).1.clone()
    }

    #[test]
    fn grey_is_three_equal_planes() {
        let raster = decode(&file(2, 1, ColorType::Grayscale, BitDepth::Eight, &[0, 51], None)).unwrap();
        assert_eq!((raster.width, raster.height, raster.straight_alpha), (2, 1, false));
        for name in ["R", "G", "B"] {
            assert_eq!(values(&raster, name), [0.0, 0.2]);
        }
        assert_eq!(raster.planes.len(), 3);
    }

    #[test]
    fn what_is_written_is_read() {
        let codes: Vec<u8> = (0..3 * 5 * 4).map(|n| (n * 37 % 256) as u8).collect();
        let bytes = encode(5, 4, &codes);
        assert_eq!(bytes, encode(5, 4, &codes));
        let raster = decode(&bytes).unwrap();
        assert_eq!((raster.width, raster.height, raster.planes.len()), (5, 4, 3));
        for (i, name) in ["R", "G", "B"].into_iter().enumerate() {
            let read: Vec<u8> = values(&raster, name).iter().map(|v| (v * 255.0).round() as u8).collect();
            assert!(read.iter().eq(codes.iter().skip(i).step_by(3)), "{name}");
        }
    }

    #[test]
    fn a_file_is_ours_until_it_is_painted_over() {
        let codes: Vec<u8> = (0..3 * 5 * 4).map(|n| (n * 37 % 256) as u8).collect();
        let bytes = encode(5, 4, &codes);
        assert!(is_own(&bytes));
        // Another program keeps the words and writes other pixels.
        let repainted = |texts: bool, codes: &[u8]| {
            let mut out = Vec::new();
            let mut encoder = Encoder::new(&mut out, 5, 4);
            encoder.set_color(ColorType::Rgb);
            encoder.set_depth(BitDepth::Eight);
            let reader = Decoder::new(Cursor::new(&bytes[..])).read_info().unwrap();
            for text in reader.info().uncompressed_latin1_text.iter().filter(|_| texts) {
                encoder.add_text_chunk(text.keyword.clone(), text.text.clone()).unwrap();
            }
            encoder.write_header().and_then(|mut writer| writer.write_image_data(codes)).unwrap();
            out
        };
        let mut painted = codes.clone();
        painted[7] ^= 1;
        assert!(repainted(true, &painted).windows(8).any(|w| w == b"Endboard"));
        assert!(!is_own(&repainted(true, &painted)) && !is_own(&repainted(false, &codes)));
        assert!(is_own(&repainted(true, &codes)));
        assert!(!is_own(b"") && !is_own(&bytes[..bytes.len() / 2]) && !is_own(b"no picture"));
    }

    #[test]
    fn sixteen_bits_are_exact() {
        let data: Vec<u8> = [1u16, 2, 65535, 32768].iter().flat_map(|v| v.to_be_bytes()).collect();
        let raster = decode(&file(1, 1, ColorType::Rgba, BitDepth::Sixteen, &data, None)).unwrap();
        assert!(raster.straight_alpha);
        for (name, code) in [("R", 1.0), ("G", 2.0), ("B", 65535.0), ("A", 32768.0)] {
            assert_eq!(values(&raster, name), [code / 65535.0]);
        }
    }

    #[test]
    fn palettes_and_small_depths_are_looked_up() {
        let palette = [255, 0, 0, 0, 102, 255];
        let raster =
            decode(&file(3, 1, ColorType::Indexed, BitDepth::One, &[0b0100_0000], Some(&palette))).unwrap();
        assert_eq!(values(&raster, "R"), [1.0, 0.0, 1.0]);
        assert_eq!(values(&raster, "G"), [0.0, 0.4, 0.0]);
        assert_eq!(values(&raster, "B"), [0.0, 1.0, 0.0]);
    }

    #[test]
    fn grey_with_alpha_and_probe_agree() {
        let bytes = file(1, 2, ColorType::GrayscaleAlpha, BitDepth::Eight, &[255, 0, 0, 255], None);
        let raster = decode(&bytes).unwrap();
        assert_eq!(values(&raster, "A"), [0.0, 1.0]);
        let outline = probe(&bytes).unwrap();
        assert_eq!(outline.channels, raster.planes.iter().map(|p| p.0.clone()).collect::<Vec<_>>());
        assert_eq!((outline.width, outline.height), (1, 2));
    }

    #[test]
    fn huge_claims_and_cut_files_are_errors() {
        let good = file(4, 4, ColorType::Rgb, BitDepth::Eight, &[7; 48], None);
        let mut huge = good.clone();
        huge[16..20].copy_from_slice(&40_000u32.to_be_bytes());
        assert!(matches!(decode(&huge), Err(MediaError::TooLarge { width: 40_000, .. })));
        assert!(matches!(decode(&good[..good.len() - 20]), Err(MediaError::Truncated { .. })));
        assert!(matches!(decode(&[]), Err(MediaError::Truncated { .. })));
    }

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in flips_and_cuts(file(9, 5, ColorType::Rgba, BitDepth::Eight, &[90; 180], None))) {
            let _ = decode(&bytes);
            let _ = probe(&bytes);
        }
    }
}
