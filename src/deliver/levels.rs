//! Display-coded R'G'B' as the whole numbers that a coder takes: Y'CbCr in narrow range, or R'G'B' in full range.
//!
//! Knows matrices, ranges and where chroma samples lie. Does not know coders. Computed here and not by a coder's program, so
//! that every level is ours: Y' = round((219 E + 16) 2^(n-8)), C = round((224 E + 128) 2^(n-8)) (BT.709-6 item 6.10,
//! BT.2100-2 table 9), kept out of the codes reserved for synchronisation (0 to 3 and 1020 to 1023 of 10 bits).

use super::target::{Colour, Preset};
use crate::media::image::Raster;

/// Which chroma samples there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sampling {
    /// Three full planes of R'G'B'.
    Rgb,
    /// Half as many across, each at the place of every other Y'.
    Half,
    /// Half as many across and down; across as `Half`, down between two lines.
    QuarterLeft,
    /// Half as many across and down, each at the place of every other Y' of every other line.
    QuarterTopLeft,
}

/// How pictures are coded as whole numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coding {
    /// Chroma.
    pub sampling: Sampling,
    /// Bits of a sample; more than 8 take two bytes, the lower first.
    pub bits: u8,
    /// Weights of red and blue in Y'.
    pub weights: (f32, f32),
}

impl Coding {
    /// What a preset's coder takes.
    pub fn of(preset: Preset, colour: Colour) -> Self {
        let (sampling, bits) = match preset {
            Preset::Ffv1 => (Sampling::Rgb, 16),
            Preset::Vc3 | Preset::Rdd36 => (Sampling::Half, 10),
            Preset::H264 => (Sampling::QuarterLeft, 8),
            // BT.2020-2 and BT.2100-2 place the chroma of 4:2:0 at the top left; BT.709's habit is between the lines.
            Preset::Av1 if colour != Colour::Bt709 => (Sampling::QuarterTopLeft, 10),
            Preset::Av1 => (Sampling::QuarterLeft, 10),
        };
        Self { sampling, bits, weights: colour.weights() }
    }

    /// Samples of each of the three planes.
    pub fn planes(&self, (width, height): (u32, u32)) -> [usize; 3] {
        let (w, h) = (width as usize, height as usize);
        let chroma = match self.sampling {
            Sampling::Rgb => w * h,
            Sampling::Half => w.div_ceil(2) * h,
            Sampling::QuarterLeft | Sampling::QuarterTopLeft => w.div_ceil(2) * h.div_ceil(2),
        };
        [w * h, chroma, chroma]
    }

    /// Bytes of a picture.
    pub fn bytes(&self, size: (u32, u32)) -> usize {
        self.planes(size).iter().sum::<usize>() * if self.bits > 8 { 2 } else { 1 }
    }

    /// A picture's samples, plane by plane: Y', Cb, Cr, or G', B', R' as coders take those. What is no number counts as 0.
    ///
    /// # Errors
    /// When the picture has not the planes `R`, `G` and `B` of its size.
    pub fn code(&self, picture: &Raster) -> Result<Vec<u8>, String> {
        let size = (picture.width, picture.height);
        let [r, g, b] = planes(picture)?;
        let mut out = Vec::with_capacity(self.bytes(size));
        if self.sampling == Sampling::Rgb {
            let most = ((1u32 << self.bits) - 1) as f32;
            for plane in [g, b, r] {
                self.put(plane.iter().map(|v| (v.clamp(0.0, 1.0) * most).round()), &mut out);
            }
            return Ok(out);
        }
        let (red, blue) = self.weights;
        let (width, height) = (size.0 as usize, size.1 as usize);
        let finite = |v: f32| if v.is_finite() { v } else { 0.0 };
        let luma =
            |at: usize| red * finite(r[at]) + (1.0 - red - blue) * finite(g[at]) + blue * finite(b[at]);
        let y: Vec<f32> = (0..width * height).map(luma).collect();
        // Two more bits are a step of four, whatever the depth.
        let unit = (1u32 << (self.bits - 8)) as f32;
        let (least, most) = (unit, 255.0 * unit - 1.0);
        self.put(y.iter().map(|v| ((219.0 * v + 16.0) * unit).round().clamp(least, most)), &mut out);
        for (plane, weight) in [(b, blue), (r, red)] {
            let full: Vec<f32> =
                plane.iter().zip(&y).map(|(c, y)| (finite(*c) - y) / (2.0 * (1.0 - weight))).collect();
            let less = self.fewer(&full, width, height);
            self.put(less.iter().map(|v| ((224.0 * v + 128.0) * unit).round().clamp(least, most)), &mut out);
        }
        Ok(out)
    }

    fn put(&self, codes: impl Iterator<Item = f32>, out: &mut Vec<u8>) {
        if self.bits > 8 {
            out.extend(codes.flat_map(|code| (code as u16).to_le_bytes()));
        } else {
            out.extend(codes.map(|code| code as u8));
        }
    }

    /// Chroma at the places where it is kept. Weights 1 2 1 about a sample's place, or the mean of the two beside it (common
    /// practice, no source); the edge is repeated.
    fn fewer(&self, full: &[f32], width: usize, height: usize) -> Vec<f32> {
        let mut across = Vec::with_capacity(width.div_ceil(2) * height);
        for row in full.chunks_exact(width) {
            for x in (0..width).step_by(2) {
                let (left, right) = (row[x.saturating_sub(1)], row[(x + 1).min(width - 1)]);
                across.push(0.25 * left + 0.5 * row[x] + 0.25 * right);
            }
        }
        let width = width.div_ceil(2);
        let row = |y: usize| &across[y * width..][..width];
        let mut out = Vec::with_capacity(width * height.div_ceil(2));
        for y in (0..height).step_by(2) {
            let below = row((y + 1).min(height - 1));
            match self.sampling {
                Sampling::Rgb | Sampling::Half => return across,
                Sampling::QuarterLeft => out.extend(row(y).iter().zip(below).map(|(a, b)| 0.5 * (a + b))),
                Sampling::QuarterTopLeft => {
                    let above = row(y.saturating_sub(1));
                    let three = above.iter().zip(row(y)).zip(below);
                    out.extend(three.map(|((a, b), c)| 0.25 * a + 0.5 * b + 0.25 * c));
                }
            }
        }
        out
    }
}

/// The planes of red, green and blue.
///
/// # Errors
/// When one is missing or of another size.
pub fn planes(picture: &Raster) -> Result<[&[f32]; 3], String> {
    let pixels = picture.width as usize * picture.height as usize;
    let plane = |name: &str| {
        let plane = picture.planes.iter().find(|(n, samples)| n == name && samples.len() == pixels);
        plane.map(|(_, samples)| &samples[..]).ok_or_else(|| format!("it has no whole plane {name}"))
    };
    Ok([plane("R")?, plane("G")?, plane("B")?])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn field(rgb: [f32; 3], (width, height): (u32, u32)) -> Raster {
        let plane = |v: f32| vec![v; (width * height) as usize];
        let planes = ["R", "G", "B"].iter().zip(rgb).map(|(name, v)| (name.to_string(), plane(v))).collect();
        Raster { width, height, planes, straight_alpha: false }
    }

    fn coded(coding: Coding, rgb: [f32; 3]) -> [u16; 3] {
        let bytes = coding.code(&field(rgb, (4, 4))).unwrap();
        let wide = usize::from(coding.bits > 8) + 1;
        let sample = |at: usize| match &bytes[at * wide..(at + 1) * wide] {
            [a] => u16::from(*a),
            [a, b] => u16::from_le_bytes([*a, *b]),
            _ => unreachable!(),
        };
        let [y, cb, _] = coding.planes((4, 4));
        [sample(0), sample(y), sample(y + cb)]
    }

    /// Codes of colour bars, 100 % (BT.709-6's matrix; SMPTE RP 219-1 prints the 75 % row).
    #[test]
    fn bars_have_their_codes() {
        let ten = Coding::of(Preset::Vc3, Colour::Bt709);
        let eight = Coding::of(Preset::H264, Colour::Bt709);
        for (rgb, bits10, bits8) in [
            ([1.0, 1.0, 1.0], [940, 512, 512], [235, 128, 128]),
            ([1.0, 1.0, 0.0], [877, 64, 553], [219, 16, 138]),
            ([0.0, 1.0, 1.0], [754, 615, 64], [188, 154, 16]),
            ([0.0, 1.0, 0.0], [691, 167, 105], [173, 42, 26]),
            ([1.0, 0.0, 1.0], [313, 857, 919], [78, 214, 230]),
            ([1.0, 0.0, 0.0], [250, 409, 960], [63, 102, 240]),
            ([0.0, 0.0, 1.0], [127, 960, 471], [32, 240, 118]),
            ([0.0, 0.0, 0.0], [64, 512, 512], [16, 128, 128]),
            ([0.75, 0.75, 0.0], [674, 176, 543], [168, 44, 136]),
            ([0.0, 0.0, 0.75], [111, 848, 481], [28, 212, 120]),
        ] {
            assert_eq!(coded(ten, rgb), bits10, "{rgb:?}");
            assert_eq!(coded(eight, rgb), bits8, "{rgb:?}");
        }
        // Reserved codes are never used, and what is no number is black.
        assert_eq!(coded(ten, [-9.0; 3])[0], 4);
        assert_eq!(coded(ten, [9.0; 3])[0], 1019);
        assert_eq!(coded(eight, [-9.0; 3])[0], 1);
        assert_eq!(coded(eight, [9.0; 3])[0], 254);
        assert_eq!(coded(ten, [f32::NAN; 3]), [64, 512, 512]);
        assert_eq!(coded(Coding::of(Preset::Ffv1, Colour::Pq), [1.0, 0.5, -1.0]), [32768, 0, 65535]);
    }

    /// BT.2020-2's weights: red is 0.2627 of white, and its Cr is at the end of the range.
    #[test]
    fn wide_colour_has_its_own_matrix() {
        let coding = Coding::of(Preset::Av1, Colour::Pq);
        assert_eq!(coding.sampling, Sampling::QuarterTopLeft);
        assert_eq!(coded(coding, [1.0, 0.0, 0.0]), [294, 387, 960]);
    }

    #[test]
    fn chroma_lies_where_it_is_said_to_lie() {
        let mut picture = field([0.0; 3], (4, 4));
        // A column of blue at x = 2: half of it stays at its own place, a quarter of it reaches neither neighbour, which are two away.
        for y in 0..4 {
            picture.planes[2].1[y * 4 + 2] = 1.0;
        }
        let coding = Coding { sampling: Sampling::Half, bits: 8, weights: (0.2126, 0.0722) };
        let bytes = coding.code(&picture).unwrap();
        assert_eq!(bytes[16..18], [128, 184]);
        // A line at y = 2 is met in full by neither way of halving the lines, but lies nearer to the second.
        let mut picture = field([0.0; 3], (4, 4));
        picture.planes[2].1[8..12].fill(1.0);
        let lines = |picture: &Raster, sampling| {
            let bytes = Coding { sampling, ..coding }.code(picture).unwrap();
            [bytes[16], bytes[18]]
        };
        assert_eq!(lines(&picture, Sampling::QuarterLeft), [128, 184]);
        assert_eq!(lines(&picture, Sampling::QuarterTopLeft), [128, 184]);
        picture.planes[2].1.fill(0.0);
        picture.planes[2].1[4..8].fill(1.0);
        assert_eq!(lines(&picture, Sampling::QuarterLeft), [184, 128]);
        assert_eq!(lines(&picture, Sampling::QuarterTopLeft), [156, 156]);
    }

    #[test]
    fn other_planes_are_refused() {
        let mut picture = field([0.0; 3], (4, 4));
        picture.planes[1].1.pop();
        assert!(Coding::of(Preset::Vc3, Colour::Bt709).code(&picture).unwrap_err().contains("plane G"));
    }

    proptest! {
        #[test]
        fn any_size_gives_the_bytes_that_are_told(width in 1u32..9, height in 1u32..9, which in 0usize..5) {
            for colour in [Colour::Bt709, Colour::Pq] {
                let coding = Coding::of(Preset::ALL[which], colour);
                let bytes = coding.code(&field([0.2, 0.4, 0.6], (width, height))).unwrap();
                prop_assert_eq!(bytes.len(), coding.bytes((width, height)));
            }
        }
    }
}
