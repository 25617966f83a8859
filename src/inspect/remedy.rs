//! Flashing over a film as findings, and what would bring it under the limits.
//!
//! Knows the light of past frames, so that it can count them again: with less contrast, or slowed. Does not know pixels.

use std::collections::VecDeque;

use super::cells::{Cells, Grid};
use super::finding::{Finding, Kind, Weight};
use super::flash::{AREA, Flashes, Run, Screen};
use super::rules::Rules;

/// Seconds before flashing begins that are kept to count again.
const BEFORE: f64 = 2.0;
/// Seconds of flashing that are counted again at most: what is longer is judged by its beginning.
const MOST: f64 = 20.0;
/// Steps of contrast and of speed that are told apart.
const STEPS: u32 = 1000;

/// What would bring flashing under the limits, each by itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Remedy {
    /// The largest factor, in thousandths, by which each place's departures from its own mean light over these frames may be
    /// multiplied.
    pub contrast: f64,
    /// The fastest speed, as a share of what it is now, in thousandths.
    pub speed: f64,
    /// Frames from the beginning of a flash to that of the next, at least.
    pub frames_apart: i64,
    /// By what the flashing area would have to be multiplied.
    pub area: f64,
}

/// Frames from flash to flash so that no second holds more than three: 9 of 25 a second, 10 of 30, as BT.1702 has it.
pub fn frames_apart(rate: f64) -> i64 {
    (rate / 3.0).ceil() as i64
}

/// Light of a frame's cells.
type Light = (i64, Vec<[f32; 3]>);

/// Follows flashing and keeps what is needed to tell a way out.
pub struct Flashing {
    screen: Screen,
    grid: Grid,
    flashes: Flashes,
    past: VecDeque<Light>,
}

impl Flashing {
    /// For frames of that grid.
    pub fn new(grid: Grid, rules: &Rules) -> Self {
        let (white, hdr) = (rules.flash_white() as f32, rules.hdr);
        let screen = Screen { cells: grid.cells, rate: rules.rate, white, hdr };
        Self { screen, grid, flashes: Flashes::new(screen), past: VecDeque::new() }
    }

    /// True when frames of that grid can go on.
    pub fn fits(&self, grid: Grid) -> bool {
        self.grid == grid
    }

    /// Takes in the next frame; gives what ended with it.
    pub fn take(&mut self, frame: i64, cells: &Cells) -> Vec<Finding> {
        self.flashes.take(frame, &cells.light);
        let found = self.flashes.ended().iter().map(|run| self.finding(run)).collect();
        let is_open = self.flashes.is_beyond(false) || self.flashes.is_beyond(true);
        while !is_open
            && self.past.front().is_some_and(|(at, _)| ((frame - at) as f64) > BEFORE * self.screen.rate)
        {
            self.past.pop_front();
        }
        if (self.past.len() as f64) < (BEFORE + MOST) * self.screen.rate {
            self.past.push_back((frame, cells.light.clone()));
        }
        found
    }

    /// What was under way when the film ended.
    pub fn end(mut self) -> Vec<Finding> {
        let flashes = std::mem::replace(&mut self.flashes, Flashes::new(self.screen));
        flashes.end().iter().map(|run| self.finding(run)).collect()
    }

    fn finding(&self, run: &Run) -> Finding {
        let past: Vec<&Light> = self.past.iter().filter(|(at, _)| *at <= run.frames.last).collect();
        let remedy = remedy(&past, self.screen, run);
        let weight = if run.is_beyond_bt1702() { Weight::Fault } else { Weight::Suspect };
        let frames = crate::base::frames::FrameRange::new(run.since, run.frames.last);
        Finding {
            kind: Kind::Flash {
                red: run.red,
                changes: run.changes,
                area: run.area,
                field: run.field,
                remedy,
            },
            weight,
            frames,
            amount: run.changes as f64 / 2.0,
            unit: "flashes within a second",
            limit: 3.0,
            place: Some(self.grid.pixels(run.place)),
            shows: run.shows,
        }
    }
}

/// What would bring `run` under; nothing when the frames that are left do not show it again.
fn remedy(past: &[&Light], screen: Screen, run: &Run) -> Option<Remedy> {
    let means = means(past);
    let contrast = most(|factor| is_within(past, &means, factor, screen, run.red))?;
    let slowed = |speed: f64| Screen { rate: screen.rate * speed, ..screen };
    let speed = most(|speed| is_within(past, &means, 1.0, slowed(speed), run.red))?;
    let area = AREA / run.area.max(if run.is_beyond_bt1702() { 0.0 } else { run.field });
    Some(Remedy { contrast, speed, frames_apart: frames_apart(screen.rate), area: area.min(1.0) })
}

/// The largest number of thousandths at which `is_within` holds, when it does not hold at one: at the next one it does not.
fn most(is_within: impl Fn(f64) -> bool) -> Option<f64> {
    let at = |step: u32| f64::from(step) / f64::from(STEPS);
    let (mut under, mut beyond) = (0, STEPS);
    if is_within(at(beyond)) {
        return None;
    }
    while beyond - under > 1 {
        let middle = under.midpoint(beyond);
        if is_within(at(middle)) { under = middle } else { beyond = middle }
    }
    Some(at(under))
}

fn means(past: &[&Light]) -> Vec<[f32; 3]> {
    let mut sums = vec![[0f64; 3]; past.first().map_or(0, |(_, light)| light.len())];
    for (_, light) in past {
        for (sum, light) in sums.iter_mut().zip(light) {
            *sum = [0, 1, 2].map(|c| sum[c] + f64::from(light[c]));
        }
    }
    sums.into_iter().map(|sum| sum.map(|v| (v / past.len() as f64) as f32)).collect()
}

/// Counts again with departures from `means` multiplied by `factor`.
pub fn is_within(past: &[&Light], means: &[[f32; 3]], factor: f64, screen: Screen, red: bool) -> bool {
    let factor = factor as f32;
    let mut flashes = Flashes::new(screen);
    let mut cells = Vec::with_capacity(means.len());
    for (frame, light) in past {
        cells.clear();
        let mixed = |(l, m): (&[f32; 3], &[f32; 3])| [0, 1, 2].map(|c| m[c] + factor * (l[c] - m[c]));
        cells.extend(light.iter().zip(means).map(mixed));
        flashes.take(*frame, &cells);
        if flashes.is_beyond(red) {
            return false;
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn flicker(
        dark: f32,
        bright: f32,
        period: i64,
        lit: f64,
        rate: f64,
    ) -> (Flashing, Vec<Light>, Vec<Finding>) {
        let grid = Grid::of(64, 36);
        let rules = Rules { rate, ..Rules::default() };
        let mut flashing = Flashing::new(grid, &rules);
        let cells = (lit * grid.count() as f64).round() as usize;
        let mut frames = Vec::new();
        let mut found = Vec::new();
        for n in 0..(3.0 * rate) as i64 {
            let level = if n % period < period / 2 { dark } else { bright };
            let light: Vec<[f32; 3]> =
                (0..grid.count()).map(|i| if i < cells { [level; 3] } else { [0.2; 3] }).collect();
            let detail = vec![0.0; grid.count()];
            found.extend(flashing.take(n, &Cells { grid, light: light.clone(), detail }));
            frames.push((n, light));
        }
        (flashing, frames, found)
    }

    fn told(found: &[Finding]) -> (Remedy, Finding) {
        let Kind::Flash { remedy: Some(remedy), .. } = found[0].kind else { panic!("{found:?}") };
        (remedy, found[0].clone())
    }

    #[test]
    fn flashes_need_the_published_distance() {
        assert_eq!([24.0, 25.0, 30.0, 60.0].map(frames_apart), [8, 9, 10, 20]);
    }

    #[test]
    fn a_strobe_is_told_with_its_place_and_its_way_out() {
        // 10 and 100 cd/m² on the left three fifths of the screen, six times a second.
        let (flashing, _, found) = flicker(0.05, 0.5, 4, 0.6, 24.0);
        assert!(found.is_empty());
        let found = flashing.end();
        let (remedy, finding) = told(&found);
        assert_eq!((found.len(), finding.weight), (1, Weight::Fault));
        assert_eq!(finding.place, Some(crate::inspect::finding::PixelBox::new(0, 0, 64, 22)));
        assert!((finding.frames.first, finding.frames.last) == (2, 71), "{:?}", finding.frames);
        // The change of 90 must come under 20: a factor of 0.222.
        assert!((remedy.contrast - 0.222).abs() < 1.5e-3, "{remedy:?}");
        // Six flashes a second: half of the speed leaves three.
        assert!((0.45..=0.5).contains(&remedy.speed), "{remedy:?}");
        assert_eq!(remedy.frames_apart, 8);
        assert!((remedy.area - 0.25 / (1376.0 / 2304.0)).abs() < 0.02, "{remedy:?}");
        assert!(finding.sentence().contains("0.22"), "{}", finding.sentence());
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        #[test]
        fn what_is_told_brings_it_under_and_no_more_does(
            dark in 0.0f32..0.5, change in 0.12f32..0.5, period in 2i64..7, lit in 0.3f64..1.0, rate in 23.0f64..31.0,
        ) {
            let period = period / 2 * 2;
            let (flashing, frames, mut found) = flicker(dark, dark + change, period, lit, rate);
            let screen = flashing.screen;
            found.extend(flashing.end());
            let (remedy, _) = told(&found);
            let frames: Vec<&Light> = frames.iter().collect();
            let means = means(&frames);
            let within = |factor: f64| is_within(&frames, &means, factor, screen, false);
            prop_assert!(within(remedy.contrast));
            prop_assert!(!within(remedy.contrast + 0.001));
            let slowed = |speed: f64| {
                is_within(&frames, &means, 1.0, Screen { rate: screen.rate * speed, ..screen }, false)
            };
            prop_assert!(slowed(remedy.speed) && !slowed(remedy.speed + 0.001));
        }
    }
}
