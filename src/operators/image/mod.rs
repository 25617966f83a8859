//! Picture operators, one a file.
//!
//! Knows nothing itself; each file knows one operator.

pub mod assemble;
pub mod blades;
pub mod flow;
pub mod gaussian;
pub mod grade;
mod matte;
pub mod paint_out;
pub mod passes;
pub mod plate;
pub mod print;
pub mod register;
pub mod retime;
pub mod roto;
#[cfg(test)]
mod trial;
pub mod warp;
