//! What was found: its kind, how serious it is, which frames, where, and by how much.
//!
//! Knows plain values only. Does not know how they were found; the sentences are in `words`.

use crate::base::frames::FrameRange;

use super::remedy::Remedy;

/// A part of the frame in pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PixelBox {
    /// Columns left of it.
    pub left: u32,
    /// Rows above it.
    pub top: u32,
    /// Columns that it holds.
    pub width: u32,
    /// Rows that it holds.
    pub height: u32,
}

impl PixelBox {
    /// A box.
    pub const fn new(left: u32, top: u32, width: u32, height: u32) -> Self {
        Self { left, top, width, height }
    }

    /// The smallest box that holds both.
    pub fn hull(self, other: Self) -> Self {
        let (left, top) = (self.left.min(other.left), self.top.min(other.top));
        let right = (self.left + self.width).max(other.left + other.width);
        let bottom = (self.top + self.height).max(other.top + other.height);
        Self::new(left, top, right - left, bottom - top)
    }
}

/// How serious a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// Good to know; nothing need be done.
    Hint,
    /// May be meant: somebody should look.
    Suspect,
    /// Not fit to leave the house.
    Fault,
}

impl Weight {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Hint => "hint",
            Self::Suspect => "suspect",
            Self::Fault => "fault",
        }
    }
}

/// A side of the frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Side {
    /// The first row.
    Top,
    /// The last row.
    Bottom,
    /// The first column.
    Left,
    /// The last column.
    Right,
}

impl Side {
    /// All four, in the order of everything that is kept by side.
    pub const ALL: [Side; 4] = [Side::Top, Side::Bottom, Side::Left, Side::Right];

    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Top => "top",
            Self::Bottom => "bottom",
            Self::Left => "left",
            Self::Right => "right",
        }
    }

    /// The box of so many lines at this side of `picture`.
    pub fn lines(self, picture: PixelBox, lines: u32) -> PixelBox {
        let PixelBox { left, top, width, height } = picture;
        match self {
            Self::Top => PixelBox::new(left, top, width, lines),
            Self::Bottom => PixelBox::new(left, top + height - lines.min(height), width, lines),
            Self::Left => PixelBox::new(left, top, lines, height),
            Self::Right => PixelBox::new(left + width - lines.min(width), top, lines, height),
        }
    }
}

/// What is wrong, with what belongs to this kind alone.
#[derive(Clone, Debug, PartialEq)]
pub enum Kind {
    /// Frames that were expected and not handed over.
    Missing,
    /// Frames of another size than declared.
    Size {
        /// Width and height of the frames.
        found: (u32, u32),
        /// Width and height declared.
        declared: (u32, u32),
    },
    /// Another rate than declared, in frames a second.
    Rate {
        /// Of the material.
        found: f64,
        /// Of the film.
        declared: f64,
    },
    /// A picture that stands still although it is not declared to.
    Frozen {
        /// True when no pixel differs.
        exact: bool,
    },
    /// Frames that repeat the one before inside motion.
    Repeat {
        /// True when no pixel differs.
        exact: bool,
    },
    /// Repeats at even distances, as a change of rate leaves them.
    Cadence {
        /// Frames from one to the next.
        every: i64,
    },
    /// Black frames.
    Black,
    /// A single frame unlike both neighbours, which resemble each other.
    Odd,
    /// A single frame that differs more from both neighbours than movement does, which lie closer together.
    Stray,
    /// Values that are not numbers or infinite.
    NotANumber,
    /// Values below zero.
    Negative {
        /// The least of them.
        worst: f32,
        /// Its place.
        at: (u32, u32),
    },
    /// Values beyond the target's white.
    AboveWhite {
        /// The largest of them.
        worst: f32,
        /// Its place.
        at: (u32, u32),
    },
    /// The picture's alpha is below one somewhere.
    SeeThrough {
        /// The least alpha.
        least: f32,
        /// The side along which it lies, when it lies along one.
        side: Option<Side>,
    },
    /// Lines at a border that do not belong to the picture.
    EdgeLines {
        /// Where.
        side: Side,
        /// How many.
        lines: u32,
        /// Brighter than the picture beside them, or darker.
        bright: bool,
        /// Luma of the outermost line over that of the picture beside them.
        ratio: f32,
    },
    /// Bars that are not declared, or unlike the declared ones.
    Bars {
        /// Where.
        side: Side,
        /// Lines of the bar that is there.
        lines: u32,
        /// Lines of the declared bar; 0 when none is.
        declared: u32,
    },
    /// Levels outside EBU R 103, in codes of 10 bits.
    Levels {
        /// The least, filtered.
        low: f32,
        /// The largest, filtered.
        high: f32,
        /// True when a low-pass went before.
        filtered: bool,
    },
    /// Flashing beyond the limits.
    Flash {
        /// Of saturated red; else of light.
        red: bool,
        /// Most opposing changes within a second; two make a flash.
        changes: usize,
        /// Largest share of the screen, 0 to 1.
        area: f64,
        /// Largest share of a field of view of ten degrees.
        field: f64,
        /// What would bring it under.
        remedy: Option<Remedy>,
    },
}

impl Kind {
    /// The word for it.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Missing => "missing",
            Self::Size { .. } => "size",
            Self::Rate { .. } => "rate",
            Self::Frozen { .. } => "frozen",
            Self::Repeat { .. } => "repeat",
            Self::Cadence { .. } => "cadence",
            Self::Black => "black",
            Self::Odd => "odd",
            Self::Stray => "stray",
            Self::NotANumber => "not-a-number",
            Self::Negative { .. } => "below-black",
            Self::AboveWhite { .. } => "above-white",
            Self::SeeThrough { .. } => "see-through",
            Self::EdgeLines { .. } => "edge-lines",
            Self::Bars { .. } => "bars",
            Self::Levels { .. } => "levels",
            Self::Flash { red: false, .. } => "flash",
            Self::Flash { red: true, .. } => "red-flash",
        }
    }
}

/// One finding.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What.
    pub kind: Kind,
    /// How serious.
    pub weight: Weight,
    /// From which frame to which.
    pub frames: FrameRange,
    /// The number that speaks for it.
    pub amount: f64,
    /// Unit of amount and limit.
    pub unit: &'static str,
    /// The limit that it is beyond.
    pub limit: f64,
    /// Where in the frame.
    pub place: Option<PixelBox>,
    /// The frame that shows it best.
    pub shows: i64,
}

impl Finding {
    /// What a person is told.
    pub fn sentence(&self) -> String {
        super::words::of_picture(self)
    }
}
