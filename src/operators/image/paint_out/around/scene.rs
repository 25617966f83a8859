//! The picture around a hole as patches are compared, at one fineness.
//!
//! Knows what is compared, what may be copied and the next coarser scene. Does not know how patches are found.

use crate::operators::image::paint_out::field::Pixel;
use crate::operators::image::paint_out::seam::Role;

/// A patch reaches this far from its middle, in pixels.
pub const REACH: usize = 3;
/// How far around a pixel texture is gathered, in pixels.
const TEXTURE: usize = 8;
/// What the feature of texture weighs beside colour; its square is the 50 of Newson et al.
const WEIGHT: f32 = 7.0;
/// With fewer places to copy from there is no choice.
const FEWEST: usize = 60;

/// One scene.
pub struct Scene {
    /// Pixels across.
    pub width: usize,
    /// What is compared: square roots of red, green and blue, and texture.
    pub guide: Vec<Pixel>,
    /// What is to be filled.
    pub hole: Vec<bool>,
    /// What is neither to be filled nor looked at.
    apart: Vec<bool>,
    /// 1 where a pixel of a patch in want counts, 0 elsewhere.
    pub counts: Vec<f32>,
    /// Middles of patches that may be copied.
    pub whole: Vec<bool>,
    /// Middles of patches that touch the hole, in rising order.
    pub wanting: Vec<usize>,
}

impl Scene {
    /// The scene of a picture and its roles.
    pub fn finest(pixels: &[Pixel], roles: &[Role], width: usize) -> Self {
        let root = |v: f32| if v > 0.0 { v.sqrt() } else { 0.0 };
        let mut guide: Vec<Pixel> =
            pixels.iter().map(|p| [root(p[0]), root(p[1]), root(p[2]), 0.0]).collect();
        let hole: Vec<bool> = roles.iter().map(|r| *r == Role::Hole).collect();
        let apart: Vec<bool> = roles.iter().map(|r| *r == Role::Apart).collect();
        let known: Vec<bool> = roles.iter().map(|r| *r == Role::Known).collect();
        let texture = texture(&guide, &known, width);
        for (pixel, texture) in guide.iter_mut().zip(texture) {
            pixel[3] = WEIGHT * texture;
        }
        Self::of(width, guide, hole, apart)
    }

    fn of(width: usize, guide: Vec<Pixel>, hole: Vec<bool>, apart: Vec<bool>) -> Self {
        let height = guide.len() / width;
        let near = |at: usize| {
            let (x, y) = (at % width, at / width);
            let columns = x.saturating_sub(REACH)..(x + REACH + 1).min(width);
            (y.saturating_sub(REACH)..(y + REACH + 1).min(height))
                .flat_map(move |y| columns.clone().map(move |x| y * width + x))
        };
        let inside = |at: usize| {
            let (x, y) = (at % width, at / width);
            x >= REACH && y >= REACH && x + REACH < width && y + REACH < height
        };
        let unknown: Vec<bool> = hole.iter().zip(&apart).map(|(h, a)| *h || *a).collect();
        let whole = (0..guide.len()).map(|at| inside(at) && near(at).all(|n| !unknown[n])).collect();
        let wanting = (0..guide.len()).filter(|&at| near(at).any(|n| hole[n])).collect();
        let counts = apart.iter().map(|a| f32::from(!*a)).collect();
        Self { width, guide, hole, apart, counts, whole, wanting }
    }

    /// Pixels down.
    pub fn height(&self) -> usize {
        self.guide.len() / self.width
    }

    /// Whether there is enough to copy from.
    pub fn is_enough(&self) -> bool {
        self.whole.iter().filter(|w| **w).count() >= FEWEST
    }

    /// The scene at half the fineness: known pixels through the kernel (1, 3, 3, 1); what any of a pixel's four has of the
    /// hole is hole.
    pub fn coarser(&self) -> Self {
        let (width, height) = (self.width, self.height());
        let half = (width.div_ceil(2), height.div_ceil(2));
        let count = half.0 * half.1;
        let (mut guide, mut hole, mut apart) =
            (vec![[0.0f32; 4]; count], vec![false; count], vec![false; count]);
        for (at, guide) in guide.iter_mut().enumerate() {
            let (x, y) = (at % half.0 * 2, at / half.0 * 2);
            let (mut sum, mut total) = ([0.0f32; 4], 0.0f32);
            for (dy, down) in [1.0f32, 3.0, 3.0, 1.0].into_iter().enumerate() {
                for (dx, across) in [1.0f32, 3.0, 3.0, 1.0].into_iter().enumerate() {
                    let (px, py) = ((x + dx).wrapping_sub(1), (y + dy).wrapping_sub(1));
                    if px >= width || py >= height {
                        continue;
                    }
                    let from = py * width + px;
                    let own = (1..3).contains(&dx) && (1..3).contains(&dy);
                    hole[at] |= own && self.hole[from];
                    apart[at] |= own && self.apart[from];
                    if !self.hole[from] && !self.apart[from] {
                        let weight = down * across;
                        (0..4).for_each(|c| sum[c] += weight * self.guide[from][c]);
                        total += weight;
                    }
                }
            }
            apart[at] &= !hole[at];
            if total > 0.0 {
                *guide = sum.map(|s| s / total);
            }
        }
        Self::of(half.0, guide, hole, apart)
    }
}

/// The mean change from pixel to pixel around each, over known pixels.
fn texture(guide: &[Pixel], known: &[bool], width: usize) -> Vec<f32> {
    let height = guide.len() / width;
    let light = |at: usize| (guide[at][0] + guide[at][1] + guide[at][2]) * (1.0 / 3.0);
    // Sums over all that lies above and to the left, with a row and a column of zeros.
    let stride = width + 1;
    let mut sums = vec![(0.0f64, 0.0f64); stride * (height + 1)];
    for y in 0..height {
        let (mut change, mut count) = (0.0f64, 0.0f64);
        for x in 0..width {
            let at = y * width + x;
            for near in [(x + 1 < width).then(|| at + 1), (y + 1 < height).then(|| at + width)] {
                if let Some(near) = near.filter(|&near| known[at] && known[near]) {
                    change += f64::from((light(near) - light(at)).abs());
                    count += 0.5;
                }
            }
            let above = sums[y * stride + x + 1];
            sums[(y + 1) * stride + x + 1] = (above.0 + change, above.1 + count);
        }
    }
    (0..guide.len())
        .map(|at| {
            let (x, y) = (at % width, at / width);
            let (left, right) = (x.saturating_sub(TEXTURE), (x + TEXTURE + 1).min(width));
            let (top, end) = (y.saturating_sub(TEXTURE), (y + TEXTURE + 1).min(height));
            let sum = |pick: fn((f64, f64)) -> f64| {
                let at = |x: usize, y: usize| pick(sums[y * stride + x]);
                at(right, end) - at(left, end) - at(right, top) + at(left, top)
            };
            let count = sum(|s| s.1);
            if count > 0.0 { (sum(|s| s.0) / count) as f32 } else { 0.0 }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coarser_scenes_keep_the_hole_and_do_not_mix_it_in() {
        let (width, height) = (21, 20);
        let mut roles = vec![Role::Known; width * height];
        let mut pixels = vec![[0.25, 0.25, 0.25, 1.0]; width * height];
        for (x, y) in [(9, 9), (10, 9), (20, 19)] {
            roles[y * width + x] = Role::Hole;
            pixels[y * width + x] = [100.0; 4];
        }
        let scene = Scene::finest(&pixels, &roles, width);
        assert!(
            scene.guide.iter().zip(&roles).all(|(g, r)| *r == Role::Hole || (g[0] == 0.5 && g[3] == 0.0))
        );
        assert_eq!(scene.wanting.len(), 7 * 8 + 16);
        let coarse = scene.coarser();
        assert_eq!((coarse.width, coarse.height()), (11, 10));
        let holes: Vec<usize> = (0..110).filter(|&i| coarse.hole[i]).collect();
        assert_eq!(holes, [4 * 11 + 4, 4 * 11 + 5, 9 * 11 + 10]);
        assert!(coarse.guide.iter().zip(&coarse.hole).all(|(g, h)| *h || (g[0] - 0.5).abs() < 1e-6));
    }
}
