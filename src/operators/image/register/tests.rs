//! Registration of scenes whose truth is known: layers of texture at several depths, seen by a moving camera.

use super::when::part;
use super::*;
use crate::media::image::RGBA;

const WIDTH: usize = 480;
const HEIGHT: usize = 270;

fn chance(i: u32) -> f32 {
    let mut h = i.wrapping_mul(0x9E37_79B1);
    h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
    h = (h ^ (h >> 12)).wrapping_mul(0x297A_2D39);
    (h ^ (h >> 15)) as f32 / u32::MAX as f32
}

/// Smooth chance over the plane.
fn cloud(x: f64, y: f64, seed: u32) -> f64 {
    let (ix, iy) = (x.floor(), y.floor());
    let smooth = |f: f64| f * f * f * (f * (6.0 * f - 15.0) + 10.0);
    let (fx, fy) = (smooth(x - ix), smooth(y - iy));
    let at = |dx: f64, dy: f64| {
        let (i, j) = ((ix + dx) as i64 as u32, (iy + dy) as i64 as u32);
        f64::from(chance(i.wrapping_mul(7919) ^ j.wrapping_mul(104_729) ^ seed.wrapping_mul(31_337)))
    };
    let (a, b) = (
        at(0.0, 0.0) + (at(1.0, 0.0) - at(0.0, 0.0)) * fx,
        at(0.0, 1.0) + (at(1.0, 1.0) - at(0.0, 1.0)) * fx,
    );
    a + (b - a) * fy
}

/// What a camera sees: near below, far above.
struct View {
    /// Where it is along its rail, in pixels of the middle depth.
    rail: f64,
    /// Pixels that the picture lies off, and its turn in radians.
    off: [f64; 2],
    turn: f64,
    exposure: f32,
    seed: u32,
    /// Share of the frame that somebody covers.
    covered: f64,
}

fn view(v: &View) -> (Image, Vec<f32>) {
    let mut image = Image::new(WIDTH as u32, HEIGHT as u32, &RGBA);
    let mut matte = vec![0.0; WIDTH * HEIGHT];
    let (cx, cy) = ((WIDTH as f64 - 1.0) / 2.0, (HEIGHT as f64 - 1.0) / 2.0);
    let (s, c) = v.turn.sin_cos();
    for y in 0..HEIGHT {
        let mut rows = vec![vec![1.0f32; WIDTH]; 4];
        for x in 0..WIDTH {
            let (u, w) = (x as f64 - cx - v.off[0], y as f64 - cy - v.off[1]);
            let (u, w) = (c * u + s * w, c * w - s * u);
            // Parallax: what is lower in the frame is nearer.
            let near = 1.0 + 0.5 * (w / cy);
            let (px, py) = (u + v.rail * near, w);
            let light = 0.05
                + 0.5 * cloud(px / 23.0, py / 19.0, 1)
                + 0.3 * cloud(px / 7.0, py / 6.0, 2)
                + 0.15 * cloud(px / 3.1, py / 2.9, 3);
            let at = y * WIDTH + x;
            let is_figure = ((x as f64 - cx * 1.1) / (WIDTH as f64)).abs() < v.covered / 2.0;
            matte[at] = f32::from(u8::from(is_figure));
            for (channel, row) in rows.iter_mut().take(3).enumerate() {
                let grain = (0..4)
                    .map(|k| chance(v.seed * 7_000_003 + (at * 12 + channel * 4 + k) as u32))
                    .sum::<f32>();
                let shade = if is_figure { 0.2 * chance((at / 3) as u32 + v.seed) } else { light as f32 };
                row[x] = (shade * v.exposure * (1.0 + 0.05 * (grain - 2.0))).max(0.0);
            }
        }
        rows.iter().enumerate().for_each(|(channel, row)| image.write_row(channel, y as u32, row));
    }
    (image, matte)
}

fn clean(rail: f64, seed: u32) -> View {
    View { rail, off: [0.0; 2], turn: 0.0, exposure: 1.0, seed, covered: 0.0 }
}

fn lit(v: &View) -> Light {
    let (image, matte) = view(v);
    Light::of(&image, &[matte])
}

/// Sub-pixel shifts under noise, another exposure and a third of the frame covered: within a twentieth of a pixel.
#[test]
fn shifts_are_found_beside_a_figure() {
    let base = lit(&clean(0.0, 1));
    for (i, off) in
        [[0.0, 0.0], [0.35, -0.2], [-1.5, 0.75], [4.25, -3.4], [11.6, 7.2]].into_iter().enumerate()
    {
        let take = View { off, exposure: 1.2, covered: 0.3, ..clean(0.0, 10 + i as u32) };
        let fit = placed(&base, &lit(&take), Model::default()).unwrap();
        let place = place(std::array::from_fn(|i| fit.found[i]), base.scale());
        let far = [place.shift[0] + off[0], place.shift[1] + off[1]];
        eprintln!("{off:?}: {far:?} px away");
        assert!(far.iter().all(|v| v.abs() < 0.05), "{off:?}: {place:?}");
        let left = left(&base, &lit(&take), std::array::from_fn(|i| fit.found[i]), fit.lit()).unwrap();
        assert!(left < 0.1, "{off:?}: {left} px left");
    }
}

#[test]
fn a_take_left_where_it_is_has_its_shift_for_residual() {
    let base = lit(&clean(0.0, 1));
    let take = lit(&View { off: [0.5, 0.0], ..clean(0.0, 2) });
    let left = left(&base, &take, [0.0; 4], [0.0; 2]).unwrap();
    assert!((left - 0.5).abs() < 0.06, "{left}");
}

#[test]
fn a_turned_take_is_turned_back() {
    let base = lit(&clean(0.0, 1));
    let take = View { off: [1.2, -0.6], turn: 0.004, covered: 0.3, ..clean(0.0, 5) };
    let fit = placed(&base, &lit(&take), Model { turns: true }).unwrap();
    let place = place(std::array::from_fn(|i| fit.found[i]), base.scale());
    assert!((place.turn + 0.004f64.to_degrees()).abs() < 0.01, "{place:?}");
    // The take is turned about a middle that lies off as well.
    let (s, c) = 0.004f64.sin_cos();
    let wanted = [-(c * 1.2 + s * -0.6), -(c * -0.6 - s * 1.2)];
    assert!((0..2).all(|i| (place.shift[i] - wanted[i]).abs() < 0.05), "{place:?} {wanted:?}");
}

/// Parts of a frame under a camera whose speed changes, with drift and a figure: within a twentieth of a frame.
#[test]
fn time_is_found_to_a_part_of_a_frame() {
    let rail = |t: f64| 2.0 * t + 0.04 * t * t;
    let cleans: Vec<Light> = (0..9).map(|n| lit(&clean(rail(n as f64), 100 + n))).collect();
    for (late, ahead) in [(0.4, 0), (1.27, 1), (-0.75, -1)] {
        let fits: Vec<(i64, Fit)> = (2..=6)
            .step_by(2)
            .map(|n: i64| {
                let along =
                    along(&cleans[n as usize - 1], &cleans[n as usize], &cleans[n as usize + 1]).unwrap();
                let m = n + ahead;
                let off = [0.6 + 0.02 * m as f64, -0.4];
                let take =
                    View { off, exposure: 0.9, covered: 0.3, ..clean(rail(m as f64 - late), 200 + m as u32) };
                (n, timed(&cleans[n as usize], &lit(&take), Model::default(), &along).unwrap())
            })
            .collect();
        let when = part(&fits, ahead).unwrap();
        eprintln!("late by {late}: {when:?}");
        assert!((when.time - late).abs() < 0.05, "late by {late}: {when:?}");
        assert!(when.is_sure() && when.rate == 0.0, "{when:?}");
    }
}

#[test]
fn whole_offsets_are_told_by_agreement_and_not_told_by_a_camera_that_stands() {
    let rail = |t: f64| 2.0 * t + 0.06 * t * t;
    let all = |moves: bool| {
        let rail = |t: f64| if moves { rail(t) } else { 0.0 };
        let cleans: Vec<Sizes> = (0..8).map(|n| coarse(&lit(&clean(rail(n as f64), n)))).collect();
        let takes: Vec<Sizes> = (0..8)
            .map(|m| coarse(&lit(&View { off: [1.0, 0.5], ..clean(rail(m as f64 - 1.9), 50 + m) })))
            .collect();
        let pairs =
            (0..8i64).flat_map(|n| (0..8i64).map(move |m| (n, m))).filter(|(n, m)| (m - n).abs() <= 4);
        pairs
            .filter_map(|(n, m)| compare((n, &cleans[n as usize]), (m, &takes[m as usize])))
            .collect::<Vec<_>>()
    };
    assert_eq!(when::whole(&all(true)), Some(2));
    assert_eq!(when::whole(&all(false)), None);
}

#[test]
fn light_is_evened_by_the_set_alone() {
    let (base, _) = view(&clean(0.0, 1));
    let (take, matte) = view(&View { exposure: 1.25, covered: 0.3, ..clean(0.0, 2) });
    let factors = exposure(&base, &take, &matte, [0.0; 2]).unwrap();
    assert!(factors.iter().all(|f| (f - 0.8).abs() < 0.004), "{factors:?}");
}

#[test]
fn pictures_too_small_to_tell_anything_are_no_fit() {
    for (width, height) in [(1, 1), (3, 40), (40, 2)] {
        let image = Image::new(width, height, &RGBA);
        let light = Light::of(&image, &[]);
        assert!(placed(&light, &light, Model { turns: true }).is_none(), "{width}x{height}");
        assert!(left(&light, &light, [0.0; 4], [0.0; 2]).is_none(), "{width}x{height}");
    }
}
