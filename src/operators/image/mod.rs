//! Picture operators, one a file or folder, and what several of them use.
//!
//! Knows nothing itself; each file knows one thing. No operator reaches into another.

pub mod assemble;
pub mod blades;
mod blend;
mod compensate;
mod cubic;
pub mod flow;
pub mod gaussian;
pub mod grade;
mod grow;
pub mod matte;
pub mod paint_out;
pub mod passes;
mod picture;
pub mod plate;
pub mod print;
pub mod register;
pub mod retime;
pub mod roto;
#[cfg(test)]
mod trial;
pub mod warp;
pub mod wipe;
