//! Small picture files for tests, written by other crates, and ways to spoil them.
//!
//! Knows encoders that the tool itself does not use. Does not know what the readers make of the bytes.

use proptest::prelude::*;

/// A PNG file; `data` are packed rows.
pub(super) fn png(
    width: u32,
    height: u32,
    colour: png::ColorType,
    depth: png::BitDepth,
    data: &[u8],
    palette: Option<&[u8]>,
) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width, height);
    encoder.set_color(colour);
    encoder.set_depth(depth);
    if let Some(palette) = palette {
        encoder.set_palette(palette.to_vec());
    }
    let mut writer = encoder.write_header().expect("a valid header");
    writer.write_image_data(data).expect("data of the right size");
    writer.finish().expect("a complete file");
    out
}

/// A JPEG file of quality 95.
pub(super) fn jpeg(
    width: u16,
    height: u16,
    colour: jpeg_encoder::ColorType,
    data: &[u8],
    progressive: bool,
) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut out, 95);
    encoder.set_progressive(progressive);
    encoder.encode(data, width, height, colour).expect("data of the right size");
    out
}

/// The file cut short, with some bits turned over, or random bytes after its true beginning.
pub(super) fn flips_and_cuts(good: Vec<u8>) -> impl Strategy<Value = Vec<u8>> {
    let length = good.len();
    let flips = proptest::collection::vec((0..length, 0..8u32), 0..12);
    let tail = proptest::collection::vec(any::<u8>(), 0..64);
    (Just(good), flips, 0..=length, tail, 0..4u32).prop_map(|(mut bytes, flips, cut, tail, way)| {
        if way != 1 {
            for (at, bit) in flips {
                bytes[at] ^= 1 << bit;
            }
        }
        if way != 0 {
            bytes.truncate(cut);
        }
        if way == 3 {
            bytes.extend(tail);
        }
        bytes
    })
}
