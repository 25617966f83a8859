//! The bytes of one chunk of scan lines: reordered, predicted and deflated, and the way back.
//!
//! Knows the ZIP scheme of OpenEXR (its `ImfZip.cpp`, BSD licence, describes it): low bytes first, then
//! high bytes, each replaced by its difference from the byte before plus 128, then zlib. Does not know
//! channels or where lines go.

use half::f16;
use libdeflater::{CompressionLvl, Compressor, Decompressor};

use crate::media::{Format, MediaError};

/// Compresses the chunks of one file; buffers are used again from chunk to chunk.
pub(super) struct Packer {
    deflate: Compressor,
    split: Vec<u8>,
    delta: Vec<u8>,
    packed: Vec<u8>,
}

impl Packer {
    pub(super) fn new() -> Self {
        let level = CompressionLvl::new(4).unwrap_or_default();
        Self { deflate: Compressor::new(level), split: Vec::new(), delta: Vec::new(), packed: Vec::new() }
    }

    /// Packs rows of half samples, or gives nothing when packing does not make them smaller.
    pub(super) fn pack<'r>(
        &mut self,
        rows: impl Iterator<Item = &'r [f16]>,
        samples: usize,
    ) -> Option<&[u8]> {
        self.split.resize(samples * 2, 0);
        self.delta.resize(samples * 2, 0);
        let (mut low, mut high) = self.split.split_at_mut(samples);
        for row in rows {
            let (low_row, low_rest) = low.split_at_mut(row.len());
            let (high_row, high_rest) = high.split_at_mut(row.len());
            for ((sample, l), h) in row.iter().zip(low_row).zip(high_row) {
                [*l, *h] = sample.to_le_bytes();
            }
            (low, high) = (low_rest, high_rest);
        }
        self.delta[0] = self.split[0];
        let before = &self.split[..samples * 2 - 1];
        for ((d, &b), &a) in self.delta[1..].iter_mut().zip(&self.split[1..]).zip(before) {
            *d = b.wrapping_sub(a).wrapping_add(128);
        }
        self.packed.resize(self.deflate.zlib_compress_bound(samples * 2), 0);
        let size = self.deflate.zlib_compress(&self.delta, &mut self.packed).ok()?;
        (size < samples * 2).then(|| &self.packed[..size])
    }
}

/// Inflates the chunks of one file; the buffer is used again from chunk to chunk.
pub(super) struct Unpacker {
    inflate: Decompressor,
    buffer: Vec<u8>,
}

/// The bytes of a chunk, from which rows are taken.
pub(super) enum Chunk<'a> {
    /// As in the file: little-endian samples.
    Plain(&'a [u8]),
    /// Low (even) bytes and high (odd) bytes apart.
    Split(&'a [u8], &'a [u8]),
}

impl Unpacker {
    pub(super) fn new() -> Self {
        Self { inflate: Decompressor::new(), buffer: Vec::new() }
    }

    /// Unpacks a chunk that becomes `size` bytes, an even number.
    pub(super) fn unpack(&mut self, packed: &[u8], size: usize) -> Result<Chunk<'_>, MediaError> {
        self.buffer.resize(size, 0);
        match self.inflate.zlib_decompress(packed, &mut self.buffer) {
            Ok(found) if found == size => {}
            Ok(found) => {
                return Err(Format::Exr.damaged(format!("a chunk holds {found} bytes instead of {size}")));
            }
            Err(error) => return Err(Format::Exr.damaged(format!("a chunk cannot be inflated: {error}"))),
        }
        undo_delta(&mut self.buffer);
        let (low, high) = self.buffer.split_at(size / 2);
        Ok(Chunk::Split(low, high))
    }
}

impl Chunk<'_> {
    /// Copies the half samples that begin at byte `at` (even) of the chunk.
    pub(super) fn halves(&self, at: usize, out: &mut [f16]) {
        match self {
            Self::Plain(bytes) => {
                for (o, b) in out.iter_mut().zip(bytes[at..].chunks_exact(2)) {
                    *o = f16::from_le_bytes([b[0], b[1]]);
                }
            }
            Self::Split(low, high) => {
                let (low, high) = (&low[at / 2..][..out.len()], &high[at / 2..][..out.len()]);
                for ((o, &l), &h) in out.iter_mut().zip(low).zip(high) {
                    *o = f16::from_le_bytes([l, h]);
                }
            }
        }
    }

    /// Copies the 32-bit words that begin at byte `at` (even) of the chunk.
    pub(super) fn words(&self, at: usize, out: &mut [u32]) {
        match self {
            Self::Plain(bytes) => {
                for (o, b) in out.iter_mut().zip(bytes[at..].chunks_exact(4)) {
                    *o = u32::from_le_bytes([b[0], b[1], b[2], b[3]]);
                }
            }
            Self::Split(low, high) => {
                let (low, high) = (low[at / 2..].chunks_exact(2), high[at / 2..].chunks_exact(2));
                for ((o, l), h) in out.iter_mut().zip(low).zip(high) {
                    *o = u32::from_le_bytes([l[0], h[0], l[1], h[1]]);
                }
            }
        }
    }
}

/// Replaces each byte but the first by the sum of those up to it, each less 128.
fn undo_delta(bytes: &mut [u8]) {
    let Some(first) = bytes.first_mut() else { return };
    // With the first byte shifted too, all bytes follow one rule: sum of (byte + 128), modulo 256.
    *first = first.wrapping_add(128);
    #[cfg(target_arch = "x86_64")]
    let (carry, rest) = undo_delta_sse2(bytes);
    #[cfg(not(target_arch = "x86_64"))]
    let (carry, rest) = (0, bytes);
    let mut sum = carry;
    for byte in rest {
        sum = byte.wrapping_add(sum).wrapping_add(128);
        *byte = sum;
    }
}

/// Running sums of 16 bytes at a time by shifting and adding; gives the last sum and the bytes left over.
/// The result is the same as one byte at a time, since addition modulo 256 may be regrouped.
#[cfg(target_arch = "x86_64")]
fn undo_delta_sse2(bytes: &mut [u8]) -> (u8, &mut [u8]) {
    use std::arch::x86_64::*;
    let mut blocks = bytes.chunks_exact_mut(16);
    let mut last = 0u8;
    // SAFETY: SSE2 belongs to every x86-64 processor; loads and stores are unaligned and within 16-byte blocks.
    unsafe {
        let shift = _mm_set1_epi8(-128);
        let mut carry = _mm_setzero_si128();
        for block in &mut blocks {
            let at = block.as_mut_ptr().cast::<__m128i>();
            let mut sum = _mm_add_epi8(_mm_loadu_si128(at), shift);
            sum = _mm_add_epi8(sum, _mm_slli_si128::<1>(sum));
            sum = _mm_add_epi8(sum, _mm_slli_si128::<2>(sum));
            sum = _mm_add_epi8(sum, _mm_slli_si128::<4>(sum));
            sum = _mm_add_epi8(sum, _mm_slli_si128::<8>(sum));
            sum = _mm_add_epi8(sum, carry);
            _mm_storeu_si128(at, sum);
            // Spreads the top byte over all: words 7 of doubled bytes, then that word everywhere.
            let doubled = _mm_unpackhi_epi8(sum, sum);
            carry = _mm_shuffle_epi32::<0xff>(_mm_shufflehi_epi16::<0xff>(doubled));
            last = block[15];
        }
    }
    (last, blocks.into_remainder())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_are_the_same_in_blocks_and_one_by_one() {
        for length in [0usize, 1, 2, 15, 16, 17, 31, 32, 33, 250] {
            let bytes: Vec<u8> = (0..length).map(|i| (i * i * 37 + 11) as u8).collect();
            let mut expect = bytes.clone();
            for i in 1..length {
                expect[i] = expect[i - 1].wrapping_add(bytes[i]).wrapping_sub(128);
            }
            let mut got = bytes;
            undo_delta(&mut got);
            assert_eq!(got, expect, "{length} bytes");
        }
    }

    #[test]
    fn rows_come_back_from_a_packed_chunk() {
        let rows: Vec<f16> = (0..64u16).map(|i| f16::from_bits(i * 3)).collect();
        let mut packer = Packer::new();
        let packed = packer.pack(rows.chunks(16), 64).expect("smooth rows become smaller").to_vec();
        let mut unpacker = Unpacker::new();
        let chunk = unpacker.unpack(&packed, 128).expect("own chunk");
        let mut row = [f16::ZERO; 16];
        chunk.halves(32, &mut row);
        assert_eq!(row, rows[16..32]);
        assert!(unpacker.unpack(&packed, 126).is_err());
        assert!(unpacker.unpack(&packed, 130).is_err());
        assert!(unpacker.unpack(&packed[..packed.len() - 1], 128).is_err());
    }
}
