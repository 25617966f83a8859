//! Picture events of an edit list as read, before it is known whether they can be used.
//!
//! Knows what an event line and the lines after it say. Does not know other events.

use crate::base::problem::Span;
use crate::cut::Grade;
use crate::cut::edl::Motion;
use crate::cut::piece::Piece;

/// What plays: a shot or black.
#[derive(Clone)]
pub(super) struct Side {
    pub shot: String,
    pub shot_span: Span,
    /// The reel, under which another event may have told the shot's name.
    pub reel: String,
    /// A clip name was given.
    pub named: bool,
    pub black: bool,
}

impl Side {
    /// What a reel's name says.
    pub fn of(reel: Piece<'_>) -> Self {
        let black = reel.text.eq_ignore_ascii_case("BL");
        Self { shot: reel.text.into(), shot_span: reel.span, reel: reel.text.into(), named: false, black }
    }

    /// Takes a clip's name. Black may be called by its name.
    pub fn name(&mut self, name: Piece<'_>) {
        let says_black = ["BL", "BLACK"].iter().any(|word| name.text.eq_ignore_ascii_case(word));
        self.named = true;
        self.black &= says_black;
        self.shot = name.text.into();
        self.shot_span = name.span;
    }
}

/// What goes out in a dissolve.
pub(super) struct Leaving {
    pub side: Side,
    /// Its first frame in the dissolve.
    pub source: i64,
    /// The record frame that shows it.
    pub record: i64,
    /// Length of the dissolve.
    pub frames: i64,
    /// The pattern of a wipe.
    pub wipe: Option<u16>,
    /// Its own speed, where a line says so.
    pub motion: Option<Motion>,
    /// Where it is written.
    pub span: Span,
}

impl Leaving {
    /// True when a speed line of this reel that begins at this frame is of what goes out and not of what comes in.
    pub fn is_meant(
        &self,
        reel: Option<&str>,
        begins: Option<(i64, Span)>,
        comes: &Side,
        is_open: bool,
    ) -> bool {
        let is = |side: &Side| reel.is_some_and(|reel| reel.eq_ignore_ascii_case(&side.reel));
        match (is(&self.side), is(comes)) {
            (true, true) => !is_open && begins.is_some_and(|(frame, _)| frame == self.source),
            (goes, _) => goes,
        }
    }
}

/// What the lines after an event's line say of it.
#[derive(Clone, Default)]
pub(super) struct Sayings {
    /// Its speed.
    pub motion: Option<Motion>,
    /// Where a comment says that one frame is held, which holds where no line gives a speed.
    pub held: Option<Span>,
    /// Its grade.
    pub grade: Option<Grade>,
    /// Which parts of the grade are told, by their letter, and where.
    pub graded: Vec<(u8, Span)>,
    /// All other comments.
    pub comments: Vec<String>,
}

/// A picture event as read, before it is known whether it can be used.
pub(super) struct Draft {
    pub number: u32,
    pub side: Side,
    pub source: (i64, i64),
    pub record: (i64, i64),
    /// Where its source timecodes are written.
    pub ends: (Span, Span),
    /// Its channels, where there is sound among them.
    pub channels: Option<String>,
    /// What the lines after it say.
    pub says: Sayings,
    /// It leads into a transition, which has told its own problem.
    pub leads: bool,
    /// What goes out while it comes in.
    pub leaving: Option<Leaving>,
    pub span: Span,
    /// Its line, counted from 1.
    pub line: usize,
}

impl Draft {
    /// Its speed, where the list says one.
    pub fn motion(&self) -> Option<Motion> {
        self.says.motion.or(self.says.held.map(Motion::freeze))
    }

    /// True when it lasts no frame on either side, and only says where something is.
    pub fn is_point(&self) -> bool {
        self.source.0 == self.source.1 && self.record.0 == self.record.1
    }
}
