//! The part of a take that a frame needs, moved into place: pixels, matte and where its shadow falls.
//!
//! Knows how a take is turned, scaled and moved. Does not know which frame of it is shown, nor what lies below.
//!
//! Pixels are fetched with `image::cubic`; a take that is not moved keeps its bits. What is no number
//! counts as no light in a moved take, for it would spread into its neighbours.

use std::ops::Range;

use super::place::Place;
use crate::media::image::Image;
use crate::operators::OperatorError;
use crate::operators::image::cubic::{LANES, Slab, cubic, most_beyond};
use crate::operators::image::gaussian;
use crate::operators::image::picture::planes;

/// Rows that are fetched at a time.
const BAND: usize = 16;

/// From a pixel of the joined picture to its place in the take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Warp {
    size: (usize, usize),
    turned: [f64; 4],
    from: [f64; 2],
    is_still: bool,
}

impl Warp {
    /// Of a take of this size that lies at a place.
    pub fn new(place: &Place, size: (usize, usize)) -> Self {
        let middle = [(size.0 as f64 - 1.0) / 2.0, (size.1 as f64 - 1.0) / 2.0];
        let (s, c) = place.turn.to_radians().sin_cos();
        let turned = [c, s, -s, c].map(|v| v / place.scale);
        let [a, b] = [middle[0] + place.shift[0], middle[1] + place.shift[1]];
        let from = [middle[0] - turned[0] * a - turned[1] * b, middle[1] - turned[2] * a - turned[3] * b];
        let is_still = place.shift == [0.0; 2] && place.turn == 0.0 && place.scale == 1.0;
        // Sines and cosines of no turn are exact, but the middle is added and taken away again.
        let from = if place.turn == 0.0 && place.scale == 1.0 { place.shift.map(|v| -v) } else { from };
        Self { size, turned, from, is_still }
    }

    /// Where a pixel is in the take.
    #[inline(always)]
    pub fn place(&self, x: usize, y: usize) -> [f32; 2] {
        let (x, y) = (x as f64, y as f64);
        [
            (self.turned[0] * x + self.turned[1] * y + self.from[0]) as f32,
            (self.turned[2] * x + self.turned[3] * y + self.from[1]) as f32,
        ]
    }

    /// Whether the take shows anything for a pixel: its outermost pixels reach half a pixel out.
    #[inline(always)]
    pub fn shows(&self, x: usize, y: usize) -> bool {
        let [px, py] = self.place(x, y);
        px >= -0.5 && py >= -0.5 && px <= self.size.0 as f32 - 0.5 && py <= self.size.1 as f32 - 0.5
    }

    /// Up to four channels of a take, moved: `columns` of `rows`.
    fn fetch(&self, image: &Image, rows: Range<usize>, columns: Range<usize>) -> Vec<[f32; LANES]> {
        let most = most_beyond(image, 0);
        let mut out = Vec::with_capacity(rows.len() * columns.len());
        let mut slab = Slab::default();
        let mut first = rows.start;
        while first < rows.end {
            let band = first..(first + BAND).min(rows.end);
            let corners = [band.start, band.end - 1]
                .into_iter()
                .flat_map(|y| [columns.start, columns.end - 1].map(|x| self.place(x, y)[1]));
            slab.load(image, 0, corners);
            slab.samples.iter_mut().flatten().for_each(|v| *v = if v.is_finite() { *v } else { 0.0 });
            for y in band.clone() {
                for x in columns.clone() {
                    out.push(match self.shows(x, y) {
                        true => cubic(&slab, self.size, most, self.place(x, y)),
                        false => [0.0; LANES],
                    });
                }
            }
            first = band.end;
        }
        out
    }
}

/// A take as it is shown, not yet moved: its picture, its matte and where its shadow falls.
pub struct Shown<'a> {
    /// Red, green, blue and alpha.
    pub image: std::borrow::Cow<'a, Image>,
    /// Its matte.
    pub matte: Vec<f32>,
    /// Where its shadow falls.
    pub floor: Option<Vec<f32>>,
}

/// A part of the joined picture.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Part {
    /// Columns.
    pub columns: Range<usize>,
    /// Rows.
    pub rows: Range<usize>,
}

impl Part {
    /// The part of a plane of this width in which it is above nothing.
    fn of(plane: &[f32], width: usize) -> Self {
        let mut found: Option<Self> = None;
        for (y, row) in plane.chunks_exact(width).enumerate() {
            let Some(first) = row.iter().position(|m| *m > 0.0) else { continue };
            let last = row.iter().rposition(|m| *m > 0.0).unwrap_or(first);
            let part = found.get_or_insert(Self { columns: first..last + 1, rows: y..y + 1 });
            part.columns = part.columns.start.min(first)..part.columns.end.max(last + 1);
            part.rows.end = y + 1;
        }
        found.unwrap_or_default()
    }

    /// Its size.
    pub fn size(&self) -> (usize, usize) {
        (self.columns.len(), self.rows.len())
    }

    /// Whether the two have a pixel in common.
    pub fn meets(&self, other: &Part) -> bool {
        let both = |a: &Range<usize>, b: &Range<usize>| a.start.max(b.start) < a.end.min(b.end);
        both(&self.columns, &other.columns) && both(&self.rows, &other.rows)
    }

    /// This part of a plane of a width.
    pub fn cut(&self, plane: &[f32], width: usize) -> Vec<f32> {
        self.rows.clone().flat_map(|y| &plane[y * width..][self.columns.clone()]).copied().collect()
    }

    /// Grown by some pixels within a picture of this size.
    fn grown(&self, by: usize, (width, height): (usize, usize)) -> Self {
        let grow = |range: &Range<usize>, side: usize| {
            range.start.saturating_sub(by)..range.end.saturating_add(by).min(side)
        };
        Self { columns: grow(&self.columns, width), rows: grow(&self.rows, height) }
    }
}

/// The part of a take that is needed, in place.
pub struct Patch {
    /// Where it lies.
    pub part: Part,
    /// Its pixels, row by row, with its exposure.
    pub pixels: Vec<[f32; LANES]>,
    /// Its matte, without what stands before it.
    pub matte: Vec<f32>,
    /// Where its figure is, seen or not, when something stands before it and it is given a shadow.
    pub figure: Option<Vec<f32>>,
    /// Where its shadow falls; empty when it is given none.
    pub floor: Vec<f32>,
    /// How much of each pixel is the set, seen through a loose matte; empty where that is not asked.
    pub bare: Vec<f32>,
    /// How the take was moved.
    pub warp: Warp,
}

/// How a patch is cut.
pub struct Cutting {
    /// Where the take lies.
    pub place: Place,
    /// Standard deviation by which mattes are softened.
    pub soften: f64,
    /// Pixels around a shadow that are looked at as well.
    pub around: usize,
    /// Pixels around a matte that are looked at as well.
    pub margin: usize,
}

/// The part of a take that is needed. A `holdout` is taken out of its matte.
///
/// # Errors
/// When the picture lacks a channel.
pub fn patch(shown: Shown<'_>, how: &Cutting, holdout: Option<&[f32]>) -> Result<Patch, OperatorError> {
    let Shown { image, mut matte, mut floor } = shown;
    let size @ (width, height) = (image.width() as usize, image.height() as usize);
    let warp = Warp::new(&how.place, size);
    if !warp.is_still {
        let moved = |plane: &[f32]| {
            let one = planes_as_image(&[plane], size);
            let all = Part { columns: 0..width, rows: 0..height };
            // What is wholly outside of the moved plane need not be fetched.
            let near = warp.reaches(&Part::of(plane, width), &all);
            let mut out = vec![0.0; width * height];
            if !near.rows.is_empty() {
                let mut fetched = warp.fetch(&one, near.rows.clone(), near.columns.clone()).into_iter();
                for y in near.rows.clone() {
                    out[y * width..][near.columns.clone()].iter_mut().for_each(|o| {
                        *o = fetched.next().map_or(0.0, |v| v[0].clamp(0.0, 1.0));
                    });
                }
            }
            out
        };
        matte = moved(&matte);
        floor = floor.map(|floor| moved(&floor));
    }
    if how.soften > 0.0 {
        matte = gaussian::blur(&matte, width, height, how.soften);
    }
    let figure = floor.as_ref().and(holdout).map(|_| matte.clone());
    if let Some(holdout) = holdout {
        matte.iter_mut().zip(holdout).for_each(|(m, h)| *m *= 1.0 - h);
    }
    let mut part = Part::of(&matte, width);
    if !part.rows.is_empty() {
        part = part.grown(how.margin, size);
    }
    if let Some(floor) = &floor {
        let below = Part::of(floor, width).grown(how.around, size);
        part = if below.rows.is_empty() { part } else { part.with(&below) };
    }
    let (matte, floor) = (part.cut(&matte, width), floor.map_or(vec![], |floor| part.cut(&floor, width)));
    let figure = figure.map(|figure| part.cut(&figure, width));
    let mut pixels = if warp.is_still { copied(&image, &part)? } else { picture(&image, &warp, &part)? };
    if how.place.exposure != [1.0; 3] {
        let factors = how.place.exposure.map(|f| f as f32);
        pixels.iter_mut().for_each(|p| (0..3).for_each(|c| p[c] *= factors[c]));
    }
    Ok(Patch { part, pixels, matte, figure, floor, bare: Vec::new(), warp })
}

impl Part {
    /// The smallest part that holds both.
    fn with(&self, other: &Part) -> Part {
        if self.rows.is_empty() {
            return other.clone();
        }
        let both = |a: &Range<usize>, b: &Range<usize>| a.start.min(b.start)..a.end.max(b.end);
        Part { columns: both(&self.columns, &other.columns), rows: both(&self.rows, &other.rows) }
    }
}

impl Warp {
    /// The part of the joined picture, within `all`, that shows a part of the take, with room for the cubic.
    fn reaches(&self, part: &Part, all: &Part) -> Part {
        if part.rows.is_empty() {
            return Part::default();
        }
        let [a, b, c, d] = self.turned;
        let whole = a * d - b * c;
        let (mut low, mut high) = ([f64::MAX; 2], [f64::MIN; 2]);
        for x in [part.columns.start as f64 - 3.0, part.columns.end as f64 + 2.0] {
            for y in [part.rows.start as f64 - 3.0, part.rows.end as f64 + 2.0] {
                let (u, v) = (x - self.from[0], y - self.from[1]);
                let out = [(d * u - b * v) / whole, (a * v - c * u) / whole];
                for i in 0..2 {
                    (low[i], high[i]) = (low[i].min(out[i]), high[i].max(out[i]));
                }
            }
        }
        let range = |i: usize, all: &Range<usize>| {
            let held = |v: f64| v.max(0.0).min(all.end as f64) as usize;
            held(low[i].floor())..held(high[i].ceil() + 1.0)
        };
        let (columns, rows) = (range(0, &all.columns), range(1, &all.rows));
        if columns.is_empty() || rows.is_empty() { Part::default() } else { Part { columns, rows } }
    }
}

/// Planes of marks as a picture, so that they go the same ways as one.
pub fn planes_as_image(planes: &[&[f32]], (width, height): (usize, usize)) -> Image {
    let names: Vec<String> = (0..planes.len()).map(|i| format!("mark {i}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut image = Image::new(width as u32, height as u32, &names);
    for (channel, plane) in planes.iter().enumerate() {
        for (y, row) in plane.chunks_exact(width).enumerate() {
            image.write_row(channel, y as u32, row);
        }
    }
    image
}

/// A part of a picture as it is.
pub fn copied(image: &Image, part: &Part) -> Result<Vec<[f32; LANES]>, OperatorError> {
    let channels = planes(image)?;
    let mut row = vec![0.0; image.width() as usize];
    let mut out = vec![[0.0; LANES]; part.rows.len() * part.columns.len()];
    for (y, out) in part.rows.clone().zip(out.chunks_exact_mut(part.columns.len().max(1))) {
        for (lane, &channel) in channels.iter().enumerate() {
            image.read_row(channel, y as u32, &mut row);
            out.iter_mut().zip(&row[part.columns.clone()]).for_each(|(o, v)| o[lane] = *v);
        }
    }
    Ok(out)
}

/// A part of a picture, moved.
fn picture(image: &Image, warp: &Warp, part: &Part) -> Result<Vec<[f32; LANES]>, OperatorError> {
    if planes(image)? != [0, 1, 2, 3] {
        return Err(OperatorError::WrongInput("a picture's channels come in the order R, G, B, A".into()));
    }
    if part.rows.is_empty() {
        return Ok(Vec::new());
    }
    Ok(warp.fetch(image, part.rows.clone(), part.columns.clone()))
}
