//! Borders of a picture: lines that do not belong to it, and bars.
//!
//! Knows the luma of the outermost lines and counts of lit pixels. Does not know what lasts from frame to frame.

use super::finding::{PixelBox, Side};
use super::rules::Rules;
use super::sight::Row;

/// Lines that are kept at each side. The outer ones may be wrong; the inner ones show what the picture is like.
pub const KEPT: usize = 6;
/// Luma from which a place along the border is bright enough to tell lines apart.
const BRIGHT: f32 = 0.06;
/// The least difference of luma that makes a line unlike its neighbour.
const LEAST: f32 = 0.02;
/// Share of lit pixels up to which a line is part of a bar, and from which the line inside the bar shows its edge.
const DARK: f64 = 0.002;
const LIT: f64 = 0.5;

/// Luma of the outermost lines, outermost first, by side.
#[derive(Clone, Debug, PartialEq)]
pub struct Borders {
    picture: PixelBox,
    lines: [[Vec<f32>; KEPT]; 4],
}

/// What a side of the picture looks like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Edge {
    /// Too dark to tell.
    Unclear,
    /// The outermost line belongs to the picture.
    Clean,
    /// Lines that do not belong.
    Lines {
        /// How many.
        lines: u32,
        /// Brighter than the picture, or darker.
        bright: bool,
        /// Luma of the outermost line over that of the picture.
        ratio: f32,
        /// Share of the length along which they are unlike the picture.
        share: f32,
    },
}

/// Dark lines at a side of the frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Dark {
    /// How many in a row from the border.
    pub lines: u32,
    /// True when the next line is lit along most of its length, as where a bar ends.
    pub ends_sharply: bool,
}

impl Borders {
    /// Of the declared `picture`, or of the whole frame.
    pub fn new(width: u32, height: u32, picture: Option<PixelBox>) -> Self {
        let whole = PixelBox::new(0, 0, width, height);
        let picture = picture.filter(|p| p.left + p.width <= width && p.top + p.height <= height);
        let picture = picture.unwrap_or(whole);
        let small = (picture.width.min(picture.height) as usize) < 2 * KEPT;
        let length = |side| match side {
            _ if small => 0,
            Side::Top | Side::Bottom => picture.width as usize,
            Side::Left | Side::Right => picture.height as usize,
        };
        let lines = Side::ALL.map(|side| std::array::from_fn(|_| vec![0.0; length(side)]));
        Self { picture, lines }
    }

    /// Takes in luma of row `y` from column `from` on.
    pub fn take(&mut self, y: usize, from: usize, luma: &[f32]) {
        let PixelBox { left, top, width, height } = self.picture;
        let [left, top, width, height] = [left, top, width, height].map(|v| v as usize);
        let end = from + luma.len();
        if self.lines[0][0].is_empty() || y < top || y >= top + height {
            return;
        }
        let y = y - top;
        let (start, stop) = (from.max(left), end.min(left + width));
        for (side, line) in [(0, y), (1, height - 1 - y)] {
            if line < KEPT && start < stop {
                let to = &mut self.lines[side][line][start - left..stop - left];
                to.copy_from_slice(&luma[start - from..stop - from]);
            }
        }
        for line in 0..KEPT {
            for (side, x) in [(2, left + line), (3, left + width - 1 - line)] {
                if (from..end).contains(&x) {
                    self.lines[side][line][y] = luma[x - from];
                }
            }
        }
    }

    /// Judges all four sides.
    pub fn edges(&self, rules: &Rules) -> [Edge; 4] {
        [0, 1, 2, 3].map(|side| edge(&self.lines[side], rules))
    }
}

/// How a line lies against the next one inside: shares that are darker and brighter, where it is bright enough to tell.
fn against(line: &[f32], inner: &[f32], change: f32) -> Option<(f32, f32)> {
    let (mut told, mut darker, mut brighter) = (0u32, 0u32, 0u32);
    for (a, b) in line.iter().zip(inner) {
        let far = LEAST.max(change * b);
        told += u32::from(a.max(*b) > BRIGHT);
        darker += u32::from(b - a > far);
        brighter += u32::from(a - b > far);
    }
    let enough = f64::from(told) >= LIT * line.len() as f64 && told > 0;
    enough.then(|| (darker as f32 / told as f32, brighter as f32 / told as f32))
}

fn edge(lines: &[Vec<f32>; KEPT], rules: &Rules) -> Edge {
    let (length, change) = (rules.edge_length() as f32, rules.edge_change() as f32);
    let pairs: [_; KEPT - 1] = std::array::from_fn(|k| against(&lines[k], &lines[k + 1], change));
    let Some(inside) = pairs[KEPT - 2] else { return Edge::Unclear };
    // A picture that is all lines, or that fades towards its border, has no line that does not belong.
    if inside.0.max(inside.1) > 0.5 {
        return Edge::Clean;
    }
    let unlike = (0..KEPT - 2).rev().find_map(|k| {
        let (darker, brighter) = pairs[k]?;
        let share = darker.max(brighter);
        (share >= length).then_some((k, brighter > darker, share))
    });
    let Some((k, bright, share)) = unlike else { return Edge::Clean };
    let mean = |line: &[f32]| line.iter().sum::<f32>() / line.len() as f32;
    let ratio = mean(&lines[0]) / mean(&lines[k + 1]).max(1e-6);
    Edge::Lines { lines: k as u32 + 1, bright, ratio, share }
}

/// Dark lines from each border on, by counts of lit pixels; nothing when the whole frame is dark.
pub fn dark(rows: &[Row], columns: &[u32]) -> Option<[Dark; 4]> {
    let (width, height) = (columns.len(), rows.len());
    let depth = |lit: &mut dyn Iterator<Item = u32>, length: usize| {
        lit.take_while(|&lit| f64::from(lit) <= DARK * length as f64).count()
    };
    let row = |y: usize| rows[y].lit;
    let top = depth(&mut (0..height).map(row), width);
    let left = depth(&mut columns.iter().copied(), height);
    if top == height || left == width {
        return None;
    }
    let bottom = depth(&mut (0..height).rev().map(row), width);
    let right = depth(&mut columns.iter().rev().copied(), height);
    // What the other pair of bars hides cannot be lit.
    let across = (width - left - right.min(width - left)) as f64;
    let down = (height - top - bottom.min(height - top)) as f64;
    let ends = |lines: usize, next: u32, length: f64| Dark {
        lines: lines as u32,
        ends_sharply: f64::from(next) >= LIT * length,
    };
    Some([
        ends(top, row(top), across),
        ends(bottom, row(height - 1 - bottom), across),
        ends(left, columns[left], down),
        ends(right, columns[width - 1 - right], down),
    ])
}
