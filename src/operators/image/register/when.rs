//! At which time of a take the rig was where it is in a frame of the clean plate.
//!
//! Knows how the take's whole offset is told from how frames agree, and its part of a frame from how far along the motion
//! of the set the take lies. Does not know pixels.
//!
//! A rig that only moves evenly and far from everything shows the same for a late start as for a small shift. The two are
//! told apart by parallax, within a frame, and by changes of speed, from frame to frame, since the rig's drift is slow.

use super::align::{ALONG, Fit};
use super::solve::Band;
use crate::base::linear::solved;

/// A take's frame against one of the clean plate, at a whole offset.
#[derive(Clone, Copy, Debug)]
pub struct Compared {
    /// The clean plate's frame.
    pub frame: i64,
    /// Frames that the take is ahead.
    pub ahead: i64,
    /// Pixels right and down between them.
    pub shift: [f64; 2],
    /// What is left, in pixels.
    pub off: f64,
}

/// What a take's offset in time is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct When {
    /// Frames that the take is ahead, at frame `about`.
    pub time: f64,
    /// By how much that grows with each frame.
    pub rate: f64,
    /// The frame that `time` is of.
    pub about: f64,
    /// Its standard deviation, in frames.
    pub deviation: f64,
}

/// Differences between offsets below this tell nothing, in square pixels.
const FLAT: f64 = 0.01;
/// How much a shift may stray from one frame to the next, in pixels of the size looked at.
const STRAY: f64 = 0.05;
/// A drift of time is taken for one when it makes up so many frames over the shot, and so many of its own deviations.
const RATE_LEAST: f64 = 0.1;
const RATE_SURE: f64 = 5.0;
/// A deviation beyond which the offset counts as unknown, in frames.
pub const UNSURE: f64 = 0.1;

/// The whole offset at which frames agree best; none where all agree alike, as under a camera that stands.
pub fn whole(all: &[Compared]) -> Option<i64> {
    let mut offsets: Vec<i64> = all.iter().map(|c| c.ahead).collect();
    offsets.sort_unstable();
    offsets.dedup();
    let most = offsets.iter().map(|k| all.iter().filter(|c| c.ahead == *k).count()).max()?;
    let scores: Vec<(i64, f64)> = offsets
        .into_iter()
        .filter_map(|k| {
            let of: Vec<&Compared> = all.iter().filter(|c| c.ahead == k).collect();
            // An offset that few frames have on both sides is told by too little.
            if of.len() * 2 < most {
                return None;
            }
            let count = of.len() as f64;
            let off = of.iter().map(|c| c.off * c.off).sum::<f64>() / count;
            let stray = [0, 1].map(|i| {
                let mean = of.iter().map(|c| c.shift[i]).sum::<f64>() / count;
                of.iter().map(|c| (c.shift[i] - mean).powi(2)).sum::<f64>() / count
            });
            Some((k, off + stray[0] + stray[1]))
        })
        .collect();
    let best = scores.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let worst = scores.iter().map(|s| s.1).fold(0.0, f64::max);
    (worst - best.1 > FLAT).then_some(best.0)
}

/// The take's offset from fits at whole offset `ahead`; none where the fits tell nothing of it.
pub fn part(fits: &[(i64, Fit)], ahead: i64) -> Option<When> {
    if fits.is_empty() {
        return None;
    }
    let about = fits.iter().map(|(n, _)| *n as f64).sum::<f64>() / fits.len() as f64;
    let known: Vec<([[f64; 3]; 3], [f64; 3])> = fits
        .iter()
        .map(|(_, fit)| (marginal(&fit.information), [fit.found[0], fit.found[1], fit.found[ALONG]]))
        .collect();
    let n = 2 * fits.len();
    let mut band = Band::zeros(n, 3);
    let mut right = vec![0.0; n];
    let mut border = [vec![0.0; n], vec![0.0; n]];
    let (mut corner, mut foot) = ([[0.0; 2]; 2], [0.0; 2]);
    for (i, (information, found)) in known.iter().enumerate() {
        let later = fits[i].0 as f64 - about;
        let told: [f64; 3] = std::array::from_fn(|a| (0..3).map(|b| information[a][b] * found[b]).sum());
        for a in 0..2 {
            (0..=a).for_each(|b| band.add(2 * i + a, 2 * i + b, information[a][b]));
            right[2 * i + a] += told[a];
            border[0][2 * i + a] = information[a][2];
            border[1][2 * i + a] = information[a][2] * later;
            band.add(2 * i + a, 2 * i + a, 1e-9);
        }
        let grows = [1.0, later];
        for a in 0..2 {
            (0..2).for_each(|b| corner[a][b] += information[2][2] * grows[a] * grows[b]);
            foot[a] += told[2] * grows[a];
        }
        if i > 0 {
            let stiff = 1.0 / (STRAY * STRAY * (fits[i].0 - fits[i - 1].0).max(1) as f64);
            for a in 0..2 {
                let (here, before) = (2 * i + a, 2 * (i - 1) + a);
                band.add(here, here, stiff);
                band.add(before, before, stiff);
                band.add(here, before, -stiff);
            }
        }
    }
    let factor = band.factored()?;
    let through = border.each_ref().map(|border| factor.solve(border));
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let schur = |a: usize, b: usize| corner[a][b] - dot(&border[a], &through[b]);
    let left = [0, 1].map(|a| foot[a] - dot(&through[a], &right));
    let deviation = (1.0 / schur(0, 0).max(1e-12)).sqrt();
    let still = When { time: ahead as f64 - left[0] / schur(0, 0).max(1e-12), rate: 0.0, about, deviation };
    let matrix = [[schur(0, 0), schur(0, 1)], [schur(1, 0), schur(1, 1)]];
    let span = (fits[fits.len() - 1].0 - fits[0].0) as f64;
    let Some(both) = solved(matrix, left).filter(|_| span > 0.0) else { return Some(still) };
    let rate_deviation = (1.0 / (schur(1, 1) - schur(0, 1).powi(2) / schur(0, 0)).max(1e-12)).sqrt();
    let is_sure = both[1].abs() > RATE_SURE * rate_deviation && both[1].abs() * span > RATE_LEAST;
    Some(if is_sure { When { time: ahead as f64 - both[0], rate: -both[1], ..still } } else { still })
}

/// What is known of right, down and along, whatever turn and growth are.
fn marginal(information: &[[f64; 5]; 5]) -> [[f64; 3]; 3] {
    let m = information;
    let (a, b, d) = (m[2][2], m[2][3], m[3][3]);
    let whole = (a * d - b * b).max(1e-30);
    let keep = [0, 1, ALONG];
    std::array::from_fn(|i| {
        std::array::from_fn(|j| {
            let (i, j) = (keep[i], keep[j]);
            let (p, q) = ([m[i][2], m[i][3]], [m[j][2], m[j][3]]);
            m[i][j] - (p[0] * (d * q[0] - b * q[1]) + p[1] * (a * q[1] - b * q[0])) / whole
        })
    })
}

/// At most so many frames, evenly spread over all.
pub fn spread(frames: &[i64], most: usize) -> Vec<i64> {
    match frames.len() <= most {
        true => frames.to_vec(),
        false => (0..most).map(|i| frames[(i * 2 + 1) * frames.len() / (2 * most)]).collect(),
    }
}
