//! Times the sum of Gaussians that a glow is made of, on one thread: `cargo bench --bench glow`.
//!
//! Prints milliseconds for one 1920x1080 frame of four 32-bit planes at sigmas 4, 16 and 64 (the median of seven),
//! to stand beside a general library's blurs of the same frame measured in the same run.

use std::time::Instant;

use endboard::operators::image::gaussian::{Edge, Term, sum};

const WIDTH: usize = 1920;
const HEIGHT: usize = 1080;

fn main() {
    let plane: Vec<f32> = (0..WIDTH * HEIGHT)
        .map(|i| {
            let (x, y) = ((i % WIDTH) as f32, (i / WIDTH) as f32);
            let grain = (i as u32).wrapping_mul(2_654_435_761) as f32 / u32::MAX as f32;
            0.18 + 0.15 * (x / 97.0).sin() * (y / 61.0).cos() + 0.02 * grain
        })
        .collect();
    let planes = [plane.clone(), plane.clone(), plane.clone(), plane];
    for sigmas in [&[4.0, 16.0, 64.0][..], &[64.0]] {
        let terms: Vec<Term> = sigmas.iter().map(|&sigma| Term { sigma, weight: 1.0 }).collect();
        let mut times: Vec<f64> = (0..8)
            .map(|_| {
                let start = Instant::now();
                for plane in &planes {
                    std::hint::black_box(sum(
                        std::hint::black_box(plane),
                        WIDTH,
                        HEIGHT,
                        Edge::Mirror,
                        &terms,
                    ));
                }
                start.elapsed().as_secs_f64() * 1e3
            })
            .skip(1)
            .collect();
        times.sort_by(f64::total_cmp);
        println!(
            "{:10.2}  glow: gaussians {sigmas:?}, {WIDTH}x{HEIGHT} RGBA, one thread, ms",
            times[times.len() / 2]
        );
    }
}
