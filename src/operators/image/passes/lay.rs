//! Takes laid one after another over the set that their shadows fell on.
//!
//! Knows patches and shadows in the order from back to front. Does not know where they come from.

use super::patch::Patch;
use super::shadow::Shadow;
use crate::media::image::Image;

/// Takes one after another laid over the set, which their shadows fell on.
pub fn joined(out: &mut Image, patches: &[Patch], shadows: &[Option<Shadow>]) {
    // The shadows of all takes but one.
    let shade = |except: usize, x: usize, y: usize| -> [f32; 3] {
        let mut all = [1.0; 3];
        for (_, shadow) in shadows.iter().enumerate().filter(|(i, _)| *i != except) {
            let Some(shadow) = shadow else { continue };
            let (columns, rows) = (&shadow.part.columns, &shadow.part.rows);
            if columns.contains(&x) && rows.contains(&y) {
                let factor = shadow.factors[(y - rows.start) * columns.len() + x - columns.start];
                (0..3).for_each(|c| all[c] *= factor[c]);
            }
        }
        all
    };
    let width = out.width() as usize;
    let mut rows = vec![vec![0.0f32; width]; 4];
    let shaded = |y: usize| shadows.iter().flatten().any(|s| s.part.rows.contains(&y));
    for y in 0..out.height() as usize {
        let is_shaded = shaded(y);
        let over: Vec<(usize, &Patch)> = patches
            .iter()
            .enumerate()
            .filter(|(_, p)| p.part.rows.contains(&y) && p.row(&p.matte, y).iter().any(|m| *m > 0.0))
            .collect();
        // A row without takes keeps its bits.
        if over.is_empty() && !is_shaded {
            continue;
        }
        rows.iter_mut().enumerate().for_each(|(c, row)| out.read_row(c, y as u32, row));
        for x in (0..width).filter(|_| is_shaded) {
            let factors = shade(usize::MAX, x, y);
            (0..3).filter(|c| factors[*c] != 1.0).for_each(|c| rows[c][x] *= factors[c]);
        }
        for (at, patch) in over {
            let (pixels, shares) = (patch.row(&patch.pixels, y), patch.row(&patch.matte, y));
            for (i, ((x, pixel), share)) in patch.part.columns.clone().zip(pixels).zip(shares).enumerate() {
                // What is no set.
                let solid = share * (1.0 - patch.bare_at(y, i));
                let others = match is_shaded && *share > 0.0 && solid < 1.0 {
                    true => shade(at, x, y),
                    false => [1.0; 3],
                };
                for c in 0..4 {
                    // What is seen of the set through a take's edge, and within a loose matte, lies in the shadow of the others.
                    let dimmed = if c < 3 { solid + (1.0 - solid) * others[c] } else { 1.0 };
                    mix(&mut rows[c][x], if dimmed == 1.0 { pixel[c] } else { pixel[c] * dimmed }, *share);
                }
            }
        }
        rows.iter().enumerate().for_each(|(c, row)| out.write_row(c, y as u32, row));
    }
}

impl Patch {
    /// How much of the set is in one of a row's pixels.
    fn bare_at(&self, y: usize, i: usize) -> f32 {
        if self.bare.is_empty() { 0.0 } else { self.row(&self.bare, y)[i] }
    }

    /// The samples of a row of the joined picture.
    fn row<'a, T>(&self, samples: &'a [T], y: usize) -> &'a [T] {
        let width = self.part.columns.len();
        &samples[(y - self.part.rows.start) * width..][..width]
    }
}

/// `over × share + under × (1 − share)`. At 0 and 1 one side alone counts, so that a NaN or an infinity which is
/// not to be seen is not.
#[inline(always)]
pub fn mix(under: &mut f32, over: f32, share: f32) {
    let m = share.clamp(0.0, 1.0);
    *under = if m == 0.0 {
        *under
    } else if m == 1.0 {
        over
    } else {
        over * m + *under * (1.0 - m)
    };
}
