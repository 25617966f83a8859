//! A rod's middle line and its two ends on one frame, to fractions of a pixel.
//!
//! Knows cross-sections of a rod or of its fan. Does not know how the stroke was found.
//!
//! The middle of each cross-section is where its light's weight lies, a line through all of them is fitted so that what is
//! off counts less and less (iteratively reweighted least squares: P. W. Holland and R. E. Welsch, Communications in
//! Statistics 6, 1977, with Tukey's weights), and an end is where a step fits the light along it best.

use super::scene::{Gray, Scene};
use super::{Ends, Mark, SHUTTER};

/// Cross-sections of a rod.
const SECTIONS: usize = 48;
/// How often the line is laid anew.
const ROUNDS: usize = 5;

/// What the rod is read from.
struct Sheet<'s> {
    light: &'s Gray,
    scenery: Gray,
    sense: f32,
    /// Whether the scenery shows the rod itself, because it rests.
    rests: bool,
}

/// A cross-section.
struct Section {
    /// Place along the rod, 0 to 1.
    along: f64,
    /// How far the light's weight lies beside the line, in pixels.
    off: f64,
    /// How much light there is, against a rod that stands still.
    light: f64,
}

/// A rod on one frame.
#[derive(Clone, Copy, Debug)]
pub struct Settled {
    /// Its ends; the base as this frame alone tells it.
    pub ends: Ends,
    /// How far its line and its tip are to be believed.
    pub sure: f64,
    /// How far its line alone is.
    pub line: f64,
    /// How plainly its tip ends, 0 to 1; 0 where it is off the frame.
    pub tip: f64,
    /// Where its light begins, in pixels from the tip, and how plainly, 0 to 1.
    pub begins: Option<(f64, f64)>,
    /// Pixels to a sample.
    pub size: f64,
}

/// The rod near `start` that moves by `speed` a frame, and how far it is to be believed.
pub fn settled(
    scene: &Scene,
    mark: &Mark,
    at: usize,
    start: Ends,
    speed: Ends,
    length: f64,
) -> Option<Settled> {
    let light = scene.light(at, true);
    let margin = 0.35 * length + 40.0;
    let within = [
        start[0].min(start[2]) - margin,
        start[1].min(start[3]) - margin,
        start[0].max(start[2]) + margin,
        start[1].max(start[3]) + margin,
    ];
    let scenery = scene.scenery(at, within);
    let mut sheet = Sheet { light, scenery, sense: mark.sense, rests: false };
    sheet.rests = rests(&sheet, mark, &start);
    let mut ends = start;
    let mut scatter = f64::INFINITY;
    let mut fits = 0.0;
    for round in 0..ROUNDS {
        let wide = if round == 0 { 1.6 } else { 1.0 };
        let sections = sections(&sheet, mark, &ends, &speed, wide);
        let (moved, left, share) = laid(&ends, &sections)?;
        let gone = (0..4).map(|i| (moved[i] - ends[i]).abs()).fold(0.0, f64::max);
        ends = moved;
        scatter = left;
        fits = share;
        if gone < 0.05 {
            break;
        }
    }
    let Ended { ends, tip, begins } = ended(&sheet, mark, &ends, &speed, length);
    let line = line(&sheet, &ends, &start, length, scatter, fits);
    // A tip that is off the frame is where the rod's length puts it.
    let seen = light.at([ends[2], ends[3]]).is_some();
    let tip = tip.clamp(0.0, 1.0);
    let sure = line * if seen { 0.4 + 0.6 * tip } else { 0.6 };
    Some(Settled { ends, sure, line, tip: if seen { tip } else { 0.0 }, begins, size: light.size })
}

/// How far to believe a rod's line: by the share of its cross-sections that lie on it, and how near they do.
fn line(sheet: &Sheet<'_>, ends: &Ends, start: &Ends, length: f64, scatter: f64, fits: f64) -> f64 {
    // What rests where the scenery has a line may be that line.
    let doubt = if sheet.rests { 0.5 } else { 1.0 };
    let line = doubt * ((fits - 0.25) / 0.5).clamp(0.0, 1.0) / (1.0 + (scatter / 2.5).powi(2));
    let whole = (0..4).map(|i| (ends[i] - start[i]).abs()).fold(0.0, f64::max) / length.max(1.0);
    line / (1.0 + (whole / 0.25).powi(2))
}

fn frame_of(ends: &Ends) -> ([f64; 2], [f64; 2], f64) {
    let along = [ends[2] - ends[0], ends[3] - ends[1]];
    let length = along[0].hypot(along[1]).max(1e-6);
    (along, [-along[1] / length, along[0] / length], length)
}

/// Half the width of the fan at a share of the rod's length, in pixels.
fn half(mark: &Mark, ends: &Ends, speed: &Ends, along: f64) -> f64 {
    let (_, across, _) = frame_of(ends);
    let side = |i: usize| speed[i] * across[0] + speed[i + 1] * across[1];
    let swept = side(0) + (side(2) - side(0)) * along;
    0.5 * (mark.width + swept.abs() * SHUTTER)
}

impl Sheet<'_> {
    /// How far light stands out at a place; `beside` is what is on both sides of the rod there.
    fn apart(&self, place: [f64; 2], beside: f32) -> Option<f32> {
        let light = self.light.at(place)?;
        let under = if self.rests { beside } else { self.scenery.at(place).unwrap_or(beside) };
        Some((light - under) * self.sense)
    }

    /// Mean light of two strips beside the rod, each so far from its middle.
    fn beside(&self, middle: [f64; 2], across: [f64; 2], from: f64) -> Option<f32> {
        let side = |sign: f64| {
            let all = (0..3).map(|k| {
                let off = sign * (from + f64::from(k) * self.light.size);
                self.light.at([middle[0] + across[0] * off, middle[1] + across[1] * off])
            });
            let seen: Vec<f32> = all.flatten().collect();
            (!seen.is_empty()).then(|| seen.iter().sum::<f32>() / seen.len() as f32)
        };
        match (side(-1.0), side(1.0)) {
            (Some(a), Some(b)) => Some(0.5 * (a + b)),
            (a, b) => a.or(b),
        }
    }
}

/// True when a rod stands out of what is beside it, and not of the scenery.
fn rests(sheet: &Sheet<'_>, mark: &Mark, ends: &Ends) -> bool {
    let (along, across, _) = frame_of(ends);
    let (mut beside, mut scenery) = (Vec::new(), Vec::new());
    for i in 4..28 {
        let s = f64::from(i) / 32.0;
        let middle = [ends[0] + along[0] * s, ends[1] + along[1] * s];
        let Some(sides) = sheet.beside(middle, across, mark.width * 0.5 + 3.0 * sheet.light.size) else {
            continue;
        };
        let Some(light) = sheet.light.at(middle) else { continue };
        beside.push((light - sides) * sheet.sense);
        if let Some(under) = sheet.scenery.at(middle) {
            scenery.push((light - under) * sheet.sense);
        }
    }
    let median = |all: &mut Vec<f32>| {
        let middle = all.len() / 2;
        if all.is_empty() { 0.0 } else { *all.select_nth_unstable_by(middle, f32::total_cmp).1 }
    };
    let (beside, scenery) = (median(&mut beside), median(&mut scenery));
    scenery < 0.5 * beside
}

/// Cross-sections along the rod; `wide` widens where light is looked for.
fn sections(sheet: &Sheet<'_>, mark: &Mark, ends: &Ends, speed: &Ends, wide: f64) -> Vec<Section> {
    let (along, across, _) = frame_of(ends);
    let step = sheet.light.size * 0.5;
    let most = 1.5 * mark.contrast;
    let mut out = Vec::new();
    for i in 0..SECTIONS {
        let s = (i as f64 + 0.5) / SECTIONS as f64;
        let half = half(mark, ends, speed, s);
        let reach = (half + 2.0 * sheet.light.size) * wide;
        let middle = [ends[0] + along[0] * s, ends[1] + along[1] * s];
        let Some(beside) = sheet.beside(middle, across, reach + sheet.light.size) else { continue };
        let count = (reach / step).ceil() as i32;
        let (mut sum, mut first, mut all) = (0.0, 0.0, 0);
        for k in -count..=count {
            let off = f64::from(k) * step;
            let place = [middle[0] + across[0] * off, middle[1] + across[1] * off];
            let Some(apart) = sheet.apart(place, beside) else { continue };
            let apart = f64::from(apart.clamp(0.0, most));
            sum += apart;
            first += apart * off;
            all += 1;
        }
        // Of a section that the frame's edge cuts off nobody knows the middle.
        if all < 2 * count {
            continue;
        }
        let whole = f64::from(mark.contrast) * mark.width / step;
        if sum > 0.1 * whole {
            out.push(Section { along: s, off: first / sum, light: (sum / whole).min(1.5) });
        }
    }
    out
}

/// The line through cross-sections: new ends, what is left as a standard deviation in pixels, and the share of a whole
/// rod's sections that lie on it.
fn laid(ends: &Ends, sections: &[Section]) -> Option<(Ends, f64, f64)> {
    if sections.len() < SECTIONS / 5 {
        return None;
    }
    let (_, across, _) = frame_of(ends);
    let (mut a, mut b) = (0.0, 0.0);
    let mut noise = f64::INFINITY;
    let mut fits = 0.0;
    for round in 0..8 {
        let (mut n, mut x, mut y, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let mut left: Vec<f64> = sections.iter().map(|s| (s.off - a - b * s.along).abs()).collect();
        fits = 0.0;
        for (section, left) in sections.iter().zip(&left) {
            let share = if round == 0 { 0.0 } else { left / (4.685 * noise) };
            let weight =
                if share < 1.0 { (1.0 - share * share).powi(2) * section.light.min(1.0) } else { 0.0 };
            fits += f64::from(u8::from(weight > 0.0 && *left < 4.0));
            n += weight;
            x += weight * section.along;
            y += weight * section.off;
            xx += weight * section.along * section.along;
            xy += weight * section.along * section.off;
        }
        let spread = n * xx - x * x;
        if n <= 0.0 || spread <= 1e-9 {
            return None;
        }
        b = (n * xy - x * y) / spread;
        a = (y - b * x) / n;
        left.iter_mut().zip(sections).for_each(|(l, s)| *l = (s.off - a - b * s.along).abs());
        let middle = left.len() / 2;
        noise = (1.4826 * *left.select_nth_unstable_by(middle, f64::total_cmp).1).max(0.3);
    }
    let moved = [
        ends[0] + across[0] * a,
        ends[1] + across[1] * a,
        ends[2] + across[0] * (a + b),
        ends[3] + across[1] * (a + b),
    ];
    Some((moved, noise, fits / SECTIONS as f64))
}

/// A rod's ends along its line.
struct Ended {
    ends: Ends,
    /// How plainly the tip ends.
    tip: f64,
    /// Where light begins, from the tip, and how plainly.
    begins: Option<(f64, f64)>,
}

/// Both ends along the line.
fn ended(sheet: &Sheet<'_>, mark: &Mark, ends: &Ends, speed: &Ends, expected: f64) -> Ended {
    let (along, _, length) = frame_of(ends);
    let way = [along[0] / length, along[1] / length];
    let place = |t: f64| [ends[0] + way[0] * t, ends[1] + way[1] * t];
    let profile = |t: f64| stand_out(sheet, mark, ends, speed, t / length);
    let (tip, plain) = step(&profile, length, 0.3 * expected, sheet.light.size).unwrap_or((length, 0.0));
    let base = step(&|t| profile(-t), 0.0, 0.25 * expected, sheet.light.size);
    let off = sheet.light.at(place(tip)).is_none();
    let (tip, plain) =
        if off || plain < 0.2 { (length.max(expected * 0.9), plain.min(0.2)) } else { (tip, plain) };
    // Hands hide where a rod begins. How long it is tells as much, where its tip is known.
    let by_length = tip - expected;
    let begins = base.map(|(at, plain)| (tip + at, plain.clamp(0.0, 1.0)));
    let base = match base {
        Some((at, plain)) => {
            let at = -at;
            let trust = (plain * (-((at - by_length) / (0.2 * expected)).powi(2)).exp()).clamp(0.0, 0.9);
            trust * at + (1.0 - trust) * (0.5 * by_length).clamp(-0.15 * expected, 0.15 * expected)
        }
        None => (0.5 * by_length).clamp(-0.15 * expected, 0.15 * expected),
    };
    let (b, t) = (place(base), place(tip));
    Ended { ends: [b[0], b[1], t[0], t[1]], tip: plain, begins }
}

/// How far light stands out at a share of the rod's length, against what a rod moving as fast leaves there; nothing off the
/// frame.
fn stand_out(sheet: &Sheet<'_>, mark: &Mark, ends: &Ends, speed: &Ends, share: f64) -> Option<f64> {
    let (along, across, _) = frame_of(ends);
    let half = half(mark, ends, speed, share.clamp(0.0, 1.3));
    let middle = [ends[0] + along[0] * share, ends[1] + along[1] * share];
    let beside = sheet.beside(middle, across, half + 3.0 * sheet.light.size)?;
    let count = (half * 0.6 / (sheet.light.size * 0.5)).ceil() as i32;
    let (mut sum, mut n) = (0.0, 0.0);
    for k in -count..=count {
        let off = half * 0.6 * f64::from(k) / f64::from(count.max(1));
        if let Some(apart) = sheet.apart([middle[0] + across[0] * off, middle[1] + across[1] * off], beside) {
            sum += f64::from(apart);
            n += 1.0;
        }
    }
    let wanted = f64::from(mark.contrast) * (mark.width / (2.0 * half)).min(1.0);
    (n > 0.0).then(|| (sum / n / wanted).clamp(-0.5, 1.5))
}

/// The place near `near` where light steps down to nothing as one goes outward, and how plainly: 1 for all of it.
fn step(profile: &dyn Fn(f64) -> Option<f64>, near: f64, reach: f64, size: f64) -> Option<(f64, f64)> {
    let pace = size * 0.5;
    let count = (reach / pace).ceil() as i32;
    let all: Vec<f64> = (-2 * count..=2 * count)
        .map_while(|k| profile(near + f64::from(k) * pace).map(Some).unwrap_or(None))
        .collect();
    let zero = 2 * count as usize;
    if all.len() < zero {
        return None;
    }
    let sums: Vec<f64> = std::iter::once(0.0)
        .chain(all.iter().scan(0.0, |sum, v| {
            *sum += v;
            Some(*sum)
        }))
        .collect();
    let window = (count as usize).max(3);
    let mean = |a: usize, b: usize| if b > a { (sums[b] - sums[a]) / (b - a) as f64 } else { 0.0 };
    let judge = |cut: usize| {
        let inside = mean(cut.saturating_sub(window), cut);
        let outside = mean(cut, (cut + window / 2).min(all.len()));
        let far = (cut as f64 - zero as f64) / count as f64;
        (inside - outside.max(0.0)) - 0.1 * far * far
    };
    let from = zero - count as usize;
    let to = (zero + count as usize).min(all.len().saturating_sub(window / 4 + 1));
    let best = (from..=to).max_by(|&a, &b| judge(a).total_cmp(&judge(b)))?;
    let finer = if best > from && best < to {
        let (a, b, c) = (judge(best - 1), judge(best), judge(best + 1));
        let bend = a - 2.0 * b + c;
        if bend < -1e-12 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 }
    } else {
        0.0
    };
    // A cut lies before its sample.
    let at = near + (best as f64 - zero as f64 - 0.5 + finer) * pace;
    Some((at, judge(best)))
}
