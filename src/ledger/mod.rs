//! The ledger: what was rendered, held, released and delivered, and what people did, in append-only files.
//!
//! Each writer appends to a file of its own, `ledger/WRITER.jsonl`, one JSON object a line, and
//! readers merge all files by id: merging two people's ledgers is copying files. Knows rows, their
//! lines and files. Does not know what the rows add up to; `report` does.

pub mod crew;
pub mod file;
pub mod holds;
pub mod id;
pub mod intake;
mod line;
pub mod row;
