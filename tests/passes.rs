//! `passes` between a take's frames and behind what stands before it: pixels against formulas.
//!
//! Knows the operator by its public face only.

use std::collections::BTreeMap;
use std::sync::Arc;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::yaml;
use endboard::media::image::{Image, RGBA};
use endboard::operators::{Connected, Inputs, Setup, WorkingSpace, named};

const SIZE: (u32, u32) = (192, 108);
/// The frame that is asked for.
const FRAME: i64 = 7;

/// A picture or a matte by a formula.
fn drawn(names: &[&str], light: impl Fn(u32, u32) -> f32) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, names);
    for (channel, name) in names.iter().enumerate() {
        for y in 0..SIZE.1 {
            let row: Vec<f32> = (0..SIZE.0).map(|x| if *name == "A" { 1.0 } else { light(x, y) }).collect();
            image.write_row(channel, y, &row);
        }
    }
    Arc::new(image)
}

/// The frame made of a black clean plate and one take: two frames of it, two of its matte and, where there is one, a holdout.
fn joined(
    settings: &str,
    take: [Arc<Image>; 2],
    matte: [Arc<Image>; 2],
    holdout: Option<Arc<Image>>,
) -> Image {
    let (value, problems) = yaml::parse(SourceId(0), settings);
    assert!(problems.is_empty(), "{problems:?}");
    let settings = value.unwrap().map().unwrap().clone();
    let connected = |port: usize, name: &str, channels: &[&str]| Connected {
        port,
        name: name.into(),
        channels: channels.iter().map(|&c| c.into()).collect(),
        frames: FrameRange::new(1, 20),
    };
    let mut inputs =
        vec![connected(0, "", &RGBA), connected(1, "left", &RGBA), connected(2, "left", &["left"])];
    inputs.extend(holdout.is_some().then(|| connected(4, "left", &["post"])));
    let setup = Setup {
        settings: &settings,
        span: Span::new(SourceId(0), 0, 0),
        files: &BTreeMap::new(),
        frames: FrameRange::one(FRAME),
        frame_size: SIZE,
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &inputs,
        cut: &[],
    };
    let passes = named("passes").unwrap().prepare(&setup).unwrap_or_else(|problems| panic!("{problems:?}"));
    let two = passes.reach(1, FRAME);
    let given = |images: [Arc<Image>; 2]| two.iter().zip(images).collect::<Vec<_>>();
    let mut frames = vec![vec![(FRAME, drawn(&RGBA, |_, _| 0.0))], given(take), given(matte)];
    frames.extend(holdout.map(|image| vec![(FRAME, image)]));
    passes.apply(&Inputs { frames: &frames, raster: None }, FRAME).unwrap()
}

fn at(image: &Image, x: u32, y: u32) -> f64 {
    f64::from(image.row(0, y)[x as usize].to_f32())
}

/// Waves that no shift repeats, which go right by so many pixels.
fn set(x: f64, y: f64, by: f64) -> f64 {
    let u = x - by;
    0.5 + 0.2 * (0.23 * u + 0.11 * y).sin() + 0.15 * (0.41 * u - 0.27 * y + 1.0).sin() * (0.05 * u).cos()
}

#[test]
fn blended_mixes_light_and_matte_by_the_part_of_the_frame() {
    let flat = |v: f32| drawn(&RGBA, move |_, _| v);
    let matte = |v: f32| drawn(&["left"], move |_, _| v);
    let settings = "{ between: blended, moved: { left: { time: 2.25 } } }";
    let out = joined(settings, [flat(0.25), flat(1.25)], [matte(1.0), matte(0.5)], None);
    // Three quarters of frame 9 and one of frame 10.
    let (light, covers) = (0.75 * 0.25 + 0.25 * 1.25, 0.75 * 1.0 + 0.25 * 0.5);
    for (x, y) in [(3, 4), (96, 54), (188, 100)] {
        assert!((at(&out, x, y) - light * covers).abs() < 1e-3, "{} {}", at(&out, x, y), light * covers);
    }
    // The nearer frame alone, where nothing is said.
    let out = joined(
        "{ moved: { left: { time: 2.25 } } }",
        [flat(0.25), flat(1.25)],
        [matte(1.0), matte(0.5)],
        None,
    );
    assert_eq!(at(&out, 96, 54), 0.25);
}

#[test]
fn flow_shows_what_moves_where_it_is_at_that_time() {
    let moved = |by: f64| drawn(&RGBA, move |x, y| set(f64::from(x), f64::from(y), by) as f32);
    // The matte's edge goes along.
    let matte = |by: u32| drawn(&["left"], move |x, _| f32::from(u8::from(x >= 60 + by)));
    let made = |between: &str| {
        let settings = format!("{{ between: {between}, moved: {{ left: {{ time: 0.5 }} }} }}");
        joined(&settings, [moved(0.0), moved(6.0)], [matte(0), matte(6)], None)
    };
    let (flow, blended) = (made("flow"), made("blended"));
    let worst = |image: &Image, by: f64| {
        let inner = (20..88).flat_map(|y| (80..172).map(move |x| (x, y)));
        inner.map(|(x, y)| (at(image, x, y) - set(f64::from(x), f64::from(y), by)).abs()).fold(0.0, f64::max)
    };
    assert!(worst(&flow, 3.0) < 0.03, "{}", worst(&flow, 3.0));
    assert!(worst(&blended, 3.0) > 0.1, "the mixture is told from it: {}", worst(&blended, 3.0));
    // Of the matte's edge half is at 63: all covers right of it, nothing left of it.
    for y in [30, 54, 80] {
        assert!(
            at(&flow, 58, y) < 0.02 && at(&flow, 68, y) > 0.2,
            "{} {}",
            at(&flow, 58, y),
            at(&flow, 68, y)
        );
    }
}

#[test]
fn a_holdout_stands_before_a_take_where_the_clean_plate_has_it() {
    let flat = drawn(&RGBA, |_, _| 1.0);
    let matte = drawn(&["left"], |_, _| 0.5);
    let post = drawn(&["post"], |x, _| if x < 90 { 0.0 } else { 0.75 });
    // The take is moved, and what stands before it is not.
    let settings = "{ moved: { left: { shift: [20, 0] } } }";
    let pair = |image: &Arc<Image>| [image.clone(), image.clone()];
    let out = joined(settings, pair(&flat), pair(&matte), Some(post));
    for (x, wanted) in [(60, 0.5), (89, 0.5), (90, 0.125), (150, 0.125)] {
        assert!((at(&out, x, 50) - wanted).abs() < 1e-3, "{x}: {} {wanted}", at(&out, x, 50));
    }
}
