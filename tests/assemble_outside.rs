//! Dissolves, written words and made-smaller pictures against other libraries.
//!
//! Knows what is handed to `outside/assemble_check.py` and how near its answers must be. Passes silently where no Python is
//! named.

mod outside;

use std::collections::BTreeMap;
use std::sync::Arc;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::speed::Run;
use endboard::base::value::Map;
use endboard::media::image::{Image, RGBA};
use endboard::media::scale::area_average;
use endboard::operators::lettering::Face;
use endboard::operators::shape::coverage::Window;
use endboard::operators::{Connected, Inputs, Setup, Slot, WorkingSpace, named};
use outside::outside;

fn floats(bytes: &[u8]) -> Vec<f32> {
    bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect()
}

fn bytes(samples: impl IntoIterator<Item = f32>) -> Vec<u8> {
    samples.into_iter().flat_map(f32::to_le_bytes).collect()
}

/// A picture of light from 0 to 30 with an alpha that varies, different for each `seed`.
fn picture(width: u32, height: u32, seed: u32) -> Image {
    let mut image = Image::new(width, height, &RGBA);
    for channel in 0..4u32 {
        for y in 0..height {
            let value = |x: u32| {
                let n =
                    (x.wrapping_mul(2_654_435_761) ^ y.wrapping_mul(40_503) ^ (seed * 977 + channel)) % 1000;
                let share = n as f32 / 999.0;
                if channel == 3 { share } else { share * share * 30.0 }
            };
            let row: Vec<f32> = (0..width).map(value).collect();
            image.write_row(channel as usize, y, &row);
        }
    }
    image
}

fn planes(image: &Image) -> impl Iterator<Item = f32> + '_ {
    (0..image.channels().len()).flat_map(|channel| image.plane_f32(channel))
}

/// Linear interpolation of premultiplied light (plus, Porter & Duff 1984) by NumPy in 64 bits; the steps of the share are
/// common practice, no source. Tolerance: one unit in the last place of a half float, 2^-10 of the value.
#[test]
fn dissolves_against_numpy() {
    let (width, height, length) = (40, 30, 6);
    let slot = |input, first: i64, leaves| {
        let source = FrameRange::new(first, first + length - 1);
        Slot {
            at: 1,
            input: Some(input),
            run: Run::of(source),
            leaves,
            wipe: None,
            shot: "".into(),
            stage: "".into(),
        }
    };
    let input = |name: &str| Connected {
        port: 0,
        name: name.into(),
        channels: RGBA.iter().map(|&c| c.into()).collect(),
        frames: FrameRange::new(1, 2 * length),
    };
    let settings = Map::default();
    let setup = Setup {
        settings: &settings,
        span: Span::new(SourceId(0), 0, 0),
        files: &BTreeMap::new(),
        frames: FrameRange::new(1, length),
        frame_size: (width, height),
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &[input("br010"), input("br020")],
        cut: &[slot(0, length + 1, true), slot(1, 1, false)],
    };
    let ready = named("assemble").unwrap().prepare(&setup).unwrap();
    for frame in 1..=length {
        let (a, b) = (picture(width, height, frame as u32), picture(width, height, 100 + frame as u32));
        let frames = [vec![(length + frame, Arc::new(a.clone()))], vec![(frame, Arc::new(b.clone()))]];
        let out = ready.apply(&Inputs { frames: &frames, raster: None }, frame).unwrap();
        let words = [frame.to_string(), length.to_string()];
        let sent = bytes(planes(&a).chain(planes(&b)));
        let Some(answer) = outside("assemble_check.py", &["dissolve", &words[0], &words[1]], &sent) else {
            return;
        };
        for (got, want) in planes(&out).zip(floats(&answer)) {
            assert!((got - want).abs() <= want.abs() * 2f32.powi(-10) + 1e-6, "{frame}: {got} {want}");
        }
    }
}

/// Glyphs against FreeType (through Pillow), which draws them 32 times as large; means of 32 × 32 of its pixels are coverage.
/// Tolerance: 0.04 of a pixel at most, since FreeType fits large glyphs to its own grid, and 0.001 on average.
#[test]
fn glyphs_against_freetype() {
    let (width, height, size, x, y) = (720, 80, 40.0, 10.0, 60.0);
    let text = "br030/colour 1012 01:23:45;18 &gQ";
    let face = Face::of([text]);
    let mask = face.cover(text, size, [x, y], Window { x: 0, y: 0, width, height });
    let mut whole = vec![0.0f32; width * height];
    for row in 0..mask.window.height {
        let at = (mask.window.y as usize + row) * width + mask.window.x as usize;
        whole[at..][..mask.window.width].copy_from_slice(mask.row(row));
    }
    let font = concat!(env!("CARGO_MANIFEST_DIR"), "/fonts/LeagueMono-SemiBold.otf");
    let advance = face.width("0", size).to_string();
    let words = [width, height].map(|n| n.to_string());
    let arguments = ["glyphs", font, text, &words[0], &words[1], "40", "10", "60", &advance];
    let Some(answer) = outside("assemble_check.py", &arguments, &[]) else { return };
    let off: Vec<f32> = whole.iter().zip(floats(&answer)).map(|(a, b)| (a - b).abs()).collect();
    let most = off.iter().copied().fold(0.0, f32::max);
    let mean = off.iter().sum::<f32>() / off.len() as f32;
    assert!(whole.iter().sum::<f32>() > 1000.0 && off.len() == width * height);
    assert!(most < 0.04 && mean < 0.001, "at most {most}, on average {mean}");
}

/// Area averages against OpenCV's INTER_AREA. Tolerance: 1e-3 of 1, as both ends are half floats.
#[test]
fn smaller_pictures_against_opencv() {
    let image = picture(96, 54, 5);
    let mut plain = Image::new(96, 54, &["R"]);
    for y in 0..54 {
        let mut row = vec![0.0; 96];
        image.read_row(3, y, &mut row);
        plain.write_row(0, y, &row);
    }
    for (width, height) in [(48, 27), (32, 18), (40, 25), (7, 5)] {
        let small = area_average(&plain, [0, 0, 96, 54], (width, height));
        let words = ["96".to_string(), "54".to_string(), width.to_string(), height.to_string()];
        let arguments = ["area", &words[0], &words[1], &words[2], &words[3]];
        let Some(answer) = outside("assemble_check.py", &arguments, &bytes(planes(&plain))) else { return };
        for (got, want) in planes(&small).zip(floats(&answer)) {
            assert!((got - want).abs() < 1e-3, "{width}x{height}: {got} {want}");
        }
    }
}
