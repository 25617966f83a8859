//! Times a frame made by flow at 1080p on one thread: `cargo bench --bench retime`.
//!
//! Prints milliseconds, the median of five: the motion both ways, and all of the frame. With `ENDBOARD_PYTHON` naming a
//! Python that has OpenCV, its dense flows of pictures of the same size, both ways, are timed between two runs of ours.

mod clock;

use std::collections::BTreeMap;
use std::sync::Arc;

use clock::{beside_opencv, median};
use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::yaml;
use endboard::media::image::{Image, RGBA};
use endboard::operators::image::flow::Motion;
use endboard::operators::{Connected, Inputs, Setup, WorkingSpace, named};

const SIZE: (u32, u32) = (1920, 1080);

/// Light of a sheet with large and small structure, that moved so far.
fn sheet(dx: f32, dy: f32) -> Vec<f32> {
    let wave = |x: f32, y: f32, s: f32| ((x * 0.83 + y * 0.57) / s).sin() * ((y * 0.91 - x * 0.42) / s).cos();
    let light = |x: f32, y: f32| {
        0.4 + 0.1 * wave(x, y, 2.3) + 0.08 * wave(y, x, 3.7) + 0.1 * wave(x, y, 17.0) + 0.1 * wave(y, x, 90.0)
    };
    let places = (0..SIZE.1).flat_map(|y| (0..SIZE.0).map(move |x| (x as f32, y as f32)));
    places.map(|(x, y)| light(x - dx, y - dy)).collect()
}

fn image(plane: &[f32]) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for (y, row) in plane.chunks(SIZE.0 as usize).enumerate() {
        (0..4).for_each(|c| image.write_row(c, y as u32, row));
    }
    Arc::new(image)
}

/// Names and milliseconds of our work.
fn ours(a: &[f32], b: &[f32]) -> [(&'static str, f64); 2] {
    let (width, height) = (SIZE.0 as usize, SIZE.1 as usize);
    let motion = median(5, || drop(std::hint::black_box(Motion::between(a, b, width, height))));
    let (value, _) = yaml::parse(SourceId(0), "source_frame: 0.4\nspeed: 0\nbetween: flow");
    let settings = value.and_then(|v| v.map().cloned()).expect("settings are a map");
    let channels = RGBA.iter().map(|&c| c.into()).collect();
    let input = Connected { port: 0, name: String::new(), channels, frames: FrameRange::new(0, 1) };
    let setup = Setup {
        settings: &settings,
        span: Span::new(SourceId(0), 0, 0),
        files: &BTreeMap::new(),
        frames: FrameRange::one(1),
        frame_size: SIZE,
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &[input],
        cut: &[],
    };
    let made = named("retime").expect("there is a retime operator").prepare(&setup);
    let ready = made.unwrap_or_else(|problems| panic!("{problems:?}"));
    let frames = [vec![(0, image(a)), (1, image(b))]];
    let inputs = Inputs { frames: &frames, raster: None };
    let frame = median(5, || drop(std::hint::black_box(ready.apply(&inputs, 1))));
    [("retime by flow: motion, both ways", motion), ("retime by flow: the whole frame, half to half", frame)]
}

fn main() {
    let (a, b) = (sheet(0.0, 0.0), sheet(7.3, -3.6));
    let size = (SIZE.0 as usize, SIZE.1 as usize);
    let told = |name: &str| format!("OpenCV, {name}: motion, both ways");
    beside_opencv(size, "retime_check.py", || ours(&a, &b), told);
}
