//! Options of `handout`, `takeback` and `outstanding`.
//!
//! Knows how they are written. Does not know what they do.

use std::path::PathBuf;

use clap::Args;

use crate::cli::{amounts, today};

/// Options of `handout`.
#[derive(Debug, Args)]
pub struct Handout {
    /// Shots of one hand stage: br080, br080/figure, br080/figure@1021-1024. Frames that are not fresh, when none are named
    #[arg(required = true)]
    pub selectors: Vec<String>,
    /// To whom
    #[arg(long, value_name = "PERSON", value_parser = amounts::person)]
    pub to: String,
    /// The day by which it should be back, such as 2026-12-05; no day when not given
    #[arg(long, value_name = "DAY", value_parser = today::day)]
    pub due: Option<jiff::civil::Date>,
    /// What to do, in a few words
    #[arg(
        long,
        value_name = "WORDS",
        default_value = "",
        hide_default_value = true,
        conflicts_with = "brief_file"
    )]
    pub brief: String,
    /// What to do, from a text file
    #[arg(long, value_name = "FILE")]
    pub brief_file: Option<PathBuf>,
    /// How the frames to work from are written: as they are (exr), or as a screen shows them (png, jpeg)
    #[arg(long = "as", value_name = "FORM", default_value = "exr", hide_possible_values = true)]
    pub form: FrameForm,
    /// Write a zip in place of a folder
    #[arg(long)]
    pub zip: bool,
    /// The folder to write into; the film's packets/ when not given
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,
    /// Extra frames at each end of a run, for reference only
    #[arg(long, value_name = "N", default_value = "4", value_parser = clap::value_parser!(i64).range(0..=1000), allow_negative_numbers = true)]
    pub around: i64,
    /// Say what would go into the packet, how large it would be and to whom it would go, and write nothing
    #[arg(long)]
    pub plan: bool,
    /// Hand out last renders of what is stale, and what is held
    #[arg(long)]
    pub as_it_is: bool,
    /// Write a zip, put it into the crew's shared store too, and print links by which the person may fetch it and send what is done
    #[arg(long)]
    pub shared: bool,
}

/// How frames are handed out.
#[derive(Clone, Copy, Debug, clap::ValueEnum)]
pub enum FrameForm {
    /// As they are
    Exr,
    /// As a screen shows them
    Png,
    /// As a screen shows them, smaller
    Jpeg,
}

/// Options of `takeback`.
#[derive(Debug, Args)]
pub struct Takeback {
    /// The folder or zip that came; with --go-back, shots, stages and frames
    #[arg(required = true, value_name = "PATH")]
    pub what: Vec<String>,
    /// The packet's name, where the files do not tell it
    #[arg(long, value_name = "NAME", conflicts_with = "go_back")]
    pub packet: Option<String>,
    /// Check and report, and take nothing
    #[arg(long, conflicts_with = "go_back")]
    pub plan: bool,
    /// PATH is the name of a packet; what the person put into the crew's shared store is fetched first
    #[arg(long, conflicts_with = "go_back")]
    pub shared: bool,
    /// Go back to the return before the one that is in use of what is selected
    #[arg(long)]
    pub go_back: bool,
    /// With --go-back, the number of the return to go back to; the one before when not given
    #[arg(long = "return", value_name = "N", requires = "go_back", value_parser = clap::value_parser!(u32).range(1..), allow_negative_numbers = true)]
    pub version: Option<u32>,
    /// A few words for the ledger
    #[arg(long, value_name = "WORDS", default_value = "", hide_default_value = true)]
    pub note: String,
}

/// Options of `outstanding`.
#[derive(Debug, Args)]
pub struct Outstanding {
    /// Shots, stages and frames; everything when not given
    pub selectors: Vec<String>,
    /// Expect nothing more of this packet
    #[arg(long, value_name = "PACKET", conflicts_with = "selectors")]
    pub close: Option<String>,
    /// A few words on why
    #[arg(long, value_name = "WORDS", default_value = "", hide_default_value = true, requires = "close")]
    pub note: String,
}
