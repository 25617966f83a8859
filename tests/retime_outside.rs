//! Frames made by flow against the flows of OpenCV, run live.
//!
//! Runs when ENDBOARD_PYTHON names a Python that has numpy and opencv-python-headless; says so and passes otherwise. Knows
//! scenes whose middle frame is known (`outside/retime_check.py` makes and judges them).

mod outside;

use std::collections::BTreeMap;
use std::sync::Arc;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::yaml;
use endboard::media::image::{Image, RGBA};
use endboard::operators::{Connected, Inputs, Made, Setup, WorkingSpace, named};
use outside::outside;

/// The frame that flow makes half way between two.
fn middle(a: Image, b: Image) -> Image {
    let (value, _) = yaml::parse(SourceId(0), "source_frame: 0.5\nspeed: 0\nbetween: flow");
    let settings = value.and_then(|v| v.map().cloned()).expect("settings are a map");
    let channels = RGBA.iter().map(|&c| c.into()).collect();
    let input = Connected { port: 0, name: String::new(), channels, frames: FrameRange::new(0, 1) };
    let setup = Setup {
        settings: &settings,
        span: Span::new(SourceId(0), 0, 0),
        files: &BTreeMap::new(),
        frames: FrameRange::one(1),
        frame_size: (a.width(), a.height()),
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &[input],
        cut: &[],
    };
    let ready = named("retime").expect("there is a retime operator").prepare(&setup);
    let frames = [vec![(0, Arc::new(a)), (1, Arc::new(b))]];
    let inputs = Inputs { frames: &frames, raster: None };
    let ready = ready.unwrap_or_else(|problems| panic!("{problems:?}"));
    let Made { image, remark } = ready.make(&inputs, 1).expect("both frames are there");
    assert_eq!(remark, None);
    image
}

#[test]
fn middle_frames_are_as_near_the_truth_as_those_of_opencvs_flows() {
    for kind in ["shift", "fast", "turn", "zoom", "disc"] {
        let Some(scene) = outside("retime_check.py", &["scene", kind], &[]) else { return };
        let [width, height] = [0, 4].map(|at| u32::from_le_bytes(scene[at..at + 4].try_into().unwrap()));
        let samples: Vec<f32> =
            scene[8..].chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap())).collect();
        let plane = width as usize * height as usize;
        let frame = |n: usize| {
            let mut image = Image::new(width, height, &RGBA);
            for y in 0..height {
                for c in 0..3 {
                    let row = &samples[(n * 3 + c) * plane + y as usize * width as usize..][..width as usize];
                    image.write_row(c, y, row);
                }
                image.write_row(3, y, &vec![1.0; width as usize]);
            }
            image
        };
        let made = middle(frame(0), frame(2));
        let mut input = scene.clone();
        (0..3).for_each(|c| input.extend(made.plane_f32(c).iter().flat_map(|v| v.to_le_bytes())));
        let said = outside("retime_check.py", &["judge"], &input).expect("there was a Python before");
        let said: BTreeMap<String, [f64; 2]> = serde_json::from_slice(&said).unwrap();
        eprintln!("{kind}: {said:.2?} dB, whole and inside");
        for (name, theirs) in said.iter().filter(|(name, _)| *name != "ours") {
            let ours = said["ours"];
            assert!(ours[0] >= theirs[0] && ours[1] >= theirs[1], "{kind}: {ours:?} dB, {name} {theirs:?}");
        }
    }
}
