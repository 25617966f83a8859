//! `paint-out` against other libraries: Poisson's equation by SciPy, filling in by OpenCV, medians by numpy, run live.
//!
//! Runs when ENDBOARD_PYTHON names a Python that has them; says so and passes otherwise. Knows the library's results only.

mod outside;

use std::collections::BTreeMap;
use std::sync::Arc;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{SourceId, Span};
use endboard::base::yaml;
use endboard::media::image::{Image, RGBA};
use endboard::operators::image::paint_out::around;
use endboard::operators::image::paint_out::field::Pixel;
use endboard::operators::image::paint_out::seam::{self, Role};
use endboard::operators::{Connected, Inputs, Setup, WorkingSpace, named};
use outside::outside;

fn floats(bytes: &[u8]) -> Vec<f32> {
    bytes.chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap())).collect()
}

fn bytes(values: impl IntoIterator<Item = f32>) -> Vec<u8> {
    values.into_iter().flat_map(f32::to_le_bytes).collect()
}

fn sizes<const N: usize>(values: [usize; N]) -> Vec<u8> {
    values.into_iter().flat_map(|v| (v as i32).to_le_bytes()).collect()
}

fn chance(i: usize) -> f32 {
    let mut h = (i as u32).wrapping_mul(0x9E37_79B1);
    h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
    h = (h ^ (h >> 12)).wrapping_mul(0x297A_2D39);
    (h ^ (h >> 15)) as f32 / u32::MAX as f32
}

/// Holes of several forms: one inside, one at a corner, a ragged one with islands, thin lines, and several at once.
fn hole(kind: usize, x: usize, y: usize) -> bool {
    let (dx, dy) = (x as f32 - 80.0, y as f32 - 60.0);
    match kind {
        0 => (20..140).contains(&x) && (15..105).contains(&y),
        1 => x >= 90 && y < 70,
        2 => dx * dx + dy * dy < 2500.0 + 900.0 * (x as f32 / 5.0).sin() && chance(x * 200 + y) < 0.98,
        3 => (x + 2 * y) % 40 < 2 || y == 50,
        _ => (x / 30 + y / 30).is_multiple_of(2) && x % 30 > 2 && y % 30 > 2,
    }
}

#[test]
fn seams_are_those_of_a_direct_solution() {
    let (width, height) = (160usize, 120usize);
    for kind in 0..5 {
        let plane = |salt: usize, scale: f32| -> Vec<Pixel> {
            (0..width * height)
                .map(|i| [0, 1, 2, 3].map(|c| scale * chance(4 * i + c + salt) + (i % width) as f32 / 100.0))
                .collect()
        };
        let (picture, fill) = (plane(0, 1.0), plane(7_777_777, 2.0));
        let is_hole: Vec<bool> = (0..width * height).map(|i| hole(kind, i % width, i / width)).collect();
        let roles: Vec<Role> = is_hole.iter().map(|h| if *h { Role::Hole } else { Role::Known }).collect();
        let mut input = sizes([width, height]);
        input.extend(bytes(picture.iter().chain(&fill).flatten().copied()));
        input.extend(is_hole.iter().map(|h| u8::from(*h)));
        let Some(out) = outside("paint_check.py", &["seam"], &input) else { return };
        let mut got = fill.clone();
        let steps = seam::join(&picture, &mut got, &roles, width);
        let furthest = got.iter().flatten().zip(floats(&out)).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        eprintln!("hole {kind}: {steps} steps, furthest from SciPy's direct solution {furthest:.1e}");
        // Light goes up to 3.6 here, of which a half float's step is 2e-3.
        assert!(furthest < 1e-4, "hole {kind}: {furthest}");
    }
}

const WIDTH: usize = 220;
const HEIGHT: usize = 180;

/// Textures that go on as they began, and last one that is all chance; square roots of light.
fn texture(kind: usize, x: usize, y: usize) -> [f32; 3] {
    let (fx, fy) = (x as f32, y as f32);
    let light = match kind {
        0 => {
            let (row, across) = (y / 12, x + y / 12 % 2 * 14);
            let mortar = y % 12 < 2 || across % 28 < 2;
            if mortar { 0.75 } else { 0.45 + 0.12 * chance(row * 100 + across / 28) }
        }
        1 => {
            let u = 0.9 * fx + 0.3 * fy;
            let joint = u % 30.0 < 2.0;
            if joint { 0.25 } else { 0.5 + 0.06 * ((u / 30.0).floor() * 5.1).sin() + 0.03 * (u * 0.9).sin() }
        }
        2 => 0.4 + 0.25 * f32::from(fx > fy * 0.5 + 60.0) + 0.15 * f32::from(y > 100) + 0.0005 * fx,
        3 => {
            if (x / 9 + y / 7).is_multiple_of(2) {
                0.7
            } else {
                0.35
            }
        }
        _ => {
            let soft = |s: usize| {
                (0..49).map(|i| chance((x / s + i % 7) * 4001 + (y / s + i / 7) * 7 + s)).sum::<f32>() / 7.0
                    - 3.5
            };
            0.5 + 0.1 * soft(1)
        }
    };
    [0, 1, 2].map(|c| {
        (light * (1.0 - 0.1 * c as f32) + 0.01 * (chance((y * WIDTH + x) * 3 + c) - 0.5)).clamp(0.0, 1.0)
    })
}

fn gap(kind: usize, x: usize, y: usize) -> bool {
    let (left, top, across, down) =
        [(80, 60, 40, 40), (180, 70, 40, 60), (40, 90, 130, 12), (0, 140, 50, 40)][kind];
    (left..left + across).contains(&x) && (top..top + down).contains(&y)
}

#[test]
fn fills_keep_what_opencvs_blur() {
    let mut input = sizes([20, WIDTH, HEIGHT]);
    for case in 0..20 {
        let place = |i: usize| (i % WIDTH, i / WIDTH);
        let truth: Vec<[f32; 3]> =
            (0..WIDTH * HEIGHT).map(|i| texture(case / 4, place(i).0, place(i).1)).collect();
        let is_hole: Vec<bool> = (0..truth.len()).map(|i| gap(case % 4, place(i).0, place(i).1)).collect();
        let roles: Vec<Role> = is_hole.iter().map(|h| if *h { Role::Hole } else { Role::Known }).collect();
        let light = |i: usize, t: &[f32; 3]| {
            if is_hole[i] { [9.0; 4] } else { [t[0] * t[0], t[1] * t[1], t[2] * t[2], 1.0] }
        };
        let picture: Vec<Pixel> = truth.iter().enumerate().map(|(i, t)| light(i, t)).collect();
        let mut filled = picture.clone();
        assert!(around::fill(&picture, &mut filled, &roles, WIDTH, 1));
        seam::join(&picture, &mut filled, &roles, WIDTH);
        let ours = filled.iter().enumerate().flat_map(|(i, p)| {
            let root = |c: usize| if is_hole[i] { p[c].max(0.0).sqrt() } else { truth[i][c] };
            [0, 1, 2].map(root)
        });
        input.extend(bytes(truth.iter().flatten().copied()));
        input.extend(bytes(ours));
        input.extend(is_hole.iter().map(|h| u8::from(*h)));
    }
    let Some(out) = outside("paint_check.py", &["holes"], &input) else { return };
    let cases: Vec<BTreeMap<String, [f64; 3]>> = serde_json::from_slice(&out).unwrap();
    let names = ["bricks", "planks", "edges", "checks", "chance"];
    for (kind, name) in names.into_iter().enumerate() {
        let mean =
            |who: &str, what: usize| cases[kind * 4..][..4].iter().map(|c| c[who][what]).sum::<f64>() / 4.0;
        let of = |who: &str| [0, 1, 2].map(|what| mean(who, what));
        let (ours, telea, ns) = (of("ours"), of("telea"), of("ns"));
        eprintln!(
            "{name}: ours {ours:.2?}, Telea {telea:.2?}, Navier-Stokes {ns:.2?} (dB, similarity, detail)"
        );
        // Where a texture is chance, an even grey is the best guess pixel by pixel, so PSNR says nothing of it.
        if kind < 4 {
            assert!(ours[0] >= telea[0].max(ns[0]) && ours[1] >= telea[1].max(ns[1]), "{name}");
        }
        assert!((0.75..1.3).contains(&ours[2]), "{name}: detail {}", ours[2]);
        let off = |detail: f64| detail.ln().abs();
        assert!(
            off(ours[2]) <= off(telea[2]).min(off(ns[2])),
            "{name}: detail {} {} {}",
            ours[2],
            telea[2],
            ns[2]
        );
    }
}

/// Frames of noise, each with its own block not to be looked at, all with one in common.
#[test]
fn medians_in_time_are_numpys() {
    let (width, height, count) = (64usize, 48usize, 9i64);
    let common = |x: usize, y: usize| (20..40).contains(&x) && (10..30).contains(&y);
    let own = |n: i64, x: usize, y: usize| {
        common(x, y)
            && (n == 5 || (n as usize * 3 + 12..n as usize * 3 + 26).contains(&x) || y < n as usize + 9)
    };
    let plane = |name: &[&str], of: &dyn Fn(usize, usize) -> f32| {
        let mut image = Image::new(width as u32, height as u32, name);
        for c in 0..name.len() {
            for y in 0..height {
                let row: Vec<f32> = (0..width).map(|x| of(x, y)).collect();
                image.write_row(c, y as u32, &row);
            }
        }
        Arc::new(image)
    };
    let light = |n: i64| plane(&RGBA, &|x, y| chance(n as usize * 100_000 + y * width + x));
    let pictures: Vec<(i64, Arc<Image>)> = (1..=count).map(|n| (n, light(n))).collect();
    let mattes: Vec<(i64, Arc<Image>)> =
        (1..=count).map(|n| (n, plane(&["crew"], &|x, y| f32::from(own(n, x, y))))).collect();
    let mut input = sizes([count as usize, width, height]);
    for ((n, picture), _) in pictures.iter().zip(&mattes) {
        let samples = picture.plane_f32(0);
        let shown = |i: usize| if own(*n, i % width, i / width) { f32::NAN } else { samples[i] };
        input.extend(bytes((0..samples.len()).map(shown)));
    }
    let Some(out) = outside("paint_check.py", &["median"], &input) else { return };
    let wanted = floats(&out);
    let input = |port: usize, channels: &[&str]| Connected {
        port,
        name: String::new(),
        channels: channels.iter().map(|&c| c.into()).collect(),
        frames: FrameRange::new(1, count),
    };
    let (value, _) = yaml::parse(SourceId(0), "{ fill: time, reach: 9, grain: 0, seams: plain }");
    let ready = named("paint-out")
        .unwrap()
        .prepare(&Setup {
            settings: value.as_ref().and_then(|v| v.map()).unwrap(),
            span: Span::new(SourceId(0), 0, 0),
            files: &BTreeMap::new(),
            frames: FrameRange::new(1, count),
            frame_size: (width as u32, height as u32),
            rate: 24.0,
            working_space: WorkingSpace::LinearRec709,
            inputs: &[input(0, &RGBA), input(1, &["crew"])],
            cut: &[],
        })
        .unwrap();
    let frames = [pictures, mattes];
    let got = ready.apply(&Inputs { frames: &frames, raster: None }, 5).unwrap();
    let mut compared = 0;
    for i in (0..width * height).filter(|&i| own(5, i % width, i / width) && !wanted[i].is_nan()) {
        // numpy means the middle two of float32 as float32, so only the half float's rounding is between.
        assert_eq!(got.channels()[1].samples[i], half::f16::from_f32(wanted[i]), "at {i}");
        compared += 1;
    }
    assert!(compared > 100, "only {compared} samples compared");
}
