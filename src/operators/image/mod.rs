//! Picture operators, one a file.
//!
//! Knows nothing itself; each file knows one operator.

pub mod assemble;
pub mod gaussian;
