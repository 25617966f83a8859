//! A patch of one picture laid on another: where it lies there, to fractions of a pixel.
//!
//! Knows patches, how they may bend and how one is moved until it fits. Does not know frames in time.
//!
//! The inverse compositional method: what the patch's light changes by when it is bent is computed on the patch itself,
//! once (S. Baker and I. Matthews, "Lucas-Kanade 20 Years On: A Unifying Framework", International Journal of Computer
//! Vision 56, 2004, sections 3.2 and 4). Gain and offset of the light are solved with the bend, as in part 3 of the same work
//! (CMU-RI-TR-03-35, 2003), and samples that do not fit count less (P. J. Huber, "Robust Estimation of a Location
//! Parameter", 1964; A. E. Beaton and J. W. Tukey, Technometrics 16, 1974; their usual constants 1.345 and 4.685).

mod doubt;
mod tiles;

pub use tiles::Shown;

use super::grain::{noise_of, second};
use super::picture::{Picture, cubic};
use crate::base::linear::solved;
use crate::operators::shape::motion::{Matrix, carry, inverse, product, scaled};

/// How a patch may bend.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bend {
    /// It moves.
    Shift,
    /// It moves, turns, grows and leans.
    Affine,
    /// It is a flat thing seen through a lens without distortion.
    Flat,
}

/// One sample of a patch, places relative to its middle in units of its reach.
struct Sample {
    u: f32,
    v: f32,
    light: f32,
    /// Change of light per unit of `u` and of `v`.
    slope: [f32; 2],
}

/// A patch at one size of its picture.
pub struct Patch {
    level: usize,
    samples: Vec<Sample>,
    /// Pixels of a unit.
    reach: f64,
    /// The middle, in pixels.
    middle: [f64; 2],
    /// Standard deviation of the noise of its light.
    grain: f64,
}

/// How a patch was laid.
#[derive(Clone, Copy, Debug)]
pub struct Fit {
    /// From the patch's units to pixels of the other picture.
    pub map: Matrix,
    /// Normalised correlation of light, samples that were taken for foreign left out.
    pub likeness: f64,
    /// Share of the samples that lie on the other picture and fit.
    pub share: f64,
    /// Standard deviation that the noise left in the fit gives the patch's place, in pixels, along its worst direction.
    pub doubt: f64,
    /// The same for the corners of the rectangle around it, which swing where what is seen of it lies far from them.
    pub swing: f64,
    /// Gain and offset of its light, and the standard deviation of what is left.
    light: [f64; 3],
}

/// Rounds of one fit, at most.
const ROUNDS: usize = 30;
/// A fit stands when no corner moves by more, in samples of its size.
const STANDS: f64 = 0.002;

impl Patch {
    /// The samples of `picture` at a size within `reach` pixels of `middle` both ways, those that `counts`; at most about
    /// `most`, evenly thinned.
    pub fn new(
        picture: &Picture,
        level: usize,
        middle: [f64; 2],
        reach: [f64; 2],
        most: usize,
        counts: &dyn Fn([f64; 2]) -> bool,
    ) -> Self {
        let plane = picture.level(level);
        let size = f64::from(1u32 << level);
        let unit = reach[0].max(reach[1]);
        let span = |middle: f64, reach: f64, side: usize| {
            let first = ((middle - reach) / size - 0.5).ceil().max(0.0);
            let last = ((middle + reach) / size - 0.5).floor().min(side as f64 - 1.0);
            (first as usize, last)
        };
        let ((x0, x1), (y0, y1)) =
            (span(middle[0], reach[0], plane.width), span(middle[1], reach[1], plane.height));
        let area = (x1 - x0 as f64 + 1.0).max(0.0) * (y1 - y0 as f64 + 1.0).max(0.0);
        let step = ((area / most as f64).sqrt().ceil() as usize).max(1);
        let mut samples = Vec::new();
        let mut grain = Vec::new();
        for y in (y0..=y1.max(-1.0) as usize).step_by(step).filter(|&y| y as f64 <= y1) {
            for x in (x0..=x1.max(-1.0) as usize).step_by(step).filter(|&x| x as f64 <= x1) {
                let place = [x, y].map(|i| (i as f64 + 0.5) * size);
                if !counts(place) {
                    continue;
                }
                let at = plane.index(x as isize, y as isize);
                let s = &plane.samples;
                let stride = plane.stride;
                // Five points: the slope of Catmull and Rom's cubic is that of three, but light as filmed is smoother.
                let slope = |d: usize| {
                    (8.0 * (s[at + d] - s[at - d]) - (s[at + 2 * d] - s[at - 2 * d])) / 12.0
                        * (unit / size) as f32
                };
                grain.push(second(s, at, stride));
                samples.push(Sample {
                    u: ((place[0] - middle[0]) / unit) as f32,
                    v: ((place[1] - middle[1]) / unit) as f32,
                    light: s[at],
                    slope: [slope(1), slope(stride)],
                });
            }
        }
        Self { level, samples, reach: unit, middle, grain: noise_of(&mut grain) }
    }

    /// From the patch's units to pixels of its own picture.
    pub fn home(&self) -> Matrix {
        [[self.reach, 0.0, self.middle[0]], [0.0, self.reach, self.middle[1]], [0.0, 0.0, 1.0]]
    }

    /// How many samples it has.
    pub fn len(&self) -> usize {
        self.samples.len()
    }

    /// True when nothing of it counted.
    pub fn is_empty(&self) -> bool {
        self.samples.is_empty()
    }

    /// Moves the patch from where `map` puts it until it fits `picture`. `hidden` says which places of that picture do not
    /// count; `strict` leaves samples out that do not fit at all, which needs a start that is nearly right.
    pub fn fit(
        &self,
        picture: &Picture,
        map: &Matrix,
        bend: Bend,
        strict: bool,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Option<Fit> {
        match bend {
            Bend::Shift => self.laid::<4>(picture, *map, strict, hidden),
            Bend::Affine => self.laid::<8>(picture, *map, strict, hidden),
            Bend::Flat => self.laid::<10>(picture, *map, strict, hidden),
        }
    }

    /// `N` unknowns: offset and gain of light, then those of the bend.
    fn laid<const N: usize>(
        &self,
        picture: &Picture,
        mut map: Matrix,
        strict: bool,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
    ) -> Option<Fit> {
        let (mut gain, mut offset) = (1.0f64, 0.0f64);
        let mut seen = Seen::default();
        let mut noise = f64::INFINITY;
        let (mut doubt, mut swing) = (f64::INFINITY, f64::INFINITY);
        for round in 0..ROUNDS {
            self.look(picture, &map, hidden, &mut seen);
            if seen.at.len() < (N * 2).max(self.samples.len() / 4) {
                return None;
            }
            if round == 0 {
                (gain, offset) = self.level_of(&seen);
            }
            noise = self.noise(&mut seen, gain, offset);
            let (rows, right, whole) = self.normal::<N>(&seen, gain, offset, noise, strict);
            let step = solved(rows, right)?;
            (doubt, swing) = (self.doubt(&rows, noise, gain, whole), self.swing(&rows, noise, gain));
            offset += step[0];
            gain += step[1];
            if !(0.1..10.0).contains(&gain) {
                return None;
            }
            let mut bend = [0.0; 8];
            bend[..N - 2].iter_mut().zip(&step[2..]).for_each(|(b, s)| *b = s / gain);
            let [x, y, a, b, c, d, e, f] = bend;
            let back = inverse(&[[1.0 + a, b, x], [c, 1.0 + d, y], [e, f, 1.0]])?;
            map = scaled(product(&map, &back))?;
            let moved = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]].map(|corner| {
                carry(&back, corner)
                    .map_or(f64::INFINITY, |to| (to[0] - corner[0]).abs().max((to[1] - corner[1]).abs()))
            });
            let moved = moved.into_iter().fold(0.0, f64::max) * self.reach / f64::from(1u32 << self.level);
            if !moved.is_finite() {
                return None;
            }
            if moved < STANDS {
                break;
            }
        }
        self.look(picture, &map, hidden, &mut seen);
        let (likeness, share) = self.likeness(&seen, gain, offset, noise)?;
        Some(Fit { map, likeness, share, doubt, swing, light: [gain, offset, noise] })
    }

    /// Light of the other picture under each sample that lies on it.
    fn look(
        &self,
        picture: &Picture,
        map: &Matrix,
        hidden: Option<&dyn Fn([f64; 2]) -> bool>,
        seen: &mut Seen,
    ) {
        seen.at.clear();
        let plane = picture.level(self.level);
        let size = f64::from(1u32 << self.level);
        for (i, sample) in self.samples.iter().enumerate() {
            let Some(place) = carry(map, [f64::from(sample.u), f64::from(sample.v)]) else { continue };
            // A little outside the border repeats; what is far outside is not there.
            if !picture.holds(place) || hidden.is_some_and(|hidden| hidden(place)) {
                continue;
            }
            if let Some(light) = cubic(plane, place[0] / size - 0.5, place[1] / size - 0.5) {
                seen.at.push((i as u32, light));
            }
        }
    }

    /// Gain and offset by least squares.
    fn level_of(&self, seen: &Seen) -> (f64, f64) {
        let n = seen.at.len() as f64;
        let (mut a, mut b, mut aa, mut ab) = (0.0, 0.0, 0.0, 0.0);
        for &(i, light) in &seen.at {
            let (own, light) = (f64::from(self.samples[i as usize].light), f64::from(light));
            a += own;
            b += light;
            aa += own * own;
            ab += own * light;
        }
        let spread = aa - a * a / n;
        let gain = if spread > 1e-12 { ((ab - a * b / n) / spread).clamp(0.5, 2.0) } else { 1.0 };
        (gain, (b - gain * a) / n)
    }

    /// What is left, as a standard deviation: 1.4826 times the median of its size, as for normal noise.
    fn noise(&self, seen: &mut Seen, gain: f64, offset: f64) -> f64 {
        let left = |&(i, light): &(u32, f32)| {
            (f64::from(light) - gain * f64::from(self.samples[i as usize].light) - offset).abs() as f32
        };
        seen.left.clear();
        // Some hundreds tell a median well enough.
        let step = (seen.at.len() / 2048).max(1);
        seen.left.extend(seen.at.iter().step_by(step).map(left));
        let middle = seen.left.len() / 2;
        let (_, median, _) = seen.left.select_nth_unstable_by(middle, f32::total_cmp);
        (1.4826 * f64::from(*median)).max(1e-4)
    }

    /// The weighted normal equations of one round, and the sum of weights.
    fn normal<const N: usize>(
        &self,
        seen: &Seen,
        gain: f64,
        offset: f64,
        noise: f64,
        strict: bool,
    ) -> ([[f64; N]; N], [f64; N], f64) {
        let mut rows = [[0.0; N]; N];
        let mut right = [0.0; N];
        let mut whole = 0.0;
        for run in seen.at.chunks(256) {
            // Short sums in single precision, long ones in double.
            let mut part = [[0.0f32; N]; N];
            let mut side = [0.0f32; N];
            for &(i, light) in run {
                let sample = &self.samples[i as usize];
                let left = light - gain as f32 * sample.light - offset as f32;
                let weight = weight(left / noise as f32, strict);
                whole += f64::from(weight);
                let [du, dv] = sample.slope;
                let (u, v) = (sample.u, sample.v);
                let turn = -(u * du + v * dv);
                let all = [1.0, sample.light, du, dv, u * du, v * du, u * dv, v * dv, u * turn, v * turn];
                let own: [f32; N] = std::array::from_fn(|k| all[k]);
                for a in 0..N {
                    let weighted = weight * own[a];
                    for b in 0..N {
                        part[a][b] += weighted * own[b];
                    }
                    side[a] += weighted * left;
                }
            }
            for a in 0..N {
                for b in 0..N {
                    rows[a][b] += f64::from(part[a][b]);
                }
                right[a] += f64::from(side[a]);
            }
        }
        // Where light says nothing of an unknown it stays as it is.
        for (a, row) in rows.iter_mut().enumerate() {
            row[a] += 1e-6 * whole * if a < 2 { 1e-3 } else { 1.0 };
        }
        (rows, right, whole)
    }

    /// Normalised correlation of what fits, and the share of all samples that does.
    fn likeness(&self, seen: &Seen, gain: f64, offset: f64, noise: f64) -> Option<(f64, f64)> {
        let (mut n, mut a, mut b, mut aa, mut bb, mut ab, mut fits) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for &(i, light) in &seen.at {
            let (own, light) = (f64::from(self.samples[i as usize].light), f64::from(light));
            let w = f64::from(weight(((light - gain * own - offset) / noise.max(0.01)) as f32, true));
            fits += f64::from(u8::from(w > 0.1));
            n += w;
            a += w * own;
            b += w * light;
            aa += w * own * own;
            bb += w * light * light;
            ab += w * own * light;
        }
        if n <= 0.0 {
            return None;
        }
        let (own, other) = ((aa - a * a / n).max(0.0), (bb - b * b / n).max(0.0));
        let likeness = if own * other > 1e-14 { (ab - a * b / n) / (own * other).sqrt() } else { 0.0 };
        Some((likeness, fits / self.samples.len() as f64))
    }

    /// Places in the patch's units of samples that lie on the other picture, and whether each fits.
    pub fn fitting(&self, picture: &Picture, fit: &Fit) -> Vec<([f32; 2], bool)> {
        let mut seen = Seen::default();
        self.look(picture, &fit.map, None, &mut seen);
        let [gain, offset, noise] = fit.light.map(|v| v as f32);
        let fits = |&(i, light): &(u32, f32)| {
            let sample = &self.samples[i as usize];
            let left = (light - gain * sample.light - offset) / noise.max(0.01);
            ([sample.u, sample.v], weight(left, true) > 0.1)
        };
        seen.at.iter().map(fits).collect()
    }

    /// Normalised correlation with `picture` where `map` puts it, every sample counting; nothing where less than three
    /// quarters of it lie on that picture.
    pub fn alike(&self, picture: &Picture, map: &Matrix) -> Option<f64> {
        let mut seen = Seen::default();
        self.look(picture, map, None, &mut seen);
        if seen.at.len() * 4 < self.samples.len() * 3 {
            return None;
        }
        self.likeness(&seen, 1.0, 0.0, f64::INFINITY).map(|(likeness, _)| likeness)
    }
}

/// What lies under a patch.
#[derive(Default)]
struct Seen {
    /// Sample and the light of the other picture under it.
    at: Vec<(u32, f32)>,
    left: Vec<f32>,
}

/// Weight of what is left, in standard deviations.
#[inline(always)]
fn weight(left: f32, strict: bool) -> f32 {
    let size = left.abs();
    if strict {
        let share = size * (1.0 / 4.685);
        if share < 1.0 { (1.0 - share * share) * (1.0 - share * share) } else { 0.0 }
    } else if size > 1.345 {
        1.345 / size
    } else {
        1.0
    }
}
