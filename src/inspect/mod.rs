//! Whether the film is fit to leave the house: checks of picture, sound and safety.
//!
//! Knows the published limits and what lies beyond them. Does not know where frames come from.

pub mod flash;
