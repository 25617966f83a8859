//! Pictures in memory: named half-float planes of one size.
//!
//! Knows planes, their canonical digest and conversion to and from 32-bit rows. Does not
//! know file formats (one codec a file beside this one) nor what a picture shows.

use std::sync::Arc;

use half::f16;
use half::slice::HalfFloatSliceExt;

use crate::base::digest::{Digest, KeyHasher};

/// The largest width or height that is accepted, in pixels.
pub const SIDE_LIMIT: u32 = 32_768;
/// The largest number of pixels that is accepted.
pub const PIXEL_LIMIT: u64 = 1 << 28;

/// Channel names of a picture, in order.
pub const RGBA: [&str; 4] = ["R", "G", "B", "A"];

/// One plane of samples, rows top down.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// `R`, `G`, `B`, `A`, or the name of a matte.
    pub name: Arc<str>,
    /// `width * height` samples.
    pub samples: Vec<f16>,
}

/// A picture or a set of mattes as it passes from stage to stage: half-float planes, so that
/// handing it on in memory and reading it back from a file give the same bits. Colour is
/// scene-linear in the film's working space, premultiplied by `A`.
#[derive(Clone, Debug, PartialEq)]
pub struct Image {
    width: u32,
    height: u32,
    channels: Vec<Channel>,
}

impl Image {
    /// An image of zeros. Names are kept in the order given and must differ.
    pub fn new(width: u32, height: u32, names: &[&str]) -> Self {
        let samples = width as usize * height as usize;
        let channels = names
            .iter()
            .map(|&name| Channel { name: name.into(), samples: vec![f16::ZERO; samples] })
            .collect();
        Self { width, height, channels }
    }

    /// An image from planes of `width * height` samples each.
    ///
    /// # Panics
    /// When a plane has another number of samples.
    pub fn from_channels(width: u32, height: u32, channels: Vec<Channel>) -> Self {
        for channel in &channels {
            assert_eq!(channel.samples.len(), width as usize * height as usize, "plane {}", channel.name);
        }
        Self { width, height, channels }
    }

    /// Width in pixels.
    pub fn width(&self) -> u32 {
        self.width
    }

    /// Height in pixels.
    pub fn height(&self) -> u32 {
        self.height
    }

    /// The planes in order, which is not the one in which a stage lists its channels: take one by its name.
    pub fn channels(&self) -> &[Channel] {
        &self.channels
    }

    /// Position of a plane.
    pub fn channel(&self, name: &str) -> Option<usize> {
        self.channels.iter().position(|c| &*c.name == name)
    }

    /// One plane alone; none where there is no such.
    pub fn only(&self, name: &str) -> Option<Image> {
        let plane = self.channels[self.channel(name)?].clone();
        Some(Self::from_channels(self.width, self.height, vec![plane]))
    }

    /// Writable samples of plane `channel`.
    pub fn samples_mut(&mut self, channel: usize) -> &mut [f16] {
        &mut self.channels[channel].samples
    }

    /// Row `y` of plane `channel`.
    pub fn row(&self, channel: usize, y: u32) -> &[f16] {
        let width = self.width as usize;
        &self.channels[channel].samples[y as usize * width..][..width]
    }

    /// Row `y` of plane `channel` as 32-bit floats; `out` holds `width` values.
    pub fn read_row(&self, channel: usize, y: u32, out: &mut [f32]) {
        self.row(channel, y).convert_to_f32_slice(out);
    }

    /// Plane `channel` as 32-bit floats.
    pub fn plane_f32(&self, channel: usize) -> Vec<f32> {
        let samples = &self.channels[channel].samples;
        let mut out = vec![0.0; samples.len()];
        samples.convert_to_f32_slice(&mut out);
        out
    }

    /// Puts row `y` of plane `channel`, rounding to the nearest half, ties to even.
    pub fn write_row(&mut self, channel: usize, y: u32, row: &[f32]) {
        let width = self.width as usize;
        self.channels[channel].samples[y as usize * width..][..width].convert_from_f32_slice(row);
    }

    /// Bytes of samples held.
    pub fn bytes(&self) -> usize {
        self.channels.len() * self.width as usize * self.height as usize * 2
    }

    /// The canonical digest: of width, height and, for each plane in the order of names,
    /// its name and the digest of its samples as little-endian half floats.
    pub fn digest(&self) -> ImageDigest {
        let mut planes: Vec<(Arc<str>, Digest)> = self
            .channels
            .iter()
            .map(|c| (c.name.clone(), Digest::of(half_bytes(&c.samples).as_ref())))
            .collect();
        planes.sort();
        ImageDigest::of_planes(self.width, self.height, planes)
    }
}

/// What identifies an image: the digest of the whole, and one of each plane.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImageDigest {
    /// Of size, names and planes.
    pub whole: Digest,
    /// Of each plane's samples, in the order of names.
    pub planes: Vec<(Arc<str>, Digest)>,
}

impl ImageDigest {
    /// Puts the whole's digest together from plane digests in the order of names.
    pub fn of_planes(width: u32, height: u32, planes: Vec<(Arc<str>, Digest)>) -> Self {
        let mut hasher = KeyHasher::new();
        hasher.text("endboard image 1").int(width.into()).int(height.into()).list(planes.len());
        for (name, digest) in &planes {
            hasher.text(name).digest(digest);
        }
        Self { whole: hasher.finish(), planes }
    }
}

/// The little-endian bytes of half-float samples, without copying where the machine is little-endian.
pub fn half_bytes(samples: &[f16]) -> std::borrow::Cow<'_, [u8]> {
    if cfg!(target_endian = "little") {
        let bits: &[u16] = half::slice::HalfFloatSliceExt::reinterpret_cast(samples);
        // SAFETY: u16 has no padding, any byte is a valid u8, and the length in bytes is the slice's own.
        std::borrow::Cow::Borrowed(unsafe {
            std::slice::from_raw_parts(bits.as_ptr().cast::<u8>(), std::mem::size_of_val(bits))
        })
    } else {
        std::borrow::Cow::Owned(samples.iter().flat_map(|s| s.to_le_bytes()).collect())
    }
}

/// A picture file as decoded, before its encoding is undone: 32-bit planes.
#[derive(Clone, Debug, PartialEq)]
pub struct Raster {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// Name and `width * height` samples of each plane, rows top down. Integer formats are scaled so that
    /// the largest code is 1.0 (full range); grey files carry the same plane as `R`, `G` and `B`.
    pub planes: Vec<(String, Vec<f32>)>,
    /// True when `A` is not premultiplied into the colour (PNG, TIFF with unassociated alpha).
    pub straight_alpha: bool,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digest_knows_size_names_and_samples_but_not_order() {
        let a = Image::new(4, 2, &RGBA);
        assert_ne!(a.digest().whole, Image::new(2, 4, &RGBA).digest().whole);
        assert_ne!(a.digest().whole, Image::new(4, 2, &["R", "G", "B", "crew"]).digest().whole);
        assert_eq!(a.digest().whole, Image::new(4, 2, &["A", "B", "G", "R"]).digest().whole);
        let mut b = a.clone();
        b.write_row(0, 1, &[0.0, 0.0, 1.0, 0.0]);
        assert_ne!(a.digest().whole, b.digest().whole);
        assert_eq!(a.digest().planes[0], b.digest().planes[0]);
    }

    #[test]
    fn rows_round_to_half() {
        let mut image = Image::new(3, 1, &["R"]);
        image.write_row(0, 0, &[0.1, 65504.0, 2049.0]);
        let mut row = [0.0; 3];
        image.read_row(0, 0, &mut row);
        assert_eq!(row, [0.099975586, 65504.0, 2048.0]);
    }
}
