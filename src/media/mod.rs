//! Pixel and sample buffers and file formats, one codec a file.
//!
//! Knows bytes and pixels. Does not know stages, shots or where files lie: callers hand in
//! bytes and get pixels, or the other way round.

pub mod image;
