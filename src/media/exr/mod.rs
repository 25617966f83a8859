//! OpenEXR files: writes half-float ZIP files, reads those fast and all others through the `exr` crate.
//!
//! Knows how rows become planes of the display window's size. Does not know colour spaces: samples are as
//! in the file.

mod block;
mod foreign;
mod header;
mod read;

use half::f16;
use half::slice::HalfFloatSliceExt;

use super::image::{Channel, Image, RGBA, Raster, half_bytes};
use super::{MediaError, Outline};
use block::Packer;
pub use header::Fact;
use header::{Header, Window, lines_per_chunk};
use read::{Row, Sink};

/// How the samples of a written file are compressed; all are lossless.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Compression {
    /// Not at all.
    None,
    /// Deflate, each scan line alone.
    Zips,
    /// Deflate, 16 scan lines at a time.
    #[default]
    Zip,
}

/// The longest head of a render's file, in bytes.
const HEAD: usize = 1 << 16;

impl Compression {
    fn number(self) -> u8 {
        match self {
            Self::None => 0,
            Self::Zips => 2,
            Self::Zip => 3,
        }
    }
}

/// Writes an image as a scan-line file of half channels; the same image gives the same bytes. Each fact
/// (name, value) becomes an attribute.
///
/// # Errors
/// When the size is zero or beyond the limits, or a channel's or fact's name is empty, longer than 255
/// bytes, used twice, holds a zero byte or is one that the format reserves.
pub fn encode(
    image: &Image,
    compression: Compression,
    facts: &[(String, Fact)],
) -> Result<Vec<u8>, MediaError> {
    let (width, height) = (image.width(), image.height());
    let count = image.channels().len();
    super::checked_size(super::Format::Exr, width.into(), height.into(), count as u64)?;
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by(|&a, &b| image.channels()[a].name.cmp(&image.channels()[b].name));
    let names: Vec<&str> = order.iter().map(|&c| &*image.channels()[c].name).collect();

    let mut out = Vec::with_capacity(image.bytes() / 2 + 4096);
    header::write(&mut out, (width, height), &names, compression.number(), facts)?;
    let lines = lines_per_chunk(compression.number()) as u32;
    let table = out.len();
    out.resize(table + 8 * height.div_ceil(lines) as usize, 0);
    let mut packer = Packer::new();
    for (chunk, top) in (0..height).step_by(lines as usize).enumerate() {
        let bottom = height.min(top + lines);
        let rows = || (top..bottom).flat_map(|y| order.iter().map(move |&c| image.row(c, y)));
        let samples = (bottom - top) as usize * width as usize * count;
        let offset = out.len() as u64;
        out[table + 8 * chunk..][..8].copy_from_slice(&offset.to_le_bytes());
        out.extend_from_slice(&top.to_le_bytes());
        let packed = if compression == Compression::None { None } else { packer.pack(rows(), samples) };
        let size = packed.map_or(samples * 2, <[u8]>::len);
        out.extend_from_slice(&(size as u32).to_le_bytes());
        match packed {
            Some(packed) => out.extend_from_slice(packed),
            None => rows().for_each(|row| out.extend_from_slice(&half_bytes(row))),
        }
    }
    Ok(out)
}

/// True when a file as [`encode`] writes it reaches to the end of its last chunk. Reads its head and four bytes more;
/// samples are not looked at.
pub fn is_whole(file: &std::fs::File) -> bool {
    use std::os::unix::fs::FileExt;
    let end = || -> Option<(u64, u64)> {
        let size = file.metadata().ok()?.len();
        let mut head = vec![0; size.min(HEAD as u64) as usize];
        file.read_exact_at(&mut head, 0).ok()?;
        let header = header::read(&head).ok()?;
        let mut number = [0; 8];
        file.read_exact_at(&mut number, header.end as u64 + 8 * header.chunks.checked_sub(1)?).ok()?;
        let last = u64::from_le_bytes(number);
        // A chunk is its first line, the length of its samples, and these.
        let mut length = [0; 4];
        file.read_exact_at(&mut length, last.checked_add(4)?).ok()?;
        Some((size, last + 8 + u64::from(u32::from_le_bytes(length))))
    };
    end().is_some_and(|(size, end)| size == end)
}

/// The most bytes that a file may have whose head says what this one's does: none of it is decoded.
///
/// # Errors
/// Its head is none, or is longer than any that a render needs.
pub fn most(bytes: &[u8]) -> Result<u64, MediaError> {
    let header = header::read(bytes)?;
    if header.end > HEAD {
        return Err(super::Format::Exr.damaged(format!("its head is longer than {} KiB", HEAD >> 10)));
    }
    let pixels = header.data.width() * header.data.height();
    let samples: u64 = header.channels.iter().map(|channel| channel.kind.bytes() as u64 * pixels).sum();
    Ok(header.end as u64 + 16 * header.chunks + samples)
}

/// True when a file of this image is laid out as [`encode`] lays it out with ZIP: the same head, and after its table nothing but
/// the chunks, one after the other. What is packed into them is not compared.
pub fn is_as_encoded(bytes: &[u8], image: &Image, facts: &[(String, Fact)]) -> bool {
    let mut names: Vec<&str> = image.channels().iter().map(|channel| &*channel.name).collect();
    names.sort_unstable();
    let (mut head, zip) = (Vec::new(), Compression::Zip.number());
    let size = (image.width(), image.height());
    if header::write(&mut head, size, &names, zip, facts).is_err() || !bytes.starts_with(&head) {
        return false;
    }
    let number = |at: usize| bytes.get(at..at + 8)?.try_into().ok().map(u64::from_le_bytes);
    let lines = lines_per_chunk(zip) as u32;
    let mut at = head.len() + 8 * image.height().div_ceil(lines) as usize;
    for (chunk, top) in (0..image.height()).step_by(lines as usize).enumerate() {
        let most =
            u64::from(lines.min(image.height() - top)) * u64::from(image.width()) * 2 * names.len() as u64;
        let is_next = number(head.len() + 8 * chunk) == Some(at as u64);
        // A chunk's head: its first line, and the length of what follows.
        let Some(told) = number(at).filter(|told| is_next && *told as u32 == top) else { return false };
        let length = told >> 32;
        if length > most {
            return false;
        }
        at += 8 + length as usize;
    }
    at == bytes.len()
}

/// Reads a file as an image of the display window's size; pixels outside the data window are zero. Half
/// samples keep every bit; others are rounded to the nearest half, ties to even. Channels are `R`, `G`,
/// `B`, `A`, as far as there are, then the others by name.
///
/// # Errors
/// As [`super::decode`].
pub fn decode_image(bytes: &[u8]) -> Result<Image, MediaError> {
    let header = header::read(bytes)?;
    let names: Vec<&str> = header.channels.iter().map(|c| c.name.as_str()).collect();
    let order = plane_order(&names);
    let (width, height) = (header.display.width() as usize, header.display.height() as usize);
    let mut planes = planes(&header, bytes, f16::ZERO)?;
    let mut rounded = Vec::new();
    read_rows(&header, bytes, &mut |channel, x, y, row| {
        let Some(place) = Place::of(&header.display, x, y, row_length(&row)) else { return };
        let out = &mut planes[channel][place.at..][..place.count];
        match row {
            Row::Half(samples) => out.copy_from_slice(&samples[place.skip..][..place.count]),
            Row::Float(samples) => out.convert_from_f32_slice(&samples[place.skip..][..place.count]),
            Row::Uint(samples) => {
                rounded.clear();
                rounded.extend(samples[place.skip..][..place.count].iter().map(|&s| s as f32));
                out.convert_from_f32_slice(&rounded);
            }
        }
    })?;
    let channels = order
        .iter()
        .map(|&c| Channel { name: names[c].into(), samples: std::mem::take(&mut planes[c]) })
        .collect();
    Ok(Image::from_channels(width as u32, height as u32, channels))
}

/// Reads a file as 32-bit planes of the display window's size; pixels outside the data window are zero.
/// A file of luminance alone (`Y`) is grey: its plane is given as `R`, `G` and `B`.
///
/// # Errors
/// As [`super::decode`].
pub fn decode(bytes: &[u8]) -> Result<Raster, MediaError> {
    let header = header::read(bytes)?;
    let mut planes = planes(&header, bytes, 0f32)?;
    read_rows(&header, bytes, &mut |channel, x, y, row| {
        let Some(place) = Place::of(&header.display, x, y, row_length(&row)) else { return };
        let out = &mut planes[channel][place.at..][..place.count];
        match row {
            Row::Half(samples) => samples[place.skip..][..place.count].convert_to_f32_slice(out),
            Row::Float(samples) => out.copy_from_slice(&samples[place.skip..][..place.count]),
            Row::Uint(samples) => {
                for (o, &s) in out.iter_mut().zip(&samples[place.skip..]) {
                    *o = s as f32;
                }
            }
        }
    })?;
    let named = named_planes(&header);
    let mut left: Vec<usize> = (0..planes.len()).map(|c| named.iter().filter(|n| n.1 == c).count()).collect();
    let planes = named
        .into_iter()
        .map(|(name, c)| {
            left[c] -= 1;
            let plane = if left[c] == 0 { std::mem::take(&mut planes[c]) } else { planes[c].clone() };
            (name, plane)
        })
        .collect();
    let (width, height) = (header.display.width() as u32, header.display.height() as u32);
    Ok(Raster { width, height, planes, straight_alpha: false })
}

/// Reads size and channels, as [`decode`] gives them, from the header.
///
/// # Errors
/// As [`super::probe`].
pub fn probe(bytes: &[u8]) -> Result<Outline, MediaError> {
    let header = header::read(bytes)?;
    let (width, height) = (header.display.width() as u32, header.display.height() as u32);
    Ok(Outline { width, height, channels: named_planes(&header).into_iter().map(|(name, _)| name).collect() })
}

fn read_rows(header: &Header, bytes: &[u8], sink: &mut Sink<'_>) -> Result<(), MediaError> {
    if read::suits(header) { read::read(header, bytes, sink) } else { foreign::read(header, bytes, sink) }
}

/// Zeroed planes of the display window's size, after a check that the file can hold its pixels.
fn planes<T: Copy>(header: &Header, bytes: &[u8], zero: T) -> Result<Vec<Vec<T>>, MediaError> {
    header::check_length(header, bytes)?;
    let samples = (header.display.width() * header.display.height()) as usize;
    Ok(header.channels.iter().map(|_| vec![zero; samples]).collect())
}

fn row_length(row: &Row<'_>) -> usize {
    match row {
        Row::Half(samples) => samples.len(),
        Row::Float(samples) => samples.len(),
        Row::Uint(samples) => samples.len(),
    }
}

/// Positions of names in plane order: `R`, `G`, `B`, `A`, then the others as they come.
fn plane_order(names: &[&str]) -> Vec<usize> {
    let colour = RGBA.iter().filter_map(|c| names.iter().position(|n| n == c));
    let others = (0..names.len()).filter(|&i| !RGBA.contains(&names[i]));
    colour.chain(others).collect()
}

/// The planes of a decoded raster: name and the file's channel that it comes from.
fn named_planes(header: &Header) -> Vec<(String, usize)> {
    let names: Vec<&str> = header.channels.iter().map(|c| c.name.as_str()).collect();
    let grey = names.iter().position(|&n| n == "Y").filter(|_| !RGBA[..3].iter().any(|c| names.contains(c)));
    let colour = grey.into_iter().flat_map(|y| RGBA[..3].iter().map(move |c| (c.to_string(), y)));
    let others = plane_order(&names).into_iter().filter(|&c| Some(c) != grey);
    colour.chain(others.map(|c| (names[c].to_string(), c))).collect()
}

/// Where the part of a row that the display window shows goes.
struct Place {
    /// Samples of the row before the window.
    skip: usize,
    /// Index in the plane.
    at: usize,
    /// Samples in the window.
    count: usize,
}

impl Place {
    fn of(display: &Window, x: i64, y: i64, length: usize) -> Option<Self> {
        let first = x.max(display.left);
        let last = (x + length as i64 - 1).min(display.right);
        if y < display.top || y > display.bottom || first > last {
            return None;
        }
        let at = (y - display.top) * display.width() as i64 + first - display.left;
        Some(Self { skip: (first - x) as usize, at: at as usize, count: (last - first + 1) as usize })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::sample_files::flips_and_cuts;
    use crate::media::{Format, MediaError};
    use proptest::prelude::*;

    const ALL: [Compression; 3] = [Compression::None, Compression::Zips, Compression::Zip];

    /// An image whose samples run through half bit patterns from `seed` on.
    fn image(width: u32, height: u32, names: &[&str], seed: u16) -> Image {
        let mut image = Image::new(width, height, names);
        for plane in 0..names.len() {
            for (i, sample) in image.samples_mut(plane).iter_mut().enumerate() {
                *sample =
                    f16::from_bits((i as u16).wrapping_mul(7).wrapping_add(seed).wrapping_add(plane as u16));
            }
        }
        image
    }

    fn bits(image: &Image) -> Vec<(String, Vec<u16>)> {
        let samples = |c: &Channel| c.samples.iter().map(|s| s.to_bits()).collect();
        image.channels().iter().map(|c| (c.name.to_string(), samples(c))).collect()
    }

    #[test]
    fn every_half_pattern_comes_back_bit_for_bit() {
        let mut all = Image::new(256, 256, &["R"]);
        for (sample, pattern) in all.samples_mut(0).iter_mut().zip(0..=u16::MAX) {
            *sample = f16::from_bits(pattern);
        }
        for compression in ALL {
            let back = decode_image(&encode(&all, compression, &[]).unwrap()).unwrap();
            assert_eq!(bits(&back), bits(&all), "{compression:?}");
        }
    }

    #[test]
    fn odd_sizes_and_names_come_back() {
        for (width, height) in [(1, 1), (17, 3), (1, 100), (100, 1), (33, 16), (5, 17)] {
            for compression in ALL {
                let names = ["R", "G", "B", "A", "Z", "a matte of a very long name, forty-one bytes"];
                let picture = image(width, height, &names, 0x3b00);
                let back = decode_image(&encode(&picture, compression, &[]).unwrap()).unwrap();
                assert_eq!(bits(&back), bits(&picture), "{width} x {height} {compression:?}");
            }
        }
    }

    #[test]
    fn colour_comes_first_then_names() {
        let back =
            decode_image(&encode(&image(2, 2, &["crew", "A", "R"], 0), Compression::Zip, &[]).unwrap());
        let names: Vec<String> = back.unwrap().channels().iter().map(|c| c.name.to_string()).collect();
        assert_eq!(names, ["R", "A", "crew"]);
        let grey = encode(&image(2, 2, &["Y", "crew"], 9), Compression::Zip, &[]).unwrap();
        let raster = decode(&grey).unwrap();
        let names: Vec<&str> = raster.planes.iter().map(|p| p.0.as_str()).collect();
        assert_eq!(names, ["R", "G", "B", "crew"]);
        assert_eq!(probe(&grey).unwrap().channels, names);
        assert_eq!(raster.planes[0].1, raster.planes[2].1);
        assert_eq!(decode_image(&grey).unwrap().channel("Y"), Some(0));
    }

    #[test]
    fn same_image_gives_same_bytes_and_facts_are_attributes() {
        let picture = image(40, 40, &RGBA, 0x3c00);
        let places = [[0.64, 0.33], [0.30, 0.60], [0.15, 0.06], [0.3127, 0.3290]];
        let facts = [
            ("shot".to_string(), Fact::Text("br030".to_string())),
            ("key".to_string(), Fact::Text("Brine Lamp ✓".to_string())),
            ("chromaticities".to_string(), Fact::Chromaticities(places)),
        ];
        let bytes = encode(&picture, Compression::Zip, &facts).unwrap();
        assert_eq!(bytes, encode(&picture, Compression::Zip, &facts).unwrap());
        // The exr crate is another reader of the header.
        let file = ::exr::meta::MetaData::read_from_buffered(&bytes[..], true).unwrap();
        let said = file.headers[0].shared_attributes.chromaticities.unwrap();
        let all = [said.red, said.green, said.blue, said.white];
        assert_eq!(all.map(|::exr::math::Vec2(x, y)| [x, y]), places);
        let key = file.headers[0].own_attributes.other.iter().find(|(name, _)| **name == *"shot");
        assert_eq!(key.unwrap().1, &::exr::meta::attribute::AttributeValue::Text("br030".into()));
    }

    #[test]
    fn names_that_cannot_be_written_are_errors() {
        let fails = |names: &[&str], facts: &[(&str, &str)]| {
            let facts: Vec<_> =
                facts.iter().map(|&(n, v)| (n.to_string(), Fact::Text(v.to_string()))).collect();
            encode(&Image::new(1, 1, names), Compression::Zip, &facts).unwrap_err()
        };
        let long = "x".repeat(256);
        for names in [&["R", "R"][..], &[""], &["a\0b"], &[&long]] {
            assert!(matches!(fails(names, &[]), MediaError::Name { .. }), "{names:?}");
        }
        for facts in [&[("shot", "a"), ("shot", "b")][..], &[("channels", "a")], &[("", "a")]] {
            assert!(matches!(fails(&["R"], facts), MediaError::Name { .. }), "{facts:?}");
        }
        assert!(matches!(fails(&[], &[]), MediaError::Channels { .. }));
    }

    /// Replaces the 16 bytes of a window in a file of ours.
    fn with_window(bytes: &[u8], name: &str, corners: [i32; 4]) -> Vec<u8> {
        let needle = format!("{name}\0box2i\0");
        let at = bytes.windows(needle.len()).position(|w| w == needle.as_bytes()).unwrap() + needle.len() + 4;
        let mut bytes = bytes.to_vec();
        for (i, corner) in corners.iter().enumerate() {
            bytes[at + 4 * i..][..4].copy_from_slice(&corner.to_le_bytes());
        }
        bytes
    }

    #[test]
    fn windows_are_laid_over_each_other() {
        let bytes = encode(&image(4, 1, &["R"], 0x3c00), Compression::Zip, &[]).unwrap();
        let shown = |corners| {
            let back = decode_image(&with_window(&bytes, "displayWindow", corners)).unwrap();
            let samples = back.channels()[0].samples.iter().map(|s| s.to_bits()).collect::<Vec<_>>();
            ((back.width(), back.height()), samples)
        };
        let row = [0x3c00, 0x3c07, 0x3c0e, 0x3c15];
        assert_eq!(shown([1, 0, 2, 0]), ((2, 1), vec![row[1], row[2]]));
        assert_eq!(shown([-1, -1, 1, 0]), ((3, 2), vec![0, 0, 0, 0, row[0], row[1]]));
        assert_eq!(shown([3, 0, 4, 0]), ((2, 1), vec![row[3], 0]));
        assert_eq!(shown([i32::MAX - 1, i32::MAX, i32::MAX, i32::MAX]), ((2, 1), vec![0, 0]));
        assert_eq!(shown([i32::MIN, 0, i32::MIN + 1, 0]), ((2, 1), vec![0, 0]));
    }

    #[test]
    fn false_claims_are_errors_before_anything_is_allocated() {
        let bytes = encode(&image(4, 4, &["R"], 0), Compression::Zip, &[]).unwrap();
        let claim = |name, corners| decode_image(&with_window(&bytes, name, corners)).unwrap_err();
        for window in ["dataWindow", "displayWindow"] {
            let all = [i32::MIN, i32::MIN, i32::MAX, i32::MAX];
            assert!(matches!(claim(window, all), MediaError::TooLarge { .. }));
            assert!(matches!(claim(window, [5, 5, 4, 4]), MediaError::Damaged { .. }));
        }
        assert!(matches!(claim("dataWindow", [0, 0, 9999, 9999]), MediaError::Truncated { .. }));
        let far = claim("dataWindow", [0, i32::MAX - 3, 3, i32::MAX]);
        assert!(matches!(far, MediaError::Damaged { .. }));
    }

    #[test]
    fn cut_files_are_truncated_at_any_length() {
        let bytes = encode(&image(20, 40, &["G"], 0), Compression::Zips, &[]).unwrap();
        for length in 0..bytes.len() {
            let error = decode_image(&bytes[..length]).unwrap_err();
            assert!(matches!(error, MediaError::Truncated { .. }), "{length}: {error}");
        }
    }

    #[test]
    fn a_file_that_is_not_as_it_would_be_written_is_told_by_its_head_or_its_length() {
        let facts = [("chromaticities".to_string(), Fact::Chromaticities([[0.64, 0.33]; 4]))];
        for (width, height) in [(20, 40), (1, 1), (17, 16)] {
            let picture = image(width, height, &RGBA, 0x3b00);
            let bytes = encode(&picture, Compression::Zip, &facts).unwrap();
            let is_ours = |bytes: &[u8]| is_as_encoded(bytes, &decode_image(bytes).unwrap(), &facts);
            assert!(is_ours(&bytes) && bytes.len() as u64 <= most(&bytes).unwrap());
            assert!(!is_ours(&[&bytes[..], b"salt"].concat()));
            for name in [
                &b"chromaticities\0chromaticities\0"[..],
                b"pixelAspectRatio\0float\0",
                b"screenWindowWidth\0float\0",
            ] {
                let at = bytes.windows(name.len()).position(|w| w == name).unwrap() + name.len() + 4;
                let mut other = bytes.clone();
                other[at + 1] ^= 1;
                assert!(!is_ours(&other), "{}", String::from_utf8_lossy(name));
            }
            let corners = [0, 0, width as i32 - 1, height as i32 + 1];
            assert!(!is_ours(&with_window(&bytes, "displayWindow", corners)));
            for other in [Compression::None, Compression::Zips] {
                assert!(!is_ours(&encode(&picture, other, &facts).unwrap()));
            }
            let long = [&bytes[..], &vec![0; (width * height * 8) as usize + 4096][..]].concat();
            assert!(long.len() as u64 > most(&long).unwrap());
        }
    }

    #[test]
    fn what_is_not_supported_is_named() {
        let bytes = encode(&image(4, 4, &["R"], 0), Compression::Zip, &[]).unwrap();
        let needle = b"compression\0compression\0";
        let at = bytes.windows(needle.len()).position(|w| w == needle).unwrap() + needle.len() + 4;
        for (number, part) in [(10, "HTJ2K"), (11, "HTJ2K"), (12, "LJ2K"), (13, "ZSTD"), (99, "number 99")] {
            let mut changed = bytes.clone();
            changed[at] = number;
            let error = probe(&changed).unwrap_err();
            assert!(matches!(error, MediaError::Unsupported { format: Format::Exr, .. }));
            assert!(error.to_string().contains(part), "{error}");
        }
        let mut deep = bytes;
        deep[5] |= 0x08;
        assert!(probe(&deep).unwrap_err().to_string().contains("deep data"));
    }

    /// Files of the exr crate: each of its lossless compressions, in lines and in tiles.
    fn crate_file(compression: ::exr::prelude::Compression, tiles: bool) -> Vec<u8> {
        use ::exr::prelude::*;
        let blocks = if tiles { Blocks::Tiles(Vec2(8, 8)) } else { Blocks::ScanLines };
        let encoding = Encoding { compression, blocks, line_order: LineOrder::Increasing };
        let samples =
            |seed: u32| (0..21 * 19).map(|i| ((i * 31 + seed) % 977) as f32 / 8.0).collect::<Vec<_>>();
        let channels = AnyChannels::sort(
            [
                AnyChannel::new("R", FlatSamples::F32(samples(1))),
                AnyChannel::new("G", FlatSamples::F16(samples(2).into_iter().map(f16::from_f32).collect())),
                AnyChannel::new("id", FlatSamples::U32((0..21 * 19).collect())),
            ]
            .into_iter()
            .collect(),
        );
        let layer = Layer::new((21, 19), LayerAttributes::named("first"), encoding, channels);
        let mut out = std::io::Cursor::new(Vec::new());
        ::exr::prelude::Image::from_layer(layer).write().non_parallel().to_buffered(&mut out).unwrap();
        out.into_inner()
    }

    #[test]
    fn files_of_another_writer_are_read_exactly() {
        use ::exr::prelude::Compression::*;
        for compression in [Uncompressed, RLE, ZIP1, ZIP16, PIZ] {
            for tiles in [false, true] {
                let raster = decode(&crate_file(compression, tiles)).unwrap();
                assert_eq!((raster.width, raster.height), (21, 19));
                let plane = |name: &str| &raster.planes.iter().find(|p| p.0 == name).unwrap().1;
                for i in 0..21 * 19u32 {
                    let at = i as usize;
                    let expect = |seed: u32| ((i * 31 + seed) % 977) as f32 / 8.0;
                    assert_eq!(plane("R")[at], expect(1), "{compression:?}, tiles {tiles}, {i}");
                    assert_eq!(plane("G")[at], f16::from_f32(expect(2)).to_f32());
                    assert_eq!(plane("id")[at], i as f32);
                }
            }
        }
    }

    #[test]
    fn dwa_parts_of_false_size_are_errors_before_anything_is_allocated() {
        let good = crate_file(::exr::prelude::Compression::DWAA(None), false);
        assert!(decode(&good).is_ok());
        let table = header::read(&good).unwrap().end;
        let offset = u64::from_le_bytes(good[table..table + 8].try_into().unwrap()) as usize;
        for counter in 1..10 {
            let mut bytes = good.clone();
            bytes[offset + 8 + 8 * counter..][..8].copy_from_slice(&(1u64 << 45).to_le_bytes());
            let error = decode(&bytes).unwrap_err().to_string();
            assert!(error.contains("claims a part"), "counter {counter}: {error}");
        }
    }

    proptest! {
        #[test]
        fn any_image_comes_back(
            width in 1u32..40,
            height in 1u32..40,
            seed in any::<u16>(),
            step in any::<u16>(),
            way in 0usize..3,
        ) {
            let mut picture = image(width, height, &["R", "G", "B", "A"], seed);
            for (i, sample) in picture.samples_mut(2).iter_mut().enumerate() {
                *sample = f16::from_bits((i as u16).wrapping_mul(step).rotate_left(u32::from(seed) % 16));
            }
            let back = decode_image(&encode(&picture, ALL[way], &[]).unwrap()).unwrap();
            prop_assert_eq!(bits(&back), bits(&picture));
        }

        #[test]
        fn no_bytes_panic(
            zip in flips_and_cuts(encode(&image(21, 19, &["R", "G", "A"], 0x3c00), Compression::Zip, &[]).unwrap()),
            piz in flips_and_cuts(crate_file(::exr::prelude::Compression::PIZ, false)),
            tiled in flips_and_cuts(crate_file(::exr::prelude::Compression::ZIP16, true)),
            packed in flips_and_cuts(crate_file(::exr::prelude::Compression::B44A, true)),
            rounded in flips_and_cuts(crate_file(::exr::prelude::Compression::PXR24, false)),
            waves in flips_and_cuts(crate_file(::exr::prelude::Compression::DWAA(None), false)),
        ) {
            for bytes in [zip, piz, tiled, packed, rounded, waves] {
                let _ = decode(&bytes);
                let _ = decode_image(&bytes);
                let _ = probe(&bytes);
            }
        }
    }
}
