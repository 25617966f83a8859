//! A flow made smooth where nothing speaks against it: the energy of Brox, Bruhn, Papenberg and Weickert (2004).
//!
//! Knows the energy and how it is lowered. Does not know levels or where the first flow came from.
//!
//! Light and its slopes should stay what they were while they move, and neighbours should move alike; all three are
//! counted by a distance that grows linearly, so that edges of motion stay edges. Pixels that move out of the frame
//! have nothing to be compared with and take the motion of their neighbours.

use super::Flow;
use super::pyramid::{Level, PAD, Plane};
use crate::base::level::{Level as Vectors, kernel};

/// Weight of light that stays.
const LIGHT: f32 = 5.0;
/// Weight of slopes that stay.
const SLOPES: f32 = 10.0;
/// Weight of neighbours that move alike.
const ALIKE: f32 = 20.0;
/// Where a distance stops being linear.
const BEND: f32 = 1e-3;
/// What is added to squared slopes before anything is divided by them.
const NOISE: f32 = 0.1;
/// How far a correction is carried on.
const OVER: f32 = 1.6;

/// How much work is done.
#[derive(Clone, Copy)]
pub struct Effort {
    /// How often weights are found again.
    pub rounds: usize,
    /// Corrections between.
    pub sweeps: usize,
}

/// A plane with one sample around it.
struct Ringed {
    stride: usize,
    samples: Vec<f32>,
}

impl Ringed {
    fn new(width: usize, height: usize) -> Self {
        Self { stride: width + 2, samples: vec![0.0; (width + 2) * (height + 2)] }
    }

    /// Fills it from `plane` and repeats the border around it.
    fn fill(&mut self, plane: &[f32], width: usize) {
        let height = plane.len() / width;
        for (y, row) in plane.chunks_exact(width).enumerate() {
            let out = &mut self.samples[(y + 1) * self.stride..][..self.stride];
            out[1..=width].copy_from_slice(row);
            (out[0], out[width + 1]) = (row[0], row[width - 1]);
        }
        self.samples.copy_within(self.stride..2 * self.stride, 0);
        self.samples
            .copy_within(height * self.stride..(height + 1) * self.stride, (height + 1) * self.stride);
    }

    /// Row `y`, from one before its first sample on; -1 is the row above.
    #[inline(always)]
    fn row(&self, y: isize) -> &[f32] {
        &self.samples[(y + 1) as usize * self.stride..][..self.stride]
    }

    #[inline(always)]
    fn row_mut(&mut self, y: usize) -> &mut [f32] {
        &mut self.samples[(y + 1) * self.stride..][..self.stride]
    }
}

/// What is known of every pixel for the length of one linearisation, plane by plane.
struct Known {
    /// Change of light.
    change: Vec<f32>,
    /// Slopes of light: across, down.
    slope: [Vec<f32>; 2],
    /// Slopes of the change: across, down.
    turn: [Vec<f32>; 2],
    /// Second slopes: across twice, both, down twice.
    second: [Vec<f32>; 3],
    /// 1 where the pixel's place lies in the other picture.
    inside: Vec<f32>,
}

/// The equations of every pixel, plane by plane.
struct Equations {
    /// What the data want: right sides.
    right: [Vec<f32>; 2],
    /// What joins the two.
    both: Vec<f32>,
    /// One over the diagonal.
    inverse: [Vec<f32>; 2],
}

/// Lowers the energy of `flow` from `from` to `to`.
pub fn refine(vectors: Vectors, from: &Level, to: &Level, flow: &mut Flow, effort: Effort) {
    let (width, height) = (from.light.width, from.light.height);
    let known = known(vectors, from, to, flow);
    let mut moves = [Ringed::new(width, height), Ringed::new(width, height)];
    let mut joints = [Ringed::new(width, height), Ringed::new(width, height)];
    let plane = || vec![0.0f32; width * height];
    let mut equations = Equations { right: [plane(), plane()], both: plane(), inverse: [plane(), plane()] };
    moves[0].fill(&flow.across, width);
    moves[1].fill(&flow.down, width);
    for _ in 0..effort.rounds {
        for y in 0..height {
            join(vectors, &moves, &mut joints, y, width, height);
        }
        for y in 0..height {
            let old = [&flow.across[y * width..][..width], &flow.down[y * width..][..width]];
            weigh(vectors, &known, &moves, &joints, old, &mut equations, y);
        }
        for _ in 0..effort.sweeps {
            for colour in 0..2 {
                sweep(vectors, &equations, &joints, &mut moves, width, colour);
            }
        }
    }
    for y in 0..height {
        flow.across[y * width..][..width].copy_from_slice(&moves[0].row(y as isize)[1..=width]);
        flow.down[y * width..][..width].copy_from_slice(&moves[1].row(y as isize)[1..=width]);
    }
}

fn known(vectors: Vectors, from: &Level, to: &Level, flow: &Flow) -> Known {
    let (width, height) = (from.light.width, from.light.height);
    let plane = || vec![0.0f32; width * height];
    let mut known = Known {
        change: plane(),
        slope: [plane(), plane()],
        turn: [plane(), plane()],
        second: [plane(), plane(), plane()],
        inside: plane(),
    };
    let mut mean = plane();
    for y in 0..height {
        let here = &from.light.samples[from.light.index(0, y as isize)..][..width];
        for (x, here) in here.iter().enumerate() {
            let at = y * width + x;
            let (px, py) = (x as f32 + flow.across[at], y as f32 + flow.down[at]);
            let there = sample(&to.light, px, py);
            let is_inside = px >= 0.0 && py >= 0.0 && px <= (width - 1) as f32 && py <= (height - 1) as f32;
            known.inside[at] = f32::from(u8::from(is_inside));
            known.change[at] = there - here;
            mean[at] = 0.5 * (there + here);
        }
    }
    let mut ringed = Ringed::new(width, height);
    let [across, down] = &mut known.slope;
    differences(vectors, &mut ringed, &mean, across, down, width);
    let [across, down] = &mut known.turn;
    differences(vectors, &mut ringed, &known.change, across, down, width);
    let [xx, xy, yy] = &mut known.second;
    differences(vectors, &mut ringed, &known.slope[1], xy, yy, width);
    differences(vectors, &mut ringed, &known.slope[0], xx, &mut mean, width);
    known
}

/// A sample between four, the nearest of the border's outside of it.
#[inline(always)]
fn sample(plane: &Plane, x: f32, y: f32) -> f32 {
    let x = x.max(-1.0).min(plane.width as f32) + PAD as f32;
    let y = y.max(-1.0).min(plane.height as f32) + PAD as f32;
    let (ix, iy) = (x as usize, y as usize);
    let (fx, fy) = (x - ix as f32, y - iy as f32);
    let at = iy * plane.stride + ix;
    let (up, below) = (&plane.samples[at..at + 2], &plane.samples[at + plane.stride..][..2]);
    let (a, b) = (up[0] + (up[1] - up[0]) * fx, below[0] + (below[1] - below[0]) * fx);
    a + (b - a) * fy
}

fn differences(
    vectors: Vectors,
    ringed: &mut Ringed,
    plane: &[f32],
    across: &mut [f32],
    down: &mut [f32],
    width: usize,
) {
    ringed.fill(plane, width);
    let rows = across.chunks_exact_mut(width).zip(down.chunks_exact_mut(width));
    for (y, (across, down)) in rows.enumerate() {
        let y = y as isize;
        central(vectors, ringed.row(y - 1), ringed.row(y), ringed.row(y + 1), across, down);
    }
}

kernel! {
    fn central(above: &[f32], here: &[f32], below: &[f32], across: &mut [f32], down: &mut [f32]) {
        let width = across.len();
        let (above, here, below) = (&above[..width + 2], &here[..width + 2], &below[..width + 2]);
        let down = &mut down[..width];
        for x in 0..width {
            across[x] = (here[x + 2] - here[x]) * 0.5;
            down[x] = (below[x + 1] - above[x + 1]) * 0.5;
        }
    }
}

kernel! {
    /// How strongly every pixel of a row is joined to the next one and to the one below.
    fn join(moves: &[Ringed; 2], joints: &mut [Ringed; 2], y: usize, width: usize, height: usize) {
        let [u, v] = [0, 1].map(|i: usize| moves[i].row(y as isize));
        let [ub, vb] = [0, 1].map(|i: usize| &moves[i].row(y as isize + 1)[..width + 2]);
        let (u, v) = (&u[..width + 2], &v[..width + 2]);
        let [next, below] = joints;
        let next = &mut next.row_mut(y)[1..=width];
        let below = &mut below.row_mut(y)[1..=width];
        for x in 0..width {
            let (ux, vx) = (u[x + 2] - u[x + 1], v[x + 2] - v[x + 1]);
            let (uy, vy) = (ub[x + 1] - u[x + 1], vb[x + 1] - v[x + 1]);
            let weight = ALIKE / (ux * ux + uy * uy + vx * vx + vy * vy + BEND * BEND).sqrt();
            next[x] = weight;
            below[x] = weight;
        }
        next[width - 1] = 0.0;
        if y + 1 == height {
            below.fill(0.0);
        }
    }
}

kernel! {
    /// The equations of one row.
    fn weigh(
        known: &Known,
        moves: &[Ringed; 2],
        joints: &[Ringed; 2],
        old: [&[f32]; 2],
        equations: &mut Equations,
        y: usize,
    ) {
        let width = old[0].len();
        let rows = y * width..(y + 1) * width;
        let (u0, v0) = (&old[0][..width], &old[1][..width]);
        let [u, v] = [0, 1].map(|i: usize| &moves[i].row(y as isize)[1..=width]);
        let (change, inside) = (&known.change[rows.clone()], &known.inside[rows.clone()]);
        let [ix, iy] = [0, 1].map(|i: usize| &known.slope[i][y * width..(y + 1) * width]);
        let [xz, yz] = [0, 1].map(|i: usize| &known.turn[i][y * width..(y + 1) * width]);
        let [xx, xy, yy] = [0, 1, 2].map(|i: usize| &known.second[i][y * width..(y + 1) * width]);
        let [next, below] = [0, 1].map(|i: usize| &joints[i].row(y as isize)[..width + 2]);
        let above = &joints[1].row(y as isize - 1)[1..=width];
        let [right_u, right_v] = &mut equations.right;
        let (right_u, right_v) = (&mut right_u[rows.clone()], &mut right_v[rows.clone()]);
        let [inverse_u, inverse_v] = &mut equations.inverse;
        let (inverse_u, inverse_v) = (&mut inverse_u[rows.clone()], &mut inverse_v[rows.clone()]);
        let both = &mut equations.both[rows];
        for x in 0..width {
            let (du, dv) = (u[x] - u0[x], v[x] - v0[x]);
            let n = 1.0 / (ix[x] * ix[x] + iy[x] * iy[x] + NOISE * NOISE);
            let e = change[x] + ix[x] * du + iy[x] * dv;
            let w = inside[x] * LIGHT * n / (e * e * n + BEND * BEND).sqrt();
            let mut a11 = w * ix[x] * ix[x];
            let mut a12 = w * ix[x] * iy[x];
            let mut a22 = w * iy[x] * iy[x];
            let mut b1 = w * ix[x] * change[x];
            let mut b2 = w * iy[x] * change[x];
            let n1 = 1.0 / (xx[x] * xx[x] + xy[x] * xy[x] + NOISE * NOISE);
            let n2 = 1.0 / (xy[x] * xy[x] + yy[x] * yy[x] + NOISE * NOISE);
            let e1 = xz[x] + xx[x] * du + xy[x] * dv;
            let e2 = yz[x] + xy[x] * du + yy[x] * dv;
            let w = inside[x] * SLOPES / (e1 * e1 * n1 + e2 * e2 * n2 + BEND * BEND).sqrt();
            let (w1, w2) = (w * n1, w * n2);
            a11 += w1 * xx[x] * xx[x] + w2 * xy[x] * xy[x];
            a12 += w1 * xx[x] * xy[x] + w2 * xy[x] * yy[x];
            a22 += w1 * xy[x] * xy[x] + w2 * yy[x] * yy[x];
            b1 += w1 * xx[x] * xz[x] + w2 * xy[x] * yz[x];
            b2 += w1 * xy[x] * xz[x] + w2 * yy[x] * yz[x];
            let around = (next[x] + next[x + 1]) + (above[x] + below[x + 1]);
            right_u[x] = a11 * u0[x] + a12 * v0[x] - b1;
            right_v[x] = a12 * u0[x] + a22 * v0[x] - b2;
            both[x] = a12;
            inverse_u[x] = 1.0 / (a11 + around).max(1e-9);
            inverse_v[x] = 1.0 / (a22 + around).max(1e-9);
        }
    }
}

kernel! {
    /// Corrects the pixels of one colour of a chessboard, which depend on none of the same colour.
    fn sweep(equations: &Equations, joints: &[Ringed; 2], moves: &mut [Ringed; 2], width: usize, colour: usize) {
        let height = equations.both.len() / width;
        let mut out = [vec![0.0f32; width], vec![0.0f32; width]];
        let board: Vec<f32> = (0..width + 1).map(|x| if x % 2 == 0 { OVER } else { 0.0 }).collect();
        for y in 0..height {
            let shares = &board[(y + colour) % 2..][..width];
            let line = y * width;
            let n = &joints[0].row(y as isize)[..width + 2];
            let (b, a) = (&joints[1].row(y as isize)[1..=width], &joints[1].row(y as isize - 1)[1..=width]);
            let (ru, rv) = (&equations.right[0][line..][..width], &equations.right[1][line..][..width]);
            let (iu, iv) = (&equations.inverse[0][line..][..width], &equations.inverse[1][line..][..width]);
            let both = &equations.both[line..][..width];
            let [u, v] = [0, 1].map(|i: usize| &moves[i].row(y as isize)[..width + 2]);
            let [ua, va] = [0, 1].map(|i: usize| &moves[i].row(y as isize - 1)[1..=width]);
            let [ub, vb] = [0, 1].map(|i: usize| &moves[i].row(y as isize + 1)[1..=width]);
            let [nu, nv] = &mut out;
            let (nu, nv) = (&mut nu[..width], &mut nv[..width]);
            for x in 0..width {
                let around = (n[x] * u[x] + n[x + 1] * u[x + 2]) + (a[x] * ua[x] + b[x] * ub[x]);
                let new = (ru[x] - both[x] * v[x + 1] + around) * iu[x];
                nu[x] = u[x + 1] + shares[x] * (new - u[x + 1]);
                let around = (n[x] * v[x] + n[x + 1] * v[x + 2]) + (a[x] * va[x] + b[x] * vb[x]);
                let new = (rv[x] - both[x] * nu[x] + around) * iv[x];
                nv[x] = v[x + 1] + shares[x] * (new - v[x + 1]);
            }
            moves[0].row_mut(y)[1..=width].copy_from_slice(&out[0]);
            moves[1].row_mut(y)[1..=width].copy_from_slice(&out[1]);
        }
    }
}
