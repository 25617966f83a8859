//! Options of the commands that show the film as a page.
//!
//! Knows their words. Does not know what they do.

use std::path::PathBuf;

use clap::Args;

/// Options of `page`.
#[derive(Debug, Args)]
pub struct Page {
    /// Shots, stages and frames to show; the whole film when not given
    pub selectors: Vec<String>,
    /// The file, HTML
    #[arg(long, value_name = "FILE", default_value = "page.html")]
    pub out: PathBuf,
    /// Show at most this many pictures
    #[arg(long, value_name = "N", default_value_t = 400, value_parser = clap::value_parser!(u32).range(0..=20_000), allow_negative_numbers = true)]
    pub pictures: u32,
}

/// Options of `serve`.
#[derive(Debug, Args)]
pub struct Serve {
    /// The port of 127.0.0.1 and [::1] to listen to; any free one when not given, or 0
    #[arg(
        long,
        value_name = "N",
        default_value_t = 0,
        hide_default_value = true,
        allow_negative_numbers = true
    )]
    pub port: u16,
    /// Show at most this many pictures
    #[arg(long, value_name = "N", default_value_t = 400, value_parser = clap::value_parser!(u32).range(0..=20_000), allow_negative_numbers = true)]
    pub pictures: u32,
}
