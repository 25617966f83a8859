//! The shed mirrored in the wet floor, as soft as stone is rough.
//!
//! Knows which pixels are of the floor and what they shine with. Does not know what is mirrored.
//!
//! One ray a pixel finds what still water would show, with edges as hard as the timber's own. Wet stone is not still
//! water: it spreads what it mirrors, most along the look, so upwards in the frame. Light is spread among the floor's
//! pixels only.

use super::camera::{HEIGHT, WIDTH};
use super::math::{Vec3, most, vec3};

/// How far light is spread, in pixels to either side, by each of two passes: across and upright.
const ACROSS: usize = 3;
const UPRIGHT: usize = 7;

/// What pixels of the floor shine with: red, green, blue, and 1; all 0 elsewhere.
pub struct Gloss(Vec<[f32; 4]>);

impl Gloss {
    /// No floor yet.
    pub fn new() -> Self {
        Gloss(vec![[0.0; 4]; WIDTH * HEIGHT])
    }

    /// Sets what a pixel shines with, when it is of the floor.
    pub fn put(&mut self, at: usize, shine: Option<Vec3>) {
        if let Some(v) = shine {
            self.0[at] = [v.x, v.y, v.z, 1.0];
        }
    }

    /// Spreads all and adds it to the picture.
    pub fn lay(self, picture: &mut [Vec3]) {
        let rows = |row: &[[f32; 4]]| row.iter().any(|v| v[3] > 0.0);
        let lit: Vec<bool> = self.0.chunks_exact(WIDTH).map(rows).collect();
        let Some(first) = lit.iter().position(|&l| l) else { return };
        let last = lit.iter().rposition(|&l| l).unwrap_or(first);
        let floor: Vec<bool> = self.0.iter().map(|v| v[3] > 0.0).collect();
        let mut wide = self.0;
        let part = &mut wide[first * WIDTH..(last + 1) * WIDTH];
        let mut line = vec![[0.0; 4]; WIDTH];
        for row in part.chunks_exact_mut(WIDTH) {
            for _ in 0..2 {
                line.copy_from_slice(row);
                across(&line, row);
            }
        }
        for _ in 0..2 {
            let from = part.to_vec();
            upright(&from, part);
        }
        for at in first * WIDTH..(last + 1) * WIDTH {
            if floor[at] {
                let [r, g, b, weight] = wide[at];
                picture[at] = picture[at] + vec3(r, g, b) * (1.0 / most(weight, 1e-6));
            }
        }
    }
}

/// Sums of the pixels within [`ACROSS`] of each.
fn across(from: &[[f32; 4]], to: &mut [[f32; 4]]) {
    let count = from.len();
    for (x, to) in to.iter_mut().enumerate() {
        let mut sum = [0.0; 4];
        for v in &from[x.saturating_sub(ACROSS)..(x + ACROSS + 1).min(count)] {
            (0..4).for_each(|c| sum[c] += v[c]);
        }
        *to = sum;
    }
}

/// Sums of the rows within [`UPRIGHT`] of each.
fn upright(from: &[[f32; 4]], to: &mut [[f32; 4]]) {
    let height = from.len() / WIDTH;
    for (y, row) in to.chunks_exact_mut(WIDTH).enumerate() {
        row.fill([0.0; 4]);
        for near in y.saturating_sub(UPRIGHT)..(y + UPRIGHT + 1).min(height) {
            for (sum, v) in row.iter_mut().zip(&from[near * WIDTH..(near + 1) * WIDTH]) {
                (0..4).for_each(|c| sum[c] += v[c]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn light_stays_on_the_floor_and_an_even_shine_stays_as_it_is() {
        let mut gloss = Gloss::new();
        for at in 300 * WIDTH..HEIGHT * WIDTH {
            if at % WIDTH > 200 {
                gloss.put(at, Some(vec3(0.25, 0.5, 1.0)));
            }
        }
        let mut picture = vec![Vec3::default(); WIDTH * HEIGHT];
        gloss.lay(&mut picture);
        let lit = |x: usize, y: usize| picture[y * WIDTH + x];
        assert_eq!((lit(200, 400).x, lit(500, 299).x), (0.0, 0.0));
        for (x, y) in [(201, 300), (500, 400), (959, 539)] {
            assert!((lit(x, y).y - 0.5).abs() < 1e-5);
        }
    }

    #[test]
    fn an_edge_becomes_soft() {
        let mut gloss = Gloss::new();
        for at in 0..HEIGHT * WIDTH {
            gloss.put(at, Some(vec3(if at / WIDTH < 400 { 1.0 } else { 0.0 }, 0.0, 0.0)));
        }
        let mut picture = vec![Vec3::default(); WIDTH * HEIGHT];
        gloss.lay(&mut picture);
        let steps = (1..HEIGHT).map(|y| (picture[y * WIDTH].x - picture[(y - 1) * WIDTH].x).abs());
        assert!(steps.fold(0.0, most) < 0.08);
    }
}
