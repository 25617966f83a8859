//! What of the shed each pixel sees: the nearest block, its depth, and where edges run.
//!
//! Knows blocks drawn one after the other into a depth buffer. Does not know colours.

use super::camera::{Camera, HEIGHT, WIDTH};
use super::math::{Vec3, least, most, vec3};
use super::set::{Block, Shed, Stuff};

/// No block: never happens inside the closed shed, but a ray may slip between two edges.
pub const NOTHING: u32 = u32::MAX;

/// The nearest block and its depth, of every pixel.
pub struct Sight {
    /// Depths in metres at pixel centres.
    pub depth: Vec<f32>,
    /// Blocks by number.
    pub block: Vec<u32>,
}

/// Columns and rows of the frame that a block may cover: first and one past the last.
fn bounds(camera: &Camera, block: &Block) -> Option<[usize; 4]> {
    let (mut low, mut high) = ((f32::MAX, f32::MAX), (f32::MIN, f32::MIN));
    let (mut near, mut far) = (false, false);
    for corner in 0..8 {
        let sign = |bit: u32| if corner >> bit & 1 == 1 { 1.0 } else { -1.0 };
        let half = vec3(block.half.x * sign(0), block.half.y * sign(1), block.half.z * sign(2));
        let (x, y, depth) = camera.project(block.centre + block.outward(half));
        if depth < 0.06 {
            near = true;
            continue;
        }
        far = true;
        low = (least(low.0, x), least(low.1, y));
        high = (most(high.0, x), most(high.1, y));
    }
    if !far {
        return None;
    }
    if near {
        // Part of it is behind the lens, where projection says nothing: look everywhere.
        return Some([0, WIDTH, 0, HEIGHT]);
    }
    let column = |x: f32| least(most(x, 0.0), WIDTH as f32) as usize;
    let row = |y: f32| least(most(y, 0.0), HEIGHT as f32) as usize;
    let all = [column(low.0 - 1.0), column(high.0 + 2.0), row(low.1 - 1.0), row(high.1 + 2.0)];
    (all[0] < all[1] && all[2] < all[3]).then_some(all)
}

impl Sight {
    /// Draws every block.
    pub fn new(shed: &Shed, camera: &Camera) -> Self {
        let mut sight = Sight { depth: vec![1e6; WIDTH * HEIGHT], block: vec![NOTHING; WIDTH * HEIGHT] };
        // Heaps come last and from the nearest on: walking a ray over salt costs most, and what
        // already stands before it spares the walk.
        let mut order: Vec<usize> = (0..shed.blocks.len()).collect();
        order.sort_by(|&a, &b| {
            let rank = |index: usize| {
                let block = &shed.blocks[index];
                let away = (block.centre - camera.eye).dot(camera.forward);
                (block.stuff == Stuff::Salt, away)
            };
            rank(a).partial_cmp(&rank(b)).unwrap_or(std::cmp::Ordering::Equal)
        });
        for index in order {
            let Some([left, right, top, bottom]) = bounds(camera, &shed.blocks[index]) else { continue };
            for y in top..bottom {
                if shed.blocks[index].stuff == Stuff::Salt {
                    sight.salt_row(shed, camera, index, y, left..right);
                } else {
                    sight.row(shed, camera, index, y, left..right);
                }
            }
        }
        sight
    }

    /// One row of one block. The slabs are worked out along the row by additions, in a loop
    /// without branches that becomes vector instructions.
    fn row(&mut self, shed: &Shed, camera: &Camera, index: usize, y: usize, columns: std::ops::Range<usize>) {
        let block = &shed.blocks[index];
        let (left, count) = (columns.start, columns.len());
        let first = block.inward(camera.ray(left as f32 + 0.5, y as f32 + 0.5));
        let step = block.inward(camera.right * (1.0 / camera.focal));
        let o = block.inward(camera.eye - block.centre);
        let half = block.half;
        let depth = &mut self.depth[y * WIDTH + left..][..count];
        let owner = &mut self.block[y * WIDTH + left..][..count];
        for (i, (depth, owner)) in depth.iter_mut().zip(owner).enumerate() {
            let n = i as f32;
            let slab = |o: f32, d: f32, half: f32| {
                let k = 1.0 / if d.abs() < 1e-9 { 1e-9 } else { d };
                let (a, b) = (-o * k, half * k.abs());
                (a - b, a + b)
            };
            let (x0, x1) = slab(o.x, first.x + step.x * n, half.x);
            let (y0, y1) = slab(o.y, first.y + step.y * n, half.y);
            let (z0, z1) = slab(o.z, first.z + step.z * n, half.z);
            let (enter, leave) = (most(x0, most(y0, z0)), least(x1, least(y1, z1)));
            let nearer = enter < leave && enter > 0.05 && enter < *depth;
            *depth = if nearer { enter } else { *depth };
            *owner = if nearer { index as u32 } else { *owner };
        }
    }

    /// One row of a heap.
    fn salt_row(
        &mut self,
        shed: &Shed,
        camera: &Camera,
        index: usize,
        y: usize,
        columns: std::ops::Range<usize>,
    ) {
        for x in columns {
            let at = y * WIDTH + x;
            let ray = camera.ray(x as f32 + 0.5, y as f32 + 0.5);
            let (enter, leave) = shed.blocks[index].span(camera.eye, ray);
            if enter < leave
                && enter < self.depth[at]
                && leave > 0.0
                && let Some(t) = shed.march(most(enter, 0.0), least(leave, self.depth[at]), camera.eye, ray)
                && t < self.depth[at]
            {
                self.depth[at] = t;
                self.block[at] = index as u32;
            }
        }
    }

    /// Blocks around a pixel when an edge runs through it; empty when one surface fills it.
    pub fn edge(&self, shed: &Shed, x: usize, y: usize, found: &mut Vec<u32>) {
        found.clear();
        let at = y * WIDTH + x;
        let (own, depth) = (self.block[at], self.depth[at]);
        let mut split = false;
        for dy in [-1_isize, 0, 1] {
            for dx in [-1_isize, 0, 1] {
                let (nx, ny) = (x.wrapping_add_signed(dx), y.wrapping_add_signed(dy));
                if nx >= WIDTH || ny >= HEIGHT {
                    continue;
                }
                let near = ny * WIDTH + nx;
                let other = self.block[near];
                // Two faces of one block meet in an edge too, where the depth bends.
                let bent = || {
                    let (bx, by) = (x.wrapping_add_signed(-dx), y.wrapping_add_signed(-dy));
                    bx < WIDTH
                        && by < HEIGHT
                        && (self.depth[near] + self.depth[by * WIDTH + bx] - 2.0 * depth).abs()
                            > 0.004 * depth
                };
                split |= other != own || (shed.blocks.get(own as usize).is_some_and(small) && bent());
                if other != NOTHING && !found.contains(&other) {
                    found.push(other);
                }
            }
        }
        if !split {
            found.clear();
        }
    }

    /// The nearest of some blocks along a ray: its number and depth.
    pub fn nearest(shed: &Shed, among: &[u32], eye: Vec3, ray: Vec3) -> Option<(usize, f32)> {
        let mut best: Option<(usize, f32)> = None;
        for &index in among {
            if let Some(t) = shed.meet(index as usize, eye, ray)
                && best.is_none_or(|(_, depth)| t < depth)
            {
                best = Some((index as usize, t));
            }
        }
        best
    }
}

/// Whether two faces of a block are commonly seen at once.
fn small(block: &Block) -> bool {
    matches!(block.stuff, Stuff::Timber | Stuff::Iron | Stuff::Kerb)
}

#[cfg(test)]
mod tests {
    use super::super::set::shed;
    use super::*;

    #[test]
    fn drawing_agrees_with_asking_along_a_ray() {
        let camera = Camera::looking(vec3(-1.0, 1.6, -3.0), vec3(0.5, 1.2, 8.0), 0.004, 760.0);
        let sight = Sight::new(shed(), &camera);
        let mut differ = 0;
        for y in (3..HEIGHT).step_by(37) {
            for x in (5..WIDTH).step_by(41) {
                let ray = camera.ray(x as f32 + 0.5, y as f32 + 0.5);
                let hit = shed().first(camera.eye, ray).expect("the shed is closed");
                let at = y * WIDTH + x;
                let close = (sight.depth[at] - hit.t).abs() < 1e-3 * hit.t;
                differ += usize::from(!close);
            }
        }
        assert_eq!(differ, 0);
    }
}
