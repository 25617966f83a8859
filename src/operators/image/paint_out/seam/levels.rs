//! The membrane's system on ever coarser grids, and the V-cycle that goes down and up through them.
//!
//! Knows cells, the links between them and the links to pixels of known value. Does not know what is solved for.
//!
//! Cells of a coarser grid are two by two of the finer one. A link between cells is a conductance: on a coarser grid
//! the way from centre to centre is longer by half a fine cell at either end, in series with each fine link, and the
//! fine links lie side by side (finite volumes). Corrections come down by bilinear weights and residuals go up by
//! the same ones, so that the cycle is symmetric, as conjugate gradients need it; it smooths by red-black Gauss-Seidel in
//! mirrored order (Trottenberg, Oosterlee & Schüller, "Multigrid", 2001). All four channels are solved at once.

use super::{Role, neighbours};
use crate::operators::image::paint_out::field::Pixel;

/// In place of a cell: there is none. Vectors hold a zero behind their last cell for it.
pub const NONE: u32 = u32::MAX;
/// As many cells are solved by elimination.
const FEW: usize = 48;
/// Sweeps of smoothing before and after a coarser grid is asked.
const SWEEPS: usize = 2;

/// One grid.
pub struct Level {
    /// Cells of one colour come first.
    reds: usize,
    /// Cells left, right, above, below; the count of cells where there is none.
    near: Vec<[u32; 4]>,
    /// Conductance of each of those links.
    weights: Vec<[f32; 4]>,
    /// Sum of a cell's conductances, known pixels among them.
    own: Vec<f32>,
    /// Cells of the next grid that a cell stands between, the nearest first.
    above: Vec<[u32; 4]>,
    /// Where a cell lies.
    places: Vec<usize>,
    /// Cells in a row.
    width: usize,
}

/// Shares of those four cells.
const SHARES: [f32; 4] = [9.0 / 16.0, 3.0 / 16.0, 3.0 / 16.0, 1.0 / 16.0];

impl Level {
    /// Number of cells.
    pub fn count(&self) -> usize {
        self.places.len()
    }

    /// Where each cell lies.
    pub fn places(&self) -> &[usize] {
        &self.places
    }

    /// Sum of a cell's conductances.
    pub fn own(&self, cell: usize) -> f32 {
        self.own[cell]
    }

    /// A cell's links.
    pub fn links(&self, cell: usize) -> impl Iterator<Item = (u32, f32)> {
        let none = self.count() as u32;
        let near = self.near[cell].map(|n| if n == none { NONE } else { n });
        near.into_iter().zip(self.weights[cell])
    }

    /// What the system makes of `x`.
    pub fn apply(&self, x: &[Pixel], out: &mut [Pixel]) {
        for (cell, out) in out.iter_mut().enumerate().take(self.count()) {
            let around = self.around(cell, x);
            let (own, at) = (self.own[cell], x[cell]);
            *out = std::array::from_fn(|c| own * at[c] - around[c]);
        }
    }

    fn around(&self, cell: usize, x: &[Pixel]) -> Pixel {
        let mut sum = [0.0f32; 4];
        for (near, weight) in self.near[cell].into_iter().zip(self.weights[cell]) {
            let there = x[near as usize];
            each(&mut sum, |c, s| *s += weight * there[c]);
        }
        sum
    }

    fn sweep(&self, cells: std::ops::Range<usize>, wanted: &[Pixel], x: &mut [Pixel]) {
        for cell in cells {
            let around = self.around(cell, x);
            let scale = 1.0 / self.own[cell];
            let want = wanted[cell];
            x[cell] = std::array::from_fn(|c| (want[c] + around[c]) * scale);
        }
    }

    fn smooth(&self, forward: bool, wanted: &[Pixel], x: &mut [Pixel]) {
        for _ in 0..SWEEPS {
            let halves = [0..self.reds, self.reds..self.count()];
            let [first, second] = halves;
            let (first, second) = if forward { (first, second) } else { (second, first) };
            self.sweep(first, wanted, x);
            self.sweep(second, wanted, x);
        }
    }
}

/// Calls `act` for each channel.
#[inline(always)]
pub fn each(pixel: &mut Pixel, mut act: impl FnMut(usize, &mut f32)) {
    for (c, value) in pixel.iter_mut().enumerate() {
        act(c, value);
    }
}

/// Sums of products, channel by channel, in 64 bits and in order.
pub fn dot(a: &[Pixel], b: &[Pixel]) -> [f64; 4] {
    let mut sum = [0.0f64; 4];
    for (a, b) in a.iter().zip(b) {
        (0..4).for_each(|c| sum[c] += f64::from(a[c]) * f64::from(b[c]));
    }
    sum
}

/// Adds `b` times `scale` to `a`.
pub fn add_scaled(a: &mut [Pixel], b: &[Pixel], scale: Pixel) {
    for (a, b) in a.iter_mut().zip(b) {
        each(a, |c, a| *a += scale[c] * b[c]);
    }
}

/// A cell before its links have numbers: where it lies, links right and below, and what pulls it to known pixels.
#[derive(Clone, Copy)]
struct Raw {
    place: usize,
    right: f32,
    below: f32,
    held: f32,
}

/// All grids, the finest first.
pub struct Levels {
    list: Vec<Level>,
    /// The coarsest system, factored (Cholesky), row by row.
    factor: Vec<f64>,
}

/// Vectors of every grid, kept from cycle to cycle.
pub struct Room {
    /// Per grid: solution, wanted, residual.
    vectors: Vec<[Vec<Pixel>; 3]>,
}

impl Room {
    /// What the last cycle gave.
    pub fn answer(&self) -> &[Pixel] {
        &self.vectors[0][0]
    }
}

impl Levels {
    /// The grids above `cells`, which are places of the hole in rows of `width`.
    pub fn new(cells: &[usize], roles: &[Role], width: usize) -> Self {
        let link = |at: usize, near: usize| f32::from(roles[near] == Role::Hole && near != at);
        let raw: Vec<Raw> = cells
            .iter()
            .map(|&place| Raw {
                place,
                right: if place % width + 1 < width { link(place, place + 1) } else { 0.0 },
                below: if place + width < roles.len() { link(place, place + width) } else { 0.0 },
                held: neighbours(place, width, roles.len()).filter(|&n| roles[n] == Role::Known).count()
                    as f32,
            })
            .collect();
        let mut size = (width, roles.len() / width);
        let mut list = vec![number(&raw, size)];
        let mut raw = raw;
        while list[list.len() - 1].count() > FEW && size != (1, 1) {
            let half = (size.0.div_ceil(2), size.1.div_ceil(2));
            raw = coarser(&raw, size, half);
            let next = number(&raw, half);
            let last = list.len() - 1;
            list[last].above = between(&list[last], size, &next, half);
            list.push(next);
            size = half;
        }
        let factor = factored(&list[list.len() - 1]);
        Self { list, factor }
    }

    /// The finest grid.
    pub fn finest(&self) -> &Level {
        &self.list[0]
    }

    /// Vectors to work in.
    pub fn room(&self) -> Room {
        let vector = |level: &Level| vec![[0.0f32; 4]; level.count() + 1];
        Room { vectors: self.list.iter().map(|l| [vector(l), vector(l), vector(l)]).collect() }
    }

    /// One V-cycle from zero towards `wanted`; the answer stays in `room`.
    pub fn cycle(&self, room: &mut Room, wanted: &[Pixel]) {
        room.vectors[0][1].copy_from_slice(wanted);
        self.descend(&mut room.vectors, 0);
    }

    fn descend(&self, vectors: &mut [[Vec<Pixel>; 3]], depth: usize) {
        let level = &self.list[depth];
        let (own, coarser) = vectors.split_at_mut(1);
        let [x, wanted, residual] = &mut own[0];
        x.fill([0.0; 4]);
        if depth + 1 == self.list.len() {
            self.eliminate(wanted, x);
            return;
        }
        level.smooth(true, wanted, x);
        level.apply(x, residual);
        let up = &mut coarser[0][1];
        up.fill([0.0; 4]);
        for ((above, wanted), made) in level.above.iter().zip(wanted.iter()).zip(residual.iter()) {
            let left: Pixel = std::array::from_fn(|c| wanted[c] - made[c]);
            for (to, share) in above.iter().copied().zip(SHARES) {
                each(&mut up[to as usize], |c, u| *u += share * left[c]);
            }
        }
        let end = up.len() - 1;
        up[end] = [0.0; 4];
        self.descend(coarser, depth + 1);
        let correction = &coarser[0][0];
        for (cell, x) in x[..level.count()].iter_mut().enumerate() {
            for (from, share) in level.above[cell].into_iter().zip(SHARES) {
                let there = correction[from as usize];
                each(x, |c, x| *x += share * there[c]);
            }
        }
        level.smooth(false, wanted, x);
    }

    /// Solves the coarsest grid by its factors.
    fn eliminate(&self, wanted: &[Pixel], x: &mut [Pixel]) {
        let n = self.list[self.list.len() - 1].count();
        let l = |row: usize, column: usize| self.factor[row * n + column];
        let mut y = vec![[0.0f64; 4]; n];
        for (row, wanted) in wanted.iter().enumerate().take(n) {
            for c in 0..4 {
                let sum: f64 = (0..row).map(|k| l(row, k) * y[k][c]).sum();
                y[row][c] = (f64::from(wanted[c]) - sum) / l(row, row);
            }
        }
        for row in (0..n).rev() {
            let here: [f64; 4] = std::array::from_fn(|c| {
                let sum: f64 = (row + 1..n).map(|k| l(k, row) * y[k][c]).sum();
                (y[row][c] - sum) / l(row, row)
            });
            (y[row], x[row]) = (here, here.map(|v| v as f32));
        }
    }
}

/// Gives cells their numbers, one colour of the chequerboard first, and their links.
fn number(raw: &[Raw], (width, height): (usize, usize)) -> Level {
    let red = |r: &Raw| (r.place % width + r.place / width).is_multiple_of(2);
    let count = raw.len();
    let mut order: Vec<&Raw> = raw.iter().filter(|r| red(r)).collect();
    let reds = order.len();
    order.extend(raw.iter().filter(|r| !red(r)));
    let mut index = vec![count as u32; width * height];
    for (cell, r) in order.iter().enumerate() {
        index[r.place] = cell as u32;
    }
    let mut near = vec![[count as u32; 4]; count];
    let mut weights = vec![[0.0f32; 4]; count];
    for (cell, r) in order.iter().enumerate() {
        for (side, step, weight) in [(1, 1, r.right), (3, width, r.below)] {
            if weight > 0.0 {
                let other = index[r.place + step] as usize;
                (near[cell][side], weights[cell][side]) = (other as u32, weight);
                (near[other][side - 1], weights[other][side - 1]) = (cell as u32, weight);
            }
        }
    }
    let own = order.iter().zip(&weights).map(|(r, w)| r.held + w.iter().sum::<f32>()).collect();
    let places = order.iter().map(|r| r.place).collect();
    Level { reds, near, weights, own, above: Vec::new(), places, width }
}

/// Cells of the next grid.
fn coarser(raw: &[Raw], (width, _): (usize, usize), half: (usize, usize)) -> Vec<Raw> {
    let mut joined: Vec<Option<Raw>> = vec![None; half.0 * half.1];
    // A link in series with what the way grows by.
    let longer = |link: f32, by: f32| if link > 0.0 { link / (1.0 + by * link) } else { 0.0 };
    for r in raw {
        let (x, y) = (r.place % width, r.place / width);
        let place = y / 2 * half.0 + x / 2;
        let cell = joined[place].get_or_insert(Raw { place, right: 0.0, below: 0.0, held: 0.0 });
        cell.held += longer(r.held, 0.5 / r.held.clamp(1.0, 4.0));
        if x % 2 == 1 {
            cell.right += longer(r.right, 1.0);
        }
        if y % 2 == 1 {
            cell.below += longer(r.below, 1.0);
        }
    }
    joined.into_iter().flatten().collect()
}

/// For each cell the four cells of the next grid whose centres are around it; past the grid's edge the nearest.
fn between(level: &Level, size: (usize, usize), next: &Level, half: (usize, usize)) -> Vec<[u32; 4]> {
    let mut index = vec![next.count() as u32; half.0 * half.1];
    for (cell, &place) in next.places.iter().enumerate() {
        index[place] = cell as u32;
    }
    let other = |at: usize, whole: usize, count: usize| {
        let beside = if at.is_multiple_of(2) { (at / 2).wrapping_sub(1) } else { at / 2 + 1 };
        // An odd row's last cell stands for one fine cell only and has nothing beyond either.
        if beside < count && at < whole { beside } else { at / 2 }
    };
    level
        .places
        .iter()
        .map(|&place| {
            let (x, y) = (place % level.width, place / level.width);
            let (a, b) = (other(x, size.0, half.0), other(y, size.1, half.1));
            let at = |x: usize, y: usize| index[y * half.0 + x];
            [at(x / 2, y / 2), at(a, y / 2), at(x / 2, b), at(a, b)]
        })
        .collect()
}

/// The lower factor of a grid's system, row by row.
fn factored(level: &Level) -> Vec<f64> {
    let n = level.count();
    let mut a = vec![0.0f64; n * n];
    for cell in 0..n {
        a[cell * n + cell] = f64::from(level.own[cell]);
        for (near, weight) in level.links(cell) {
            if near != NONE {
                a[cell * n + near as usize] -= f64::from(weight);
            }
        }
    }
    for row in 0..n {
        for column in 0..=row {
            let sum: f64 = (0..column).map(|k| a[row * n + k] * a[column * n + k]).sum();
            let value = a[row * n + column] - sum;
            // A whole hole that hardly hangs on anything known may lose its last digits here.
            a[row * n + column] =
                if row == column { value.max(1e-9).sqrt() } else { value / a[column * n + column] };
        }
    }
    a
}
