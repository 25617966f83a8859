//! Which parts of a patch are seen where it was laid.
//!
//! Knows tiles of a patch, their own likeness and where they would go by themselves. Does not know how a patch was laid: samples that a fit leaves out as foreign
//! speak here, for a fit that leaves out what does not fit it always fits what is left.

use super::{Patch, Seen};
use crate::operators::shape::motion::Matrix;
use crate::operators::track::picture::Picture;

/// Tiles of a patch across and down; a corner has a quarter of them.
const SIDE: usize = 4;
/// The fewest samples of a tile that say anything.
const FEWEST: usize = 16;
/// A tile tells where it is when its light varies by so many times the grain, and by so much.
const ABOVE_GRAIN: f64 = 4.0;
const LEAST: f64 = 0.01;
/// Normalised correlation from which on a tile shows the patch, at least. Common practice, no source.
const ALIKE: f64 = 0.5;
/// How far a tile may well be off, in pixels.
const STRAYS: f64 = 2.0;

/// What is seen of a patch where it was laid.
#[derive(Clone, Copy, Debug)]
pub struct Shown {
    /// Share of its tiles that show it, of those that lie on the picture and have something to tell.
    pub share: f64,
    /// How many those are.
    pub tiles: usize,
    /// How many of its four quarters do not show, so that their corner hangs on the others.
    pub covered: usize,
    /// Normalised correlation of its tiles: the mean of all, those that show something else among them, and the median.
    pub mean: f64,
    pub median: f64,
    /// How far tiles would go by themselves, in pixels, root mean square: a flat thing's stay where they are laid.
    pub apart: f64,
}

/// Sums over a tile.
#[derive(Clone, Copy, Default)]
struct Sums {
    n: f64,
    a: f64,
    b: f64,
    aa: f64,
    bb: f64,
    ab: f64,
    /// Slopes' squares, and slopes by themselves, by own light and by the other's.
    slopes: [f64; 3],
    d: [f64; 2],
    da: [f64; 2],
    db: [f64; 2],
}

impl Patch {
    /// What is seen of the patch where it was laid. A tile shows it when its normalised correlation is `least` or more; `hidden`
    /// are places of that picture that say nothing.
    pub fn shown(
        &self,
        picture: &Picture,
        map: &Matrix,
        least: f64,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Shown {
        let mut seen = Seen::default();
        self.look(picture, map, hidden, &mut seen);
        let tiles = self.tiles(&seen);
        // For each quarter tiles that show the patch, and tiles that should.
        let mut quarters = [[0usize; 2]; 4];
        let mut all = Vec::with_capacity(tiles.len());
        let mut off = Vec::with_capacity(tiles.len());
        for (i, sums) in tiles.iter().enumerate() {
            let Some(alike) = self.alike_in(sums) else { continue };
            let quarter = (i / SIDE) / (SIDE / 2) * 2 + (i % SIDE) / (SIDE / 2);
            quarters[quarter][0] += usize::from(alike >= ALIKE.max(least));
            quarters[quarter][1] += 1;
            all.push(alike);
            if alike >= ALIKE {
                off.push(self.strays(sums));
            }
        }
        if all.is_empty() {
            // Tiles too small or too even to tell anything speak against nothing.
            return Shown { share: 1.0, tiles: 0, covered: 0, mean: 0.0, median: 0.0, apart: 0.0 };
        }
        all.sort_by(f64::total_cmp);
        let apart = (off.iter().map(|off| off * off).sum::<f64>() / off.len().max(1) as f64).sqrt();
        let shows: usize = quarters.iter().map(|[shows, _]| shows).sum();
        Shown {
            share: shows as f64 / all.len() as f64,
            tiles: shows,
            covered: quarters.iter().filter(|[shows, of]| *of > 0 && shows * 2 < *of).count(),
            mean: all.iter().map(|alike| alike.max(0.0)).sum::<f64>() / all.len() as f64,
            median: all[all.len() / 2],
            apart,
        }
    }

    /// Sums over each tile of what lies under it.
    fn tiles(&self, seen: &Seen) -> [Sums; SIDE * SIDE] {
        let reach = self
            .samples
            .iter()
            .fold([1e-6f32; 2], |most, sample| [most[0].max(sample.u.abs()), most[1].max(sample.v.abs())]);
        let mut tiles = [Sums::default(); SIDE * SIDE];
        for &(i, light) in &seen.at {
            let sample = &self.samples[i as usize];
            let cell =
                |place: f32, reach: f32| (((place / reach + 1.0) * 0.5 * SIDE as f32) as usize).min(SIDE - 1);
            let sums = &mut tiles[cell(sample.v, reach[1]) * SIDE + cell(sample.u, reach[0])];
            let (a, b) = (f64::from(sample.light), f64::from(light));
            sums.n += 1.0;
            sums.a += a;
            sums.b += b;
            sums.aa += a * a;
            sums.bb += b * b;
            sums.ab += a * b;
            let [du, dv] = sample.slope.map(f64::from);
            sums.slopes = [sums.slopes[0] + du * du, sums.slopes[1] + du * dv, sums.slopes[2] + dv * dv];
            for (k, slope) in [du, dv].into_iter().enumerate() {
                sums.d[k] += slope;
                sums.da[k] += slope * a;
                sums.db[k] += slope * b;
            }
        }
        tiles
    }

    /// How far a tile would go by itself, in pixels: one step of Lucas and Kanade's (see `align`), with a leaning to stay where
    /// it is that tells where its light tells little.
    fn strays(&self, sums: &Sums) -> f64 {
        let Sums { n, a, b, aa, bb, ab, slopes, d, da, db } = *sums;
        let (own, other, both) = (aa - a * a / n, bb - b * b / n, ab - a * b / n);
        let gain = both / own.max(1e-12);
        if gain < 0.1 {
            return 0.0;
        }
        // What the tile's own gain and offset leave, and its part along each slope.
        let left = (other - gain * both).max(0.0) / n;
        let noise = (4.0 * left + self.grain * self.grain).max(1e-8);
        let along = [0, 1].map(|k| (db[k] - d[k] * b / n) - gain * (da[k] - d[k] * a / n));
        let clear = |k: usize, l: usize| {
            let (ka, la) = (da[k] - d[k] * a / n, da[l] - d[l] * a / n);
            slopes[k + l] - d[k] * d[l] / n - ka * la / own.max(1e-12)
        };
        let stays = noise / (gain * STRAYS / self.reach).powi(2);
        let (p, q, r) = (clear(0, 0) + stays, clear(0, 1), clear(1, 1) + stays);
        let area = p * r - q * q;
        if area <= 0.0 {
            return 0.0;
        }
        let go = [(r * along[0] - q * along[1]) / area, (p * along[1] - q * along[0]) / area];
        go[0].hypot(go[1]) / gain * self.reach
    }

    /// Normalised correlation of a tile; nothing where its own light tells nothing.
    fn alike_in(&self, sums: &Sums) -> Option<f64> {
        let Sums { n, a, b, aa, bb, ab, .. } = *sums;
        if n < FEWEST as f64 {
            return None;
        }
        let own = (aa / n - (a / n).powi(2)).max(0.0);
        let other = (bb / n - (b / n).powi(2)).max(0.0);
        if own.sqrt() < (ABOVE_GRAIN * self.grain).max(LEAST) {
            return None;
        }
        Some(if other > 1e-12 { (ab / n - a * b / (n * n)) / (own * other).sqrt() } else { 0.0 })
    }
}
