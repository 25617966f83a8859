//! What leaves the house: files written, encoded, measured again, hashed and listed, in a folder that appears whole.
//!
//! Knows the disk and runs `ffmpeg` through `programs`. Does not know declarations, shots or stores: frames and sound are handed
//! in, and so is the time.

pub mod encode;
pub mod frames;
pub mod hashes;
pub mod levels;
pub mod mhl;
pub mod staging;
pub mod target;
pub mod verify;
pub mod whole;
