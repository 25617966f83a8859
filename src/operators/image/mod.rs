//! Picture operators, one a file.
//!
//! Knows nothing itself; each file knows one operator.

pub mod assemble;
pub mod blades;
pub mod gaussian;
mod matte;
pub mod passes;
pub mod roto;
#[cfg(test)]
mod trial;
