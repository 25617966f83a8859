//! The motion of the set from one frame to the next, along which a take may lie.
//!
//! Knows a motion at some size and gives it at another. Does not know how it was found.

/// Motion of the set from one frame to the next: pixels right and down of a plane of half the size looked at.
pub struct Along {
    /// Width and height of the planes.
    pub size: (usize, usize),
    /// Right and down.
    pub planes: [Vec<f32>; 2],
}

/// Motion at a size, in its pixels.
pub(super) fn resized(along: &Along, (width, height): (usize, usize)) -> [Vec<f32>; 2] {
    let (from_width, from_height) = along.size;
    let ratio = [from_width as f32 / width as f32, from_height as f32 / height as f32];
    let sample = |plane: &[f32], factor: f32| {
        let mut out = Vec::with_capacity(width * height);
        for y in 0..height {
            let fy = ((y as f32 + 0.5) * ratio[1] - 0.5).clamp(0.0, (from_height - 1) as f32);
            let (iy, fy) = (fy as usize, fy.fract());
            let rows = [iy, (iy + 1).min(from_height - 1)].map(|y| &plane[y * from_width..][..from_width]);
            for x in 0..width {
                let fx = ((x as f32 + 0.5) * ratio[0] - 0.5).clamp(0.0, (from_width - 1) as f32);
                let (ix, fx) = (fx as usize, fx.fract());
                let next = (ix + 1).min(from_width - 1);
                let row = |row: &[f32]| row[ix] + (row[next] - row[ix]) * fx;
                let (a, b) = (row(rows[0]), row(rows[1]));
                out.push((a + (b - a) * fy) * factor);
            }
        }
        out
    };
    [sample(&along.planes[0], 1.0 / ratio[0]), sample(&along.planes[1], 1.0 / ratio[1])]
}
