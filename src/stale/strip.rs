//! The state of single frames, and of all frames of a node.
//!
//! Knows how it is held: a cell a frame, or nothing but the rows of the last renders where all of them are fresh.
//! Does not know how a state is found.

use std::sync::Arc;

use super::Reason;
use crate::base::digest::Digest;
use crate::base::frames::FrameRange;
use crate::base::made::{NONE, Row, Rows};
use crate::base::state::State;

/// One frame.
#[derive(Clone, Copy, Debug)]
pub struct Cell {
    /// Its state.
    pub state: State,
    /// True when a person holds it.
    pub held: bool,
    /// True when it need not be rendered, only put back.
    pub restorable: bool,
    /// Why it is not fresh.
    pub reason: Reason,
    /// Its key now, when known.
    pub key: Digest,
    /// The pixels that frames needing it will see, when known.
    pub pixels: Digest,
    /// The key under which those pixels were made.
    pub made_by: Digest,
}

impl Cell {
    /// True when the last render goes on being used although the frame is not fresh: a person holds it, or made it and is to
    /// look at it again, or has it in hand once more.
    pub fn is_in_use(&self) -> bool {
        self.held || self.reason == Reason::Redo || (self.reason == Reason::Out && self.pixels != NONE)
    }

    /// A fresh frame, from its last render. A row that was lost since makes it absent.
    pub fn fresh(last: Row) -> Self {
        let (state, reason) =
            if last.key == NONE { (State::Absent, Reason::New) } else { (State::Fresh, Reason::None) };
        let (key, pixels) = (last.key, last.pixels);
        Self { state, held: false, restorable: false, reason, key, pixels, made_by: key }
    }
}

/// All frames of one node.
#[derive(Clone)]
pub struct Strip {
    /// The frames.
    pub frames: FrameRange,
    held_as: HeldAs,
}

#[derive(Clone)]
enum HeldAs {
    /// All fresh; a cell follows from its last render.
    Sealed(Arc<dyn Rows>),
    /// A cell a frame, and whether all are fresh.
    Cells(Vec<Cell>, bool),
}

impl std::fmt::Debug for Strip {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Strip").field("frames", &self.frames).finish_non_exhaustive()
    }
}

impl Strip {
    /// A cell a frame, from `first` on.
    pub fn of_cells(first: i64, cells: Vec<Cell>) -> Self {
        let frames = FrameRange::new(first, first + cells.len() as i64 - 1);
        let fresh = cells.iter().all(|cell| cell.state == State::Fresh);
        Self { frames, held_as: HeldAs::Cells(cells, fresh) }
    }

    /// All of `frames` are fresh, by these rows.
    pub fn sealed(frames: FrameRange, rows: Arc<dyn Rows>) -> Self {
        Self { frames, held_as: HeldAs::Sealed(rows) }
    }

    /// True when every frame is fresh.
    pub fn is_fresh(&self) -> bool {
        match &self.held_as {
            HeldAs::Sealed(_) => true,
            HeldAs::Cells(_, fresh) => *fresh,
        }
    }

    /// True when single frames were not looked at.
    pub fn is_sealed(&self) -> bool {
        matches!(self.held_as, HeldAs::Sealed(_))
    }

    /// True when this frame is.
    pub fn is_fresh_at(&self, frame: i64) -> bool {
        self.get(frame).is_some_and(|cell| cell.state == State::Fresh)
    }

    /// A frame's cell.
    pub fn get(&self, frame: i64) -> Option<Cell> {
        if !self.frames.contains(frame) {
            return None;
        }
        match &self.held_as {
            HeldAs::Sealed(rows) => Some(Cell::fresh(rows.row(frame))),
            HeldAs::Cells(cells, _) => Some(cells[(frame - self.frames.first) as usize]),
        }
    }

    /// Every frame with its cell.
    pub fn iter(&self) -> impl Iterator<Item = (i64, Cell)> + '_ {
        self.frames.iter().filter_map(|frame| Some((frame, self.get(frame)?)))
    }

    /// Frames that are not fresh, with their cells; quick where all are.
    pub fn unsettled(&self) -> impl Iterator<Item = (i64, &Cell)> + '_ {
        let cells = match &self.held_as {
            HeldAs::Cells(cells, false) => cells.as_slice(),
            _ => &[],
        };
        (self.frames.first..).zip(cells).filter(|(_, cell)| cell.state != State::Fresh)
    }

    /// Runs of frames that look alike.
    pub fn runs(&self) -> Vec<(FrameRange, State, bool)> {
        let mut runs: Vec<(FrameRange, State, bool)> = Vec::new();
        let HeldAs::Cells(cells, _) = &self.held_as else { return vec![(self.frames, State::Fresh, false)] };
        for (frame, cell) in (self.frames.first..).zip(cells) {
            match runs.last_mut() {
                Some((range, state, held)) if *state == cell.state && *held == cell.held => {
                    range.last = frame
                }
                _ => runs.push((FrameRange::one(frame), cell.state, cell.held)),
            }
        }
        runs
    }
}

/// The state of the whole film.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// A strip a node.
    pub strips: Vec<Strip>,
    /// For every node all of whose frames are fresh, the digest of everything that this rests on: a later look with
    /// the same digest need not look at single frames.
    pub prints: Vec<Option<Digest>>,
}
