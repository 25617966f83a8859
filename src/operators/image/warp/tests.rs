//! Carried pictures: copies, slides, turns and shrunk ones.

use super::*;
use crate::media::image::RGBA;
use crate::operators::shape::motion::STILL;
use proptest::prelude::*;

fn slide(x: f64, y: f64) -> Matrix {
    [[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]]
}

fn picture(width: u32, height: u32, light: impl Fn(f32, f32) -> f32) -> Image {
    let mut image = Image::new(width, height, &["R", "G", "B", "A", "depth"]);
    for c in 0..5 {
        for y in 0..height {
            let row: Vec<f32> = (0..width).map(|x| light(x as f32, y as f32) * (c + 1) as f32).collect();
            image.write_row(c, y, &row);
        }
    }
    image
}

#[test]
fn what_stays_or_slides_by_whole_pixels_keeps_every_bit() {
    let mut image = picture(40, 30, |x, y| x * 0.37 - y * 1.3);
    image.samples_mut(1)[77] = half::f16::NAN;
    image.samples_mut(2)[78] = half::f16::NEG_INFINITY;
    let bits = |image: &Image| -> Vec<u16> {
        image.channels().iter().flat_map(|c| c.samples.iter().map(|s| s.to_bits())).collect()
    };
    assert_eq!(bits(&warp(&image, &STILL, (40, 30))), bits(&image));
    let there = warp(&image, &slide(11.0, -4.0), (60, 30));
    assert_eq!(there.row(1, 0)[11 + 15..51], image.row(1, 4)[15..]);
    assert!(there.row(0, 27).iter().all(|s| s.to_bits() == 0));
    let back = warp(&there, &slide(-11.0, 4.0), (40, 30));
    for y in 4..30 {
        let same =
            |c: usize| back.row(c, y).iter().zip(image.row(c, y)).all(|(a, b)| a.to_bits() == b.to_bits());
        assert!((0..5).all(same), "{y}");
    }
    assert_eq!(
        warp(&image, &slide(-100.0, 500.0), (40, 30)),
        Image::new(40, 30, &["R", "G", "B", "A", "depth"])
    );
    assert_eq!(warp(&image, &[[0.0; 3]; 3], (4, 3)), Image::new(4, 3, &["R", "G", "B", "A", "depth"]));
}

/// A slow wave at a third of the pixels' own frequency comes back within the kernel's pass band.
#[test]
fn a_turned_wave_is_the_wave_turned() {
    let wave = |x: f64, y: f64| 0.5 + 0.25 * (x / 2.5).sin() * (y / 3.1).cos();
    let (width, height) = (90usize, 70usize);
    let samples: Vec<f32> = (0..width * height)
        .map(|i| wave((i % width) as f64 + 0.5, (i / width) as f64 + 0.5) as f32)
        .collect();
    let (sin, cos) = 0.3f64.sin_cos();
    let turn = [[cos, -sin, 12.0], [sin, cos, -8.5], [0.0004, -0.0002, 1.0]];
    let got = plane(&samples, (width, height), &turn, (width, height));
    let back = inverse(&turn).unwrap();
    let mut compared = 0;
    for y in 0..height {
        for x in 0..width {
            let [u, v, w] = back.map(|[a, b, c]| a * (x as f64 + 0.5) + b * (y as f64 + 0.5) + c);
            let (u, v) = (u / w, v / w);
            if (4.0..width as f64 - 4.0).contains(&u) && (4.0..height as f64 - 4.0).contains(&v) {
                let off = f64::from(got[y * width + x]) - wave(u, v);
                assert!(off.abs() < 4e-3, "{x}, {y}: {off}");
                compared += 1;
            }
        }
    }
    assert!(compared > 2000, "{compared}");
}

/// Stripes of one pixel, made five times smaller, are grey; without a stretched kernel they would beat.
#[test]
fn what_becomes_smaller_is_averaged() {
    let image = picture(200, 150, |x, _| (x % 2.0) * 0.5);
    let small = warp(&image, &[[0.19, 0.0, 0.0], [0.0, 0.21, 0.0], [0.0, 0.0, 1.0]], (38, 31));
    for y in 2..29 {
        for s in &small.row(0, y)[2..36] {
            assert!((s.to_f32() - 0.25).abs() < 5e-3, "{s}");
        }
    }
}

#[test]
fn nothing_is_shown_beyond_the_edges_or_mixed_with_what_is_barred() {
    struct Barred(Vec<f32>);
    impl Source<1> for Barred {
        fn size(&self) -> (usize, usize) {
            (16, 12)
        }
        fn read(&self, y: usize, x: usize, out: &mut [[f32; 1]]) {
            Flat { samples: &self.0, width: 16 }.read(y, x, out);
        }
        fn bars(&self, x: usize, y: usize) -> bool {
            (x, y) == (8, 6)
        }
    }
    let seen = |by: [f64; 2], inside: f64| {
        let (mut out, mut seen) = (vec![[0.0]; 192], vec![false; 192]);
        let part = Part { x: 0, y: 0, width: 16, height: 12 };
        let map = Map::new(&slide(by[0], by[1]), inside).unwrap();
        map.fill(&Barred(vec![1.0; 192]), part, &|_, _| true, &mut out, &mut seen);
        assert!(out.iter().zip(&seen).all(|(v, seen)| (v[0] - f32::from(*seen)).abs() < 1e-6));
        seen
    };
    let still = seen([0.0, 0.0], 0.5);
    assert!(still.iter().enumerate().all(|(i, seen)| *seen == (i != 6 * 16 + 8)));
    // Six pixels across have a share in what lies between two.
    let half = seen([0.5, 0.0], 0.5);
    assert_eq!((0..16).filter(|x| !half[6 * 16 + x]).collect::<Vec<_>>(), [0, 6, 7, 8, 9, 10, 11]);
    assert!(half[5 * 16 + 8] && !half[5 * 16]);
    assert!(seen([0.5, 0.0], 0.0)[5 * 16]);
}

proptest! {
    #[test]
    fn flat_light_stays_flat(a in 0.3f64..1.5, b in -0.4f64..0.4, g in -1e-3f64..1e-3, x in -9.0f64..9.0) {
        let image = picture(50, 40, |_, _| 0.5);
        let matrix = [[a, -b, x], [b, a * 1.1, 2.0], [g, g / 2.0, 1.0]];
        let out = warp(&image, &matrix, (50, 40));
        let share = |s: &half::f16| { let v = s.to_f32(); v == 0.0 || (v - 0.5).abs() < 1e-3 };
        prop_assert!(out.channels()[0].samples.iter().all(share));
    }

    #[test]
    fn parts_agree_with_the_whole(x in 0usize..30, y in 0usize..20, by in 0.0f64..1.0) {
        let samples: Vec<f32> = (0..50 * 40).map(|i| (i * 7919 % 101) as f32 / 101.0).collect();
        let matrix = [[0.9, 0.1, by], [-0.2, 1.1, 3.0], [1e-3, 0.0, 1.0]];
        let whole = plane(&samples, (50, 40), &matrix, (50, 40));
        let part = Part { x, y, width: 20, height: 20 };
        let (mut out, mut seen) = (vec![[0.0]; 400], vec![false; 400]);
        Map::new(&matrix, 0.0).unwrap().fill(&Flat { samples: &samples, width: 50 }, part, &|_, _| true, &mut out, &mut seen);
        for (i, [v]) in out.iter().enumerate() {
            prop_assert_eq!(*v, whole[(y + i / 20) * 50 + x + i % 20]);
        }
    }
}

#[test]
fn channels_beyond_four_are_carried_alike() {
    let image = picture(40, 30, |x, y| (x * 0.3).sin() + y * 0.01);
    let out = warp(&image, &slide(0.4, 0.3), (40, 30));
    for i in 0..1200 {
        let (first, last) = (out.channels()[0].samples[i].to_f32(), out.channels()[4].samples[i].to_f32());
        assert!((first * 5.0 - last).abs() < 6e-3 * last.abs().max(1.0), "{i}: {first} {last}");
    }
    assert_eq!(out.channels().len(), RGBA.len() + 1);
}
