//! What a page shows, as plain values.
//!
//! Knows what each part of a page holds; a part without anything in it is left out of the page. Does not know how it looks, nor
//! where it comes from.

use std::collections::HashMap;
use std::time::Duration;

use jiff::civil::Date;

use crate::base::frames::FrameRange;
use crate::report::states::{Counts, Delivery, Strip};

/// All that a page shows of a film.
#[derive(Clone, Debug, Default)]
pub struct Page {
    /// The film's name.
    pub film: String,
    /// When this was so, in words.
    pub made: String,
    /// Frames a second.
    pub rate: f64,
    /// What the film shows, in the order of its cut.
    pub pieces: Vec<Piece>,
    /// True when the order is the cut's; else it is the declaration's.
    pub is_cut: bool,
    /// Its shots in the order in which they are first shown; those that the cut leaves out last.
    pub shots: Vec<Shot>,
    /// Stages of the film as a whole: its picture, its prints, its sound.
    pub whole: Vec<Strip>,
    /// Frames of the stages of what the film shows, by state; those of shots that the cut leaves out are no part of it.
    pub counts: Counts,
    /// What comes next, a sentence each.
    pub next: Vec<String>,
    /// What failed or stands in the way, a sentence each.
    pub trouble: Vec<String>,
    /// Where the hours went.
    pub hours: Spent,
    /// When it will be done.
    pub forecast: Option<Distribution>,
    /// What was found by the last inspection that was kept.
    pub findings: Option<Findings>,
    /// True of the whole film when no inspection of it was kept.
    pub is_uninspected: bool,
    /// What people noted.
    pub notes: Vec<Note>,
    /// What people approved.
    pub approvals: Vec<Approval>,
    /// Work that is with people.
    pub packets: Vec<Packet>,
    /// How deliveries stand.
    pub deliveries: Vec<Delivery>,
    /// Which renders are shown of each `SHOT/STAGE`, as a digest that approving gives back; empty where nobody can approve.
    pub shown: HashMap<String, String>,
}

/// A stretch of the film.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Piece {
    /// The shot; none for black.
    pub shot: Option<String>,
    /// Frames of the shot that are shown.
    pub frames: Option<FrameRange>,
    /// How many film frames it lasts.
    pub length: u64,
    /// Where it begins in the film, in words: a timecode.
    pub at: String,
    /// Pictures of it from its first frame to its last; none where there is no room or nothing is made.
    pub pictures: Vec<String>,
}

/// A shot and its stages.
#[derive(Clone, Debug, Default)]
pub struct Shot {
    /// Its name.
    pub name: String,
    /// The film has a cut, and the cut leaves it out.
    pub left_out: bool,
    /// Its stages, first to last.
    pub stages: Vec<Strip>,
    /// Pictures of its stages at one frame, first stage to last.
    pub pictures: Vec<Picture>,
}

/// A picture of a stage.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Picture {
    /// The stage.
    pub stage: String,
    /// The frame.
    pub frame: i64,
    /// Where a browser has it from: a `data:` address, or a path of the program that serves the page.
    pub source: String,
    /// Width and height in pixels.
    pub size: (u32, u32),
}

/// Time spent.
#[derive(Clone, Debug, Default)]
pub struct Spent {
    /// What is to be said of it, a sentence each.
    pub says: Vec<String>,
    /// By stage, by week and so on.
    pub charts: Vec<Chart>,
}

/// What kind of time a part of a bar is: whose it is, and whether it was spent once or again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// People, what was done for the first time.
    PeopleFirst,
    /// People, what was done again.
    PeopleRework,
    /// People, where nobody said which.
    People,
    /// Machines, what was rendered for the first time.
    MachineFirst,
    /// Machines, what was rendered again.
    MachineRework,
    /// Machines, what came to nothing.
    MachineFailed,
}

impl Kind {
    /// All of them in the order in which bars hold them.
    pub const ALL: [Kind; 6] = [
        Kind::PeopleFirst,
        Kind::PeopleRework,
        Kind::People,
        Kind::MachineFirst,
        Kind::MachineRework,
        Kind::MachineFailed,
    ];

    /// True of people's time.
    pub fn is_people(self) -> bool {
        matches!(self, Self::PeopleFirst | Self::PeopleRework | Self::People)
    }

    /// The words for it.
    pub fn words(self) -> &'static str {
        match self {
            Self::PeopleFirst => "hands, first pass",
            Self::PeopleRework => "hands, rework",
            Self::People => "hands",
            Self::MachineFirst => "machines, first pass",
            Self::MachineRework => "machines, rework",
            Self::MachineFailed => "machines, failed",
        }
    }

    /// The name of its texture.
    pub fn texture(self) -> &'static str {
        match self {
            Self::PeopleFirst => "people-first",
            Self::PeopleRework => "people-rework",
            Self::People => "people",
            Self::MachineFirst => "machine-first",
            Self::MachineRework => "machine-rework",
            Self::MachineFailed => "machine-failed",
        }
    }
}

/// Bars of time beside their names.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Chart {
    /// What it shows, such as `By stage`.
    pub title: String,
    /// What the names are, for the head of its table, such as `stage`.
    pub of: String,
    /// The bars, in the order shown.
    pub bars: Vec<Bar>,
}

/// One bar.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bar {
    /// Its name.
    pub name: String,
    /// Its parts.
    pub parts: Vec<(Kind, Duration)>,
}

impl Bar {
    /// Time of one side, people's or machines'.
    pub fn of(&self, people: bool) -> Duration {
        let own = self.parts.iter().filter(|(kind, _)| kind.is_people() == people);
        own.fold(Duration::ZERO, |sum, (_, time)| sum.saturating_add(*time))
    }
}

/// When the film will be done, as many simulated runs have it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Distribution {
    /// Days in rising order, with how many of the runs end on each.
    pub days: Vec<(Date, u64)>,
    /// Such as `P50` with its day, in rising order.
    pub quantiles: Vec<(String, Date)>,
    /// What is to be said of it, a sentence each: how sure it is, what holds the film up, what would save how much.
    pub says: Vec<String>,
    /// What it does not know, a sentence each.
    pub unknown: Vec<String>,
}

/// What an inspection found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Findings {
    /// When, and of what, in words.
    pub of: String,
    /// The findings, the most serious first.
    pub all: Vec<Finding>,
    /// What must be said whatever was found.
    pub cautions: Vec<String>,
}

/// One finding.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Finding {
    /// `fault`, `suspect` or `hint`.
    pub weight: String,
    /// Where, in words.
    pub place: String,
    /// The first shot that it concerns.
    pub shot: Option<String>,
    /// What was found.
    pub says: String,
    /// It was found on a render in whose place there is another one, or none, now.
    pub earlier: bool,
}

/// A note of a person's.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Note {
    /// Its row's id, by which it is resolved.
    pub id: String,
    /// The shot.
    pub shot: String,
    /// `SHOT/STAGE@FRAMES`.
    pub place: String,
    /// Who.
    pub by: String,
    /// When, in words.
    pub when: String,
    /// The note.
    pub says: String,
    /// By whom it was resolved and with what words; none while it is open.
    pub resolved: Option<String>,
}

/// An approval of a person's.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Approval {
    /// The shot.
    pub shot: String,
    /// `SHOT/STAGE@FRAMES`.
    pub place: String,
    /// Who.
    pub by: String,
    /// When, in words.
    pub when: String,
    /// In the person's words; may be empty.
    pub says: String,
    /// Frames that still show what was approved, but are stale, as a list; empty when there are none.
    pub in_doubt: String,
    /// Frames whose pixels have changed since, as a list; empty while all of it holds.
    pub lapsed: String,
    /// Frames without a render now, or that the film no longer has, as a list; empty when there are none.
    pub lost: String,
}

/// Work that is with a person.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Packet {
    /// The packet's name.
    pub name: String,
    /// Who has it.
    pub person: String,
    /// What it holds: `SHOT/STAGE@FRAMES`, each.
    pub places: Vec<String>,
    /// When it should be back, in words; may be empty.
    pub due: String,
    /// True when that day is past.
    pub late: bool,
    /// What else is to be known, in a sentence; may be empty.
    pub says: String,
}
