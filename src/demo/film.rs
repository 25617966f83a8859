//! From light to film: the lens's bloom and falloff, and grain.
//!
//! Knows whole pictures. Does not know what they show.

use std::sync::OnceLock;

use super::camera::{HEIGHT, WIDTH};
use super::math::{Vec3, clamp01, most, vec3};
use super::noise::{chance, scramble};

/// Side of the tile of grain.
const GRAIN: usize = 512;

/// Unit-strength grain of three layers, about one and a half pixels wide.
fn grain_tile() -> &'static [Vec3] {
    static TILE: OnceLock<Vec<Vec3>> = OnceLock::new();
    TILE.get_or_init(|| {
        // Four even numbers added come close to a bell curve.
        let raw = |x: usize, y: usize, layer: u32| {
            let (x, y) = ((x % GRAIN) as i32, (y % GRAIN) as i32);
            (0..4).map(|k| chance(x, y, layer * 8 + k)).sum::<f32>() * 1.732 - 3.464
        };
        (0..GRAIN * GRAIN)
            .map(|i| {
                let (x, y) = (i % GRAIN + GRAIN, i / GRAIN + GRAIN);
                let soft = |layer| {
                    let ring = raw(x - 1, y, layer)
                        + raw(x + 1, y, layer)
                        + raw(x, y - 1, layer)
                        + raw(x, y + 1, layer);
                    (raw(x, y, layer) + 0.42 * ring) * 0.77
                };
                let shared = soft(0);
                vec3(
                    soft(1) * 0.55 + shared * 0.7,
                    soft(2) * 0.5 + shared * 0.75,
                    soft(3) * 0.75 + shared * 0.65,
                )
            })
            .collect()
    })
}

/// Blurs a coarse picture three times over `2 * radius + 1` samples, along rows when `step` is 1.
fn smear(picture: &mut [Vec3], across: usize, down: usize, radius: usize) {
    let mut line = vec![Vec3::default(); across.max(down)];
    for pass in 0..4 {
        let (lines, count, stride, jump) =
            if pass % 2 == 0 { (down, across, 1, across) } else { (across, down, across, 1) };
        for l in 0..lines {
            let base = l * jump;
            for (i, value) in line[..count].iter_mut().enumerate() {
                *value = picture[base + i * stride];
            }
            let hold = |i: isize| line[i.clamp(0, count as isize - 1) as usize];
            let mut sum = Vec3::default();
            for i in -(radius as isize)..=radius as isize {
                sum = sum + hold(i);
            }
            let share = 1.0 / (2 * radius + 1) as f32;
            for i in 0..count {
                picture[base + i * stride] = sum * share;
                sum = sum + hold(i as isize + radius as isize + 1) - hold(i as isize - radius as isize);
            }
        }
    }
}

/// Light that the lens scatters around what is bright.
pub fn bloom(picture: &mut [Vec3]) {
    const DIVIDE: usize = 4;
    let (across, down) = (WIDTH / DIVIDE, HEIGHT / DIVIDE);
    let mut small = vec![Vec3::default(); across * down];
    for (i, value) in small.iter_mut().enumerate() {
        let (x, y) = (i % across * DIVIDE, i / across * DIVIDE);
        let mut sum = Vec3::default();
        for row in 0..DIVIDE {
            for column in 0..DIVIDE {
                sum = sum + picture[(y + row) * WIDTH + x + column];
            }
        }
        *value = sum * (1.0 / (DIVIDE * DIVIDE) as f32);
    }
    let mut wide = small.clone();
    smear(&mut small, across, down, 2);
    smear(&mut wide, across, down, 11);
    let glow: Vec<Vec3> = small
        .iter()
        .zip(&wide)
        .map(|(near, far)| near.times(vec3(0.050, 0.040, 0.034)) + far.times(vec3(0.026, 0.019, 0.015)))
        .collect();
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let (u, v) = ((x as f32 + 0.5) / DIVIDE as f32 - 0.5, (y as f32 + 0.5) / DIVIDE as f32 - 0.5);
            let (u, v) = (most(u, 0.0), most(v, 0.0));
            let (i, j) = ((u as usize).min(across - 2), (v as usize).min(down - 2));
            let (fu, fv) = (clamp01(u - i as f32), clamp01(v - j as f32));
            let at = j * across + i;
            let top = glow[at].to(glow[at + 1], fu);
            let added = top.to(glow[at + across].to(glow[at + across + 1], fu), fv);
            picture[y * WIDTH + x] = picture[y * WIDTH + x] * 0.945 + added;
        }
    }
}

/// Blurs what lies out of focus: `amount` is 0 to 1 for each pixel.
pub fn defocus(picture: &mut [Vec3], radius: usize, amount: impl Fn(usize) -> f32) {
    let mut soft = picture.to_vec();
    smear(&mut soft, WIDTH, HEIGHT, radius);
    for (at, value) in picture.iter_mut().enumerate() {
        *value = value.to(soft[at], amount(at));
    }
}

/// Darkens towards the corners and lays grain over the picture, another for each `seed`.
pub fn expose(picture: &mut [Vec3], seed: u32, strength: f32) {
    let tile = grain_tile();
    let mixed = scramble(seed);
    let (shift_x, shift_y) = (mixed as usize % GRAIN, (mixed >> 16) as usize % GRAIN);
    for y in 0..HEIGHT {
        let v = (y as f32 + 0.5) / HEIGHT as f32 * 2.0 - 1.0;
        let row = (y + shift_y) % GRAIN * GRAIN;
        for x in 0..WIDTH {
            let u = (x as f32 + 0.5) / WIDTH as f32 * 2.0 - 1.0;
            let fall = 1.0 - 0.20 * (u * u * 0.8 + v * v * 0.35);
            let light = picture[y * WIDTH + x] * fall;
            let grain = tile[row + (x + shift_x) % GRAIN];
            // Noise of a camera: a floor, and a part that grows with the root of the light.
            let noisy = |light: f32, grain: f32| {
                most(
                    light + grain * strength * (0.0007 + 0.0095 * most(light, 0.0).sqrt() / (1.0 + light)),
                    0.0,
                )
            };
            picture[y * WIDTH + x] =
                vec3(noisy(light.x, grain.x), noisy(light.y, grain.y), noisy(light.z, grain.z));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grain_is_even_and_of_unit_strength() {
        let tile = grain_tile();
        let count = tile.len() as f32;
        let mean = tile.iter().map(|g| g.y).sum::<f32>() / count;
        let square = tile.iter().map(|g| g.y * g.y).sum::<f32>() / count;
        assert!(mean.abs() < 0.01 && (square.sqrt() - 1.0).abs() < 0.15, "mean {mean}, square {square}");
    }

    #[test]
    fn bloom_spreads_light_without_making_any() {
        let mut picture = vec![Vec3::default(); WIDTH * HEIGHT];
        picture[270 * WIDTH + 480] = vec3(1000.0, 1000.0, 1000.0);
        bloom(&mut picture);
        let sum: f32 = picture.iter().map(|p| p.x).sum();
        assert!(picture[270 * WIDTH + 500].x > 0.0);
        assert!(sum < 1040.0 && sum > 990.0, "{sum}");
    }
}
