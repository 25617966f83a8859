//! Times frames of the film's own picture at 1080p on one thread: `cargo bench --bench assemble`.
//!
//! Prints milliseconds, the median of nine: a frame of a dissolve, four lines of words burned in, a frame of a countdown, and a
//! frame made small for a sheet. With `ENDBOARD_PYTHON` naming a Python that has OpenCV, its weighted sum and its area average
//! of 32-bit pictures of the same size are timed between two runs of ours.

mod clock;

use std::collections::BTreeMap;
use std::sync::Arc;

use clock::{beside_opencv, median};
use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::rate::Rate;
use endboard::base::speed::Run;
use endboard::base::yaml;
use endboard::media::image::{Image, RGBA};
use endboard::media::scale::area_average;
use endboard::operators::image::print::{Numbers, Print, Told};
use endboard::operators::{Connected, Inputs, Prepared, Setup, Slot, WorkingSpace, named};

const SIZE: (u32, u32) = (1920, 1080);
const WORDS: &str = "leader: 8\nburn_in: { top-left: '{film}', top-right: '{film_frame}', bottom-left: '{shot}/{stage} {frame}', \
                     bottom-right: '{timecode}' }";

fn image(seed: u32) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for channel in 0..4 {
        for y in 0..SIZE.1 {
            let row: Vec<f32> =
                (0..SIZE.0).map(|x| ((x * 7 + y * 13 + seed) % 1000) as f32 / 500.0).collect();
            image.write_row(channel, y, &row);
        }
    }
    Arc::new(image)
}

fn slot(input: usize, first: i64, leaves: bool) -> Slot {
    let run = Run::of(FrameRange::new(first, first + 11));
    Slot { at: 1, input: Some(input), run, leaves, wipe: None, shot: "br010".into(), stage: "colour".into() }
}

/// The assembly with a dissolve over its twelve frames, and a print of it.
fn ready() -> [Box<dyn Prepared>; 2] {
    let (value, _) = yaml::parse(SourceId(0), WORDS);
    let settings = value.and_then(|v| v.map().cloned()).expect("settings are a map");
    let none = Default::default();
    let channels: Vec<Arc<str>> = RGBA.iter().map(|&c| c.into()).collect();
    let input = |name: &str| Connected {
        port: 0,
        name: name.into(),
        channels: channels.clone(),
        frames: FrameRange::new(1, 99),
    };
    let (span, rate) = (Span::new(SourceId(0), 0, 0), Rate::new(24, 1));
    let cut = [slot(0, 13, true), slot(1, 1, false)];
    let inputs = [input("br010"), input("br020")];
    let files = BTreeMap::new();
    let mut setup = Setup {
        settings: &none,
        span,
        files: &files,
        frames: FrameRange::new(1, 12),
        frame_size: SIZE,
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &inputs,
        cut: &cut,
    };
    let assembly = named("assemble").expect("there is such an operator").prepare(&setup);
    let numbers = Numbers::of(&settings, span, rate, None, 12).expect("the rate has timecode");
    setup.settings = &settings;
    let print = Print.ready(&setup, Told { film: "The Brine Lamp", rate, numbers: Ok(numbers) });
    [assembly, print].map(|made| made.unwrap_or_else(|problems| panic!("{problems:?}")))
}

/// Names and milliseconds of our work.
fn ours(a: &Arc<Image>, b: &Arc<Image>) -> [(&'static str, f64); 4] {
    let [assembly, print] = ready();
    let two = [vec![(18, Arc::clone(a))], vec![(6, Arc::clone(b))]];
    let one = [vec![(6, Arc::clone(a))]];
    let made = |ready: &dyn Prepared, frames: &[Vec<(i64, Arc<Image>)>], frame: i64| {
        median(9, || {
            drop(std::hint::black_box(ready.apply(&Inputs { frames, raster: None }, frame).unwrap()))
        })
    };
    [
        ("a frame of a dissolve, half to half", made(&*assembly, &two, 6)),
        ("four lines of words, with the picture's copy", made(&*print, &one, 86_405)),
        ("a frame of a countdown", made(&*print, &[vec![]], 86_250)),
        (
            "to a width of 320 by area",
            median(9, || drop(std::hint::black_box(area_average(a, [0, 0, SIZE.0, SIZE.1], (320, 180))))),
        ),
    ]
}

fn main() {
    let (a, b) = (image(1), image(500));
    let size = (SIZE.0 as usize, SIZE.1 as usize);
    let told = |name: &str| format!("OpenCV, 32-bit float: {name}");
    beside_opencv(size, "assemble_check.py", || ours(&a, &b), told);
}
