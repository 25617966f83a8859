//! Endboard takes a short film from locked cut to delivered film.
//!
//! The library behind the `endboard` command. Data flows one way:
//! declaration → graph → staleness → plan → execution → ledger → report.

pub mod base;
pub mod bucket;
pub mod cli;
pub mod crew;
pub mod cut;
pub mod declare;
pub mod deliver;
pub mod demo;
pub mod events;
pub mod execute;
pub mod forecast;
pub mod graph;
pub mod inspect;
pub mod ledger;
pub mod media;
pub mod observe;
pub mod operators;
pub mod packet;
pub mod plan;
pub mod programs;
pub mod project;
pub mod report;
pub mod serve;
pub mod stale;
pub mod store;
