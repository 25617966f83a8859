//! Which parts of a patch are seen where it was laid.
//!
//! Knows tiles of a patch and their own likeness. Does not know how a patch was laid: samples that a fit leaves out as foreign
//! speak here, for a fit that leaves out what does not fit it always fits what is left.

use super::{Fit, Patch, Seen};
use crate::operators::track::picture::Picture;

/// Tiles of a patch across and down; a corner has a quarter of them.
const SIDE: usize = 4;
/// The fewest samples of a tile that say anything.
const FEWEST: usize = 16;
/// A tile tells where it is when its light varies by so many times the grain, and by so much.
const ABOVE_GRAIN: f64 = 4.0;
const LEAST: f64 = 0.01;
/// Normalised correlation from which on a tile shows the patch. Common practice, no source.
const ALIKE: f64 = 0.5;

/// Sums over a tile.
#[derive(Clone, Copy, Default)]
struct Sums {
    n: f64,
    a: f64,
    b: f64,
    aa: f64,
    bb: f64,
    ab: f64,
}

impl Patch {
    /// Which share of the patch shows where it was laid, 1 from half of it on, and how many of its four quarters do not, so that
    /// their corner hangs on the others. `hidden` are places of that picture that say nothing.
    pub fn shows(
        &self,
        picture: &Picture,
        fit: &Fit,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> (f64, usize) {
        let mut seen = Seen::default();
        self.look(picture, &fit.map, hidden, &mut seen);
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
        }
        // For each quarter tiles that show the patch, and tiles that should.
        let mut quarters = [[0usize; 2]; 4];
        for (i, sums) in tiles.iter().enumerate() {
            let Some(alike) = self.alike_in(sums) else { continue };
            let quarter = (i / SIDE) / (SIDE / 2) * 2 + (i % SIDE) / (SIDE / 2);
            quarters[quarter][0] += usize::from(alike >= ALIKE);
            quarters[quarter][1] += 1;
        }
        let covered = quarters.iter().filter(|[shows, of]| *of > 0 && shows * 2 < *of).count();
        let [shows, of] = quarters.iter().fold([0, 0], |sum, [a, b]| [sum[0] + a, sum[1] + b]);
        let share = if of == 0 { 1.0 } else { (2.0 * shows as f64 / of as f64).min(1.0) };
        (share, covered)
    }

    /// Normalised correlation of a tile; nothing where its own light tells nothing.
    fn alike_in(&self, sums: &Sums) -> Option<f64> {
        let Sums { n, a, b, aa, bb, ab } = *sums;
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
