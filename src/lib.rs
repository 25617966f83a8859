//! Endboard takes a short film from locked cut to delivered film.
//!
//! The library behind the `endboard` command. Data flows one way:
//! declaration → graph → staleness → plan → execution → ledger → report.

pub mod base;
pub mod declare;
pub mod ledger;
pub mod media;
pub mod operators;
