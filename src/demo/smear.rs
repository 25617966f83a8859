//! People as an open shutter sees them: every drawn instant spread along the way to its neighbours.
//!
//! Knows how far each cone moves in the frame during an instant. Does not know what people look like.
//!
//! An instant alone is one sharp copy; a row of them shows as a comb wherever somebody moves by more than a pixel from
//! one to the next. So light is laid along the way that its cone goes while the instant lasts, which closes the gaps.

use super::body::Cone;
use super::camera::{Camera, HEIGHT, WIDTH};
use super::figure::Layer;
use super::math::{clamp01, least, most};
use super::sight::Sight;

/// The longest way of one instant, in pixels: further than this nothing goes that people do.
const LONGEST: f32 = 40.0;

/// A cone in the frame: its start, its axis over the square of its length, and the ways of start and end.
#[derive(Clone, Copy)]
struct Way {
    start: (f32, f32),
    axis: (f32, f32),
    ways: [(f32, f32); 2],
}

/// How everybody moves in the frame while an instant lasts.
pub struct Ways(Vec<Vec<Way>>);

impl Ways {
    /// From where people are when the instant begins to where they are when it ends.
    pub fn new(before: (&Camera, &[Vec<Cone>]), after: (&Camera, &[Vec<Cone>])) -> Self {
        let way = |a: &Cone, b: &Cone| {
            let [p, q] = [a.a, a.b].map(|end| before.0.project(end));
            let [r, s] = [b.a, b.b].map(|end| after.0.project(end));
            let (dx, dy) = (q.0 - p.0, q.1 - p.1);
            let square = most(dx * dx + dy * dy, 1e-3);
            Way {
                start: (p.0, p.1),
                axis: (dx / square, dy / square),
                ways: [(r.0 - p.0, r.1 - p.1), (s.0 - q.0, s.1 - q.1)],
            }
        };
        let person = |(a, b): (&Vec<Cone>, &Vec<Cone>)| a.iter().zip(b).map(|(a, b)| way(a, b)).collect();
        Ways(before.1.iter().zip(after.1).map(person).collect())
    }

    /// The way of what is seen of a cone at a point of the frame.
    fn at(&self, (person, cone): (u8, u8), x: f32, y: f32) -> (f32, f32) {
        let Way { start, axis, ways: [a, b] } = self.0[person as usize][cone as usize];
        let u = clamp01((x - start.0) * axis.0 + (y - start.1) * axis.1);
        (a.0 + (b.0 - a.0) * u, a.1 + (b.1 - a.1) * u)
    }

    /// Adds an instant, which is `share` of the exposure, to the sum of light and cover.
    pub fn add(&self, layer: &Layer, sight: &Sight, share: f32, sum: &mut [[f32; 4]]) {
        layer.each(|at| {
            if layer.depth[at] >= sight.depth[at] {
                return;
            }
            let value = layer.colour[at];
            let (column, row) = (at % WIDTH, at / WIDTH);
            let (x, y) = (column as f32 + 0.5, row as f32 + 0.5);
            let (dx, dy) = self.at(layer.own[at], x, y);
            let long = least(most(dx.abs(), dy.abs()), LONGEST);
            let count = 1 + long as usize;
            let part = share / count as f32;
            let add = [value.x, value.y, value.z, 1.0].map(|v| v * part);
            for step in 0..count {
                let u = (step as f32 + 0.5) / count as f32 - 0.5;
                let (x, y) = (x + dx * u, y + dy * u);
                if x >= 0.0 && y >= 0.0 && x < WIDTH as f32 && y < HEIGHT as f32 {
                    let to = &mut sum[y as usize * WIDTH + x as usize];
                    (0..4).for_each(|c| to[c] += add[c]);
                }
            }
        });
    }
}

/// Weights of a pixel and of those beside it, as the lens spreads what is in focus.
const LENS: (f32, f32) = (0.60, 0.20);

/// Spreads light and cover over neighbouring pixels: edges lie over more looks than a pixel has of its own.
pub fn spread(sum: &mut [[f32; 4]]) {
    let blank = [0.0; 4];
    let mix = |a: [f32; 4], b: [f32; 4], c: [f32; 4]| -> [f32; 4] {
        std::array::from_fn(|k| b[k] * LENS.0 + (a[k] + c[k]) * LENS.1)
    };
    for row in sum.chunks_exact_mut(WIDTH) {
        let (Some(first), Some(last)) =
            (row.iter().position(|v| v[3] > 0.0), row.iter().rposition(|v| v[3] > 0.0))
        else {
            continue;
        };
        let mut before = blank;
        for x in first.saturating_sub(1)..=(last + 1).min(WIDTH - 1) {
            let here = row[x];
            row[x] = mix(before, here, row.get(x + 1).copied().unwrap_or(blank));
            before = here;
        }
    }
    let mut above = vec![blank; WIDTH];
    for y in 0..HEIGHT {
        for (x, above) in above.iter_mut().enumerate() {
            let at = y * WIDTH + x;
            let (here, below) = (sum[at], if y + 1 < HEIGHT { sum[at + WIDTH] } else { blank });
            if above[3] + here[3] + below[3] > 0.0 {
                sum[at] = mix(*above, here, below);
            }
            *above = here;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lens_keeps_all_light_and_spreads_a_point_evenly() {
        let mut sum = vec![[0.0; 4]; WIDTH * HEIGHT];
        let at = 200 * WIDTH + 300;
        sum[at] = [2.0, 1.0, 0.5, 1.0];
        spread(&mut sum);
        let all: f32 = sum.iter().map(|v| v[0]).sum();
        assert!((all - 2.0).abs() < 1e-5);
        assert_eq!((sum[at - 1], sum[at - WIDTH]), (sum[at + 1], sum[at + WIDTH]));
        assert_eq!(sum[at - 2 * WIDTH], [0.0; 4]);
    }
}
