//! Options of the commands that render, here and on a cluster.

use clap::Args;

use super::share::Way;
use crate::cli::amounts;

/// What renders besides this machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum On {
    /// A Slurm cluster
    Slurm,
}

/// Which part of a run on a cluster is to be made; for its tasks alone.
#[derive(Debug, Args)]
pub struct Part {
    /// The run
    pub run: String,
    /// The number of its array
    pub array: usize,
    /// The number of the task
    pub index: usize,
}

/// Options of `rebuild`.
#[derive(Debug, Args)]
pub struct Rebuild {
    /// Shots, stages and frames; all when not given. What they need is rendered too
    pub selectors: Vec<String>,
    /// Workers; as many as processors when not given
    #[arg(long, short, value_name = "N", value_parser = amounts::jobs, allow_negative_numbers = true)]
    pub jobs: Option<usize>,
    /// Memory for pictures between stages, such as 2GB or 1.5GiB, at least 64MB, and as much again for commands that
    /// say how much they use; when not given, a quarter of the machine's, 8 GiB at most
    #[arg(long, value_name = "SIZE", value_parser = amounts::memory)]
    pub memory: Option<u64>,
    /// Say what would be rendered, and render nothing
    #[arg(long)]
    pub plan: bool,
    /// Try frames again that failed with the same inputs and settings
    #[arg(long)]
    pub again: bool,
    /// Render on a cluster, by tasks on this shared folder; a run that is out already is followed. On this machine when not given
    #[arg(long, value_name = "CLUSTER", conflicts_with_all = ["jobs", "memory", "hold", "let_go"])]
    pub on: Option<On>,
    /// With --on: submit and leave; a later rebuild takes in what was made
    #[arg(long, requires = "on", conflicts_with = "plan")]
    pub leave: bool,
    /// Render here also what a run on a cluster is making
    #[arg(long, conflicts_with_all = ["on", "hold", "let_go"])]
    pub here: bool,
    /// Keep the renders that are there until let go, stale or fresh, whatever changes; renders nothing
    #[arg(long, conflicts_with_all = ["let_go", "plan", "again"])]
    pub hold: bool,
    /// Let go of renders that were kept; renders nothing
    #[arg(long, conflicts_with_all = ["plan", "again"])]
    pub let_go: bool,
    /// How the crew's shared store is used: both, take (send nothing), off; ENDBOARD_SHARED, or both, when not given
    #[arg(long, value_name = "WAY", hide_possible_values = true)]
    pub sharing: Option<Way>,
    /// A few words on why they are kept
    #[arg(long, value_name = "WORDS", default_value = "", hide_default_value = true)]
    pub note: String,
}
