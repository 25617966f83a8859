//! Times `roto` on one thread: `cargo bench --bench roto`.
//!
//! Prints milliseconds (the least of five) for a soft shape of 24 curved points, still and moving 16 pixels while the shutter is open;
//! with ENDBOARD_PYTHON, OpenCV's fillPoly with 16 samples a pixel at 32 times beside the moving one.

mod clock;

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use clock::{least, peers};
use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::yaml;
use endboard::operators::{Attachment, Inputs, Setup, WorkingSpace, named};

/// A shape with five lobes about the middle of the frame, moved by `right`.
fn outline(width: f64, height: f64, right: f64, own: bool) -> String {
    let radius = |angle: f64| height * (0.3 + 0.05 * (5.0 * angle).sin());
    let place = |angle: f64| {
        [width / 2.0 + right + radius(angle) * angle.cos(), height / 2.0 + radius(angle) * angle.sin()]
    };
    let point = |i: usize| {
        let angle = TAU * i as f64 / 24.0;
        let ([x, y], [a, b], [c, d]) = (place(angle), place(angle - 0.01), place(angle + 0.01));
        let (dx, dy) = ((c - a) / 0.02 * TAU / 72.0, (d - b) / 0.02 * TAU / 72.0);
        let feather = if own { format!(", {{ feather: {} }}", 2 + i) } else { String::new() };
        format!("[{x:.2}, {y:.2}, {:.2}, {:.2}, {dx:.2}, {dy:.2}{feather}]", -dx, -dy)
    };
    (0..24).map(point).collect::<Vec<_>>().join(", ")
}

fn main() {
    for (width, height) in [(1920u32, 1080u32), (3840, 2160)] {
        for (what, settings, own) in [
            ("still", "{}", false),
            ("moving 16 px, shutter 180", "{ shutter: 180 }", false),
            ("still, a feather for each point", "{}", true),
        ] {
            let key = |right: f64| outline(f64::from(width), f64::from(height), right, own);
            let text = format!(
                "mattes: {{ crew: {{ shapes: [ {{ feather: 6, keys: {{ 1: [{}], 11: [{}] }} }} ] }} }}",
                key(-160.0),
                key(160.0)
            );
            let (value, _) = yaml::parse(SourceId(0), settings);
            let attachment = Attachment {
                path: "a.yaml".into(),
                bytes: text.as_bytes().into(),
                source: Some(SourceId(1)),
            };
            let ready = named("roto")
                .unwrap()
                .prepare(&Setup {
                    settings: value.as_ref().and_then(|v| v.map()).unwrap(),
                    span: Span::new(SourceId(0), 0, 0),
                    files: &BTreeMap::from([("shapes".to_string(), attachment)]),
                    frames: FrameRange::new(1, 11),
                    frame_size: (width, height),
                    rate: 24.0,
                    working_space: WorkingSpace::LinearRec709,
                    inputs: &[],
                    cut: &[],
                })
                .unwrap_or_else(|problems| panic!("{problems:?}"));
            let ms = least(|| {
                std::hint::black_box(ready.apply(&Inputs { frames: &[], raster: None }, 6).unwrap());
            });
            println!("{ms:10.2}  roto: a soft shape of {width}x{height}, {what}, one thread, ms");
        }
    }
    for (line, size) in peers("shape_check.py", &["fill"]).lines().zip(["1920x1080", "3840x2160"]) {
        println!("{line:>10}  OpenCV: fillPoly, 16 samples a pixel at 32 times, {size}, one thread, ms");
    }
}
