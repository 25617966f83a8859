//! Which pixels are seen in both pictures: where motion there and back do not agree, one of them hides what the
//! other shows.
//!
//! Knows the check of flows against each other (Sundaram, Brox and Keutzer 2010) and how the motion of what is hidden
//! is taken from what is seen beside it. Does not know how flows are found.

use super::Flow;

/// How far there and back may miss the start, in pixels, and how much more of the way.
const MISS: f32 = 0.7;
const MISS_OF_WAY: f32 = 0.02;
/// Difference of light, of 255, at which a neighbour says half as much.
const UNLIKE: f32 = 6.0;

impl Flow {
    /// The motion of a place between pixels.
    #[inline(always)]
    pub fn at(&self, x: f32, y: f32) -> [f32; 2] {
        let x = x.max(0.0).min((self.width - 1) as f32);
        let y = y.max(0.0).min((self.height - 1) as f32);
        let (ix, iy) = (x as usize, y as usize);
        let (fx, fy) = (x - ix as f32, y - iy as f32);
        let (up, left) = (iy * self.width, ix);
        let (below, right) = ((iy + 1).min(self.height - 1) * self.width, (ix + 1).min(self.width - 1));
        let mix = |plane: &[f32]| {
            let a = plane[up + left] + (plane[up + right] - plane[up + left]) * fx;
            let b = plane[below + left] + (plane[below + right] - plane[below + left]) * fx;
            a + (b - a) * fy
        };
        [mix(&self.across), mix(&self.down)]
    }

    /// True where a place lies in the frame.
    #[inline(always)]
    pub fn has(&self, x: f32, y: f32) -> bool {
        x >= -0.5 && y >= -0.5 && x <= self.width as f32 - 0.5 && y <= self.height as f32 - 0.5
    }
}

/// Gives pixels that are not `known` the median motion of five by five of all around them, as neighbours that were filled
/// from different sides would speckle.
pub fn smooth(flow: &mut Flow, known: &[bool]) {
    const AROUND: usize = 2;
    let (width, height) = (flow.width, flow.height);
    let mut near = [0.0; (2 * AROUND + 1) * (2 * AROUND + 1)];
    for plane in [&mut flow.across, &mut flow.down] {
        let before = plane.clone();
        for y in 0..height {
            let lines = y.saturating_sub(AROUND)..(y + AROUND + 1).min(height);
            for x in (0..width).filter(|x| !known[y * width + x]) {
                let columns = x.saturating_sub(AROUND)..(x + AROUND + 1).min(width);
                let mut count = 0;
                for line in lines.clone() {
                    for v in &before[line * width..][columns.clone()] {
                        near[count] = *v;
                        count += 1;
                    }
                }
                let (_, middle, _) = near[..count].select_nth_unstable_by(count / 2, f32::total_cmp);
                plane[y * width + x] = *middle;
            }
        }
    }
}

/// For every pixel of `flow` whether `back` leads from where it goes to where it came from.
pub fn agreed(flow: &Flow, back: &Flow) -> Vec<bool> {
    let mut out = Vec::with_capacity(flow.across.len());
    for y in 0..flow.height {
        for x in 0..flow.width {
            let at = y * flow.width + x;
            let (u, v) = (flow.across[at], flow.down[at]);
            let (tx, ty) = (x as f32 + u, y as f32 + v);
            let [bu, bv] = back.at(tx, ty);
            let miss = ((u + bu) * (u + bu) + (v + bv) * (v + bv)).sqrt();
            let way = (u * u + v * v).sqrt();
            out.push(flow.has(tx, ty) && miss < MISS + MISS_OF_WAY * way);
        }
    }
    // A pixel alone among others that do not agree does so by chance.
    most(&out, flow.width, flow.height)
}

/// True where it is true, and of most pixels around.
fn most(flags: &[bool], width: usize, height: usize) -> Vec<bool> {
    const AROUND: usize = 2;
    let rows: Vec<u8> = flags
        .chunks_exact(width)
        .flat_map(|row| {
            (0..width).map(|x| {
                let (low, high) = (x.saturating_sub(AROUND), (x + AROUND).min(width - 1));
                row[low..=high].iter().map(|f| u8::from(*f)).sum::<u8>()
            })
        })
        .collect();
    let mut out = Vec::with_capacity(flags.len());
    for y in 0..height {
        let lines = y.saturating_sub(AROUND)..=(y + AROUND).min(height - 1);
        for x in 0..width {
            let columns = (x + AROUND).min(width - 1) + 1 - x.saturating_sub(AROUND);
            let all = columns * (lines.end() + 1 - lines.start());
            let sum: usize = lines.clone().map(|line| usize::from(rows[line * width + x])).sum();
            out.push(flags[y * width + x] && sum * 10 >= all * 6);
        }
    }
    out
}

/// Gives pixels that are not `known` the motion of known ones: the nearest to the left and right, above and below,
/// each counted by how near it is and, where `light` is given, by how alike they look. When none is known, nothing is
/// changed.
pub fn fill(flow: &mut Flow, known: &[bool], light: Option<&[f32]>) {
    let (width, height) = (flow.width, flow.height);
    if known.iter().all(|k| *k) || !known.iter().any(|k| *k) {
        return;
    }
    let mut sums = vec![[0.0f32; 3]; known.len()];
    let mut run = |start: usize, count: usize, step: isize| {
        let mut last: Option<(usize, f32, f32)> = None;
        let mut at = start;
        for _ in 0..count {
            let here = light.map_or(0.0, |l| l[at]);
            if known[at] {
                // The look of the side is that of its last few pixels.
                let look = last.filter(|l| l.1 == 0.0).map_or(here, |l| l.2 + 0.4 * (here - l.2));
                last = Some((at, 0.0, look));
            } else if let Some((from, away, look)) = &mut last {
                *away += 1.0;
                let unlike = (here - *look) / UNLIKE;
                let likeness = 1.0 / (1.0 + unlike * unlike);
                let weight = likeness * likeness / (*away * *away);
                let sum = &mut sums[at];
                sum[0] += weight * flow.across[*from];
                sum[1] += weight * flow.down[*from];
                sum[2] += weight;
            }
            at = at.wrapping_add_signed(step);
        }
    };
    let line = width as isize;
    for y in 0..height {
        run(y * width, width, 1);
        run(y * width + width - 1, width, -1);
    }
    for x in 0..width {
        run(x, height, line);
        run((height - 1) * width + x, height, -line);
    }
    let mut rest = false;
    let mut found = known.to_vec();
    for (at, sum) in sums.iter().enumerate() {
        if sum[2] > 0.0 {
            flow.across[at] = sum[0] / sum[2];
            flow.down[at] = sum[1] / sum[2];
            found[at] = true;
        }
        rest |= !found[at];
    }
    // What has nothing known in its row and column takes it from those that were filled.
    if rest {
        fill(flow, &found, light);
    } else {
        smooth(flow, known);
    }
}
