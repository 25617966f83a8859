//! What a takeback came to, or why nothing was taken.
//!
//! Plain values, for whoever tells of it.

use crate::base::frames::FrameSet;
use crate::packet::Fault;
use crate::project::ProjectError;
use crate::project::frames::LookError;

/// What came back of one stage of a shot.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Came {
    /// The shot.
    pub shot: String,
    /// The stage.
    pub stage: String,
    /// Which return it is; 0 where nothing is new.
    pub version: u32,
    /// The frames that are new.
    pub frames: FrameSet,
    /// Those that came before just so.
    pub again: FrameSet,
    /// Of the new ones, those whose inputs are as they were handed out.
    pub good: FrameSet,
    /// Those that were made for earlier inputs.
    pub earlier: FrameSet,
    /// Those of which that shows after a rebuild only.
    pub unsure: FrameSet,
    /// Frames of the packet that are still to come.
    pub left: FrameSet,
    /// Those of them that lie between frames that came.
    pub gaps: FrameSet,
    /// Frames that the film has no more; their files are kept and put in place all the same.
    pub gone: FrameSet,
}

/// What a takeback came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Taken {
    /// The packet's name.
    pub packet: String,
    /// Who made it.
    pub person: String,
    /// By stages of shots.
    pub came: Vec<Came>,
    /// New rows of hours, corrected ones, and the hours of both in microseconds.
    pub hours: (usize, usize, u64),
    /// Files that lay in a place and were no known return: where they lay and where they are kept.
    pub kept: Vec<(String, String)>,
    /// What a person should know besides.
    pub remarks: Vec<String>,
    /// Whether anything is still expected.
    pub is_open: bool,
}

/// What putting files in place came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Placed {
    /// Files that lay in a place and were no known return: where they lay and where they are kept.
    pub kept: Vec<(String, String)>,
    /// Of files that came into a place meanwhile and stay there, what a person should know.
    pub left: Vec<String>,
}

/// What is said of a file that was there and was no known return.
pub fn kept(from: &str, to: &str) -> String {
    format!("{from} was there and no known return; it is kept as {to}")
}

/// What going back to an earlier return came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Used {
    /// What is in use now: `SHOT/STAGE@FRAMES`, and the number of its return.
    pub places: Vec<(String, u32)>,
    /// What is in use already, and was left as it is.
    pub already: Vec<(String, u32)>,
    /// What became of the files that lay there.
    pub placed: Placed,
    /// What a person should know besides.
    pub remarks: Vec<String>,
}

impl Used {
    /// The number of the return, when it is one and the same everywhere.
    pub fn version(&self) -> Option<u32> {
        let mut all = self.places.iter().chain(&self.already).map(|(_, version)| *version);
        let first = all.next()?;
        all.all(|version| version == first).then_some(first)
    }
}

/// Why nothing was taken.
#[derive(Debug, thiserror::Error)]
pub enum TakeError {
    /// The film, or what was asked.
    #[error(transparent)]
    Look(#[from] LookError),
    /// What is wrong with the packet, file by file; nothing was changed.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Refused(Vec<Fault>),
}

impl From<ProjectError> for TakeError {
    fn from(error: ProjectError) -> Self {
        Self::Look(error.into())
    }
}
