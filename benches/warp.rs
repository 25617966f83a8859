//! Times `warp` on one thread: `cargo bench --bench warp`.
//!
//! Prints milliseconds (the least of five) for carrying a frame by a homography; with ENDBOARD_PYTHON, OpenCV's warpPerspective with
//! its 8x8 Lanczos beside them.

use std::process::Command;
use std::time::Instant;

use endboard::media::image::{Image, RGBA};
use endboard::operators::image::warp::warp;

fn least(mut work: impl FnMut()) -> f64 {
    let once = |work: &mut dyn FnMut()| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64() * 1e3
    };
    (0..5).map(|_| once(&mut work)).fold(f64::INFINITY, f64::min)
}

fn main() {
    let matrix = [[0.99, -0.05, 12.3], [0.05, 1.01, -8.7], [1e-5, -5e-6, 1.0]];
    for (width, height) in [(1920u32, 1080u32), (3840, 2160)] {
        let mut image = Image::new(width, height, &RGBA);
        for c in 0..4 {
            for y in 0..height {
                let row: Vec<f32> =
                    (0..width).map(|x| ((x * 7919 + y * 104_729) % 1009) as f32 / 1009.0).collect();
                image.write_row(c, y, &row);
            }
        }
        let ms = least(|| {
            std::hint::black_box(warp(&image, &matrix, (width, height)));
        });
        println!("{ms:10.2}  warp: half-float RGBA of {width}x{height} by a homography, one thread, ms");
    }
    if let Some(python) = std::env::var_os("ENDBOARD_PYTHON") {
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/warp_check.py");
        let out = Command::new(python)
            .args([script, "time"])
            .output()
            .expect("the Python that ENDBOARD_PYTHON names");
        for (line, size) in String::from_utf8_lossy(&out.stdout).lines().zip(["1920x1080", "3840x2160"]) {
            println!(
                "{line:>10}  OpenCV: warpPerspective, 8x8 Lanczos, float RGBA of {size}, one thread, ms"
            );
        }
    }
}
