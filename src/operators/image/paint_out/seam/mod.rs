//! Seams matched in gradient: a fill keeps its own differences from pixel to pixel and takes its level from the picture
//! at the hole's edge.
//!
//! Knows which pixels are known, which are a hole and how far a solution must come. Does not know where a fill is from.
//!
//! Poisson image editing (Pérez, Gangnet & Blake, SIGGRAPH 2003, equation 7) with the fill's own gradient as guidance is
//! the fill plus a membrane: the function that is the picture minus the fill on the hole's edge and whose four-neighbour
//! Laplacian is zero inside. Past the frame's edges, and towards pixels that do not count, nothing pulls. The membrane is
//! solved by conjugate gradients on the normal system of that Laplacian (symmetric, positive), preconditioned by one
//! V-cycle of multigrid (`levels`), with residuals taken in 64 bits between rounds, so that 32-bit vectors do.

pub mod dark;
mod levels;

use super::field::Pixel;
use levels::{Level, Levels, NONE, add_scaled, dot, each};

/// What a pixel is to a seam.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// The picture's own: gives the level.
    Known,
    /// To be filled.
    Hole,
    /// Neither filled nor looked at.
    Apart,
}

/// Rounds of conjugate gradients, each from a residual in 64 bits: one is enough unless 32-bit vectors lost their way.
const ROUNDS: usize = 4;
/// Steps of conjugate gradients in a round.
const STEPS: usize = 40;
/// How small the error must become, as a share of the membrane in the norm that conjugate gradients work in (the energy),
/// squared.
const WANTED: f64 = 2e-12;
/// How much larger it may be found when looked at in 64 bits.
const SLACK: f64 = 10.0;

/// Brings `fill`, rows of `width` pixels like `picture` and `roles`, to the picture's level in the hole. At known pixels
/// beside the hole `fill` holds what the fill would have shown there. Pieces of the hole that touch no known pixel keep
/// what they have. Gives the number of steps that it took.
///
/// # Panics
/// When the three are not of one length.
pub fn join(picture: &[Pixel], fill: &mut [Pixel], roles: &[Role], width: usize) -> usize {
    assert!(picture.len() == fill.len() && fill.len() == roles.len());
    let cells = anchored(roles, width);
    if cells.is_empty() {
        return 0;
    }
    let levels = Levels::new(&cells, roles, width);
    let finest = levels.finest();
    let mut wanted = vec![[0.0f32; 4]; finest.count() + 1];
    for (cell, &at) in finest.places().iter().enumerate() {
        for near in neighbours(at, width, roles.len()) {
            if roles[near] == Role::Known {
                each(&mut wanted[cell], |c, w| *w += picture[near][c] - fill[near][c]);
            }
        }
    }
    let (membrane, steps) = solve(&levels, &wanted);
    for (cell, &at) in finest.places().iter().enumerate() {
        each(&mut fill[at], |c, f| *f += membrane[cell][c]);
    }
    steps
}

/// Positions left, right, above and below of one in rows of `width`, those that there are.
pub fn neighbours(at: usize, width: usize, count: usize) -> impl Iterator<Item = usize> {
    let x = at % width;
    [
        (x > 0).then(|| at - 1),
        (x + 1 < width).then(|| at + 1),
        (at >= width).then(|| at - width),
        (at + width < count).then(|| at + width),
    ]
    .into_iter()
    .flatten()
}

/// Whether every piece of the hole touches some known pixel.
pub fn is_anchored(roles: &[Role], width: usize) -> bool {
    anchored(roles, width).len() == roles.iter().filter(|role| **role == Role::Hole).count()
}

/// Places of the hole from which some known pixel can be reached through the hole, in rising order.
fn anchored(roles: &[Role], width: usize) -> Vec<usize> {
    let mut reached = vec![false; roles.len()];
    let mut open: Vec<usize> = Vec::new();
    for at in (0..roles.len()).filter(|&at| roles[at] == Role::Hole) {
        if neighbours(at, width, roles.len()).any(|near| roles[near] == Role::Known) {
            reached[at] = true;
            open.push(at);
        }
    }
    while let Some(at) = open.pop() {
        for near in neighbours(at, width, roles.len()) {
            if roles[near] == Role::Hole && !reached[near] {
                reached[near] = true;
                open.push(near);
            }
        }
    }
    (0..roles.len()).filter(|&at| reached[at]).collect()
}

/// The solution of the finest level's system for `wanted`, and the steps taken.
fn solve(levels: &Levels, wanted: &[Pixel]) -> (Vec<Pixel>, usize) {
    let finest = levels.finest();
    let mut solution = vec![[0.0f32; 4]; wanted.len()];
    let mut residual = wanted.to_vec();
    let mut room = levels.room();
    let mut first = None;
    let mut steps = 0;
    for _ in 0..ROUNDS {
        let energy = round(levels, &mut room, &mut solution, &mut residual, &mut steps);
        let first = *first.get_or_insert(energy);
        exact_residual(finest, wanted, &solution, &mut residual);
        let left = energy_of(levels, &mut room, &residual);
        if (0..4).all(|c| left[c] <= first[c] * SLACK * WANTED) {
            break;
        }
    }
    (solution, steps)
}

/// Residual times preconditioned residual, channel by channel.
fn energy_of(levels: &Levels, room: &mut levels::Room, residual: &[Pixel]) -> [f64; 4] {
    levels.cycle(room, residual);
    dot(residual, room.answer())
}

/// Conjugate gradients from `residual` on, added to `solution`; gives the energy that they began with.
fn round(
    levels: &Levels,
    room: &mut levels::Room,
    solution: &mut [Pixel],
    residual: &mut [Pixel],
    steps: &mut usize,
) -> [f64; 4] {
    let finest = levels.finest();
    let begun = energy_of(levels, room, residual);
    let mut energy = begun;
    let mut way = room.answer().to_vec();
    let mut image = vec![[0.0f32; 4]; way.len()];
    for _ in 0..STEPS {
        if (0..4).all(|c| energy[c] <= begun[c] * WANTED) {
            break;
        }
        *steps += 1;
        finest.apply(&way, &mut image);
        let against = dot(&way, &image);
        let length =
            std::array::from_fn(|c| if against[c] > 0.0 { (energy[c] / against[c]) as f32 } else { 0.0 });
        add_scaled(solution, &way, length);
        add_scaled(residual, &image, length.map(|l| -l));
        let after = energy_of(levels, room, residual);
        let turn: Pixel =
            std::array::from_fn(|c| if energy[c] > 0.0 { (after[c] / energy[c]) as f32 } else { 0.0 });
        for (w, z) in way.iter_mut().zip(room.answer()) {
            each(w, |c, w| *w = z[c] + turn[c] * *w);
        }
        energy = after;
    }
    begun
}

/// `wanted` minus what the system makes of `solution`, in 64 bits.
fn exact_residual(level: &Level, wanted: &[Pixel], solution: &[Pixel], residual: &mut [Pixel]) {
    for (cell, residual) in residual.iter_mut().enumerate().take(level.count()) {
        let own = f64::from(level.own(cell));
        let mut sum: [f64; 4] =
            std::array::from_fn(|c| f64::from(wanted[cell][c]) - own * f64::from(solution[cell][c]));
        for (near, weight) in level.links(cell) {
            if near != NONE {
                let weight = f64::from(weight);
                (0..4).for_each(|c| sum[c] += weight * f64::from(solution[near as usize][c]));
            }
        }
        *residual = sum.map(|s| s as f32);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chance(i: usize) -> f32 {
        let mut h = (i as u32).wrapping_mul(0x9E37_79B1);
        h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
        ((h ^ (h >> 12)) & 0xffff) as f32 / 65536.0
    }

    /// A ragged hole in 40 by 30 pixels that touches the right edge, with some pixels set apart.
    fn case() -> (Vec<Pixel>, Vec<Pixel>, Vec<Role>) {
        let (width, height) = (40, 30);
        let picture = (0..width * height).map(|i| [0, 1, 2, 3].map(|c| chance(i * 4 + c))).collect();
        let fill =
            (0..width * height).map(|i| [0, 1, 2, 3].map(|c| 3.0 * chance(i * 4 + c + 99_991))).collect();
        let roles = (0..width * height)
            .map(|i| match (i % width, i / width) {
                (x, y) if x > 30 && (12..15).contains(&y) && x < 35 => Role::Apart,
                (x, y) if x + y > 25 && (4..27).contains(&y) && chance(i + 7) < 0.97 => Role::Hole,
                _ => Role::Known,
            })
            .collect();
        (picture, fill, roles)
    }

    #[test]
    fn inside_every_difference_is_balanced() {
        let (picture, fill, roles) = case();
        let mut joined = fill.clone();
        let steps = join(&picture, &mut joined, &roles, 40);
        assert!(steps < 40, "{steps} steps");
        for at in (0..roles.len()).filter(|&at| roles[at] == Role::Hole) {
            let mut sum = [0.0f64; 4];
            for near in neighbours(at, 40, roles.len()) {
                let level = match roles[near] {
                    Role::Known => picture[near],
                    Role::Hole => joined[near],
                    Role::Apart => continue,
                };
                for (c, sum) in sum.iter_mut().enumerate() {
                    let got = f64::from(level[c]) - f64::from(joined[at][c]);
                    *sum += got - (f64::from(fill[near][c]) - f64::from(fill[at][c]));
                }
            }
            // Samples are 32-bit floats up to 3, of which eight are added.
            assert!(sum.iter().all(|s| s.abs() < 4e-6), "{at}: {sum:?}");
        }
    }

    #[test]
    fn a_fill_off_by_a_level_is_brought_back_exactly_enough() {
        let (picture, _, roles) = case();
        let mut fill: Vec<Pixel> = picture.iter().map(|p| p.map(|v| v - 0.25)).collect();
        join(&picture, &mut fill, &roles, 40);
        for at in (0..roles.len()).filter(|&at| roles[at] == Role::Hole) {
            assert!((0..4).all(|c| (fill[at][c] - picture[at][c]).abs() < 1e-5));
        }
    }

    #[test]
    fn a_hole_that_touches_nothing_known_keeps_its_fill() {
        let (picture, fill, mut roles) = case();
        roles.fill(Role::Hole);
        let mut joined = fill.clone();
        assert_eq!(join(&picture, &mut joined, &roles, 40), 0);
        assert_eq!(joined, fill);
    }
}
