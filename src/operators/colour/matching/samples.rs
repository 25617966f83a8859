//! Samples of a shot's pictures.
//!
//! Knows how pictures are thinned out. Does not know what samples are compared with.

use super::{FEWEST, Planes};
use crate::base::level::Level;
use crate::media::image::Image;
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::Encoding;

/// Cells across a picture's width. Each is averaged, which takes grain out of what is compared.
const ACROSS: usize = 240;
/// Most samples of a shot.
const MOST: usize = 2048;

/// The least light that is no black: ten stops below a grey card's 0.18. Common practice, no source.
const LIGHT: f32 = 0.18 / 1024.0;

/// The factor within which lights are one tone: a fiftieth of a stop, some steps of half floats. Common practice, no source.
const EVEN: f32 = 1.014;

/// Colours of a shot in its working space.
#[derive(Clone, Debug, Default)]
pub struct Samples {
    planes: Planes,
}

impl Samples {
    /// Samples of pictures, each with a matte of the same size, or none, within which alone it counts. Only cells that are
    /// opaque and within the matte throughout count.
    pub fn of<'a>(pictures: impl IntoIterator<Item = (&'a Image, Option<&'a [f32]>)>) -> Self {
        let none = Chain::new();
        Self::through(pictures.into_iter().map(|(image, matte)| (image, matte, &none)))
    }

    /// As [`Samples::of`], of pictures that are taken through steps of colour first.
    pub fn through<'a, 's>(
        pictures: impl IntoIterator<Item = (&'a Image, Option<&'a [f32]>, &'s Chain)>,
    ) -> Self {
        let mut samples = Self::default();
        for (image, matte, steps) in pictures {
            let start = samples.len();
            samples.take(image, matte);
            steps.apply(Level::best(), samples.planes.each_mut().map(|plane| &mut plane[start..]));
        }
        samples.thin();
        samples
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.planes[0].len()
    }

    /// True when there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Why nothing can be matched by these samples, when that is so: there are too few, or they are black.
    pub fn lack(&self) -> Option<&'static str> {
        let lit = |i: &usize| self.planes.iter().any(|plane| plane[*i] >= LIGHT);
        match (self.len() < FEWEST, (0..self.len()).filter(lit).count() < FEWEST.min(self.len() / 100 + 1)) {
            (true, _) => Some("too little of the pictures is opaque and within the matte"),
            (_, true) => Some("the pictures are black"),
            _ => None,
        }
    }

    /// Whether all samples are one even tone.
    pub fn is_even(&self) -> bool {
        self.planes.iter().all(|plane| {
            let mut sorted: Vec<f32> = plane.iter().map(|light| light.max(LIGHT)).collect();
            sorted.sort_unstable_by(f32::total_cmp);
            let at = |share: usize| sorted[(sorted.len() - 1) * share / 100];
            sorted.is_empty() || at(98) <= at(2) * EVEN
        })
    }

    /// The samples in another space.
    pub(super) fn converted(&self, from: Encoding, to: Encoding) -> Planes {
        let mut planes = self.planes.clone();
        let [r, g, b] = &mut planes;
        Chain::new().convert(from, to).apply(Level::best(), [r, g, b]);
        planes
    }

    fn take(&mut self, image: &Image, matte: Option<&[f32]>) {
        let (width, height) = (image.width() as usize, image.height() as usize);
        let Some([r, g, b]) = ["R", "G", "B"]
            .map(|name| image.channel(name))
            .into_iter()
            .collect::<Option<Vec<_>>>()
            .and_then(|all| <[usize; 3]>::try_from(all).ok())
        else {
            return;
        };
        let side = (width / ACROSS).max(1);
        let alpha = image.channel("A");
        for top in (0..(height / side) * side).step_by(side) {
            for left in (0..(width / side) * side).step_by(side) {
                let mut sums = [0.0f32; 3];
                let mut counts = true;
                for y in top..top + side {
                    for (sum, c) in sums.iter_mut().zip([r, g, b]) {
                        *sum +=
                            image.row(c, y as u32)[left..left + side].iter().map(|v| v.to_f32()).sum::<f32>();
                    }
                    let opaque = |c: usize| {
                        image.row(c, y as u32)[left..left + side].iter().all(|a| a.to_f32() >= 0.99)
                    };
                    counts &= alpha.is_none_or(opaque);
                    let inside =
                        |m: &[f32]| m[y * width + left..y * width + left + side].iter().all(|&m| m >= 0.99);
                    counts &= matte.is_none_or(inside);
                }
                if counts && sums.iter().all(|v| v.is_finite()) {
                    for (plane, sum) in self.planes.iter_mut().zip(sums) {
                        plane.push(sum / (side * side) as f32);
                    }
                }
            }
        }
    }

    /// Keeps every so many, so that all parts of all pictures are left.
    fn thin(&mut self) {
        let count = self.len();
        if count <= MOST {
            return;
        }
        for plane in &mut self.planes {
            *plane = (0..MOST).map(|i| plane[i * count / MOST]).collect();
        }
    }
}
