//! YAML text → the film as declared, all problems at once.
//!
//! Knows the declaration's keys and their meaning. Does not look at the disk, and does not know
//! operators' parameters or what they compute.

pub mod film;
