//! A picture to time work on.
//!
//! Knows one frame of smooth structure in warm light plus grain (normal, sigma 0.01), the content that the reference
//! libraries are timed with too. Does not know what is timed.

use endboard::media::image::{Image, RGBA};

/// Smooth waves with grain, which `seed` decides; alpha is 1.
pub fn waves(width: u32, height: u32, seed: u64) -> Image {
    let mut image = Image::new(width, height, &RGBA);
    let mut grain = Grain(0x9e37_79b9_7f4a_7c15 ^ seed);
    let mut rows = vec![vec![0f32; width as usize]; 4];
    for y in 0..height {
        for x in 0..width as usize {
            let base = 0.18 + 0.15 * (x as f32 / 97.0).sin() * (y as f32 / 61.0).cos();
            for (row, gain) in rows.iter_mut().zip([1.1, 1.0, 0.8]) {
                row[x] = base * gain + 0.01 * grain.normal();
            }
            rows[3][x] = 1.0;
        }
        for (channel, row) in rows.iter().enumerate() {
            image.write_row(channel, y, row);
        }
    }
    image
}

/// A xorshift generator: the frame must be the same in every run.
struct Grain(u64);

impl Grain {
    fn uniform(&mut self) -> f32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        ((self.0 >> 40) as f32 + 0.5) / (1u64 << 24) as f32
    }

    /// One normal deviate by the transform of Box and Muller.
    fn normal(&mut self) -> f32 {
        let (a, b) = (self.uniform(), self.uniform());
        (-2.0 * a.ln()).sqrt() * (std::f32::consts::TAU * b).cos()
    }
}
