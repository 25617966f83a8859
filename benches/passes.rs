//! Times whole frames of `passes` on one thread: `cargo bench --bench passes`.
//!
//! Prints milliseconds (the median of five) of frames put together from five takes, each moved by a fraction of a pixel, turned,
//! with its matte, its shadow and its exposure; one take besides, as whole frames and between two frames. Knows the operator
//! by its public face only.

mod clock;
mod picture;

use std::collections::BTreeMap;
use std::sync::Arc;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::yaml;
use endboard::media::image::{Image, RGBA};
use endboard::operators::{Connected, Inputs, Prepared, Setup, WorkingSpace, named};

const NAMES: [&str; 5] = ["far", "left", "middle", "right", "near"];
/// Ports of the table: the clean plate, takes, mattes, shadows.
const PORTS: [usize; 4] = [0, 1, 2, 3];

fn prepared(size: (u32, u32), takes: usize, time: f64) -> Box<dyn Prepared> {
    let moved: Vec<String> = NAMES[..takes]
        .iter()
        .enumerate()
        .map(|(i, name)| {
            let by = 0.3 * (i + 1) as f64;
            format!("{name}: {{ time: {time}, shift: [{by}, -{by}], turn: 0.{i}1, exposure: 1.05 }}")
        })
        .collect();
    let settings = format!("{{ between: blended, moved: {{ {} }} }}", moved.join(", "));
    let (value, _) = yaml::parse(SourceId(0), &settings);
    let map = value.and_then(|v| v.map().cloned()).expect("settings are a map");
    let connect = |port: usize, name: &str, channels: &[&str]| Connected {
        port,
        name: name.into(),
        channels: channels.iter().map(|&c| c.into()).collect(),
        frames: FrameRange::new(1, 40),
    };
    let mut inputs = vec![connect(PORTS[0], "", &RGBA)];
    for (port, channels) in [(PORTS[1], &RGBA[..]), (PORTS[2], &["M"]), (PORTS[3], &["M"])] {
        inputs.extend(NAMES[..takes].iter().map(|name| connect(port, name, channels)));
    }
    let setup = Setup {
        settings: &map,
        span: Span::new(SourceId(0), 0, 0),
        files: &BTreeMap::new(),
        frames: FrameRange::new(1, 36),
        frame_size: size,
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &inputs,
        cut: &[],
    };
    named("passes").expect("an operator").prepare(&setup).unwrap_or_else(|problems| panic!("{problems:?}"))
}

/// A soft upright band, a third of the height above `foot`.
fn matte((width, height): (u32, u32), at: f64, foot: f64) -> Arc<Image> {
    let mut matte = Image::new(width, height, &["M"]);
    let row: Vec<f32> = (0..width)
        .map(|x| {
            ((f64::from(width) * 0.06 - (f64::from(x) - f64::from(width) * at).abs()) / 3.0 + 0.5) as f32
        })
        .map(|v| v.clamp(0.0, 1.0))
        .collect();
    let rows = (f64::from(height) * (foot - 0.35)) as u32..(f64::from(height) * foot) as u32;
    rows.for_each(|y| matte.write_row(0, y, &row));
    Arc::new(matte)
}

fn main() {
    for size in [(1920u32, 1080u32), (3840, 2160)] {
        let pictures: Vec<Arc<Image>> =
            (0..8).map(|seed| Arc::new(picture::waves(size.0, size.1, seed))).collect();
        for (takes, time, what) in
            [(5, 2.0, "five takes"), (1, 2.0, "one take"), (1, 2.5, "one take, between two frames")]
        {
            let ready = prepared(size, takes, time);
            let inputs = 1 + 3 * takes;
            let image = |input: usize| match input.checked_sub(1).map(|i| (i / takes, i % takes)) {
                None => pictures[7].clone(),
                Some((0, take)) => pictures[take].clone(),
                Some((port, take)) => {
                    matte(size, 0.1 + 0.18 * take as f64, if port == 1 { 0.8 } else { 0.9 })
                }
            };
            let frames: Vec<_> = (0..inputs)
                .map(|input| {
                    let held = image(input);
                    let range = ready.reach(input, 10);
                    (range.first..=range.last).map(|n| (n, held.clone())).collect::<Vec<_>>()
                })
                .collect();
            let ms = clock::median(5, || {
                let made = ready.apply(&Inputs { frames: &frames, raster: None }, 10).expect("sound inputs");
                std::hint::black_box(made);
            });
            println!("{ms:10.2}  passes: {}x{}, {what}, one thread, ms", size.0, size.1);
        }
    }
}
