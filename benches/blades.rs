//! Times whole frames of `blades` on one thread: `cargo bench --bench blades`.
//!
//! Prints milliseconds (the median of five) of frames with two rods that move, their haloes, a holdout, light on two surfaces
//! and a burst, and the peak of the process's memory beyond its inputs. Knows the operator by its public face only.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Instant;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::value::Map;
use endboard::base::yaml;
use endboard::media::image::{Image, RGBA};
use endboard::operators::{Connected, Inputs, Setup, WorkingSpace, named};

/// Frames of a picture 960 pixels wide; scaled up for larger ones.
const RODS: [(&str, [f64; 8]); 2] = [
    ("keeper", [300.0, 300.0, 400.0, 60.0, 390.0, 297.0, 647.0, 121.0]),
    ("raker", [620.0, 290.0, 500.0, 60.0, 578.0, 294.0, 303.0, 128.0]),
];

fn settings(scale: f64) -> String {
    let rods = RODS.map(|(name, ends)| {
        let at = |i: usize| {
            let [a, b, c, d] = [0, 1, 2, 3].map(|k| ends[4 * i + k] * scale);
            format!("{{ base: [{a}, {b}], tip: [{c}, {d}] }}")
        };
        format!("{name}: {{ keys: {{ 1: {}, 5: {} }} }}", at(0), at(1))
    });
    format!("{{ width: {}, burst: 1, rods: {{ {} }} }}", 7.0 * scale, rods.join(", "))
}

fn connected(port: usize, name: &str, channels: &[&str]) -> Connected {
    let channels = channels.iter().map(|&c| c.into()).collect();
    Connected { port, name: name.into(), channels, frames: FrameRange::new(1, 40) }
}

/// The most memory that the process has held, in MiB.
fn peak() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|l| l.split_whitespace().next()?.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0
}

fn main() {
    for (width, height) in [(1920u32, 1080u32), (3840, 2160)] {
        let scale = f64::from(width) / 960.0;
        let (value, _) = yaml::parse(SourceId(0), &settings(scale));
        let map = value.and_then(|v| v.map().cloned()).unwrap_or_else(Map::default);
        let inputs = [
            connected(0, "", &RGBA),
            connected(2, "", &["actors"]),
            connected(4, "actors", &["actors"]),
            connected(4, "floor", &["floor"]),
        ];
        let blades = named("blades").expect("an operator of this crate");
        let setup = Setup {
            settings: &map,
            span: Span::new(SourceId(0), 0, 0),
            files: &BTreeMap::new(),
            frames: FrameRange::new(1, 40),
            frame_size: (width, height),
            rate: 24.0,
            working_space: WorkingSpace::LinearRec709,
            inputs: &inputs,
            cut: &[],
        };
        let ready = blades.prepare(&setup).unwrap_or_else(|problems| panic!("{problems:?}"));
        let mut picture = Image::new(width, height, &RGBA);
        (0..4).for_each(|c| picture.samples_mut(c).fill(half::f16::from_f32(0.1)));
        let matte = |name: &str, part: std::ops::Range<u32>| {
            let mut matte = Image::new(width, height, &[name]);
            part.for_each(|y| matte.write_row(0, y, &vec![1.0; width as usize]));
            Arc::new(matte)
        };
        let (actors, floor) = (matte("actors", height / 2..height), matte("floor", height * 3 / 4..height));
        let found = ready.finds();
        let frame = found.first().map_or(5, |found| found.time.ceil() as i64);
        let frames = [Arc::new(picture), actors.clone(), actors, floor].map(|image| vec![(frame, image)]);
        let before = peak();
        let mut times: Vec<f64> = (0..6)
            .map(|_| {
                let start = Instant::now();
                std::hint::black_box(ready.apply(&Inputs { frames: &frames, raster: None }, frame).unwrap());
                start.elapsed().as_secs_f64() * 1e3
            })
            .skip(1)
            .collect();
        times.sort_by(f64::total_cmp);
        let bursts = found.len();
        println!(
            "{:10.2}  blades: {width}x{height}, two rods, two surfaces, {bursts} burst, one thread, ms",
            times[2]
        );
        println!("{:10.0}  blades: the same, memory beyond the inputs at its peak, MiB", peak() - before);
    }
}
