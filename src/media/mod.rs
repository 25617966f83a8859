//! Pixel and sample buffers and file formats, one codec a file.
//!
//! Knows bytes and pixels. Does not know stages, shots or where files lie: callers hand in
//! bytes and get pixels, or the other way round.

pub mod dpx;
pub mod exr;
pub mod image;
pub mod jpeg;
pub mod movie;
pub mod png;
pub mod render;
#[cfg(test)]
mod sample_files;
pub mod scale;
pub mod sound;
pub mod tiff;

use std::fmt;

use image::{PIXEL_LIMIT, Raster, SIDE_LIMIT};

/// The largest number of samples (pixels times channels) that is accepted.
pub const SAMPLE_LIMIT: u64 = 4 * PIXEL_LIMIT;

/// A format of picture files.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Format {
    /// OpenEXR, high dynamic range.
    Exr,
    /// Portable Network Graphics.
    Png,
    /// Tagged Image File Format.
    Tiff,
    /// JPEG, baseline and progressive.
    Jpeg,
    /// Digital Picture Exchange (SMPTE ST 268).
    Dpx,
}

impl Format {
    /// The format that a path's ending stands for, in small or capital letters.
    pub fn of_path(path: &str) -> Option<Self> {
        let name = path.rsplit(['/', '\\']).next()?;
        let (stem, ending) = name.rsplit_once('.')?;
        if stem.is_empty() {
            return None;
        }
        match ending.to_ascii_lowercase().as_str() {
            "exr" => Some(Self::Exr),
            "png" => Some(Self::Png),
            "tif" | "tiff" => Some(Self::Tiff),
            "jpg" | "jpeg" => Some(Self::Jpeg),
            "dpx" => Some(Self::Dpx),
            _ => None,
        }
    }

    fn truncated(self, what: impl Into<String>) -> MediaError {
        MediaError::Truncated { format: self, what: what.into() }
    }

    fn damaged(self, what: impl Into<String>) -> MediaError {
        MediaError::Damaged { format: self, what: what.into() }
    }

    fn unsupported(self, feature: impl Into<String>) -> MediaError {
        MediaError::Unsupported { format: self, feature: feature.into() }
    }
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Exr => "EXR",
            Self::Png => "PNG",
            Self::Tiff => "TIFF",
            Self::Jpeg => "JPEG",
            Self::Dpx => "DPX",
        })
    }
}

/// Why a picture file could not be read or written. Messages do not name the file: the caller knows it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MediaError {
    /// The file ends before its pixels do.
    #[error("the {format} file is truncated: {what}")]
    Truncated {
        /// Format that was being read.
        format: Format,
        /// What was missing.
        what: String,
    },
    /// The file uses something that this reader does not do.
    #[error("the {format} file uses {feature}, which is not supported")]
    Unsupported {
        /// Format that was being read.
        format: Format,
        /// The feature, as its standard names it.
        feature: String,
    },
    /// The picture is larger than is accepted; nothing was allocated for it.
    #[error(
        "the {format} picture is {width} x {height} with {channels} channels: more than {SIDE_LIMIT} pixels a side, \
         {PIXEL_LIMIT} pixels or {SAMPLE_LIMIT} samples"
    )]
    TooLarge {
        /// Format that was being read.
        format: Format,
        /// Width in pixels, as the file claims.
        width: u64,
        /// Height in pixels, as the file claims.
        height: u64,
        /// Number of channels, as the file claims.
        channels: u64,
    },
    /// The picture has a number of channels that the format or the caller cannot take.
    #[error("the {format} picture has {found} channels; {expected} can be used")]
    Channels {
        /// Format that was being read or written.
        format: Format,
        /// What is accepted, in words.
        expected: String,
        /// What there is.
        found: usize,
    },
    /// The bytes contradict the format's rules.
    #[error("the {format} file is damaged: {what}")]
    Damaged {
        /// Format that was being read.
        format: Format,
        /// What is wrong.
        what: String,
    },
    /// A name cannot be written in this format.
    #[error("{name:?} cannot be a name in an {format} file: {why}")]
    Name {
        /// Format that was being written.
        format: Format,
        /// The name.
        name: String,
        /// What is wrong with it.
        why: String,
    },
    /// A movie's description or pixels are not what was asked for.
    #[error("the movie {what}")]
    Movie {
        /// What is wrong.
        what: String,
    },
}

/// Size and channels of a picture file, known without decoding its pixels.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outline {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// The names of the planes that [`decode`] gives, in the same order.
    pub channels: Vec<String>,
}

/// Decodes a picture file to 32-bit planes, in the file's own encoding (see [`Raster`]).
///
/// # Errors
/// When the bytes are truncated, damaged, too large or use what is not supported.
pub fn decode(format: Format, bytes: &[u8]) -> Result<Raster, MediaError> {
    match format {
        Format::Exr => exr::decode(bytes),
        Format::Png => png::decode(bytes),
        Format::Tiff => tiff::decode(bytes),
        Format::Jpeg => jpeg::decode(bytes),
        Format::Dpx => dpx::decode(bytes),
    }
}

/// Reads a picture file's size and channels from its header alone. A prefix of the file is enough for
/// all formats but TIFF, whose directory may lie at the end.
///
/// # Errors
/// As [`decode`], as far as the header shows them.
pub fn probe(format: Format, bytes: &[u8]) -> Result<Outline, MediaError> {
    match format {
        Format::Exr => exr::probe(bytes),
        Format::Png => png::probe(bytes),
        Format::Tiff => tiff::probe(bytes),
        Format::Jpeg => jpeg::probe(bytes),
        Format::Dpx => dpx::probe(bytes),
    }
}

/// Checks a claimed size against the limits, before anything is allocated, and gives it as 32-bit numbers.
fn checked_size(format: Format, width: u64, height: u64, channels: u64) -> Result<(u32, u32), MediaError> {
    if width == 0 || height == 0 {
        return Err(format.damaged(format!("its size is {width} x {height}")));
    }
    if channels == 0 {
        return Err(MediaError::Channels { format, expected: "at least one".into(), found: 0 });
    }
    let side = u64::from(SIDE_LIMIT);
    if width > side
        || height > side
        || width * height > PIXEL_LIMIT
        || channels.checked_mul(width * height).is_none_or(|n| n > SAMPLE_LIMIT)
    {
        return Err(MediaError::TooLarge { format, width, height, channels });
    }
    Ok((width as u32, height as u32))
}

/// The planes' names of a file with `components` samples a pixel: 1 grey, 2 grey and alpha, 3, 4.
fn plane_names(components: usize) -> Vec<String> {
    let names: &[&str] = if components.is_multiple_of(2) { &image::RGBA } else { &image::RGBA[..3] };
    names.iter().map(|&n| n.to_string()).collect()
}

/// The planes `R`, `G` and `B` as 16-bit codes, pixel by pixel. Values are clamped to 0 to 1; what is no number becomes 0.
fn deep_codes(format: Format, raster: &Raster) -> Result<Vec<u16>, MediaError> {
    let (width, height) = checked_size(format, raster.width.into(), raster.height.into(), 3)?;
    let pixels = width as usize * height as usize;
    let plane =
        |name: &str| raster.planes.iter().find(|p| p.0 == name && p.1.len() == pixels).map(|p| &p.1[..]);
    let (Some(red), Some(green), Some(blue)) = (plane("R"), plane("G"), plane("B")) else {
        let expected = "R, G and B, all of the picture's size,".to_string();
        return Err(MediaError::Channels { format, expected, found: raster.planes.len() });
    };
    // The cast turns what is no number into 0.
    let code = |value: f32| (value.clamp(0.0, 1.0) * 65535.0).round() as u16;
    Ok(red.iter().zip(green).zip(blue).flat_map(|((&r, &g), &b)| [code(r), code(g), code(b)]).collect())
}

/// Splits interleaved samples, scaled by `scale`, into the planes of a [`Raster`]: grey is copied to
/// `R`, `G` and `B`. `components` is 1 to 4 and `samples` holds `components * width * height` values.
fn split_planes<T: Copy>(
    (width, height): (u32, u32),
    components: usize,
    samples: &[T],
    convert: impl Fn(T) -> f32,
) -> Raster {
    let plane = |offset: usize| -> Vec<f32> {
        samples.chunks_exact(components).map(|pixel| convert(pixel[offset])).collect()
    };
    let names = plane_names(components).into_iter();
    let planes = match components {
        1 | 2 => {
            let grey = plane(0);
            let mut planes = vec![grey.clone(), grey.clone(), grey];
            planes.extend((components == 2).then(|| plane(1)));
            planes
        }
        _ => (0..components).map(plane).collect(),
    };
    let planes = names.zip(planes).collect();
    Raster { width, height, planes, straight_alpha: components.is_multiple_of(2) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formats_are_known_by_their_endings() {
        let check = |path: &str, expect: Option<Format>| assert_eq!(Format::of_path(path), expect, "{path}");
        check("plates/shed-a/shed-a.1001.exr", Some(Format::Exr));
        check("a.b/c.TIF", Some(Format::Tiff));
        check("c.tiff", Some(Format::Tiff));
        check("c.JPEG", Some(Format::Jpeg));
        check("c.jpg", Some(Format::Jpeg));
        check("c.dpx", Some(Format::Dpx));
        check("c.Png", Some(Format::Png));
        check("c.mov", None);
        check("exr", None);
        check(".exr", None);
        check("plates.exr/frame", None);
    }

    #[test]
    fn sizes_are_checked_without_overflow() {
        let check = |w, h, c| checked_size(Format::Png, w, h, c);
        assert_eq!(check(17, 3, 4), Ok((17, 3)));
        assert_eq!(check(16_384, 16_384, 4), Ok((16_384, 16_384)));
        assert!(matches!(check(0, 3, 4), Err(MediaError::Damaged { .. })));
        assert!(matches!(check(3, 3, 0), Err(MediaError::Channels { .. })));
        assert!(matches!(check(32_769, 1, 1), Err(MediaError::TooLarge { .. })));
        assert!(matches!(check(32_768, 32_768, 1), Err(MediaError::TooLarge { .. })));
        assert!(matches!(check(16_384, 16_384, 5), Err(MediaError::TooLarge { .. })));
        assert!(matches!(check(u64::MAX, u64::MAX, 1), Err(MediaError::TooLarge { .. })));
        assert!(matches!(check(32_768, 8_192, u64::MAX), Err(MediaError::TooLarge { .. })));
    }
}
