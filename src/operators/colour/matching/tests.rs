//! Tests of the first pass.

use super::difference::lab;
use super::*;
use crate::media::image::{Image, RGBA};
use crate::operators::colour::primaries::apply;
use crate::operators::colour::transfer;

const SIZE: (u32, u32) = (320, 180);

fn noise(x: i64, y: i64, seed: i64) -> f32 {
    let mut z =
        (x.wrapping_mul(0x9e37_79b9) ^ y.wrapping_mul(0x85eb_ca6b) ^ seed.wrapping_mul(0xc2b2_ae35)) as u64;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z >> 40) as f32) / (1u64 << 24) as f32 - 0.5
}

/// A night set: a floor, a wall with boards, a lamp's light that falls off, blue from a window, grain. `pan` moves the view,
/// `person` lets somebody in a red coat stand there, `zoom` crops.
fn scene(pan: f32, zoom: f32, person: Option<f32>, seed: i64) -> Vec<[f32; 3]> {
    let mut out = Vec::new();
    for y in 0..SIZE.1 as i64 {
        for x in 0..SIZE.0 as i64 {
            let (u, v) = ((x as f32 / 320.0 - 0.5) / zoom + 0.5 + pan, (y as f32 / 180.0 - 0.5) / zoom + 0.5);
            let lamp = 0.9 / (1.0 + 9.0 * ((u - 0.3).powi(2) + (v - 0.4).powi(2)) * 4.0);
            let window = 0.25 / (1.0 + 14.0 * ((u - 0.95).powi(2) + (v - 0.2).powi(2)));
            let albedo = if v > 0.7 {
                [0.35, 0.33, 0.30]
            } else if (u * 9.0).fract().abs() < 0.12 {
                [0.05, 0.04, 0.035]
            } else if (u * 3.0).sin() > 0.5 {
                [0.30, 0.42, 0.33]
            } else {
                [0.55, 0.42, 0.28]
            };
            let is_person = person.is_some_and(|p| ((u - pan) - p).abs() < 0.09 && v > 0.2);
            let albedo = if is_person { [0.6, 0.05, 0.04] } else { albedo };
            let light = [1.0 * lamp + 0.5 * window, 0.75 * lamp + 0.8 * window, 0.45 * lamp + 1.3 * window];
            let grain = 1.0 + 0.06 * noise(x, y, seed);
            out.push([0, 1, 2].map(|c| (albedo[c] * (light[c] + 0.03)) * grain));
        }
    }
    out
}

fn image(colours: &[[f32; 3]]) -> Image {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for y in 0..SIZE.1 as usize {
        let row = &colours[y * SIZE.0 as usize..][..SIZE.0 as usize];
        for c in 0..3 {
            image.write_row(c, y as u32, &row.iter().map(|v| v[c]).collect::<Vec<_>>());
        }
        image.write_row(3, y as u32, &vec![1.0; row.len()]);
    }
    image
}

fn samples(shots: &[Vec<[f32; 3]>]) -> Samples {
    let images: Vec<Image> = shots.iter().map(|colours| image(colours)).collect();
    Samples::of(images.iter().map(|image| (image, None)))
}

fn pushed(colours: &[[f32; 3]], cdl: Cdl, style: Style, space: Encoding) -> Vec<[f32; 3]> {
    let mut planes: Planes = [0, 1, 2].map(|c| colours.iter().map(|v| v[c]).collect());
    let [r, g, b] = &mut planes;
    let mut chain = crate::operators::colour::chain::Chain::new();
    chain.convert(Encoding::ALL[0], space).cdl(cdl, style).convert(space, Encoding::ALL[0]);
    chain.apply(Level::best(), [r, g, b]);
    (0..colours.len()).map(|i| [0, 1, 2].map(|c| planes[c][i])).collect()
}

/// Mean ΔE*ab (1976) of pixels.
fn apart(a: &[[f32; 3]], b: &[[f32; 3]]) -> f64 {
    let matrix = Encoding::ALL[0].primaries.to_xyz();
    let white = apply(matrix, [1.0; 3]);
    let of = |v: [f32; 3]| lab(apply(matrix, v.map(f64::from)), white);
    let each = a.iter().zip(b).map(|(a, b)| {
        let (a, b) = (of(*a), of(*b));
        (0..3).map(|c| (a[c] - b[c]).powi(2)).sum::<f64>().sqrt()
    });
    each.sum::<f64>() / a.len() as f64
}

const PUSHES: [Cdl; 3] = [
    Cdl { slope: [1.5, 1.3, 1.1], offset: [0.0, 0.0, 0.0], power: [1.0; 3], saturation: 1.0 },
    Cdl {
        slope: [0.6, 0.7, 0.95],
        offset: [0.004, 0.002, 0.006],
        power: [0.9, 0.95, 1.05],
        saturation: 0.75,
    },
    Cdl { slope: [1.1, 0.8, 0.7], offset: [-0.001, 0.001, 0.0], power: [1.15, 1.1, 1.2], saturation: 1.3 },
];

/// Tolerance: mean CIE ΔE*ab of pixels below 4 and below two fifths of before. Common practice, no source: a first pass is one if it
/// leaves a fraction to do. The crop shows another range of the lamp's light and the person a colour of its own; no CDL undoes
/// a push with saturation wholly, but the nearest ones come within 1.
#[test]
fn a_pushed_shot_of_other_content_comes_back() {
    let linear = Encoding::ALL[0];
    let reference = [scene(0.0, 1.0, None, 1), scene(0.03, 1.0, None, 2)];
    let others = [scene(0.1, 1.25, Some(0.3), 3), scene(0.12, 1.25, Some(0.55), 4)];
    for (push, cdl) in PUSHES.into_iter().enumerate() {
        let shot: Vec<_> = others.iter().map(|frame| pushed(frame, cdl, Style::NoClamp, linear)).collect();
        let found = first_pass(&samples(&shot), &samples(&reference), linear, linear).unwrap();
        let back: Vec<_> =
            shot.iter().map(|frame| pushed(frame, found.cdl, Style::NoClamp, linear)).collect();
        let (before, after) = (apart(&shot[0], &others[0]), apart(&back[0], &others[0]));
        println!("push {push}: ΔE {before:.2} before, {after:.2} after; {found:?}");
        assert!(
            before > 3.0 && after < 4.0 && after < before * 0.4,
            "push {push}: {before} {after} {found:?}"
        );
        assert!(found.after < found.before / 2.0 && found.shared > 0.4, "{found:?}");
    }
}

#[test]
fn identical_shots_need_no_grade_and_other_frames_of_one_shot_next_to_none() {
    let linear = Encoding::ALL[0];
    let frames = [scene(0.0, 1.0, None, 1), scene(0.03, 1.0, None, 2)];
    let same = first_pass(&samples(&frames), &samples(&frames), linear, linear).unwrap();
    assert_eq!((same.cdl, same.before, same.after, same.shared), (Cdl::default(), 0.0, 0.0, 1.0));
    let later = [scene(0.05, 1.0, Some(0.7), 8), scene(0.08, 1.0, Some(0.5), 9)];
    let found = first_pass(&samples(&later), &samples(&frames), linear, linear).unwrap();
    let moved = apart(&pushed(&later[0], found.cdl, Style::NoClamp, linear), &later[0]);
    println!("other frames: ΔE {moved:.2}; {found:?}");
    assert!(moved < 2.0, "{moved} {found:?}");
}

#[test]
fn a_grade_may_be_made_for_a_logarithmic_space() {
    let (linear, log) = (Encoding::ALL[0], Encoding { transfer: transfer::ACESCCT, ..Encoding::ALL[1] });
    let push = Cdl { slope: [0.9, 0.95, 1.05], offset: [0.05, 0.02, 0.0], power: [1.0; 3], saturation: 0.8 };
    let reference = [scene(0.0, 1.0, None, 1)];
    let other = scene(0.08, 1.2, Some(0.3), 3);
    let shot = pushed(&other, push, Style::NoClamp, log);
    let found = first_pass(&samples(std::slice::from_ref(&shot)), &samples(&reference), linear, log).unwrap();
    let (before, after) =
        (apart(&shot, &other), apart(&pushed(&shot, found.cdl, Style::NoClamp, log), &other));
    println!("log: ΔE {before:.2} before, {after:.2} after; {found:?}");
    assert!(after < 4.0 && after < before * 0.4, "{before} {after} {found:?}");
}

#[test]
fn only_what_a_matte_lets_through_counts() {
    let linear = Encoding::ALL[0];
    let one = image(&scene(0.0, 1.0, None, 1));
    let matte: Vec<f32> = (0..320 * 180).map(|i| if i % 320 < 100 { 1.0 } else { 0.0 }).collect();
    let part = Samples::of([(&one, Some(&matte[..]))]);
    assert!(part.len() > 1000 && part.len() < Samples::of([(&one, None)]).len() * 2);
    let none = vec![0.0; matte.len()];
    let empty = Samples::of([(&one, Some(&none[..]))]);
    assert!(empty.is_empty() && first_pass(&empty, &part, linear, linear).is_none());
}

/// Samples of nearly one tone: no colour of one lies in cells of the other until they are graded.
#[test]
fn shots_without_a_common_colour_have_none_in_common() {
    let linear = Encoding::ALL[0];
    let flat = |level: f32| -> Vec<[f32; 3]> {
        (0..320 * 180)
            .map(|i| {
                let part = level * (1.0 + 0.02 * noise(i % 320, i / 320, 5));
                [0.4 * part, 0.3 * part, 0.2 * part]
            })
            .collect()
    };
    let found = first_pass(&samples(&[flat(0.5)]), &samples(&[flat(1.0)]), linear, linear).unwrap();
    assert!(found.before > 10.0 && found.after < 1.0, "{found:?}");
    assert!(found.shared > 0.5 && found.cdl != Cdl::default(), "{found:?}");
}
