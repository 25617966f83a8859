//! Times the looks at 1080p frames in memory: `cargo bench --bench inspect`.
//!
//! Prints frames a second on one and two threads and the bytes a second that this is, beside a plain sum over the same planes,
//! which shows what memory allows; then what the watch takes for a frame, and what frames with faults cost.

mod clock;
mod picture;

use std::hint::black_box;

use clock::median;
use endboard::base::frames::FrameRange;
use endboard::inspect::look::{Look, look};
use endboard::inspect::rules::{Rules, Signal};
use endboard::inspect::watch::Watch;
use endboard::media::image::Image;

const SIZE: (u32, u32) = (1920, 1080);
/// Frames in memory: more than the caches hold.
const FRAMES: usize = 24;

/// Milliseconds for all frames, each `work`ed on once, by so many threads.
fn by(threads: usize, frames: &[Image], work: &(impl Fn(&Image) + Sync)) -> f64 {
    median(5, || {
        std::thread::scope(|scope| {
            for part in frames.chunks(frames.len() / threads) {
                scope.spawn(move || part.iter().for_each(work));
            }
        });
    })
}

fn told(name: &str, threads: usize, ms: f64) {
    let frame = ms / FRAMES as f64;
    let megabytes = f64::from(SIZE.0 * SIZE.1) * 8.0 / 1e6;
    println!(
        "{:8.2}  {name}, {threads} threads: {:.0} frames/s, {:.0} MB/s",
        frame,
        1000.0 / frame,
        megabytes * 1000.0 / frame
    );
}

/// The bits of all planes added up.
fn sum(image: &Image) -> u64 {
    let plane = |samples: &[half::f16]| samples.iter().map(|v| u64::from(v.to_bits())).sum::<u64>();
    image.channels().iter().map(|channel| plane(&channel.samples)).sum()
}

fn main() {
    let frames: Vec<Image> = (0..FRAMES as u64).map(|n| picture::waves(SIZE.0, SIZE.1, n)).collect();
    println!("{}x{} half-float RGBA, ms a frame, median of five", SIZE.0, SIZE.1);
    for threads in [1, 2] {
        told(
            "plain sum over the planes",
            threads,
            by(threads, &frames, &|image| {
                black_box(sum(image));
            }),
        );
        for (name, signal) in [
            ("look, BT.1886", Signal::Display),
            ("look, sRGB", Signal::Srgb),
            ("look, linear", Signal::Linear),
        ] {
            let rules = Rules { signal, ..Rules::default() };
            told(
                name,
                threads,
                by(threads, &frames, &|image| {
                    black_box(look(image, &rules));
                }),
            );
        }
    }
    let rules = Rules::default();
    let looks: Vec<Look> = frames.iter().map(|image| look(image, &rules)).collect();
    let watch = median(5, || {
        let mut watch = Watch::new(rules.clone(), FrameRange::new(0, FRAMES as i64 - 1));
        for (n, look) in looks.iter().enumerate() {
            watch.take(n as i64, look.clone());
        }
        black_box(watch.end());
    });
    println!("{:8.2}  watch, copies of looks included", watch / FRAMES as f64);
    let mut bad = frames[0].clone();
    for (i, v) in bad.samples_mut(0).iter_mut().enumerate() {
        *v = half::f16::from_f32(if i % 3 == 0 { 1.2 } else { -0.2 });
    }
    let worst = median(5, || {
        black_box(look(&bad, &rules));
    });
    println!("{worst:8.2}  look at a frame that is out of range everywhere");
}
