//! What one frame shows by itself.
//!
//! Knows a frame's pixels and the rules. Does not know other frames: any thread may look at any frame, in any order, and sees
//! the same. A look keeps no picture: about 40 kB whatever the frame's size.

use crate::base::level::Level;
use crate::media::image::Image;

use super::cells::Cells;
use super::edges::{Dark, Edge, dark};
use super::finding::{PixelBox, Side};
use super::levels::{Outside, outside};
use super::rules::Rules;
use super::sight::{Row, Sight, colours, is_opaque, see};

/// Alpha from which a pixel hides what is behind it: half a code of 8 bits below one.
const OPAQUE: f32 = 0.998;
/// Lines along a border that are told as lying along it, at most.
const ALONG: u32 = 8;

/// Pixels that have something in common.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spots {
    /// How many.
    pub pixels: u64,
    /// Where.
    pub place: PixelBox,
    /// The value farthest out (0 for values that are no numbers).
    pub worst: f32,
    /// Its place.
    pub at: (u32, u32),
}

/// Pixels with an alpha below one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Holes {
    /// Pixels, place, and the least alpha.
    pub spots: Spots,
    /// The border along which they lie, when they lie along one only.
    pub side: Option<Side>,
}

/// What was seen in a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Look {
    /// Width and height.
    pub size: (u32, u32),
    /// Light and detail by cell.
    pub cells: Cells,
    /// Frames of the same pixels have the same.
    pub print: u64,
    /// Share of the frame that is black.
    pub black: f64,
    /// Values that are not finite.
    pub broken: Option<Spots>,
    /// Values below zero.
    pub negative: Option<Spots>,
    /// Values beyond white.
    pub above: Option<Spots>,
    /// Alpha below one.
    pub holes: Option<Holes>,
    /// Levels outside the limits.
    pub levels: Option<Outside>,
    /// The picture's borders, by side.
    pub edges: [Edge; 4],
    /// Dark lines from the frame's borders on, by side; nothing when the whole frame is dark.
    pub dark: Option<[Dark; 4]>,
}

/// Looks at a frame. A picture without planes `R`, `G` and `B` is taken as grey by its first one.
///
/// # Panics
/// When the picture has no pixels or no planes.
pub fn look(image: &Image, rules: &Rules) -> Look {
    let level = Level::best();
    let seen = see(image, rules, level);
    let size = (image.width(), image.height());
    let lit: u64 = seen.rows.iter().map(|row| u64::from(row.lit)).sum();
    let pixels = u64::from(size.0) * u64::from(size.1);
    let (scale, add) = rules.signal.to_unit();
    let unit = move |v: f32| if v.is_finite() { v * scale + add } else { 0.0 };
    let (low, high) = (-rules.below() as f32, (rules.white() + rules.above()) as f32);
    let spots = |count: fn(&Row) -> u32, is: &dyn Fn(f32) -> bool, worst: &dyn Fn(&Row) -> f32| {
        find(image, &seen, count, is, worst, unit)
    };
    let broken = spots(|row| row.broken, &|v| !v.is_finite(), &|_| 0.0);
    let negative = spots(|row| row.under, &|v| unit(v) < low, &|row| row.bottom);
    let above = spots(|row| row.over, &|v| unit(v) > high, &|row| row.top);
    Look {
        size,
        black: (pixels - lit) as f64 / pixels as f64,
        broken,
        negative,
        above,
        holes: holes(image, level),
        levels: outside(image, rules, &seen.rows),
        edges: seen.borders.edges(rules),
        dark: dark(&seen.rows, &seen.columns),
        print: seen.print,
        cells: seen.cells,
    }
}

/// Where the pixels lie that rows were seen to have, and which value among them is farthest out.
fn find(
    image: &Image,
    seen: &Sight,
    count: fn(&Row) -> u32,
    is: &dyn Fn(f32) -> bool,
    worst: &dyn Fn(&Row) -> f32,
    unit: impl Fn(f32) -> f32,
) -> Option<Spots> {
    let mut found: Option<Spots> = None;
    let planes = colours(image);
    for (y, row) in seen.rows.iter().enumerate().filter(|(_, row)| count(row) > 0) {
        let lines = planes.map(|plane| image.row(plane, y as u32));
        let has = |x: usize| lines.iter().any(|line| is(line[x].to_f32()));
        // Only what may lie outside the box so far is looked for.
        let width = image.width() as usize;
        let (from, to) = found.map_or((width, 0), |spots| {
            (spots.place.left as usize, (spots.place.left + spots.place.width) as usize)
        });
        let left = (0..from).find(|&x| has(x)).unwrap_or(from.min(width - 1));
        let right = (to..width).rfind(|&x| has(x)).unwrap_or(to.saturating_sub(1)).max(left);
        let place = PixelBox::new(left as u32, y as u32, (right - left) as u32 + 1, 1);
        let extreme = worst(row);
        let is_worst = found.is_none_or(|spots| extreme.abs() > spots.worst.abs());
        let spots =
            found.get_or_insert(Spots { pixels: 0, place, worst: extreme, at: (left as u32, y as u32) });
        spots.pixels += u64::from(count(row));
        spots.place = spots.place.hull(place);
        if is_worst {
            let is_extreme = |x: &usize| {
                lines.iter().any(|line| is(line[*x].to_f32()) && unit(line[*x].to_f32()) == extreme)
            };
            spots.worst = extreme;
            spots.at = ((0..width).find(is_extreme).unwrap_or(left) as u32, y as u32);
        }
    }
    found
}

fn holes(image: &Image, level: Level) -> Option<Holes> {
    let plane = image.channel("A")?;
    let mut found: Option<Spots> = None;
    for y in 0..image.height() {
        let row = image.row(plane, y);
        if is_opaque(level, row) {
            continue;
        }
        for (x, alpha) in row.iter().enumerate() {
            let alpha = alpha.to_f32();
            if alpha >= OPAQUE {
                continue;
            }
            let (x, least) = (x as u32, if alpha.is_nan() { 0.0 } else { alpha });
            let place = PixelBox::new(x, y, 1, 1);
            let spots = found.get_or_insert(Spots { pixels: 0, place, worst: least, at: (x, y) });
            spots.pixels += 1;
            spots.place = spots.place.hull(place);
            if least < spots.worst {
                (spots.worst, spots.at) = (least, (x, y));
            }
        }
    }
    found.map(|spots| Holes { spots, side: along(spots.place, image.width(), image.height()) })
}

/// The border along which a thin box lies, over half of the border's length at least.
fn along(place: PixelBox, width: u32, height: u32) -> Option<Side> {
    let thin_rows = place.height <= ALONG && place.width * 2 >= width;
    let thin_columns = place.width <= ALONG && place.height * 2 >= height;
    match place {
        p if thin_rows && p.top == 0 => Some(Side::Top),
        p if thin_rows && p.top + p.height == height => Some(Side::Bottom),
        p if thin_columns && p.left == 0 => Some(Side::Left),
        p if thin_columns && p.left + p.width == width => Some(Side::Right),
        _ => None,
    }
}
