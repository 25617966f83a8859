//! Blocks asked eight at a time where a ray enters and leaves them.
//!
//! Knows slabs and plain loops that become vector instructions. Does not know what blocks are made of.

use super::math::{Vec3, least, most, vec3};
use super::set::{Block, Stuff};

/// Where a ray enters and leaves the space between two parallel planes, `half` either side of 0.
#[inline(always)]
pub fn slab(from: f32, direction: f32, half: f32) -> (f32, f32) {
    let k = 1.0 / (direction + TINY);
    let (a, b) = (-from * k, half * k.abs());
    (a - b, a + b)
}

/// Blocks, or pixels, asked together.
pub const LANES: usize = 8;

/// A number for each of eight blocks or pixels.
pub type Eight = [f32; LANES];

/// Works out each of eight numbers; short steps of this kind become vector instructions.
#[inline(always)]
pub fn each(number: impl Fn(usize) -> f32) -> Eight {
    std::array::from_fn(number)
}

/// [`slab`] for eight blocks.
#[inline(always)]
fn slabs(from: &Eight, direction: &Eight, half: &Eight) -> (Eight, Eight) {
    let k = each(|l| 1.0 / (direction[l] + TINY));
    let a = each(|l| -from[l] * k[l]);
    let b = each(|l| half[l] * k[l].abs());
    (each(|l| a[l] - b[l]), each(|l| a[l] + b[l]))
}

/// Added to a direction before it divides, so that a ray along a face never divides by zero.
pub const TINY: f32 = 1e-13;

/// Eight blocks side by side, so that one loop without branches asks all of them.
#[derive(Clone, Default)]
pub struct Group {
    centre: [[f32; LANES]; 3],
    half: [[f32; LANES]; 3],
    turn: [[f32; LANES]; 2],
    /// A block around all of them: rays that miss it ask no further.
    around: (Vec3, Vec3),
}

impl Group {
    /// Up to eight blocks.
    pub fn of(blocks: &[Block]) -> Self {
        let mut group = Group::default();
        // Lanes without a block hold one of no size, far away.
        group.centre[1] = [-1e6; LANES];
        group.turn[0] = [1.0; LANES];
        for (l, b) in blocks.iter().enumerate() {
            for (axis, (c, h)) in [(b.centre.x, b.half.x), (b.centre.y, b.half.y), (b.centre.z, b.half.z)]
                .into_iter()
                .enumerate()
            {
                (group.centre[axis][l], group.half[axis][l]) = (c, h);
            }
            (group.turn[0][l], group.turn[1][l]) = b.turn;
        }
        let (mut low, mut high) = (vec3(1e6, 1e6, 1e6), vec3(-1e6, -1e6, -1e6));
        for b in blocks {
            let (c, s) = (b.turn.0.abs(), b.turn.1.abs());
            let reach = vec3(c * b.half.x + s * b.half.y, s * b.half.x + c * b.half.y, b.half.z);
            let (a, z) = (b.centre - reach, b.centre + reach);
            low = vec3(least(low.x, a.x), least(low.y, a.y), least(low.z, a.z));
            high = vec3(most(high.x, z.x), most(high.y, z.y), most(high.z, z.z));
        }
        // A little larger, so that rounding never hides a block that the ray grazes.
        group.around = (low.to(high, 0.5), (high - low) * 0.5 + vec3(1e-3, 1e-3, 1e-3));
        group
    }

    /// The block around all of them, made of whatever they are.
    pub fn around(&self, stuff: Stuff) -> Block {
        let (centre, half) = self.around;
        Block { centre, half, turn: (1.0, 0.0), stuff, shades: false }
    }

    /// Where a ray enters and leaves each block.
    #[inline(always)]
    pub fn span(&self, eye: Vec3, ray: Vec3) -> (Eight, Eight) {
        let [cx, cy, cz] = &self.centre;
        let [c, s] = &self.turn;
        let (x, y) = (each(|l| eye.x - cx[l]), each(|l| eye.y - cy[l]));
        let along_x = slabs(
            &each(|l| c[l] * x[l] + s[l] * y[l]),
            &each(|l| c[l] * ray.x + s[l] * ray.y),
            &self.half[0],
        );
        let along_y = slabs(
            &each(|l| c[l] * y[l] - s[l] * x[l]),
            &each(|l| c[l] * ray.y - s[l] * ray.x),
            &self.half[1],
        );
        let along_z = slabs(&each(|l| eye.z - cz[l]), &[ray.z; LANES], &self.half[2]);
        let enter = each(|l| most(along_x.0[l], most(along_y.0[l], along_z.0[l])));
        let leave = each(|l| least(along_x.1[l], least(along_y.1[l], along_z.1[l])));
        (enter, leave)
    }
}

#[cfg(test)]
mod tests {
    use super::super::set::shed;
    use super::*;

    #[test]
    fn eight_together_answer_as_each_alone() {
        let blocks = &shed().blocks[..LANES - 1];
        let group = Group::of(blocks);
        let (eye, ray) = (vec3(-0.7, 1.5, -3.0), vec3(0.21, -0.1, 1.0));
        let (enter, leave) = group.span(eye, ray);
        for (l, block) in blocks.iter().enumerate() {
            let alone = block.span(eye, ray);
            assert!((enter[l] - alone.0).abs() <= 1e-4 * (1.0 + alone.0.abs()), "{l}");
            assert!((leave[l] - alone.1).abs() <= 1e-4 * (1.0 + alone.1.abs()), "{l}");
        }
        assert!(enter[LANES - 1] >= leave[LANES - 1], "a lane without a block is never met");
        let around = group.around(Stuff::Timber);
        let (enter, leave) = around.span(vec3(0.0, 40.0, 0.0), vec3(0.0, 1.0, 0.0));
        assert!(enter >= leave || leave < 0.0);
    }
}
