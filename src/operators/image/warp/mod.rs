//! A picture carried by a homography.
//!
//! Knows where each pixel of the result comes from and how much of the picture lies under it. Weights are `kernel`'s,
//! reading a picture piece by piece is `source`'s. Does not know why a picture is carried.
//!
//! Matrices take places of the picture to places of the result; the pixel in column x covers x to x + 1, its centre
//! lies at x + 1/2. Between pixels: Lanczos-3, across and down, weights made to add up to 1 (K. Turkowski, "Filters
//! for Common Resampling Tasks", Graphics Gems, 1990). Where the result is smaller than the picture the kernel is
//! stretched by as many source pixels as one of the result's spans, across and down by themselves (the row norms of
//! the map's local derivative, after Heckbert 1989), so that nothing is lost to aliasing; up to [`STRETCH_LIMIT`] times.
//!
//! A map that leaves everything in place or slides it by whole pixels copies: not one bit changes. Otherwise what is no
//! finite number counts as 0. Past the picture's edges its last pixels are repeated, for the kernel's sake only:
//! a place outside the picture is 0, and not shown.

mod kernel;
mod source;

use crate::media::image::Image;
use crate::operators::shape::motion::{Matrix, inverse};
use kernel::{TAPS, Weights};
pub use source::{Flat, Picture, Source};

/// How many times smaller a picture may become before it aliases.
pub const STRETCH_LIMIT: f64 = 32.0;

/// Maps closer to whole pixels than this are whole.
const WHOLE: f64 = 1e-9;
/// Pixels of the result that are worked on together: their sources fit into a processor's cache.
const TILE: (usize, usize) = (64, 32);

/// A rectangle of the result, in pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part {
    /// First column.
    pub x: usize,
    /// First row.
    pub y: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// `image` carried by `matrix`, all its channels, as a result of `size`; 0 where it shows nothing. A matrix that flattens
/// the picture shows nothing.
pub fn warp(image: &Image, matrix: &Matrix, size: (u32, u32)) -> Image {
    let names: Vec<&str> = image.channels().iter().map(|c| &*c.name).collect();
    let mut out = Image::new(size.0, size.1, &names);
    let Some(map) = Map::new(matrix, 0.0) else { return out };
    if let Some(by) = map.whole {
        copy(image, by, &mut out);
        return out;
    }
    let part = Part { x: 0, y: 0, width: size.0 as usize, height: 0 };
    for first in (0..names.len()).step_by(4) {
        let channels: Vec<usize> = (first..names.len().min(first + 4)).collect();
        for y in (0..size.1 as usize).step_by(TILE.1) {
            let part = Part { y, height: TILE.1.min(size.1 as usize - y), ..part };
            match channels[..] {
                [a, b, c, d] => rows(&map, &Picture { image, planes: [a, b, c, d] }, part, first, &mut out),
                _ => channels
                    .iter()
                    .for_each(|&c| rows(&map, &Picture { image, planes: [c] }, part, c, &mut out)),
            }
        }
    }
    out
}

/// A plane of `from` (columns, rows) carried by `matrix`, as one of `size`; 0 where it shows nothing.
///
/// # Panics
/// When `samples` are not as many as `from` says.
pub fn plane(samples: &[f32], from: (usize, usize), matrix: &Matrix, size: (usize, usize)) -> Vec<f32> {
    assert_eq!(samples.len(), from.0 * from.1, "a plane of {} by {} samples", from.0, from.1);
    let mut out = vec![[0.0f32; 1]; size.0 * size.1];
    if let Some(map) = Map::new(matrix, 0.0) {
        let part = Part { x: 0, y: 0, width: size.0, height: size.1 };
        map.fill(
            &Flat { samples, width: from.0 },
            part,
            &|_, _| true,
            &mut out,
            &mut vec![false; size.0 * size.1],
        );
    }
    out.into_iter().map(|[sample]| sample).collect()
}

/// Carries some rows of some channels into the image, from channel `first` on.
fn rows<const N: usize>(map: &Map, source: &Picture<'_, N>, part: Part, first: usize, out: &mut Image) {
    let mut pixels = vec![[0.0f32; N]; part.width * part.height];
    map.fill(source, part, &|_, _| true, &mut pixels, &mut vec![false; part.width * part.height]);
    let mut row = vec![0.0f32; part.width];
    for (y, pixels) in pixels.chunks_exact(part.width).enumerate() {
        for c in 0..N {
            row.iter_mut().zip(pixels).for_each(|(to, from)| *to = from[c]);
            out.write_row(first + c, (part.y + y) as u32, &row);
        }
    }
}

/// Copies an image moved by whole pixels.
fn copy(image: &Image, [right, down]: [i64; 2], out: &mut Image) {
    let (width, height) = (i64::from(image.width()), i64::from(image.height()));
    let (wide, tall) = (i64::from(out.width()), i64::from(out.height()));
    let (from, to) = (right.clamp(0, wide), (right + width).clamp(0, wide));
    for c in 0..image.channels().len() {
        for y in down.max(0)..(down + height).min(tall) {
            let row = &image.row(c, (y - down) as u32)[(from - right).clamp(0, width) as usize..];
            let start = (y * wide + from) as usize;
            let count = (to - from).max(0) as usize;
            out.samples_mut(c)[start..start + count].copy_from_slice(&row[..count]);
        }
    }
}

/// From the result back to the picture.
pub struct Map {
    back: Matrix,
    /// Pixels right and down, when it is nothing else.
    whole: Option<[i64; 2]>,
    /// How far inside the picture's edges a place must lie to be shown.
    inside: f64,
}

/// Where a pixel of the result comes from: a place in the picture, and how far the kernel is stretched.
#[derive(Clone, Copy)]
struct Place {
    at: [f64; 2],
    stretch: [f64; 2],
}

/// The box of source pixels that a tile is made from.
struct Patch<const N: usize> {
    corner: [i64; 2],
    width: usize,
    pixels: Vec<[f32; N]>,
    barred: Vec<bool>,
    has_barred: bool,
}

impl Map {
    /// The map of a matrix; none when there is no way back. A place is shown that lies in the picture at least `inside`
    /// from its edges: 0 for all that the pixels cover, 1/2 for what lies between their centres.
    pub fn new(matrix: &Matrix, inside: f64) -> Option<Self> {
        let back = inverse(matrix)?;
        let is_slide =
            matrix[2] == [0.0, 0.0, 1.0] && matrix[0][..2] == [1.0, 0.0] && matrix[1][..2] == [0.0, 1.0];
        let by = [matrix[0][2], matrix[1][2]];
        let near = |by: f64| (by - by.round()).abs() <= WHOLE && by.abs() < 1e9;
        let whole = (is_slide && by.iter().all(|&by| near(by))).then(|| by.map(|by| by.round() as i64));
        let back = if let Some([x, y]) = whole {
            [[1.0, 0.0, -x as f64], [0.0, 1.0, -y as f64], [0.0, 0.0, 1.0]]
        } else {
            back
        };
        back.iter().flatten().all(|part| part.is_finite()).then_some(Self { back, whole, inside })
    }

    /// Fills a part of the result: pixels (0 where nothing is shown) and whether each is shown. Only those are worked on that
    /// `wanted` says, by their place in the part. Nothing is shown that would be mixed with what the source bars.
    pub fn fill<const N: usize, S: Source<N>>(
        &self,
        source: &S,
        part: Part,
        wanted: &dyn Fn(usize, usize) -> bool,
        out: &mut [[f32; N]],
        seen: &mut [bool],
    ) {
        let mut places: Vec<(usize, Place)> = Vec::with_capacity(TILE.0 * TILE.1);
        for top in (0..part.height).step_by(TILE.1) {
            for left in (0..part.width).step_by(TILE.0) {
                places.clear();
                for y in top..part.height.min(top + TILE.1) {
                    for x in (left..part.width.min(left + TILE.0)).filter(|&x| wanted(x, y)) {
                        let place =
                            self.place((part.x + x) as f64 + 0.5, (part.y + y) as f64 + 0.5, source.size());
                        places.extend(place.map(|place| (y * part.width + x, place)));
                    }
                }
                if !places.is_empty() {
                    tile(source, &places, out, seen);
                }
            }
        }
    }

    /// Where a place of the result comes from, if the picture shows it.
    fn place(&self, x: f64, y: f64, (width, height): (usize, usize)) -> Option<Place> {
        let [[a, b, c], [d, e, f], [g, h, i]] = self.back;
        let w = g * x + h * y + i;
        if w.is_nan() || w <= 0.0 {
            return None;
        }
        let (u, v) = ((a * x + b * y + c) / w, (d * x + e * y + f) / w);
        let is_in =
            |at: f64, size: usize| at >= self.inside - WHOLE && at <= size as f64 - self.inside + WHOLE;
        if !(is_in(u, width) && is_in(v, height)) {
            return None;
        }
        let across = [(a - u * g) / w, (b - u * h) / w];
        let down = [(d - v * g) / w, (e - v * h) / w];
        let stretch = [across, down].map(|[p, q]| {
            let square = p * p + q * q;
            // So little more than 1 is rounding.
            if square <= 1.0 + WHOLE { 1.0 } else { square.sqrt().min(STRETCH_LIMIT) }
        });
        Some(Place { at: [u - 0.5, v - 0.5], stretch })
    }
}

/// Works on the pixels of one tile.
fn tile<const N: usize, S: Source<N>>(
    source: &S,
    places: &[(usize, Place)],
    out: &mut [[f32; N]],
    seen: &mut [bool],
) {
    let patch = Patch::under(source, places);
    let (mut across, mut down) = (Weights::default(), Weights::default());
    for &(to, Place { at, stretch }) in places {
        across.set(at[0], stretch[0]);
        down.set(at[1], stretch[1]);
        let (x, y) = ((across.first - patch.corner[0]) as usize, (down.first - patch.corner[1]) as usize);
        if patch.has_barred && patch.bars(x, y, &across, &down) {
            continue;
        }
        let start = y * patch.width + x;
        out[to] = match (across.short(), down.short()) {
            (Some(across), Some(down)) => patch.sum_short(start, across, down),
            _ => patch.sum(start, across.all(), down.all()),
        };
        seen[to] = true;
    }
}

impl<const N: usize> Patch<N> {
    fn under<S: Source<N>>(source: &S, places: &[(usize, Place)]) -> Self {
        let mut ends = [[i64::MAX, i64::MIN]; 2];
        for (_, place) in places {
            for ((ends, at), stretch) in ends.iter_mut().zip(place.at).zip(place.stretch) {
                let [first, last] = Weights::span(at, stretch);
                *ends = [ends[0].min(first), ends[1].max(last)];
            }
        }
        let [[left, right], [top, bottom]] = ends;
        let width = (right - left + 1) as usize;
        let count = width * (bottom - top + 1) as usize;
        let mut patch = Self {
            corner: [left, top],
            width,
            pixels: vec![[0.0; N]; count],
            barred: Vec::new(),
            has_barred: false,
        };
        let (columns, rows) = source.size();
        let held = |at: i64, size: usize| at.clamp(0, size as i64 - 1) as usize;
        let (first, last) = (held(left, columns), held(right, columns));
        for (i, row) in patch.pixels.chunks_exact_mut(width).enumerate() {
            let y = held(top + i as i64, rows);
            let before = (first as i64 - left) as usize;
            let inner = before..before + last - first + 1;
            source.read(y, first, &mut row[inner.clone()]);
            let (start, end) = (row[inner.start], row[inner.end - 1]);
            row[..inner.start].fill(start);
            row[inner.end..].fill(end);
        }
        let (highest, lowest) = (held(top, rows), held(bottom, rows));
        patch.has_barred = (highest..=lowest).any(|y| (first..=last).any(|x| source.bars(x, y)));
        if patch.has_barred {
            let at =
                |i: usize| (held(left + (i % width) as i64, columns), held(top + (i / width) as i64, rows));
            patch.barred = (0..count).map(|i| source.bars(at(i).0, at(i).1)).collect();
        }
        patch
    }

    /// Whether a barred pixel would have a share.
    fn bars(&self, x: usize, y: usize, across: &Weights, down: &Weights) -> bool {
        down.all().iter().enumerate().filter(|(_, w)| **w != 0.0).any(|(row, _)| {
            let barred = &self.barred[(y + row) * self.width + x..];
            across.all().iter().zip(barred).any(|(weight, barred)| *barred && *weight != 0.0)
        })
    }

    fn sum_short(&self, start: usize, across: &[f32; TAPS], down: &[f32; TAPS]) -> [f32; N] {
        let mut sum = [0.0f32; N];
        for (row, down) in down.iter().enumerate() {
            let pixels = &self.pixels[start + row * self.width..][..TAPS];
            let mut line = [0.0f32; N];
            for k in 0..TAPS {
                for c in 0..N {
                    line[c] += across[k] * pixels[k][c];
                }
            }
            for c in 0..N {
                sum[c] += down * line[c];
            }
        }
        sum
    }

    fn sum(&self, start: usize, across: &[f32], down: &[f32]) -> [f32; N] {
        let mut sum = [0.0f32; N];
        for (row, down) in down.iter().enumerate() {
            let mut line = [0.0f32; N];
            for (pixel, across) in self.pixels[start + row * self.width..].iter().zip(across) {
                (0..N).for_each(|c| line[c] += across * pixel[c]);
            }
            (0..N).for_each(|c| sum[c] += down * line[c]);
        }
        sum
    }
}

#[cfg(test)]
mod tests;
