//! Rows and states → tables, ribbons, JSON and CSV, as text.
//!
//! Knows how results look to people and to programs. Pure: text out, and `cli` prints it. Does not
//! know where rows come from.

pub mod forecast_forms;
pub mod forecast_text;
pub mod forecast_words;
pub mod hands;
pub mod hands_table;
pub mod hands_words;
pub mod hours;
pub mod hours_forms;
pub mod hours_table;
pub mod lines;
pub mod page;
pub mod ribbon;
pub mod states;
pub mod words;
