//! Mattes grown outwards.
//!
//! Knows one plane. Does not know what it masks.

/// A plane, rows of `width`, in which every sample is the greatest within `radius` pixels of it (a disc). Between two
/// whole radii the two planes are mixed, so that a radius keyed in time grows evenly.
pub fn grown(plane: Vec<f32>, width: usize, radius: f64) -> Vec<f32> {
    let whole = radius.floor() as usize;
    let share = (radius - radius.floor()) as f32;
    let below = if whole == 0 { plane.clone() } else { disc(&plane, width, whole) };
    if share == 0.0 {
        return below;
    }
    let above = disc(&plane, width, whole + 1);
    below.iter().zip(above).map(|(a, b)| a + (b - a) * share).collect()
}

fn disc(plane: &[f32], width: usize, radius: usize) -> Vec<f32> {
    let height = plane.len() / width;
    let mut out = plane.to_vec();
    let mut wide = vec![0.0f32; width];
    let mut room = Vec::new();
    for down in 0..=radius {
        let across = (((radius * radius - down * down) as f64).sqrt()).floor() as usize;
        for y in 0..height {
            let row = &plane[y * width..][..width];
            if row.iter().all(|&m| m <= 0.0) {
                continue;
            }
            greatest(row, across, &mut room, &mut wide);
            for to in [y.checked_sub(down), Some(y + down).filter(|&to| to < height && down > 0)] {
                let Some(to) = to else { continue };
                for (o, w) in out[to * width..][..width].iter_mut().zip(&wide) {
                    *o = o.max(*w);
                }
            }
        }
    }
    out
}

/// The greatest of the `2 * reach + 1` samples around each, in two passes over blocks of that length (van Herk, 1992).
fn greatest(row: &[f32], reach: usize, room: &mut Vec<f32>, out: &mut [f32]) {
    let block = 2 * reach + 1;
    let length = (row.len() + 2 * reach).div_ceil(block) * block;
    room.clear();
    room.resize(2 * length, 0.0);
    let (left, right) = room.split_at_mut(length);
    left[reach..reach + row.len()].copy_from_slice(row);
    right.copy_from_slice(left);
    for i in 0..length {
        if i % block != 0 {
            left[i] = left[i].max(left[i - 1]);
        }
        let back = length - 1 - i;
        if back % block != block - 1 {
            right[back] = right[back].max(right[back + 1]);
        }
    }
    for (i, o) in out.iter_mut().enumerate() {
        *o = right[i].max(left[i + block - 1]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_disc_grows_as_the_plain_search_says() {
        let (width, height) = (23, 17);
        let plane: Vec<f32> =
            (0..width * height).map(|i| if i % 37 == 5 { (i % 7) as f32 / 7.0 } else { 0.0 }).collect();
        for radius in [1usize, 2, 5] {
            let got = grown(plane.clone(), width, radius as f64);
            for (at, got) in got.iter().enumerate() {
                let (x, y) = ((at % width) as i64, (at / width) as i64);
                let near = |i: &usize| {
                    let (dx, dy) = ((*i % width) as i64 - x, (*i / width) as i64 - y);
                    dx * dx + dy * dy <= (radius * radius) as i64
                };
                let wanted = (0..plane.len()).filter(near).map(|i| plane[i]).fold(0.0, f32::max);
                assert_eq!(*got, wanted, "radius {radius} at {x}, {y}");
            }
        }
        let half = grown(plane.clone(), width, 0.5);
        let one = grown(plane.clone(), width, 1.0);
        assert!(half.iter().zip(&one).zip(&plane).all(|((h, o), p)| (h - (o + p) / 2.0).abs() < 1e-6));
        assert_eq!(grown(plane.clone(), width, 0.0), plane);
    }
}
