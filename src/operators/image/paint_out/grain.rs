//! Grain: how strong it is by channel and brightness, how wide its specks are, how much of it the channels share; and
//! grain laid over a fill until it has as much.
//!
//! Knows pixels of one area. Does not know what was filled, nor where from.
//!
//! Grain is what second differences across and down leave of a picture (Immerkær, "Fast Noise Variance Estimation",
//! Computer Vision and Image Understanding 1996), at distances of one and of two pixels. Their variance is taken without
//! those that stand out by 2.5 deviations, as the median of magnitudes tells deviations, so that edges move it little; in
//! bands of brightness, each evened a little by its neighbours. Specks are modelled as white noise
//! through the kernel (t, 1, t) across and down: the two distances' scales stand in a ratio that tells t. What the channels
//! share is told by the scales of sums and differences of two channels. Since picture and fill are measured alike and only
//! the difference is added, texture that both have does not count as grain.

use super::field::Pixel;
use super::speck::{Specks, variance_at};

/// Bands of brightness, at most.
const BANDS: usize = 8;
/// Samples that a band should have.
const BAND: usize = 1200;
/// With fewer samples nothing is said of grain.
const FEWEST: usize = 48;
/// More samples than this are thinned out.
const MOST: usize = 40_000;
/// The median magnitude of a normal variable of deviation 1.
const NORMAL: f32 = 0.674_49;
/// Differences beyond so many deviations do not count.
const CUT: f32 = 2.5;
/// The variance of what that leaves of a normal variable of deviation 1.
const LEFT: f64 = 0.911_26;

/// What was measured.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Grain {
    /// Per channel, brightness and variance of its bands, in rising brightness.
    bands: [Vec<[f32; 2]>; 3],
    /// Per channel, t of the specks' kernel.
    pub spread: [f32; 3],
    /// Share of the variance that the channels have in common.
    pub shared: f32,
}

/// One place that was measured: per channel, brightness and the second differences at one and two pixels.
struct Sample {
    level: [f32; 3],
    near: [f32; 3],
    far: [f32; 3],
}

impl Grain {
    /// Measures the grain of `pixels`, rows of `width`, at places where `counts`; `clean` must hold for all that a
    /// measurement looks at, up to two pixels away. None when there are too few.
    pub fn measure(
        pixels: &[Pixel],
        width: usize,
        counts: impl Fn(usize) -> bool,
        clean: impl Fn(usize) -> bool,
    ) -> Option<Self> {
        let height = pixels.len() / width;
        let inside = |at: &usize| {
            let (x, y) = (at % width, at / width);
            x >= 2 && y >= 2 && x + 2 < width && y + 2 < height
        };
        let whole = |at: &usize| {
            let row = |dy: usize| *at + dy * width - 2 * width;
            (0..5).all(|dy| (row(dy) - 2..=row(dy) + 2).all(&clean))
        };
        let places: Vec<usize> =
            (0..pixels.len()).filter(|&at| counts(at)).filter(inside).filter(whole).collect();
        if places.len() < FEWEST {
            return None;
        }
        // An odd step, so that thinned places do not all lie in a few columns.
        let step = (places.len() / MOST) | 1;
        let samples: Vec<Sample> =
            places.into_iter().step_by(step).map(|at| Sample::at(pixels, width, at)).collect();
        Some(Self::of(&samples))
    }

    fn of(samples: &[Sample]) -> Self {
        let mut grain = Grain::default();
        for c in 0..3 {
            let near = variance(samples.iter().map(|s| s.near[c]));
            let far = variance(samples.iter().map(|s| s.far[c]));
            grain.spread[c] = super::speck::spread(near, far);
            let mut order: Vec<&Sample> = samples.iter().collect();
            order.sort_by(|a, b| a.level[c].total_cmp(&b.level[c]));
            let bands = (samples.len() / BAND).clamp(1, BANDS);
            let unit = variance_at(grain.spread[c], 1);
            for band in order.chunks(samples.len().div_ceil(bands)) {
                let level = band.iter().map(|s| f64::from(s.level[c])).sum::<f64>() / band.len() as f64;
                grain.bands[c].push([level as f32, variance(band.iter().map(|s| s.near[c])) / unit]);
            }
            even(&mut grain.bands[c]);
        }
        grain.shared = grain.in_common(samples);
        grain
    }

    /// What the channels share, the mean over pairs of channels.
    fn in_common(&self, samples: &[Sample]) -> f32 {
        let mut sum = 0.0;
        for (a, b) in [(0, 1), (1, 2), (0, 2)] {
            let unit = |s: &Sample, c: usize| {
                let variance = self.variance(c, s.level[c]) * variance_at(self.spread[c], 1);
                if variance > 0.0 { s.near[c] / variance.sqrt() } else { 0.0 }
            };
            let both = variance(samples.iter().map(|s| unit(s, a) + unit(s, b)));
            let apart = variance(samples.iter().map(|s| unit(s, a) - unit(s, b)));
            sum += if both + apart > 0.0 { (both - apart) / (both + apart) } else { 0.0 };
        }
        (sum / 3.0).clamp(0.0, 1.0)
    }

    /// Variance of a channel at a brightness: straight between bands, level beyond them.
    pub fn variance(&self, channel: usize, level: f32) -> f32 {
        let bands = &self.bands[channel];
        let after = bands.partition_point(|[l, _]| *l <= level);
        match (after.checked_sub(1).map(|i| bands[i]), bands.get(after)) {
            (Some([a, low]), Some(&[b, high])) if b > a => low + (high - low) * (level - a) / (b - a),
            (Some([_, variance]), _) | (None, Some(&[_, variance])) => variance,
            (None, None) => 0.0,
        }
    }
}

impl Sample {
    fn at(pixels: &[Pixel], width: usize, at: usize) -> Self {
        let difference = |step: usize, c: usize| {
            let row = |at: usize| pixels[at - step][c] - 2.0 * pixels[at][c] + pixels[at + step][c];
            row(at - step * width) - 2.0 * row(at) + row(at + step * width)
        };
        Self {
            level: [0, 1, 2].map(|c| level(pixels, width, at, c)),
            near: [0, 1, 2].map(|c| difference(1, c)),
            far: [0, 1, 2].map(|c| difference(2, c)),
        }
    }
}

/// Brightness about a place: the mean of the pixels within two of it, as far as there are any.
fn level(pixels: &[Pixel], width: usize, at: usize, c: usize) -> f32 {
    let height = pixels.len() / width;
    let (x, y) = (at % width, at / width);
    let (mut sum, mut count) = (0.0, 0.0);
    for y in y.saturating_sub(2)..(y + 3).min(height) {
        for pixel in &pixels[y * width + x.saturating_sub(2)..y * width + (x + 3).min(width)] {
            sum += pixel[c];
            count += 1.0;
        }
    }
    sum / count
}

/// Every band but the outer ones becomes half itself and half its neighbours.
fn even(bands: &mut [[f32; 2]]) {
    let before = bands.to_vec();
    for (band, around) in bands.iter_mut().skip(1).zip(before.windows(3)) {
        band[1] = 0.5 * around[1][1] + 0.25 * (around[0][1] + around[2][1]);
    }
}

/// The variance about 0 of at least one number, without those that stand out.
fn variance(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.collect();
    let half = values.len() / 2;
    let (_, middle, _) = values.select_nth_unstable_by(half, |a, b| a.abs().total_cmp(&b.abs()));
    let most = middle.abs() / NORMAL * CUT;
    let inside = || values.iter().filter(|v| v.abs() <= most).map(|&v| f64::from(v));
    (inside().map(|v| v * v).sum::<f64>() / (inside().count() as f64 * LEFT)) as f32
}

/// Lays grain over `pixels`, which are the picture outside a hole and picture and fill by the share in `matte` inside,
/// until their variance is that of `wanted`. `had` is the fill's own grain; the picture's own counts by the share of it that
/// shows. `strength` is the share of the missing grain's amplitude that is added. `corner` is the place of the first pixel in
/// the frame, so that the same grain comes at the same place whatever the area.
pub fn add(
    pixels: &mut [Pixel],
    width: usize,
    matte: &[f32],
    (wanted, had): (&Grain, &Grain),
    strength: f32,
    seed: (i64, i64),
    corner: (usize, usize),
) {
    let specks = Specks::new(seed, wanted.spread);
    let common = (wanted.shared.sqrt(), (1.0 - wanted.shared).sqrt());
    let before = pixels.to_vec();
    for (y, row) in matte.chunks_exact(width).enumerate() {
        let Some(first) = row.iter().position(|&m| m > 0.0) else { continue };
        let last = row.iter().rposition(|&m| m > 0.0).unwrap_or(first);
        let count = last + 1 - first;
        let grain = specks.row(corner.0 + first, corner.1 + y, count, common);
        for (x, &share) in row.iter().enumerate().take(last + 1).skip(first) {
            let at = y * width + x;
            if share <= 0.0 {
                continue;
            }
            for (c, grain) in grain.iter().enumerate() {
                let level = level(&before, width, at, c);
                let (full, own) = (wanted.variance(c, level), had.variance(c, level));
                let shown = (1.0 - share) * (1.0 - share) * full + share * share * own;
                let missing = (full - shown).max(0.0);
                let value = before[at][c];
                let grainy = value + strength * missing.sqrt() * grain[x - first];
                // Grain makes no light negative that was not.
                pixels[at][c] = grainy.max(value.min(0.0));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: usize = 300;

    /// A slope of light with grain whose variance rises with it, specks of kernel `spread`, half of it shared.
    fn grainy(spread: f32, strength: f32, seed: i64) -> Vec<Pixel> {
        let mut pixels: Vec<Pixel> =
            (0..WIDTH * 200).map(|i| [0.1 + 0.4 * (i % WIDTH) as f32 / WIDTH as f32; 4]).collect();
        let bands = [0, 1, 2].map(|c| {
            let strength = strength * (c + 1) as f32;
            vec![[0.1, 1e-5 * strength], [0.5, 5e-5 * strength]]
        });
        let wanted = Grain { bands, spread: [spread; 3], shared: 0.5 };
        let none = Grain::default();
        add(&mut pixels, WIDTH, &vec![1.0; WIDTH * 200], (&wanted, &none), 1.0, (seed, 1), (0, 0));
        pixels
    }

    /// The true variance in columns from `from` to `to`, where light is known.
    fn true_variance(pixels: &[Pixel], c: usize, from: usize, to: usize) -> f32 {
        let (mut sum, mut count) = (0.0f64, 0.0f64);
        for (i, pixel) in pixels.iter().enumerate().filter(|(i, _)| (from..to).contains(&(i % WIDTH))) {
            let light = 0.1 + 0.4 * (i % WIDTH) as f32 / WIDTH as f32;
            sum += f64::from(pixel[c] - light).powi(2);
            count += 1.0;
        }
        (sum / count) as f32
    }

    #[test]
    fn grain_has_the_variance_asked_for_at_every_brightness() {
        for spread in [0.0, 0.25, 0.5] {
            let pixels = grainy(spread, 1.0, 5);
            for (from, to) in [(0, 60), (120, 180), (240, 300)] {
                for c in 0..3 {
                    let middle = (from + to) as f32 / 2.0 / WIDTH as f32;
                    let wanted = (1e-5 + 4e-5 * middle) * (c + 1) as f32;
                    let got = true_variance(&pixels, c, from, to);
                    assert!((got / wanted - 1.0).abs() < 0.08, "{spread} {c} {from}: {got} for {wanted}");
                }
            }
        }
    }

    #[test]
    fn what_is_measured_is_what_is_there() {
        for spread in [0.0, 0.25, 0.45] {
            let pixels = grainy(spread, 1.0, 9);
            let grain = Grain::measure(&pixels, WIDTH, |_| true, |_| true).unwrap();
            for c in 0..3 {
                assert!((grain.spread[c] - spread).abs() < 0.06, "{spread}: {:?}", grain.spread);
                for level in [0.15, 0.3, 0.45] {
                    let wanted = (1e-5 + 1e-4 * (level - 0.1)) * (c + 1) as f32;
                    let got = grain.variance(c, level);
                    assert!((got / wanted - 1.0).abs() < 0.15, "{spread} {c} {level}: {got} for {wanted}");
                }
            }
            assert!((grain.shared - 0.5).abs() < 0.1, "{}", grain.shared);
        }
    }

    #[test]
    fn only_what_is_missing_is_added() {
        let picture = grainy(0.25, 1.0, 3);
        let wanted = Grain::measure(&picture, WIDTH, |_| true, |_| true).unwrap();
        for (strength, of) in [(0.3, "a third"), (1.0, "all")] {
            let mut fill = grainy(0.25, strength, 4);
            let had = Grain::measure(&fill, WIDTH, |_| true, |_| true).unwrap();
            add(&mut fill, WIDTH, &vec![1.0; WIDTH * 200], (&wanted, &had), 1.0, (8, 1), (0, 0));
            for c in 0..3 {
                let (a, b) = (true_variance(&fill, c, 0, 300), true_variance(&picture, c, 0, 300));
                assert!((a / b - 1.0).abs() < 0.1, "{of} there already: {a} for {b}");
            }
        }
    }

    #[test]
    fn a_flat_picture_gets_none() {
        let mut pixels = vec![[0.25; 4]; WIDTH * 200];
        let grain = Grain::measure(&pixels, WIDTH, |_| true, |_| true).unwrap();
        add(&mut pixels, WIDTH, &vec![1.0; WIDTH * 200], (&grain, &grain), 1.0, (1, 1), (0, 0));
        assert!(pixels.iter().all(|p| *p == [0.25; 4]));
        assert!(Grain::measure(&pixels, WIDTH, |at| at < 600, |_| true).is_none());
    }
}
