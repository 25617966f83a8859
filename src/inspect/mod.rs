//! Whether the film is fit to leave the house: checks of picture, sound and safety.
//!
//! Knows the published limits and what lies beyond them. Does not know where frames and samples come from: a caller decodes
//! them, has each frame looked at by any thread (`look`), and hands what was seen to a `Watch` in the order of frames.

pub mod black;
pub mod cells;
pub mod clicks;
pub mod edges;
pub mod finding;
pub mod flash;
pub mod levels;
pub mod look;
pub mod odd;
pub mod phase;
pub mod remedy;
pub mod repeats;
pub mod rules;
pub mod runs;
pub mod sides;
pub mod sight;
pub mod sound;
pub mod strays;
pub mod sync;
#[cfg(test)]
mod trial;
pub mod watch;
pub mod words;
