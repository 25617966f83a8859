//! Motion at a time between two pictures: where each pixel of that time comes from in both, and which of them sees it.
//!
//! Knows how surfaces that land on one place are told apart and who shows what the other hides. Does not
//! know pictures in colour; whoever makes one follows the course that this gives.

use super::agree::{agreed, fill, smooth};
use super::{Flow, Motion};

/// What a pixel that only one picture sees is worth less than one that both see, in differences of light.
const UNSEEN: f32 = 100.0;
/// The same for each pixel away from where it landed.
const AWAY: f32 = 3.0;
/// What a pixel is worth more for each pixel that its motion is apart from that around it: of two surfaces that both
/// pictures show and that land on one place, the smaller one is in front, as else it would vanish.
const AHEAD: f32 = 1.0;
/// The most pixels that this is counted for.
const FAR_APART: f32 = 16.0;
/// Pixels around that motion is held against.
const AROUND: usize = 24;
/// Square of the distance, in pixels, at which two motions half agree.
const APART: f32 = 1.0;

/// What a picture between two others is made of, on the grid of the flows.
pub struct Course {
    /// The whole way from the first picture to the second of what is seen here.
    pub way: Flow,
    /// The share of the second picture, 0 to 1.
    pub share: Vec<f32>,
}

/// The course at share `time` of the way from the first picture to the second.
pub fn course(motion: &Motion, time: f32) -> Course {
    let (width, height) = (motion.flows[0].width, motion.flows[0].height);
    let mut way = Flow::still(width, height);
    let mut best = vec![f32::MIN; width * height];
    let mut sure = vec![false; width * height];
    for (side, left) in [(0, time), (1, 1.0 - time)] {
        let flow = &motion.flows[side];
        let sign = if side == 0 { 1.0 } else { -1.0 };
        let unlike = unlike(motion, side);
        let apart = apart(flow);
        for y in 0..height {
            for x in 0..width {
                let at = y * width + x;
                let (u, v) = (flow.across[at], flow.down[at]);
                let (px, py) = (x as f32 + u * left, y as f32 + v * left);
                let (fx, fy) = (px.floor(), py.floor());
                let seen = motion.seen[side][at];
                let worth = if seen { AHEAD * apart[at].min(FAR_APART) } else { -UNSEEN } - unlike[at];
                for (dx, dy) in [(0.0f32, 0.0f32), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)] {
                    let (tx, ty) = (fx + dx, fy + dy);
                    if tx < 0.0 || ty < 0.0 || tx >= width as f32 || ty >= height as f32 {
                        continue;
                    }
                    let to = ty as usize * width + tx as usize;
                    let worth = worth - AWAY * ((tx - px).abs() + (ty - py).abs());
                    if worth > best[to] {
                        best[to] = worth;
                        way.across[to] = sign * u;
                        way.down[to] = sign * v;
                        sure[to] = seen;
                    }
                }
            }
        }
    }
    let landed: Vec<bool> = best.iter().map(|b| *b > f32::MIN).collect();
    fill(&mut way, &landed, None);
    smooth(&mut way, &sure);
    let share = share(motion, time, &mut way);
    Course { way, share }
}

/// How much the pictures differ along the motion, the mean of three by three pixels.
fn unlike(motion: &Motion, side: usize) -> Vec<f32> {
    let flow = &motion.flows[side];
    let (width, height) = (flow.width, flow.height);
    let (here, there) = (&motion.lights[side], &motion.lights[1 - side]);
    let mut single = Vec::with_capacity(here.len());
    for y in 0..height {
        for x in 0..width {
            let at = y * width + x;
            let px = (x as f32 + flow.across[at]).max(0.0).min((width - 1) as f32);
            let py = (y as f32 + flow.down[at]).max(0.0).min((height - 1) as f32);
            let (ix, iy) = (px as usize, py as usize);
            let (fx, fy) = (px - ix as f32, py - iy as f32);
            let (right, below) = ((ix + 1).min(width - 1), (iy + 1).min(height - 1) * width);
            let line = iy * width;
            let a = there[line + ix] + (there[line + right] - there[line + ix]) * fx;
            let b = there[below + ix] + (there[below + right] - there[below + ix]) * fx;
            single.push((a + (b - a) * fy - here[at]).abs());
        }
    }
    three(&single, width, height)
}

/// How far the motion of every pixel is from the mean around it.
fn apart(flow: &Flow) -> Vec<f32> {
    let means = [&flow.across, &flow.down].map(|plane| wide(plane, flow.width, flow.height));
    let pairs = flow.across.iter().zip(&flow.down).zip(means[0].iter().zip(&means[1]));
    pairs.map(|((u, v), (mu, mv))| ((u - mu) * (u - mu) + (v - mv) * (v - mv)).sqrt()).collect()
}

/// The mean of `AROUND` samples on each side, along rows and then columns.
fn wide(plane: &[f32], width: usize, height: usize) -> Vec<f32> {
    let span = |at: usize, side: usize| (at.saturating_sub(AROUND), (at + AROUND + 1).min(side));
    let mut rows = Vec::with_capacity(plane.len());
    let mut sums = vec![0.0f64; width + 1];
    for row in plane.chunks_exact(width) {
        for (x, v) in row.iter().enumerate() {
            sums[x + 1] = sums[x] + f64::from(*v);
        }
        rows.extend((0..width).map(|x| {
            let (low, high) = span(x, width);
            ((sums[high] - sums[low]) / (high - low) as f64) as f32
        }));
    }
    let mut sums = vec![0.0f64; width];
    let add = |y: usize, sign: f64, sums: &mut [f64]| {
        sums.iter_mut().zip(&rows[y * width..][..width]).for_each(|(sum, v)| *sum += sign * f64::from(*v));
    };
    let mut out = Vec::with_capacity(plane.len());
    let mut held = (0, 0);
    for y in 0..height {
        let (low, high) = span(y, height);
        (held.1..high).for_each(|y| add(y, 1.0, &mut sums));
        (held.0..low).for_each(|y| add(y, -1.0, &mut sums));
        held = (low, high);
        out.extend(sums.iter().map(|sum| (sum / (high - low) as f64) as f32));
    }
    out
}

/// The mean of three by three samples.
fn three(plane: &[f32], width: usize, height: usize) -> Vec<f32> {
    let mut out = Vec::with_capacity(plane.len());
    let mut sums = vec![0.0; width];
    for y in 0..height {
        let rows = [y.saturating_sub(1), y, (y + 1).min(height - 1)].map(|y| &plane[y * width..][..width]);
        for (x, sum) in sums.iter_mut().enumerate() {
            *sum = rows[0][x] + rows[1][x] + rows[2][x];
        }
        out.extend((0..width).map(|x| {
            let (left, right) = (x.saturating_sub(1), (x + 1).min(width - 1));
            (sums[left] + sums[x] + sums[right]) / 9.0
        }));
    }
    out
}

/// How much each pixel takes of the second picture, by whose motion there is its own; mends the motion to a
/// fraction of a pixel on the way.
fn share(motion: &Motion, time: f32, way: &mut Flow) -> Vec<f32> {
    let [first, second] = &motion.flows;
    let (width, height) = (way.width, way.height);
    let mut shares = Vec::with_capacity(width * height);
    for y in 0..height {
        for x in 0..width {
            let at = y * width + x;
            let here = [x as f32, y as f32];
            let own = [way.across[at], way.down[at]];
            let agree = |motion: [f32; 2], inside: bool| {
                let d = [motion[0] - own[0], motion[1] - own[1]];
                let square = (d[0] * d[0] + d[1] * d[1]) / APART;
                if inside { 1.0 / (1.0 + square * square) } else { 0.0 }
            };
            let a = [here[0] - time * own[0], here[1] - time * own[1]];
            let b = [here[0] + (1.0 - time) * own[0], here[1] + (1.0 - time) * own[1]];
            let from_first = first.at(a[0], a[1]);
            let from_second = second.at(b[0], b[1]).map(|v| -v);
            let (wa, wb) =
                (agree(from_first, first.has(a[0], a[1])), agree(from_second, second.has(b[0], b[1])));
            // Where neither knows the motion both are taken as they are.
            let (sa, sb) = ((1.0 - time) * (wa + 1e-3), time * (wb + 1e-3));
            shares.push(sb / (sa + sb));
            let (ma, mb, own_weight) = (wa, wb, 1e-3);
            let total = ma + mb + own_weight;
            way.across[at] = (ma * from_first[0] + mb * from_second[0] + own_weight * own[0]) / total;
            way.down[at] = (ma * from_first[1] + mb * from_second[1] + own_weight * own[1]) / total;
        }
    }
    three(&shares, width, height)
}

/// Flows whose hidden pixels have the motion of what is seen beside them, and which pixels both pictures see.
pub fn settled(flows: &mut [Flow; 2], lights: &[Vec<f32>; 2]) -> [Vec<bool>; 2] {
    let seen = [agreed(&flows[0], &flows[1]), agreed(&flows[1], &flows[0])];
    for (side, flow) in flows.iter_mut().enumerate() {
        fill(flow, &seen[side], Some(&lights[side]));
    }
    seen
}
