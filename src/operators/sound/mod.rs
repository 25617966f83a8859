//! What is done to sound between a clip and the mix: one kind of work a file.
//!
//! Knows samples and numbers. Does not know cues, files or frames.

pub mod filter;
pub mod law;
pub mod limit;
pub mod loudness;
pub mod peak;
pub mod resample;
pub mod reverb;
