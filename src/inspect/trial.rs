//! Pictures for tests.
//!
//! Knows how to draw what moves, what is noisy and what is wrong in one place. Does not know what finds it.

use crate::media::image::{Image, RGBA};

/// A number from 0 to 1 that looks random.
pub fn random(x: u64, y: u64, seed: u64) -> f32 {
    let mut h = x.wrapping_mul(0x9e37_79b9_7f4a_7c15)
        ^ y.wrapping_mul(0xc2b2_ae3d_27d4_eb4f)
        ^ seed.wrapping_mul(0x1656_67b1_9e37_79f9);
    h = (h ^ (h >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    h = (h ^ (h >> 32)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((h ^ (h >> 31)) >> 40) as f32 / (1u64 << 24) as f32
}

/// An opaque picture of a colour a pixel.
pub fn drawn(width: u32, height: u32, colour: impl Fn(f32, f32) -> [f32; 3]) -> Image {
    let mut image = Image::new(width, height, &RGBA);
    let mut rows = vec![vec![1f32; width as usize]; 4];
    for y in 0..height {
        for x in 0..width {
            let rgb = colour(x as f32, y as f32);
            for (row, v) in rows.iter_mut().zip(rgb) {
                row[x as usize] = v;
            }
        }
        for (channel, row) in rows.iter().enumerate() {
            image.write_row(channel, y, row);
        }
    }
    image
}

/// Random numbers from -0.1 to 1.2 in all colours.
pub fn noisy(width: u32, height: u32, seed: u64) -> Image {
    drawn(width, height, |x, y| [0, 1, 2].map(|c| random(x as u64, y as u64, seed * 3 + c) * 1.3 - 0.1))
}

/// Grey with grain of a standard deviation of 0.02.
pub fn grain(width: u32, height: u32, seed: u64) -> Image {
    drawn(width, height, |x, y| [0.4 + 0.02 * normal(x, y, seed); 3])
}

/// A normal deviate, by twelve uniform ones.
pub fn normal(x: f32, y: f32, seed: u64) -> f32 {
    (0..12).map(|i| random(x as u64, y as u64, seed * 12 + i)).sum::<f32>() - 6.0
}

/// Puts one value into all colours of a pixel.
pub fn put(image: &mut Image, (x, y): (u32, u32), value: f32) {
    let at = (y * image.width() + x) as usize;
    for channel in 0..3 {
        image.samples_mut(channel)[at] = half::f16::from_f32(value);
    }
}
