//! Pictures as 8-bit codes for a screen.
//!
//! A plain rule, so that what is seen is what is there: light goes to sRGB's primaries, is held to 0 … 1 (what is brighter than white is
//! white) and encoded by sRGB's curve (IEC 61966-2-1). No tone curve. What is transparent shows black under it.
//! Knows pixels. Does not know files.

use super::chain::Chain;
use super::encoding::Encoding;
use crate::base::level::Level;
use crate::media::image::{Image, RGBA};
use crate::operators::WorkingSpace;

/// Codes of red, green and blue, pixel by pixel from the top left; of a picture without them, of its first three channels. `stops` makes light brighter first.
pub fn codes(image: &Image, space: WorkingSpace, stops: f64) -> Vec<u8> {
    let mut chain = Chain::new();
    chain.convert(space.encoding(), Encoding::named("srgb").expect("a name of the list"));
    let width = image.width() as usize;
    let gain = 2.0f32.powf(stops as f32);
    let mut planes: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; width]);
    let mut codes = Vec::with_capacity(width * image.height() as usize * 3);
    let places: [usize; 3] = std::array::from_fn(|c| image.channel(RGBA[c]).unwrap_or(c));
    for y in 0..image.height() {
        for (plane, channel) in planes.iter_mut().zip(places) {
            image.read_row(channel, y, plane);
            plane.iter_mut().for_each(|v| *v *= gain);
        }
        let [r, g, b] = &mut planes;
        chain.apply(Level::best(), [r, g, b]);
        for x in 0..width {
            codes.extend(planes.iter().map(|plane| (plane[x].clamp(0.0, 1.0) * 255.0).round() as u8));
        }
    }
    codes
}

#[cfg(test)]
mod tests {
    use super::*;

    /// sRGB codes of some levels of light by the curve's formula (IEC 61966-2-1), rounded to the nearest code.
    #[test]
    fn light_is_encoded_and_held() {
        let mut image = Image::new(6, 1, &RGBA);
        let levels = [-0.5, 0.0, 0.0021, 0.18, 1.0, 40.0];
        for channel in 0..3 {
            image.write_row(channel, 0, &levels);
        }
        let codes: Vec<u8> = codes(&image, WorkingSpace::LinearRec709, 0.0).chunks(3).map(|c| c[1]).collect();
        assert_eq!(codes, [0, 0, 7, 118, 255, 255]);
        let brighter = super::codes(&image, WorkingSpace::LinearRec709, 1.0);
        assert_eq!(brighter[3 * 3], 162);
        // Grey is grey in any working space.
        let wide = super::codes(&image, WorkingSpace::AcesCg, 0.0);
        assert!(wide[9..12].iter().all(|&code| code.abs_diff(118) <= 1), "{wide:?}");
    }
}
