//! Tests of `passes` as a stage.

use super::*;
use crate::operators::image::trial::{SIZE, connected, prepare};

fn flat(names: &[&str], values: &[f32]) -> Arc<Image> {
    let mut image = Image::new(SIZE.0, SIZE.1, names);
    for (i, &v) in values.iter().enumerate() {
        image.samples_mut(i).fill(half::f16::from_f32(v));
    }
    Arc::new(image)
}

fn wiring() -> Vec<Connected> {
    vec![
        connected(CLEAN, "", &RGBA),
        connected(TAKES, "left", &RGBA),
        connected(TAKES, "right", &RGBA),
        connected(MATTES, "right", &["right"]),
        connected(MATTES, "left", &["left"]),
    ]
}

#[test]
fn takes_lie_over_one_another_by_their_own_mattes() {
    let passes = prepare(&Passes, "", None, &wiring()).ok().unwrap();
    let mut right = Image::clone(&flat(&["left", "right"], &[0.0, 0.0]));
    right.write_row(1, 5, &vec![1.0; SIZE.0 as usize]);
    let frames = [
        vec![(7, flat(&RGBA, &[0.125, 0.25, 0.5, 1.0]))],
        vec![(7, flat(&RGBA, &[2.0, 0.5, 0.0, 0.5]))],
        vec![(7, flat(&RGBA, &[f32::NAN, 0.5, 0.25, 1.0]))],
        vec![(7, Arc::new(right))],
        vec![(7, flat(&["left"], &[0.25]))],
    ];
    let out = passes.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
    let pixel = |y: u32| [0, 1, 2, 3].map(|c| out.row(c, y)[9].to_f32());
    assert_eq!(pixel(4), [0.59375, 0.3125, 0.375, 0.875]);
    assert!(pixel(5)[0].is_nan());
    assert_eq!(pixel(5)[1..], [0.5, 0.25, 1.0]);
}

/// The values of "matte_mix_unpremultiplied" in tests/checks/compositing.json.
#[test]
fn mixing_is_linear() {
    for (fg, bg, m, wanted) in [
        ([0.8, 0.2, 0.1], [0.1, 0.3, 0.5], 0.25, [0.275, 0.275, 0.4]),
        ([2.0, 0.5, 0.0], [0.1, 0.1, 0.1], 0.5, [1.05, 0.3, 0.05]),
    ] {
        let mut under: [f32; 3] = bg;
        under.iter_mut().zip(&fg).for_each(|(under, fg)| mix(under, *fg, m));
        for (a, b) in under.iter().zip(wanted) {
            assert!((a - b as f32).abs() < 1e-6);
        }
    }
}

#[test]
fn names_must_match() {
    let mut inputs = wiring();
    inputs[4].name = "lef".into();
    let problems = prepare(&Passes, "", None, &inputs).err().unwrap();
    assert_eq!(problems.len(), 2);
    assert_eq!(problems[0].help.as_deref(), Some("did you mean 'lef'?"));
}
