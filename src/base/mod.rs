//! The ground floor: digests, frame numbers, values with their places, problems, curves, small equations.
//!
//! Knows nothing of films, files on disk or pictures; every other module may stand on it.

pub mod address;
pub mod braces;
pub mod bytes;
pub mod conflict;
pub mod curve;
pub mod digest;
pub mod frames;
pub mod json;
pub mod layout;
pub mod level;
pub mod linear;
pub mod made;
pub mod mark;
pub mod problem;
pub mod rate;
pub mod said;
pub mod selector;
pub mod speed;
pub mod spent;
pub mod state;
pub mod timecode;
pub mod value;
pub mod yaml;
