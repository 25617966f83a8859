//! Why a run ended early, in words.
//!
//! A plain value. Does not know what the run did.

/// Why a run ended before its work was done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ending {
    /// It was asked to stop.
    Asked,
    /// Nothing more could be done, for this reason.
    Trouble(String),
}

impl std::fmt::Display for Ending {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Asked => f.write_str("it was asked to stop"),
            Self::Trouble(reason) => f.write_str(reason),
        }
    }
}
