//! A frame as a grid of cells: the light of each, and a trace of the detail in it.
//!
//! Knows how two frames' cells compare. Does not know how pixels came into them.

use super::finding::PixelBox;

/// Cells that a frame is divided into, across and down, at most; a frame of 16:9 has as many.
const MOST: (u32, u32) = (64, 36);

/// Square cells of one side length over a frame; those of the last column and row may be cut short.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Grid {
    /// Pixels of the frame.
    pub size: (u32, u32),
    /// Pixels of a cell's side.
    pub side: u32,
    /// Cells across and down.
    pub cells: (usize, usize),
}

impl Grid {
    /// The grid of a frame of `width` times `height` pixels, both above 0.
    pub fn of(width: u32, height: u32) -> Self {
        let side = width.div_ceil(MOST.0).max(height.div_ceil(MOST.1)).max(1);
        let cells = (width.div_ceil(side) as usize, height.div_ceil(side) as usize);
        Self { size: (width, height), side, cells }
    }

    /// How many cells.
    pub fn count(&self) -> usize {
        self.cells.0 * self.cells.1
    }

    /// The pixels of the cells from column `left` and row `top` to column `right` and row `bottom`, these included.
    pub fn pixels(&self, [left, top, right, bottom]: [usize; 4]) -> PixelBox {
        let (x, y) = (left as u32 * self.side, top as u32 * self.side);
        let end = |cell: usize, size: u32| ((cell as u32 + 1) * self.side).min(size);
        PixelBox::new(x, y, end(right, self.size.0) - x, end(bottom, self.size.1) - y)
    }

    /// The pixels of one cell.
    pub fn cell(&self, cell: usize) -> PixelBox {
        let (x, y) = (cell % self.cells.0, cell / self.cells.0);
        self.pixels([x, y, x, y])
    }
}

/// What is kept of a frame's pixels.
#[derive(Clone, Debug, PartialEq)]
pub struct Cells {
    /// How they lie.
    pub grid: Grid,
    /// Mean display light of each cell, of Rec. 709 primaries, the target's white at 1.
    pub light: Vec<[f32; 3]>,
    /// Sum of each cell's luma with signs that look random but are the same in every frame, over the square root of its
    /// pixels. The square of its change from frame to frame is, on the average, the mean square of the change of the
    /// pixels (Johnson and Lindenstrauss 1984), so that movement shows which leaves the mean as it is.
    pub detail: Vec<f32>,
}

/// How much a frame differs from another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Root mean square of the change of luma over the frame, white at 1.
    pub all: f64,
    /// Root mean square of the change of the cells' mean colours: grain hardly shows in it.
    pub means: f64,
    /// The largest such change in any one cell, or the largest change of a cell's mean colour.
    pub worst: f64,
    /// The cell that has it.
    pub cell: usize,
}

impl Cells {
    /// Mean light of each cell as a signal (the square root stands for it): steps that look alike come out alike.
    pub fn tones(&self) -> Vec<[f32; 3]> {
        self.light.iter().map(|light| light.map(f32::sqrt)).collect()
    }

    /// Mean light of the whole frame by BT.709 weights.
    pub fn mean(&self) -> f64 {
        let sum: f64 = self.light.iter().map(|&light| f64::from(luma(light))).sum();
        sum / self.light.len() as f64
    }

    /// The step to `other`, of the same grid.
    pub fn step(&self, tones: &[[f32; 3]], other: &Self, other_tones: &[[f32; 3]]) -> Step {
        let (mut squares, mut means) = (0f64, 0f64);
        let (mut worst, mut cell) = (0f32, 0);
        for i in 0..self.detail.len() {
            let change = (self.detail[i] - other.detail[i]).abs();
            squares += f64::from(change) * f64::from(change);
            let apart = apart(tones[i], other_tones[i]);
            means += f64::from(apart) * f64::from(apart);
            let change = change.max(apart);
            if change > worst {
                (worst, cell) = (change, i);
            }
        }
        let [all, means] = [squares, means].map(|sum| (sum / self.detail.len() as f64).sqrt());
        Step { all, means, worst: worst.into(), cell }
    }
}

/// The largest difference of any colour.
pub fn apart(a: [f32; 3], b: [f32; 3]) -> f32 {
    (0..3).map(|c| (a[c] - b[c]).abs()).fold(0.0, f32::max)
}

/// Light by the weights of Rec. ITU-R BT.709.
pub fn luma([r, g, b]: [f32; 3]) -> f32 {
    0.2126 * r + 0.7152 * g + 0.0722 * b
}

/// The smallest box of cells, as left, top, right and bottom, that holds all those marked, of a grid so many cells across.
pub fn hull(across: usize, marked: impl Iterator<Item = usize>) -> Option<[usize; 4]> {
    marked.fold(None, |hull: Option<[usize; 4]>, i| {
        let (x, y) = (i % across, i / across);
        let [left, top, right, bottom] = hull.unwrap_or([x, y, x, y]);
        Some([left.min(x), top.min(y), right.max(x), bottom.max(y)])
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grids_hold_the_whole_frame() {
        let check = |size: (u32, u32), side, cells| {
            let grid = Grid::of(size.0, size.1);
            assert_eq!((grid.side, grid.cells), (side, cells), "{size:?}");
            let all = grid.pixels([0, 0, grid.cells.0 - 1, grid.cells.1 - 1]);
            assert_eq!(all, PixelBox::new(0, 0, size.0, size.1));
        };
        check((1920, 1080), 30, (64, 36));
        check((3840, 2160), 60, (64, 36));
        check((2048, 858), 32, (64, 27));
        check((1, 1), 1, (1, 1));
        check((97, 61), 2, (49, 31));
    }
}
