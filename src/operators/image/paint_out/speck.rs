//! Specks of grain: repeatable noise of unit variance through a small kernel.
//!
//! Knows seeds and places. Does not know how strong grain is.

/// What distances of second differences make of specks with kernel (t, 1, t): the factor on their variance.
pub fn variance_at(t: f32, distance: usize) -> f32 {
    let power = 1.0 + 2.0 * t * t;
    // How alike specks are one and two pixels apart; three and more apart they have nothing in common.
    let (one, two) = (2.0 * t / power, t * t / power);
    let line = if distance == 1 { 6.0 - 8.0 * one + 2.0 * two } else { 6.0 - 8.0 * two };
    line * line
}

/// t of the specks whose second differences have these variances at one and at two pixels.
pub fn spread(near: f32, far: f32) -> f32 {
    if far <= 0.0 {
        return 0.0;
    }
    let ratio = near / far;
    let (mut low, mut high) = (0.0f32, MOST);
    for _ in 0..24 {
        let middle = (low + high) / 2.0;
        // The ratio falls as specks widen.
        if variance_at(middle, 1) / variance_at(middle, 2) > ratio { low = middle } else { high = middle }
    }
    low
}

/// The widest specks: (1/2, 1, 1/2).
const MOST: f32 = 0.5;

/// Grain of three channels, of unit variance, repeatable from seed and frame.
pub struct Specks {
    seed: u64,
    spread: [f32; 3],
}

/// Layers of noise: one for each channel and one that they share.
const LAYERS: usize = 4;

impl Specks {
    /// Grain of a seed and a frame.
    pub fn new((seed, frame): (i64, i64), spread: [f32; 3]) -> Self {
        let seed = scramble(scramble(seed as u64) ^ frame as u64);
        Self { seed, spread }
    }

    /// `count` specks from a place of the frame on, channel by channel: the shared layer and the channel's own by these
    /// weights.
    pub fn row(&self, x: usize, y: usize, count: usize, (shared, own): (f32, f32)) -> [Vec<f32>; 3] {
        // Rows are numbered one higher, so that the row above the frame has a number as well.
        let white = |layer: usize, dy: usize| -> Vec<f32> {
            (0..count + 2).map(|i| self.white(layer, x + i, y + dy)).collect()
        };
        let layers: [[Vec<f32>; 3]; LAYERS] = [0, 1, 2, 3].map(|l| [0, 1, 2].map(|dy| white(l, dy)));
        [0, 1, 2].map(|c| {
            let t = self.spread[c];
            let norm = 1.0 / (1.0 + 2.0 * t * t);
            let mut line = vec![0.0f32; count + 2];
            let mut out = vec![0.0f32; count];
            for (layer, weight) in [(&layers[3], shared), (&layers[c], own)] {
                for (i, l) in line.iter_mut().enumerate() {
                    *l = layer[1][i] + t * (layer[0][i] + layer[2][i]);
                }
                for (i, o) in out.iter_mut().enumerate() {
                    *o += weight * norm * (line[i + 1] + t * (line[i] + line[i + 2]));
                }
            }
            out
        })
    }

    /// One number of variance 1: eight even bytes added come close to a bell curve.
    fn white(&self, layer: usize, x: usize, y: usize) -> f32 {
        let place = (y as u64) << 34 | (x as u64) << 4 | layer as u64;
        let bits = scramble(self.seed ^ place.wrapping_mul(0x9E37_79B9_7F4A_7C15));
        let sum: i32 = bits.to_le_bytes().iter().map(|&b| i32::from(b)).sum();
        // Eight bytes have the mean 1020 and the variance 8 (256² − 1) / 12 = 43690.
        (sum - 1020) as f32 * (1.0 / 209.021_53)
    }
}

/// Mixes the bits of a number (the end of splitmix64).
pub fn scramble(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_kernel_is_found_again_from_the_ratio() {
        for t in [0.0f32, 0.1, 0.3, 0.5] {
            let got = spread(variance_at(t, 1), variance_at(t, 2));
            assert!((got - t).abs() < 1e-4, "{got} for {t}");
        }
        assert_eq!((spread(1.0, 0.0), spread(9.0, 1.0)), (0.0, 0.0));
    }

    #[test]
    fn a_place_has_its_speck_whatever_the_row_begins_with() {
        let specks = Specks::new((4, 1009), [0.0, 0.25, 0.5]);
        let (all, part) = (specks.row(0, 7, 50, (0.6, 0.8)), specks.row(20, 7, 30, (0.6, 0.8)));
        assert!((0..3).all(|c| all[c][20..] == part[c][..]));
        assert_ne!(
            Specks::new((4, 1010), [0.0; 3]).row(0, 7, 9, (0.0, 1.0)),
            specks.row(0, 7, 9, (0.0, 1.0))
        );
    }
}
