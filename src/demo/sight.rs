//! What of the shed each pixel sees: the nearest block, its depth, and where edges run.
//!
//! Knows blocks drawn one after the other into a depth buffer. Does not know colours.

use super::camera::{Camera, HEIGHT, WIDTH};
use super::groups::slab;
use super::math::{Vec3, least, most, vec3};
use super::set::{Block, Shed, Stuff};
use crate::base::level::kernel;

/// No block: never happens inside the closed shed, but a ray may slip between two edges.
pub const NOTHING: u32 = u32::MAX;

/// The nearest block and its depth, of every pixel.
pub struct Sight {
    /// Depths in metres at pixel centres.
    pub depth: Vec<f32>,
    /// Blocks by number.
    pub block: Vec<u32>,
}

/// Side of the tiles whose rays approach the salt together, in pixels.
const TILE: usize = 8;
const TILES: usize = WIDTH / TILE;

/// Where a block's twelve edges fall in the frame.
struct Outline {
    corners: [(f32, f32); 8],
    /// First and one past the last of its rows.
    rows: (usize, usize),
    /// True when part of it lies behind the lens, where projection says nothing: it may be anywhere.
    anywhere: bool,
}

impl Outline {
    /// The outline of a block; none when it is wholly behind the lens or out of the frame's rows.
    fn of(camera: &Camera, block: &Block) -> Option<Self> {
        let (mut low, mut high) = (f32::MAX, f32::MIN);
        let (mut behind, mut before) = (false, false);
        let corners = std::array::from_fn(|corner| {
            let sign = |bit: u32| if corner >> bit & 1 == 1 { 1.0 } else { -1.0 };
            let half = vec3(block.half.x * sign(0), block.half.y * sign(1), block.half.z * sign(2));
            let (x, y, depth) = camera.project(block.centre + block.outward(half));
            behind |= depth < 0.06;
            before |= depth >= 0.06;
            (low, high) = (least(low, y), most(high, y));
            (x, y)
        });
        let row = |y: f32| least(most(y, 0.0), HEIGHT as f32) as usize;
        let rows = if behind { (0, HEIGHT) } else { (row(low - 1.0), row(high + 2.0)) };
        (before && rows.0 < rows.1).then_some(Outline { corners, rows, anywhere: behind })
    }

    /// Columns that the block may cover in a row.
    fn columns(&self, row: usize) -> std::ops::Range<usize> {
        if self.anywhere {
            return 0..WIDTH;
        }
        // The row's band, a pixel wider than the row on either side, cuts the edges it crosses.
        let (top, bottom) = (row as f32 - 1.0, row as f32 + 2.0);
        let (mut low, mut high) = (f32::MAX, f32::MIN);
        for corner in 0..8_usize {
            for bit in 0..3 {
                let (a, b) = (self.corners[corner], self.corners[corner | 1 << bit]);
                if corner >> bit & 1 == 1 || most(a.1, b.1) < top || least(a.1, b.1) > bottom {
                    continue;
                }
                let at = |y: f32| {
                    let rise = b.1 - a.1;
                    let u = if rise.abs() < 1e-6 { 0.0 } else { least(most((y - a.1) / rise, 0.0), 1.0) };
                    a.0 + (b.0 - a.0) * u
                };
                let flat = (b.1 - a.1).abs() < 1e-6;
                let (p, q) = if flat { (a.0, b.0) } else { (at(top), at(bottom)) };
                low = least(low, least(p, q));
                high = most(high, most(p, q));
            }
        }
        let column = |x: f32| least(most(x, 0.0), WIDTH as f32) as usize;
        let range = column(low - 1.0)..column(high + 2.0);
        if range.start < range.end { range } else { 0..0 }
    }
}

/// The rays of a row in a block's own axes: where they start, the first one's direction, and what each next adds.
struct Row {
    from: Vec3,
    first: Vec3,
    step: Vec3,
}

kernel! {
    /// One row of one block, three slabs a pixel, in a loop without branches that becomes vector instructions.
    fn cross(rays: &Row, half: Vec3, index: u32, depth: &mut [f32], owner: &mut [u32]) {
        let Row { from, first, step } = *rays;
        for (i, (depth, owner)) in depth.iter_mut().zip(owner).enumerate() {
            let i = i as i32 as f32;
            let x = slab(from.x, first.x + step.x * i, half.x);
            let y = slab(from.y, first.y + step.y * i, half.y);
            let z = slab(from.z, first.z + step.z * i, half.z);
            let (enter, leave) = (most(x.0, most(y.0, z.0)), least(x.1, least(y.1, z.1)));
            let nearer = (enter < leave) & (enter > 0.05) & (enter < *depth);
            *depth = if nearer { enter } else { *depth };
            *owner = if nearer { index } else { *owner };
        }
    }
}

impl Sight {
    /// No block anywhere.
    pub fn nothing() -> Self {
        let all = WIDTH * HEIGHT;
        Sight { depth: vec![1e6; all], block: vec![NOTHING; all] }
    }

    /// Draws every block.
    pub fn new(shed: &Shed, camera: &Camera) -> Self {
        let mut sight = Self::nothing();
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
        let mut approach = vec![];
        for index in order {
            let Some(outline) = Outline::of(camera, &shed.blocks[index]) else { continue };
            let is_salt = shed.blocks[index].stuff == Stuff::Salt;
            if is_salt && approach.is_empty() {
                approach = sight.approach(shed, camera);
            }
            for y in outline.rows.0..outline.rows.1 {
                let columns = outline.columns(y);
                if is_salt {
                    let near = &approach[y / TILE * TILES..][..TILES];
                    sight.salt_row(shed, camera, index, (y, columns), near);
                } else {
                    sight.row(shed, camera, index, y, columns);
                }
            }
        }
        sight
    }

    /// How far the rays of each tile may go before they come near salt at all.
    fn approach(&self, shed: &Shed, camera: &Camera) -> Vec<f32> {
        let half = TILE as f32 * 0.5;
        let spread = half * std::f32::consts::SQRT_2 / camera.focal;
        let tiles = TILES * HEIGHT.div_ceil(TILE);
        let near = (0..tiles).map(|tile| {
            let (x, y) = (tile % TILES * TILE, tile / TILES * TILE);
            let rows = y..(y + TILE).min(HEIGHT);
            let far = rows.flat_map(|y| &self.depth[y * WIDTH + x..][..TILE]).fold(0.0, |a, &b| most(a, b));
            shed.approach(camera.eye, camera.ray(x as f32 + half, y as f32 + half), spread, far)
        });
        near.collect()
    }

    /// One row of one block.
    fn row(&mut self, shed: &Shed, camera: &Camera, index: usize, y: usize, columns: std::ops::Range<usize>) {
        let block = &shed.blocks[index];
        let (left, count) = (columns.start, columns.len());
        let rays = Row {
            from: block.inward(camera.eye - block.centre),
            first: block.inward(camera.ray(left as f32 + 0.5, y as f32 + 0.5)),
            step: block.inward(camera.right * (1.0 / camera.focal)),
        };
        let depth = &mut self.depth[y * WIDTH + left..][..count];
        let owner = &mut self.block[y * WIDTH + left..][..count];
        cross(shed.level, &rays, block.half, index as u32, depth, owner);
    }

    /// One row of a heap.
    fn salt_row(
        &mut self,
        shed: &Shed,
        camera: &Camera,
        index: usize,
        (y, columns): (usize, std::ops::Range<usize>),
        approach: &[f32],
    ) {
        for x in columns {
            let (at, near) = (y * WIDTH + x, approach[x / TILE]);
            if near >= self.depth[at] {
                continue;
            }
            let ray = camera.ray(x as f32 + 0.5, y as f32 + 0.5);
            let (enter, leave) = shed.blocks[index].span(camera.eye, ray);
            if enter < leave
                && enter < self.depth[at]
                && leave > near
                && let Some(t) =
                    shed.heap(index, most(enter, near), least(leave, self.depth[at]), camera.eye, ray)
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
        if self.is_inner(x, y) {
            // Two faces of one block meet in an edge too, where the depth bends.
            let bent = |step: usize| {
                (self.depth[at - step] + self.depth[at + step] - 2.0 * depth).abs() > 0.004 * depth
            };
            if shed.blocks.get(own as usize).is_some_and(small)
                && [1, WIDTH - 1, WIDTH, WIDTH + 1].map(bent) != [false; 4]
            {
                found.push(own);
            }
            return;
        }
        let mut split = false;
        for dy in [-1_isize, 0, 1] {
            for dx in [-1_isize, 0, 1] {
                let (nx, ny) = (x.wrapping_add_signed(dx), y.wrapping_add_signed(dy));
                if nx >= WIDTH || ny >= HEIGHT {
                    continue;
                }
                let near = ny * WIDTH + nx;
                let other = self.block[near];
                split |= other != own;
                if other != NOTHING && !found.contains(&other) {
                    found.push(other);
                }
            }
        }
        if !split {
            found.clear();
        }
    }

    /// Whether a pixel and all eight around it show the same block.
    fn is_inner(&self, x: usize, y: usize) -> bool {
        if x == 0 || y == 0 || x + 1 == WIDTH || y + 1 == HEIGHT {
            return false;
        }
        let (at, own) = (y * WIDTH + x, self.block[y * WIDTH + x]);
        let three = |at: usize| self.block[at - 1..at + 2].iter().all(|&other| other == own);
        three(at) && three(at - WIDTH) && three(at + WIDTH)
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
