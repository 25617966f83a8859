//! The background as the frames around show it: the median in time, pixel by pixel.
//!
//! Knows frames that are laid over one another and what each of them may show. Does not know which frames they are.

use super::field::{Area, Pixel};
use super::shift::Shifted;

/// The median of what `frames` show in `area`, channel by channel, and where none of them shows anything. Only places
/// that are `wanted` are looked at. Of an even number it is the mean of the middle two.
pub fn median(frames: &[Shifted<'_>], area: Area, wanted: &[bool]) -> (Vec<Pixel>, Vec<bool>) {
    let mut out = vec![[0.0; 4]; area.count()];
    let mut seen = vec![false; area.count()];
    let mut samples: Vec<Vec<Pixel>> = vec![Vec::with_capacity(frames.len()); area.width];
    let mut row = vec![[0.0; 4]; area.width];
    let mut shown = vec![false; area.width];
    let mut sorted = Vec::with_capacity(frames.len());
    for y in 0..area.height {
        let wanted = &wanted[y * area.width..][..area.width];
        let Some(first) = wanted.iter().position(|&w| w) else { continue };
        let last = wanted.iter().rposition(|&w| w).unwrap_or(first);
        for frame in frames {
            let (row, shown) = (&mut row[first..=last], &mut shown[first..=last]);
            frame.row(area.x + first, area.y + y, row, shown);
            for (i, (pixel, &shown)) in row.iter().zip(shown.iter()).enumerate() {
                if shown && wanted[first + i] {
                    samples[first + i].push(*pixel);
                }
            }
        }
        for (x, samples) in samples.iter_mut().enumerate().filter(|(_, samples)| !samples.is_empty()) {
            seen[y * area.width + x] = true;
            for c in 0..4 {
                sorted.clear();
                sorted.extend(samples.iter().map(|pixel| pixel[c]));
                out[y * area.width + x][c] = middle(&mut sorted);
            }
            samples.clear();
        }
    }
    (out, seen)
}

/// The median of at least one number.
fn middle(values: &mut [f32]) -> f32 {
    values.sort_unstable_by(f32::total_cmp);
    let half = values.len() / 2;
    if values.len() % 2 == 1 { values[half] } else { (values[half - 1] + values[half]) * 0.5 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::image::{Image, RGBA};

    fn flat(value: f32) -> Image {
        let mut image = Image::new(3, 2, &RGBA);
        for c in 0..4 {
            (0..2).for_each(|y| image.write_row(c, y, &[value * (c + 1) as f32; 3]));
        }
        image
    }

    #[test]
    fn barred_samples_do_not_count() {
        let images = [0.0625, 0.125, 0.25].map(flat);
        let area = Area { x: 0, y: 0, width: 3, height: 2 };
        let mut barred = [vec![false; 6], vec![false; 6], vec![false; 6]];
        barred[0][1] = true;
        barred.iter_mut().for_each(|b| b[5] = true);
        let frames: Vec<Shifted<'_>> =
            images.iter().zip(barred).map(|(i, b)| Shifted::new(i, [0.0; 2], b).unwrap()).collect();
        let mut wanted = vec![true; 6];
        wanted[3] = false;
        let (out, seen) = median(&frames, area, &wanted);
        assert_eq!(seen, [true, true, true, false, true, false]);
        assert_eq!(out[0], [0.125, 0.25, 0.375, 0.5]);
        assert_eq!(out[1], [0.1875, 0.375, 0.5625, 0.75]);
    }
}
