//! Follows places, flat patches and rods through the frames of a shot.
//!
//! Knows planes of light and the keys that a person set; gives keys for the frames between. Does not know files, nor what
//! becomes of a track: roto, paint-out and blades read it as a shapes file.

pub mod align;
pub mod blade;
pub mod course;
mod grain;
pub mod picture;
pub mod plane;
pub mod point;
pub mod sheet;
#[cfg(test)]
mod tests;
