//! When the film will be done: measured rates, the work that remains, people's weeks, and a simulation of them.
//!
//! Knows sums and chance with a seed. Does not know the disk, the graph or the time of day.

pub mod calendar;
pub mod chance;
pub mod outlook;
mod plan;
mod pools;
pub mod rates;
mod run;
pub mod samples;
pub mod simulate;
pub mod work;
