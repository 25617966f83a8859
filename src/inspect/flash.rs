//! Flashing picture: how many flashes fall within a second, over how much of the screen, general and red.
//!
//! Knows light by cells of the screen and the published limits. Rec. ITU-R BT.1702-3 (2023) and the definitions of general
//! and red flash in WCAG 2.2. To be within them is no medical guarantee: broadcasters' own tests and local rules decide.

use std::collections::VecDeque;

use crate::base::frames::FrameRange;

use super::cells::{hull, luma};

/// What must be said wherever flashing was measured, whatever came out.
pub const CAUTION: &str = "Measured by the limits of Rec. ITU-R BT.1702-3 and WCAG 2.2. A pass is no medical guarantee: some viewers \
                           are more sensitive, and broadcasters' own tests and local rules decide.";

/// Changes within a second that are more than three flashes: a flash is a pair of opposing changes. Readings of the rule
/// differ between seven changes and eight; seven is the safer one.
pub const TOO_MANY: usize = 7;
/// Share of the screen beyond which BT.1702 counts it, and share of a field of view beyond which WCAG does.
pub const AREA: f64 = 0.25;
/// A field of view of ten degrees, as a share of the screen's width and height (WCAG: 341 x 256 of 1024 x 768).
const FIELD: f64 = 1.0 / 3.0;
/// A change of light that counts, and the darker side below which it does, in cd/m².
const CHANGE: f32 = 20.0;
const DARK: f32 = 160.0;
/// The contrast (Michelson) that counts on a brighter screen where the darker side is not below [`DARK`].
const CONTRAST: f32 = 1.0 / 17.0;
/// Share of red in linear light from which it is saturated, and the distance in CIE 1976 u'v' that counts.
const RED: f32 = 0.8;
const APART: f32 = 0.2;

/// What is looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Screen {
    /// Cells across and down.
    pub cells: (usize, usize),
    /// Frames a second.
    pub rate: f64,
    /// Light of white, in cd/m²; 200 where nothing else is known.
    pub white: f32,
    /// True for pictures brighter than that, whose bright parts count too.
    pub hdr: bool,
}

/// Frames in which too much of the screen flashes too often.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// Numbers of the frames at which more than three flashes lie within the second before.
    pub frames: FrameRange,
    /// The first frame of the changes that are counted.
    pub since: i64,
    /// True for red flashes.
    pub red: bool,
    /// Most changes within a second in a cell.
    pub changes: usize,
    /// Largest share of the screen that flashes, 0 to 1.
    pub area: f64,
    /// Largest share of a field of view of ten degrees.
    pub field: f64,
    /// Largest of the changes of light counted, in cd/m²; 0 for red ones.
    pub change: f32,
    /// The frame at which most of the screen flashes.
    pub shows: i64,
    /// The cells that flash in any of the frames: first column and row, last column and row.
    pub place: [usize; 4],
}

impl Run {
    /// More than a quarter of the screen: beyond the limit of BT.1702.
    pub fn is_beyond_bt1702(&self) -> bool {
        self.area > AREA
    }

    /// More than a quarter of a field of ten degrees: beyond the limit of WCAG 2.2.
    pub fn is_beyond_wcag(&self) -> bool {
        self.field > AREA
    }
}

/// Changes of one cell.
#[derive(Clone, Debug, Default)]
struct Cell {
    /// The least and most light since the last change, and which way that went.
    extremes: Option<[f32; 2]>,
    rises: Option<bool>,
    /// The lowest u' since the last change, or the saturated red that it changed to.
    colour: Option<([f32; 2], bool)>,
    light: VecDeque<(i64, f32)>,
    red: VecDeque<i64>,
}

/// Follows a film frame by frame.
#[derive(Clone, Debug)]
pub struct Flashes {
    screen: Screen,
    cells: Vec<Cell>,
    open: [Option<Run>; 2],
    found: Vec<Run>,
    most: [usize; 2],
}

impl Flashes {
    /// Nothing seen yet.
    pub fn new(screen: Screen) -> Self {
        let cells = vec![Cell::default(); screen.cells.0 * screen.cells.1];
        Self { screen, cells, open: [None, None], found: Vec::new(), most: [0; 2] }
    }

    /// Takes in the next frame: linear display light of Rec. 709 primaries by cell, row by row, white at 1.
    ///
    /// # Panics
    /// When there are not as many cells as were told.
    pub fn take(&mut self, frame: i64, cells: &[[f32; 3]]) {
        assert_eq!(cells.len(), self.cells.len(), "cells");
        let screen = self.screen;
        // A change exactly one second later is not within it.
        let since = |at: i64| (frame - at) as f64 / screen.rate < 1.0;
        let mut flashing = [Tally::of(&screen), Tally::of(&screen)];
        for (i, (cell, &light)) in self.cells.iter_mut().zip(cells).enumerate() {
            cell.follow(frame, light.map(|v| if v.is_finite() { v.max(0.0) } else { 0.0 }), &screen);
            while cell.light.front().is_some_and(|(at, _)| !since(*at)) {
                cell.light.pop_front();
            }
            while cell.red.front().is_some_and(|at| !since(*at)) {
                cell.red.pop_front();
            }
            let first = [cell.light.front().map(|(at, _)| *at), cell.red.front().copied()];
            for (kind, count) in [cell.light.len(), cell.red.len()].into_iter().enumerate() {
                self.most[kind] = self.most[kind].max(count);
                if count >= TOO_MANY {
                    let change = cell.light.iter().fold(0f32, |most, (_, change)| most.max(*change));
                    flashing[kind].add(
                        i,
                        count,
                        first[kind].unwrap_or(frame),
                        if kind == 0 { change } else { 0.0 },
                    );
                }
            }
        }
        for (kind, tally) in flashing.into_iter().enumerate() {
            self.note(frame, kind, &tally);
        }
    }

    fn note(&mut self, frame: i64, kind: usize, tally: &Tally) {
        let (area, field) = tally.shares();
        let place = tally.hull().filter(|_| area > AREA || field > AREA);
        let Some(place) = place else {
            self.found.extend(self.open[kind].take());
            return;
        };
        let run = self.open[kind].get_or_insert_with(|| Run {
            frames: FrameRange::one(frame),
            since: tally.first,
            red: kind == 1,
            changes: 0,
            area: 0.0,
            field: 0.0,
            change: 0.0,
            shows: frame,
            place,
        });
        run.frames.last = frame;
        let ([l, t, r, b], [left, top, right, bottom]) = (place, run.place);
        run.place = [left.min(l), top.min(t), right.max(r), bottom.max(b)];
        if area > run.area {
            run.shows = frame;
        }
        run.changes = run.changes.max(tally.most);
        (run.area, run.field) = (run.area.max(area), run.field.max(field));
        run.change = run.change.max(tally.change);
    }

    /// Most changes of light and of red in any cell within a second.
    pub fn most(&self) -> [usize; 2] {
        self.most
    }

    /// True while frames of that kind, of light or of red, are beyond a limit.
    pub fn is_beyond(&self, red: bool) -> bool {
        self.open[usize::from(red)].is_some()
    }

    /// The runs that have ended since they were last asked for.
    pub fn ended(&mut self) -> Vec<Run> {
        std::mem::take(&mut self.found)
    }

    /// What was beyond a limit and was not asked for yet, in order.
    pub fn end(mut self) -> Vec<Run> {
        let open = self.open.into_iter().flatten();
        self.found.extend(open);
        self.found.sort_by_key(|run| (run.frames.first, run.red));
        self.found
    }
}

impl Cell {
    fn follow(&mut self, frame: i64, rgb: [f32; 3], screen: &Screen) {
        let light = screen.white * luma(rgb);
        self.follow_light(frame, light, screen);
        self.follow_red(frame, rgb);
    }

    /// A change is told when the light has come far enough from its last extreme, however many frames it took.
    fn follow_light(&mut self, frame: i64, light: f32, screen: &Screen) {
        let [low, high] = self.extremes.unwrap_or([light; 2]);
        let goes = |rises: bool, from: f32| {
            self.rises != Some(rises) && (light > from) == rises && counts(from, light, screen.hdr)
        };
        let change = [(true, low), (false, high)].into_iter().find(|&(rises, from)| goes(rises, from));
        match change {
            Some((rises, from)) => {
                self.light.push_back((frame, (light - from).abs()));
                self.rises = Some(rises);
                self.extremes = Some([light; 2]);
            }
            None => self.extremes = Some([low.min(light), high.max(light)]),
        }
    }

    fn follow_red(&mut self, frame: i64, [r, g, b]: [f32; 3]) {
        let sum = r + g + b;
        // Black has no colour of its own.
        if sum <= 1e-4 {
            return;
        }
        let is_red = r / sum >= RED;
        let uv = chromaticity([r, g, b]);
        let Some((last, was_red)) = self.colour else {
            self.colour = Some((uv, is_red));
            return;
        };
        let far = (uv[0] - last[0]).hypot(uv[1] - last[1]) > APART;
        if far && (is_red || was_red) {
            self.red.push_back(frame);
            self.colour = Some((uv, is_red));
        } else if !was_red && uv[0] < last[0] {
            self.colour = Some((uv, is_red));
        }
    }
}

fn counts(a: f32, b: f32, hdr: bool) -> bool {
    let (dark, bright) = (a.min(b), a.max(b));
    if dark < DARK { bright - dark >= CHANGE } else { hdr && (bright - dark) / (bright + dark) >= CONTRAST }
}

/// CIE 1976 u'v' of linear light of Rec. 709 primaries (IEC 61966-2-1's matrix, as WCAG writes it).
fn chromaticity([r, g, b]: [f32; 3]) -> [f32; 2] {
    let x = 0.412_456_4 * r + 0.357_576_1 * g + 0.180_437_5 * b;
    let y = 0.212_672_9 * r + 0.715_152_2 * g + 0.072_175_0 * b;
    let z = 0.019_333_9 * r + 0.119_192 * g + 0.950_304_1 * b;
    let sum = x + 15.0 * y + 3.0 * z;
    [4.0 * x / sum, 9.0 * y / sum]
}

/// Cells that flash at one frame.
struct Tally {
    cells: (usize, usize),
    flashes: Vec<bool>,
    count: usize,
    most: usize,
    first: i64,
    change: f32,
}

impl Tally {
    fn of(screen: &Screen) -> Self {
        let cells = screen.cells;
        Self { cells, flashes: Vec::new(), count: 0, most: 0, first: i64::MAX, change: 0.0 }
    }

    fn add(&mut self, cell: usize, changes: usize, first: i64, change: f32) {
        self.flashes.resize(self.cells.0 * self.cells.1, false);
        self.flashes[cell] = true;
        self.count += 1;
        self.most = self.most.max(changes);
        self.first = self.first.min(first);
        self.change = self.change.max(change);
    }

    fn hull(&self) -> Option<[usize; 4]> {
        hull(self.cells.0, (0..self.flashes.len()).filter(|&i| self.flashes[i]))
    }

    /// Shares of the screen, and of the field of view that has most of it.
    fn shares(&self) -> (f64, f64) {
        if self.count == 0 {
            return (0.0, 0.0);
        }
        let (width, height) = self.cells;
        let side = |n: usize| ((n as f64 * FIELD).round() as usize).clamp(1, n);
        let (across, down) = (side(width), side(height));
        // Sums over all cells above and to the left.
        let mut sums = vec![0usize; (width + 1) * (height + 1)];
        for y in 0..height {
            let mut row = 0;
            for x in 0..width {
                row += usize::from(self.flashes[y * width + x]);
                sums[(y + 1) * (width + 1) + x + 1] = sums[y * (width + 1) + x + 1] + row;
            }
        }
        let at = |x: usize, y: usize| sums[y * (width + 1) + x];
        let fields = (0..=height - down).flat_map(|y| (0..=width - across).map(move |x| (x, y)));
        let most = fields
            .map(|(x, y)| at(x + across, y + down) + at(x, y) - at(x, y + down) - at(x + across, y))
            .max()
            .unwrap_or(0);
        (self.count as f64 / (width * height) as f64, most as f64 / (across * down) as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const J: &str = include_str!("../../tests/checks/flash.json");

    fn screen(rate: f64) -> Screen {
        Screen { cells: (20, 20), rate, white: 200.0, hdr: false }
    }

    fn watch(screen: Screen, area: f64, frames: impl Iterator<Item = [f32; 3]>) -> ([usize; 2], Vec<Run>) {
        let mut flashes = Flashes::new(screen);
        let (all, lit) = (
            screen.cells.0 * screen.cells.1,
            (area * (screen.cells.0 * screen.cells.1) as f64).round() as usize,
        );
        for (n, light) in frames.enumerate() {
            let cells: Vec<[f32; 3]> = (0..all).map(|i| if i < lit { light } else { [0.05; 3] }).collect();
            flashes.take(n as i64 + 1, &cells);
        }
        (flashes.most(), flashes.end())
    }

    fn runs<'a>(list: &'a serde_json::Value) -> impl Iterator<Item = &'a serde_json::Value> + 'a {
        list.as_array()
            .unwrap()
            .iter()
            .flat_map(|pair| std::iter::repeat_n(&pair[0], pair[1].as_u64().unwrap() as usize))
    }

    #[test]
    fn sequences_of_the_published_limits() {
        let checks: serde_json::Value = serde_json::from_str(J).unwrap();
        for case in checks["sequences"].as_array().unwrap() {
            let id = case["id"].as_str().unwrap();
            let area = case["area_fraction_of_screen"].as_f64().unwrap();
            let light =
                || runs(&case["luminance_cd_m2_run_length"]).map(|v| [v.as_f64().unwrap() as f32 / 200.0; 3]);
            let rate = case["fps"].as_f64().unwrap();
            let (most, found) = watch(screen(rate), area, light());
            assert_eq!(most[0] as u64, case["max_transitions_in_1s_bt1702_sdr"].as_u64().unwrap(), "{id}");
            let fails = case["verdict_bt1702_sdr"].as_str().unwrap().starts_with("FAIL");
            assert_eq!(found.iter().any(Run::is_beyond_bt1702), fails, "{id}: {found:?}");
            if let Some(hdr) = case["max_transitions_in_1s_bt1702_hdr"].as_u64() {
                let (most, found) = watch(Screen { hdr: true, ..screen(rate) }, area, light());
                assert_eq!((most[0] as u64, found.len()), (hdr, 1), "{id}");
            }
        }
    }

    #[test]
    fn red_of_the_published_definition() {
        let checks: serde_json::Value = serde_json::from_str(J).unwrap();
        let linear = |v: f64| {
            let v = v / 255.0;
            (if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055f64).powf(2.4) }) as f32
        };
        for case in checks["red_sequences"].as_array().unwrap() {
            let id = case["id"].as_str().unwrap();
            let light =
                runs(&case["srgb8_run_length"]).map(|v| [0, 1, 2].map(|c| linear(v[c].as_f64().unwrap())));
            let (most, found) = watch(screen(case["fps"].as_f64().unwrap()), 1.0, light);
            assert_eq!(most[1] as u64, case["max_red_transitions_in_1s"].as_u64().unwrap(), "{id}");
            assert_eq!(found.iter().any(|run| run.red), case["verdict_red"] == "FAIL", "{id}");
        }
    }

    #[test]
    fn patterns_of_the_open_test_set() {
        let checks: serde_json::Value = serde_json::from_str(J).unwrap();
        let linear = |v: f64| ((v / 255.0 + 0.055) / 1.055f64).powf(2.4) as f32;
        let mut seen = 0;
        for case in checks["open_dataset"]["subset"].as_array().unwrap() {
            let Some(list) = case.get("grey_code_run_length") else { continue };
            let light = runs(list).map(|v| [linear(v.as_f64().unwrap()); 3]);
            let (most, found) = watch(screen(30.0), 1.0, light);
            if let Some(count) = case["max_transitions_in_1s_peak_valley"].as_u64() {
                assert_eq!(most[0] as u64, count, "{case}");
            }
            assert_eq!(found.is_empty(), case["verdict"] == "PASS", "{case}");
            seen += 1;
        }
        assert!(seen > 10, "{seen}");
    }

    #[test]
    fn a_change_is_measured_from_the_extreme_before_it() {
        let (most, _) = watch(screen(24.0), 1.0, [50.0, 60.0, 39.0].map(|v: f32| [v / 200.0; 3]).into_iter());
        assert_eq!(most[0], 1);
        let (most, _) = watch(screen(24.0), 1.0, [50.0, 58.0, 40.0].map(|v: f32| [v / 200.0; 3]).into_iter());
        assert_eq!(most[0], 0);
    }

    #[test]
    fn a_small_field_of_view_counts_by_itself() {
        let light = (0..48).map(|n| [if n % 2 == 0 { 0.05 } else { 0.5 }; 3]);
        let (_, found) = watch(screen(24.0), 0.2, light);
        assert_eq!(found.len(), 1);
        assert!(!found[0].is_beyond_bt1702() && found[0].is_beyond_wcag());
        assert_eq!((found[0].frames.first, found[0].since), (8, 2));
    }
}
