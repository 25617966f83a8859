//! Times `warp` on one thread: `cargo bench --bench warp`.
//!
//! Prints milliseconds (the least of five) for carrying a frame by a homography; with ENDBOARD_PYTHON, OpenCV's warpPerspective with
//! its 8x8 Lanczos beside them.

mod clock;

use clock::{least, peers};
use endboard::media::image::{Image, RGBA};
use endboard::operators::image::warp::warp;

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
    for (line, size) in peers("warp_check.py", &["time"]).lines().zip(["1920x1080", "3840x2160"]) {
        println!("{line:>10}  OpenCV: warpPerspective, 8x8 Lanczos, float RGBA of {size}, one thread, ms");
    }
}
