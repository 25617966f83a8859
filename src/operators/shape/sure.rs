//! How far keys are to be believed.
//!
//! Knows one number from 0 to 1, and that a rod's base has one of its own. It changes no pixels.

use std::fmt;

use crate::base::problem::Problem;
use crate::base::value::Value;

/// How far a key is to be believed, from 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sure {
    /// All of it; of a rod its line and its tip.
    pub whole: f64,
    /// A rod's base, which a hand may cover; of all else as `whole`.
    pub base: f64,
}

impl From<f64> for Sure {
    fn from(whole: f64) -> Self {
        Self { whole, base: whole }
    }
}

impl fmt::Display for Sure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { whole, base } = self;
        if whole == base { write!(f, "{whole}") } else { write!(f, "[{base}, {whole}]") }
    }
}

impl Sure {
    /// Reads a rod's: a number for all of it, or `[base, tip]`.
    ///
    /// # Errors
    /// It is neither.
    pub fn of_rod(value: &Value) -> Result<Self, Problem> {
        match value.list() {
            Err(_) => one(value).map(Self::from),
            Ok([base, tip]) => Ok(Self { base: one(base)?, whole: one(tip)? }),
            Ok(_) => Err(Problem::error(value.span, "how sure a rod's key is takes one number, or two")
                .help("such as 0.9, or [0.4, 0.9] for base and tip")),
        }
    }
}

/// Reads one number.
///
/// # Errors
/// It is none, or not from 0 to 1.
pub fn one(value: &Value) -> Result<f64, Problem> {
    let sure = value.number()?;
    if (0.0..=1.0).contains(&sure) {
        return Ok(sure);
    }
    Err(Problem::error(value.span, format!("a key cannot be {sure} sure")).help("from 0 to 1"))
}
