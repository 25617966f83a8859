//! The background as the frames around show it: the median in time, pixel by pixel.
//!
//! Knows frames that are laid over one another and what each of them may show. Does not know which frames they are.

use super::field::{Area, Pixel};
use super::laid::Laid;

/// Rows that are worked on together.
const BAND: usize = 32;

/// The median of what `frames` show in `area`, channel by channel, and where none of them shows anything. Only places
/// that are `wanted` are looked at. Of an even number it is the mean of the middle two.
pub fn median(frames: &[Laid<'_>], area: Area, wanted: &[bool]) -> (Vec<Pixel>, Vec<bool>) {
    let mut out = vec![[0.0; 4]; area.count()];
    let mut seen = vec![false; area.count()];
    let size = area.width * BAND;
    // What each place of a band has been shown so far, and how often.
    let mut samples = vec![[0.0f32; 4]; size * frames.len()];
    let mut counts = vec![0usize; size];
    let (mut pixels, mut shown) = (vec![[0.0; 4]; size], vec![false; size]);
    let mut sorted = Vec::with_capacity(frames.len());
    for top in (0..area.height).step_by(BAND) {
        let band = Area { y: area.y + top, height: BAND.min(area.height - top), ..area };
        let first = top * area.width;
        if !wanted[first..first + band.count()].iter().any(|w| *w) {
            continue;
        }
        counts.fill(0);
        for frame in frames {
            let (pixels, shown) = (&mut pixels[..band.count()], &mut shown[..band.count()]);
            frame.fill(band, &|at| wanted[first + at], pixels, shown);
            for at in (0..band.count()).filter(|&at| shown[at]) {
                samples[at * frames.len() + counts[at]] = pixels[at];
                counts[at] += 1;
            }
        }
        for at in (0..band.count()).filter(|&at| counts[at] > 0) {
            seen[first + at] = true;
            let samples = &samples[at * frames.len()..][..counts[at]];
            for c in 0..4 {
                sorted.clear();
                sorted.extend(samples.iter().map(|pixel| pixel[c]));
                out[first + at][c] = middle(&mut sorted);
            }
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
    use crate::operators::shape::motion::STILL;

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
        let frames: Vec<Laid<'_>> =
            images.iter().zip(barred).map(|(i, b)| Laid::new(i, &STILL, b).unwrap()).collect();
        let mut wanted = vec![true; 6];
        wanted[3] = false;
        let (out, seen) = median(&frames, area, &wanted);
        assert_eq!(seen, [true, true, true, false, true, false]);
        assert_eq!(out[0], [0.125, 0.25, 0.375, 0.5]);
        assert_eq!(out[1], [0.1875, 0.375, 0.5625, 0.75]);
    }
}
