//! Light that blades throw on surfaces, against SciPy's numerical integration, run live.
//!
//! Runs when ENDBOARD_PYTHON names a Python that has scipy; says so and passes otherwise. Knows the operator by its public
//! face only.

mod outside;

use std::collections::BTreeMap;
use std::sync::Arc;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::yaml;
use endboard::media::image::{Image, RGBA};
use endboard::operators::{Connected, Inputs, Setup, WorkingSpace, named};
use outside::outside;

const SIZE: (u32, u32) = (320, 180);
const ENDS: [f64; 4] = [90.0, 140.0, 200.0, 40.0];
const WIDTH: f64 = 4.0;
const LIGHT: f64 = 50.0;
/// Distance of the surface in widths.
const DISTANCE: f64 = 9.0;

/// What a rod of pure white without taper or halo adds to a white surface under light 1.
fn thrown() -> Image {
    let [a, b, c, d] = ENDS;
    let text = format!(
        "{{ flicker: 0, halo: 0, taper: 0, white: 0, colour: [1, 1, 1], width: {WIDTH}, light: {LIGHT}, ambient: 1,
          surfaces: {{ all: {{ distance: {DISTANCE} }} }},
          rods: {{ keeper: {{ keys: {{ 1: {{ base: [{a}, {b}], tip: [{c}, {d}] }} }} }} }} }}"
    );
    let (value, problems) = yaml::parse(SourceId(0), &text);
    assert!(problems.is_empty());
    let settings = value.unwrap().map().unwrap().clone();
    let connected = |port: usize, name: &str, channels: &[&str]| Connected {
        port,
        name: name.into(),
        channels: channels.iter().map(|&c| c.into()).collect(),
        frames: FrameRange::new(1, 9),
    };
    let inputs = [connected(0, "", &RGBA), connected(4, "all", &["m"])];
    let setup = Setup {
        settings: &settings,
        span: Span::new(SourceId(0), 0, 0),
        files: &BTreeMap::new(),
        frames: FrameRange::new(1, 9),
        frame_size: SIZE,
        rate: 24.0,
        working_space: WorkingSpace::LinearRec709,
        inputs: &inputs,
        cut: &[],
    };
    let ready = named("blades").unwrap().prepare(&setup).unwrap_or_else(|p| panic!("{p:?}"));
    let whole = |names: &[&str]| {
        let mut image = Image::new(SIZE.0, SIZE.1, names);
        (0..names.len()).for_each(|c| image.samples_mut(c).fill(half::f16::ONE));
        Arc::new(image)
    };
    let frames = [vec![(1, whole(&RGBA))], vec![(1, whole(&["m"]))]];
    ready.apply(&Inputs { frames: &frames, raster: None }, 1).unwrap()
}

#[test]
fn light_on_a_surface_is_scipys_integral() {
    let places: Vec<[f64; 2]> =
        [[20, 20], [60, 90], [120, 90], [160, 100], [220, 30], [300, 170], [110, 150]]
            .map(|[x, y]| [f64::from(x) + 0.5, f64::from(y) + 0.5])
            .to_vec();
    let question = serde_json::json!({ "ends": ENDS, "distance": WIDTH * DISTANCE, "places": places });
    let Some(out) = outside("blades_check.py", &[], &serde_json::to_vec(&question).unwrap()) else { return };
    let wanted: Vec<f64> = serde_json::from_slice(&out).unwrap();
    let image = thrown();
    // All light of a rod's width: the tube's, and that of its middle, which is 0.6 as wide, over pi by Lambert.
    let power = LIGHT * WIDTH * (0.45 + 0.55 * 0.6) / std::f64::consts::PI;
    for ([x, y], wanted) in places.iter().zip(wanted) {
        let got = f64::from(image.row(0, *y as u32)[*x as usize].to_f32()) - 1.0;
        let wanted = wanted * power;
        eprintln!("{x} {y}: {got:.5} for {wanted:.5}");
        // Half floats from 1 to 4 step by up to 2^-9; the grid between which light is interpolated is a sixth of the
        // distance, whose square over eight bounds its error by a half percent.
        assert!((got - wanted).abs() < 0.005 * wanted + 2e-3, "{x} {y}: {got} for {wanted}");
    }
}
