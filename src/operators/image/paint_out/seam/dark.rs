//! Where a seam takes more light away than there is.
//!
//! Knows a fill before and after it was joined, and the pixels that it was joined to. Does not know how.
//!
//! A seam adds one level to a piece of the hole. Beside a holdout nearly all of a small piece's edge is free, so that a few
//! known pixels set the level of all of it; where the fill is bright beside them and the picture dark, the fill's dark parts would
//! come out below nothing. Less light beside the piece may as well be a share of it as an amount. So no pixel comes out below both
//! the darkest that the piece touches and what the share that is left there makes of its own fill (common practice, no source).

use super::{Role, neighbours};
use crate::operators::image::paint_out::field::Pixel;

/// One piece of the hole: what it touches.
struct Touched {
    /// The darkest known pixel.
    darkest: Pixel,
    /// The least share of the fill's light that a known pixel has, at most 1.
    share: Pixel,
}

/// Lifts pixels of `joined` that came out darker than `picture` and `fill`, as it was before, allow.
pub fn lifted(picture: &[Pixel], fill: &[Pixel], joined: &mut [Pixel], roles: &[Role], width: usize) {
    let mut done = vec![false; roles.len()];
    let mut piece = Vec::new();
    for start in 0..roles.len() {
        if roles[start] != Role::Hole || done[start] {
            continue;
        }
        done[start] = true;
        piece.clear();
        piece.push(start);
        let mut touched = Touched { darkest: [f32::INFINITY; 4], share: [1.0; 4] };
        let mut next = 0;
        while let Some(&at) = piece.get(next) {
            next += 1;
            for near in neighbours(at, width, roles.len()) {
                match roles[near] {
                    Role::Known => touched.see(&picture[near], &fill[near]),
                    Role::Hole if !done[near] => {
                        done[near] = true;
                        piece.push(near);
                    }
                    _ => {}
                }
            }
        }
        for &at in &piece {
            (0..4).for_each(|c| {
                joined[at][c] = joined[at][c].max(touched.least(c, fill[at][c], joined[at][c]))
            });
        }
    }
}

impl Touched {
    fn see(&mut self, picture: &Pixel, fill: &Pixel) {
        for c in 0..4 {
            self.darkest[c] = self.darkest[c].min(picture[c]);
            if fill[c] > 0.0 {
                self.share[c] = self.share[c].min((picture[c] / fill[c]).clamp(0.0, 1.0));
            }
        }
    }

    /// The least light of a channel that is allowed; none that a seam brightened.
    fn least(&self, c: usize, fill: f32, joined: f32) -> f32 {
        if joined >= fill {
            return joined;
        }
        let left = if fill > 0.0 { fill * self.share[c] } else { fill };
        left.min(self.darkest[c])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operators::image::paint_out::seam::join;

    /// A pocket of 10 by 8 pixels held out on all sides, but for two pixels at its left that are known.
    fn pocket() -> (Vec<Pixel>, Vec<Pixel>, Vec<Role>) {
        let role = |i: usize| match (i % 14, i / 14) {
            (x, y) if (2..12).contains(&x) && (2..10).contains(&y) => Role::Hole,
            (1, 5..7) => Role::Known,
            _ => Role::Apart,
        };
        // The clean plate is bright at the left and dark at the right; the picture is dark at the left.
        let light = |x: usize| if x < 4 { 0.3 } else { 0.02 + 0.001 * x as f32 };
        let fill = (0..14 * 12).map(|i| [light(i % 14), 0.2, 0.0, 1.0]).collect();
        let picture = (0..14 * 12).map(|_| [0.1, 0.3, 0.0, 1.0]).collect();
        (picture, fill, (0..14 * 12).map(role).collect())
    }

    #[test]
    fn a_pocket_beside_a_hold_out_has_no_less_light_than_none() {
        let (picture, fill, roles) = pocket();
        let mut joined = fill.clone();
        join(&picture, &mut joined, &roles, 14);
        let at = |x: usize| 14 * 6 + x;
        assert!(joined[at(8)][0] < -0.1, "the seam alone: {:?}", joined[at(8)]);
        let before = joined.clone();
        lifted(&picture, &fill, &mut joined, &roles, 14);
        // A third of the light is left at the edge, and so of the fill's dark part; what is bright keeps its level.
        assert!((joined[at(8)][0] - fill[at(8)][0] / 3.0).abs() < 1e-6, "{:?}", joined[at(8)]);
        assert!(
            (joined[at(2)][0] - before[at(2)][0]).abs() < 1e-6,
            "{:?} {:?}",
            joined[at(2)],
            before[at(2)]
        );
        // Other channels and pixels are as they were.
        for i in 0..roles.len() {
            assert_eq!(joined[i][1..], before[i][1..]);
            assert!(roles[i] == Role::Hole || joined[i] == before[i]);
        }
    }

    #[test]
    fn what_is_within_its_surroundings_stays() {
        let (_, fill, roles) = pocket();
        for by in [-0.01, 0.2] {
            let picture: Vec<Pixel> = fill.iter().map(|p| p.map(|v| v + by)).collect();
            let mut joined = fill.clone();
            join(&picture, &mut joined, &roles, 14);
            let mut lift = joined.clone();
            lifted(&picture, &fill, &mut lift, &roles, 14);
            for (at, (lift, joined)) in lift.iter().zip(&joined).enumerate() {
                let more = lift[0] - joined[0];
                assert!(
                    more.abs() < 1e-6
                        || roles[at] == Role::Hole && by < 0.0 && fill[at][0] < 0.1 && more > 0.0
                );
                assert!((1..4).all(|c| (lift[c] - joined[c]).abs() < 1e-6), "{lift:?} {joined:?}");
            }
        }
    }
}
