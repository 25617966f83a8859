//! Options of the commands about the cut.
//!
//! Knows their words. Does not know what they do.

use std::path::PathBuf;

use clap::Args;

/// Options of `cut`.
#[derive(Debug, Args)]
pub struct Cut {
    /// Shots, stages and frames to tell of; all when not given
    #[arg(conflicts_with_all = ["edl", "otio", "grades"])]
    pub selectors: Vec<String>,
    /// Write an edit decision list of the film, with finished shots, in the film's folder
    #[arg(long, value_name = "FILE")]
    pub edl: Option<PathBuf>,
    /// Write OTIO JSON of the film, with finished shots, in the film's folder
    #[arg(long, value_name = "FILE")]
    pub otio: Option<PathBuf>,
    /// With --edl or --otio, point at the files of this delivery in place of the shots' renders
    #[arg(long, value_name = "NAME")]
    pub delivery: Option<String>,
    /// Write the grades that the cut carries, as grades/SHOT.cc
    #[arg(long)]
    pub grades: bool,
    /// Make files anew that a person wrote or changed, and keep theirs under another name
    #[arg(long)]
    pub replace: bool,
}

/// Options of `recut`.
#[derive(Debug, Args)]
pub struct Recut {
    /// The new list. Needed except with --go-back, which finds its own
    #[arg(value_name = "NEW_CUT", required_unless_present = "go_back")]
    pub list: Option<String>,
    /// Shots, stages and frames to tell of; all when not given
    #[arg(value_name = "SELECTORS", conflicts_with = "take_up")]
    pub selectors: Vec<String>,
    /// Take it up: write it into the declaration's `cut:`. Renders nothing
    #[arg(long)]
    pub take_up: bool,
    /// With --take-up, also write the longer `frames:` of shots that the new cut takes further than they are made
    #[arg(long, requires = "take_up")]
    pub grow: bool,
    /// Go back to the cut before the one that was taken up last
    #[arg(long, conflicts_with_all = ["list", "selectors", "take_up", "grow", "out"])]
    pub go_back: bool,
    /// Write a picture file, PNG, of the two cuts one above the other; none when not given
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}
