//! What of a loose matte is no figure but the set behind it.
//!
//! Knows how a take's pixels differ from the clean plate's. Does not know how takes lie over one another.
//!
//! A matte that is drawn loosely takes in some of the set, and what other takes throw on the set falls there as well. A pixel of the
//! take is the set's where it is the clean plate's by the same quotient as the set that is known already: outside of the matte to
//! begin with, and from there inwards, ring by ring. So the take's own shadow, in which the quotient changes little from pixel to
//! pixel, is gone along with, a figure is not, and what merely happens to look like the set in the middle of one is not reached. The
//! quotient may not come far from that outside of the matte, or it would follow a soft edge into a figure step by step.

use super::patch::Patch;

/// How far around a pixel the set's quotient is looked at.
const REACH: usize = 4;
/// How far around a matte the set must be known, in pixels.
pub const MARGIN: usize = 3 * REACH;
/// Fewer pixels of the set around do not tell a quotient.
const FEWEST: u32 = 6;
/// As many deviations of noise are no difference.
const DEVIATIONS: f32 = 3.0;
/// From the median of a difference to the deviation of a normal one.
const FROM_MEDIAN: f32 = 1.4826;
/// More than this share of light is a difference however noisy a picture is.
const MOST: f32 = 0.25;
/// How many times the quotient outside of the matte that of the set within may be, or the other way round.
const WIDE: f32 = 1.4;
/// Light below which a quotient means nothing.
const DARK: f32 = 1e-5;

/// The share of each pixel of a patch that is the set, 0 to 1, where its matte covers. `slack` is a share of light that is noise in
/// any case.
pub fn bare(patch: &Patch, clean: &[[f32; 4]], slack: f32) -> Vec<f32> {
    let mut field = Field::new(patch, clean);
    let noise = field.noise().map_or(0.0, |noise| DEVIATIONS * noise);
    let least = slack.max(noise).min(MOST);
    let share = |off: f32| {
        let away = ((off - least) / least.max(1e-6)).clamp(0.0, 1.0);
        1.0 - away * away * (3.0 - 2.0 * away)
    };
    let mut ring: Vec<usize> = (0..clean.len()).filter(|&at| field.is_set(at)).collect();
    while !ring.is_empty() {
        let mut next: Vec<usize> = ring.iter().flat_map(|&at| field.beside(at)).collect();
        next.retain(|&at| field.shares[at] < 0.0);
        next.sort_unstable();
        next.dedup();
        let found: Vec<(usize, Option<Told>)> = next.into_iter().map(|at| (at, field.told(at))).collect();
        for (at, told) in &found {
            (field.shares[*at], field.outside[*at]) =
                told.as_ref().map_or((0.0, 0.0), |told| (share(told.off), told.outside));
        }
        ring = found.into_iter().map(|(at, _)| at).filter(|&at| field.is_set(at)).collect();
    }
    field.shares.iter_mut().zip(&patch.matte).for_each(|(share, m)| {
        *share = if *m > 0.0 { share.max(0.0) } else { 0.0 };
    });
    evened(&field.shares, field.width)
}

/// The part that is looked at.
struct Field<'a> {
    width: usize,
    take: &'a [[f32; 4]],
    clean: &'a [[f32; 4]],
    figure: &'a [f32],
    /// The set's share: below 0 where it is not known yet.
    shares: Vec<f32>,
    /// Of what is the set, the quotient outside of the matte that it goes back to.
    outside: Vec<f32>,
}

/// What the set around a pixel tells of it.
struct Told {
    /// By what share of its light the pixel differs from the clean plate times the quotient of the set around.
    off: f32,
    /// The quotient outside of the matte that this goes back to.
    outside: f32,
}

impl<'a> Field<'a> {
    fn new(patch: &'a Patch, clean: &'a [[f32; 4]]) -> Self {
        let figure = patch.figure.as_ref().unwrap_or(&patch.matte);
        let (width, height) = patch.part.size();
        let (mut shares, mut outside) = (vec![0.0; width * height], vec![0.0; width * height]);
        let light = |p: &[f32; 4]| p[..3].iter().map(|v| v.max(0.0)).sum::<f32>() + DARK;
        for (i, y) in patch.part.rows.clone().enumerate() {
            for (j, x) in patch.part.columns.clone().enumerate() {
                let at = i * width + j;
                let is_sound = |p: &[f32; 4]| p.iter().all(|v| v.is_finite());
                if patch.warp.shows(x, y) && is_sound(&patch.pixels[at]) && is_sound(&clean[at]) {
                    shares[at] = if figure[at] > 0.0 { -1.0 } else { 1.0 };
                    outside[at] = light(&patch.pixels[at]) / light(&clean[at]);
                }
            }
        }
        Self { width, take: &patch.pixels, clean, figure, shares, outside }
    }

    fn is_set(&self, at: usize) -> bool {
        self.shares[at] >= 0.5
    }

    /// The pixels to the left, to the right, above and below.
    fn beside(&self, at: usize) -> impl Iterator<Item = usize> + use<> {
        let (x, width, count) = (at % self.width, self.width, self.shares.len());
        let all = [
            (x > 0).then(|| at - 1),
            (x + 1 < width).then(|| at + 1),
            at.checked_sub(width),
            Some(at + width).filter(|&below| below < count),
        ];
        all.into_iter().flatten()
    }

    /// What the set around a pixel tells; nothing where there is too little of it, or where its quotient has come too far.
    fn told(&self, at: usize) -> Option<Told> {
        let (x, y) = (at % self.width, at / self.width);
        let height = self.shares.len() / self.width;
        let (mut over, mut under, mut outside, mut count) = ([DARK; 3], [DARK; 3], 0.0, 0);
        for row in y.saturating_sub(REACH)..(y + REACH + 1).min(height) {
            for near in
                row * self.width + x.saturating_sub(REACH)..row * self.width + (x + REACH + 1).min(self.width)
            {
                if near != at && self.is_set(near) {
                    (0..3).for_each(|c| over[c] += self.take[near][c].max(0.0));
                    (0..3).for_each(|c| under[c] += self.clean[near][c].max(0.0));
                    outside += self.outside[near];
                    count += 1;
                }
            }
        }
        if count < FEWEST {
            return None;
        }
        let outside = outside / count as f32;
        let come = over.iter().sum::<f32>() / under.iter().sum::<f32>() / outside;
        if !(1.0 / WIDE..=WIDE).contains(&come) {
            return None;
        }
        let (mut away, mut light) = (0.0, DARK);
        for c in 0..3 {
            let wanted = self.clean[at][c].max(0.0) * over[c] / under[c];
            away += (self.take[at][c] - wanted).abs();
            light += wanted;
        }
        Some(Told { off: away / light, outside })
    }

    /// The deviation that grain alone makes: of the set beside the matte.
    fn noise(&self) -> Option<f32> {
        let is_near = |at: usize| {
            let (x, y) = (at % self.width, at / self.width);
            let height = self.shares.len() / self.width;
            let far = MARGIN;
            [
                (x.checked_sub(far), Some(y)),
                (Some(x + far), Some(y)),
                (Some(x), y.checked_sub(far)),
                (Some(x), Some(y + far)),
            ]
            .into_iter()
            .filter_map(|(x, y)| Some((x?, y?)))
            .any(|(x, y)| x < self.width && y < height && self.figure[y * self.width + x] > 0.0)
        };
        let near = (0..self.shares.len()).filter(|&at| self.is_set(at) && is_near(at));
        let mut all: Vec<f32> = near.filter_map(|at| Some(self.told(at)?.off)).collect();
        let middle = all.len() / 2;
        (all.len() > 2 * FEWEST as usize)
            .then(|| FROM_MEDIAN * *all.select_nth_unstable_by(middle, f32::total_cmp).1)
    }
}

/// The mean of each pixel and those around it, so that single grains make no specks.
fn evened(plane: &[f32], width: usize) -> Vec<f32> {
    let height = plane.len() / width.max(1);
    (0..plane.len())
        .map(|at| {
            let (x, y) = (at % width, at / width);
            let (mut sum, mut count) = (0.0, 0.0);
            for row in y.saturating_sub(1)..(y + 2).min(height) {
                for share in &plane[row * width + x.saturating_sub(1)..row * width + (x + 2).min(width)] {
                    sum += share;
                    count += 1.0;
                }
            }
            sum / count
        })
        .collect()
}
