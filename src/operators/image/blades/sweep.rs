//! The light of a rod that moves while the shutter is open.
//!
//! Knows a tapered rod with round ends and how much of the exposure it spends in front of each pixel.
//! Does not know colours or glows.
//!
//! The exposure is cut into stretches in which the rod's ends move straight and evenly but for a twentieth of a pixel.
//! Within one, a pixel's distance from the rod's axis changes evenly, so the mean over the stretch of the rod's
//! light (a round profile seen through a pixel one wide) is a difference of its antiderivative: no moments are sampled,
//! and no steps show however fast the rod is.
//!
//! A rod is brightest along its axis and falls off to its edge by a parabola, round its ends as well: half again the mean
//! of its width in the middle, nothing at the edge. So a core at rest is round and not a flat ribbon, and what it
//! sweeps has round corners.

use crate::operators::shape::coverage::{Mask, Window};

/// How often either part of an exposure is halved at most: 128 stretches before a key within it and as many after.
const HALVINGS: u32 = 7;
/// How far an end may be, in the middle of a stretch, from where a straight and even move has it, in pixels.
const CHORD: f64 = 0.05;
/// How far an end may move along the rod in one stretch, in pixels: ends are as soft as that, and a pixel at least.
const SLIDE: f64 = 1.0;

/// How far from its tip a tapered rod's light starts to fall off, in radii for a taper of 1.
const FADE: f64 = 14.0;
/// The same of the end of a rod that is lit in part only, in radii.
const LIT_FADE: f64 = 5.0;
/// A rod's light on its axis, its mean over the width being 1.
const PEAK: f64 = 1.5;

/// How much a streak tapers to its tail.
const TAIL: f64 = 0.7;

/// Base x, base y, tip x, tip y.
pub type Ends = [f64; 4];

/// A rod at one moment of an exposure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// The share of the exposure that has passed.
    pub time: f64,
    /// Where the rod is.
    pub ends: Ends,
    /// The share of its light that it gives.
    pub lit: f64,
    /// How much brighter its lit end is, 0 to 1.
    pub surge: f64,
}

/// The rod through the exposure `open` to `close` (frames, at most one apart): moments between which it moves
/// straight and evenly, or a single one when nothing moves. Halved only where the rod's way is bent or uneven, or
/// runs along the rod; a key, which sits on a whole frame, always parts two stretches.
pub fn exposure(ends: impl Fn(f64) -> Ends, open: f64, close: f64) -> Vec<Moment> {
    let key = close.floor();
    let cuts = if key > open && key < close { vec![open, key, close] } else { vec![open, close] };
    let mut path = vec![(open, ends(open))];
    for cut in cuts.windows(2) {
        let to = (cut[1], ends(cut[1]));
        divide(&ends, to, HALVINGS, &mut path);
    }
    if path.iter().all(|(_, at)| *at == path[0].1) {
        path.truncate(1);
    }
    let share = |time: f64| if close > open { (time - open) / (close - open) } else { 0.0 };
    path.into_iter().map(|(time, ends)| Moment { time: share(time), ends, lit: 1.0, surge: 0.0 }).collect()
}

/// Carries a path on to a time, in two halves where one stretch would not be true.
fn divide(ends: &impl Fn(f64) -> Ends, to: (f64, Ends), halvings: u32, path: &mut Vec<(f64, Ends)>) {
    let from = path[path.len() - 1];
    let time = (from.0 + to.0) / 2.0;
    let middle = ends(time);
    if halvings == 0 || is_even(&from.1, &middle, &to.1) {
        path.push(to);
    } else {
        divide(ends, (time, middle), halvings - 1, path);
        divide(ends, to, halvings - 1, path);
    }
}

/// Whether a rod that is at `middle` half-way moves straight and evenly enough from `from` to `to`.
fn is_even(from: &Ends, middle: &Ends, to: &Ends) -> bool {
    let axis = [middle[2] - middle[0], middle[3] - middle[1]];
    let length = (axis[0] * axis[0] + axis[1] * axis[1]).sqrt();
    [0, 2].into_iter().all(|i| {
        let way = [to[i] - from[i], to[i + 1] - from[i + 1]];
        let off = [0, 1].map(|k| middle[i + k] - (from[i + k] + to[i + k]) / 2.0);
        let along = if length > 0.0 {
            (way[0] * axis[0] + way[1] * axis[1]) / length
        } else {
            (way[0] * way[0] + way[1] * way[1]).sqrt()
        };
        off[0] * off[0] + off[1] * off[1] <= CHORD * CHORD && along.abs() <= SLIDE
    })
}

/// The rectangle that a rod of some radius touches: left, top, right, bottom.
fn bounds(path: &[Moment], radius: f64) -> [f64; 4] {
    let start = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    let reach = radius + 1.5;
    path.iter().flat_map(|Moment { ends: e, .. }| [[e[0], e[1]], [e[2], e[3]]]).fold(start, |b, [x, y]| {
        [b[0].min(x - reach), b[1].min(y - reach), b[2].max(x + reach), b[3].max(y + reach)]
    })
}

/// The rod's light on each pixel, averaged over the exposure and the pixel; over the width of a rod at rest its mean is 1.
/// The radius at the tip is `1 - taper` of `radius`, and the more taper, the softer the light ends there. Only the part of the window that the rod touches comes back.
pub fn sweep(path: &[Moment], radius: f64, taper: f64, window: &Window) -> Mask {
    let mut mask = Mask::new(window.touched(bounds(path, radius)));
    if mask.window.is_empty() || radius <= 0.0 {
        return mask;
    }
    let mut sums = vec![0.0f64; mask.samples.len()];
    if let [still] = path {
        let stretch = Stretch::new(&still.ends, &still.ends, radius, taper);
        stretch.fading(still.surge).add(still.lit, &mask.window, &mut sums);
    }
    for pair in path.windows(2) {
        let share = (pair[1].time - pair[0].time) * (pair[0].lit + pair[1].lit) / 2.0;
        if share <= 0.0 {
            continue;
        }
        let surge = (pair[0].surge + pair[1].surge) / 2.0;
        let stretch = Stretch::new(&pair[0].ends, &pair[1].ends, radius, taper);
        stretch.fading(surge).add(share, &mask.window, &mut sums);
    }
    mask.samples.iter_mut().zip(&sums).for_each(|(m, s)| *m = s.clamp(0.0, PEAK) as f32);
    mask
}

/// Adds a short line of light to sums over a window, bright at its base and thin at its tip: `light` is that of a dot of the
/// radius, spread over its way.
pub fn streak(ends: &Ends, radius: f64, light: f64, window: &Window, sums: &mut [f64]) {
    let dot = 0.75 * std::f64::consts::PI * radius * radius;
    let way = (ends[2] - ends[0]).hypot(ends[3] - ends[1]);
    let taper = TAIL * (way / (way + 4.0 * radius));
    let share = dot / (dot + 2.0 * radius * way * (1.0 - taper / 2.0));
    Stretch::new(ends, ends, radius, taper).add(light * share, window, sums);
}

/// A value that changes evenly over the picture.
#[derive(Clone, Copy)]
struct Slant {
    x: f64,
    y: f64,
    origin: f64,
}

impl Slant {
    /// Distance along direction `u` from place `p`.
    fn along(u: [f64; 2], p: [f64; 2]) -> Self {
        Self { x: u[0], y: u[1], origin: -(u[0] * p[0] + u[1] * p[1]) }
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        self.x * x + self.y * y + self.origin
    }
}

/// One stretch of an exposure.
struct Stretch {
    /// Signed distance from the axis when the stretch begins and ends.
    before: Slant,
    after: Slant,
    /// Way along the axis, from its base, in the middle of the stretch.
    along: Slant,
    length: f64,
    /// Ways of base and tip along the axis, at least a pixel: how softly each end begins.
    base_ramp: f64,
    tip_ramp: f64,
    radius: f64,
    taper: f64,
    /// How far from the tip its light starts to fall off.
    fade: f64,
    /// Base and tip at both times.
    corners: [[f64; 2]; 4],
}

impl Stretch {
    fn new(from: &Ends, to: &Ends, radius: f64, taper: f64) -> Self {
        let middle: Ends = std::array::from_fn(|i| (from[i] + to[i]) / 2.0);
        let direction = |e: &Ends| {
            let (dx, dy) = (e[2] - e[0], e[3] - e[1]);
            let length = dx.hypot(dy);
            // A rod that points at the camera is a dot; any direction draws it.
            if length > 1e-9 { ([dx / length, dy / length], length) } else { ([1.0, 0.0], 0.0) }
        };
        let across = |e: &Ends| {
            let ([x, y], _) = direction(e);
            Slant::along([-y, x], [e[0], e[1]])
        };
        let (axis, length) = direction(&middle);
        let ramp =
            |i: usize| ((to[i] - from[i]) * axis[0] + (to[i + 1] - from[i + 1]) * axis[1]).abs().max(1.0);
        Self {
            before: across(from),
            after: across(to),
            along: Slant::along(axis, [middle[0], middle[1]]),
            length,
            base_ramp: ramp(0),
            tip_ramp: ramp(2),
            radius,
            taper,
            fade: FADE * taper * radius,
            corners: [[from[0], from[1]], [from[2], from[3]], [to[0], to[1]], [to[2], to[3]]],
        }
    }

    /// The same with an end that is lit in part only: light gives out there over some widths, and not at a cap.
    fn fading(mut self, surge: f64) -> Self {
        self.fade = self.fade.max(LIT_FADE * self.radius * surge);
        self
    }

    fn add(&self, share: f64, window: &Window, sums: &mut [f64]) {
        let reach = self.radius + 1.5;
        let rows = |y: f64| (y - window.y as f64).clamp(0.0, window.height as f64) as usize;
        let top = self.corners.iter().map(|c| c[1]).fold(f64::INFINITY, f64::min) - reach;
        let bottom = self.corners.iter().map(|c| c[1]).fold(f64::NEG_INFINITY, f64::max) + reach;
        let lines = sums.chunks_exact_mut(window.width).enumerate();
        for (row, line) in lines.take(rows(bottom.ceil())).skip(rows(top.floor())) {
            let y = (window.y + row as i64) as f64 + 0.5;
            let Some((left, right)) = self.columns(y, window) else { continue };
            for (column, sum) in line[left..right].iter_mut().enumerate() {
                let x = (window.x + (left + column) as i64) as f64 + 0.5;
                *sum += share * self.coverage(x, y);
            }
        }
    }

    /// Columns of a window's row that the rod may touch.
    fn columns(&self, y: f64, window: &Window) -> Option<(usize, usize)> {
        let reach = self.radius + 1.5;
        let (mut left, mut right) = (f64::INFINITY, f64::NEG_INFINITY);
        for (i, a) in self.corners.iter().enumerate() {
            for b in &self.corners[i + 1..] {
                let (a, b) = if a[1] <= b[1] { (a, b) } else { (b, a) };
                if b[1] < y - reach || a[1] > y + reach {
                    continue;
                }
                let x_at = |to: f64| {
                    let share = if b[1] > a[1] { ((to - a[1]) / (b[1] - a[1])).clamp(0.0, 1.0) } else { 0.0 };
                    a[0] + (b[0] - a[0]) * share
                };
                let level = if b[1] > a[1] { [x_at(y - reach), x_at(y + reach)] } else { [a[0], b[0]] };
                left = left.min(level[0].min(level[1]));
                right = right.max(level[0].max(level[1]));
            }
        }
        let column = |x: f64| (x - window.x as f64).clamp(0.0, window.width as f64);
        let (left, right) =
            (column((left - reach).floor()) as usize, column((right + reach).ceil()) as usize);
        (left < right).then_some((left, right))
    }

    /// The rod's mean light on the pixel around a place.
    fn coverage(&self, x: f64, y: f64) -> f64 {
        let s = self.along.at(x, y);
        let tip = self.radius * (1.0 - self.taper);
        // Round ends: past base and tip the radius shrinks as a circle's chord does.
        let base_end = (s + self.radius) / self.base_ramp;
        let tip_end = (self.length + tip - s) / self.tip_ramp;
        let lengthwise = (base_end + 0.5).clamp(0.0, 1.0) + (tip_end + 0.5).clamp(0.0, 1.0) - 1.0;
        if lengthwise <= 0.0 {
            return 0.0;
        }
        let part = if self.length > 0.0 { (s / self.length).clamp(0.0, 1.0) } else { 0.0 };
        let full = self.radius * (1.0 - self.taper * part * part);
        let over = (-s).max(s - self.length).max(0.0).min(full);
        let within = full * full - over * over;
        if within <= 1e-12 {
            return 0.0;
        }
        let mut peak = within / (full * full);
        let left = self.length + tip - s;
        if left < self.fade {
            let gone = 1.0 - left / self.fade;
            let kept = (1.0 - gone * gone).max(0.0);
            peak *= kept * kept;
        }
        lengthwise * peak * slab(self.before.at(x, y), self.after.at(x, y), within.sqrt())
    }
}

/// Mean, over distances from `a` to `b` and a pixel one wide, of the parabola that is [`PEAK`] on the axis and nothing at
/// `radius`.
fn slab(a: f64, b: f64, radius: f64) -> f64 {
    if a.min(b) > radius + 0.5 || a.max(b) < -radius - 0.5 {
        return 0.0;
    }
    let square = radius * radius;
    if (b - a).abs() < 1e-3 {
        // The parabola's antiderivative.
        let once = |d: f64| {
            let d = d.clamp(-radius, radius);
            PEAK * (d - d * d * d / (3.0 * square))
        };
        let middle = (a + b) / 2.0;
        return once(middle + 0.5) - once(middle - 0.5);
    }
    // That one's antiderivative.
    let twice = |d: f64| {
        let d = d.abs();
        let inside = d.min(radius);
        let i = inside * inside;
        PEAK * i * (0.5 - i / (12.0 * square)) + (2.0 * PEAK / 3.0) * radius * (d - inside)
    };
    let whole = |d: f64| twice(d + 0.5) - twice(d - 0.5);
    (whole(b) - whole(a)) / (b - a)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::curve::Ease;
    use crate::operators::shape::{Pace, Rod};
    use proptest::prelude::*;

    const WINDOW: Window = Window { x: -20, y: -20, width: 240, height: 160 };

    fn still(ends: Ends) -> Vec<Moment> {
        vec![Moment { time: 0.0, ends, lit: 1.0, surge: 0.0 }]
    }

    /// The mask's value at a place, between the four pixels around it.
    fn look(mask: &Mask, x: f64, y: f64) -> f64 {
        let (x, y) = (x - mask.window.x as f64 - 0.5, y - mask.window.y as f64 - 0.5);
        let (fx, fy) = (x - x.floor(), y - y.floor());
        let at = |dx: i64, dy: i64| {
            let (column, row) = (x.floor() as i64 + dx, y.floor() as i64 + dy);
            let (width, height) = (mask.window.width as i64, mask.window.height as i64);
            let is_inside = (0..width).contains(&column) && (0..height).contains(&row);
            if is_inside { f64::from(mask.row(row as usize)[column as usize]) } else { 0.0 }
        };
        (at(0, 0) * (1.0 - fx) + at(1, 0) * fx) * (1.0 - fy) + (at(0, 1) * (1.0 - fx) + at(1, 1) * fx) * fy
    }

    fn total(mask: &Mask) -> f64 {
        mask.samples.iter().map(|&s| f64::from(s)).sum()
    }

    #[test]
    fn a_rod_at_rest_has_the_light_of_its_width_and_round_ends() {
        let path = still([40.0, 60.0, 140.0, 60.0]);
        for radius in [0.3, 1.0, 3.5, 8.0] {
            let wanted = 2.0 * radius * 100.0 + 0.75 * std::f64::consts::PI * radius * radius;
            let got = total(&sweep(&path, radius, 0.0, &WINDOW));
            assert!((got - wanted).abs() < 0.01 * wanted, "{radius}: {got} for {wanted}");
        }
        let dot = still([50.0, 50.0, 50.0, 50.0]);
        assert!((total(&sweep(&dot, 5.0, 0.0, &WINDOW)) - 58.9).abs() < 1.5);
    }

    /// A rod that moves sideways spreads its light evenly: every pixel well inside the sweep is covered for
    /// width over way of the exposure, at any speed.
    #[test]
    fn a_fast_rod_leaves_no_steps() {
        for way in [7.0, 60.0, 119.0] {
            let path = exposure(|t| [-10.0, 10.0 + way * t, 230.0, 10.0 + way * t], 0.0, 1.0);
            let mask = sweep(&path, 2.6, 0.0, &WINDOW);
            for y in (16 - mask.window.y)..(way as i64 + 4 - mask.window.y) {
                let got = f64::from(mask.row(y as usize)[100]);
                assert!((got - 5.2 / way).abs() < 1e-6 || way < 8.0, "{way}: {got}");
            }
        }
    }

    #[test]
    fn a_turning_rod_is_smooth() {
        let path = exposure(
            |t| {
                let (sin, cos) = (t * 1.2).sin_cos();
                [20.0, 20.0, 20.0 + 110.0 * cos, 20.0 + 110.0 * sin]
            },
            0.0,
            1.0,
        );
        let mask = sweep(&path, 3.0, 0.0, &WINDOW);
        // Along an arc in the middle of the sweep, exposure is the same everywhere.
        let values: Vec<f64> = (20..50)
            .map(|degrees| {
                let (sin, cos) = f64::from(degrees).to_radians().sin_cos();
                look(&mask, 20.0 + 80.0 * cos, 20.0 + 80.0 * sin)
            })
            .collect();
        let wanted = 6.0 / (80.0 * 1.2);
        assert!(values.iter().all(|v| (v - wanted).abs() < 0.01 * wanted), "{wanted} {values:?}");
    }

    /// A rod of 170 px and 7 wide, keyed on two frames 80 degrees apart, seen for half a frame: whatever part of the
    /// swing the shutter sees, its rim is the arc.
    #[test]
    fn a_rod_that_turns_by_forty_degrees_ends_in_an_arc() {
        const RADIUS: f64 = 3.5;
        const LENGTH: f64 = 170.0;
        let window = Window { x: -40, y: -40, width: 300, height: 300 };
        let key = |degrees: f64| {
            let (sin, cos) = degrees.to_radians().sin_cos();
            [20.0, 20.0, 20.0 + LENGTH * cos, 20.0 + LENGTH * sin]
        };
        let span = crate::base::problem::Span::new(crate::base::problem::SourceId(0), 0, 0);
        let keys = vec![(1, key(-40.0)), (2, key(40.0)), (3, key(120.0))];
        let rod = Rod::new("keeper".into(), span, Pace::Flowing, keys);
        for (open, first) in [(1.5, 0.0), (1.75, 20.0), (2.0, 40.0)] {
            let path = exposure(|t| rod.at(t), open, open + 0.5);
            assert!(path.len() <= 65, "{} moments", path.len());
            let mask = sweep(&path, RADIUS, 0.0, &window);
            let area = 2.0 * RADIUS * LENGTH + 0.75 * std::f64::consts::PI * RADIUS * RADIUS;
            assert!((total(&mask) - area).abs() < 0.01 * area, "{} for {area}", total(&mask));
            for tenth in 40..=360 {
                let (sin, cos) = (first + f64::from(tenth) / 10.0).to_radians().sin_cos();
                // All light along a ray from ten pixels inside the rod's end on; at a distance d from the base the
                // rod passes with the speed d, so light times d is the rod's width there for each radian.
                let step = 0.05;
                let light = (-200..160).map(|i| LENGTH + (f64::from(i) + 0.5) * step);
                let light: f64 = light.map(|d| d * look(&mask, 20.0 + d * cos, 20.0 + d * sin) * step).sum();
                let cap = 3.0 * std::f64::consts::PI * RADIUS / 16.0;
                let end = light * 40f64.to_radians() / (2.0 * RADIUS) - 10.0 - cap;
                assert!(end.abs() < 0.25, "{open} {tenth}: the end is {end} px off");
            }
        }
    }

    /// A swing that speeds up, keyed on every frame: on the middle one the shutter sees the rod pass its key, and
    /// the light along an arc changes little by little, not at the key.
    #[test]
    fn a_rod_keyed_on_every_frame_leaves_no_seam() {
        let window = Window { x: -40, y: -40, width: 300, height: 300 };
        let keys = [-60.0, -50.0, -28.0, 24.0, 88.0f64].iter().enumerate().map(|(i, degrees)| {
            let (sin, cos) = degrees.to_radians().sin_cos();
            (i as i64, [20.0, 120.0, 20.0 + 170.0 * cos, 120.0 + 170.0 * sin])
        });
        let span = crate::base::problem::Span::new(crate::base::problem::SourceId(0), 0, 0);
        let mut rod = Rod::new("keeper".into(), span, Pace::Flowing, keys.collect());
        let mut steepest = |pace: Pace| {
            rod.pace = pace;
            let mask = sweep(&exposure(|t| rod.at(t), 1.75, 2.25), 3.5, 0.0, &window);
            let lights: Vec<f64> = (0..=20)
                .map(|half| {
                    let (sin, cos) = (-30.0 + f64::from(half) / 2.0).to_radians().sin_cos();
                    look(&mask, 20.0 + 140.0 * cos, 120.0 + 140.0 * sin)
                })
                .collect();
            lights.windows(3).map(|w| (w[2] - w[0]).abs() / w[1]).fold(0.0, f64::max)
        };
        let (flowing, linear) = (steepest(Pace::Flowing), steepest(Pace::Eased(Ease::Linear)));
        assert!(flowing < 0.1 && linear > 0.2, "{flowing} {linear}");
    }

    /// The light of 256 still rods at times spread over the exposure, nine places in each pixel, from the rod's definition alone:
    /// a parabola of the distance from it. A swing that speeds up is dimmer at its tip and where it is fast, by as much as this is.
    #[test]
    fn a_swing_is_the_mean_of_many_still_rods() {
        const RADIUS: f64 = 3.0;
        const TIMES: u32 = 256;
        let window = Window { x: 0, y: 0, width: 96, height: 96 };
        let ends = |t: f64| {
            let (sin, cos) = (0.1 + 0.5 * t + 0.8 * t * t).sin_cos();
            [8.0 + 5.0 * t, 9.0, 8.0 + 5.0 * t + 70.0 * cos, 9.0 + 70.0 * sin]
        };
        let rods: Vec<Ends> = (0..TIMES).map(|i| ends((f64::from(i) + 0.5) / f64::from(TIMES))).collect();
        let light = |[a, b, c, d]: &Ends, x: f64, y: f64| {
            let ([u, v], [p, q]) = ([c - a, d - b], [x - a, y - b]);
            let s = ((p * u + q * v) / (u * u + v * v)).clamp(0.0, 1.0);
            let off = (p - s * u).powi(2) + (q - s * v).powi(2);
            1.5 * (1.0 - off / (RADIUS * RADIUS)).max(0.0)
        };
        let mask = sweep(&exposure(ends, 0.0, 1.0), RADIUS, 0.0, &window);
        let (mut worst, mut most) = (0.0f64, 0.0f64);
        for (y, x) in (0..96).flat_map(|y| (0..96).map(move |x| (y, x))) {
            let places = (0..9).map(|i| {
                (f64::from(x) + f64::from(i % 3 * 2 + 1) / 6.0, f64::from(y) + f64::from(i / 3 * 2 + 1) / 6.0)
            });
            let all: f64 = places.map(|(x, y)| rods.iter().map(|rod| light(rod, x, y)).sum::<f64>()).sum();
            let wanted = all / 9.0 / f64::from(TIMES);
            let got = look(&mask, f64::from(x) + 0.5, f64::from(y) + 0.5);
            (worst, most) = (worst.max((got - wanted).abs()), most.max(wanted));
        }
        // Near the base the rods lie over one another; where they are apart the mean of still ones has ripples of its own.
        assert!(most > 0.5 && worst < 0.02, "{worst} of {most}");
        let along = |r: f64| {
            let (sin, cos) = 0.8f64.sin_cos();
            look(&mask, 10.0 + r * cos, 9.0 + r * sin)
        };
        assert!(along(20.0) > 1.5 * along(40.0) && along(40.0) > 1.3 * along(60.0));
    }

    /// What is lit in part gives out little by little, and a rod that is lit as a whole ends as before.
    #[test]
    fn the_end_of_what_is_lit_in_part_gives_out() {
        let part = |surge: f64| vec![Moment { surge, ..still([20.0, 60.0, 120.0, 60.0])[0] }];
        let [whole, lit] = [0.0, 1.0].map(|surge| sweep(&part(surge), 3.0, 0.0, &WINDOW));
        let along = |mask: &Mask, x: f64| look(mask, x, 60.0);
        assert!(along(&whole, 117.0) > 1.3 && along(&lit, 119.0) < 0.4);
        assert!((along(&whole, 80.0) - along(&lit, 80.0)).abs() < 1e-6);
        let steps: Vec<f64> = (80..126).map(|x| along(&lit, f64::from(x))).collect();
        assert!(steps.windows(2).all(|w| w[1] <= w[0] + 1e-9 && w[0] - w[1] < 0.25), "{steps:?}");
    }

    #[test]
    fn a_thrust_and_a_slant_are_true_to_the_area() {
        for to in [[90.0, 60.0, 190.0, 60.0], [80.0, 90.0, 180.0, 90.0], [40.0, 60.0, 41.0, 60.0]] {
            let from = [40.0, 60.0, 140.0, 60.0];
            let path = exposure(|t| std::array::from_fn(|i| from[i] + (to[i] - from[i]) * t), 0.0, 1.0);
            let length = (100.0 + to[2] - to[0]) / 2.0;
            let wanted = 6.0 * length + 0.75 * std::f64::consts::PI * 9.0;
            let got = total(&sweep(&path, 3.0, 0.0, &WINDOW));
            assert!((got - wanted).abs() < 0.01 * wanted, "{to:?}: {got} for {wanted}");
        }
    }

    proptest! {
        #[test]
        fn coverage_is_a_share_and_far_rods_are_cheap(
            a in proptest::array::uniform4(-1e6f64..1e6), b in proptest::array::uniform4(-300f64..300.0),
            radius in 0.0f64..40.0, taper in 0.0f64..1.0,
        ) {
            for path in [exposure(|t| std::array::from_fn(|i| a[i] + (b[i] - a[i]) * t), 0.0, 1.0), still(b)] {
                let mask = sweep(&path, radius, taper, &WINDOW);
                prop_assert!(mask.samples.iter().all(|s| (0.0..=1.5).contains(s)));
            }
        }
    }
}
