//! Options of the commands about people: their time, their word on renders, their notes.

use clap::{Args, Subcommand};

use crate::base::said;
use crate::cli::{amounts, today};

/// Options of `clock`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Clock {
    /// What to do; without it, list
    #[command(subcommand)]
    pub verb: Option<ClockVerb>,
    /// Shots, stages and frames to list the time of; all when not given
    pub selectors: Vec<String>,
    /// List only this person's time; everybody's when not given
    #[arg(long, value_name = "NAME", value_parser = said::name)]
    pub person: Option<String>,
}

/// What `clock` does.
#[derive(Debug, Subcommand)]
pub enum ClockVerb {
    /// Start a person's clock on a shot's stage
    Start {
        /// A shot's stage, and frames where not all: br030/blades, br030/blades@1012-1019
        #[arg(value_name = "SHOT/STAGE")]
        place: String,
        /// Whose, and of what
        #[command(flatten)]
        spent: Spent,
    },
    /// Stop a person's clock: the time until now counts
    Stop {
        /// The clock's name as `clock` lists it, or its SHOT/STAGE; the person's only one when not given
        #[arg(value_name = "NAME")]
        name: Option<String>,
        /// How long it really took, where the clock was forgotten: 1h30m, 90m, 1:30, 0.5h; until now when not given
        #[arg(long, value_name = "TIME", value_parser = amounts::spent)]
        took: Option<std::time::Duration>,
        /// Whose, and of what
        #[command(flatten)]
        spent: Spent,
    },
    /// Add time that no clock counted
    Add {
        /// A shot's stage, and frames where not all: br030/blades, br030/blades@1012-1019
        #[arg(value_name = "SHOT/STAGE")]
        place: String,
        /// How long: 1h30m, 90m, 1:30, 0.5h
        #[arg(value_name = "TIME", value_parser = amounts::spent, allow_negative_numbers = true)]
        took: std::time::Duration,
        /// The day: YYYY-MM-DD, yesterday or today; today when not given
        #[arg(long, value_name = "DAY", value_parser = today::day)]
        day: Option<jiff::civil::Date>,
        /// When it began, such as 19:30; it is of the day and of no hour when not given
        #[arg(long, value_name = "HH:MM", value_parser = amounts::wall)]
        began: Option<jiff::civil::Time>,
        /// Whose, and of what
        #[command(flatten)]
        spent: Spent,
    },
    /// Correct how long something took; what was written before stays in the ledger. 0 takes it away
    Correct {
        /// The name of that time as `clock` lists it
        #[arg(value_name = "NAME")]
        name: String,
        /// How long it really took
        #[arg(value_name = "TIME", value_parser = amounts::spent, allow_negative_numbers = true)]
        took: std::time::Duration,
        /// A few words on why
        #[arg(long, value_name = "WORDS", default_value = "", hide_default_value = true, value_parser = said::words)]
        note: String,
    },
    /// List clocks that run, time of today and this week, and what should be looked at
    List {
        /// Shots, stages and frames; all when not given
        selectors: Vec<String>,
        /// List only this person's time; everybody's when not given
        #[arg(long, value_name = "NAME", value_parser = said::name)]
        person: Option<String>,
    },
}

/// Whose time, and of what.
#[derive(Debug, Args)]
pub struct Spent {
    /// Whose; yours when not given
    #[arg(long, value_name = "NAME", value_parser = said::name)]
    pub person: Option<String>,
    /// The change that made it necessary; when not given, what made the frames stale
    #[arg(long, value_name = "WORDS", value_parser = said::words)]
    pub cause: Option<String>,
    /// A few words on it
    #[arg(long, value_name = "WORDS", default_value = "", hide_default_value = true, value_parser = said::words)]
    pub note: String,
    /// It is rework; when neither is said, it is where at least half of the frames had come in or been approved before
    #[arg(long)]
    pub rework: bool,
    /// It is the first pass
    #[arg(long, conflicts_with = "rework")]
    pub first_pass: bool,
}

/// Options of `approve`.
#[derive(Debug, Args)]
pub struct Approve {
    /// Shots, stages and frames; of a shot without a stage or frames, what the film shows of it
    pub selectors: Vec<String>,
    /// A few words with it
    #[arg(long, value_name = "WORDS", default_value = "", hide_default_value = true, value_parser = said::words)]
    pub note: String,
    /// Who approves; you when not given
    #[arg(long, value_name = "NAME", value_parser = said::name)]
    pub person: Option<String>,
    /// Handles too, where no frames are named
    #[arg(long)]
    pub handles: bool,
    /// Withdraw approvals, whoever gave them
    #[arg(long, conflicts_with = "handles")]
    pub withdraw: bool,
}

/// Options of `approvals`.
#[derive(Debug, Args)]
pub struct Approvals {
    /// Shots, stages and frames; all when not given
    pub selectors: Vec<String>,
}

/// Options of `notes`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Notes {
    /// What to do; without it, list what is open
    #[command(subcommand)]
    pub verb: Option<NotesVerb>,
    /// Shots, stages and frames to list the open notes of; all when not given
    pub selectors: Vec<String>,
    /// Those that are settled too
    #[arg(long)]
    pub all: bool,
}

/// What `notes` does.
#[derive(Debug, Subcommand)]
pub enum NotesVerb {
    /// Put a note on frames
    Add {
        /// A shot's stage and frames, such as br030/blades@1012; of a shot, or without frames, what the film shows of it
        #[arg(value_name = "SHOT/STAGE@FRAMES")]
        place: String,
        /// Handles too, where no frames are named
        #[arg(long)]
        handles: bool,
        /// What is to be done or looked at
        #[arg(value_name = "WORDS", value_parser = said::words)]
        words: String,
        /// Who says so; you when not given
        #[arg(long, value_name = "NAME", value_parser = said::name)]
        person: Option<String>,
    },
    /// Say that what a note asked for is settled
    Settle {
        /// The note's name as `notes` lists it
        #[arg(value_name = "NAME")]
        name: String,
        /// How it was
        #[arg(value_name = "WORDS", default_value = "", hide_default_value = true, value_parser = said::words)]
        words: String,
        /// Who says so; you when not given
        #[arg(long, value_name = "NAME", value_parser = said::name)]
        person: Option<String>,
    },
    /// List notes by shot
    List {
        /// Shots, stages and frames; all when not given
        selectors: Vec<String>,
        /// Those that are settled too
        #[arg(long)]
        all: bool,
    },
}
