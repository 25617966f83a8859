//! What rows of people's work come to: clocks that run, time worked, who has what, approvals in force, notes that are open.
//!
//! Knows the ledger's rows in their order, and which later row changes an earlier one. Does not know frames' states, files or
//! the time of day.

pub mod approvals;
pub mod contest;
pub mod naming;
pub mod notes;
pub mod overlaps;
pub mod packets;
pub mod rounds;
pub mod times;
pub mod twice;
pub mod waiting;
