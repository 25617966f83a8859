//! Pictures made smaller or larger by averaging area.
//!
//! Each new pixel is the mean of the light that falls on it: of the old pixels it covers, each by the share covered. Knows
//! planes of samples. Does not know what they mean; light is to be averaged before it is encoded.

use super::image::{Channel, Image};

/// The old samples that one new sample covers: first index, and the share of each in turn.
struct Covered {
    first: usize,
    shares: Vec<f32>,
}

/// What each of `new` samples covers of `len` old ones from `start` on.
fn covered(start: usize, len: usize, new: usize) -> Vec<Covered> {
    let step = len as f64 / new as f64;
    (0..new)
        .map(|i| {
            let (from, to) = (i as f64 * step, (i + 1) as f64 * step);
            let first = from.floor() as usize;
            let end = (to.ceil() as usize).clamp(first + 1, len);
            let share = |n: usize| (to.min(n as f64 + 1.0) - from.max(n as f64)).max(0.0) / step;
            Covered { first: start + first, shares: (first..end).map(|n| share(n) as f32).collect() }
        })
        .collect()
}

/// The part `[left, top, width, height]` of a picture at another size. The part must lie in the picture, and neither it nor
/// the new size be empty.
pub fn area_average(image: &Image, part: [u32; 4], (width, height): (u32, u32)) -> Image {
    let [left, top, wide, high] = part.map(|n| n as usize);
    assert!(wide > 0 && high > 0 && width > 0 && height > 0, "an empty part or size");
    assert!(left + wide <= image.width() as usize && top + high <= image.height() as usize, "outside");
    let (columns, rows) = (covered(left, wide, width as usize), covered(top, high, height as usize));
    let mut row = vec![0.0; image.width() as usize];
    let (mut sums, mut narrow) = (vec![0.0f32; image.width() as usize], vec![0.0f32; width as usize]);
    let channels = image.channels().iter().enumerate().map(|(channel, old)| {
        let mut samples = Vec::with_capacity(width as usize * height as usize);
        for covered in &rows {
            sums.fill(0.0);
            for (i, share) in covered.shares.iter().enumerate() {
                image.read_row(channel, (covered.first + i) as u32, &mut row);
                sums.iter_mut().zip(&row).for_each(|(sum, value)| *sum += value * share);
            }
            for (new, covered) in narrow.iter_mut().zip(&columns) {
                let old = &sums[covered.first..][..covered.shares.len()];
                *new = old.iter().zip(&covered.shares).map(|(value, share)| value * share).sum();
            }
            samples.extend(narrow.iter().map(|&value| half::f16::from_f32(value)));
        }
        Channel { name: old.name.clone(), samples }
    });
    let channels = channels.collect();
    Image::from_channels(width, height, channels)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(width: u32, height: u32, value: impl Fn(u32, u32) -> f32) -> Image {
        let mut image = Image::new(width, height, &["R"]);
        for y in 0..height {
            let row: Vec<f32> = (0..width).map(|x| value(x, y)).collect();
            image.write_row(0, y, &row);
        }
        image
    }

    #[test]
    fn whole_blocks_are_their_means_and_parts_count_by_their_share() {
        let image = picture(4, 2, |x, y| (x + 4 * y) as f32);
        assert_eq!(area_average(&image, [0, 0, 4, 2], (2, 1)).plane_f32(0), [2.5, 4.5]);
        assert_eq!(area_average(&image, [0, 0, 4, 2], (4, 2)), image);
        assert_eq!(area_average(&image, [1, 1, 2, 1], (2, 1)).plane_f32(0), [5.0, 6.0]);
        // Three pixels onto two: one and a half each.
        let three = picture(3, 1, |x, _| [3.0, 6.0, 9.0][x as usize]);
        assert_eq!(area_average(&three, [0, 0, 3, 1], (2, 1)).plane_f32(0), [4.0, 8.0]);
        assert_eq!(area_average(&three, [0, 0, 3, 1], (6, 1)).plane_f32(0), [3.0, 3.0, 6.0, 6.0, 9.0, 9.0]);
    }

    #[test]
    fn the_mean_of_all_light_stays() {
        let image = picture(37, 23, |x, y| ((x * 7 + y * 13) % 11) as f32 / 11.0);
        let mean = |image: &Image| image.plane_f32(0).iter().sum::<f32>() / image.plane_f32(0).len() as f32;
        for size in [(10, 7), (37, 5), (1, 1), (64, 40)] {
            let new = area_average(&image, [0, 0, 37, 23], size);
            assert!((mean(&new) - mean(&image)).abs() < 3e-4, "{size:?}");
        }
    }
}
