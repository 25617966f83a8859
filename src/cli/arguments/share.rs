//! Options of `share`, and how the shared store is used.
//!
//! Knows how they are written. Does not know what they do.

use std::path::PathBuf;

use clap::Args;

/// How the crew's shared store is used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Way {
    /// Take what others rendered, and send what is rendered here
    Both,
    /// Take what others rendered, and send nothing
    Take,
    /// Leave it alone
    Off,
}

/// Options of `share`.
#[derive(Debug, Args)]
pub struct Share {
    /// Say what would be sent, and send nothing
    #[arg(long)]
    pub plan: bool,
    /// Take away what a member's working copy said that it uses, when nobody works there any more
    #[arg(long, value_name = "WHO", conflicts_with = "plan")]
    pub forget: Option<String>,
    /// Send the zip of a packet that was handed out, from where sending it broke off, and print its links; all that the film has goes, when not given
    #[arg(long, value_name = "ZIP", conflicts_with_all = ["plan", "forget"])]
    pub send: Option<PathBuf>,
    /// Whether to send at all: both, take (send nothing), off; ENDBOARD_SHARED, or both, when not given
    #[arg(long, value_name = "WAY", hide_possible_values = true)]
    pub sharing: Option<Way>,
}
