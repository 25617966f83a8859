//! Times EXR writing and reading of one 1920 x 1080 half RGBA frame, one thread, and prints milliseconds.
//!
//! Knows one frame of smooth structure plus grain (normal, sigma 0.01), the content that the reference
//! libraries are timed with too. Writing ends with a file and reading begins with it, as theirs do. Does not compare:
//! set its figures beside theirs of the same run.

use std::fs;
use std::time::Instant;

use endboard::media::exr::{Compression, decode, decode_image, encode};
use endboard::media::image::{Image, RGBA};

const WIDTH: u32 = 1920;
const HEIGHT: u32 = 1080;

fn main() {
    let image = frame();
    let folder = tempfile::tempdir().expect("a temporary folder");
    println!("{WIDTH}x{HEIGHT}, half RGBA, one thread, median ms of 9");
    for (name, compression) in
        [("zip", Compression::Zip), ("zips", Compression::Zips), ("none", Compression::None)]
    {
        let path = folder.path().join(format!("{name}.exr"));
        let file = || fs::read(&path).expect("the file just written");
        let new = || encode(&image, compression, &[]).expect("a valid image");
        row(name, "write half", || fs::write(&path, new()).expect("a writable folder"));
        row(name, "read to half", || decode_image(&file()).expect("own file"));
        row(name, "read to float", || decode(&file()).expect("own file"));
        println!("{:10.0}  exr {name}: size KiB", file().len() as f64 / 1024.0);
    }
}

fn row<T>(name: &str, what: &str, mut run: impl FnMut() -> T) {
    let mut times: Vec<f64> = (0..10)
        .map(|_| {
            let start = Instant::now();
            std::hint::black_box(run());
            start.elapsed().as_secs_f64() * 1e3
        })
        .skip(1)
        .collect();
    times.sort_by(f64::total_cmp);
    println!("{:10.2}  exr {name}: {what}", times[times.len() / 2]);
}

/// Smooth waves in warm light, with grain; alpha is 1.
fn frame() -> Image {
    let mut image = Image::new(WIDTH, HEIGHT, &RGBA);
    let mut grain = Grain(0x9e37_79b9_7f4a_7c15);
    let mut rows = vec![vec![0f32; WIDTH as usize]; 4];
    for y in 0..HEIGHT {
        for x in 0..WIDTH as usize {
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
