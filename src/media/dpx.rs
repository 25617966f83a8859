//! DPX files (SMPTE ST 268-1): reads 8, 10, 12 and 16 bits a sample, writes 10-bit RGB.
//!
//! Knows the headers, both byte orders and the packings that cameras, scanners and post-production use:
//! 10 bits filled by method A or B, 12 bits filled, both without gaps, whole bytes and words. Does not know transfer curves:
//! samples are the code values, scaled so that the largest code is 1.0 (full range).
//! Offsets and field meanings are the standard's; `tests/media_outside.rs` holds the files against another library.

use super::image::Raster;
use super::{Format, MediaError, Outline, checked_size, plane_names, split_planes};

const MAGIC: u32 = 0x5344_5058;
/// Bytes of the generic and industry headers together.
const HEADERS: usize = 2048;
/// What the standard puts in fields that say nothing.
const UNDEFINED: u32 = u32::MAX;

/// The order of bytes in the words of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByteOrder {
    /// Most significant byte first.
    Big,
    /// Least significant byte first.
    Little,
}

impl ByteOrder {
    fn u16(self, bytes: [u8; 2]) -> u16 {
        if self == Self::Big { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) }
    }

    fn u32(self, bytes: [u8; 4]) -> u32 {
        if self == Self::Big { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) }
    }
}

/// What the written file says of its code values; the numbers are those of the standard's table
/// (2 linear, 3 logarithmic film density, 6 ITU-R BT.709).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Meaning {
    /// Transfer characteristic.
    pub transfer: u8,
    /// Colorimetric specification.
    pub colorimetric: u8,
}

/// How samples lie in the words of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Packing {
    Bytes,
    Words,
    /// 12 bits in a 16-bit word, with the given number of empty bits below.
    Twelve(u32),
    /// Samples of 10 or 12 bits without gaps, from the lowest bit of each 32-bit word on.
    Dense(u32),
    /// Three samples of 10 bits in a 32-bit word, with the given number of empty bits below.
    Ten(u32),
}

/// What the headers say of the first element.
#[derive(Debug)]
struct Layout {
    order: ByteOrder,
    size: (u32, u32),
    components: usize,
    packing: Packing,
    /// Where the pixels begin.
    offset: usize,
    /// Bytes after each line that belong to no pixel.
    padding: usize,
}

/// Fields of the headers at their offsets.
struct Fields<'a> {
    bytes: &'a [u8],
    order: ByteOrder,
}

impl Fields<'_> {
    fn u8(&self, at: usize) -> u8 {
        self.bytes[at]
    }

    fn u16(&self, at: usize) -> u16 {
        self.order.u16([self.bytes[at], self.bytes[at + 1]])
    }

    fn u32(&self, at: usize) -> u32 {
        let b = &self.bytes[at..at + 4];
        self.order.u32([b[0], b[1], b[2], b[3]])
    }
}

/// Decodes the first element of a file.
///
/// # Errors
/// As [`super::decode`].
pub fn decode(bytes: &[u8]) -> Result<Raster, MediaError> {
    let layout = layout(bytes)?;
    let (width, height) = (layout.size.0 as usize, layout.size.1 as usize);
    let samples = width * layout.components;
    let exact = match layout.packing {
        Packing::Bytes => samples,
        Packing::Words | Packing::Twelve(_) => samples * 2,
        Packing::Dense(bits) => (samples * bits as usize).div_ceil(32) * 4,
        Packing::Ten(_) => samples.div_ceil(3) * 4,
    };
    let pixels = bytes.get(layout.offset..).unwrap_or(&[]);
    // The standard begins each line at a 32-bit word; many writers of bytes and 16-bit words do not.
    // Only the length tells.
    let aligned = exact.next_multiple_of(4) + layout.padding;
    let stride =
        if aligned * (height - 1) + exact <= pixels.len() { aligned } else { exact + layout.padding };
    if stride * (height - 1) + exact > pixels.len() {
        let need = stride * (height - 1) + exact;
        return Err(Format::Dpx.truncated(format!("it has {} of {need} bytes of pixels", pixels.len())));
    }
    let mut codes = Vec::with_capacity(samples * height);
    for line in pixels.chunks(stride).take(height) {
        read_line(&layout, &line[..exact], samples, &mut codes);
    }
    let largest = match layout.packing {
        Packing::Bytes => 255.0,
        Packing::Words => 65535.0,
        Packing::Twelve(_) | Packing::Dense(12) => 4095.0,
        Packing::Ten(_) | Packing::Dense(_) => 1023.0,
    };
    Ok(split_planes(layout.size, layout.components, &codes, |code| f32::from(code) / largest))
}

fn read_line(layout: &Layout, line: &[u8], samples: usize, codes: &mut Vec<u16>) {
    let order = layout.order;
    match layout.packing {
        Packing::Bytes => codes.extend(line.iter().map(|&b| u16::from(b))),
        Packing::Words => codes.extend(line.chunks_exact(2).map(|b| order.u16([b[0], b[1]]))),
        Packing::Twelve(shift) => {
            codes.extend(line.chunks_exact(2).map(|b| (order.u16([b[0], b[1]]) >> shift) & 0xfff));
        }
        Packing::Dense(bits) => {
            let mut words = line.chunks_exact(4).map(|b| order.u32([b[0], b[1], b[2], b[3]]));
            let (mut held, mut count) = (0u64, 0);
            for _ in 0..samples {
                if count < bits {
                    held |= u64::from(words.next().unwrap_or(0)) << count;
                    count += 32;
                }
                codes.push((held & ((1 << bits) - 1)) as u16);
                held >>= bits;
                count -= bits;
            }
        }
        Packing::Ten(shift) => {
            let end = codes.len() + samples;
            for b in line.chunks_exact(4) {
                let word = order.u32([b[0], b[1], b[2], b[3]]) >> shift;
                codes.extend([word >> 20, word >> 10, word].map(|code| (code & 0x3ff) as u16));
            }
            codes.truncate(end);
        }
    }
}

/// Reads size and channels from the headers.
///
/// # Errors
/// As [`super::probe`].
pub fn probe(bytes: &[u8]) -> Result<Outline, MediaError> {
    let layout = layout(bytes)?;
    let (width, height) = layout.size;
    Ok(Outline { width, height, channels: plane_names(layout.components) })
}

fn layout(bytes: &[u8]) -> Result<Layout, MediaError> {
    let Some(&magic) = bytes.first_chunk::<4>() else {
        return Err(Format::Dpx.truncated("it ends within the magic number"));
    };
    let order = match u32::from_be_bytes(magic) {
        MAGIC => ByteOrder::Big,
        other if other.swap_bytes() == MAGIC => ByteOrder::Little,
        _ => return Err(Format::Dpx.damaged("it does not begin with the magic number")),
    };
    // The television header may be missing; the image header must be there.
    if bytes.len() < 1408 {
        return Err(Format::Dpx.truncated("it ends within the headers"));
    }
    let fields = Fields { bytes, order };
    let element = 780;
    if fields.u16(768) != 0 {
        return Err(Format::Dpx.unsupported(format!("image orientation {}", fields.u16(768))));
    }
    if fields.u16(770) != 1 {
        return Err(Format::Dpx.unsupported(format!("{} image elements", fields.u16(770))));
    }
    if fields.u32(element) == 1 {
        return Err(Format::Dpx.unsupported("signed samples"));
    }
    let components = match fields.u8(element + 20) {
        6 => 1,
        50 => 3,
        51 => 4,
        other => return Err(Format::Dpx.unsupported(format!("image descriptor {other}"))),
    };
    if !matches!(fields.u16(element + 26), 0 | u16::MAX) {
        return Err(Format::Dpx.unsupported("run-length encoding"));
    }
    let packing = match (fields.u8(element + 23), fields.u16(element + 24)) {
        (8, _) => Packing::Bytes,
        (16, _) => Packing::Words,
        // A grey file counts its samples from the other end of the word in practice; writers disagree.
        (10, _) if components == 1 => return Err(Format::Dpx.unsupported("10-bit grey")),
        (bits @ (10 | 12), 0) => Packing::Dense(bits.into()),
        (10, 1 | 5) => Packing::Ten(2),
        (10, 2 | 6) => Packing::Ten(0),
        (12, 1 | 5) => Packing::Twelve(4),
        (12, 2 | 6) => Packing::Twelve(0),
        (bits, method) => {
            return Err(Format::Dpx.unsupported(format!("packing {method} of {bits}-bit samples")));
        }
    };
    let (width, height) = (fields.u32(772).into(), fields.u32(776).into());
    let size = checked_size(Format::Dpx, width, height, components as u64)?;
    let own = fields.u32(element + 28);
    let offset = if matches!(own, 0 | UNDEFINED) { fields.u32(4) } else { own };
    let padding = match fields.u32(element + 32) {
        UNDEFINED => 0,
        many if many > 1 << 20 => {
            return Err(Format::Dpx.damaged(format!("its lines end with {many} bytes of padding")));
        }
        few => few as usize,
    };
    if (offset as usize) < 1408 {
        return Err(Format::Dpx.damaged("its pixels would begin within the headers"));
    }
    Ok(Layout { order, size, components, packing, offset: offset as usize, padding })
}

/// Writes the planes `R`, `G` and `B` with 10 bits a sample, filled by method A. Values are clamped to
/// 0 to 1 and rounded to the nearest of the 1024 codes; what is no number becomes 0. The same raster gives
/// the same bytes.
///
/// # Errors
/// When one of the planes is missing, or the size is zero or beyond the limits.
pub fn encode(raster: &Raster, order: ByteOrder, meaning: Meaning) -> Result<Vec<u8>, MediaError> {
    let (width, height) = checked_size(Format::Dpx, raster.width.into(), raster.height.into(), 3)?;
    let pixels = width as usize * height as usize;
    let plane =
        |name: &str| raster.planes.iter().find(|p| p.0 == name && p.1.len() == pixels).map(|p| &p.1[..]);
    let (Some(red), Some(green), Some(blue)) = (plane("R"), plane("G"), plane("B")) else {
        let expected = "R, G and B, all of the picture's size,".to_string();
        return Err(MediaError::Channels { format: Format::Dpx, expected, found: raster.planes.len() });
    };
    let mut out = headers((width, height), order, meaning);
    out.reserve_exact(pixels * 4);
    for ((&r, &g), &b) in red.iter().zip(green).zip(blue) {
        let word = code(r) << 22 | code(g) << 12 | code(b) << 2;
        out.extend(if order == ByteOrder::Big { word.to_be_bytes() } else { word.to_le_bytes() });
    }
    Ok(out)
}

fn code(value: f32) -> u32 {
    // The cast turns what is no number into 0.
    (value.clamp(0.0, 1.0) * 1023.0).round() as u32
}

fn headers((width, height): (u32, u32), order: ByteOrder, meaning: Meaning) -> Vec<u8> {
    let mut out = vec![0u8; HEADERS];
    let mut put = |at: usize, value: u32, bytes: usize| {
        let all = if order == ByteOrder::Big { value << (8 * (4 - bytes)) } else { value };
        let all = if order == ByteOrder::Big { all.to_be_bytes() } else { all.to_le_bytes() };
        out[at..at + bytes].copy_from_slice(&all[..bytes]);
    };
    // The file: magic, offset of the pixels, file size, a file of its own, lengths of the headers, no key.
    let file = [(0, MAGIC), (4, HEADERS as u32), (16, HEADERS as u32 + width * height * 4), (20, 1)];
    let lengths = [(24, 1664), (28, 384), (32, 0), (660, UNDEFINED)];
    for (at, value) in file.into_iter().chain(lengths) {
        put(at, value, 4);
    }
    // The image: left to right and top to bottom, one element.
    put(768, 0, 2);
    put(770, 1, 2);
    put(772, width, 4);
    put(776, height, 4);
    // The element: unsigned, code range, RGB, meaning, 10 bits filled by method A, not encoded.
    for (at, value) in [(0, 0), (4, 0), (8, UNDEFINED), (12, 1023), (16, UNDEFINED), (28, HEADERS as u32)] {
        put(780 + at, value, 4);
    }
    for (at, value) in [(20, 50), (21, meaning.transfer), (22, meaning.colorimetric), (23, 10)] {
        put(780 + at, value.into(), 1);
    }
    put(780 + 24, 1, 2);
    put(780 + 26, 0, 2);
    // The other seven elements, origin, centre, film and television fields say nothing; texts stay empty.
    for at in (852..1356).step_by(4).chain((1408..1432).step_by(4)).chain((1712..1732).step_by(4)) {
        put(at, UNDEFINED, 4);
    }
    for at in (1920..1928).step_by(4).chain((1932..1972).step_by(4)) {
        put(at, UNDEFINED, 4);
    }
    // Square pixels.
    put(1628, 1, 4);
    put(1632, 1, 4);
    out[8..12].copy_from_slice(b"V2.0");
    out[160..168].copy_from_slice(b"endboard");
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::sample_files::flips_and_cuts;
    use proptest::prelude::*;

    fn raster(width: u32, height: u32, seed: u32) -> Raster {
        let plane = |p: u32| -> Vec<f32> {
            (0..width * height).map(|i| ((i * 37 + p * 411 + seed) % 1024) as f32 / 1023.0).collect()
        };
        let planes = ["R", "G", "B"].iter().zip(0..).map(|(n, p)| (n.to_string(), plane(p))).collect();
        Raster { width, height, planes, straight_alpha: false }
    }

    const FILM: Meaning = Meaning { transfer: 3, colorimetric: 0 };

    #[test]
    fn all_codes_come_back_in_both_orders() {
        for (width, height) in [(1, 1), (17, 3), (1, 100), (64, 64)] {
            let picture = raster(width, height, 5);
            for order in [ByteOrder::Big, ByteOrder::Little] {
                assert_eq!(decode(&encode(&picture, order, FILM).unwrap()).unwrap(), picture);
            }
        }
    }

    /// The word is put together by hand as the standard draws method A: red in the top ten bits.
    #[test]
    fn bits_lie_as_in_the_standard() {
        let mut picture = raster(1, 1, 0);
        for (plane, value) in picture.planes.iter_mut().zip([1.0, 0.0, 1.0 / 1023.0]) {
            plane.1[0] = value;
        }
        let big = encode(&picture, ByteOrder::Big, FILM).unwrap();
        assert_eq!(&big[..4], b"SDPX");
        assert_eq!(big[HEADERS..], [0xff, 0xc0, 0x00, 0x04]);
        let little = encode(&picture, ByteOrder::Little, FILM).unwrap();
        assert_eq!(&little[..4], b"XPDS");
        assert_eq!(little[HEADERS..], [0x04, 0x00, 0xc0, 0xff]);
    }

    #[test]
    fn values_out_of_range_are_clamped() {
        let mut picture = raster(4, 1, 0);
        picture.planes[0].1 = vec![-1.0, 2.0, f32::NAN, f32::INFINITY];
        let back = decode(&encode(&picture, ByteOrder::Big, FILM).unwrap()).unwrap();
        assert_eq!(back.planes[0].1, [0.0, 1.0, 0.0, 1.0]);
    }

    /// Headers of our own with other sample sizes, and pixels put together by hand.
    #[test]
    fn other_depths_are_read() {
        let file = |bits: u8, method: u8, components: u8, width: u32, pixels: &[u8]| {
            let mut bytes = headers((width, 1), ByteOrder::Big, FILM);
            bytes[780 + 20] = components;
            bytes[780 + 23] = bits;
            bytes[780 + 25] = method;
            bytes.extend_from_slice(pixels);
            decode(&bytes).map(|raster| raster.planes.iter().map(|p| p.1[0]).collect::<Vec<_>>())
        };
        assert_eq!(file(8, 0, 50, 1, &[255, 0, 51]).unwrap(), [1.0, 0.0, 0.2]);
        assert_eq!(file(8, 0, 6, 1, &[51]).unwrap(), [0.2; 3]);
        assert_eq!(file(16, 0, 51, 1, &[255, 255, 0, 0, 0, 1, 0, 2]).unwrap()[3], 2.0 / 65535.0);
        assert_eq!(file(12, 1, 50, 1, &[0xff, 0xf0, 0, 0, 0, 0x10]).unwrap(), [1.0, 0.0, 1.0 / 4095.0]);
        assert_eq!(file(12, 2, 50, 1, &[0x0f, 0xff, 0, 0, 0, 1]).unwrap(), [1.0, 0.0, 1.0 / 4095.0]);
        assert_eq!(file(10, 2, 50, 1, &[0x3f, 0xf0, 0, 1]).unwrap(), [1.0, 0.0, 1.0 / 1023.0]);
        assert!(matches!(file(10, 3, 50, 1, &[0; 4]), Err(MediaError::Unsupported { .. })));
        assert_eq!(file(10, 0, 50, 1, &[0x00, 0x10, 0x03, 0xff]).unwrap(), [1.0, 0.0, 1.0 / 1023.0]);
        assert_eq!(file(12, 0, 50, 1, &[0x01, 0, 0x0f, 0xff, 0, 0, 0, 0]).unwrap(), [1.0, 0.0, 1.0 / 4095.0]);
        assert!(matches!(file(10, 1, 50, 2, &[0; 4]), Err(MediaError::Truncated { .. })));
    }

    #[test]
    fn wrong_planes_and_claims_are_errors() {
        let mut picture = raster(2, 2, 0);
        let mut bytes = encode(&picture, ByteOrder::Big, FILM).unwrap();
        bytes[772..776].copy_from_slice(&100_000u32.to_be_bytes());
        assert!(matches!(decode(&bytes), Err(MediaError::TooLarge { .. })));
        picture.planes.pop();
        assert!(matches!(encode(&picture, ByteOrder::Big, FILM), Err(MediaError::Channels { found: 2, .. })));
    }

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in flips_and_cuts(encode(&raster(7, 5, 1), ByteOrder::Little, FILM).unwrap())) {
            let _ = decode(&bytes);
            let _ = probe(&bytes);
        }

        #[test]
        fn no_headers_panic(
            at in 768usize..860,
            value in any::<u8>(),
            more in 768usize..860,
            other in any::<u8>(),
        ) {
            let mut bytes = encode(&raster(7, 5, 1), ByteOrder::Big, FILM).unwrap();
            bytes[at] = value;
            bytes[more] = other;
            if let Ok(picture) = decode(&bytes) {
                let outline = probe(&bytes).unwrap();
                prop_assert_eq!((picture.width, picture.height), (outline.width, outline.height));
            }
        }
    }
}
